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

// balance is how an oracle judges a row by the hourly balances.
type balance struct {
	// mark is what the fault at unit size adds to an hour's balance, m3.
	mark func(h *hourBalance) float64
	// joined says that an hour ends where the next begins, so that over weeks what the instruments add
	// does not add up; else each hour is taken by itself.
	joined bool
}

func anHour(*hourBalance) float64        { return 1 }
func letIn(h *hourBalance) float64       { return h.inM }
func aMillimetre(h *hourBalance) float64 { return 1e-3 / 24 * h.perMetreM2 }

// oracle is the best sequential test there can be on hourly balances: CUSUM on the
// log-likelihood ratio of a fault of known mark in Gaussian noise of known, changing variance
// (optimal in Lorden's sense for a shift in independent noise, Moustakides 1986; with joined hours the
// same on the innovations of what is missing in all, a random walk read with noise, on which the mark is
// carried as by Willsky and Jones 1976). Its threshold is ln of the mean number of hours
// between false alarms, which bounds that mean from below. It returns the delay from onset;
// never when it does not cross.
func oracle(hours []hourBalance, onset time.Time, of *balance, k knowledge, falsePerBayYear float64, seed uint64) time.Duration {
	rng := rand.New(rand.NewPCG(seed, 0x0c1e))
	// The size it looks for: that which explains most of what is truly missing after the onset.
	size, weight := 0.0, 0.0
	for i := range hours {
		if h := &hours[i]; h.end.After(onset) {
			m := of.mark(h)
			size += h.missing * m
			weight += m * m
		}
	}
	if size == 0 || weight == 0 {
		return never
	}
	size /= weight
	limit := math.Log(365.25 * 24 / falsePerBayYear)
	s := 0.0
	// How far all that is missing, and the mark, lie beyond what is taken for no fault's; its variance.
	off, sig, p := 0.0, 0.0, 0.0
	for i := range hours {
		h := &hours[i]
		q := k.evap*k.evap*h.evap*h.evap + k.storage*k.storage*h.held*h.held
		r := h.noise * h.noise
		if of.joined {
			r = r/2 + k.settling*k.settling*h.unsettledEnd*h.unsettledEnd
			if i == 0 {
				off, p = math.Sqrt(r)*rng.NormFloat64(), r // what it begins with is read too
			}
		} else {
			q, r = q+r+k.settling*k.settling*h.unsettled*h.unsettled, 0
		}
		q = max(q, 1e-12) // a millilitre: the balance is never known better
		m := size * of.mark(h)
		off, sig, p = off+h.missing+math.Sqrt(q)*rng.NormFloat64(), sig+m, p+q
		y, v := off+math.Sqrt(r)*rng.NormFloat64(), p+r
		s += (sig*y - sig*sig/2) / v
		g := p / v
		off, sig, p = off-g*y, sig-g*sig, p*(1-g)
		if s <= 0 {
			s, sig = 0, 0
		}
		if s > limit {
			if h.end.After(onset) {
				return h.end.Sub(onset)
			}
			s, sig = 0, 0 // a false alarm of its own, answered
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
	alone := balance{mark: anHour}
	hours := make([]hourBalance, 400)
	for i := range hours {
		hours[i] = hourBalance{end: start.Add(time.Duration(i+1) * time.Hour), missing: 1, noise: 1}
	}
	for seed := range runs {
		d := oracle(hours, start, &alone, perfect, rate, uint64(seed))
		require.NotEqual(t, never, d)
		sum += d.Hours()
	}
	// Four standard errors: the run length's own deviation is about 6.
	require.InDelta(t, 10.3759753, sum/float64(runs), 4*6/math.Sqrt(float64(runs)))

	clean := make([]hourBalance, 400)
	for i := range clean {
		clean[i] = hourBalance{end: start.Add(time.Duration(i+1) * time.Hour), noise: 1}
	}
	require.Equal(t, never, oracle(clean, start, &alone, perfect, rate, 1), "nothing is missing, so nothing is looked for")
	require.Greater(t, oracle(hours, start, &alone, practical, rate/100, 2), oracle(hours, start, &alone, practical, rate*10, 2), "fewer false alarms cost time")

	// Ends that meet, with noise of the levels alone: 3.5625 hours and not ten, by generalised least squares on
	// all levels at once, the same limit, 20,000 times.
	sum = 0
	for seed := range runs {
		sum += oracle(hours, start, &balance{anHour, true}, perfect, rate, uint64(seed)).Hours()
	}
	require.InDelta(t, 3.5625, sum/float64(runs), 0.1)
	for i := range hours {
		hours[i] = hourBalance{end: hours[i].end, missing: 1, held: 1}
	}
	// And with noise that stays, ends that meet are no help: the chart again.
	sum = 0
	for seed := range runs {
		sum += oracle(hours, start, &balance{anHour, true}, knowledge{storage: 1}, rate, uint64(seed)).Hours()
	}
	require.InDelta(t, 10.3759753, sum/float64(runs), 4*6/math.Sqrt(float64(runs)))
}
