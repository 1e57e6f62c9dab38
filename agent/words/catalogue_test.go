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
	speakers = []string{".", "../page", "../report", "../notice", "../watch", "../alarm", "..", "../clock", "../../historian/journal"}
	speaks   = map[string]int{"Say": 0, "say": 0, "Key": 0, "bad": 0, "refuse": 1}
)

// sheets are the templates, read with functions of those names only.
func sheets(t *testing.T) map[string]*template.Template {
	t.Helper()
	files, err := filepath.Glob("../page/templates/*.html")
	require.NoError(t, err)
	require.Greater(t, len(files), 8)
	out := map[string]*template.Template{}
	none := func(...any) string { return "" }
	for _, path := range append(files, "../report/report.html") {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		tree, err := template.New(path).Funcs(template.FuncMap{"t": none, "th": none, "asset": none, "mark": none, "lower": none, "join": none}).Parse(string(text))
		require.NoError(t, err)
		out[path] = tree
	}
	return out
}

// eachFile calls f with every file of a package but its tests.
func eachFile(t *testing.T, dir string, f func(path string, file *ast.File)) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	require.NoError(t, err)
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
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				i, ok := speaks[called(call)]
				if !ok || i >= len(call.Args) {
					return true
				}
				if lit, ok := call.Args[i].(*ast.BasicLit); ok && lit.Kind == token.STRING {
					phrase, err := strconv.Unquote(lit.Value)
					require.NoError(t, err)
					said[phrase] = path
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
				if first != "t" && first != "th" && !strings.HasSuffix(first, ".Count") {
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
			if _, ok := catalogue[phrase]; !ok {
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

// inPhrases are the packages whose every sentence is a phrase, but for the files that speak to
// whoever installs and runs the watch, which is English: what a check of the site file says, rules,
// errors of the command line.
var (
	inPhrases = []string{"../watch", "../alarm"}
	inEnglish = []string{"../watch/able.go", "../alarm/rules.go", "../alarm/rationale.go", "../alarm/answer.go", "../alarm/snapshot.go"}
)

// TestNoSentenceIsPutTogetherElsewhere: a string with a word and a blank in it that fmt fills is a
// sentence nobody can translate. What an error or a panic says is for whoever reads the log.
func TestNoSentenceIsPutTogetherElsewhere(t *testing.T) {
	sentence := regexp.MustCompile(`[a-z]{2,} |[ ][a-z]{2,}`)
	bare := func(text string) bool {
		return sentence.MatchString(text) && !strings.HasPrefix(text, `"bayledger `) // what is typed is the same everywhere
	}
	for _, dir := range inPhrases {
		eachFile(t, dir, func(path string, file *ast.File) {
			if slices.Contains(inEnglish, path) {
				return
			}
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.CallExpr:
					if name := called(n); name != "Sprintf" && name != "Sprint" && name != "Appendf" {
						return true
					}
					for _, a := range n.Args {
						if lit, ok := a.(*ast.BasicLit); ok && lit.Kind == token.STRING && bare(lit.Value) {
							t.Errorf("%s: %s is no phrase", path, lit.Value)
						}
					}
				case *ast.BinaryExpr:
					for _, side := range []ast.Expr{n.X, n.Y} {
						if lit, ok := side.(*ast.BasicLit); ok && n.Op == token.ADD && lit.Kind == token.STRING && bare(lit.Value) {
							t.Errorf("%s: %s is no phrase", path, lit.Value)
						}
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
