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
// readily. The middle of what they say is expected of the day, and a loss or gain that began at some dawn
// leaves its signature on the surprises, as in the bank. That shows what is small and stays, which days and
// nights by themselves do not show beside what they are stated to be unsure of: a meter that counts a tenth
// too much, a level that drifts by a millimetre a day.
const (
	besideMost  = 5 // how many others a bay is set beside: the next ones in the site file
	besideLeast = 3 // and how many of them must show a day
	besideFirst = 5 // days in common before anything is expected
	// besideScatter is how far a day's loss lies beside what another bay's lets expect, a share of it and the
	// part of each of the two: to begin with, the site's own days show it (wide).
	besideScatter = 0.03
	// besideWanders is by how much the two come apart in a day for good, a share (one standard deviation): the
	// part of a factor's wandering that bays do not share (water).
	besideWanders = 0.003
	// besideLevel and besideSlope are what is known of the relation before any day, shares of the usual loss and
	// of the first days' ratio.
	besideLevel, besideSlope = 0.20, 0.35
	// besideRain is the share of a day's rain that one bay keeps or sheds unlike the others, besideHand that of
	// what is put on by hand.
	besideRain, besideHand = 0.18, 0.20
	// besideMM is by how much evaporation may differ for each millimetre the level stands off its home, and
	// besideDepth by how much over the 30 mm after which that is as good as unknown, shares; homeRate is the share
	// of a move by which the home follows in a day, homeMM what a band makes of one day to the next.
	besideMM, besideDepth, besideOver = 0.2 / 30, 0.2, 30.0
	homeRate, homeMM                  = 0.2, 2.0
	// besideDays is the fewest days a trouble must have shown in. A day counts for three deviations at most, so
	// that a hose nobody recorded and the day after it are not enough.
	besideDays = 3
	mostDayZ2  = 9
	// besideKept is for how long a dawn is kept as one at which something may have begun.
	besideKept = 40 * day
	// nightOff is how far a night's loss lies beside the bay's habit, mm/h, alike over nightAlike hours, and nightMoves
	// by how much that habit wanders in a day, mm/h (water).
	nightOff, nightAlike, nightMoves = 0.010, 4.0, 0.0005
)

// besideShares are the shares of a day's loss over which the test averages, each way.
var besideShares = [...]float64{0.05, 0.1, 0.2, 0.4}

// wholeDay is what a bay lost from one dawn to the next, as of 24 hours.
type wholeDay struct {
	From, To          int64   // To 0: there is none
	Loss, Var         float64 // Var but for the ends
	FromU, ToU, Scale float64 // L, of the water held at its ends, and 24 hours over the day's length
	Level, Far        float64 // mm; the variance that its level off its home makes, a share squared
	Night, NightS     float64 // L/h and its variance
}

// besideState is what is kept of a bay set beside others.
type besideState struct {
	Day    water.Window // the day's part of the whole day under way; To 0 for none
	Home   float64      // mm, where its level lives; NaN at first
	Moved  float64      // by how much that has made its relations unsure, a share squared, in all
	With   [besideMost]relation
	Night  nightHabit
	Slopes []water.Slope // of the fills since dawn
	Onsets []besideOnset
	// Z2 is the sum of the squares of the surprises over their variances, of N days.
	Z2, N float64

	Open        bool
	Since, Seen int64
	Share, U    float64
	First, LLR  float64
	Usual       float64 // L/h, what the bay would lose
	Sig, Back   mark
	Begun       besideOnset // the onset it was found at, whose errors stay as long as nothing is learned
	NotMeter    bool        // the meter has been excluded
	MeterAlone  bool        // all but the meter has
	MeterBetter bool        // the meter is likelier than what is constant
}

func (s *besideState) init() { *s = besideState{Home: math.NaN()} }

// mark is the signature of a trouble of unit size on one row of surprises.
type mark struct{ D, J float64 }

func (m *mark) add(e, nu, s float64)     { m.D, m.J = m.D+e*nu/s, m.J+e*e/s }
func (m *mark) llr(size float64) float64 { return size*m.D - size*size*m.J/2 }

// besideOnset is a dawn at which a trouble may have begun.
type besideOnset struct {
	From  int64
	E     [besideMost][besideStates]float64 // the error of unit share it has put into each relation
	Sig   mark
	EN    float64 // that of a litre an hour into the habit of the nights
	Night mark
	Slope water.Signature // of a meter's share, in the slopes of its fills
}

// The states of a relation. What a day's end is read too high or too low by is missing from the next day, so that
// over weeks it does not add up.
const (
	besideConst = iota // L
	besideTimes
	besideEnd // error of the water held at the last day's end, L
	besideStates
)

// relation is how a bay's days stand to those of one other.
type relation struct {
	First []pairOfDays // until they are enough to begin with
	X     [besideStates]float64
	P     [besideStates][besideStates]float64
	At    int64   // the end of the day learned last; 0 until begun
	Moved float64 // of both, when last seen
}

type pairOfDays struct{ Own, Other wholeDay }

// expectation is what one other bay lets expect of a day.
type expectation struct {
	k                  int // which
	nu, pred           float64
	known, own, others float64 // variances
	joined             bool    // it follows on the last day
	toS                float64 // L2, how the end's error goes with the day's loss
	h, ph, gain        [besideStates]float64
}

// begin takes one of the first days, and begins when there are enough: those nearest to the middle ratio first, so
// that a hose on the first day does not become the habit.
func (r *relation) begin(own, other *wholeDay, moved float64) {
	r.First = append(r.First, pairOfDays{*own, *other})
	if len(r.First) < besideFirst {
		return
	}
	ratio := func(p *pairOfDays) float64 { return p.Own.Loss / p.Other.Loss }
	var ratios, losses []float64
	for i := range r.First {
		ratios, losses = append(ratios, ratio(&r.First[i])), append(losses, r.First[i].Own.Loss)
	}
	slices.Sort(ratios)
	slices.Sort(losses)
	mid := ratios[len(ratios)/2]
	r.X = [besideStates]float64{besideTimes: mid}
	r.P[besideConst][besideConst], r.P[besideTimes][besideTimes] = sq(besideLevel*losses[len(losses)/2]), sq(besideSlope*mid)
	r.Moved = moved
	off := func(p *pairOfDays) float64 { return math.Abs(math.Log(ratio(p) / mid)) }
	for i := range r.First {
		ratios[i] = off(&r.First[i])
	}
	usual := median(ratios)
	for _, last := range [2]bool{false, true} {
		for i := range r.First {
			if p := &r.First[i]; off(p) > usual == last {
				t := r.look(&p.Own, &p.Other)
				r.learn(&t, p.Own.To, false)
			}
		}
	}
	r.First = nil
}

// age makes the relation as unsure as the time since it was last seen, and the moves of both levels, ask for.
func (r *relation) age(now int64, moved float64) {
	r.P[besideTimes][besideTimes] += sq(r.X[besideTimes]) * (sq(besideWanders)*float64(now-r.At)/float64(day) + moved - r.Moved)
	r.Moved = moved
}

// look sets a day against the other bay's.
func (r *relation) look(own, other *wholeDay) (t expectation) {
	if t.joined = own.From == r.At; !t.joined {
		for i := range r.P {
			r.P[i][besideEnd], r.P[besideEnd][i] = 0, 0
		}
		r.X[besideEnd], r.P[besideEnd][besideEnd] = 0, sq(own.FromU)
	}
	t.h = [besideStates]float64{1, other.Loss, own.Scale}
	t.pred = r.X[besideConst] + r.X[besideTimes]*other.Loss
	t.nu = own.Loss - t.pred - t.h[besideEnd]*r.X[besideEnd]
	t.own = own.Var + sq(own.Scale*own.ToU) + (sq(besideScatter)+own.Far)*sq(t.pred)
	t.others = sq(r.X[besideTimes])*(other.Var+sq(other.Scale)*(sq(other.FromU)+sq(other.ToU))) + (sq(besideScatter)+other.Far)*sq(t.pred)
	for i := range t.ph {
		for j, h := range t.h {
			t.ph[i] += r.P[i][j] * h
		}
		t.known += t.h[i] * t.ph[i]
	}
	s := t.variance()
	for i := range t.gain {
		t.gain[i] = t.ph[i] / s
	}
	t.toS = -own.Scale * sq(own.ToU)
	return t
}

// variance is that of the day's surprise, or as much as makes it three deviations.
func (t *expectation) variance() float64 {
	return max(t.known+t.own+t.others, sq(t.nu)/mostDayZ2)
}

// learn takes the day that ends at to into the relation, unless that is held, and its end's error for that of the
// next day's start.
func (r *relation) learn(t *expectation, to int64, hold bool) {
	s, toU2 := t.variance(), -t.toS/t.h[besideEnd]
	if !hold {
		for i := range t.gain {
			r.X[i] += t.gain[i] * t.nu
			for j := range t.gain {
				r.P[i][j] -= t.gain[i] * t.gain[j] * s
			}
		}
	}
	r.X[besideEnd] = t.toS / s * t.nu
	for i := range t.gain {
		r.P[i][besideEnd] = -t.gain[i] * t.toS
		r.P[besideEnd][i] = r.P[i][besideEnd]
	}
	r.P[besideEnd][besideEnd] = toU2 - sq(t.toS)/s
	r.At = to
}

// nightHabit is what a bay loses by night, L/h, and how well that is known.
type nightHabit struct {
	X, P float64
	At   int64
}

// night is a night set against its habit: what it lost beyond that, L/h, the variance, and what of it is learned.
type night struct{ nu, s, gain float64 }

// see sets a night against the habit and learns it, unless that is held. The first says nothing.
func (n *nightHabit) see(d *wholeDay, area float64, hold bool) (x night) {
	if n.At == 0 {
		*n = nightHabit{X: d.Night, P: d.NightS, At: d.To}
		return night{s: math.Inf(1)}
	}
	n.P += sq(nightMoves*area) * float64(d.To-n.At) / float64(day)
	n.At = d.To
	x.nu = d.Night - n.X
	x.s = max(n.P+d.NightS, sq(x.nu)/mostDayZ2)
	if !hold {
		x.gain = n.P / x.s
	}
	n.X += x.gain * x.nu
	n.P *= 1 - x.gain
	return x
}

// carry takes an onset's signature of a steady loss through the night.
func (x night) carry(o *besideOnset) {
	e := 1 - o.EN
	o.EN += x.gain * e
	o.Night.add(e, x.nu, x.s)
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
	if h < 20 || h > 28 || loss <= 0 {
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
	d.Night = b.Loss / b.Hours
	d.NightS = (sq(b.FromU)+sq(b.ToU)+stated(b.Rel, b.Held, b))/sq(b.Hours) + sq(nightOff*y.b.AreaM2)*min(1, 2*nightAlike/b.Hours)
	s := &y.st.Beside
	if math.IsNaN(s.Home) {
		s.Home = d.Level
	}
	off := math.Abs(d.Level - s.Home)
	d.Far = sq(besideMM * max(0, off-homeMM))
	if off > 2*homeMM {
		s.Moved += sq(besideDepth) * homeRate * (off - homeMM) / besideOver
	}
	s.Home += homeRate * (d.Level - s.Home)
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
		s, slopes := &y.st.Beside, w.l.Slopes(y.i)
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
		r, moved := &s.With[k], s.Moved+o.st.Beside.Moved
		if r.At == 0 {
			if !s.Open {
				r.begin(d, &o.whole, moved)
			}
			continue
		}
		r.age(d.To, moved)
		all[n] = r.look(d, &o.whole)
		all[n].k = k
		n++
	}
	others := all[:n]
	if n < besideLeast {
		return
	}
	hold := s.Open
	w.besideTest(y, others, now)
	for i := range others {
		s.With[others[i].k].learn(&others[i], d.To, hold)
	}
}

// besideTest carries the signatures through a day and asks whether a trouble holds.
func (w *Watch) besideTest(y *bay, others []expectation, now int64) {
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
	v = max(v*wide, sq(nu)/mostDayZ2)
	// A share of the day, less the errors it has put into the relations; they stay while nothing is learned.
	left := func(o *besideOnset) (e float64) {
		for i := range others {
			t := &others[i]
			in := &o.E[t.k]
			if !t.joined {
				in[besideEnd] = 0
			}
			x := pred
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
	night := s.Night.see(d, y.b.AreaM2, s.Open)
	if s.Open {
		e := left(&s.Begun)
		s.Sig.add(e, nu, v)
		s.Back.add(e, nu, v)
		night.carry(&s.Begun)
		s.Usual = pred / 24
		w.besideFollow(y, now)
	} else {
		o := besideOnset{From: d.From}
		for i := range s.Slopes {
			carryFills(&o.Slope, &s.Slopes[i])
		}
		s.Onsets = append(s.Onsets, o)
		s.Onsets = slices.DeleteFunc(s.Onsets, func(o besideOnset) bool { return d.From-o.From > besideKept })
		for i := range s.Onsets {
			o := &s.Onsets[i]
			o.Sig.add(left(o), nu, v)
			night.carry(o)
		}
		w.besideRaise(y, pred, known, now)
	}
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
func (w *Watch) besideRaise(y *bay, pred, known float64, now int64) {
	s := &y.st.Beside
	for _, way := range [2]float64{1, -1} {
		best, says := s.likeliest(way, known)
		days := len(s.Onsets) - best
		if best < 0 || days < besideDays {
			continue
		}
		o := &s.Onsets[best]
		share, u := o.Sig.D/o.Sig.J, 1/math.Sqrt(o.Sig.J)
		// Half of what is looked for is a meter, whose fills show it too: they count for as much as names a cause.
		if says+max(0, min(w.budget.odds, o.Slope.LLR(share))-math.Ln2) < w.budget.daily {
			continue
		}
		// It goes on: the newer half of the days shows it by itself.
		if late := &s.Onsets[len(s.Onsets)-max(1, days/2)]; math.Abs(share) < 2*u || late.Sig.llr(share/2) < 1 {
			continue
		}
		s.Open, s.Since, s.Seen, s.Share, s.First, s.U, s.LLR = true, o.From, now, share, share, u, o.Sig.llr(share)
		s.Sig, s.Back, s.Begun, s.Usual = o.Sig, mark{}, *o, pred/24
		s.NotMeter, s.MeterAlone, s.MeterBetter = false, false, false
		w.besideName(y)
		return
	}
}

// likeliest is the dawn at which a loss (way 1) or gain (-1) is most likely to have begun, below 0 for none, and the
// logarithm of the sum over all dawns and the mean over shares.
func (s *besideState) likeliest(way, known float64) (best int, says float64) {
	best, most, total := -1, 0.0, 0.0
	for i := range s.Onsets {
		g := &s.Onsets[i].Sig
		for _, z := range besideShares {
			total += math.Exp(min(600, heavy(g.llr(way*z), known)))
		}
		if g.J > 0 && g.D*way > 0 && g.D*g.D/g.J > most {
			best, most = i, g.D*g.D/g.J
		}
	}
	return best, math.Log(total / float64(len(besideShares)))
}

// besideName takes away causes: a meter's share shows in what a litre lifts the level by, and little by night; what
// leaks, weeps or drifts shows in neither's litre, and by night as by day.
func (w *Watch) besideName(y *bay) {
	s := &y.st.Beside
	meter := s.Begun.Night.llr(s.Share*s.Night.X) - s.Begun.Night.llr(s.Share*s.Usual)
	meter += s.Begun.Slope.LLR(s.Share)
	s.MeterBetter = meter > 0
	s.NotMeter = !s.MeterAlone && (s.NotMeter || meter <= -w.budget.odds)
	s.MeterAlone = !s.NotMeter && (s.MeterAlone || meter >= w.budget.odds)
}

// besideFollow keeps the size current and closes the finding when days have shown, for as long as it took to be
// seen, that less than half of it is there.
func (w *Watch) besideFollow(y *bay, now int64) {
	s := &y.st.Beside
	s.Share, s.U, s.LLR = s.Sig.D/s.Sig.J, 1/math.Sqrt(s.Sig.J), s.Sig.D*s.Sig.D/(2*s.Sig.J)
	if s.Back.llr(s.First/2) > 0 {
		s.Back = mark{}
	}
	w.besideName(y)
	took := min(max(s.Seen-s.Since, besideDays*day), 7*day)
	if now-s.Seen >= took && s.Back.llr(s.First/2) < -w.budget.odds || s.Share*s.First <= 0 {
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
