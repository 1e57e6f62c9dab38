package agent_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// clopperPearson returns the exact two-sided limits, each with error alpha/2, of a share of
// which k of n were seen (Clopper and Pearson 1934). n of 0 gives 0 and 1.
func clopperPearson(k, n int, alpha float64) (lo, hi float64) {
	lo, hi = 0, 1
	if k > 0 {
		lo = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(alpha / 2)
	}
	if k < n {
		hi = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - alpha/2)
	}
	return lo, hi
}

// poissonLimits returns the exact two-sided limits, each with error alpha/2, of a mean of which
// k were counted (Garwood 1936).
func poissonLimits(k int, alpha float64) (lo, hi float64) {
	if k > 0 {
		lo = distuv.ChiSquared{K: float64(2 * k)}.Quantile(alpha/2) / 2
	}
	return lo, distuv.ChiSquared{K: float64(2*k + 2)}.Quantile(1-alpha/2) / 2
}

// quantile returns the q-quantile of x by linear interpolation between order statistics
// (Hyndman and Fan 1996, type 7), NaN when there is none. x need not be sorted.
func quantile(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	at := q * float64(len(s)-1)
	i := min(int(at), len(s)-1)
	j := min(i+1, len(s)-1)
	return s[i] + (at-float64(i))*(s[j]-s[i])
}

func TestClopperPearson(t *testing.T) {
	// Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 5 (from memory).
	for _, c := range []struct {
		k, n   int
		lo, hi float64
	}{{81, 263, 0.2527, 0.3676}, {15, 148, 0.0578, 0.1617}, {0, 20, 0, 0.1684}, {1, 29, 0.0009, 0.1776}} {
		lo, hi := clopperPearson(c.k, c.n, 0.05)
		require.InDelta(t, c.lo, lo, 0.00005, "%d of %d", c.k, c.n)
		require.InDelta(t, c.hi, hi, 0.00005, "%d of %d", c.k, c.n)
	}
	// The definition itself: at the upper limit k or fewer, at the lower k or more, have
	// probability alpha/2.
	for n := 1; n <= 40; n += 3 {
		for k := 0; k <= n; k++ {
			lo, hi := clopperPearson(k, n, 0.05)
			if k < n {
				require.InDelta(t, 0.025, distuv.Binomial{N: float64(n), P: hi}.CDF(float64(k)), 1e-9)
			} else {
				require.Equal(t, 1.0, hi)
			}
			if k > 0 {
				require.InDelta(t, 0.025, 1-distuv.Binomial{N: float64(n), P: lo}.CDF(float64(k-1)), 1e-9)
			} else {
				require.Equal(t, 0.0, lo)
			}
		}
	}
	lo, hi := clopperPearson(0, 0, 0.05)
	require.Equal(t, [2]float64{0, 1}, [2]float64{lo, hi})
}

func TestPoissonLimits(t *testing.T) {
	// Garwood, Biometrika 28 (1936) 437, 95 % two-sided (from memory), and the rule of three in
	// its exact form: no event seen, one-sided 95 %: -ln 0.05.
	for _, c := range []struct {
		k      int
		lo, hi float64
	}{{0, 0, 3.689}, {1, 0.0253, 5.572}, {2, 0.242, 7.225}, {5, 1.623, 11.668}, {10, 4.795, 18.390}} {
		lo, hi := poissonLimits(c.k, 0.05)
		require.InDelta(t, c.lo, lo, 0.0006, "%d", c.k)
		require.InDelta(t, c.hi, hi, 0.0006, "%d", c.k)
	}
	_, hi := poissonLimits(0, 0.10)
	require.InDelta(t, -math.Log(0.05), hi, 1e-9)
}

func TestQuantile(t *testing.T) {
	// R 4.2 quantile(c(1,2,4,8), c(0,.5,.9,1)), type 7 (from memory: 1, 3, 6.8, 8).
	x := []float64{8, 1, 4, 2}
	for q, want := range map[float64]float64{0: 1, 0.5: 3, 0.9: 6.8, 1: 8} {
		require.InDelta(t, want, quantile(x, q), 1e-12)
	}
	require.Equal(t, []float64{8, 1, 4, 2}, x, "the argument keeps its order")
	require.True(t, math.IsNaN(quantile(nil, 0.5)))
	require.Equal(t, 5.0, quantile([]float64{5}, 0.9))
}
