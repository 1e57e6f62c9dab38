package journal

import (
	"database/sql"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// filled is a journal with n cycles of 40 points, of which a destination has taken the first
// tenth over; it is closed, and everything is in the file.
func filled(t *testing.T, n int) (Options, int64) {
	t.Helper()
	o := DefaultOptions(t.TempDir())
	o.synchronous = "OFF" // nothing is unplugged here
	j, err := Open(t.Context(), o)
	require.NoError(t, err)
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	for i := range n {
		put(t, j, cycle(noon.Add(time.Duration(i)*5*time.Second), 40)...)
	}
	require.NoError(t, q.Ack(t.Context(), j.Last()/10))
	require.NoError(t, j.Maintain(t.Context()))
	last := j.Last()
	_, err = j.samples.w.ExecContext(t.Context(), "PRAGMA wal_checkpoint(TRUNCATE)")
	require.NoError(t, err)
	require.NoError(t, j.Close())
	return o, last
}

// drain reads what the destination does not have until it ends or a damage shows.
func drain(t *testing.T, j *Journal) (seqs []int64, err error) {
	t.Helper()
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	for {
		samples, next, err := q.Next(t.Context(), 5000)
		for _, s := range samples {
			seqs = append(seqs, s.Seq)
		}
		if err != nil || len(samples) == 0 {
			return seqs, err
		}
		require.NoError(t, q.Ack(t.Context(), next))
	}
}

// pagesOf returns the file's leaf pages of a table, in order of the key.
func pagesOf(t *testing.T, file, table string) (pages []int64) {
	t.Helper()
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	defer db.Close()
	rows, err := db.QueryContext(t.Context(), "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = 'leaf' ORDER BY path", table)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var page int64
		require.NoError(t, rows.Scan(&page))
		pages = append(pages, page)
	}
	require.NoError(t, rows.Err())
	return pages
}

// spoil writes rubbish over pages.
func spoil(t *testing.T, file string, pages ...int64) {
	t.Helper()
	f, err := os.OpenFile(file, os.O_WRONLY, 0)
	require.NoError(t, err)
	rubbish := make([]byte, pageSize)
	for i := range rubbish {
		rubbish[i] = byte(i*31 + 7)
	}
	for _, p := range pages {
		_, err = f.WriteAt(rubbish, (p-1)*pageSize)
		require.NoError(t, err)
	}
	require.NoError(t, f.Close())
}

func TestWhatADamagedFileStillHoldsIsSaved(t *testing.T) {
	for name, which := range map[string]func(leaves []int64) []int64{
		"one page in the middle": func(l []int64) []int64 { return l[len(l)/2 : len(l)/2+1] },
		"two pages apart":        func(l []int64) []int64 { return []int64{l[len(l)/3], l[2*len(l)/3]} },
		"the newest page":        func(l []int64) []int64 { return l[len(l)-1:] },
		"the oldest that counts": func(l []int64) []int64 { return l[len(l)/10+1 : len(l)/10+2] },
	} {
		t.Run(name, func(t *testing.T) {
			o, last := filled(t, 300)
			file := filepath.Join(o.Dir, samplesFile)
			pages := which(pagesOf(t, file, "batches"))
			spoil(t, file, pages...)
			whole, err := os.ReadFile(file)
			require.NoError(t, err)

			// The damage shows at the start or, further back, when somebody reads there.
			j, err := Open(t.Context(), o)
			require.NoError(t, err)
			had := map[int64]bool{}
			if len(j.Incidents()) == 0 {
				seqs, err := drain(t, j)
				require.ErrorIs(t, err, ErrDamaged)
				for _, s := range seqs {
					had[s] = true
				}
				require.ErrorIs(t, <-j.Damaged(), ErrDamaged)
				require.NoError(t, j.Close())
				j, err = Open(t.Context(), o)
				require.NoError(t, err)
			}
			defer func() { shut(t, j) }()
			require.Len(t, j.Incidents(), 1)
			found := j.Incidents()[0]
			kept, err := os.ReadFile(filepath.Join(o.Dir, found.File))
			require.NoError(t, err)
			require.Equal(t, whole, kept, "set aside whole")

			seqs, err := drain(t, j)
			require.NoError(t, err)
			for _, s := range seqs {
				had[s] = true
			}
			wanted := last - last/10
			lost := wanted - int64(len(had))
			require.Positive(t, lost)
			require.LessOrEqual(t, lost, int64(len(pages))*40*40, "no more than the spoilt pages held") // a batch of 40 takes about a tenth of a page
			losses, err := j.Losses(t.Context())
			require.NoError(t, err)
			told := int64(0)
			for _, l := range losses {
				told += l.N
				for s := l.First; s <= min(l.Last, last); s++ {
					require.False(t, had[s], "number %d is called lost and is there", s)
				}
			}
			require.Equal(t, found.Lost, told)
			if name == "the newest page" { // nobody can know what stood there
				require.LessOrEqual(t, told, lost)
			} else {
				require.Equal(t, lost, told)
			}
			next, err := j.Append(t.Context(), cycle(noon.Add(24*time.Hour), 1))
			require.NoError(t, err)
			require.Greater(t, next, last, "no number is given twice")

			// Told again at every start until somebody has taken the file away.
			shut(t, j)
			j, err = Open(t.Context(), o)
			require.NoError(t, err)
			require.Equal(t, []Incident{{File: found.File, Earlier: true, What: site.Say("%s, set aside at an earlier start, still waits for somebody to look at it", found.File)}}, j.Incidents())
		})
	}
}

// A card may return other bits than it was given, and SQLite does not notice; the batch's own
// checksum does.
func TestABatchWithOtherBitsCostsItselfAlone(t *testing.T) {
	o, last := filled(t, 300)
	db, err := sql.Open("sqlite", filepath.Join(o.Dir, samplesFile))
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), "UPDATE batches SET data = CAST(substr(data, 1, 20) || x'00' || substr(data, 22) AS BLOB) WHERE first = ?", 200*40+1)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	j, err := Open(t.Context(), o)
	require.NoError(t, err)
	require.Len(t, j.Incidents(), 1, "it stands near the end, which is read at every start")
	require.EqualValues(t, 40, j.Incidents()[0].Lost)
	seqs, err := drain(t, j)
	require.NoError(t, err)
	require.Len(t, seqs, int(last-last/10-40))
	shut(t, j)
}
