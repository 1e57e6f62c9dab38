package water

import (
	"math"
	"slices"
)

// spanState is the settled span under way, from which the storage curve's scale is learned: what
// the meter let in between two settled levels, less what the balance says was lost, against what
// the nominal curve puts between them. The regression is of the level on the metered water, since
// the meter is by far the surer of the two: so the level's noise cannot bend the slope.
type spanState struct {
	Open     bool
	V        float64 // L, nominal, at the settled level it began with
	In, Lost float64 // L since
	Mean     float64 // mm, mean level since the water last settled
	N        int
	Inverse  float64 // nominal over true storage, the slope that is learned
	P        float64 // its variance
	Spans    int
	// Weighted sums of this half day's spans: filled litres squared, and times the rise.
	XX, XY float64
	Taken  int
	At     float64 // mm, where the level lived when the slope was last learned; NaN never
	Own    scatter
	// The variance of Inverse, as the bay's own slopes have it, is Fixed and so many times Scattered as theirs is the site's.
	Fixed, Scattered float64
}

// Slope is what half a day's fills say of the storage against the meter: nominal over true
// storage, less what is learned, and its variance. A meter that counts too much by a share makes
// it smaller by that share of Inverse.
type Slope struct {
	Nu, S, Gain, Inverse float64
	Share                float64 // of unit mis-registration in Nu
}

// slopeOwn is how far half a day's slope lies beside the bay's own: a tenth, to begin with. Stone
// that has just drained takes less for the first millimetres than the curve says, by how far it
// had drained; chambers settle late. By how much of that, each bay shows (scatter).
const slopeOwn = 0.10

// mostSlopeZ2 is the square of the deviations that one slope counts for at most.
const mostSlopeZ2 = 9

// slopeTimes are the variances that a bay's slopes may have over the site's: a bay filled by hundreds of litres at
// a time has slopes within two per cent of each other, and the next one, filled by a millimetre, within twenty. Their
// mean, which is what holds before any, is one.
var slopeTimes = [...]float64{1.0 / 64, 1.0 / 16, 1.0 / 4, 1, 11.0 / 3}

// scatter is what successive slopes of a bay say of how far they lie apart by themselves: the logarithm of how likely
// each of slopeTimes makes them. A meter that begins to count wrongly puts one pair apart, and not those after it.
type scatter struct {
	Like        [len(slopeTimes)]float64
	Last, LastV float64 // the last slope and its variance by the ends of its fills; LastV 0: none, or from elsewhere
}

// shares is how likely each of slopeTimes is for the bay, from before, what was thought before its own slopes.
func (c *scatter) shares(before slopeShares) (all slopeShares) {
	best, sum := slices.Max(c.Like[:]), 0.0
	for i, l := range c.Like {
		all[i] = before[i] * math.Exp(l-best)
		sum += all[i]
	}
	for i := range all {
		all[i] /= sum
	}
	return all
}

// slopeShares is how likely each of slopeTimes is.
type slopeShares [len(slopeTimes)]float64

// times is the mean of the variances over the site's.
func (p *slopeShares) times() (mean float64) {
	for i, s := range p {
		mean += s * slopeTimes[i]
	}
	return mean
}

// slopesElsewhere is how likely the scatters are of a bay like the site's others, each of which counts as one draw
// beside one of any.
func (l *Ledger) slopesElsewhere(i int) (p slopeShares) {
	for k := range p {
		p[k] = 1.0 / float64(len(p))
	}
	any := p
	for j, y := range l.bays {
		if j == i {
			continue
		}
		for k, s := range y.st.Span.Own.shares(any) {
			p[k] += s
		}
	}
	return p
}

// see takes a slope, whose variance is ends by its fills' ends and site by the site's scatter. One far out of line
// says little, as of Student's distribution in scatterTail degrees of freedom. A slope is in two pairs, whose
// differences say as much as two thirds of them would that had none in common.
func (c *scatter) see(z, ends, site float64) {
	const scatterTail, apart = 8.0, 2.0 / 3
	if c.LastV > 0 {
		for i, t := range slopeTimes {
			v := ends + c.LastV + 2*t*site
			c.Like[i] -= apart * (math.Log(v)/2 + (scatterTail+1)/2*math.Log1p(sq(z-c.Last)/((scatterTail-2)*v)))
		}
	}
	c.Last, c.LastV = z, ends
}

// takeSlope learns the storage from the spans since it was last called.
func (y *bay) takeSlope(pace *pace, before slopeShares) {
	p := &y.st.Span
	if p.XX <= 0 {
		return
	}
	z, ends, site := p.XY/p.XX, 1/p.XX, sq(pace.Q[ofSlopes]*slopeOwn*p.Inverse)
	h := y.st.Rest.Mean
	if a := y.st.Now; a.M.T > 0 {
		h = a.H
	}
	if !math.IsNaN(p.At) {
		// Held elsewhere, the bay shows another stretch of its curve.
		if d := math.Abs(h - p.At); d > 4 {
			moved := sq(shapeMM * min(d, 15) * p.Inverse)
			p.P, p.Fixed = p.P+moved, p.Fixed+moved
			p.At, p.Own.LastV = h, 0
		}
	} else {
		p.At = h
	}
	// The slope is learned by the site's scatter, so that one that has truly changed is followed, and judged by the
	// bay's own.
	likely := p.Own.shares(before)
	v, times := ends+site, likely.times()
	s := Slope{Nu: z - p.Inverse, Inverse: p.Inverse, Share: -p.Inverse}
	s.S = max(p.Fixed+ends+times*(p.Scattered+site), sq(s.Nu)/mostSlopeZ2)
	s.Gain = p.P / (p.P + v)
	z2 := sq(s.Nu) / (p.P + v)
	if z2 > 9 {
		s.Gain *= 9 / z2
	}
	if y.st.LearnHold {
		s.Gain = 0
	} else {
		p.Own.see(z, ends, site)
		if p.Taken >= 2 {
			pace.learn(ofSlopes, z2)
		}
	}
	p.Taken++
	p.Inverse += s.Gain * s.Nu
	p.P = p.P*sq(1-s.Gain) + sq(s.Gain)*v + sq(0.003)
	p.Fixed = p.Fixed*sq(1-s.Gain) + sq(s.Gain)*ends + sq(0.003)
	p.Scattered = p.Scattered*sq(1-s.Gain) + sq(s.Gain)*site
	p.Inverse = max(0.4, min(2.5, p.Inverse))
	p.XX, p.XY = 0, 0
	y.slopes = append(y.slopes, s)
}

// prior is what is known of the storage before any fill.
func (p *spanState) prior() { p.Inverse, p.P, p.Fixed, p.At = 1, sq(0.30), sq(0.30), math.NaN() }

// pause ends the span under way when learning begins to rest or, held false, to go on: then what fills have said
// meanwhile is forgotten, for it is not to be learned.
func (p *spanState) pause(held bool) {
	p.Open, p.N = false, 0
	if !held {
		p.XX, p.XY = 0, 0
	}
}

// Slopes returns what the i-th bay's fills said of its storage in the last Tick, oldest first.
func (l *Ledger) Slopes(i int) []Slope { return l.bays[i].slopes }

const (
	settleFor = 60 * minute // the least after which a chamber's lead is small beside a fill's rise
	spanMean  = 4           // strides averaged at a settled end
)

// settledSpan takes one stride. h is the mean level read, mm, lost what the balance let out of the
// bay without rain, L.
func (y *bay) settledSpan(s *step, h, lost float64, now int64) {
	st := &y.st
	p := &st.Span
	if p.P == 0 {
		p.prior()
	}
	if s.Rain > 0 || s.Poor || s.Out || st.Dry || st.Maintain > now || st.Soak > 0.2*y.b.AreaM2 || !y.metered || math.IsNaN(h) {
		p.Open, p.N = false, 0
		return
	}
	p.In += s.Metered
	p.Lost += lost
	// A level read too early stands too high, and the stone seems to hold less than it does.
	if st.Runs || now-st.RunT < max(settleFor, st.SettleMS) {
		p.N = 0
		return
	}
	if p.N == 0 {
		p.Mean = 0
	}
	p.N = min(p.N+1, spanMean)
	p.Mean += (h - p.Mean) / float64(p.N)
	if p.N < spanMean {
		return
	}
	v := volumeMM(y.curve, p.Mean)
	// Where much was lost meanwhile the span says more of the loss, whose error is the same in
	// every span of a day; such a span is left out.
	if p.Open && p.In > 0 && math.Abs(p.Lost) < 0.3*p.In {
		x, dv := p.In-p.Lost, v-p.V
		slope := slopeMM(y.curve, p.Mean)
		// Two settled levels, each with its noise and what has not quite settled; a quarter of what was
		// lost meanwhile.
		r := 2*sq(slope)*(st.NoiseMM2/20+sq(passing)) + sq(0.25*p.Lost*p.Inverse)
		p.XX += x * x / r
		p.XY += x * dv / r
		p.Spans++
	}
	p.Open, p.V, p.In, p.Lost = true, v, 0, 0
}

// curveScale is true over nominal storage as the settled spans have it, with its standard
// uncertainty. Accounts and what is told to people go by it. The filter has an effective scale of
// its own, which also takes up what the chamber's fades do not follow by day, and which errs high
// for that: both the level expected and the level read err in its direction.
func (y *bay) curveScale() (scale, u float64) {
	p := &y.st.Span
	if p.P == 0 {
		return 1, 0.30
	}
	return y.trueScale(), math.Hypot(math.Sqrt(p.P)/sq(p.Inverse), 0.02)
}

// trueScale is curveScale's scale alone.
func (y *bay) trueScale() float64 {
	if y.st.Span.P == 0 {
		return 1
	}
	return 1 / y.st.Span.Inverse
}

// astray says that the filter has lost its way: even at the upper end of what it is unsure of its scale lies under
// half of the lower end of what settled spans measured. Where a hot day has a fill every hour, a bay of a third of
// its water that evaporates a third explains the level as well, and each bears the other out: whatever a fill then
// brings too much is taken for a slip of the level.
func (y *bay) astray() bool {
	scale, u := y.curveScale()
	f := &y.st.F
	return y.st.Span.Taken > 0 && f.X[sScale]+2*math.Sqrt(f.P[sScale][sScale]) < (scale-2*u)/2
}

// findTheWay begins the filter of a bay that stands settled at mm anew, with the scale that its spans have measured.
func (y *bay) findTheWay(mm float64) {
	f := &y.st.F
	scale, u := y.curveScale()
	hold := f.Hold
	f.prior(y.b.AreaM2, slopeMM(y.curve, mm))
	f.X[sScale], f.P[sScale][sScale] = scale, u*u
	f.Ref, f.H, f.Hold = mm, mm, hold
	f.P[sW][sW] = sq(2 * f.slope(y.curve, mm))
	y.st.RScale, y.st.ZN = 1, 0
	y.st.Cum.Spoils++
}

// heldL is the water, L, between two levels in mm by the learned curve, with its standard
// uncertainty: the scale's, and a sixth of the difference beyond ten millimetres, where the shape
// is the nominal one.
func (y *bay) heldL(low, high float64) (litres, u float64) {
	scale, us := y.curveScale()
	v := volumeMM(y.curve, high) - volumeMM(y.curve, low)
	shape := 0.0
	if d := math.Abs(high - low); d > 10 {
		shape = 0.15 * scale * v * (d - 10) / d
	}
	return scale * v, math.Hypot(us*v, shape)
}

// heldMarks is heldL between the levels of two marks. Where stone is known to drain otherwise than it
// fills, the scale learned in the small, from fills, is that of a turn, and a long way may hold far
// more: the shape is then as unsure as in windows (closed), beside the branches.
func (y *bay) heldMarks(a, b *mark) (litres, u float64) {
	if y.curve.gap == nil {
		return y.heldL(a.H, b.H)
	}
	scale, us := y.curveScale()
	v := volumeMM(y.curve, b.H) - volumeMM(y.curve, a.H)
	shape := min(0.4, shapeMM*math.Abs(b.H-a.H))
	return scale * v, Combined(Term{"scale", us * v}, Term{"shape", shape * scale * v}, Term{"branches", 1000 * scale * y.curve.branchU(a.H/1000, b.H/1000)})
}
