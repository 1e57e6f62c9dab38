package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// out is what a destination gets of a journal from its beginning.
func out(t testing.TB, j *Journal) []site.Sample {
	t.Helper()
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	samples, _, err := q.Read(t.Context(), 0, 0, 10_000)
	require.NoError(t, err)
	all := make([]site.Sample, len(samples))
	for i, s := range samples {
		all[i] = s.Sample
	}
	return all
}

func put(t testing.TB, j *Journal, samples ...site.Sample) {
	t.Helper()
	_, err := j.Append(t.Context(), samples)
	require.NoError(t, err)
}

func TestUndatedSamplesWaitForTheirDate(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-1"))
	put(t, j, good("level", noon, 1))

	// The machine comes back and knows only that it is after noon. It was truly off for an hour.
	require.NoError(t, j.Boot(t.Context(), "boot-2"))
	provisional, truth := noon.Add(time.Second), noon.Add(time.Hour)
	require.NoError(t, j.Undated(t.Context(), "boot-2", provisional))
	put(t, j, good("level", provisional.Add(10*time.Second), 2))
	require.Equal(t, noon, j.Newest(), "a provisional time is no time to judge a clock by")
	require.Len(t, out(t, j), 1, "nothing undated leaves the house")
	series, err := j.Series(t.Context(), "level", noon, noon.Add(2*time.Hour), time.Hour)
	require.NoError(t, err)
	require.Equal(t, []int64{1, 0}, []int64{series[0].N, series[1].N})

	// The daemon is restarted in the same boot and goes on from where it was.
	shut(t, j)
	j = open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-2"))
	base, dated, ok := j.BootBase("boot-2")
	require.Equal(t, []any{provisional, false, true}, []any{base, dated, ok})
	require.NoError(t, j.Undated(t.Context(), "boot-2", base))
	put(t, j, good("level", provisional.Add(20*time.Second), 3))

	shift, err := j.Date(t.Context(), "boot-2", truth)
	require.NoError(t, err)
	require.Equal(t, truth.Sub(provisional), shift)
	put(t, j, good("level", truth.Add(30*time.Second), 4))
	require.Equal(t, []site.Sample{good("level", noon, 1), good("level", truth.Add(10*time.Second), 2),
		good("level", truth.Add(20*time.Second), 3), good("level", truth.Add(30*time.Second), 4)}, out(t, j))
	require.Equal(t, truth.Add(30*time.Second), j.Newest())
	base, dated, _ = j.BootBase("boot-2")
	require.Equal(t, []any{truth, true}, []any{base, dated})

	// The core is given the times it saw then, also by a replay.
	var seen []time.Time
	for _, e := range entries(t, j, Position{}) {
		seen = append(seen, e.Sample.Time)
	}
	require.Equal(t, []time.Time{noon, provisional.Add(10 * time.Second), provisional.Add(20 * time.Second), truth.Add(30 * time.Second)}, seen)
}

func TestABootThatEndedUndatedGoesOutAsAGuess(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-1"))
	put(t, j, good("level", noon, 1))
	require.NoError(t, j.Undated(t.Context(), "boot-1", noon.Add(time.Second)))
	put(t, j, good("level", noon.Add(time.Minute), 2))
	require.Equal(t, noon, j.Newest())
	shut(t, j)

	j = open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-2"))
	require.Equal(t, noon.Add(time.Minute), j.Newest(), "its times count now, so that the next ones come after them")
	guess := good("level", noon.Add(time.Minute), 2)
	guess.Quality, guess.Why = site.Uncertain, site.WhyClock
	require.Equal(t, []site.Sample{good("level", noon, 1), guess}, out(t, j))
	_, err := j.Append(t.Context(), []site.Sample{good("level", noon.Add(30*time.Second), 3)})
	require.ErrorContains(t, err, "is not after its last sample", "never time running backwards")
}

func TestASiteWithoutATimeServiceSendsAtOnceMarkedUncertain(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-1"))
	require.NoError(t, j.Unvouched(t.Context(), "boot-1", noon))
	put(t, j, good("level", noon.Add(time.Minute), 1))
	want := good("level", noon.Add(time.Minute), 1)
	want.Quality, want.Why = site.Uncertain, site.WhyClock
	require.Equal(t, []site.Sample{want}, out(t, j))
	require.Equal(t, want.Time, j.Newest())
	for _, e := range entries(t, j, Position{}) {
		require.Equal(t, site.Good, e.Sample.Quality, "the watch judges the value, not the date")
	}

	// The order stands over starts and boots.
	for _, boot := range []string{"boot-1", "boot-2"} {
		shut(t, j)
		j = open(t, o)
		require.NoError(t, j.Boot(t.Context(), boot))
		require.NoError(t, j.Unvouched(t.Context(), boot, noon.Add(-time.Hour)))
		_, err := j.Append(t.Context(), []site.Sample{good("level", noon.Add(time.Minute), 2)})
		require.ErrorContains(t, err, "is not after its last sample")
	}
}
