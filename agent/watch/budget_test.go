package watch

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// quietWindow is the n-th window of a bay with which nothing is wrong: days and nights in turn whose
// surprises are as wide as is stated, or off times as wide.
func quietWindow(n int64, x, off float64) water.Window {
	w := water.Window{Night: n%2 == 1, Wide: 1}
	w.Hours = []float64{15, 9}[n%2]
	w.From = n/2*day + []int64{0, 15 * hour}[n%2]
	w.To = w.From + int64(w.Hours)*hour
	sd := []float64{30, 8}[n%2] // L
	w.S, w.Nu = sd*sd, off*sd*x
	return w
}

// untilTold plays quiet windows to the bank's own onsets until the sum over losses, or over gains,
// reaches the threshold, and returns how many it took, most at the most: cutting a run short can only
// make the mean smaller.
// learned says that how wide they are is learned from six bays as they come.
func untilTold(rng *rand.Rand, threshold, known, off float64, learned bool, most int) int {
	var s bankState
	z2, seen := 0.0, 0.0
	for n := range most {
		f := quietWindow(int64(n), rng.NormFloat64(), off)
		if learned {
			f.Wide = (leastKnown + z2) / (leastKnown + seen)
			z2, seen = z2+f.Nu*f.Nu/f.S, seen+1
			for range 5 {
				z2, seen = z2+sq(off*rng.NormFloat64()), seen+1
			}
			known = leastKnown + seen
		}
		s.Onsets = append(s.Onsets, onset{From: f.From, To: f.To, Nu: f.Nu})
		for i := range s.Onsets {
			carry(&s.Onsets[i], &f)
		}
		s.thin(f.To)
		for _, way := range [2]float64{1, -1} {
			if sum(s.Onsets, tRate, way, sizes[:], known) >= math.Log(threshold) {
				return n + 1
			}
		}
	}
	return most
}

// exactly is from how many windows a noise must be known to be known exactly.
const exactly = 1e9

// meanTime is the mean of untilTold over runs, and its standard error.
func meanTime(seed uint64, runs int, threshold, known, off float64, learned bool) (mean, se float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	var total, squares float64
	for range runs {
		scale := off
		if known < exactly && !learned {
			// The stated variance is itself a mean of so many squares.
			v := 0.0
			for range int(known) {
				x := rng.NormFloat64()
				v += x * x
			}
			scale /= math.Sqrt(v / known)
		}
		x := float64(untilTold(rng, threshold, known, scale, learned, int(50*threshold)))
		total += x
		squares += x * x
	}
	mean = total / float64(runs)
	return mean, math.Sqrt((squares/float64(runs) - mean*mean) / float64(runs-1))
}

// TestTheBankKeepsItsRate: the bank's own sum, with its grid of sizes, its onsets, both directions and
// what it drops of them. While nothing is wrong the mean time to a false alarm is at least the
// threshold in windows (Pollak 1985, Annals of Statistics 13:206; Shiryaev 1963), so the lower 99 %
// limit of the mean seen must lie over it. The last row shows that the test would see a rate that is
// not kept: windows that scatter twice as wide as is stated.
func TestTheBankKeepsItsRate(t *testing.T) {
	const threshold, runs = 40.0, 150
	for _, row := range []struct {
		name          string
		known, off    float64
		learned, kept bool
	}{
		{"noise as stated", exactly, 1, false, true},
		{"noise known from as many windows as the prior is worth", leastKnown, 1, false, true},
		{"noise learned to be half as wide as stated", leastKnown, 0.5, true, true},
		{"noise learned to be as stated", leastKnown, 1, true, true},
		{"noise twice as wide as stated", exactly, 2, false, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			mean, se := meanTime(20261130, runs, threshold, row.known, row.off, row.learned)
			t.Logf("mean time to a false alarm %.0f ± %.0f windows, threshold %.0f", mean, se, threshold)
			if row.kept {
				require.Greater(t, mean-2.33*se, threshold, "mean %.0f ± %.0f", mean, se)
			} else {
				require.Less(t, mean+2.33*se, threshold, "mean %.0f ± %.0f", mean, se)
			}
		})
	}
}

// TestThresholdsAreTheBudget: rates follow from the site file by arithmetic alone. 0.03 false pages of
// six bays in half a year are 0.01 in a bay-year; seven tests share them, and each has two windows a day:
// a threshold of 730.5 * 7 / 0.01 windows, a tenth of that for what waits for the morning.
func TestThresholdsAreTheBudget(t *testing.T) {
	b := newBudget(&site.Site{FalsePagesPerSeason: 0.03})
	require.InDelta(t, 0.01, b.perBayYear, 1e-12)
	require.InEpsilon(t, 730.5*7/0.01, math.Exp(b.page), 1e-9)
	require.InEpsilon(t, 730.5*7/0.1, math.Exp(b.morning), 1e-9)
	// By the hour: as many times the threshold as there are hours to a window.
	require.InEpsilon(t, math.Exp(b.morning)*8766/730.5, math.Exp(b.hourly), 1e-9)
	require.InEpsilon(t, 365.25*7/0.1, math.Exp(b.daily), 1e-9)
	require.InDelta(t, math.Log(10), b.page-newBudget(&site.Site{FalsePagesPerSeason: 0.3}).page, 1e-9, "ten times the pages")
	require.InDelta(t, math.Log(morningFactor), b.page-b.morning, 1e-9)
	require.Equal(t, b, newBudget(&site.Site{}), "a site that states none has the built-in one")
}

// A hose nobody put on record brings water in by day, and the wet clay draws less until the evening after it;
// a valve that weeps goes on.
func TestAHoseIsNoWeepingValve(t *testing.T) {
	odds := newBudget(&site.Site{}).odds
	gain := func(z ...float64) bool {
		var s bankState
		for n, x := range append(make([]float64, 20), z...) {
			f := quietWindow(int64(n), x, 1)
			s.Onsets = append(s.Onsets, onset{From: f.From, To: f.To, Nu: f.Nu, Night: f.Night})
			for i := range s.Onsets {
				carry(&s.Onsets[i], &f)
			}
		}
		o := &s.Onsets[20]
		size, _, _ := o.Sig[tRate].Best()
		require.Less(t, size, 0.0)
		return beyondHose(s.Onsets, o.From, size, odds)
	}
	require.False(t, gain(-4, -4, 0), "a morning of watering, and the night after it")
	require.False(t, gain(-4, -4, 0, 0.3, 0.1))
	require.False(t, gain(-4, -4), "nobody knows yet")
	require.False(t, gain(-4, -4, -4), "the day after it the clay is wet still")
	require.True(t, gain(-3, -4, -3, -4))
}

// A loss that is fourteen in log-likelihood counts as nearly that, however small or large it is: the mean
// over sizes costs their number and what lies between two of them.
func TestTheSumMissesNoSize(t *testing.T) {
	const llr = 14
	for size := 0.5; size < 1000; size *= 1.17 {
		j := 2 * llr / sq(size)
		o := onset{}
		o.Sig[tRate] = water.Signature{D: j * size, J: j}
		got := sum([]onset{o}, tRate, 1, sizes[:], exactly)
		require.Greater(t, got, llr*(1-1.0/9)-math.Log(float64(len(sizes))), "%.2f L/h: halfway between two sizes a ninth is lost", size)
	}
}
