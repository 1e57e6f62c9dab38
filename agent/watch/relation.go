package watch

import (
	"math"
	"slices"
)

// The states of a relation. What a day's end is read too high or too low by is missing from the next day, so that
// over weeks it does not add up.
const (
	besideConst = iota // L
	besideTimes
	besideOwn    // what a millimetre above its level then adds, a share
	besideTheirs // and what one of the other bay's does, with a minus
	besideHeld   // by how much the storage is wrong: what drains is lost too little by it, and what fills, a share
	besideEnd    // error of the water held at the last day's end, L
	besideStates
)

// relation is how a bay's days stand to those of one other.
type relation struct {
	First []pairOfDays // until they are enough to begin with
	X     [besideStates]float64
	P     [besideStates][besideStates]float64
	At    int64      // the end of the day learned last; 0 until begun
	Level [2]float64 // mm, where the bay's and the other's level were when it began
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
func (r *relation) begin(own, other *wholeDay) {
	r.First = append(r.First, pairOfDays{*own, *other})
	if len(r.First) < besideFirst {
		return
	}
	ratio := func(p *pairOfDays) float64 { return p.Own.Loss / p.Other.Loss }
	var ratios, losses, levels, theirs []float64
	for i := range r.First {
		p := &r.First[i]
		ratios, losses = append(ratios, ratio(p)), append(losses, p.Own.Loss)
		levels, theirs = append(levels, p.Own.Level), append(theirs, p.Other.Level)
	}
	slices.Sort(ratios)
	slices.Sort(losses)
	mid := ratios[len(ratios)/2]
	r.X = [besideStates]float64{besideTimes: mid}
	r.P[besideConst][besideConst], r.P[besideTimes][besideTimes] = sq(besideLevel*losses[len(losses)/2]), sq(besideSlope*mid)
	r.P[besideOwn][besideOwn], r.P[besideTheirs][besideTheirs] = sq(besideMM), sq(besideMM)
	r.P[besideHeld][besideHeld] = sq(besideStorage)
	r.Level = [2]float64{median(levels), median(theirs)}
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

// age makes the relation as unsure as the time since it was last seen asks for.
func (r *relation) age(now int64) {
	r.P[besideTimes][besideTimes] += sq(besideWanders*r.X[besideTimes]) * float64(now-r.At) / float64(day)
}

// look sets a day against the other bay's.
func (r *relation) look(own, other *wholeDay) (t expectation) {
	if t.joined = own.From == r.At; !t.joined {
		for i := range r.P {
			r.P[i][besideEnd], r.P[besideEnd][i] = 0, 0
		}
		r.X[besideEnd], r.P[besideEnd][besideEnd] = 0, sq(own.FromU)
	}
	level := r.X[besideConst] + r.X[besideTimes]*other.Loss
	t.h = [besideStates]float64{1, other.Loss, (own.Level - r.Level[0]) * level, (other.Level - r.Level[1]) * level, own.Held / own.Loss * level, own.Scale}
	t.pred = level + t.h[besideOwn]*r.X[besideOwn] + t.h[besideTheirs]*r.X[besideTheirs]
	t.nu = own.Loss - t.pred - t.h[besideEnd]*r.X[besideEnd]
	t.own = own.Var + sq(own.Scale*own.ToU) + sq(besideScatter*t.pred)
	t.others = sq(r.X[besideTimes])*(other.Var+sq(other.Scale)*(sq(other.FromU)+sq(other.ToU))) + sq(besideScatter*t.pred)
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

// carry takes the signatures of an onset through the night.
func (x night) carry(o *besideOnset, d *wholeDay) {
	for i := range o.Of {
		g := &o.Of[i]
		_, e := d.of(i)
		e -= g.EN
		g.EN += x.gain * e
		g.Night.add(e, x.nu, x.s)
	}
}
