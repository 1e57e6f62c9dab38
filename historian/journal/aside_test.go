package journal

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

func TestRefusedLinesAreKeptUntilTheyAreStored(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	_, err := j.Append(t.Context(), cycle(noon, 3))
	require.NoError(t, err)
	q, err := j.Queue(t.Context(), "sink", true)
	require.NoError(t, err)
	for _, said := range []string{"no such thing", "still not"} { // the same sample is one row
		kept, err := q.SetAside(t.Context(), 2, noon, "m v=1 2", said)
		require.NoError(t, err)
		require.True(t, kept)
	}
	list, err := j.SetAside(t.Context(), "", 10)
	require.NoError(t, err)
	require.Equal(t, []Aside{{ID: list[0].ID, Queue: "sink", Seq: 2, Time: noon, Line: "m v=1 2", Said: "still not"}}, list)
	again, err := q.Again(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, again)
	n, err := j.SendAgain(t.Context(), "sink", 0)
	require.NoError(t, err)
	require.EqualValues(t, 1, n)
	again, err = q.Again(t.Context(), 10)
	require.NoError(t, err)
	require.Equal(t, map[int64]string{list[0].ID: "m v=1 2"}, again)
	require.NoError(t, q.Settle(t.Context(), list[0].ID, "a third reason"))
	again, err = q.Again(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, again)
	list, err = j.SetAside(t.Context(), "sink", 10)
	require.NoError(t, err)
	require.Equal(t, "a third reason", list[0].Said)
	require.NoError(t, q.Settle(t.Context(), list[0].ID, ""))
	list, err = j.SetAside(t.Context(), "sink", 10)
	require.NoError(t, err)
	require.Empty(t, list)
}

func TestSettingAsideEndsWhereTheFaultIsNotInTheLines(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	q, err := j.Queue(t.Context(), "sink", true)
	require.NoError(t, err)
	_, err = j.ledger.w.Exec(`WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 FROM n WHERE i < ?)
		INSERT INTO aside (queue, seq, t, line, said, state) SELECT 'sink', i, 0, '', '', 0 FROM n`, asideLimit)
	require.NoError(t, err)
	kept, err := q.SetAside(t.Context(), asideLimit+1, noon, "", "")
	require.NoError(t, err)
	require.False(t, kept)
}

func TestPlacesOutliveTheSiteFile(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	require.NoError(t, j.RememberPlaces(t.Context(), site.Places{"A1-level": {Quantity: site.Level, Court: "A", Bay: "A1"}, "rain": {Quantity: site.Rain}}))
	require.NoError(t, j.RememberPlaces(t.Context(), site.Places{"rain": {Quantity: site.Rain, Court: "A"}}))
	shut(t, j)
	j = open(t, o)
	require.Equal(t, site.Places{"A1-level": {Quantity: site.Level, Court: "A", Bay: "A1"}, "rain": {Quantity: site.Rain, Court: "A"}}, j.Places())
}

// TestWhatWasBrokenOffIsOverBeforeTheFilesClose: a transaction whose context ends is rolled back by
// a goroutine of database/sql. The writer, which folds the log up, must be the last to close.
func TestWhatWasBrokenOffIsOverBeforeTheFilesClose(t *testing.T) {
	for range 4 {
		o := DefaultOptions(t.TempDir())
		j, err := Open(t.Context(), o)
		require.NoError(t, err)
		put(t, j, cycle(noon, 2)...)
		ctx, cancel := context.WithCancel(t.Context())
		for _, db := range []*sql.DB{j.samples.r, j.samples.w, j.ledger.r} {
			tx, err := db.BeginTx(ctx, nil)
			require.NoError(t, err)
			var n int
			require.NoError(t, tx.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n))
		}
		cancel()
		require.NoError(t, j.Close())
		left, err := filepath.Glob(filepath.Join(o.Dir, "*-wal"))
		require.NoError(t, err)
		require.Empty(t, left)
	}
}

func TestAReaderNeedsNoDaemon(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	for i := range 3 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*time.Second), 2))
		require.NoError(t, err)
	}
	shut(t, j)
	left, err := filepath.Glob(filepath.Join(o.Dir, "*-wal"))
	require.NoError(t, err)
	require.Empty(t, left, "a clean stop leaves no log behind")
	o.ReadOnly = true
	require.Len(t, entries(t, open(t, o), Position{}), 6)
	_, err = os.Stat(filepath.Join(o.Dir, "nothing"))
	require.ErrorIs(t, err, os.ErrNotExist)
	o.Dir = filepath.Join(o.Dir, "nothing")
	_, err = Open(t.Context(), o)
	require.Error(t, err, "a reader makes no journal")
	_, err = os.Stat(o.Dir)
	require.ErrorIs(t, err, os.ErrNotExist)
}
