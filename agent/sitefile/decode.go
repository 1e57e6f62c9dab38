package sitefile

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"bayledger/agent/site"
)

// Limits on the text itself. A club of a hundred bays needs 50 kB and 5,000 keys. The YAML parser
// recurses, and a stack that runs out cannot be caught; its time grows with the square of the
// keys of one section (50,000 took 11 s). So both are bounded before it sees the text.
const (
	maxText  = 256 << 10
	maxDepth = 40
	maxKeys  = 10000
)

// place is where a value of the file stands.
type place struct {
	line, col int
	// inherited is true when the value was taken from a defaults block.
	inherited bool
}

// decoder walks the YAML beside the Go structs and collects everything that is wrong.
type decoder struct {
	problems site.Problems
	told     map[told]bool
	wrong    map[string]bool // paths of the problems
	// places holds every value that is present in the file, by path; a section has one too.
	places map[string]place
	// raw is the text of each leaf the file gives, by path; values lists every leaf with its
	// origin, in the order in which they were met.
	raw    map[string]string
	values []Value
	// lines holds the length in runes of each line, to keep positions inside the file.
	lines []int
	// partial is true inside a defaults block, where nothing is required.
	partial bool
	// shared are the defaults blocks around the present section, the nearest first.
	shared []source
}

// told is what makes two problems the same.
type told struct {
	line, col int
	what      string
}

// mistake is an error of a leaf: what is wrong with the text and what would be right.
type mistake struct{ what, fix string }

func (m mistake) Error() string { return m.what + "; " + m.fix }

// asMistake splits what an error says from what it advises; without advice it takes fix.
func asMistake(err error, fix string) mistake {
	if m, ok := err.(mistake); ok && m.fix != "" {
		return m
	}
	what, advice, _ := strings.Cut(err.Error(), "; ")
	if advice == "" {
		advice = fix
	}
	return mistake{what, advice}
}

// leaf is a scalar of the file with a form of its own.
type leaf interface{ parse(text string) error }

// parse reads the text into a tree. It returns nil when there is nothing to walk; the problem
// has then been noted.
func (d *decoder) parse(text []byte) (root ast.Node) {
	for line := range strings.SplitSeq(string(text), "\n") {
		d.lines = append(d.lines, len([]rune(strings.TrimSuffix(line, "\r"))))
	}
	if len(text) > maxText {
		d.addAt(1, 1, "", fmt.Sprintf("the file has %d kB", len(text)>>10), fmt.Sprintf("a site file has at most %d kB", maxText>>10))
		return nil
	}
	if line, col, ok := badText(text); !ok {
		d.addAt(line, col, "", "this character is not allowed in a text file", "save the file as UTF-8 and remove control characters")
		return nil
	}
	// The parser is another's and a file must never end the daemon.
	defer func() {
		if r := recover(); r != nil {
			root = nil
			d.addAt(1, 1, "", "the file cannot be read as YAML", "look for a bracket, a quote or an indent that is out of place")
		}
	}()
	tokens := lexer.Tokenize(string(text))
	if t := tooDeep(tokens); t != nil {
		d.addToken(t, "", "the file is nested too deeply here", "a site file needs no more than a few levels")
		return nil
	}
	keys := 0
	for _, t := range tokens {
		if t.Type == token.MappingValueType {
			keys++
		}
		if keys > maxKeys {
			d.addToken(t, "", fmt.Sprintf("the file has more than %d keys", maxKeys), "put what bays share under defaults")
			return nil
		}
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		e, ok := err.(yaml.Error)
		if !ok || e.GetToken() == nil {
			d.addAt(1, 1, "", "the file cannot be read as YAML: "+firstLine(err.Error()), "look for a bracket, a quote or an indent that is out of place")
			return nil
		}
		what, fix := syntaxWords(e)
		d.addToken(e.GetToken(), "", what, fix)
		return nil
	}
	var docs []*ast.DocumentNode
	for _, doc := range file.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.CommentType {
			docs = append(docs, doc)
		}
	}
	switch {
	case len(docs) == 0:
		d.addAt(1, 1, "", "the file is empty", "start from one of the files in configs/")
		return nil
	case len(docs) > 1:
		d.addNode(docs[1].Body, "", "a second YAML document begins here", "a site file is one document: remove the line with ---")
		return nil
	}
	return docs[0].Body
}

// syntaxWords puts the parser's complaint into words for somebody who does not know YAML.
func syntaxWords(e yaml.Error) (what, fix string) {
	msg := firstLine(e.GetMessage())
	t := e.GetToken()
	switch {
	case strings.Contains(t.Value, "\t") || strings.Contains(t.Origin, "\t") || strings.Contains(msg, "tab"):
		return "not valid YAML: a tab is used to indent", "indent with spaces"
	case strings.Contains(msg, "could not find"), strings.Contains(msg, "must be specified"):
		return "not valid YAML: " + msg, "close every bracket and quote"
	}
	return "not valid YAML: " + msg, `a line is "key: value", with a space after the colon, indented like its neighbours`
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// badText finds the first byte that is not UTF-8 or is a control character YAML does not allow.
func badText(text []byte) (line, col int, ok bool) {
	line, col = 1, 1
	for i, r := range string(text) {
		switch {
		case r == '\n':
			line, col = line+1, 1
			continue
		case r == '�' && text[i] != 0xEF, r < ' ' && r != '\t' && r != '\r', r == 0x7F:
			return line, col, false
		case r == '\uFEFF' && i > 0, r == '\u0085', r == '\u2028', r == '\u2029':
			return line, col, false
		}
		col++
	}
	return 0, 0, true
}

// tooDeep returns the token at which nesting goes beyond what a site file needs, or nil.
func tooDeep(tokens token.Tokens) *token.Token {
	flow, line, onLine := 0, 0, 0
	for _, t := range tokens {
		if t.Position != nil && t.Position.Line != line {
			line, onLine = t.Position.Line, 0
		}
		switch t.Type {
		case token.MappingStartType, token.SequenceStartType:
			flow++
		case token.MappingEndType, token.SequenceEndType:
			flow--
		case token.SequenceEntryType, token.MappingKeyType, token.AnchorType, token.TagType:
			onLine++
		}
		if flow > maxDepth || onLine > maxDepth || (t.Position != nil && flow == 0 && t.Position.Column > 20*maxDepth && t.Type == token.SequenceEntryType) {
			return t
		}
	}
	return nil
}

// addAt notes a problem, with its position moved into the file where the parser points past it.
func (d *decoder) addAt(line, col int, path, what, fix string) {
	line = min(max(line, 1), max(len(d.lines), 1))
	width := 0
	if line <= len(d.lines) {
		width = d.lines[line-1]
	}
	col = min(max(col, 1), width+1)
	p := site.Problem{Path: path, Line: line, Col: col, What: what, Fix: fix}
	// A mistake in a defaults block is met again by every bay that takes it.
	same := told{line, col, what}
	if !d.told[same] {
		d.told[same] = true
		d.problems = append(d.problems, p)
	}
	d.wrong[path] = true
}

func (d *decoder) addToken(t *token.Token, path, what, fix string) {
	if t == nil || t.Position == nil {
		d.addAt(1, 1, path, what, fix)
		return
	}
	d.addAt(t.Position.Line, t.Position.Column, path, what, fix)
}

func (d *decoder) addNode(n ast.Node, path, what, fix string) {
	at := nodePlace(n)
	d.addAt(at.line, at.col, path, what, fix)
}

// bad notes a problem with the value at path. When the file does not hold that value, the
// problem stands at the nearest section that is there.
func (d *decoder) bad(path, fix, format string, args ...any) {
	at, _ := d.placeOf(path)
	d.addAt(at.line, at.col, path, fmt.Sprintf(format, args...), fix)
}

// placeOf returns where the value at path, or the nearest section around it, stands.
func (d *decoder) placeOf(path string) (at place, own bool) {
	for p := path; p != ""; p = parent(p) {
		if at, ok := d.places[p]; ok {
			return at, p == path
		}
	}
	return place{line: 1, col: 1}, false
}

// has reports whether the file gives the value at path, itself or by its defaults.
func (d *decoder) has(path string) bool {
	_, ok := d.places[path]
	return ok
}

func parent(path string) string {
	return path[:max(strings.LastIndexAny(path, ".["), 0)]
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// nodePlace is the position of a node's first character.
func nodePlace(n ast.Node) place {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return nodePlace(n.Values[0].Key)
		}
		return tokenPlace(n.Start)
	case *ast.MappingValueNode:
		return nodePlace(n.Key)
	case *ast.LiteralNode:
		return tokenPlace(n.Start)
	case nil:
		return place{line: 1, col: 1}
	}
	return tokenPlace(n.GetToken())
}

func tokenPlace(t *token.Token) place {
	if t == nil || t.Position == nil {
		return place{line: 1, col: 1}
	}
	return place{line: t.Position.Line, col: t.Position.Column}
}

// pairs returns the entries of a mapping, or false for another node.
func pairs(n ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

// scalar returns the text of a scalar as it is written, quotes removed.
func scalar(n ast.Node) (text string, ok bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		if n.Value == nil {
			return "", true
		}
		return strings.TrimRight(n.Value.Value, "\n"), true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	}
	return "", false
}

// isNull reports a key with nothing behind it.
func isNull(n ast.Node) bool {
	if n == nil {
		return true
	}
	_, ok := n.(*ast.NullNode)
	return ok
}

// nodeWords names what a node is, for people.
func nodeWords(n ast.Node) string {
	switch n := n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a section with keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "a YAML anchor or alias"
	case *ast.TagNode:
		return "a YAML tag"
	default:
		if text, ok := scalar(n); ok {
			return fmt.Sprintf("%q", clip(text))
		}
		return "nothing"
	}
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "..."
	}
	return s
}

// source is one node that may give a value, and whether it stands in a defaults block.
type source struct {
	node      ast.Node
	inherited bool
}

// section fills the struct v from the mappings in from, the nearest first: a key is taken from
// the first that has it, a section of sections from all. Unknown and doubled keys are looked for
// in the bay's own mapping only; each defaults block is checked by itself.
func (d *decoder) section(path string, from []source, v reflect.Value) {
	fields := fieldsOf(v.Type())
	values := make(map[string][]source, len(fields))
	broken := false
	for _, s := range from {
		entries, ok := pairs(s.node)
		if !ok {
			if !isNull(s.node) {
				broken = true
				d.addNode(s.node, path, fmt.Sprintf("%s should be a section with keys, not %s", last(path), nodeWords(s.node)), "put its keys on lines of their own, indented further: "+keyList(fields))
			}
			continue
		}
		seen := make(map[string]place, len(entries))
		for _, e := range entries {
			key, ok := scalar(e.Key)
			at := nodePlace(e.Key)
			if !ok {
				if !s.inherited {
					d.addNode(e.Key, path, "a key of a site file is a word, not "+nodeWords(e.Key), "use the defaults section for what several bays share")
				}
				continue
			}
			if first, twice := seen[key]; twice {
				if !s.inherited {
					d.addNode(e.Key, join(path, key), fmt.Sprintf("%s is given twice, first on line %d", key, first.line), doubledFix(path, key))
				}
				continue
			}
			seen[key] = at
			if !slices.ContainsFunc(fields, func(f field) bool { return f.key == key }) {
				if !s.inherited {
					d.addNode(e.Key, join(path, clip(key)), fmt.Sprintf("there is no key %q %s", clip(key), inWords(path)), unknownFix(key, path, fields))
				}
				continue
			}
			values[key] = append(values[key], source{e.Value, s.inherited})
			if _, ok := d.places[join(path, key)]; !ok {
				at := at
				at.inherited = s.inherited
				d.places[join(path, key)] = at
			}
		}
	}
	around := d.shared
	for _, f := range fields {
		if f.provides {
			for _, s := range values[f.key] {
				d.shared = append([]source{{s.node, true}}, d.shared...)
			}
		}
	}
	defer func() { d.shared = around }()
	for _, f := range fields {
		target := v.FieldByIndex(f.index)
		given := values[f.key]
		if len(given) == 0 {
			if f.required && !d.partial && !broken {
				d.bad(path, f.example(), "%s is missing %s", f.key, inWords(path))
			}
			d.absent(join(path, f.key), target, f)
			continue
		}
		d.value(join(path, f.key), given, target, f)
	}
}

// absent gives a value that the file does not hold its default.
func (d *decoder) absent(path string, v reflect.Value, f field) {
	switch {
	case f.byDefault != "":
		d.effective(Value{Path: path, Text: f.byDefault, Origin: builtIn})
		if err := setLeaf(v, f.byDefault, f); err != nil {
			panic(fmt.Sprintf("sitefile: default of %s: %v", path, err)) // a wrong tag is our mistake
		}
	case v.Kind() == reflect.Float64:
		v.SetFloat(math.NaN())
	case v.Kind() == reflect.Struct && !isLeaf(v.Type()):
		partial := d.partial
		d.partial = true
		d.section(path, nil, v)
		d.partial = partial
	}
}

// value fills v from the nodes that give it, the nearest first.
func (d *decoder) value(path string, given []source, v reflect.Value, f field) {
	t := v.Type()
	own := given[0]
	if f.provides {
		defer func(was bool) { d.partial = was }(d.partial)
		d.partial = true
	}
	switch {
	case t.Kind() == reflect.Pointer && t.Elem().Kind() == reflect.Struct:
		if f.none {
			given = given[:untilNone(given)]
		}
		if len(given) == 0 {
			delete(d.places, path)
			return
		}
		v.Set(reflect.New(t.Elem()))
		d.section(path, given, v.Elem())
	case t.Kind() == reflect.Struct && !isLeaf(t):
		d.section(path, given, v)
	case t.Kind() == reflect.Pointer:
		v.Set(reflect.New(t.Elem()))
		d.value(path, given, v.Elem(), f)
	case t.Kind() == reflect.Slice:
		d.list(path, own, v, f)
	default:
		text, ok := scalar(own.node)
		if !ok || (text == "" && isNull(own.node)) {
			what := fmt.Sprintf("%s has no value", last(path))
			if !isNull(own.node) {
				what = fmt.Sprintf("%s should be one value, not %s", last(path), nodeWords(own.node))
			}
			d.valueProblem(path, own, what, f.example())
			d.absent(path, v, f)
			return
		}
		at := nodePlace(own.node)
		at.inherited = own.inherited
		d.places[path] = at
		d.raw[path] = text
		origin := ownLine
		if own.inherited {
			origin = fromDefaults
		}
		d.effective(Value{Path: path, Text: text, Origin: origin, Line: at.line})
		if err := setLeaf(v, text, f); err != nil {
			m := asMistake(err, f.example())
			d.addNode(own.node, path, last(path)+": "+m.what, m.fix)
			d.absent(path, v, f)
		}
	}
}

// valueProblem notes a problem at the value, or at its key when there is no value.
func (d *decoder) valueProblem(path string, s source, what, fix string) {
	if isNull(s.node) {
		d.bad(path, fix, "%s", what)
		return
	}
	d.addNode(s.node, path, what, fix)
}

func (d *decoder) list(path string, s source, v reflect.Value, f field) {
	seq, ok := s.node.(*ast.SequenceNode)
	if !ok {
		what := fmt.Sprintf("%s should be a list, not %s", last(path), nodeWords(s.node))
		if isNull(s.node) {
			what = fmt.Sprintf("%s is empty", last(path))
		}
		d.valueProblem(path, s, what, f.example())
		return
	}
	at := tokenPlace(seq.Start)
	at.inherited = s.inherited
	d.places[path] = at
	out := reflect.MakeSlice(v.Type(), len(seq.Values), len(seq.Values))
	for i, n := range seq.Values {
		item := fmt.Sprintf("%s[%d]", path, i)
		at := nodePlace(n)
		at.inherited = s.inherited
		if isNull(n) {
			at.line, at.col = tokenPlace(seq.Start).line, tokenPlace(seq.Start).col
			if i < len(seq.Entries) && seq.Entries[i] != nil {
				at = tokenPlace(seq.Entries[i].Start)
			}
			d.addAt(at.line, at.col, item, fmt.Sprintf("entry %d of %s is empty", i+1, last(path)), f.example())
			d.absent(item, out.Index(i), f.item())
			continue
		}
		d.places[item] = at
		from := []source{{n, s.inherited}}
		if f.inherits {
			from = append(from, d.shared...)
		}
		d.value(item, from, out.Index(i), f.item())
	}
	v.Set(out)
}

// untilNone counts the sources before the first that says "none", which takes away what the
// ones behind it give.
func untilNone(given []source) int {
	for i, s := range given {
		if text, ok := scalar(s.node); ok && text == "none" {
			return i
		}
	}
	return len(given)
}
