package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

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

// TestReportOfThreeDays: a smallest site whose bay takes 10 L/min for the first ten minutes of each
// local hour: 2400 L a day.
func TestReportOfThreeDays(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	var b strings.Builder
	b.WriteString("time,bay,level_mm,flow_lpm\n")
	start := time.Date(2026, 7, 6, 0, 0, 0, 0, zone)
	for i := range 3 * 24 * 60 {
		flow := 0
		if i%60 < 10 {
			flow = 10
		}
		fmt.Fprintf(&b, "%s,A1,%d,%d\n", start.Add(time.Duration(i)*time.Minute).UTC().Format(time.RFC3339), 80, flow)
	}
	data := filepath.Join(t.TempDir(), "days.csv")
	require.NoError(t, os.WriteFile(data, []byte(b.String()), 0o600))
	code, out, errs := runReport(t, "--format", "csv", "--config", "../../configs/smallest.yaml", data)
	require.Equal(t, exitDone, code, errs)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(rows), 3)
	require.Equal(t, "2026-07-07", rows[2][0])
	litres, err := strconv.ParseFloat(rows[2][2], 64)
	require.NoError(t, err)
	require.InDelta(t, 2400, litres, 25, "a flow is integrated between readings a minute apart: one minute in a hundred")
	code, out, errs = runReport(t, "--config", "../../configs/smallest.yaml", "--span", "day", "--day", "2026-07-07", data)
	require.Equal(t, exitDone, code, errs)
	require.Contains(t, out, "Tuesday 7 July 2026")
	require.NotContains(t, out, "NaN")
	code, _, errs = runReport(t, "--config", "../../configs/smallest.yaml", "--day", "yesterday", data)
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "2026-07-13")
}

func TestReportOfWhatIsNotThere(t *testing.T) {
	code, _, errs := runReport(t, "--config", "nowhere.yaml", "data.csv")
	require.Equal(t, exitInput, code)
	require.Contains(t, errs, "nowhere.yaml")
}
