package water

import "math"

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
}

const (
	settleFor = 60 * minute // after which a chamber's lead is small beside a fill's rise
	spanMean  = 4           // strides averaged at a settled end
)

// settledSpan takes one stride. h is the mean level read, mm, lost what the balance let out of the
// bay without rain, L.
func (y *bay) settledSpan(s *step, h, lost float64, now int64) {
	st := &y.st
	p := &st.Span
	if p.P == 0 {
		p.Inverse, p.P = 1, sq(0.30)
	}
	if s.Rain > 0 || s.Poor || s.Out || st.F.Hold || st.Soak > 0.2*y.b.AreaM2 || !y.metered || h != h {
		p.Open, p.N = false, 0
		return
	}
	p.In += s.Metered
	p.Lost += lost
	if st.Runs || now-st.RunT < settleFor {
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
		// Two settled levels, each with its noise and a tenth of a millimetre of what has not
		// quite settled; a quarter of what was lost meanwhile.
		r := 2*sq(slope)*(st.NoiseMM2/20+sq(0.1)) + sq(0.25*p.Lost*p.Inverse)
		k := p.P * x / (p.P*x*x + r)
		p.Inverse += k * (dv - p.Inverse*x)
		p.P = p.P*(1-k*x) + sq(0.002)
		p.Inverse = max(0.4, min(2.5, p.Inverse))
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
	return 1 / p.Inverse, math.Hypot(math.Sqrt(p.P)/sq(p.Inverse), 0.02)
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
