package watch

import "math"

// lean is what the site has taught of how the fall to a night's lowest air departs from the last nights' mean, from one half
// hour of the day on: the clearer the sky, and the further the forecast is from the last nights' lowest, to which
// weather returns. A regression on both with a prior; its sums forget as the means do.
type lean struct {
	N          float64 // nights, at most leanKept
	Sky        learned // how clear they were
	CC, CL, LL float64 // squares and product of both departures
	CR, LR     float64 // products with what the lowest was over the forecast
}

const (
	// leanKept is how many nights it remembers: a slope wants more of them than a mean.
	leanKept = 20
	// skyK and backShare are how far the slopes may lie from none before the site has taught them: by how much the
	// clearest sky lowers a night's lowest, K, and what share of a departure is gone by morning. leanK is the error
	// of one night, K, beside which they are learned.
	skyK, backShare, leanK = 2.0, 0.25, 2.0
)

// of is by how much the lowest is to be expected over a forecast that is short of the last nights' by low, K, under so
// clear a sky.
func (m *lean) of(clear, low float64) float64 {
	c := m.sky(clear)
	cc, ll := m.CC+leanK*leanK/(skyK*skyK), m.LL+leanK*leanK/(backShare*backShare)
	return ((m.CR*ll-m.LR*m.CL)*c + (m.LR*cc-m.CR*m.CL)*low) / (cc*ll - m.CL*m.CL)
}

// sky is how much clearer it is than in the nights before, 0 where that is not known.
func (m *lean) sky(clear float64) float64 {
	if math.IsNaN(clear) || m.Sky.N < 1 {
		return 0
	}
	return clear - m.Sky.Mean
}

// take takes a night: how clear it was, how far its forecast was short of the last nights' lowest, and the lowest over it.
func (m *lean) take(clear, low, over float64) {
	c, keep := m.sky(clear), min(1, (leanKept-1)/max(1, m.N))
	m.CC, m.CL, m.LL = keep*m.CC+c*c, keep*m.CL+c*low, keep*m.LL+low*low
	m.CR, m.LR = keep*m.CR+c*over, keep*m.LR+low*over
	m.N = m.N*keep + 1
	if !math.IsNaN(clear) {
		m.Sky.take(clear)
	}
}
