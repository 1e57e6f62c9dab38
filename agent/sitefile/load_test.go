package sitefile

import (
	"os"
	"path/filepath"
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
		})
	}
}
