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
	SensorC              float64 // of the level sensor, as far as water or air say; NaN when neither does
	SensorLagC           float64 // how far it is taken to be behind the air

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
	Over                float64 // L of reference evaporation beyond what the hours of the days before asked for
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
	st.HabitStopMM, st.WaterTempC, st.SensorC, st.HomeMM, st.WasMM = math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()
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
	st.F.prior(b.AreaM2, slopeMM(y.curve, ref))
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

func nanOr(x, other float64) float64 {
	if math.IsNaN(x) {
		return other
	}
	return x
}
