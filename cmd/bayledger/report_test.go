package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/require"
)

// runReport runs the command alone.
func runReport(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var cli struct {
		Report reportCmd `cmd:""`
	}
	parser, err := kong.New(&cli, kong.Exit(func(int) {}))
	require.NoError(t, err)
	parsed, err := parser.Parse(append([]string{"report"}, args...))
	require.NoError(t, err)
	var stdout, stderr bytes.Buffer
	code = exitCode(parsed.Run(&environment{Ctx: t.Context(), Stdin: strings.NewReader(""), Stdout: &stdout, Stderr: &stderr}), &stderr)
	return code, stdout.String(), stderr.String()
}

func TestReportOfWhatIsNotThere(t *testing.T) {
	code, _, errs := runReport(t, "--config", "nowhere.yaml", "data.csv")
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "nowhere.yaml")
}
