package sitefile

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the expected messages anew; read the difference before you keep it")

// TestBadFiles loads one small file for each mistake somebody can make. The expected messages
// stand beside it; several where one slip breaks two rules.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("../../testdata/sitefile/bad/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".yaml")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			c, problems := Load(text, file)
			require.Nil(t, c)
			require.NotEmpty(t, problems)
			for _, p := range problems {
				require.NotEmpty(t, p.Fix, "%s says what is wrong and not what would be right", p)
			}
			got := Mistakes{File: filepath.Base(file), Problems: problems}.Error() + "\n"
			want := strings.TrimSuffix(file, ".yaml") + ".want"
			if *update {
				require.NoError(t, os.WriteFile(want, []byte(got), 0o644))
			}
			expected, err := os.ReadFile(want)
			require.NoError(t, err)
			require.Equal(t, string(expected), got)
		})
	}
}
