package watch

import (
	"math"
	"slices"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// What a bay loses in a whole day, dawn to dawn, follows what the other bays lose in the same day far more
// closely than any formula of the weather: their sky, their wind and the errors of both are the same. So it is
// set beside them,
//
//	loss = level + slope x loss of the other bay
//
// for each of the others by itself, since clay that gives slowly answers a hot day by less than clay that gives
// readily; more where the bay stands higher, and less where the other does, by what storms and moved set points
// teach; and what drained is counted by a storage that may be wrong. The middle of what they say is expected of the
// day. What began at some dawn leaves its signature on the surprises, as in the bank: a meter's share of what it
// counted, which a day without a fill shows nothing of and fills' slopes show by themselves, or so much a day. That
// shows what is small and stays, which days and nights by themselves do not show beside what they are stated to be
// unsure of: a meter that counts a tenth too much, a level that drifts by a millimetre a day.
const (
	besideMost  = 5 // how many others a bay is set beside: the next ones in the site file
	besideLeast = 3 // and how many of them must show a day
	besideFirst = 5 // days in common before anything is expected
	// besideScatter is how far a day's loss lies beside what another bay's lets expect, a share of it and the
	// part of each of the two: to begin with, the site's own days show it (wide).
	besideScatter = 0.02
	// besideWanders is by how much the two come apart in a day for good, a share (one standard deviation): the
	// part of a factor's wandering that bays do not share (water).
	besideWanders = 0.003
	// besideLevel and besideSlope are what is known of the relation before any day, shares of the usual loss and
	// of the first days' ratio.
	besideLevel, besideSlope = 0.20, 0.35
	// besideRain is the share of a day's rain that one bay keeps or sheds unlike the others, besideHand that of
	// what is put on by hand.
	besideRain, besideHand = 0.18, 0.20
	// besideMM is by how much evaporation differs for each millimetre the level stands elsewhere than when the
	// relation began, a share (one standard deviation): the same whenever it does, so it is learned.
	besideMM = 0.2 / 30
	// besideSteep is how much it may differ at the most: where clay reaches down to the water, or no longer does, by
	// as much again in 30 mm.
	besideSteep = 1.0 / 30
	// besideMoved is by how much more a bay may lose for each millimetre it has come to live higher than before some dawn,
	// a share (one standard deviation), and besideBand what a controller's band makes of a level, mm, each way.
	besideMoved = 0.05
	besideBand  = 2.0
	// besideStorage is how well a storage is known when a relation begins, a share: a bay that rain has kept full has
	// hardly been filled by then.
	besideStorage = 0.15
	// besideDays is the fewest days a trouble must have shown in. A day counts for three deviations at most, so
	// that a hose nobody recorded and the day after it are not enough.
	besideDays = 3
	mostDayZ2  = 9
	// besideKept is for how long a dawn is kept as one at which something may have begun: what has not shown in that
	// time is as likely the season's, in which bays come apart.
	besideKept = 25 * day
	// nightOff is how far a night's loss lies beside the bay's habit, mm/h, alike over nightAlike hours, and nightMoves
	// by how much that habit wanders in a day, mm/h (water).
	nightOff, nightAlike, nightMoves = 0.010, 4.0, 0.0005
)

// The troubles that are looked for, and the sizes over which the test averages, each way: a meter's share of what
// it counted, so that a day without a fill shows none of it, and a steady loss, L/h.
const (
	besideMeter = iota
	besideRate
	besideTroubles
)

var besideSizes = [besideTroubles][4]float64{{0.05, 0.1, 0.2, 0.4}, {0.625, 1.25, 2.5, 5}}

// wholeDay is what a bay lost from one dawn to the next, as of 24 hours.
type wholeDay struct {
	From, To          int64   // To 0: there is none
	Loss, Var         float64 // Var but for the ends
	FromU, ToU, Scale float64 // L, of the water held at its ends, and 24 hours over the day's length
	Metered, Held     float64 // L, as of 24 hours
	Level             float64 // mm
	Night, NightS     float64 // L/h and its variance
	NightMetered      float64 // L/h
}

// of is what a trouble of unit size adds to the day's loss, L, and to the night's, L/h.
func (d *wholeDay) of(trouble int) (day, night float64) {
	if trouble == besideMeter {
		return d.Metered, d.NightMetered
	}
	return 24, 1
}

// besideState is what is kept of a bay set beside others.
type besideState struct {
	Day    water.Window // the day's part of the whole day under way; To 0 for none
	With   [besideMost]relation
	Depth  besideSigned // of evaporation that goes with depth by a share more for each mm than is known
	Home   float64      // mm, where the level lives: a third of the way to each day's; 0 before the first
	Night  nightHabit
	Slopes []water.Slope // of the fills since dawn
	Onsets []besideOnset
	// Z2 is the sum of the squares of the surprises over their variances, of N days; Wide the variance that days were
	// last known to show over what is stated.
	Z2, N, Wide float64

	Open        bool
	Since, Seen int64
	Trouble     int     // as which it was found
	First       float64 // its size then
	Share, U    float64 // of what the bay usually loses in a day
	LLR         float64
	Usual       float64 // L/h, what the bay would lose
	Back        mark
	Begun       besideOnset // the onset it was found at, whose errors stay as long as nothing is learned
	NotMeter    bool        // the meter has been excluded
	MeterAlone  bool        // all but the meter has
	MeterBetter bool        // the meter is likelier than what is constant
}

func (s *besideState) init() { *s = besideState{Wide: 1} }

// mark is the signature of a trouble of unit size on one row of surprises.
type mark struct{ D, J float64 }

func (m *mark) add(e, nu, s float64)     { m.D, m.J = m.D+e*nu/s, m.J+e*e/s }
func (m mark) plus(o mark) mark          { return mark{m.D + o.D, m.J + o.J} }
func (m mark) over(wide float64) mark    { return mark{m.D / wide, m.J / wide} }
func (m *mark) llr(size float64) float64 { return size*m.D - size*size*m.J/2 }

// besideOnset is a dawn at which a trouble may have begun.
type besideOnset struct {
	From  int64
	Home  float64 // mm, where the level lived until then
	Of    [besideTroubles]besideSigned
	Slope water.Signature // of a meter's share, in the slopes of its fills
}

// besideSigned is the signature of a trouble of unit size that began at some dawn: in the days, with the error it
// has put into each relation, and in the nights, with that in their habit.
type besideSigned struct {
	E          [besideMost][besideStates]float64
	EN         float64
	Day, Night mark
}

// sig is the signature of a trouble in days and fills, when days show a variance that is wide beside what is stated.
func (o *besideOnset) sig(trouble int, wide float64) mark {
	g := o.Of[trouble].Day.over(wide)
	if trouble == besideMeter {
		g = g.plus(mark{o.Slope.D, o.Slope.J})
	}
	return g
}

// wholeDays puts the windows that the last tick closed together to whole days.
func (w *Watch) wholeDays() (any bool) {
	for _, y := range w.bays {
		y.whole = wholeDay{}
		s := &y.st.Beside
		if s.Open && y.st.Bank.Open != "" {
			s.Open, s.Onsets = false, s.Onsets[:0] // it is the bank's now
		}
		fresh := w.l.Fresh(y.i)
		for i := range fresh {
			f := &fresh[i]
			switch {
			case f.From < y.st.Bank.Quiet || y.troubled() || y.look.Dry:
				s.Day = water.Window{}
			case !f.Night:
				s.Day = *f
			case s.Day.To == f.From && f.Joined:
				y.whole = y.wholeOf(&s.Day, f)
				any = any || y.whole.To > 0
				s.Day = water.Window{}
			}
		}
	}
	return any
}

// wholeOf is the day that a day's and a night's window make.
func (y *bay) wholeOf(a, b *water.Window) (d wholeDay) {
	h := a.Hours + b.Hours
	loss, held := a.Loss+b.Loss, a.Held+b.Held
	if h < 20 || h > 28 || loss <= 0 || a.Part || b.Part {
		return wholeDay{}
	}
	stated := func(rel, held float64, parts ...*water.Window) float64 {
		v := sq(rel * held)
		for _, f := range parts {
			v += sq(f.U) + sq(besideRain*f.Rain) + sq(besideHand*f.Hand)
		}
		return v
	}
	d = wholeDay{From: a.From, To: b.To, Loss: loss * 24 / h, FromU: a.FromU, ToU: b.ToU, Scale: 24 / h, Level: (a.Level*a.Hours + b.Level*b.Hours) / h}
	d.Var = stated(max(a.Rel, b.Rel), held, a, b) * sq(d.Scale)
	d.Held = held * d.Scale
	d.Metered, d.NightMetered = (a.Metered+b.Metered)*d.Scale, b.Metered/b.Hours
	d.Night = b.Loss / b.Hours
	d.NightS = (sq(b.FromU)+sq(b.ToU)+stated(b.Rel, b.Held, b))/sq(b.Hours) + sq(nightOff*y.b.AreaM2)*min(1, 2*nightAlike/b.Hours)
	return d
}

// other is the k-th bay that bay y is set beside, nil for none.
func (w *Watch) other(y *bay, k int) *bay {
	if k+1 >= len(w.bays) {
		return nil
	}
	return w.bays[(y.i+1+k)%len(w.bays)]
}

// forgetBeside begins a bay anew, for itself and for those that are set beside it.
func (w *Watch) forgetBeside(y *bay) {
	y.st.Beside.init()
	for _, o := range w.bays {
		for k := range besideMost {
			if w.other(o, k) == y {
				o.st.Beside.With[k] = relation{}
			}
		}
	}
}

// beside sets the whole days that the last tick closed beside each other.
func (w *Watch) beside(now int64) {
	if len(w.bays) <= besideLeast {
		return
	}
	for _, y := range w.bays {
		s, slopes := &y.st.Beside, w.slopes(y)
		for i := range slopes {
			if s.Open {
				carryFills(&s.Begun.Slope, &slopes[i])
			}
			for j := range s.Onsets {
				carryFills(&s.Onsets[j].Slope, &slopes[i])
			}
		}
		s.Slopes = append(s.Slopes, slopes...)
	}
	if !w.wholeDays() {
		return
	}
	for _, y := range w.bays {
		if y.whole.To > 0 {
			w.besideOthers(y, now)
		}
		y.st.Beside.Slopes = y.st.Beside.Slopes[:0]
	}
}

// besideOthers judges and learns one bay's day.
func (w *Watch) besideOthers(y *bay, now int64) {
	s, d := &y.st.Beside, &y.whole
	var all [besideMost]expectation
	n := 0
	for k := range besideMost {
		o := w.other(y, k)
		if o == nil || o.whole.To == 0 || o.st.Beside.Open || max(o.whole.From-d.From, d.From-o.whole.From) > 4*hour {
			continue
		}
		r := &s.With[k]
		if r.At == 0 {
			if !s.Open {
				r.begin(d, &o.whole)
			}
			continue
		}
		r.age(d.To)
		all[n] = r.look(d, &o.whole)
		all[n].k = k
		n++
	}
	// A night stands beside its own habit, from the first on.
	x := s.Night.see(d, y.b.AreaM2, s.Open)
	if s.Open {
		x.carry(&s.Begun, d)
	}
	for i := range s.Onsets {
		x.carry(&s.Onsets[i], d)
	}
	others := all[:n]
	if n < besideLeast {
		return
	}
	hold := s.Open
	w.besideTest(y, others, x, now)
	for i := range others {
		s.With[others[i].k].learn(&others[i], d.To, hold)
	}
}

// besideTest carries the signatures through a day and asks whether a trouble holds.
func (w *Watch) besideTest(y *bay, others []expectation, x night, now int64) {
	s, d := &y.st.Beside, &y.whole
	middleOf := func(of func(*expectation) float64) float64 {
		var v [besideMost]float64
		for i := range others {
			v[i] = of(&others[i])
		}
		return median(v[:len(others)])
	}
	nu, pred := middleOf(func(t *expectation) float64 { return t.nu }), max(0, middleOf(func(t *expectation) float64 { return t.pred }))
	// The middle of n is as sure as the mean of n divided by pi/2.
	v := middleOf(func(t *expectation) float64 { return t.known }) + middleOf(func(t *expectation) float64 { return t.own }) +
		math.Pi/2/float64(len(others))*middleOf(func(t *expectation) float64 { return t.others })
	wide, known := w.besideWide(y)
	if !s.Open {
		s.Z2, s.N = s.Z2+min(mostDayZ2, sq(nu)/v), s.N+1
	}
	// All variances scale with what the days show, so it counts where likelihoods are asked for, for the first days
	// as for the last; here only for the day that lies too far off.
	s.Wide = wide
	v = max(v, sq(nu)/(mostDayZ2*wide))
	// What a trouble adds, less the errors it has put into the relations; they stay while nothing is learned.
	left := func(g *besideSigned, adds, deeper float64) (e float64) {
		for i := range others {
			t := &others[i]
			in := &g.E[t.k]
			if !t.joined {
				in[besideEnd] = 0
			}
			x := adds + deeper*t.h[besideOwn]
			for j, h := range t.h {
				x -= h * in[j]
			}
			if !s.Open {
				for j, g := range t.gain {
					in[j] += g * x
				}
			}
			in[besideEnd] = t.toS / t.variance() * x
			e += x / float64(len(others))
		}
		return e
	}
	carry := func(o *besideOnset) {
		for i := range o.Of {
			adds, _ := d.of(i)
			o.Of[i].Day.add(left(&o.Of[i], adds, 0), nu, v)
		}
	}
	s.Usual = pred / 24
	if s.Open {
		before := s.Begun.Of[s.Trouble].Day
		carry(&s.Begun)
		s.Back = s.Back.plus(s.Begun.Of[s.Trouble].Day).plus(mark{-before.D, -before.J})
		w.besideFollow(y, now)
		return
	}
	s.Depth.Day.add(left(&s.Depth, 0, 1), nu, v)
	if s.Home == 0 {
		s.Home = d.Level
	}
	o := besideOnset{From: d.From, Home: s.Home}
	s.Home += (d.Level - s.Home) / 3
	x.carry(&o, d)
	for i := range s.Slopes {
		carryFills(&o.Slope, &s.Slopes[i])
	}
	s.Onsets = append(s.Onsets, o)
	s.Onsets = slices.DeleteFunc(s.Onsets, func(o besideOnset) bool { return d.From-o.From > besideKept })
	for i := range s.Onsets {
		carry(&s.Onsets[i])
	}
	w.besideRaise(y, known, now)
}

// besideWide is the variance that the other bays' days have shown over what is stated, from as many days as the
// statement is worth and those seen, and their number. A bay's own trouble makes its noise no larger; bays that are
// set beside each other share half of it.
func (w *Watch) besideWide(y *bay) (wide, known float64) {
	z2, n := 0.0, 0.0
	for _, o := range w.bays {
		if o != y {
			z2, n = z2+o.st.Beside.Z2/2, n+o.st.Beside.N/2
		}
	}
	return (leastKnown + z2) / (leastKnown + n), leastKnown + n
}

// besideRaise asks whether something is wrong.
func (w *Watch) besideRaise(y *bay, known float64, now int64) {
	s := &y.st.Beside
	for _, way := range [2]float64{1, -1} {
		best, trouble, says := s.likeliest(way, known)
		days := len(s.Onsets) - best
		if best < 0 || days < besideDays || says < w.budget.daily {
			continue
		}
		o := &s.Onsets[best]
		g := o.sig(trouble, s.Wide)
		size, u := g.D/g.J, 1/math.Sqrt(g.J)
		// It goes on: the newer half of the days shows it by itself.
		if late := s.Onsets[len(s.Onsets)-max(1, days/2)].sig(trouble, s.Wide); math.Abs(size) < 2*u || late.llr(size/2) < 1 {
			continue
		}
		if g.D*g.D/(2*g.J)-max(s.depth(), s.elsewhere(o, trouble)) < w.budget.odds {
			continue
		}
		s.Open, s.Since, s.Seen, s.Trouble, s.First = true, o.From, now, trouble, size
		s.Back, s.Begun = mark{}, *o
		s.NotMeter, s.MeterAlone, s.MeterBetter = false, false, false
		s.measure()
		w.besideName(y)
		return
	}
}

// likeliest is the dawn at which a loss (way 1) or gain (-1) is most likely to have begun, below 0 for none, as which
// trouble, and the logarithm of the sum over all dawns and the mean over troubles and sizes.
func (s *besideState) likeliest(way, known float64) (best, trouble int, says float64) {
	best, most, total := -1, 0.0, 0.0
	for i := range s.Onsets {
		for k := range besideTroubles {
			g := s.Onsets[i].sig(k, s.Wide)
			for _, z := range besideSizes[k] {
				total += math.Exp(min(600, heavy(g.llr(way*z), known)))
			}
			if g.J > 0 && g.D*way > 0 && g.D*g.D/g.J > most {
				best, trouble, most = i, k, g.D*g.D/g.J
			}
		}
	}
	return best, trouble, math.Log(total / float64(besideTroubles*len(besideSizes[0])))
}

// depth is how well a level that has moved explains the days: the nearer the water the more evaporates.
func (s *besideState) depth() float64 {
	g := s.Depth.Day.over(s.Wide)
	return sq(max(0, g.D)) / (2 * (g.J + 1/sq(besideSteep)))
}

// elsewhere is how well it explains an onset that the bay has come to live higher or lower since: what a few days at
// a new level show of that is not to be had from all the days before, at levels that were nearly one. There a litre
// lifts the level by more or less as well.
func (s *besideState) elsewhere(o *besideOnset, trouble int) (says float64) {
	up := s.Home - o.Home
	if up -= max(-besideBand, min(besideBand, up)); up == 0 {
		return 0
	}
	for i, usual := range [besideTroubles]float64{besideMeter: 1, besideRate: s.Usual} {
		if g := o.Of[i].Day.over(s.Wide); g.D*up > 0 {
			says = max(says, g.D*g.D/(2*(g.J+1/sq(besideMoved*up*usual))))
		}
	}
	if trouble == besideMeter && o.Slope.J > 0 {
		says += o.Slope.D * o.Slope.D / (2 * o.Slope.J)
	}
	return says
}

// measure takes size and likelihood of what is open from its signature.
func (s *besideState) measure() {
	g := s.Begun.sig(s.Trouble, s.Wide)
	s.Share, s.U = s.share(g, s.Trouble)
	s.LLR = g.D * g.D / (2 * g.J)
}

// share is what a signature says as a share of what was let in, or of the day's usual loss, with its standard
// uncertainty.
func (s *besideState) share(g mark, trouble int) (share, u float64) {
	size, u := g.D/g.J, 1/math.Sqrt(g.J)
	if trouble == besideRate {
		return size / max(s.Usual, 0.1), u / max(s.Usual, 0.1)
	}
	counted := min(size, 0.9) // a share of what was counted
	return counted / (1 - counted), u / sq(1-counted)
}

// besideName takes away causes: a meter's share shows in what a litre lifts the level by, on days on which much is let
// in and little by nights without a fill; what leaks, weeps or drifts shows in neither's litre, and by night as by day.
func (w *Watch) besideName(y *bay) {
	s := &y.st.Beside
	o := &s.Begun
	llr := func(trouble int) float64 {
		g := o.sig(trouble, s.Wide).plus(o.Of[trouble].Night)
		if g.J <= 0 || g.D*s.First <= 0 {
			return 0
		}
		return g.D * g.D / (2 * g.J)
	}
	meter := llr(besideMeter) - llr(besideRate)
	s.MeterBetter = meter > 0
	s.NotMeter = !s.MeterAlone && (s.NotMeter || meter <= -w.budget.odds)
	s.MeterAlone = !s.NotMeter && (s.MeterAlone || meter >= w.budget.odds)
}

// besideFollow keeps the size current and closes the finding when days have shown, for as long as it took to be
// seen, that less than half of it is there.
func (w *Watch) besideFollow(y *bay, now int64) {
	s := &y.st.Beside
	s.measure()
	if s.Back.llr(s.First/2) > 0 {
		s.Back = mark{}
	}
	w.besideName(y)
	took := min(max(s.Seen-s.Since, besideDays*day), 7*day)
	back := s.Back.over(s.Wide)
	if now-s.Seen >= took && back.llr(s.First/2) < -w.budget.odds || s.Share*s.First <= 0 {
		s.Open, s.Onsets = false, s.Onsets[:0]
	}
}

// sayBeside tells what the days beside the other bays' have shown, unless the bank tells of the bay.
func (w *Watch) sayBeside(y *bay) {
	s := &y.st.Beside
	if !s.Open || y.st.Bank.Open != "" {
		return
	}
	n := site.NewFinding(site.UnexplainedLoss, y.b.ID, "", at(s.Since))
	bucket := site.Say("Run a bucket of known size through the meter; if it counts it rightly, dip the chamber.")
	switch {
	case s.MeterAlone || s.Share < 0 && s.MeterBetter && !s.NotMeter:
		n.Kind, n.OrKind, n.WouldDecide = site.MeterFault, site.LevelSensorFault, bucket
		if y.meter != nil {
			n.Subject = y.meter.ID
		}
	case s.Share < 0:
		n.Kind, n.OrKind = site.ValveWeeping, site.LevelSensorFault
		n.WouldDecide = site.Say("Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the rise stops it is the valve, and if the sensor rises while the dips hold, the sensor.", y.name())
	case s.NotMeter:
		n.Kind, n.OrKind = site.Leak, site.LevelSensorFault
		n.WouldDecide = site.Say("Shut the hand valve of bay %s tonight and dip its chamber in the evening and the morning: if the dips fall as the sensor does it is the liner, and if they hold, the sensor.", y.name())
	default:
		n.WouldDecide = y.decides(byMeter | byDrift)
	}
	if n.Kind != site.MeterFault {
		n.RateM3S = math.Abs(s.Share) * s.Usual / 3.6e6
	}
	n.Confidence = 1 / (1 + math.Exp(-max(0, min(s.LLR-w.budget.daily+w.budget.odds, 30))))
	n.Because = site.Say("By the account bay %s has lost about %.0f %% (± %.0f %%) %s a day than the other bays' days let expect, since about %s.", y.name(), 100*math.Abs(s.Share), 200*s.U, moreOrLess(s.Share), w.when(s.Since))
	w.say(n)
}

// median is the middle of some numbers, which it sorts.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
