package agent_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// knowledge is what an oracle does not know of an hour, as relative standard deviations. The
// oracle knows all else: the weather's true demand, the true storage, the size of the fault.
type knowledge struct{ evap, storage, settling float64 }

var (
	perfect   = knowledge{}
	practical = knowledge{evap: 0.20, storage: 0.05, settling: 0.15}
)

// oracle is the best sequential test there can be on hourly balances: CUSUM on the
// log-likelihood ratio of a shift of known size in Gaussian noise of known, changing variance
// (optimal in Lorden's sense, Moustakides 1986). Its threshold is ln of the mean number of hours
// between false alarms, which bounds that mean from below. It returns the delay from onset;
// never when it does not cross.
func oracle(hours []hourBalance, onset time.Time, k knowledge, falsePerBayYear float64, seed uint64) time.Duration {
	rng := rand.New(rand.NewPCG(seed, 0x0c1e))
	// The shift it looks for: the mean of what is truly missing after the onset.
	mean, n := 0.0, 0.0
	for _, h := range hours {
		if h.end.After(onset) {
			mean += h.missing
			n++
		}
	}
	if n == 0 || mean == 0 {
		return never
	}
	mean /= n
	limit := math.Log(365.25 * 24 / falsePerBayYear)
	s := 0.0
	for _, h := range hours {
		sd := math.Sqrt(h.noise*h.noise + k.evap*k.evap*h.evap*h.evap + k.storage*k.storage*h.held*h.held + k.settling*k.settling*h.unsettled*h.unsettled)
		sd = max(sd, 1e-6) // a millilitre: the balance is never known better
		y := h.missing + sd*rng.NormFloat64()
		s = max(0, s+(mean*y-mean*mean/2)/(sd*sd))
		if s > limit {
			if h.end.After(onset) {
				return h.end.Sub(onset)
			}
			s = 0 // a false alarm of its own, answered
		}
	}
	return never
}

// TestOracle checks the sequential test against published run lengths of the CUSUM chart with a
// shift of one standard deviation: k = 0.5, decision at h: 10.38 samples at h = 5 (Montgomery;
// R spc 0.6.7 xcusum.arl gives 10.3759753), and the bound on its false alarms.
func TestOracle(t *testing.T) {
	const h = 5.0
	start := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	// The log-likelihood form has S = d*(x - d/2) with d = 1: the chart of k 0.5 itself.
	rate := 365.25 * 24 / math.Exp(h)
	sum, runs := 0.0, 4000
	hours := make([]hourBalance, 400)
	for i := range hours {
		hours[i] = hourBalance{end: start.Add(time.Duration(i+1) * time.Hour), missing: 1, noise: 1}
	}
	for seed := range runs {
		d := oracle(hours, start, perfect, rate, uint64(seed))
		require.NotEqual(t, never, d)
		sum += d.Hours()
	}
	// Four standard errors: the run length's own deviation is about 6.
	require.InDelta(t, 10.3759753, sum/float64(runs), 4*6/math.Sqrt(float64(runs)))

	clean := make([]hourBalance, 400)
	for i := range clean {
		clean[i] = hourBalance{end: start.Add(time.Duration(i+1) * time.Hour), noise: 1}
	}
	require.Equal(t, never, oracle(clean, start, perfect, rate, 1), "nothing is missing, so nothing is looked for")
	require.Greater(t, oracle(hours, start, practical, rate/100, 2), oracle(hours, start, practical, rate*10, 2), "fewer false alarms cost time")
}
