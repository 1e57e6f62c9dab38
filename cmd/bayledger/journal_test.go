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

// journalSite is a small site file whose journal lies in a folder of the test's.
func journalSite(t *testing.T, dir string) (config, folder string, cfg *sitefile.Config) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "configs", "smallest.yaml"))
	require.NoError(t, err)
	config, folder = filepath.Join(dir, "site.yaml"), filepath.Join(dir, "journal")
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
	cfg, err = sitefile.LoadFile(config)
	require.NoError(t, err)
	return config, folder, cfg
}

// TestRedateSaysFirstWhatItWouldDo: it looks, refuses what cannot be, does it, and puts it on record.
func TestRedateSaysFirstWhatItWouldDo(t *testing.T) {
	config, _, cfg := journalSite(t, t.TempDir())
	j, err := journal.Open(context.Background(), cfg.Journal)
	require.NoError(t, err)
	now := time.Now().Truncate(time.Second)
	for _, at := range []time.Duration{-time.Hour, -time.Hour + time.Minute, 1000 * time.Hour, 1000*time.Hour + time.Minute} {
		_, err := j.Append(t.Context(), []site.Sample{{Point: "A1-level", Time: now.Add(at), Value: 0.08}})
		require.NoError(t, err)
	}
	require.NoError(t, j.Close())
	redate := func(want int, args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		require.Equal(t, want, run(t.Context(), append([]string{"journal", "redate", "--config", config}, args...), nil, &out, &errs), "%s", errs.String())
		return out.String() + errs.String()
	}
	said := redate(exitDone)
	require.Contains(t, said, "2 readings are ahead, numbers 3 to 4")
	require.Contains(t, said, "nobody saw the clock step")
	require.Contains(t, said, "nothing is done yet")
	require.Contains(t, redate(exitInput, "--from", "yesterday"), "2026-07-01T00:00:00Z")
	require.Contains(t, redate(exitInput, "--by", "2h", "--yes"), "still to come")
	require.Contains(t, redate(exitInput, "--by", "2000h", "--yes"), "would go back")
	require.Contains(t, redate(exitDone, "--by", "1000h30m", "--yes"), "done")
	require.Contains(t, redate(exitDone, "--yes"), "nothing to put right")
	o := cfg.Journal
	o.ReadOnly = true
	j, err = journal.Open(t.Context(), o)
	require.NoError(t, err)
	defer j.Close()
	require.True(t, now.Add(-29*time.Minute).Equal(j.Newest()))
	records, err := j.Records(t.Context(), 0, 0, site.RecClock)
	require.NoError(t, err)
	require.Len(t, records, 1)
	require.Contains(t, records[0].Text, "2 readings")
}

// TestAJournalIsExportedCheckedCopiedAndRestored goes the way of a person: a site file, a
// journal that a daemon is still writing, and nothing but commands.
func TestAJournalIsExportedCheckedCopiedAndRestored(t *testing.T) {
	dir := t.TempDir()
	config, folder, cfg := journalSite(t, dir)
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
