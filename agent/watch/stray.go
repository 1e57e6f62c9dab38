package watch

import (
	"math"

	"bayledger/agent/water"
)

// stray is how far a bay's balances of some hours lie off by themselves: water that seems lost and is
// there in the morning. What is stated of a chamber's lead, of clay and of stone holds for most bays.
// One over whose crest some water runs at the inlet in every fill, or whose stone gives much more on
// its first millimetres down, strays further, and does so every evening anew.
//
// The square of the litres that are missing at most in a day, beyond what is stated (beyond), is taken to
// be exponentially distributed about its mean, as squares of normal departures nearly are. That a day
// shows x by itself has then the likelihood exp(-x2/mean). It goes by litres, not by deviations: what
// strays is bounded by what a chamber, clay and a crest can take, and a torn liner is not.
type stray struct {
	Mean float64 // L2, of the days' largest
	Days float64 // that are behind it
	Most float64 // L2, the largest of the day under way
	Day  int64   // that day, from noon to noon
}

const (
	// strayPrior is what a bay nobody has seen may stray by, m over its area; worth one day.
	strayPrior = 0.3e-3
	strayDays  = 10 // days that are remembered
	// worthAgainst is the surprise that the stated noise shows on most days.
	worthAgainst = 1.5
)

func (s *stray) init(areaM2 float64) { *s = stray{Mean: sq(1000 * strayPrior * areaM2), Days: 1} }

// beyond is what of the litres missing in some hours the stated noise, by which they are a surprise of llr,
// may not have made as well.
func beyond(llr, litres float64) float64 {
	if llr <= worthAgainst {
		return 0
	}
	return litres * (1 - math.Sqrt(worthAgainst/llr))
}

// see takes the litres missing in a stretch that looks like a large loss and is not told as one.
func (s *stray) see(llr, litres float64) { s.Most = max(s.Most, sq(beyond(llr, litres))) }

// turn ends the day when it is over. A day in which a finding stood says nothing.
func (s *stray) turn(now int64, stood bool) {
	d := (now + 12*hour) / day
	if s.Day != 0 && d != s.Day && !stood {
		s.Days = min(s.Days+1, strayDays)
		s.Mean += (s.Most - s.Mean) / s.Days
		s.Most = 0
	}
	s.Day = d
}

// worth is what a surprise of so many litres is worth: no more than they are against a day of the bay's own.
func (s *stray) worth(llr, litres float64) float64 {
	return min(llr, sq(beyond(llr, litres))/s.Mean)
}

// gone says whether the hours since a large loss was found show that half of it is no more, twenty to
// one; unsettled ends allowed, as they were when it was found. The next window may close a day later, and
// by then what was told of an evening has grown urgent.
func (w *Watch) gone(y *bay) bool {
	s := &y.st.Bank
	half, llr := s.First/2, 0.0
	var f water.Window
	for n := 1; w.l.Since(y.i, n, &f) && f.From >= s.Seen; n++ {
		llr = half * f.Hours * (f.Nu - half*f.Hours/2) / f.S
	}
	return llr < -w.budget.odds
}
