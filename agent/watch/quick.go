package watch

import (
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// stretches is how many of the last moments kept, a quarter of an hour apart, a large loss is looked for
// from; soonest is the shortest time, h, that may show it: each half of it must.
const (
	stretches = 32
	soonest   = 0.5
)

// quick looks at the last hours alone for a loss so large that neither weather nor a habit
// learned wrong can be it.
func (w *Watch) quick(y *bay, now int64, known float64) {
	s := &y.st.Bank
	young := w.young(&y.look, now)
	var f water.Window
	for n := 1; n < stretches; n++ {
		if !w.l.Lost(y.i, n, &f) || f.From < s.Quiet || f.To-f.From > 10*hour {
			return
		}
		if f.Hours < soonest || f.Hours < 1.5 && f.Nu < urgentRate*f.Hours {
			continue // what pages is looked for early
		}
		if young && f.Hours < youngHours {
			continue
		}
		least := 0.25 * y.b.AreaM2
		if f.Night {
			least = 0.1 * y.b.AreaM2
		}
		if f.Nu < least*f.Hours {
			continue
		}
		pages := f.Nu >= urgentRate*f.Hours
		if !pages && n%2 == 0 {
			continue // what waits for the morning is looked for by the half hour
		}
		w.l.Weigh(y.i, n, &f)
		var before, since water.Window
		alone := f
		apart := pages && w.l.AtRest(y.i, f.From, &before, &since)
		if !apart && f.Surprise() < worthAgainst || !w.l.Against(y.i, &f) {
			continue
		}
		if !pages {
			// Nor is the lead's bound taken for it: at some tens of litres an hour the evening's clay and stone
			// that gives more on its first millimetres count for as much as a lead does.
			f.Least[1], f.Least[2] = water.Missing{}, water.Missing{}
		}
		// Of what is lost the curve is as unsure as of all that it says drained. No clay gives much more
		// than the reference evaporation.
		size, u, says := f.Nu/f.Hours, math.Sqrt(f.Least[0].S+sq(f.Rel*f.Held))/f.Hours, f.Surest()
		if apart {
			for _, part := range [2]*water.Window{&before, &since} {
				part.Nu += (f.Nu - alone.Nu) * part.Hours / f.Hours // what the other bays show
			}
			if rate, sd, x := steady(&before, &since, alone.S); x > says.Surprise() {
				size, u, says = rate, sd, water.Missing{L: rate * f.Hours, S: sq(sd * f.Hours)}
			}
		}
		llr := says.Surprise()
		if size < least || llr < worthAgainst || f.Loss < mostOfET*f.ET {
			continue
		}
		s.Stray.see(llr, says.L)
		limit := w.budget.morning
		if size >= urgentRate {
			limit = w.budget.page
		}
		// As many stretches as there are in a window of half a day; at least four, as they overlap.
		if heavy(s.Stray.worth(llr, says.L), known) < limit+math.Log(max(4, 12/f.Hours)) {
			continue
		}
		if !w.bothHalves(y, f.From, size) && !(apart && bothShow(&before, &since, size)) || w.everywhere(y, f.From, size) {
			continue
		}
		s.open(site.Leak, &onset{From: f.From, To: f.To, Nu: f.Nu}, now, size, u, llr, llr)
		s.Sig, s.Quick = water.Signature{}, beyond(llr, says.L)
		if f.Wet > 0 {
			s.Drunk = f.Nu / f.Wet
		}
		return
	}
}

// steady is the likeliest rate, L/h, of a loss that went on through two parts of a stretch, its standard
// uncertainty, and how much likelier than none it makes them. Before its last fill a bay's level is known
// far better than after, so what was known then is not given up for what a single balance over both would
// say. What the parts' errors have in common is what the variance of the whole, s, has beyond theirs.
func steady(a, b *water.Window, s float64) (rate, u, llr float64) {
	most := 0.95 * math.Sqrt(a.S*b.S)
	c := max(-most, min(most, (s-a.S-b.S)/2))
	det := a.S*b.S - c*c
	num := (a.Hours*(b.S*a.Nu-c*b.Nu) + b.Hours*(a.S*b.Nu-c*a.Nu)) / det
	den := (a.Hours*(b.S*a.Hours-c*b.Hours) + b.Hours*(a.S*b.Hours-c*a.Hours)) / det
	if num <= 0 || den <= 0 {
		return 0, math.Inf(1), 0
	}
	return num / den, 1 / math.Sqrt(den), num * num / (2 * den)
}

// lastHours is the stretch of the last hours that shows most.
func (w *Watch) lastHours(y *bay) (best water.Window, ok bool) {
	var f water.Window
	for n := 1; n < stretches && w.l.Since(y.i, n, &f); n++ {
		if f.Hours >= 1.5 && (!ok || f.Nu*f.Nu*best.S > best.Nu*best.Nu*f.S) {
			best, ok = f, true
		}
	}
	return best, ok
}

// halfSays is how much each half of a loss must show of it, in log-likelihood: one and a half deviations.
const halfSays = 1.125

// bothHalves says whether a loss since from shows in each half of the time since.
func (w *Watch) bothHalves(y *bay, from int64, size float64) bool {
	var a, b water.Window
	if !w.l.Halves(y.i, from, &a, &b) {
		return false
	}
	return bothShow(&a, &b, size)
}

// bothShow says whether each of two parts of a stretch shows a loss of that size.
func bothShow(a, b *water.Window, size float64) bool {
	for _, f := range [2]*water.Window{a, b} {
		if x := f.Nu / f.Hours / size; x < 0.4 || f.Surprise() < halfSays {
			return false
		}
	}
	return true
}

// sharpen says by all hours since its onset how large a loss is that was found within one: the first
// words about it are told early and so are unsure of it. It holds until a window has closed.
func (w *Watch) sharpen(y *bay) {
	s := &y.st.Bank
	var f water.Window
	for n := 1; w.l.Since(y.i, n, &f) && f.From >= s.Since; n++ {
		if size, u := f.Nu/f.Hours, math.Sqrt(f.S)/f.Hours; size > 0 && u < s.SizeU {
			s.Size, s.SizeU = size, u
		}
	}
}
