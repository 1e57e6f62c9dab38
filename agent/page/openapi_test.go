package page

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// schema is the part of JSON Schema the document uses; one it does not know fails the test.
type schema struct {
	Ref                  string `json:"$ref"`
	Type                 any    `json:"type"`
	Format, Description  string
	Enum                 []string
	Items                *schema
	Properties           map[string]*schema
	Required             []string
	AdditionalProperties *bool
}

type document struct {
	OpenAPI string
	Paths   map[string]map[string]struct {
		Parameters []struct {
			Name, In string
		}
		Responses map[string]struct {
			Content map[string]struct{ Schema *schema }
		}
	}
	Components struct{ Schemas map[string]*schema }
}

func theDocument(t *testing.T) document {
	t.Helper()
	var d document
	require.NoError(t, json.Unmarshal(get(t, serve(t, aQuietView()), "/api/v1/openapi.json").Body.Bytes(), &d))
	require.Equal(t, "3.1.0", d.OpenAPI)
	return d
}

// wrong returns what in v is not as the schema says, "" when all is.
func (d document) wrong(at string, sc *schema, v any) string {
	if name, ok := strings.CutPrefix(sc.Ref, "#/components/schemas/"); ok {
		to := d.Components.Schemas[name]
		if to == nil {
			return at + ": no schema " + name
		}
		return d.wrong(at, to, v)
	}
	var types []string
	switch x := sc.Type.(type) {
	case string:
		types = []string{x}
	case []any:
		for _, y := range x {
			types = append(types, y.(string))
		}
	}
	is := map[bool]string{}
	switch x := v.(type) {
	case nil:
		is[true] = "null"
	case bool:
		is[true] = "boolean"
	case float64:
		is[true] = "number"
		if x == float64(int64(x)) && slices.Contains(types, "integer") {
			is[true] = "integer"
		}
	case string:
		is[true] = "string"
		if sc.Format == "date-time" {
			if _, err := time.Parse("2006-01-02T15:04:05.000Z", x); err != nil {
				return fmt.Sprintf("%s: %q is no time", at, x)
			}
		}
		if sc.Enum != nil && !slices.Contains(sc.Enum, x) {
			return fmt.Sprintf("%s: %q is not among %v", at, x, sc.Enum)
		}
	case []any:
		is[true] = "array"
		for i, y := range x {
			if says := d.wrong(fmt.Sprintf("%s[%d]", at, i), sc.Items, y); says != "" {
				return says
			}
		}
	case map[string]any:
		is[true] = "object"
		for _, name := range sc.Required {
			if _, ok := x[name]; !ok {
				return at + ": " + name + " is missing"
			}
		}
		for name, y := range x {
			p := sc.Properties[name]
			if p == nil {
				return at + ": " + name + " is not in the document"
			}
			if says := d.wrong(at+"."+name, p, y); says != "" {
				return says
			}
		}
	}
	if !slices.Contains(types, is[true]) {
		return fmt.Sprintf("%s is %s, not %v", at, is[true], types)
	}
	return ""
}

// TestEveryAnswerIsAsDocumented asks every address of the document, rightly and wrongly, and holds
// the answer against it.
func TestEveryAnswerIsAsDocumented(t *testing.T) {
	d := theDocument(t)
	bad := aBadView()
	h := &aHistory{events: []site.Event{bad.Alarms[0].Now}, dots: []Dot{{Time: aMorning, Value: 0.062, Min: 0.06, Max: 0.063}, {Time: aMorning.Add(time.Minute), Value: nan, Min: nan, Max: nan}}}
	with := func(v *View) *Server { return serve(t, v, func(_ *Options, d *Deps) { d.History = h }) }
	asked := map[string]bool{}
	for _, row := range []struct {
		view      *View
		path, ask string
	}{
		{bad, "/api/v1/bays", ""}, {bad, "/api/v1/points", ""}, {bad, "/api/v1/alarms", ""}, {bad, "/api/v1/events", "?bay=A3&limit=5"}, {bad, "/api/v1/account", ""},
		{bad, "/api/v1/points/{point}", "?step=5m"}, {bad, "/healthz", ""},
		{nil, "/api/v1/bays", ""}, {nil, "/healthz", ""}, {bad, "/api/v1/events", "?limit=no"}, {bad, "/api/v1/account", "?bay=Z"}, {bad, "/api/v1/stream", "?of=x"},
	} {
		asked[row.path] = true
		w := get(t, with(row.view), strings.Replace(row.path, "{point}", "A1-level", 1)+row.ask)
		r, ok := d.Paths[row.path]["get"].Responses[fmt.Sprint(w.Code)]
		require.True(t, ok, "%s answers %d, which the document does not name", row.path, w.Code)
		var v any
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &v))
		require.Empty(t, d.wrong(row.path, r.Content["application/json"].Schema, v))
	}
	for path := range d.Paths {
		require.True(t, asked[path], "%s is documented and not tried", path)
	}
	// What is served and not documented would not be tried.
	source, err := os.ReadFile("api.go")
	require.NoError(t, err)
	served := regexp.MustCompile(`"(?:GET )?(/api/v1/[^"]*)"`).FindAllSubmatch(source, -1)
	require.Greater(t, len(served), 6)
	for _, m := range served {
		if path := string(m[1]); path != "/api/v1/openapi.json" {
			require.Contains(t, d.Paths, path)
		}
	}
	// The check itself can fail.
	require.Contains(t, d.wrong("x", d.Components.Schemas["Error"], map[string]any{"error": 1.0}), "not [string]")
	require.Contains(t, d.wrong("x", d.Components.Schemas["Error"], map[string]any{}), "missing")
	require.Contains(t, d.wrong("x", d.Components.Schemas["Error"], map[string]any{"error": "a", "b": "c"}), "not in the document")
}
