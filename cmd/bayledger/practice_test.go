package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A clock that runs faster is for practice only: with a link that leaves this machine it is refused,
// for the readings of a real field would be dated wrongly for good.
func TestPracticeIsRefusedOnARealField(t *testing.T) {
	here := pumpHouse{modbus: "127.0.0.1:1502"}.siteFile(t, "")
	for _, row := range []struct {
		name, file, flag, value, says string
	}{
		{"another machine's address", strings.ReplaceAll(here, "127.0.0.1:1502", "192.0.2.20:502"), "--speed", "30", "192.0.2.20:502"},
		{"another machine's name", strings.ReplaceAll(here, "127.0.0.1:1502", "gateway:502"), "--start", "2026-07-15T01:30:00Z", "gateway:502"},
		{"backwards", here, "--speed", "-1", "above 0"},
	} {
		t.Run(row.name, func(t *testing.T) {
			config := filepath.Join(t.TempDir(), "site.yaml")
			require.NoError(t, os.WriteFile(config, []byte(row.file), 0o600))
			var out, complaint strings.Builder
			code := run(t.Context(), []string{"run", "--config", config, "--dir", t.TempDir(), "--socket", "none", row.flag + "=" + row.value}, nil, &out, &complaint)
			require.Equal(t, 2, code, complaint.String())
			require.Contains(t, complaint.String(), row.says)
		})
	}
}
