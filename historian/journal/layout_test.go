package journal

import (
	"bytes"
	"database/sql"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

var updateLayouts = flag.Bool("update-layouts", false, "write the dump of today's layout, once, before a release")

// layoutName names the folder of a layout by its schema versions.
func layoutName(v map[string]int) string {
	return fmt.Sprintf("ledger-%d-samples-%d", v["ledger"], v["samples"])
}

// fillLayout is what every dump in testdata/layouts holds.
func fillLayout(t *testing.T, j *Journal) {
	t.Helper()
	cal, err := j.AddCalibration(t.Context(), site.Calibration{Point: "pA", From: noon, Gain: 1.018, Offset: 0.004, Origin: "dip"})
	require.NoError(t, err)
	for i := range 3 {
		samples := cycle(noon.Add(time.Duration(i)*5*time.Second), 4)
		samples[0].Calibration = cal.ID
		samples[3].Value, samples[3].Quality, samples[3].Why = site.Unknown(), site.Bad, site.WhyTimeout
		_, err := j.Append(t.Context(), samples)
		require.NoError(t, err)
	}
	_, err = j.AppendRecord(t.Context(), site.Record{Kind: site.RecDip, Time: noon, Bay: "A1", Who: "greenkeeper", Value: 0.2, Value2: site.Unknown()})
	require.NoError(t, err)
	_, err = j.AppendEvent(t.Context(), site.Event{V: site.EventVersion, ID: "club/A1/leak//2026-07-01T12:00:00.000Z", Seq: 7, Time: site.Stamp{Time: noon},
		Since: site.Stamp{Time: noon}, Site: "club", Bay: "A1", Kind: site.Leak, State: site.Raised, Severity: site.Warning})
	require.NoError(t, err)
	require.NoError(t, j.PutSnapshot(t.Context(), Snapshot{Name: "core", At: Position{Seq: 8, Record: 1}, Time: noon, Version: 1, Data: []byte("state")}))
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	require.NoError(t, q.Ack(t.Context(), 5))
}

// A journal that any released version has written opens today: with every sample, event and record,
// queues where they were, and a copy of what was changed beside it, with which the older program
// can go on. The dumps were made by the versions themselves (sqlite3's .dump); ledger-1 by dropping
// what its only migration added.
func TestEveryLayoutIsBroughtUpToDate(t *testing.T) {
	today, err := SchemaVersions()
	require.NoError(t, err)
	const folder = "testdata/layouts"
	if *updateLayouts {
		dumpLayout(t, filepath.Join(folder, layoutName(today)))
	}
	require.DirExists(t, filepath.Join(folder, layoutName(today)), "the layout is new: go test ./historian/journal -run TestEveryLayout -update-layouts, and keep the older dumps")
	layouts, err := filepath.Glob(filepath.Join(folder, "*"))
	require.NoError(t, err)
	for _, layout := range layouts {
		t.Run(filepath.Base(layout), func(t *testing.T) {
			o := DefaultOptions(t.TempDir())
			was := map[string]int{}
			for _, name := range []string{"ledger", "samples"} {
				was[name] = loadDump(t, filepath.Join(layout, name+".sql"), filepath.Join(o.Dir, name+".db"))
			}
			require.Equal(t, layoutName(was), filepath.Base(layout))
			if was["ledger"] < today["ledger"] || was["samples"] < today["samples"] {
				ro := o
				ro.ReadOnly = true
				_, err := Open(t.Context(), ro)
				require.ErrorContains(t, err, "older", "a reader changes nothing")
			}
			holdsLayout(t, o)
			for _, name := range []string{"ledger", "samples"} {
				file := filepath.Join(o.Dir, name+".db")
				kept := fmt.Sprintf("%s.schema-%d", file, was[name])
				if was[name] == today[name] {
					require.NoFileExists(t, kept)
					continue
				}
				require.NoFileExists(t, kept+".tmp")
				require.Equal(t, was[name], userVersion(t, kept), "the copy is of the older layout")
				require.NoError(t, os.Rename(kept, file)) // the way back
			}
			holdsLayout(t, o)
			last, err := open(t, o).Append(t.Context(), cycle(noon.Add(time.Hour), 1))
			require.NoError(t, err)
			require.EqualValues(t, 13, last, "and it goes on")
		})
	}
}

// holdsLayout opens a journal and finds what fillLayout has put into it.
func holdsLayout(t *testing.T, o Options) {
	t.Helper()
	j := open(t, o)
	defer shut(t, j)
	require.Empty(t, j.Incidents())
	var samples, records int
	for _, e := range entries(t, j, Position{}) {
		if e.Record != nil {
			records++
			require.Equal(t, "greenkeeper", e.Record.Who)
			continue
		}
		want := cycle(noon.Add(time.Duration(samples/4)*5*time.Second), 4)[samples%4]
		require.Equal(t, want.Point, e.Sample.Point)
		require.True(t, want.Time.Equal(e.Sample.Time))
		switch samples % 4 {
		case 0:
			require.InDelta(t, want.Value*1.018+0.004, e.Sample.Value, 1e-12)
		case 3:
			require.Equal(t, site.Bad, e.Sample.Quality)
			require.Equal(t, site.WhyTimeout, e.Sample.Why)
		default:
			require.Equal(t, want.Value, e.Sample.Value)
		}
		samples++
	}
	require.Equal(t, []int{12, 1}, []int{samples, records})
	events, err := j.Events(t.Context(), EventQuery{})
	require.NoError(t, err)
	require.Len(t, events, 1)
	require.EqualValues(t, 7, events[0].Event.Seq)
	snaps, err := j.Snapshots(t.Context(), "core")
	require.NoError(t, err)
	require.Len(t, snaps, 1)
	require.Equal(t, "state", string(snaps[0].Data))
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	page, _, err := q.Next(t.Context(), 100)
	require.NoError(t, err)
	require.Len(t, page, 7, "five of twelve were acknowledged")
}

// A newer journal is refused by an older program, which does not touch a byte of it.
func TestANewerJournalIsLeftAlone(t *testing.T) {
	for _, name := range []string{ledgerFile, samplesFile} {
		t.Run(name, func(t *testing.T) {
			o := DefaultOptions(t.TempDir())
			j := open(t, o)
			fillLayout(t, j)
			shut(t, j)
			file := filepath.Join(o.Dir, name)
			db, err := sql.Open("sqlite", "file:"+file)
			require.NoError(t, err)
			_, err = db.Exec("PRAGMA user_version = 99")
			require.NoError(t, err)
			require.NoError(t, db.Close())
			before, err := os.ReadFile(file)
			require.NoError(t, err)
			_, err = Open(t.Context(), o)
			require.ErrorIs(t, err, ErrNewer)
			after, err := os.ReadFile(file)
			require.NoError(t, err)
			require.True(t, bytes.Equal(before, after), "the file was changed")
		})
	}
}

// Where there is no room for the copy nothing is changed.
func TestWithoutACopyNothingIsMigrated(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	file := filepath.Join(o.Dir, ledgerFile)
	loadDump(t, "testdata/layouts/ledger-1-samples-1/ledger.sql", file)
	require.NoError(t, os.Mkdir(file+".schema-1", 0o700)) // nothing can be renamed over a folder
	_, err := Open(t.Context(), o)
	require.ErrorContains(t, err, "copy it before")
	require.Equal(t, 1, userVersion(t, file))
}

func userVersion(t *testing.T, file string) (n int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+file+"?mode=ro")
	require.NoError(t, err)
	defer db.Close()
	require.NoError(t, db.QueryRow("PRAGMA user_version").Scan(&n))
	return n
}

// loadDump makes a database of a dump and returns its schema version.
func loadDump(t *testing.T, dump, file string) int {
	t.Helper()
	text, err := os.ReadFile(dump)
	require.NoError(t, err)
	db, err := sql.Open("sqlite", "file:"+file+"?_pragma=auto_vacuum(INCREMENTAL)")
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec(string(text))
	require.NoError(t, err)
	require.NoError(t, db.Close())
	return userVersion(t, file)
}

// dumpLayout writes today's layout with sqlite3's own dump, and what a dump leaves out.
func dumpLayout(t *testing.T, folder string) {
	t.Helper()
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	fillLayout(t, j)
	shut(t, j)
	require.NoError(t, os.MkdirAll(folder, 0o755))
	for _, name := range []string{"ledger", "samples"} {
		file := filepath.Join(o.Dir, name+".db")
		out, err := exec.CommandContext(t.Context(), "sqlite3", file, ".dump").Output()
		require.NoError(t, err)
		out = fmt.Appendf(out, "PRAGMA application_id=%d;\nPRAGMA user_version=%d;\n", applicationID, userVersion(t, file))
		require.NoError(t, os.WriteFile(filepath.Join(folder, name+".sql"), out, 0o644))
	}
}
