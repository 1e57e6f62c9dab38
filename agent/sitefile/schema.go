package sitefile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"bayledger/agent/site"
)

// SchemaID names the schema; editors show it.
const SchemaID = "bayledger-site.schema.json"

// Schema returns the JSON Schema (draft 2020-12) of the site file, made from the struct tags, for
// editors that complete and check YAML while it is written. It says form, not sense: that a
// crest stands below the surface only Load knows.
func Schema() []byte {
	g := schemaMaker{defs: map[string]any{}}
	root := g.object(reflect.TypeFor[File](), false)
	top := orderedMap{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"$id", SchemaID},
		{"title", "bayledger site file"},
	}
	top = append(top, root...)
	names := make([]string, 0, len(g.defs))
	for name := range g.defs {
		names = append(names, name)
	}
	slices.Sort(names)
	var defs orderedMap
	for _, name := range names {
		defs = append(defs, member{name, g.defs[name]})
	}
	top = append(top, member{"$defs", defs})
	raw, err := json.Marshal(top)
	if err != nil {
		panic("sitefile: schema: " + err.Error()) // made of constants
	}
	var out bytes.Buffer
	if err := json.Indent(&out, raw, "", "  "); err != nil {
		panic("sitefile: schema: " + err.Error())
	}
	out.WriteByte('\n')
	return out.Bytes()
}

// orderedMap is a JSON object that keeps the order of its members, so that the generated file
// changes only where the tags do.
type orderedMap []member

type member struct {
	key   string
	value any
}

func (m orderedMap) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, e := range m {
		if i > 0 {
			b.WriteByte(',')
		}
		k, err := json.Marshal(e.key)
		if err != nil {
			return nil, err
		}
		v, err := json.Marshal(e.value)
		if err != nil {
			return nil, err
		}
		b.Write(k)
		b.WriteByte(':')
		b.Write(v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

type schemaMaker struct{ defs map[string]any }

// ref returns a reference to the section's definition. What may inherit is complete only with
// its defaults, so nothing is required of it.
func (g *schemaMaker) ref(t reflect.Type, partial bool) orderedMap {
	name := t.Name()
	if partial {
		name += "WithDefaults"
	}
	if _, ok := g.defs[name]; !ok {
		g.defs[name] = nil // taken, in case the section holds itself
		g.defs[name] = g.object(t, partial)
	}
	return orderedMap{{"$ref", "#/$defs/" + name}}
}

func (g *schemaMaker) object(t reflect.Type, partial bool) orderedMap {
	var properties orderedMap
	required := []string{}
	for _, f := range fieldsOf(t) {
		properties = append(properties, member{f.key, g.property(f, partial)})
		if f.required && !partial {
			required = append(required, f.key)
		}
	}
	m := orderedMap{{"type", []string{"object", "null"}}, {"additionalProperties", false}, {"properties", properties}}
	if len(required) > 0 {
		m[0].value = "object"
		m = append(m, member{"required", required})
	}
	return m
}

func (g *schemaMaker) property(f field, partial bool) orderedMap {
	m := orderedMap{{"description", f.doc}}
	if f.byDefault != "" {
		m = append(m, member{"default", f.byDefault})
	}
	return append(m, g.form(f, partial)...)
}

func (g *schemaMaker) form(f field, partial bool) orderedMap {
	t := f.typ
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case t == reflect.TypeFor[Bay]():
		// A bay is complete with its defaults; only its id is its own.
		if _, ok := g.defs["Bay"]; !ok {
			bay := g.object(t, true)
			bay[0].value = "object"
			g.defs["Bay"] = append(bay, member{"required", []string{"id"}})
		}
		return orderedMap{{"$ref", "#/$defs/Bay"}}
	case t.Kind() == reflect.Slice:
		f.typ = t
		return orderedMap{{"type", "array"}, {"items", g.form(f.item(), false)}}
	case isLeaf(t):
		return leafForm(t)
	case t.Kind() == reflect.Struct:
		ref := g.ref(t, partial || f.provides)
		if f.none {
			return orderedMap{{"anyOf", []any{orderedMap{{"const", "none"}}, ref}}}
		}
		return ref
	}
	return scalarForm(f, t)
}

var leafForms = map[reflect.Type]orderedMap{
	reflect.TypeFor[Secret]():    {{"type", "string"}, {"pattern", `^(file:/.+|env:[A-Za-z_][A-Za-z0-9_]*)$`}},
	reflect.TypeFor[size]():      {{"type", "string"}, {"pattern", `^[0-9]+(\.[0-9]+)? *(GiB|MiB|GB|MB)$`}},
	reflect.TypeFor[window]():    {{"type", "string"}, {"pattern", `^ *[0-9]{1,2}:[0-9]{2} *- *[0-9]{1,2}:[0-9]{2} *$`}},
	reflect.TypeFor[timeOfDay](): {{"type", "string"}, {"pattern", `^ *[0-9]{1,2}:[0-9]{2} *$`}},
	reflect.TypeFor[depth]():     append(orderedMap{{"type", []string{"string", "number"}}, {"pattern", amountPattern(site.Length)}}, onlyZero...),
	reflect.TypeFor[register]():  {{"type", []string{"integer", "string"}}, {"minimum", 0}, {"maximum", 65535}, {"pattern", `^0[xX][0-9A-Fa-f]{1,4}$`}},
}

func leafForm(t reflect.Type) orderedMap {
	form, ok := leafForms[t]
	if !ok {
		panic("sitefile: schema: no form for " + t.String())
	}
	return form
}

// onlyZero: a number without a unit can only be 0, which is the same in every unit.
var onlyZero = orderedMap{{"minimum", 0}, {"maximum", 0}}

const durationPattern = `^[0-9]+(\.[0-9]+)? *(ms|s|sec|min|m|h|d|days)$`

func scalarForm(f field, t reflect.Type) orderedMap {
	switch {
	case t == durationType:
		return append(orderedMap{{"type", []string{"string", "number"}}, {"pattern", durationPattern}}, onlyZero...)
	case t.Kind() == reflect.Bool:
		return orderedMap{{"enum", []any{true, false, "yes", "no", "on", "off"}}}
	case t.Kind() == reflect.Int:
		m := orderedMap{{"type", "integer"}}
		if f.min != "" {
			m = append(m, member{"minimum", json.Number(f.min)})
		}
		if f.max != "" {
			m = append(m, member{"maximum", json.Number(f.max)})
		}
		return m
	case t.Kind() == reflect.Float64 && f.dim == "":
		m := orderedMap{{"type", "number"}}
		if f.min != "" {
			m = append(m, member{"minimum", json.Number(f.min)})
		}
		if f.max != "" {
			m = append(m, member{"maximum", json.Number(f.max)})
		}
		return m
	case t.Kind() == reflect.Float64:
		m := orderedMap{{"type", []string{"string", "number"}}, {"pattern", amountPattern(f.dim)}}
		if f.dim != site.Ratio {
			m = append(m, onlyZero...)
		}
		return m
	case len(f.enum) > 0:
		return orderedMap{{"enum", f.enum}}
	}
	return orderedMap{{"type", []string{"string", "number", "boolean"}}}
}

// amountPattern matches a number with a unit of the dimension.
func amountPattern(d site.Dimension) string {
	names := site.UnitNames(d)
	for i, n := range names {
		names[i] = regexp.QuoteMeta(n)
	}
	tail := " *(" + strings.Join(names, "|") + ")"
	if d == site.Ratio {
		tail += "?"
	}
	return `^[+-]?[0-9]*\.?[0-9]+([eE][+-]?[0-9]+)?` + tail + `$`
}

// Reference returns the reference of every key as Markdown, made from the same tags.
func Reference() []byte {
	var b bytes.Buffer
	b.WriteString(`# Every key of the site file

Made from the program itself; a test fails when it is out of date. Values carry their unit in the
text: lengths in ` + units(site.Length) + `, areas in ` + units(site.Area) + `, volumes in ` + units(site.Cubic) + `,
flows in ` + units(site.Discharge) + `, pressures in ` + units(site.Stress) + `,
temperatures in ` + units(site.Temperature) + `, times in ms, s, min, h, d. Ratios are plain numbers or per cent.
All levels count from the liner at the bay's lowest point. Yes and no may be true and false.
Secrets never stand in the file: write file:/path or env:NAME.

**Bold** keys are required. What a bay does not say itself it takes from its court's defaults, then
from the file's defaults, key by key; lists are taken whole.
`)
	seen := map[reflect.Type]bool{}
	var section func(title string, t reflect.Type, fields []field)
	section = func(title string, t reflect.Type, fields []field) {
		if seen[t] {
			return
		}
		seen[t] = true
		fmt.Fprintf(&b, "\n## %s\n\n", title)
		if t == reflect.TypeFor[Bay]() {
			b.WriteString("Also every key of [defaults](#defaults).\n\n")
		}
		if embedsPoint(t) {
			b.WriteString("Also every key of [a point](#a-point).\n\n")
		}
		b.WriteString("| key | value | when not given | meaning |\n|---|---|---|---|\n")
		for _, f := range fields {
			key := "`" + f.key + "`"
			if f.required {
				key = "**" + key + "**"
			}
			fmt.Fprintf(&b, "| %s | %s | %s | %s |\n", key, f.valueWords(), f.defaultWords(), cell(f.doc))
		}
		for _, f := range fields {
			sub, isList := subsection(f.typ)
			if sub == nil {
				continue
			}
			name := f.key
			if isList {
				name += "[]"
			}
			if title != topLevel {
				name = title + "." + name
			}
			if sub == reflect.TypeFor[Point]() {
				name = pointTitle
			}
			section(name, sub, ownFields(sub))
		}
	}
	section(topLevel, reflect.TypeFor[File](), fieldsOf(reflect.TypeFor[File]()))
	return b.Bytes()
}

const (
	topLevel   = "Top level"
	pointTitle = "A point"
)

// ownFields are the keys of a section without those of Point and BayDefaults, which have tables
// of their own.
func ownFields(t reflect.Type) []field {
	return slices.DeleteFunc(slices.Clone(fieldsOf(t)), func(f field) bool {
		return len(f.index) > 1
	})
}

func embedsPoint(t reflect.Type) bool {
	sf, ok := t.FieldByName("Point")
	return ok && sf.Anonymous
}

func units(d site.Dimension) string { return strings.Join(site.UnitNames(d), ", ") }

func cell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }

// valueWords says what a key takes.
func (f field) valueWords() string {
	t := f.typ
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	words := ""
	switch {
	case t.Kind() == reflect.Slice:
		words = "list"
		if sub, _ := subsection(t); sub == nil && f.eg != "" {
			words += ": " + f.eg
		}
		return cell(words)
	case len(f.enum) > 0:
		return cell(strings.Join(f.enum, ", "))
	case t == reflect.TypeFor[Secret]():
		words = "secret"
	case t == reflect.TypeFor[window]():
		words = "part of the day"
	case t == reflect.TypeFor[timeOfDay]():
		words = "time of day"
	case t == reflect.TypeFor[size]():
		words = "size in GiB, MiB, GB or MB"
	case t == reflect.TypeFor[register]():
		words = "0 to 65535"
	case t == durationType:
		words = "time"
	case t.Kind() == reflect.Bool:
		return "yes or no"
	case t.Kind() == reflect.Int:
		words = "whole number"
	case t.Kind() == reflect.Float64 && f.dim != "":
		words = string(f.dim)
	case t.Kind() == reflect.Float64:
		words = "number"
	case t.Kind() == reflect.Struct && !isLeaf(t):
		if f.none {
			return "section, or none"
		}
		return "section"
	default:
		words = "text"
	}
	if f.min != "" && f.max != "" {
		words += ", " + f.min + " to " + f.max
	}
	if f.eg != "" {
		words += "; " + f.eg
	}
	return cell(words)
}

func (f field) defaultWords() string {
	if f.byDefault == "" {
		return ""
	}
	if f.why != "" {
		return cell(f.byDefault + ": " + f.why)
	}
	return cell(f.byDefault)
}
