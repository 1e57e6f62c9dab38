package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// TestEndToEndReplayOfALiveNight: a night of the daemon, polling over real Modbus with a frozen
// sensor and a valve that sticks and is shut by hand, is replayed from the journal it left behind,
// with the site file that it journaled. Every event comes out as the daemon told it, to the last
// character, and no other. Only the revision is another: the demo leaves the port of its field, which
// is the system's choice, out of it.
func TestEndToEndReplayOfALiveNight(t *testing.T) {
	dir := t.TempDir()
	var errs bytes.Buffer
	code := run(t.Context(), []string{"demo", "--hours", "9.5", "--date", "2026-07-14", "--json", "--listen", "127.0.0.1:0", "--dir", dir}, nil, io.Discard, &errs)
	require.Zero(t, code, errs.String())

	o := journal.DefaultOptions(dir)
	o.ReadOnly = true
	j, err := journal.Open(t.Context(), o)
	require.NoError(t, err)
	told, err := j.Events(t.Context(), journal.EventQuery{})
	require.NoError(t, err)
	config := filepath.Join(t.TempDir(), "site.yaml")
	samples := 0
	for e, err := range j.Entries(t.Context(), journal.Position{}) {
		require.NoError(t, err)
		switch {
		case e.Record == nil:
			samples++
		case e.Record.Kind == site.RecSiteFile:
			require.NoError(t, os.WriteFile(config, []byte(e.Record.Text), 0o600))
		}
	}
	require.NoError(t, j.Close())
	require.Greater(t, samples, 10_000)

	var live []string
	kinds := map[site.Kind]bool{}
	for _, e := range told {
		require.NotEmpty(t, e.Event.Revision)
		e.Event.Revision = ""
		line, err := json.Marshal(e.Event)
		require.NoError(t, err)
		live = append(live, string(line))
		kinds[e.Event.Kind] = true
	}
	require.True(t, kinds[site.ValveStuckOpen] && kinds[site.LevelSensorFault], "the night had its faults: %v", kinds)
	out, stderr, code := replay(t, "", "--config", config, dir)
	require.Equal(t, exitDone, code, stderr)
	var replayed []string
	for line := range strings.Lines(out) {
		e, err := site.ParseEvent([]byte(line))
		require.NoError(t, err)
		require.NotEmpty(t, e.Revision)
		e.Revision = ""
		again, err := json.Marshal(e)
		require.NoError(t, err)
		replayed = append(replayed, string(again))
	}
	require.Equal(t, live, replayed)
}
