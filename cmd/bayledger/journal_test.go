package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// TestAJournalIsExportedCheckedCopiedAndRestored goes the way of a person: a site file, a
// journal that a daemon is still writing, and nothing but commands.
func TestAJournalIsExportedCheckedCopiedAndRestored(t *testing.T) {
	dir := t.TempDir()
	text, err := os.ReadFile(filepath.Join("..", "..", "configs", "smallest.yaml"))
	require.NoError(t, err)
	config := filepath.Join(dir, "site.yaml")
	folder := filepath.Join(dir, "journal")
	var kept []string
	inJournal := false
	for line := range strings.Lines(string(text)) { // the section of the journal is ours
		if !strings.HasPrefix(line, " ") && !strings.HasPrefix(line, "#") && strings.TrimSpace(line) != "" {
			inJournal = strings.HasPrefix(line, "journal:")
		}
		if !inJournal {
			kept = append(kept, line)
		}
	}
	require.NoError(t, os.WriteFile(config, []byte(strings.Join(kept, "")+"\njournal:\n  dir: "+folder+"\n"), 0o600))
	cfg, err := sitefile.LoadFile(config)
	require.NoError(t, err)
	j, err := journal.Open(context.Background(), cfg.Journal)
	require.NoError(t, err)
	at := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
	var level site.Point
	for _, p := range cfg.Site.Points {
		if p.Quantity == site.Level {
			level = p
		}
	}
	for i := range 30 {
		_, err := j.Append(t.Context(), []site.Sample{{Point: level.ID, Time: at.Add(time.Duration(i) * 5 * time.Second), Value: 0.2 + float64(i)/1000}})
		require.NoError(t, err)
	}
	command := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		require.Equal(t, want, run(t.Context(), args, nil, &out, &errs), "%v: %s", args, errs.String())
		return out.String()
	}
	csv := command(exitDone, "export", "--config", config, "--from", "2026-07-01T12:01:00Z", "--to", "2026-07-01T12:02:00Z")
	lines := strings.Split(strings.TrimSpace(csv), "\n")
	require.Len(t, lines, 13, csv)
	require.True(t, strings.HasPrefix(lines[0], "time,bay,level_mm"), lines[0])
	require.True(t, strings.HasPrefix(lines[1], "2026-07-01T12:01:00Z,"+level.Bay+",212"), lines[1])
	lp := command(exitDone, "export", "--config", config, "--format", "line")
	require.Equal(t, 30, strings.Count(lp, "\n"))
	require.Contains(t, lp, "water_level,bay="+level.Bay+",")
	require.Contains(t, lp, " value=0.229 1782907345000\n")
	command(exitInput, "export", "--config", config, "--from", "yesterday")
	require.Contains(t, command(exitDone, "journal", "check", "--config", config), "number 30")
	require.Empty(t, command(exitDone, "journal", "refused", "--config", config))
	command(exitInput, "journal", "again", "--config", config, "--id", "7")
	backup := filepath.Join(dir, "backup")
	command(exitDone, "backup", "--config", config, "--to", backup)
	command(exitInput, "restore", "--config", config, "--from", backup)
	require.NoError(t, j.Close())
	require.NoError(t, os.Rename(folder, folder+".old"))
	command(exitDone, "restore", "--config", config, "--from", backup)
	require.Equal(t, lp, command(exitDone, "export", "--config", config, "--format", "line"), "the same lines come out of the restored journal")
}
