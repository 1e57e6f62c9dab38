package sitefile

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/require"
)

// TestGeneratedFilesAreFresh: the schema and the reference in configs/ are what the tags say. Run
// with -update to write them anew.
func TestGeneratedFilesAreFresh(t *testing.T) {
	for name, fresh := range map[string][]byte{"site.schema.json": Schema(), "REFERENCE.md": Reference()} {
		file := filepath.Join("../../configs", name)
		if *update {
			require.NoError(t, os.WriteFile(file, fresh, 0o644))
		}
		kept, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(fresh), string(kept), "configs/%s is stale: go test ./agent/sitefile -run Generated -update", name)
	}
}

// TestEveryKeyIsDocumented: no key without a sentence, no default or bound that its own reader
// refuses.
func TestEveryKeyIsDocumented(t *testing.T) {
	seen := map[reflect.Type]bool{}
	var walk func(typ reflect.Type, path string)
	walk = func(typ reflect.Type, path string) {
		if seen[typ] {
			return
		}
		seen[typ] = true
		for _, f := range fieldsOf(typ) {
			at := join(path, f.key)
			require.NotEmpty(t, f.doc, at)
			require.True(t, strings.HasSuffix(f.doc, "."), "%s: %s", at, f.doc)
			if f.byDefault != "" {
				require.NoError(t, setLeaf(reflect.New(f.typ).Elem(), f.byDefault, f), at)
			}
			if sub, _ := subsection(f.typ); sub != nil {
				walk(sub, at)
				continue
			}
			if f.eg != "" && f.typ.Kind() != reflect.Slice && f.typ.Kind() != reflect.Pointer {
				require.NoError(t, setLeaf(reflect.New(f.typ).Elem(), f.eg, f), at)
			}
		}
	}
	walk(reflect.TypeFor[File](), "")
}

// TestSchemaAcceptsWhatLoadAccepts does what an editor does with the schema: the files in configs/
// pass, and mistakes of form are found.
func TestSchemaAcceptsWhatLoadAccepts(t *testing.T) {
	var schema map[string]any
	require.NoError(t, json.Unmarshal(Schema(), &schema))
	read := func(name string) any {
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		var v any
		require.NoError(t, yaml.Unmarshal(text, &v))
		raw, err := json.Marshal(v)
		require.NoError(t, err)
		var plain any
		require.NoError(t, json.Unmarshal(raw, &plain))
		return plain
	}
	files, err := filepath.Glob("../../configs/*.yaml")
	require.NoError(t, err)
	for _, name := range files {
		require.Empty(t, schemaErrors(schema, schema, read(name), ""), name)
	}
	for _, name := range []string{"unknown-key", "missing-site", "no-unit", "wrong-unit", "wrong-type-list", "wrong-type-section", "not-a-duration", "table-unknown", "address-word", "display-units", "zone-missing"} {
		require.NotEmpty(t, schemaErrors(schema, schema, read("../../testdata/sitefile/bad/"+name+".yaml"), ""), name)
	}
}

// schemaErrors is the part of JSON Schema (core and validation, draft 2020-12) that Schema uses.
func schemaErrors(root, s map[string]any, v any, path string) (wrong []string) {
	say := func(format string, args ...any) { wrong = append(wrong, path+": "+fmt.Sprintf(format, args...)) }
	if ref, ok := s["$ref"].(string); ok {
		def := root["$defs"].(map[string]any)[strings.TrimPrefix(ref, "#/$defs/")].(map[string]any)
		wrong = append(wrong, schemaErrors(root, def, v, path)...)
	}
	if any_, ok := s["anyOf"].([]any); ok {
		passed := false
		for _, o := range any_ {
			passed = passed || len(schemaErrors(root, o.(map[string]any), v, path)) == 0
		}
		if !passed {
			say("no alternative fits")
		}
	}
	if c, ok := s["const"]; ok && c != v {
		say("not %v", c)
	}
	if e, ok := s["enum"].([]any); ok {
		found := false
		for _, o := range e {
			found = found || o == v
		}
		if !found {
			say("%v is not in the list", v)
		}
	}
	kind := map[string]bool{}
	switch x := v.(type) {
	case nil:
		kind["null"] = true
	case bool:
		kind["boolean"] = true
	case float64:
		kind["number"], kind["integer"] = true, x == float64(int64(x))
		if lo, ok := s["minimum"].(float64); ok && x < lo {
			say("%v below %v", x, lo)
		}
		if hi, ok := s["maximum"].(float64); ok && x > hi {
			say("%v above %v", x, hi)
		}
	case string:
		kind["string"] = true
		if p, ok := s["pattern"].(string); ok && !regexp.MustCompile(p).MatchString(x) {
			say("%q does not match", x)
		}
	case []any:
		kind["array"] = true
		if items, ok := s["items"].(map[string]any); ok {
			for i, e := range x {
				wrong = append(wrong, schemaErrors(root, items, e, fmt.Sprintf("%s[%d]", path, i))...)
			}
		}
	case map[string]any:
		kind["object"] = true
		properties, _ := s["properties"].(map[string]any)
		for key, e := range x {
			if p, ok := properties[key].(map[string]any); ok {
				wrong = append(wrong, schemaErrors(root, p, e, join(path, key))...)
			} else if s["additionalProperties"] == false {
				say("unknown key %s", key)
			}
		}
		required, _ := s["required"].([]any)
		for _, key := range required {
			if _, ok := x[key.(string)]; !ok {
				say("%v is missing", key)
			}
		}
	}
	switch typ := s["type"].(type) {
	case string:
		if !kind[typ] {
			say("not a %s", typ)
		}
	case []any:
		ok := false
		for _, o := range typ {
			ok = ok || kind[o.(string)]
		}
		if !ok {
			say("none of %v", typ)
		}
	}
	return wrong
}
