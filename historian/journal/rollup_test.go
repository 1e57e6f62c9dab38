package journal

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// plain computes buckets the plainest way: from every sample that Samples gives.
func plain(t testing.TB, j *Journal, point string, from, to time.Time, step time.Duration) []Bucket {
	t.Helper()
	from = from.Truncate(time.Minute)
	all := make([]Bucket, (to.Sub(from)+step-1)/step)
	sums := make([]float64, len(all))
	last := make([]time.Time, len(all))
	for i := range all {
		all[i] = Bucket{Start: from.Add(time.Duration(i) * step), Min: math.NaN(), Mean: math.NaN(), Max: math.NaN(), Last: math.NaN()}
	}
	for n, err := range j.Samples(context.Background(), from, time.Time{}) {
		require.NoError(t, err)
		s := n.Sample
		i := int(s.Time.Sub(from) / step)
		if s.Point != point || i >= len(all) {
			continue
		}
		b := &all[i]
		if s.Quality == site.Bad {
			b.Bad++
			continue
		}
		b.N++
		sums[i] += s.Value
		b.Mean = sums[i] / float64(b.N)
		if b.N == 1 || s.Value < b.Min {
			b.Min = s.Value
		}
		if b.N == 1 || s.Value > b.Max {
			b.Max = s.Value
		}
		if !s.Time.Before(last[i]) {
			b.Last, last[i] = s.Value, s.Time
		}
	}
	return all
}

func sameBuckets(t testing.TB, want, got []Bucket, what string) {
	t.Helper()
	require.Len(t, got, len(want), what)
	for i := range want {
		w, g := want[i], got[i]
		require.Equal(t, []any{w.Start, w.N, w.Bad}, []any{g.Start, g.N, g.Bad}, "%s: bucket %d", what, i)
		if w.N == 0 {
			require.True(t, math.IsNaN(g.Min) && math.IsNaN(g.Mean) && math.IsNaN(g.Max) && math.IsNaN(g.Last), "%s: bucket %d: %+v", what, i, g)
			continue
		}
		require.Equal(t, []float64{w.Min, w.Max, w.Last}, []float64{g.Min, g.Max, g.Last}, "%s: bucket %d", what, i)
		// The mean is summed in another order: relative rounding of a few hundred terms.
		require.InEpsilon(t, 1+w.Mean, 1+g.Mean, 1e-12, "%s: bucket %d", what, i)
	}
}

// TestSeriesAgainstEverySample: whatever is rolled up when, the answer is what the samples say.
func TestSeriesAgainstEverySample(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	cal, err := j.AddCalibration(t.Context(), site.Calibration{Point: "a", Gain: -2, Offset: 1})
	require.NoError(t, err)
	begin := time.Date(2026, 6, 30, 21, 59, 30, 0, time.UTC)
	at := begin
	compare := func(what string) {
		t.Helper()
		for _, span := range []struct {
			from, to time.Time
			step     time.Duration
		}{
			{begin, at, time.Minute},
			{begin.Truncate(time.Hour), at.Add(time.Hour), time.Hour},
			{begin.Truncate(time.Hour).Add(time.Hour), begin.Truncate(time.Hour).Add(3 * time.Hour), 2 * time.Hour},
			{begin.Add(17 * time.Minute), begin.Add(97 * time.Minute), 7 * time.Minute},
			{at, at.Add(5 * time.Minute), time.Minute},
		} {
			for _, point := range []string{"a", "b", "never"} {
				got, err := j.Series(t.Context(), point, span.from, span.to, span.step)
				require.NoError(t, err)
				sameBuckets(t, plain(t, j, point, span.from, span.to, span.step), got, fmt.Sprintf("%s: %s %v", what, point, span))
			}
		}
	}
	compare("empty")
	for round := range 8 {
		for range 150 {
			a := site.Sample{Point: "a", Time: at.Add(-time.Duration(random.IntN(4000)) * time.Millisecond), Value: random.NormFloat64()}
			if random.IntN(3) > 0 {
				a.Calibration = cal.ID
			}
			b := site.Sample{Point: "b", Time: at, Value: float64(random.IntN(50)) / 1000}
			if random.IntN(5) == 0 {
				b.Quality, b.Why = site.Bad, site.WhyTimeout
			}
			_, err := j.Append(t.Context(), []site.Sample{a, b})
			require.NoError(t, err)
			at = at.Add(5 * time.Second)
		}
		if round%3 == 2 {
			at = at.Add(47 * time.Minute) // an outage
		}
		if round%2 == 1 {
			require.NoError(t, j.Maintain(t.Context()))
		}
		compare(fmt.Sprintf("round %d", round))
		if round == 4 {
			shut(t, j)
			j = open(t, o)
			compare("after a restart")
		}
	}
	_, err = j.Series(t.Context(), "a", begin, at, 90*time.Second)
	require.Error(t, err)
	_, err = j.Series(t.Context(), "a", begin, begin.Add(1000*time.Hour), time.Minute)
	require.Error(t, err, "an answer is bounded")
}

func TestASpoiltBucketIsNoticed(t *testing.T) {
	data := appendBuckets(noon.UnixMilli(), map[bucketKey]*bucket{
		{1, 0}:   {n: 3, bad: 1, min: 0.1, max: math.Pi, last: 0.25, sum: 1, lastT: noon.UnixMilli() + 50_000},
		{1, 2}:   {bad: 300},
		{400, 0}: {n: 1, min: -1, max: -1, last: -1, sum: -1, lastT: noon.UnixMilli()}})
	count := 0
	require.NoError(t, eachBucket(data, noon.UnixMilli(), func(bucketKey, bucket) bool { count++; return true }))
	require.Equal(t, 3, count)
	for i := range data {
		spoilt := append([]byte(nil), data...)
		spoilt[i] ^= 0x10
		require.ErrorIs(t, eachBucket(spoilt, noon.UnixMilli(), func(bucketKey, bucket) bool { return true }), errDamaged)
	}
}

func FuzzBuckets(f *testing.F) {
	f.Add(appendBuckets(0, map[bucketKey]*bucket{{1, 0}: {n: 3, bad: 1, min: 0.1, max: math.Pi, last: 0.25, sum: 1, lastT: 50_000}, {1, 2}: {bad: 300}})[4:])
	f.Fuzz(func(_ *testing.T, body []byte) {
		// Nothing may panic; what is read may be anything.
		_ = eachBucket(sealed(body), 0, func(bucketKey, bucket) bool { return true })
	})
}
