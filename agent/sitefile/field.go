package sitefile

import (
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"bayledger/agent/site"
)

// field is one key of a section, as its struct tags describe it:
//
//	yaml      the key
//	doc       what it means, one sentence for people; the reference prints it
//	dim       the physical dimension of a float64
//	required  "yes" when the section is not complete without it
//	default   the text that stands for it when it is not given
//	why       why the default is what it is
//	min, max  bounds, as text in the same form as the value
//	enum      the words it may be, separated by commas
//	eg        an example of the value
//	none      "yes" when the word none takes an inherited section away
//	provides  "yes" on a defaults block: its keys are taken by the bays around
//	inherits  "yes" on the list whose entries take them
type field struct {
	key, doc, byDefault, why, eg string
	dim                          site.Dimension
	min, max                     string
	enum                         []string
	required, none               bool
	provides, inherits           bool
	typ                          reflect.Type
	index                        []int
}

var fieldCache sync.Map // reflect.Type -> []field

// fieldsOf returns the keys of a section in the order of the struct; embedded structs are part
// of it.
func fieldsOf(t reflect.Type) []field {
	if f, ok := fieldCache.Load(t); ok {
		return f.([]field)
	}
	var fields []field
	for i := range t.NumField() {
		sf := t.Field(i)
		if sf.Anonymous {
			for _, f := range fieldsOf(sf.Type) {
				f.index = append([]int{i}, f.index...)
				fields = append(fields, f)
			}
			continue
		}
		key := sf.Tag.Get("yaml")
		if key == "" {
			continue
		}
		f := field{
			key: key, doc: sf.Tag.Get("doc"), byDefault: sf.Tag.Get("default"), why: sf.Tag.Get("why"),
			eg: sf.Tag.Get("eg"), dim: site.Dimension(sf.Tag.Get("dim")), min: sf.Tag.Get("min"), max: sf.Tag.Get("max"),
			required: sf.Tag.Get("required") == "yes", none: sf.Tag.Get("none") == "yes",
			provides: sf.Tag.Get("provides") == "yes", inherits: sf.Tag.Get("inherits") == "yes",
			typ: sf.Type, index: []int{i},
		}
		if e := sf.Tag.Get("enum"); e != "" {
			f.enum = strings.Split(e, ",")
		}
		fields = append(fields, f)
	}
	fieldCache.Store(t, fields)
	return fields
}

// item is the field of one entry of a list.
func (f field) item() field {
	f.typ = f.typ.Elem()
	f.byDefault, f.inherits = "", false
	return f
}

// example says how the key is written.
func (f field) example() string {
	if f.eg != "" {
		return fmt.Sprintf("write for example %s: %s", f.key, f.eg)
	}
	switch {
	case len(f.enum) > 0:
		return fmt.Sprintf("write %s: and one of %s", f.key, strings.Join(f.enum, ", "))
	case f.byDefault != "":
		return fmt.Sprintf("write for example %s: %s", f.key, f.byDefault)
	case f.dim != "":
		return fmt.Sprintf("write for example %s: %s", f.key, exampleOf(f.dim))
	}
	switch f.typ.Kind() {
	case reflect.Bool:
		return fmt.Sprintf("write %s: yes or %s: no", f.key, f.key)
	case reflect.Slice:
		return fmt.Sprintf("write %s: and its entries below it, each after a hyphen", f.key)
	case reflect.Pointer, reflect.Struct:
		if t := f.typ; isLeaf(t) {
			break
		} else if t.Kind() == reflect.Pointer {
			return "its keys are " + keyList(fieldsOf(t.Elem()))
		} else {
			return "its keys are " + keyList(fieldsOf(t))
		}
	}
	return fmt.Sprintf("add %s: and its value", f.key)
}

func exampleOf(d site.Dimension) string {
	switch d {
	case site.Length:
		return "25 mm"
	case site.Area:
		return "96 m2"
	case site.Cubic:
		return "10 L"
	case site.Discharge:
		return "20 L/min"
	case site.Stress:
		return "200 kPa"
	case site.Temperature:
		return "20 degC"
	case site.Speed:
		return "3 m/s"
	case site.Irradiance:
		return "800 W/m2"
	}
	return "0.25"
}

var leafType = reflect.TypeFor[leaf]()

// isLeaf reports whether the type is one scalar of the file.
func isLeaf(t reflect.Type) bool { return reflect.PointerTo(t).Implements(leafType) }

var durationType = reflect.TypeFor[time.Duration]()

// wholeNumber is an integer as people write it: a leading zero is not one, because some readers
// take 012 for ten.
var wholeNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,17})$`)

// setLeaf puts the text into v. The error says what is wrong; a mistake also says what would be
// right.
func setLeaf(v reflect.Value, text string, f field) error {
	if isLeaf(v.Type()) {
		return v.Addr().Interface().(leaf).parse(text)
	}
	switch {
	case v.Type() == durationType:
		d, err := parseDuration(text)
		if err != nil {
			return mistake{err.Error(), f.example()}
		}
		if lo, hi, out := outside(d, f, parseDuration); out {
			return mistake{fmt.Sprintf("%s is not possible here", clip(text)), between(lo, hi)}
		}
		v.SetInt(int64(d))
	case v.Kind() == reflect.Float64:
		read := func(s string) (float64, error) { return parseNumber(f.dim, s) }
		x, err := read(text)
		if err != nil {
			return asMistake(err, f.example())
		}
		if lo, hi, out := outside(x, f, read); out {
			return mistake{fmt.Sprintf("%s is not possible here", clip(text)), between(lo, hi)}
		}
		v.SetFloat(x)
	case v.Kind() == reflect.Int:
		if !wholeNumber.MatchString(text) {
			if strings.HasPrefix(strings.TrimPrefix(text, "-"), "0") && wholeNumber.MatchString(strings.TrimLeft(text, "0")) {
				return mistake{fmt.Sprintf("%s has a leading zero, which some programs read as octal", text), "write " + strings.TrimLeft(text, "0")}
			}
			return mistake{fmt.Sprintf("%q is not a whole number", clip(text)), f.example()}
		}
		n, err := strconv.Atoi(text)
		if err != nil {
			return mistake{fmt.Sprintf("%s is not possible here", clip(text)), f.example()}
		}
		if lo, hi, out := outside(n, f, strconv.Atoi); out {
			return mistake{fmt.Sprintf("%s is not possible here", clip(text)), between(lo, hi)}
		}
		v.SetInt(int64(n))
	case v.Kind() == reflect.Bool:
		switch text {
		case "yes", "true", "on":
			v.SetBool(true)
		case "no", "false", "off":
			v.SetBool(false)
		default:
			return mistake{fmt.Sprintf("%q is neither yes nor no", clip(text)), "write yes or no"}
		}
	case v.Kind() == reflect.String:
		if text == "" {
			return mistake{"the text is empty", f.example()}
		}
		if strings.ContainsFunc(text, unicode.IsControl) {
			return mistake{"the text holds a line break or a control character", "write it in one line"}
		}
		if len(f.enum) > 0 && !slices.Contains(f.enum, text) {
			fix := "use one of " + strings.Join(f.enum, ", ")
			if near := nearest(text, f.enum); near != "" {
				fix = fmt.Sprintf("did you mean %s? Otherwise %s", near, fix)
			}
			return mistake{fmt.Sprintf("%q is not known", clip(text)), fix}
		}
		v.SetString(text)
	default:
		panic("sitefile: no way to read a " + v.Type().String())
	}
	return nil
}

// outside compares with the field's bounds and returns them as text for people.
func outside[T int | float64 | time.Duration](x T, f field, read func(string) (T, error)) (lo, hi string, out bool) {
	bound := func(text string) T {
		b, err := read(text)
		if err != nil {
			panic("sitefile: bound of " + f.key + ": " + err.Error()) // a wrong tag is our mistake
		}
		return b
	}
	if f.min != "" && x < bound(f.min) || f.max != "" && x > bound(f.max) {
		return f.min, f.max, true
	}
	return "", "", false
}

func between(lo, hi string) string {
	switch {
	case lo == "":
		return "it is at most " + hi
	case hi == "":
		return "it is at least " + lo
	}
	return fmt.Sprintf("it lies between %s and %s", lo, hi)
}

// parseNumber reads a float of a dimension; "" is a plain number.
func parseNumber(dim site.Dimension, text string) (float64, error) {
	if dim == "" {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !site.Known(x) {
			return 0, fmt.Errorf("%q is not a number", clip(text))
		}
		return x, nil
	}
	x, err := site.Parse(dim, text)
	if err != nil {
		return 0, err
	}
	if !site.Known(x) {
		return 0, fmt.Errorf("%q is not a number that can be used", clip(text))
	}
	return x, nil
}

var durationUnits = []struct {
	name string
	size time.Duration
}{
	{"ms", time.Millisecond}, {"s", time.Second}, {"sec", time.Second}, {"min", time.Minute}, {"m", time.Minute},
	{"h", time.Hour}, {"d", 24 * time.Hour}, {"days", 24 * time.Hour},
}

// parseDuration reads "5 s", "500 ms", "2 min", "1 h" or "90 d".
func parseDuration(text string) (time.Duration, error) {
	t := strings.TrimSpace(text)
	cut := strings.IndexFunc(t, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
	if cut < 0 {
		if t == "0" {
			return 0, nil
		}
		return 0, fmt.Errorf(`%q is not a time with a unit, such as "5 s", "500 ms", "2 min" or "1 h"`, clip(text))
	}
	x, err := strconv.ParseFloat(t[:cut], 64)
	name := strings.TrimSpace(t[cut:])
	for _, u := range durationUnits {
		if u.name == name && err == nil && x*float64(u.size) < float64(1<<62) {
			return time.Duration(x * float64(u.size)), nil
		}
	}
	return 0, fmt.Errorf(`%q is not a time with a unit, such as "5 s", "500 ms", "2 min" or "1 h"`, clip(text))
}

func keyList(fields []field) string {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	return strings.Join(keys, ", ")
}

// unknownFix says what a key that is not known at path was probably meant to be: a near
// spelling, or the section it belongs in.
func unknownFix(key, path string, fields []field) string {
	keys := make([]string, len(fields))
	for i, f := range fields {
		keys[i] = f.key
	}
	if near := nearest(key, keys); near != "" {
		return fmt.Sprintf("did you mean %s?", near)
	}
	here := itemIndex.ReplaceAllString(path, "[]")
	where := sectionIndex()[key]
	if len(where) > 3 { // a word as common as id says nothing about where it was meant to be
		return "the keys here are " + keyList(fields)
	}
	for _, w := range where {
		if rest, ok := strings.CutPrefix(w, here+"."); ok {
			return fmt.Sprintf("%s belongs under %s", key, rest)
		}
	}
	if len(where) > 0 {
		return fmt.Sprintf("%s belongs in %s; look at the indent", key, strings.Join(where, " or "))
	}
	return "the keys here are " + keyList(fields)
}

var itemIndex = regexp.MustCompile(`\[\d+\]`)

// sectionIndex lists, for each key, the sections that have it.
var sectionIndex = sync.OnceValue(func() map[string][]string {
	index := map[string][]string{}
	var walk func(t reflect.Type, path string)
	walk = func(t reflect.Type, path string) {
		for _, f := range fieldsOf(t) {
			where := "the top level of the file"
			if path != "" {
				where = path
			}
			if f.provides && path != "" {
				continue // said once, at the top level
			}
			if !slices.Contains(index[f.key], where) {
				index[f.key] = append(index[f.key], where)
			}
			if sub, isList := subsection(f.typ); sub != nil {
				p := join(path, f.key)
				if isList {
					p += "[]"
				}
				walk(sub, p)
			}
		}
	}
	walk(reflect.TypeFor[File](), "")
	return index
})

// subsection returns the struct behind a section or a list of sections, or nil for a leaf.
func subsection(t reflect.Type) (sub reflect.Type, isList bool) {
	if t.Kind() == reflect.Slice {
		t, isList = t.Elem(), true
	}
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() == reflect.Struct && !isLeaf(t) {
		return t, isList
	}
	return nil, isList
}

// nearest returns the word that is spelled most like text, or "" when none is near.
func nearest(text string, words []string) string {
	plain := strings.NewReplacer("-", "", "_", "", " ", "")
	best, bestDistance := "", 1+min(2, len(text)/3)
	for _, w := range words {
		if n := distance(plain.Replace(strings.ToLower(text)), plain.Replace(strings.ToLower(w))); n < bestDistance {
			best, bestDistance = w, n
		}
	}
	return best
}

// distance is the fewest insertions, deletions, replacements and changes of two neighbours that
// make b of a (Levenshtein's distance with Damerau's transpositions, none of them edited twice).
func distance(a, b string) int {
	if max(len(a), len(b)) > 64 {
		return 64
	}
	before, row := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		next := make([]int, len(b)+1)
		next[0] = i + 1
		for j := range len(b) {
			cost := row[j]
			if a[i] != b[j] {
				cost = 1 + min(row[j], row[j+1], next[j])
			}
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				cost = min(cost, before[j-1]+1)
			}
			next[j+1] = cost
		}
		before, row = row, next
	}
	return row[len(b)]
}

// nouns name the entries of lists and the sections for people.
var nouns = map[string]string{
	"courts": "a court", "bays": "a bay", "links": "a link", "devices": "a device", "layers": "a layer",
	"influxdb": "an InfluxDB", "people": "a person", "windows": "a window", "neighbours": "a pair of neighbours",
}

// inWords says where a path leads: "in a bay", "under overflow", "at the top level".
func inWords(path string) string {
	if path == "" {
		return "at the top level"
	}
	name := last(path)
	name, _, isItem := strings.Cut(name, "[")
	if noun, ok := nouns[name]; ok && isItem {
		return "in " + noun
	}
	return "under " + name
}

// last is the last key of a path, with its index.
func last(path string) string { return path[strings.LastIndex(path, ".")+1:] }

func doubledFix(path, key string) string {
	if last(path) == "points" {
		return "a bay has one point of each quantity: remove one, or move it to the bay it belongs to"
	}
	return "remove one of the two"
}
