package words

import (
	"go/ast"
	"go/parser"
	"go/token"
	"html/template"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"
	"unicode"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// speakers are the packages that speak to people, and speaks the calls that do, with the place of
// their phrase.
var (
	speakers = []string{".", "../page", "../report", "../notice", "../watch", "../alarm", "..", "../clock", "../../historian/journal", "../procedure", "../../cmd/bayledger/commission.go", "../../cmd/bayledger/replay.go"}
	speaks   = map[string]int{"Say": 0, "say": 0, "Key": 0, "bad": 0, "refuse": 1, "no": 0, "watching": 1, "passed": 0, "failed": 0,
		"confirm": 0, "askDepth": 0, "askWater": 0, "whichBay": 0, "show": 1}
	// steps are the fields of a procedure's step that are phrases or lists of them; tell are the calls
	// whose every text from that place on is one.
	steps = []string{"title", "do", "Label"}
	tell  = map[string]int{"yes": 1, "dip": 1}
)

// sheets are the templates, read with functions of those names only.
func sheets(t *testing.T) map[string]*template.Template {
	t.Helper()
	files, err := filepath.Glob("../page/templates/*.html")
	require.NoError(t, err)
	require.Greater(t, len(files), 8)
	out := map[string]*template.Template{}
	none := func(...any) string { return "" }
	for _, path := range append(files, "../report/report.html", "../procedure/record.html") {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		tree, err := template.New(path).Funcs(template.FuncMap{"t": none, "th": none, "asset": none, "mark": none, "lower": none, "join": none}).Parse(string(text))
		require.NoError(t, err)
		out[path] = tree
	}
	return out
}

// textOf is what a literal says.
func textOf(t *testing.T, n ast.Node) (string, bool) {
	t.Helper()
	lit, ok := n.(*ast.BasicLit)
	if !ok || lit.Kind != token.STRING {
		return "", false
	}
	text, err := strconv.Unquote(lit.Value)
	require.NoError(t, err)
	return text, true
}

// eachFile calls f with every file of a package but its tests.
func eachFile(t *testing.T, dir string, f func(path string, file *ast.File)) {
	t.Helper()
	files := []string{dir}
	if !strings.HasSuffix(dir, ".go") {
		var err error
		files, err = filepath.Glob(filepath.Join(dir, "*.go"))
		require.NoError(t, err)
	}
	for _, path := range files {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		require.NoError(t, err)
		f(path, file)
	}
}

// called is the name of the function or method that is called.
func called(call *ast.CallExpr) string {
	switch f := call.Fun.(type) {
	case *ast.Ident:
		return f.Name
	case *ast.SelectorExpr:
		return f.Sel.Name
	}
	return ""
}

// phrases are all that is said, with where.
func phrases(t *testing.T) map[string]string {
	t.Helper()
	said := map[string]string{}
	for _, k := range site.Kinds {
		for _, phrase := range []string{k.Title, k.Says, k.Ends, k.Consequence, k.FirstAction, k.DoNot, k.DoNotShort} {
			if phrase != "" {
				said[phrase] = "the table of kinds"
			}
		}
	}
	for _, dir := range speakers {
		eachFile(t, dir, func(path string, file *ast.File) {
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.KeyValueExpr:
					if key, ok := n.Key.(*ast.Ident); ok && strings.HasPrefix(path, "../procedure") && slices.Contains(steps, key.Name) {
						ast.Inspect(n.Value, func(n ast.Node) bool {
							if text, ok := textOf(t, n); ok {
								said[text] = path
							}
							call, ok := n.(*ast.CallExpr)
							return !ok || called(call) == "append"
						})
					}
				case *ast.CallExpr:
					name := called(n)
					i, ok := speaks[name]
					last := i
					if from, all := tell[name]; all {
						i, ok, last = from, true, len(n.Args)-1
					}
					for ; ok && i <= last && i < len(n.Args); i++ {
						if text, ok := textOf(t, n.Args[i]); ok {
							said[text] = path
						}
					}
				}
				return true
			})
		})
	}
	for path, tree := range sheets(t) {
		for _, tmpl := range tree.Templates() {
			eachNode(tmpl.Tree.Root, func(n parse.Node) {
				c, ok := n.(*parse.CommandNode)
				if !ok || len(c.Args) < 2 {
					return
				}
				first := c.Args[0].String()
				if first != "t" && first != "th" && !strings.HasSuffix(first, ".Say") && !strings.HasSuffix(first, ".Count") {
					return
				}
				for i, a := range c.Args[1:] {
					if s, ok := a.(*parse.StringNode); ok && (i == 0 || strings.HasSuffix(first, ".Count")) {
						said[s.Text] = path
					}
				}
			})
		}
	}
	return said
}

// eachNode visits a template's nodes.
func eachNode(n parse.Node, f func(parse.Node)) {
	pipe := func(p *parse.PipeNode) {
		if p == nil {
			return
		}
		for _, c := range p.Cmds {
			eachNode(c, f)
		}
	}
	branch := func(b *parse.BranchNode) {
		pipe(b.Pipe)
		eachNode(b.List, f)
		if b.ElseList != nil {
			eachNode(b.ElseList, f)
		}
	}
	f(n)
	switch n := n.(type) {
	case *parse.ListNode:
		for _, c := range n.Nodes {
			eachNode(c, f)
		}
	case *parse.ActionNode:
		pipe(n.Pipe)
	case *parse.TemplateNode:
		pipe(n.Pipe)
	case *parse.PipeNode:
		pipe(n)
	case *parse.CommandNode:
		for _, a := range n.Args {
			if p, ok := a.(*parse.PipeNode); ok {
				eachNode(p, f)
			}
		}
	case *parse.IfNode:
		branch(&n.BranchNode)
	case *parse.RangeNode:
		branch(&n.BranchNode)
	case *parse.WithNode:
		branch(&n.BranchNode)
	}
}

var verb = regexp.MustCompile(`%(?:\[(\d+)\])?([+#.\d]*[a-z])`)

// verbs are what a phrase takes, by the number of the argument.
func verbs(t *testing.T, phrase string) map[int]string {
	t.Helper()
	took, next := map[int]string{}, 1
	for _, v := range verb.FindAllStringSubmatch(phrase, -1) {
		if v[1] != "" {
			n, err := strconv.Atoi(v[1])
			require.NoError(t, err)
			next = n
		}
		took[next] = v[2]
		next++
	}
	return took
}

// TestCatalogue: what is said somewhere is in every language, with the same figures in it, and
// nothing else is.
func TestCatalogue(t *testing.T) {
	said := phrases(t)
	require.Greater(t, len(said), 300)
	require.Len(t, catalogues, len(Languages)-1)
	for language, catalogue := range catalogues {
		for phrase, where := range said {
			if _, ok := catalogue[phrase]; !ok && strings.ContainsFunc(verb.ReplaceAllString(phrase, ""), unicode.IsLetter) {
				t.Errorf("%s has nothing for %q (%s)", language, phrase, where)
			}
		}
		for phrase, translated := range catalogue {
			if _, ok := said[phrase]; !ok {
				t.Errorf("%s has %q, which nobody says", language, phrase)
			}
			require.NotEmpty(t, translated, phrase)
			require.Equal(t, verbs(t, phrase), verbs(t, translated), "%s: %q does not take what %q does", language, translated, phrase)
			for _, hole := range []string{"{bay}", "{shut-off}"} {
				require.Equal(t, strings.Contains(phrase, hole), strings.Contains(translated, hole), translated)
			}
		}
	}
}

// TestPhrasesNameNoUnit: a figure in a phrase is a quantity, which the site's units fill. What is paid stands
// in the cubic metres the tariff is given for.
func TestPhrasesNameNoUnit(t *testing.T) {
	unit := regexp.MustCompile(`%[+#.\d]*[a-z] ?(mm|cm|m|L|gal|kPa|psi|degrees)([ ,;:.)]|$)`)
	require.Regexp(t, unit, "%+.1f mm an hour")
	for phrase, path := range phrases(t) {
		require.NotRegexp(t, unit, phrase, path)
	}
}

var (
	tag       = regexp.MustCompile(`(?s)<style>.*?</style>|<[^>]*>`)
	attribute = regexp.MustCompile(`\b(?:aria-label|data-label|data-say|alt|title|placeholder)="([^"]*)`)
)

// TestEachPhraseOnce: the parts of a catalogue have no phrase in common, which one might say
// differently.
func TestEachPhraseOnce(t *testing.T) {
	seen := map[string]bool{}
	for _, part := range germanParts {
		for phrase := range part {
			require.False(t, seen[phrase], phrase)
			seen[phrase] = true
		}
	}
}

// inPhrases are the packages whose every sentence is a phrase, but for the files of them that speak to
// whoever installs and runs the watch, which is English: what a check of the site file says, rules,
// what a socket answers a command, what the log says of the isolation valve; and but for keys, and what is
// the same in every language.
var (
	inPhrases = []string{"../watch", "../alarm", "../procedure", "../health.go", "../core.go", "../condition.go"}
	inEnglish = []string{"../watch/able.go", "../alarm/rules.go", "../alarm/rationale.go", "../alarm/answer.go", "../alarm/snapshot.go", "../procedure/socket.go", "../procedure/main.go"}
	keys      = []string{"bay ", "dip %d", "look %d", "porosity of ", "porosity ", "wet ", "start ", "valve ", " of ", "2 Jan 15:04", "2 Jan 2006", "2006-01-02 15:04 MST", "bayledger ack %d", "%s (%s UTC)", "the surface is dust", "it freezes"}
	// others make an error, or a line of the site file.
	others = []string{"Errorf", "New", "panic", "siteLine"}
)

// TestNoSentenceIsPutTogetherElsewhere: in those packages every text of two words or more is a phrase,
// and nothing is put together from parts with a word in them: nobody could translate it.
func TestNoSentenceIsPutTogetherElsewhere(t *testing.T) {
	said := phrases(t)
	sentence, part := regexp.MustCompile(`\pL{2,}[,.:;]? [(]?\pL{2,}`), regexp.MustCompile(`\pL{2,} | \pL{2,}`)
	for _, dir := range inPhrases {
		eachFile(t, dir, func(path string, file *ast.File) {
			if slices.Contains(inEnglish, path) {
				return
			}
			bare := func(n ast.Expr) {
				if text, ok := textOf(t, n); ok && part.MatchString(text) && !slices.Contains(keys, text) {
					t.Errorf("%s: %q is put together with something", path, text)
				}
			}
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.Field: // its tag
					return false
				case *ast.CallExpr:
					name := called(n)
					if slices.Contains(others, name) {
						return false
					}
					if strings.HasPrefix(name, "Sprint") || strings.HasPrefix(name, "Append") {
						for _, a := range n.Args {
							bare(a)
						}
					}
				case *ast.BinaryExpr:
					if n.Op == token.ADD {
						bare(n.X)
						bare(n.Y)
					}
				case *ast.BasicLit:
					if text, ok := textOf(t, n); ok && sentence.MatchString(text) && said[text] == "" && !slices.Contains(keys, text) {
						t.Errorf("%s: %q is no phrase", path, text)
					}
				}
				return true
			})
		})
	}
}

// TestTemplatesHaveNoBareWords: what stands in a template outside the catalogue is the same in every
// language: signs and units.
func TestTemplatesHaveNoBareWords(t *testing.T) {
	same := []string{"L/m² per mm"}
	for path, tree := range sheets(t) {
		for _, tmpl := range tree.Templates() {
			var text strings.Builder
			eachNode(tmpl.Tree.Root, func(n parse.Node) {
				if tn, ok := n.(*parse.TextNode); ok {
					text.Write(tn.Text)
				} else if _, ok := n.(*parse.ActionNode); ok {
					text.WriteString("\x00")
				}
			})
			for _, m := range attribute.FindAllStringSubmatch(text.String(), -1) {
				require.False(t, strings.ContainsFunc(m[1], unicode.IsLetter), "%s: %s", path, m[0])
			}
			for _, bare := range strings.FieldsFunc(tag.ReplaceAllString(text.String(), "\x00"), func(r rune) bool { return r == 0 || r == '\n' }) {
				if strings.ContainsFunc(bare, unicode.IsLetter) && !slices.Contains(same, strings.TrimSpace(bare)) {
					t.Errorf("%s: %q is not in the catalogue", path, bare)
				}
			}
		}
	}
}
