package water

import "math"

// The states of a bay. Inside the filter volumes are litres, levels millimetres and times hours,
// so that every number lies near one; nothing outside this file and balance.go sees them.
const (
	sW     = iota // water held, L, above what the bay holds at its reference level
	sScale        // true over nominal storage, 1
	sTilt         // change of that scale with level, 1/mm
	sK            // evaporation factor at the reference level, 1
	sKTilt        // change of the factor with level, 1/mm
	sE            // today's departure of evaporation from the factor, 1 (comes and goes in a day)
	sC            // constant loss, L/h
	sN            // passing departure of the loss, L/h (comes and goes in hours)
	sWet1         // share of the day's evaporation that the clay takes up after sunset, 1, quickly
	sWet2         // and slowly (clayTau)
	sF1           // daily pattern of the loss: cosine and sine of the day, L/h
	sF2
	sF3 // and of the half day
	sF4
	sB  // passing error of the level reading, mm (sensor temperature, barometer)
	sA1 // how far the chamber leads the bay for each litre let in, mm/L, fading in chamberTau[0]
	sA2
	sA3
	nState
)

// chamberTau are the times, in hours, in which the chamber's lead over the bay fades: 5, 18 and
// 60 minutes. A sum of fixed fades with learned heights follows both a pipe that throttles (one
// fade) and water that spreads through stone (a long tail), and stays linear in what is learned.
var chamberTau = [3]float64{5. / 60, 18. / 60, 60. / 60}

// clayTau are the times, in hours, in which clay that dried by day wets again after sunset.
var clayTau = [2]float64{1.2, 4}

// clayLate is how long, in hours, clay takes to pass on what the air takes from it. Of a bay's
// evaporation lateShare is taken to come that late, give or take as much: thick, dry clay draws
// all of it late, a wet thin one none.
const (
	clayLate  = 2.0
	lateShare = 0.3
)

const (
	tauE = 18.0 // h, how long weather departs from its formula: most of a day
	tauN = 4.0  // h, how long a night's loss departs from its habit
	tauB = 8.0  // h, how long the air warms or cools a sensor
)

// learned marks the states that are the bay's nature; the rest pass.
var learned = [nState]bool{sScale: true, sTilt: true, sK: true, sKTilt: true, sC: true, sWet1: true, sWet2: true,
	sF1: true, sF2: true, sF3: true, sF4: true, sA1: true, sA2: true, sA3: true}

// vec and mat are the filter's vectors and square matrices.
type (
	vec [nState]float64
	mat [nState][nState]float64
)

// filter is an extended Kalman filter over one bay's water and the numbers that govern it.
type filter struct {
	X vec
	P mat
	// Ref is the level, mm, at which W is 0 and K and Scale are meant; NaN before the first
	// settled reading.
	Ref float64
	// H is the level, mm, that W stands for.
	H float64
	// Hold keeps what is learned from learning (a finding is open on the bay): the learned
	// states then keep their value and their uncertainty is still carried (Schmidt 1966).
	Hold bool
}

// prior fills the filter for a bay of area m2, whose nominal slope at the reference level is
// slope L/mm.
func (f *filter) prior(area, slope float64) {
	f.X, f.P = vec{}, mat{}
	set := func(i int, mean, sd float64) { f.X[i], f.P[i][i] = mean, sd*sd }
	// Porosity of a nominal figure is good to 30 %, area to 3 % (design); the shape to a fifth
	// over 30 mm.
	set(sScale, 1, math.Hypot(0.30, 0.03))
	set(sTilt, 0, 0.20/30)
	// A wet clay surface evaporates about nine tenths of the reference; log-standard deviation
	// 0.35. An eighth of it is drawn after sunset. The factor falls with depth by an
	// unknown part: a fifth over 30 mm.
	set(sK, 0.78, 0.30)
	set(sWet1, 0.06, 0.06)
	set(sWet2, 0.06, 0.06)
	set(sKTilt, 0, 0.20/30)
	set(sE, 0, 0.20)
	// A loss of 0.3 mm/h is as much as evaporation at noon: nothing larger would be left open.
	set(sC, 0, 0.30*area)
	set(sN, 0, 0.01*area)
	for i := sF1; i <= sF4; i++ {
		set(i, 0, 0.012*area)
	}
	set(sB, 0, 0.5)
	// Each litre of a fill lifts the chamber by several times what it lifts the bay: how often
	// depends on the chamber and its pipe, which the site file does not tell.
	lift := 1 / max(slope, 0.1)
	set(sA1, 3*lift, 6*lift)
	set(sA2, 1*lift, 3*lift)
	set(sA3, 0.1*lift, 0.4*lift)
	f.Ref, f.H = math.NaN(), math.NaN()
}

// step is one stride of the balance: what went in and what the weather asked, and after it what
// the level said.
type step struct {
	DT      float64    // h
	Metered float64    // L
	Rain    float64    // L that fell on the bay
	ET      float64    // L of reference evaporation on the bay
	Wet     [2]float64 // L of reference evaporation that the clay makes up for after sunset
	Base    [4]float64
	NoiseW  float64 // L2, variance added to W beyond the usual
	ETU     float64 // relative standard uncertainty of ET
	Quiet   float64 // factor on the passing noises, learned

	Row   vec // dW/dx of the stride
	Decay vec
	Obs   bool
	Hrow  vec
	Gain  vec
	S, Nu float64 // L2, L
	Slope float64 // L/mm at the level read
	Out   bool    // the level was far out of line
	Slip  bool    // and it was not a third of the way there in the stride before
	Poor  bool    // the level said little of the water (in the clay, at the crest)
}

const rainCatch = 0.9

// predict carries the filter over a stride. add is water in by the account's own knowledge
// beyond the meter (hand watering), L. It returns
// by how much the water held is expected to change, L.
func (f *filter) predict(s *step, add float64, area float64) (change float64) {
	dh := 0.0
	if !math.IsNaN(f.H) && !math.IsNaN(f.Ref) {
		dh = f.H - f.Ref
	}
	s.Row, s.Decay = vec{}, vec{}
	for i := range s.Decay {
		s.Decay[i] = 1
	}
	s.Row[sK] = -s.ET
	s.Row[sKTilt] = -s.ET * dh
	s.Row[sE] = -s.ET
	s.Row[sWet1], s.Row[sWet2] = -s.Wet[0], -s.Wet[1]
	s.Row[sC] = -s.DT
	s.Row[sN] = -s.DT
	for i, b := range s.Base {
		s.Row[sF1+i] = -b * s.DT
	}
	s.Decay[sE] = math.Exp(-s.DT / tauE)
	s.Decay[sN] = math.Exp(-s.DT / tauN)
	s.Decay[sB] = math.Exp(-s.DT / tauB)

	dw := s.Metered + add + rainCatch*s.Rain
	for j, r := range s.Row {
		dw += r * f.X[j]
	}
	f.X[sW] += dw

	// P = F P F', F = diag(Decay) with the W row 1 plus Row.
	var rp vec // Row * P
	for j := range rp {
		sum := 0.0
		for k := sScale; k <= sF4; k++ { // Row is 0 elsewhere
			sum += s.Row[k] * f.P[k][j]
		}
		rp[j] = sum
	}
	rpr := 0.0
	for k := sScale; k <= sF4; k++ {
		rpr += rp[k] * s.Row[k]
	}
	f.P[sW][sW] += 2*rp[sW] + rpr
	for j := 1; j < nState; j++ {
		v := (f.P[sW][j] + rp[j])
		f.P[sW][j], f.P[j][sW] = v, v
	}
	for _, i := range [3]int{sE, sN, sB} {
		d := s.Decay[i]
		f.X[i] *= d
		for j := range nState {
			f.P[i][j] *= d
			f.P[j][i] *= d
		}
	}

	// Noise.
	q := s.Quiet
	sdE := s.ETU
	sdN := 0.010 * area * q
	sdB := 0.5 * min(q, 2)
	f.P[sE][sE] += sdE * sdE * (1 - s.Decay[sE]*s.Decay[sE])
	f.P[sN][sN] += sdN * sdN * (1 - s.Decay[sN]*s.Decay[sN])
	f.P[sB][sB] += sdB * sdB * (1 - s.Decay[sB]*s.Decay[sB])
	// What the meter let in, good to its last count only in the long run, and what no term
	// above covers: a litre or so an hour on a hundred square metres.
	f.P[sW][sW] += s.NoiseW + sq(0.004*area*q)*s.DT + sq(0.02*s.Metered)
	f.P[sW][sW] += sq(0.5 * s.Rain)
	if !f.Hold {
		day := s.DT / 24
		f.P[sScale][sScale] += sq(0.002) * day
		f.P[sK][sK] += sq(0.010) * day
		f.P[sC][sC] += sq(0.0005*area) * day
		for i := sF1; i <= sF4; i++ {
			f.P[i][i] += sq(0.0005*area) * day
		}
		for i := sA1; i <= sA3; i++ {
			f.P[i][i] += sq(0.02) * f.X[i] * f.X[i] * day
		}
	}
	return dw
}

func sq(x float64) float64 { return x * x }

// observe takes the mean level h mm of the stride with variance r mm2; x are the chamber's fades
// in L, late what of the stride's water came in after the mean moment of the readings, L. The
// comparison is made in litres: what the bay would hold at the level read, less the
// chamber's lead and the sensor's passing error, against what it should hold. That is linear in
// everything that is learned, also where the curve bends into the clay and a millimetre of level
// is next to no water.
func (f *filter) observe(s *step, h, r, late float64, x [3]float64, c *Curve) {
	bay := h - f.X[sB]
	for i := range x {
		bay -= f.X[sA1+i] * x[i]
	}
	g := f.slope(c, bay)
	var H vec
	H[sW] = 1
	H[sB] = g
	for i := range x {
		H[sA1+i] = g * x[i]
	}
	nu := f.held(c, bay) - (f.X[sW] - late)
	r *= g * g
	// The water the learned curve puts between the reference and here, by the level expected; by
	// the level read, its noise would be learned as porosity.
	H[sScale] = -(volumeMM(c, f.H) - volumeMM(c, f.Ref))
	H[sTilt] = -tiltedMM(c, f.Ref, f.H)
	var ph vec
	for i := range ph {
		sum := 0.0
		for j, hj := range H {
			sum += f.P[i][j] * hj
		}
		ph[i] = sum
	}
	hph := 0.0
	for j, hj := range H {
		hph += hj * ph[j]
	}
	S := hph + r
	// A reading far out of line teaches nothing: it is a slip, or the level has jumped, and then
	// the jump belongs to the water alone. If it stays out, the caller says so by making the
	// water unsure, and the next reading is believed.
	var k vec
	if nu*nu > outside*outside*S {
		S = nu * nu / (outside * outside)
		s.Out = true
	} else {
		for i := range k {
			if !f.Hold || !learned[i] {
				k[i] = ph[i] / S
			}
		}
	}
	for i := range k {
		f.X[i] += k[i] * nu
	}
	for i := range nState {
		for j := i; j < nState; j++ {
			p := f.P[i][j] - k[i]*ph[j] - ph[i]*k[j] + k[i]*S*k[j]
			f.P[i][j], f.P[j][i] = p, p
		}
		f.P[i][i] = max(f.P[i][i], 1e-12)
	}
	f.leads()
	// Whatever a bad day brought, the curve stays one that rises.
	f.X[sScale] = max(0.2, min(4, f.X[sScale]))
	most := 0.8 * f.X[sScale] / (tiltReach * 1000)
	f.X[sTilt] = max(-most, min(most, f.X[sTilt]))
	s.Obs, s.Hrow, s.Gain, s.S, s.Nu, s.Slope = true, H, k, S, nu, g
	f.H = f.level(c)
}

// leads keeps the chamber from standing below its bay after a fill. Water comes in through the
// chamber, so a sum of fades that falls below nothing, at once or later, has taken up something else:
// where bays are filled in the evening only, what the clay then drinks. By Abel's summation the lead is
// nowhere negative when no partial sum from the slowest fade on is. The estimate is put on that edge by
// its covariance, so that what hangs together with it follows (Simon and Chia 2002, from memory).
func (f *filter) leads() {
	if f.Hold {
		return
	}
	var pc vec // covariance of every state with the partial sum
	sum := 0.0
	for i := sA3; i >= sA1; i-- {
		sum += f.X[i]
		v := 0.0
		for j := range pc {
			pc[j] += f.P[j][i]
		}
		for j := i; j <= sA3; j++ {
			v += pc[j]
		}
		if sum >= 0 || !(v > 0) {
			continue
		}
		for j := range pc {
			f.X[j] -= pc[j] / v * sum
		}
		sum = 0
	}
	// What was put on its edge for the last sum may have taken an earlier one over its own.
	sum = 0
	for i := sA3; i >= sA1; i-- {
		f.X[i] = max(-sum, f.X[i])
		sum += f.X[i]
	}
}

// volumeMM is the nominal curve in L and mm; it goes on below its end, so that it can be
// inverted everywhere.
func volumeMM(c *Curve, h float64) float64 {
	if h < 0 {
		return h * c.slope[0]
	}
	v, _ := c.Volume(h / 1000)
	return v * 1000
}

func slopeMM(c *Curve, h float64) float64 { return c.Slope(h / 1000) } // m2 is L/mm

func tiltedMM(c *Curve, ref, h float64) float64 { return c.tilted(ref/1000, h/1000) * 1e6 }

// held is the water between the reference level and h, L.
func (f *filter) held(c *Curve, h float64) float64 {
	return f.X[sScale]*(volumeMM(c, h)-volumeMM(c, f.Ref)) + f.X[sTilt]*tiltedMM(c, f.Ref, h)
}

// slope is dW/dh at h, L/mm.
func (f *filter) slope(c *Curve, h float64) float64 {
	const reach = tiltReach * 1000
	return slopeMM(c, h) * max(0.15*f.X[sScale], f.X[sScale]+f.X[sTilt]*max(-reach, min(reach, h-f.Ref)))
}

// level is the level W stands for, mm: held inverted by Newton's rule from where it was, inside
// what a bay can show.
func (f *filter) level(c *Curve) float64 {
	h := f.H
	if math.IsNaN(h) {
		h = f.Ref
	}
	lo, hi := -100.0, c.TopM*1000+200
	for range 25 {
		d := f.X[sW] - f.held(c, h)
		if d > 0 {
			lo = h
		} else {
			hi = h
		}
		next := h + d/f.slope(c, h)
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-h) < 1e-6 {
			return next
		}
		h = next
	}
	return h
}
