package water

import "math"

// anchor is a settled moment: where the account stood and the bay's level then. Between two of
// them a balance closes without any model of the chamber.
type anchor struct {
	M    mark
	H, V float64    // mm and mm2: mean settled level and its variance
	Bare float64    // mm2, that variance without what the lead is unsure of
	Used float64    // mm, how high the level has lived in the two days before
	Lead float64    // mm, how far the chamber was taken to lead
	X    [3]float64 // L, the fades that lead is made of
	Soak float64    // L of rain that may still have been on its way through the clay
	Warm float64    // degC, of the level sensor; NaN when nothing says
	Lags float64    // degC, how far it is behind the air
	Poor bool       // in the clay, where a level says little of water
}

// resting is the mean of the settled strides up to now.
type resting struct {
	N    int
	Mean float64 // mm, carried on by the loss expected
}

const (
	restMean   = 6 // strides in the mean of a settled level
	anchorKeep = 48
	anchorGap  = 15 * minute
	// passing is what a settled level is unsure of beyond its noise, mm: the last of the chamber's settling, what a
	// sensor wanders by in a day. Its answer to temperature is a state of the habit (aT) and not counted here again.
	passing = 0.15
)

// settleWait is how long after water ran the chamber's level is taken for the bay's: the learned
// settling time, at least half an hour and at most an hour and a half.
func (y *bay) settleWait() int64 {
	return max(30*minute, min(90*minute, int64(y.settleS()*1000)))
}

// rest takes a stride's mean level h (NaN for none) into the settled mean and keeps anchors. x are the
// chamber's fades when that was the level, late what of the metered water came in after it, and lost what
// the balance expected the bay to lose in the stride, L.
func (y *bay) rest(s *step, h float64, x [3]float64, late, lost float64, now int64) {
	st := &y.st
	r := &st.Rest
	none := math.IsNaN(h) || s.Slip || st.Overflowed || st.Dry || st.Maintain > now || s.Rain > 0
	// The lead is good to leadScatter, and to a twentieth of the fades it is made of.
	lead, uLead, gross := y.lead(x)
	uLead = math.Hypot(uLead, math.Hypot(leadScatter*lead, 0.05*gross))
	if none || st.Runs || now-st.RunT < st.SettleMS {
		if !math.IsNaN(h) || now-st.GoodLevelT > hour {
			r.N = 0
		}
	} else {
		if r.N > 0 {
			r.Mean -= lost / st.F.slope(y.curve, h)
		}
		r.N = min(r.N+1, restMean)
		r.Mean += (h - lead - r.Mean) / float64(r.N)
	}
	if none {
		return
	}
	// A bay that is filled again and again never settles. Its level less the chamber's modelled
	// lead is still an end of a balance, as good as uLead beside what the model errs
	// by alike at all times (closed sees to that), and less good while water runs or has just run.
	if st.Runs || now-st.RunT < strideMS {
		uLead = math.Hypot(uLead, math.Hypot(0.25*lead, 0.3))
	}
	a := anchor{M: st.Cum, H: h - lead, Used: st.HomeMM + 2*st.RoamMM, Bare: st.NoiseMM2/4 + sq(passing), Lead: lead, X: x, Soak: st.Soak, Warm: st.SensorC, Lags: st.SensorLagC, Poor: s.Poor}
	a.M.Metered -= late
	if r.N >= 3 {
		a.H, a.Bare, uLead = r.Mean, st.NoiseMM2/float64(4*r.N)+sq(passing), leadScatter*lead
	}
	if y.level.Unvented {
		a.Bare += 9 // ten millimetres of water for each hectopascal
	}
	a.V = a.Bare + uLead*uLead
	st.Loose = a
	if r.N >= 3 {
		st.Now = a
	}
	switch n := len(st.Anchors); {
	case n == 0 || now-st.Anchors[n-1].M.T >= anchorGap:
		if n == anchorKeep {
			st.Anchors = st.Anchors[:copy(st.Anchors, st.Anchors[1:])]
		}
		st.Anchors = append(st.Anchors, a)
	case a.V < st.Anchors[n-1].V && (n < 2 || now-st.Anchors[n-2].M.T < 2*anchorGap):
		st.Anchors[n-1] = a
	}
}

// Closed is the balance of a bay between two settled moments, litres and hours:
//
//	Loss = Metered + Hand + rain caught - Held
//
// is what left the bay, whatever the way. FromU and ToU are the standard uncertainties of the
// water held at the two ends, Rel that of the storage curve between them as a share of what was
// held, U that of all other parts but the
// weather's (passingVar).
type Closed struct {
	From, To                int64 // ms
	Hours, Dark             float64
	Metered, Hand, Rain, ET float64
	Wet                     float64 // of the day's evaporation, what falls due to the clay by its fade
	Over                    float64 // of the evaporation, what is beyond that of the same hours on the days before
	Late                    float64 // how much more reference evaporation clay that passes it on late would draw
	Held, Loss              float64
	Soaked                  float64 // of the rain that was on its way at the start, what has had time to arrive
	Level, Far              float64 // mm, between the two ends; how far from where the level lives
	FromU, ToU, Rel, U      float64
	// Lead is how much more water the chamber's lead beyond the bay is taken for at the end than at the start, L.
	Lead float64
	// Warmer is what the level reads too high at the end beside the start where it does so by a millimetre
	// for each degree its sensor is warmer, L, and WarmerU what of that the air's way to the sensor leaves unsure.
	Warmer, WarmerU float64
	// Led is how much more the bay holds than Held at most, by what its chamber is taken to lead at
	// the end beyond the start (leads), L; LedS less EndS, L2, what that changes of the variance, and
	// LedRel the curve's part of it.
	Led, LedS, EndS, LedRel float64
	// Spoilt is true when nothing can be said: the overflow ran, much rain fell, somebody worked
	// here, or nobody saw what came in.
	Spoilt bool
}

// closed makes the balance from anchor a to anchor b.
func (y *bay) closed(a, b *anchor) (c Closed) {
	y.amounts(&c, a, b)
	y.unsure(&c, a, b)
	return c
}

// amounts sets what went in, what is held and so what was lost from anchor a to anchor b; how sure that is,
// is added by unsure. Stretches are tried by the dozen, and nearly all are dropped for what they lost.
func (y *bay) amounts(c *Closed, a, b *anchor) {
	*c = Closed{From: a.M.T, To: b.M.T, Hours: float64(b.M.T-a.M.T) / 3.6e6, Dark: b.M.Dark - a.M.Dark,
		Metered: b.M.Metered - a.M.Metered, Hand: b.M.Hand - a.M.Hand, Rain: (b.M.Rain - a.M.Rain) / rainCatch,
		ET: b.M.ET - a.M.ET, Over: b.M.Over - a.M.Over, Wet: b.M.Wet[1] - a.M.Wet[1]}
	c.Late = b.M.Late - a.M.Late - c.ET
	scale := y.trueScale()
	dv := volumeMM(y.curve, b.H) - volumeMM(y.curve, a.H)
	c.Held, c.Level = scale*dv, (a.H+b.H)/2
	c.Loss = c.Metered + c.Hand + rainCatch*c.Rain - c.Held
	c.Lead = scale * (b.Lead*slopeMM(y.curve, b.H) - a.Lead*slopeMM(y.curve, a.H))
	if warmer := b.Warm - a.Warm; !math.IsNaN(warmer) {
		slope := scale * slopeMM(y.curve, c.Level)
		c.Warmer, c.WarmerU = slope*warmer, slope*(b.Lags-a.Lags)
	}
	c.Spoilt = !y.tells(&a.M, &b.M, mostRain)
}

// unsure adds to amounts how far they may be wrong.
func (y *bay) unsure(c *Closed, a, b *anchor) {
	scale, us := y.curveScale()
	c.Far, c.Soaked = y.far(c.Level, c.Dark > 0.9*c.Hours), max(0, a.Soak-b.Soak)
	c.FromU = scale * slopeMM(y.curve, a.H) * math.Sqrt(a.V)
	c.ToU = scale * slopeMM(y.curve, b.H) * math.Sqrt(b.V)
	poor := a.Poor || b.Poor
	q := 0.0
	if y.meter != nil && y.meter.PulseM3 > 0 {
		q = PulseU(y.meter.PulseM3 * 1000)
	}
	// A meter's own error is the same in all spans and is learned with the bay's habits; what
	// differs from fill to fill is half a percent.
	c.Rel = Combined(Term{"scale", us / scale}, Term{"shape", shapeU(b.H-a.H, b.H-a.Used, poor)})
	c.U = Combined(Term{"meter", 0.005 * c.Metered}, Term{"count", q},
		Term{"hand", 0.2 * c.Hand}, Term{"branches", 1000 * scale * y.curve.branchU(a.H/1000, b.H/1000)})
	if led, u := y.leads(a, b); led > 0 {
		c.Led = scale * (volumeMM(y.curve, b.H+led) - volumeMM(y.curve, b.H))
		c.LedRel = Combined(Term{"scale", us / scale}, Term{"shape", shapeU(b.H+led-a.H, b.H+led-a.Used, poor)})
		c.EndS = sq(c.FromU) + sq(c.ToU)
		c.LedS = sq(scale) * (sq(slopeMM(y.curve, a.H))*a.Bare + sq(slopeMM(y.curve, b.H+led))*(b.Bare+u*u))
	}
}

// leads is how far at most, mm, the bay stands at b above what the model of its chamber's lead has it,
// with the standard uncertainty of that. What was let in stands in the chamber before it stands in the
// bay: of water that is fresher at b than at a the chamber may lead by nothing, but not by less. What
// is as fresh at both ends lifts both alike but for the scatter of single fills, and what was fresher
// at a is the model's. So between the same moments of two fills neither lead nor model counts. Where
// a bay has been seen to lag, so that its fills lead by less than nothing, this says no more than the
// model does.
func (y *bay) leads(a, b *anchor) (mm, u float64) {
	f := &y.st.F
	both, down := 0.0, 0.0
	var gone [3]float64
	for i := range gone {
		at, to := f.X[sA1+i]*a.X[i], f.X[sA1+i]*b.X[i]
		both += max(0, min(at, to))
		if to < at {
			down += at - to
			gone[i] = b.X[i] - a.X[i]
		}
	}
	v := sq(leadModel*down) + sq(leadScatter*down) + 2*sq(leadScatter*both)
	for i := range gone {
		for j := range gone {
			v += gone[i] * gone[j] * f.P[sA1+i][sA1+j]
		}
	}
	return b.Lead - a.Lead + down, math.Sqrt(max(0, v))
}

// shapeU is the uncertainty of the curve's shape over a rise (negative: a fall), a share. Held higher,
// the stone above the water takes its share of a rise, and gives it up for hours after; within a band
// both come and go. So it does over what of the rise is over where the level has lived of late. A fall drains what
// every fall before it drained.
func shapeU(rise, over float64, poor bool) float64 {
	if poor {
		return 0.6
	}
	return min(0.4, shapeMM*min(math.Abs(rise), shapeFar)+0.085*max(0, rise-movedMM, min(rise, over)))
}

// shapeMM is how much the slope of a storage curve is unsure for each millimetre of level beside
// where it was learned, 1/mm, and shapeFar how far beside it that goes on, mm: a sixth over ten
// millimetres, and below them no more, since it is all one stone.
const (
	shapeMM  = 0.015
	shapeFar = 10.0
)

// leadModel is how far the modelled lead of a chamber is wrong in all fills alike, leadScatter by how
// much single fills depart from it, shares of it.
const (
	leadModel   = 0.35
	leadScatter = 0.20
)

// warmsMM is by how much a level reads too high or low for each degree its sensor is warmer, mm (one standard
// deviation): a fiftieth of a per cent of a range of a quarter of a metre, as data sheets have it. The same every
// day, so it is learned: by night every bay would seem to gain what by day it seems to lose. tauWarm is how
// long, h, the air takes to warm a chamber whose water's temperature nothing reads; it may as well be at once, or
// twice as long.
const (
	warmsMM = 0.05
	tauWarm = 3.0
)

// movedMM is a change of level, mm, beyond what a controller's band makes of one day to the next.
const movedMM = 4
