package sitefile

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
)

func TestConfigsLoad(t *testing.T) {
	files, err := filepath.Glob("../../configs/*.yaml")
	require.NoError(t, err)
	require.Len(t, files, 3)
	for _, name := range files {
		t.Run(filepath.Base(name), func(t *testing.T) {
			text, err := os.ReadFile(name)
			require.NoError(t, err)
			c, problems := Load(text, name)
			require.Empty(t, problems)
			require.Empty(t, c.Runnable())
			checkConfig(t, c)
		})
	}
}

// TestHostileText: text made to exhaust a parser is refused with a position, before it does.
func TestHostileText(t *testing.T) {
	deep := func(open string) string { return strings.Repeat(open, 60000) }
	var nested strings.Builder
	for i := range 700 {
		fmt.Fprintf(&nested, "%sa:\n", strings.Repeat(" ", i))
	}
	rows := []struct{ name, text, what string }{
		{"brackets", deep("["), "nested too deeply"},
		{"braces", deep("{a: "), "nested too deeply"},
		{"brackets on lines of their own", deep("[\n"), "nested too deeply"},
		{"hyphens", deep("- "), "nested too deeply"},
		{"question marks", deep("? "), "nested too deeply"},
		{"anchors", deep("&a "), "nested too deeply"},
		{"tags", deep("!a "), "nested too deeply"},
		{"many keys", strings.Repeat("a: 1\n", 40000), "more than 10000 keys"},
		{"a stair of sections", nested.String(), "no key"},
		{"too long", strings.Repeat("# remark\n", 40000), "kB"},
		{"not UTF-8", "site:\n  id: \xff\n", "not allowed in a text file"},
		{"UTF-16", "\xff\xfes\x00i\x00t\x00e\x00", "not allowed in a text file"},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			_, problems := Load([]byte(r.text), "hostile")
			require.NotEmpty(t, problems)
			require.Contains(t, problems[0].What, r.what)
			require.Positive(t, problems[0].Line)
		})
	}
}

// TestManyMistakes: mistakes of every stage, from key to cross-check, are reported by one Load.
func TestManyMistakes(t *testing.T) {
	text, err := os.ReadFile("../../configs/two-courts-tcp.yaml")
	require.NoError(t, err)
	for _, slip := range [][2]string{
		{"elevation: 412 m", "elevation: 412"},
		{"shut_off:", "shutoff:"},
		{"pressure_low: 140 kPa", "pressure_low: 240 kPa"},
		{"porosity: 0.31", "porosity: 3.1"},
		{"- id: A2", "- id: A1"},
		{"level: { address: 8 }", "level: { address: 40009 }"},
		{"area: 91.4 m2", "area: 91.4 m2\n        area: 92 m2"},
		{"[B2, B3]]", "[B2, B4]]"},
		{"id: court-b, unit: 1", "id: court-b, unit: 251"},
	} {
		require.Contains(t, string(text), slip[0])
		text = []byte(strings.Replace(string(text), slip[0], slip[1], 1))
	}
	_, problems := Load(text, "many.yaml")
	for _, what := range []string{"412", "shutoff", "band ends at", "3.1 is not possible", "A1 is already used", "40009", "given twice", `no bay "B4"`, "251"} {
		require.Contains(t, problems.Error(), what)
	}
}
