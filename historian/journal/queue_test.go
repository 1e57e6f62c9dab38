package journal

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

func TestAQueueGivesEverythingOnceAndRemembers(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	for i := range 10 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*5*time.Second), 7))
		require.NoError(t, err)
	}
	q, err := j.Queue(t.Context(), "sink", true)
	require.NoError(t, err)
	fresh, err := j.Queue(t.Context(), "fresh", false)
	require.NoError(t, err)
	require.Zero(t, fresh.Backlog())
	<-q.Changed()
	next := int64(1)
	take := func(limit int) int {
		samples, upto, err := q.Next(t.Context(), limit)
		require.NoError(t, err)
		require.LessOrEqual(t, len(samples), limit)
		for _, s := range samples {
			require.Equal(t, next, s.Seq)
			next++
		}
		require.NoError(t, q.Ack(t.Context(), upto))
		return len(samples)
	}
	require.Equal(t, 10, take(10))
	require.Equal(t, 30, take(30))
	require.EqualValues(t, 30, q.Backlog())
	shut(t, j)
	j = open(t, o)
	q, err = j.Queue(t.Context(), "sink", true)
	require.NoError(t, err)
	require.Equal(t, 30, take(1000))
	require.Zero(t, take(1000))
	require.EqualValues(t, 70, j.floor())
	_, err = j.Append(t.Context(), cycle(noon.Add(time.Hour), 1))
	require.NoError(t, err)
	<-q.Changed()
	require.Equal(t, 1, take(1))
}

func TestRetiredQueuesNoLongerHoldTheJournal(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	for _, name := range []string{"a", "b"} {
		_, err := j.Queue(t.Context(), name, true)
		require.NoError(t, err)
	}
	_, err := j.Append(t.Context(), cycle(noon, 5))
	require.NoError(t, err)
	shut(t, j)
	j = open(t, o)
	require.Zero(t, j.floor(), "a stored queue holds even when nobody has asked for it yet")
	b, err := j.Queue(t.Context(), "b", true)
	require.NoError(t, err)
	require.NoError(t, b.Ack(t.Context(), 5))
	require.Zero(t, j.floor())
	require.NoError(t, j.Retire(t.Context(), []string{"b"}, nil))
	require.EqualValues(t, 5, j.floor())
}

// TestRangesAgainstASet compares the list of ranges with the plainest picture of it, a set of
// numbers, over random steps.
func TestRangesAgainstASet(t *testing.T) {
	const top = 40
	for seed := range uint64(200) {
		random := rand.New(rand.NewPCG(seed, 1))
		pending := []site.SeqRange{{After: 0}}
		var missing [top + 1]bool
		for i := range missing {
			missing[i] = i > 0
		}
		for range 12 {
			after := random.Int64N(top)
			upto := after + random.Int64N(top-after) + 1
			want := int64(0)
			for i := after + 1; i <= upto; i++ {
				if missing[i] {
					want++
				}
				missing[i] = false
			}
			var got int64
			pending, got = subtract(pending, after, upto)
			require.Equal(t, want, got, "seed %d: (%d, %d]", seed, after, upto)
			require.NoError(t, checkRanges(pending), "seed %d", seed)
			again, err := parseRanges(formatRanges(pending))
			require.NoError(t, err)
			require.Equal(t, pending, again)
			for i := int64(1); i <= top; i++ {
				in := false
				for _, r := range pending {
					in = in || i > r.After && (r.Upto == 0 || i <= r.Upto)
				}
				require.Equal(t, missing[i], in, "seed %d: %d in %v", seed, i, pending)
			}
		}
	}
}

func TestDamagedPositionsAreNotTrusted(t *testing.T) {
	for _, text := range []string{"", "[]", "[[1,2]]", "[[3,2],[5,0]]", "[[1,4],[3,0]]", "[[-1,0]]", "{}"} {
		_, err := parseRanges(text)
		require.Error(t, err, text)
	}
}
