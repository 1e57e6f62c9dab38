package water

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// Doing is what a bay is busy with.
type Doing string

// The three things a bay can be doing. A bay that is settling has had water lately and its
// chamber does not yet show the bay's level.
const (
	Filling  Doing = "filling"
	Settling Doing = "settling"
	Settled  Doing = "settled"
)

// fill is one opening of the valve, as the meter saw it.
type fill struct {
	From, To   int64 // ms
	M3         float64
	LevelMM    float64 // settled level before it
	HighestMM  float64 // highest reading during it
	LastM3     float64
	FlowM3S    float64 // mean while it ran
	SetPointMM float64
	PeakM3S    float64 // highest flow read
}

// bayState is all that is known of a bay. Its fields are exported for the snapshot alone.
type bayState struct {
	F filter

	// Level, mm.
	LevelT, GoodLevelT int64
	LevelMM            float64
	LevelQ             site.Quality
	NoiseMM2           float64 // variance of one reading about its neighbours
	NoiseN             int
	SmoothMM           float64 // last minute's mean, for rules that ask where the water stands
	SumH, SumInc       float64 // SumInc of what had come in since the stride began, m3
	Waits              bool    // a level waits for its moment's tick
	WaitMM             float64
	SumX               [3]float64
	SumN               int
	X                  [3]float64 // fades, L, at XT
	XT                 int64

	// Water in.
	Reg         Register
	RegT        int64
	FlowT       int64
	FlowM3S     float64 // last good reading
	FlowGood    bool
	IncM3       float64 // since the stride began
	ByHandM3    float64 // put on by hand since the stride began
	RunT        int64   // last moment water was seen to run
	RunM3S      float64 // how fast
	Fill        fill    // the one that runs
	Runs        bool
	Last        fill // the last one that ended
	Fills       int
	HabitFlow   float64 // m3/s of usual fills
	HabitN      int
	Steps       [8]int64 // how often the register took each Step
	LastRestart int64

	// Valve and set point.
	ValveT, ValveChangeT int64
	ValveOpen, ValveKnow bool
	SetT, SetChangeT     int64
	SetMM                float64 // NaN when not known
	SetBeforeMM          float64
	SetFixed             bool
	HabitStopMM          float64 // where fills usually stop, when no set point is known
	HabitStopN           int
	WaterTempC           float64

	Span spanState

	// Settled moments and what is learned from the balances between them.
	Rest      resting
	Now       anchor // the newest
	Loose     anchor // the newest at which the chamber's lead is only modelled
	Anchors   []anchor
	SettleMS  int64
	Win       windowState
	LastNight Closed
	Habit     habit
	White     whiteState

	// Strides.
	Seq            int64
	Cum            mark
	DayStart       mark
	Marks          []mark
	Days           []Account
	Quiet          float64 // learned factor on the passing noises
	RScale         float64 // learned factor on the noise of a stride's mean level
	ZN             float64
	HomeMM, RoamMM float64 // where the level has lived for two days, and how far about it
	WasMM          float64 // the level a stride ago
	WasNu          float64 // L, how far the stride before was out of line
	Soak           float64 // L of rain that may still be on its way through the clay
	Wet            float64 // faded sum of the last strides' surprises, to see rain without a gauge
	OutRun         int     // strides in a row far above (+) or below (-) the expected level
	Jumps          []jump
	Dry            bool // the stone has not been wet since the start or the season's opening
	Started        int64
	Maintain       int64 // until when somebody works here, ms
	LearnHold      bool
	Blind          bool // what comes in is not measured
	Overflowed     bool // in the stride just done
	LastRainT      int64
	LastHandT      int64
	ClayL          [2]float64 // L of the day's evaporation the clay has yet to make up for
	LateL          float64    // L of evaporation that clay, were all of it drawn through it, has yet to draw
}

// jump is a change of level by itself within a quarter of an hour.
type jump struct {
	T int64
	L float64
}

// mark is where the account stands at a moment: everything summed since the bay began, so that
// the account of any span is a difference of two.
type mark struct {
	T                   int64   // ms
	Metered, Rain, Hand float64 // L
	ET, ETdh            float64 // L; ETdh times the level's distance from Ref, mm
	Wet                 [2]float64
	Base                [4]float64
	Overflow            float64 // L
	OverflowRan         bool    // since the mark before
	H, Ref              float64 // mm, settled level
	UH                  float64 // mm, its standard uncertainty without the curve's
	Settled             bool
	ETmm                float64 // mm
	Late                float64 // L of reference evaporation, as clay would draw it (clayLate)
	Method              Method
	Pulses              int // asynchronous readings of the meter: 2 when there is one
	RainU               float64
	Dark                float64 // h with the sun down
	Spoils              int     // strides in which nothing can be said
}

// bay binds a bay's state to its description.
type bay struct {
	b     *site.Bay
	curve *Curve
	st    bayState
	step  step // the last stride, for watch

	level, flow, meter, valve, setPoint, waterTemp *site.Point
	metered                                        bool // water in is known
	startM3S                                       float64
	crestL                                         float64 // L at the crest by the nominal curve; NaN without one
	decayDT                                        int64
	decay                                          [3]float64
	fresh                                          []Window // closed in the last Tick
	slopes                                         []Slope
}

const (
	outside      = 4.0 // standard deviations beyond which a stride's level is far out of line
	minute       = int64(60_000)
	hour         = 60 * minute
	defaultFillQ = 20e-3 / 60 // m3/s, an open valve nobody has described
	pipeMax      = 4          // times the usual flow is more than the pipe can carry
)

func newBay(s *site.Site, b *site.Bay) *bay {
	y := &bay{b: b, curve: NewCurve(b)}
	y.level, y.flow, y.meter = s.Find(b.ID, site.Level), s.Find(b.ID, site.Flow), s.Find(b.ID, site.Volume)
	y.valve, y.setPoint, y.waterTemp = s.Find(b.ID, site.ValveOpen), s.Find(b.ID, site.SetPoint), s.Find(b.ID, site.WaterTemp)
	y.metered = y.flow != nil || y.meter != nil
	y.crestL = volumeMM(y.curve, b.CrestM*1000)
	q := b.FillM3S
	if !(q > 0) {
		q = defaultFillQ
	}
	st := &y.st
	st.Reg.MaxM3S = pipeMax * max(q, defaultFillQ)
	st.Reg.ModulusM3 = math.NaN()
	if y.meter != nil {
		st.Reg.PulseM3, st.Reg.ModulusM3 = y.meter.PulseM3, y.meter.ModulusM3
	}
	if y.flow != nil && y.flow.StartM3S > 0 {
		y.startM3S = y.flow.StartM3S
	} else {
		y.startM3S = 0.02 * q
	}
	st.LevelMM, st.SmoothMM, st.SetMM, st.SetBeforeMM = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	st.HabitStopMM, st.WaterTempC, st.HomeMM, st.WasMM = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	st.HabitFlow = q
	st.Quiet, st.RScale = 1, 1
	st.Win.Home = [2]float64{math.NaN(), math.NaN()}
	st.Habit.prior(b.AreaM2)
	st.SettleMS = 60 * minute
	st.LevelQ = site.Bad
	if b.SetPointM > 0 && y.setPoint == nil {
		st.SetMM, st.SetFixed = b.SetPointM*1000, true
	}
	// One reading's scatter before any is known: the instrument's own step, or a millimetre.
	st.NoiseMM2 = 1
	if y.level != nil && y.level.Resolution > 0 {
		st.NoiseMM2 = max(0.25, sq(y.level.Resolution*1000))
	}
	ref := st.SetMM
	if math.IsNaN(ref) {
		ref = y.curve.StoneTopM * 1000 * 0.7
	}
	st.F.prior(b.AreaM2, slopeMM(y.curve, ref), q*3.6e6)
	st.Cum.H, st.Cum.UH = math.NaN(), math.NaN()
	return y
}

// fades carries the chamber's fades to t and lets in inc litres there.
func (y *bay) fades(t int64, incL float64) {
	st := &y.st
	if st.XT == 0 {
		st.XT = t
	}
	if dt := t - st.XT; dt > 0 {
		if dt != y.decayDT {
			y.decayDT = dt
			for i, tau := range chamberTau {
				y.decay[i] = math.Exp(-float64(dt) / 3.6e6 / tau)
			}
		}
		for i := range st.X {
			st.X[i] *= y.decay[i]
		}
		st.XT = t
	}
	if incL != 0 {
		for i := range st.X {
			st.X[i] += incL
		}
	}
}

func (y *bay) sampleLevel(t int64, v float64, q site.Quality) {
	st := &y.st
	if t <= st.LevelT {
		return
	}
	st.LevelT, st.LevelQ = t, q
	if q == site.Bad || math.IsNaN(v) {
		return
	}
	mm := v * 1000
	if gap := t - st.GoodLevelT; gap < 2*minute && !math.IsNaN(st.LevelMM) {
		// Half the mean square of successive differences is the variance of white noise,
		// whatever the level does slowly; while water runs the level itself moves.
		if t-st.RunT > 10*minute {
			d := mm - st.LevelMM
			if d2 := d * d / 2; d2 < 25*max(st.NoiseMM2, 0.01) {
				st.NoiseN++
				st.NoiseMM2 += (d2 - st.NoiseMM2) / float64(min(st.NoiseN+10, 500))
			}
		}
		a := float64(gap) / float64(gap+minute)
		st.SmoothMM += a * (mm - st.SmoothMM)
	} else {
		st.SmoothMM = mm
	}
	st.LevelMM, st.GoodLevelT = mm, t
	if st.Maintain > t {
		return // somebody has a hand in the chamber
	}
	y.settleLevel()
	st.Waits, st.WaitMM = true, mm
}

// settleLevel books the level that waits. It waits for the next tick, because the meter's reading
// of the same moment, which says what has just come in, may stand before it or behind it.
func (y *bay) settleLevel() {
	st := &y.st
	if !st.Waits {
		return
	}
	st.Waits = false
	st.SumH += st.WaitMM
	for i, x := range st.X {
		st.SumX[i] += x
	}
	st.SumInc += st.IncM3
	st.SumN++
}

// water lets m3 in over dt milliseconds up to t.
func (y *bay) water(t, dt int64, m3 float64) {
	st := &y.st
	if m3 <= 0 {
		return
	}
	st.IncM3 += m3
	y.fades(t, m3*1000)
	if dt > 0 && dt < 10*minute {
		st.RunM3S = m3 / float64(dt) * 1000
	}
	y.runs(t, m3)
}

// runs notes that water was seen to run at t.
func (y *bay) runs(t int64, m3 float64) {
	st := &y.st
	if !st.Runs {
		st.Runs = true
		st.Fill = fill{From: t, LevelMM: st.F.H, HighestMM: st.LevelMM, SetPointMM: st.SetMM}
		if math.IsNaN(st.F.H) {
			st.Fill.LevelMM = st.SmoothMM
		}
	}
	st.Fill.To = t
	st.Fill.M3 += m3
	st.RunT = t
}

// stillFor is how long no water must have been seen before a fill counts as over: two counts of
// the meter at the usual flow, and never less than a minute and a half.
func (y *bay) stillFor() int64 {
	d := 90.0
	if y.meter != nil && y.meter.PulseM3 > 0 && y.flow == nil {
		d = max(d, 2*y.meter.PulseM3/max(y.st.HabitFlow, 1e-6))
	}
	return int64(d * 1000)
}

func (y *bay) endFill(now int64) {
	st := &y.st
	if !st.Runs || now-st.RunT < y.stillFor() {
		return
	}
	st.Runs = false
	f := st.Fill
	if s := float64(f.To-f.From) / 1000; s > 0 {
		f.FlowM3S = f.M3 / s
	}
	f.HighestMM = max(f.HighestMM, st.SmoothMM)
	st.Last = f
	if f.M3 > 0 {
		st.Fills++
	}
	if f.To-f.From >= minute && f.M3 > 0 && !st.LearnHold {
		st.HabitN++
		st.HabitFlow += (f.FlowM3S - st.HabitFlow) / float64(min(st.HabitN+1, 12))
	}
	if f.M3 > 0 && !math.IsNaN(f.HighestMM) && !st.LearnHold {
		st.HabitStopN++
		if math.IsNaN(st.HabitStopMM) {
			st.HabitStopMM = f.HighestMM
		}
		st.HabitStopMM += (f.HighestMM - st.HabitStopMM) / float64(min(st.HabitStopN, 6))
	}
}

func (y *bay) sampleMeter(t int64, v float64, q site.Quality) {
	st := &y.st
	if t <= st.RegT || q == site.Bad {
		return
	}
	dt := t - st.RegT
	if st.RegT == 0 {
		dt = 0
	}
	st.RegT = t
	inc, what := st.Reg.Add(float64(t)/1000, v)
	st.Steps[what]++
	if what == StepRestart {
		st.LastRestart = t
	}
	y.water(t, dt, inc)
}

func (y *bay) sampleFlow(t int64, v float64, q site.Quality) {
	st := &y.st
	if t <= st.FlowT {
		return
	}
	if q == site.Bad || math.IsNaN(v) {
		st.FlowGood = false
		return
	}
	before, at, good := st.FlowM3S, st.FlowT, st.FlowGood
	st.FlowM3S, st.FlowT, st.FlowGood = v, t, true
	if v > y.startM3S {
		st.RunM3S = v
		y.runs(t, 0)
		st.Fill.PeakM3S = max(st.Fill.PeakM3S, v)
	}
	if y.meter == nil && good && t-at <= y.flowGap() {
		// Without a meter the flow is integrated by the trapezium rule; a longer gap counts
		// nothing, because nobody saw it.
		if m3 := (max(0, before) + max(0, v)) / 2 * float64(t-at) / 1000; m3 > 0 && (before > y.startM3S || v > y.startM3S) {
			st.IncM3 += m3
			y.fades(t, m3*1000)
			y.runs(t, m3)
		}
	}
}

func (y *bay) flowGap() int64 {
	return max(2*minute, 5*int64(y.flow.Interval/time.Millisecond))
}

func (y *bay) sampleValve(t int64, v float64, q site.Quality) {
	st := &y.st
	if t <= st.ValveT || q == site.Bad {
		return
	}
	open := v >= 0.5
	if !st.ValveKnow || open != st.ValveOpen {
		st.ValveChangeT = t
	}
	st.ValveT, st.ValveOpen, st.ValveKnow = t, open, true
}

func (y *bay) setPointMoved(t int64, mm float64) {
	st := &y.st
	if math.IsNaN(mm) {
		return
	}
	if math.IsNaN(st.SetMM) {
		st.SetMM = mm
		return
	}
	if math.Abs(mm-st.SetMM) > 0.5 {
		st.SetBeforeMM, st.SetMM, st.SetChangeT = st.SetMM, mm, t
		st.HabitStopMM, st.HabitStopN = math.NaN(), 0
	}
}

// lead is how far the chamber stands above the bay now, mm, with its standard uncertainty and the sum
// of its fades, each without its sign: where large ones cancel, their errors do not.
func (y *bay) lead(x [3]float64) (mm, u, gross float64) {
	f := &y.st.F
	v := 0.0
	for i := range x {
		mm += f.X[sA1+i] * x[i]
		gross += math.Abs(f.X[sA1+i] * x[i])
		for j := range x {
			v += x[i] * x[j] * f.P[sA1+i][sA1+j]
		}
	}
	return mm, math.Sqrt(max(0, v)), gross
}

// stride closes the balance from the last stride to now.
func (y *bay) stride(from, now int64, k *sky) {
	st := &y.st
	f := &st.F
	y.fades(now, 0)
	s := &y.step
	area := y.b.AreaM2
	*s = step{DT: float64(now-from) / 3.6e6, Metered: st.IncM3 * 1000, Rain: k.RainMM * area, ET: k.ETmm * area, Base: k.Base, ETU: k.U, Quiet: st.Quiet}
	hand := st.ByHandM3 * 1000
	// The clay dries while the sun evaporates and wets again from below when it has set.
	for n, tau := range clayTau {
		if k.Day {
			st.ClayL[n] += s.ET
			continue
		}
		s.Wet[n] = st.ClayL[n] * (1 - math.Exp(-s.DT/tau))
		st.ClayL[n] -= s.Wet[n]
	}
	late := (st.LateL + s.ET/2) * (1 - math.Exp(-s.DT/clayLate))
	st.LateL += s.ET - late
	st.Cum.Late += late
	// Within an hour a cloud or a gust, and in an evening the clay, depart from their learned
	// shares by a good part: an hour is twelve strides that err together.
	wet := f.X[sWet1]*s.Wet[0] + f.X[sWet2]*s.Wet[1]
	// Rain soaks through the clay for hours after it fell; half of what is on its way may come
	// at any time, or never.
	const tauSoak = 3.0
	st.Soak += s.Rain
	soak := st.Soak * (1 - math.Exp(-s.DT/tauSoak))
	st.Soak -= soak
	// Where the level goes beyond where it has lived for some days, the shape of the curve is not
	// learned but guessed: a sixth of the slope, or what the filter's own scale and that of the
	// settled spans differ by, alike over about ten millimetres.
	if d := math.Abs(f.H - st.HomeMM); d > 3+2*st.RoamMM {
		moved := math.Abs(f.H - st.WasMM)
		scale, _ := y.curveScale()
		rel := max(0.15, math.Abs(f.X[sScale]-scale)/f.X[sScale])
		s.NoiseW += sq(rel*f.slope(y.curve, f.H)) * min(moved, 5) * 10
	}
	if !math.IsNaN(f.H) {
		a := s.DT / (48 + s.DT)
		if math.IsNaN(st.HomeMM) {
			st.HomeMM = f.H
		}
		st.RoamMM += a * (math.Abs(f.H-st.HomeMM) - st.RoamMM)
		st.HomeMM += a * (f.H - st.HomeMM)
		st.WasMM = f.H
	}
	s.NoiseW += (sq(0.8*k.U*s.ET) + sq(0.3*wet) + sq(0.5*soak)) * float64(hour) / float64(now-from)
	if hand > 0 {
		st.LastHandT = now
		s.NoiseW += sq(0.2*hand) + sq(0.2*area)
	}
	if k.RainMM > 0 {
		st.LastRainT = now
		if k.RainMM*area > 0.5*area*0.2 {
			// A wet surface drinks first from itself: for some hours evaporation is not the bay's.
			f.P[sE][sE] = max(f.P[sE][sE], 0.25)
		}
	}
	if !y.metered && (!st.ValveKnow || st.ValveOpen || now-st.ValveChangeT < 10*minute) && st.ValveKnow {
		s.NoiseW += sq(2 * st.HabitFlow * s.DT * 3.6e6)
	}

	h, r, n := math.NaN(), 0.0, st.SumN
	var x [3]float64
	if n > 0 {
		h = st.SumH / float64(n)
		for i := range x {
			x[i] = st.SumX[i] / float64(n)
		}
		r = st.NoiseMM2 / float64(n)
		if y.level != nil && y.level.Resolution > 0 {
			// A step that the noise does not shake out does not average out either.
			if res := y.level.Resolution * 1000; st.NoiseMM2 < sq(res/2) {
				r = max(r, res*res/12)
			}
		}
	}
	if math.IsNaN(f.Ref) {
		if n == 0 {
			y.endStride(now, s, k, hand)
			return
		}
		f.Ref, f.H = h, h
		f.P[sW][sW] = sq(2*slopeMM(y.curve, h)) + r
		st.Started = now
		st.Dry = h < 0.25*y.curve.StoneTopM*1000
		f.Hold = true
		y.endStride(now, s, k, hand)
		return
	}
	// Learning rests during a first fill, because dry stone takes more than drains from it, in
	// maintenance, and while watch has a finding open here.
	if st.Dry && h == h && h > 0.8*min(y.curve.StoneTopM*1000, nanOr(st.SetMM, math.Inf(1))) && !st.Runs {
		st.Dry = false
	}
	f.Hold = st.Dry || st.LearnHold || st.Maintain > now
	lost := f.predict(s, hand, area) - s.Metered

	st.Overflowed = false
	after := 0.0 // L that came in after the mean moment of the stride's readings
	if n > 0 {
		lead, _, _ := y.lead(x) // its uncertainty is carried by the filter, through the learned heights
		g := f.slope(y.curve, f.H)
		r += sq(0.15 * lead)
		if st.Runs || now-st.RunT < 5*minute {
			r += sq(0.25*lead) + sq(0.3)
		}
		if y.meter != nil && y.meter.PulseM3 > 0 {
			r += sq(y.meter.PulseM3*1000/g) / 12
		}
		if top := y.curve.StoneTopM * 1000; h > top-10 {
			// What the clay and the stone just under it hold is known to a third at best.
			s.Poor = true
			g := f.slope(y.curve, h-lead)
			r += sq(0.3 * (volumeMM(y.curve, h) - volumeMM(y.curve, top-10)) / g)
		}
		// Nobody saw what came in before the start; a chamber may still be sinking from it.
		if age := now - st.Started; age < 4*hour {
			r += sq(6 * math.Exp(-float64(age)/float64(40*minute)))
		}
		if y.level.Unvented {
			// Air pressure moves by about a third of a hectopascal an hour: three millimetres.
			r += sq(3.0)
		}
		r = st.RScale*r + sq(0.02)
		crest := y.b.CrestM * 1000
		if y.b.CrestM > 0 && h >= crest-1 {
			st.Overflowed, s.Poor = true, true
			f.P[sW][sW] += sq(30 * s.DT * 60)
		}
		if !y.metered && !st.ValveKnow && h-(f.H+f.X[sB]) > 4 {
			f.P[sW][sW] += sq((h - f.H) * g) // an unseen fill
		}
		wBefore := f.X[sW]
		// The mean level is that of a moment when part of the water had not come in yet.
		after = (st.IncM3 - st.SumInc/float64(n)) * 1000
		f.observe(s, h, r, after, x, y.curve)
		if st.Overflowed {
			st.Cum.OverflowRan = true
			st.Cum.Overflow += max(0, wBefore-f.X[sW])
		}
		s.Slip = s.Out && st.WasNu*s.Nu < s.Nu*s.Nu/3
		st.WasNu = s.Nu
		st.Wet = 0.75*st.Wet + 0.66*s.Nu/math.Sqrt(s.S)
		y.judgeNoise(s, now)
		y.outOfLine(s, h, now)
	}
	y.settledSpan(s, h, -lost-hand, now)
	y.endStride(now, s, k, hand)
	y.rest(s, h, x, after, -lost-hand, now)
}

func nanOr(x, other float64) float64 {
	if math.IsNaN(x) {
		return other
	}
	return x
}

// judgeNoise learns how noisy the mean level of a stride truly is.
func (y *bay) judgeNoise(s *step, now int64) {
	st := &y.st
	if st.F.Hold || s.Poor || s.Out || now-st.Started < 6*hour {
		return
	}
	z2 := min(9, s.Nu*s.Nu/s.S)
	st.ZN++
	st.RScale *= math.Exp((z2 - 1) / max(100, min(st.ZN, 600)) * 0.5)
	st.RScale = max(0.3, min(20, st.RScale))
}

// outOfLine sees to a level that stays far from what the balance expects: after three strides it
// has truly jumped.
func (y *bay) outOfLine(s *step, h float64, now int64) {
	st := &y.st
	z := s.Nu / math.Sqrt(s.S)
	switch {
	case s.Out && z > 0:
		st.OutRun = max(1, st.OutRun+1)
	case s.Out:
		st.OutRun = min(-1, st.OutRun-1)
	default:
		st.OutRun = 0
		return
	}
	if st.OutRun >= 3 || st.OutRun <= -3 {
		l := s.Nu
		st.F.P[sW][sW] += l * l
		st.Jumps = append(st.Jumps, jump{now, l})
		if len(st.Jumps) > 32 {
			st.Jumps = st.Jumps[1:]
		}
		st.OutRun = 0
	}
}

// endStride books the stride and clears what it summed.
func (y *bay) endStride(now int64, s *step, k *sky, hand float64) {
	st := &y.st
	c := &st.Cum
	dh := 0.0
	if st.F.Ref == st.F.Ref && st.F.H == st.F.H {
		dh = st.F.H - st.F.Ref
	}
	c.T = now
	c.Metered += s.Metered
	c.Hand += hand
	c.Rain += rainCatch * s.Rain
	if k.RainMM > 0 {
		c.RainU += sq(0.35 * s.Rain)
	}
	c.ET += s.ET
	c.ETdh += s.ET * dh
	c.Wet[0] += s.Wet[0]
	c.Wet[1] += s.Wet[1]
	c.ETmm += k.ETmm
	c.Method = max(c.Method, k.Method)
	if !k.Day {
		c.Dark += s.DT
	}
	if st.Maintain > now || st.Dry || st.Blind || !s.Obs && y.meter == nil {
		c.Spoils++
	}
	for i, b := range s.Base {
		c.Base[i] += b * s.DT
	}
	c.H, c.Ref = st.F.H, st.F.Ref
	lead, uLead, _ := y.lead(st.X)
	u := math.Sqrt(st.NoiseMM2/8 + st.F.P[sB][sB] + uLead*uLead + sq(0.15*lead))
	c.UH = u
	c.Settled = !st.Runs && math.Abs(lead) < 1 && u < 1.5
	st.IncM3, st.ByHandM3 = 0, 0
	st.SumH, st.SumInc, st.SumX, st.SumN = 0, 0, [3]float64{}, 0
	st.Seq++
}
