package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A mistake on the command line is told by the flag that was typed and with what would be right.
func TestTheCommandLineSaysWhatWouldBeRight(t *testing.T) {
	empty, elsewhere := t.TempDir(), t.TempDir()
	text, err := os.ReadFile("../../configs/smallest.yaml")
	require.NoError(t, err)
	siteFile := func(dir string) string {
		name := filepath.Join(elsewhere, filepath.Base(dir)+".yaml")
		require.NoError(t, os.WriteFile(name, append(text, "journal: { dir: "+dir+" }\n"...), 0o600))
		return name
	}
	config, fresh := siteFile(empty), siteFile(filepath.Join(elsewhere, "fresh"))
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"a flag is missing", []string{"check"}, "missing flags: --config=FILE; see bayledger check --help"},
		{"an argument of a command of commands is missing", []string{"user", "add"}, `expected "<name>"; see bayledger user add --help`},
		{"a command that is none", []string{"chek"}, `did you mean "check"?; see bayledger --help`},
		{"a time that is none", []string{"export", "--config", config, "--from", "yesterday"}, `--from: "yesterday" is not a time; write for example 2026-07-01T00:00:00Z`},
		{"a journal to export where there is none", []string{"export", "--config", config}, empty + ": there is no journal in this folder"},
		{"a journal to replay where there is none", []string{"replay", "--config", config, empty}, empty + ": there is no journal in this folder"},
		{"a backup where there is none", []string{"restore", "--config", fresh, "--from", empty}, empty + ": there is no journal in this folder"},
		{"an unknown procedure", []string{"commission", "frist-fill", "--config", config}, `there is no procedure "frist-fill"; there are before-water, pressure-on, wiring-proof,`},
		{"no users file", []string{"user", "list", "--config", config}, "names no users file; write users_file: /var/lib/bayledger/users under page:"},
		{"an address of TCP", []string{"probe", "--tcp", "pump"}, `--tcp: "pump" is not host:port`},
		{"an address of RTU over TCP", []string{"probe", "--rtu-over-tcp", "pump"}, `--rtu-over-tcp: "pump" is not host:port`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			require.Equal(t, exitInput, run(t.Context(), c.args, nil, &out, &errs), errs.String())
			require.Contains(t, errs.String(), c.says)
			require.Empty(t, out.String())
		})
	}
	entries, err := os.ReadDir(empty)
	require.NoError(t, err)
	require.Empty(t, entries, "a command that is refused leaves nothing behind")
}

// The scrape configuration that is copied asks at the address the daemon listens on by itself.
func TestPrometheusAsksWhereThePageListens(t *testing.T) {
	cfg, err := loadSite("../../configs/smallest.yaml")
	require.NoError(t, err)
	text, err := os.ReadFile("../../deploy/prometheus/prometheus.yml")
	require.NoError(t, err)
	require.Contains(t, string(text), "targets: ["+cfg.Page.Listen+"]")
}
