package journal

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestTheFiguresSayWhatWasDone: every figure that metrics and page show, after a history that is
// known.
func TestTheFiguresSayWhatWasDone(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	fast, err := j.Queue(t.Context(), "fast", true)
	require.NoError(t, err)
	slow, err := j.Queue(t.Context(), "slow", true)
	require.NoError(t, err)
	oldest := func(q *Queue) time.Time {
		at, err := q.Oldest(t.Context())
		require.NoError(t, err)
		return at
	}
	require.Zero(t, oldest(slow))
	require.Zero(t, j.Stats(t.Context()).OldestUnsent)
	minute := func(i int) time.Time { return noon.Add(time.Duration(i) * time.Minute) }
	for i := range 10 {
		put(t, j, good("level", minute(i), 1), good("flow", minute(i), 2))
	}
	_, err = j.Append(t.Context(), []site.Sample{good("level", noon, 1), good("level", minute(10), 1)})
	require.ErrorContains(t, err, "1 samples refused")
	require.NoError(t, fast.Ack(t.Context(), 21))
	require.NoError(t, slow.Ack(t.Context(), 7)) // the first half of the fourth minute
	kept, err := slow.SetAside(t.Context(), 3, noon, "line", "no")
	require.NoError(t, err)
	require.True(t, kept)

	s := j.Stats(t.Context())
	require.Positive(t, s.CommitTime)
	size := int64(0)
	for _, name := range []string{samplesFile, samplesFile + "-wal"} {
		info, err := os.Stat(j.path(name))
		require.NoError(t, err)
		size += info.Size()
	}
	require.Equal(t, Stats{Last: 21, Samples: 21, Refused: 1, Commits: 11, CommitTime: s.CommitTime, Bytes: size, LimitBytes: o.MaxBytes,
		Unsent: 14, OldestUnsent: minute(3), SetAside: 1}, s)
	require.Equal(t, minute(3), oldest(slow))
	require.Zero(t, oldest(fast))

	// New ones go first after an outage: what was left is the oldest all the same.
	require.NoError(t, slow.Done(t.Context(), 19, 21))
	require.Equal(t, minute(3), oldest(slow))
	require.NoError(t, slow.Done(t.Context(), 7, 19))
	require.Zero(t, oldest(slow))
	require.Zero(t, j.Stats(t.Context()).Unsent)

	// A time that was a guess counts as what it is now.
	require.NoError(t, j.Undated(t.Context(), "boot", minute(20)))
	put(t, j, good("level", minute(21), 1))
	require.Equal(t, minute(21), oldest(slow))
	_, err = j.Date(t.Context(), "boot", minute(50))
	require.NoError(t, err)
	require.Equal(t, minute(51), oldest(slow))
}
