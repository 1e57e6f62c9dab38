package water

import (
	"math"
	"time"
)

// Account is one bay's water over a stretch of time, every volume in m3 with its expanded
// uncertainty (k=2) beside it:
//
//	Metered + ByHand + Rain - Evaporated - Overflow - Held = Unexplained
//
// Unexplained and its U are NaN when the overflow ran (it is not metered, so the span closes by
// definition) and when nothing measures what the bay is given.
type Account struct {
	Bay      string
	From, To time.Time
	// MeteredM3 is by the bay's meter or its integrated flow; NaN when it has neither.
	MeteredM3, MeteredU float64
	ByHandM3, ByHandU   float64
	RainM3, RainU       float64
	EvaporatedM3        float64
	EvaporatedU         float64
	// OverflowM3 is not metered: where the level stood at the crest it is what is left of the
	// other terms, with their uncertainty; zero, and U NaN, where it did not.
	OverflowM3, OverflowU float64
	HeldM3, HeldU         float64 // change of the water held
	UnexplainedM3         float64
	UnexplainedU          float64
	OverflowRan           bool
	// FromSettled and ToSettled are true when the level at that end was a settled one; an
	// unsettled end enters by the model of the chamber with the uncertainty that has.
	FromSettled, ToSettled bool
	FromLevelM, ToLevelM   float64
	// ETM is the reference evapotranspiration of the span, m, and Method the poorest method
	// that was used in it.
	ETM    float64
	Method Method
	// Revision is the site file the account was kept under.
	Revision string
}

// Term is one part of an uncertainty budget: a standard uncertainty in the result's unit.
type Term struct {
	Name string
	U    float64
}

// Combined is the root sum of squares of uncorrelated terms (GUM, equation 10).
func Combined(terms ...Term) float64 {
	sum := 0.0
	for _, t := range terms {
		sum += t.U * t.U
	}
	return math.Sqrt(sum)
}

// MeterU is the relative standard uncertainty of a meter whose maximum permissible error is mpe
// (a ratio): rectangular, mpe over the root of three (GUM 4.3.7).
func MeterU(mpe float64) float64 { return mpe / math.Sqrt(3) }

// PulseU is the standard uncertainty of a volume between two readings that are not timed by the
// meter's counts: triangular over one count either way, q over the root of six.
func PulseU(q float64) float64 { return q / math.Sqrt(6) }

// classTwo is taken for a meter nobody described: class 2 in its upper zone.
var classTwo = MeterU(0.02)

// between makes the account of the span from mark a to mark b with what is known now.
func (y *bay) between(a, b *mark, revision string) Account {
	st := &y.st
	n := Account{Bay: y.b.ID, From: time.UnixMilli(a.T).UTC(), To: time.UnixMilli(b.T).UTC(), Revision: revision,
		OverflowRan: b.OverflowRan, OverflowU: math.NaN(), FromSettled: a.Settled, ToSettled: b.Settled, FromLevelM: a.H / 1000, ToLevelM: b.H / 1000,
		ETM: (b.ETmm - a.ETmm) / 1000, Method: b.Method}
	hours := float64(b.T-a.T) / 3.6e6
	metered, hand, rain := b.Metered-a.Metered, b.Hand-a.Hand, b.Rain-a.Rain

	habit := &st.Habit
	r := [nHabit]float64{aK: b.ET - a.ET, aW: b.Wet[1] - a.Wet[1], aR: b.Over - a.Over}
	evap := r[aK]*habit.X[aK] + r[aW]*habit.X[aW] + r[aR]*habit.X[aR]
	common, own := y.passingVar(&Window{Closed: Closed{Hours: hours, ET: r[aK], Level: b.H}}, methodU[b.Method], factors{1, 1})
	uEvap := math.Sqrt(max(0, quad(&habit.P, &r)) + common + own)

	held, uHeld := 0.0, 0.0
	if !math.IsNaN(a.H) && !math.IsNaN(b.H) {
		var uCurve float64
		held, uCurve = y.heldMarks(a, b)
		scale, _ := y.curveScale()
		level := scale * math.Hypot(a.UH*slopeMM(y.curve, a.H), b.UH*slopeMM(y.curve, b.H))
		uHeld = math.Hypot(uCurve, level)
		all := math.Hypot(uEvap, uHeld)
		uMeter, uHand, uRain := y.meterU(metered), 0.2*hand, math.Sqrt(max(0, b.RainU-a.RainU))
		n.MeteredU, n.ByHandU, n.RainU = 2*uMeter/1000, 2*uHand/1000, 2*uRain/1000
		n.UnexplainedM3 = (metered + hand + rain - evap - held) / 1000
		n.UnexplainedU = 2 * Combined(Term{"meter", uMeter}, Term{"hand", uHand}, Term{"rain", uRain}, Term{"evaporation, storage and level", all}) / 1000
	} else {
		held, uHeld = math.NaN(), math.NaN()
		n.UnexplainedM3, n.UnexplainedU = math.NaN(), math.NaN()
	}
	n.MeteredM3, n.ByHandM3, n.RainM3 = metered/1000, hand/1000, rain/1000
	n.EvaporatedM3, n.EvaporatedU = evap/1000, 2*uEvap/1000
	n.HeldM3, n.HeldU = held/1000, 2*uHeld/1000
	if !y.metered {
		n.MeteredM3, n.MeteredU = math.NaN(), math.NaN()
		n.UnexplainedM3, n.UnexplainedU = math.NaN(), math.NaN()
	}
	if n.OverflowRan {
		n.OverflowM3, n.OverflowU = max(0, n.UnexplainedM3), n.UnexplainedU
		n.UnexplainedM3, n.UnexplainedU = math.NaN(), math.NaN()
	}
	return n
}

// meterU is the standard uncertainty, L, of so many litres metered.
func (y *bay) meterU(litres float64) float64 {
	rel := classTwo
	if y.meter != nil && y.meter.MeterU > 0 {
		rel = y.meter.MeterU
	}
	q := 0.0
	if y.meter != nil && y.meter.PulseM3 > 0 {
		q = PulseU(y.meter.PulseM3 * 1000)
	}
	return math.Hypot(rel*litres, q)
}

// quad is r'Pr: parts that hang together enter together.
func quad(p *[nHabit][nHabit]float64, r *[nHabit]float64) (sum float64) {
	for i, ri := range r {
		if ri == 0 {
			continue
		}
		for j, rj := range r {
			sum += ri * rj * p[i][j]
		}
	}
	return sum
}

// markEvery is how often an account's mark is kept, and markKeep how many: four days.
const (
	markEvery = 30 * minute
	markKeep  = 4 * 48
	dayKeep   = 400
)

// close books what is due at now: a mark every half hour, the day at local midnight.
func (y *bay) close(now int64, midnight bool, revision string) {
	st := &y.st
	if math.IsNaN(st.F.Ref) {
		return
	}
	if st.DayStart.T == 0 {
		st.DayStart = st.Cum
		st.DayStart.OverflowRan = false
		st.Cum.OverflowRan, st.Cum.Method = false, 0
	}
	if midnight && now > st.DayStart.T {
		a := y.between(&st.DayStart, &st.Cum, revision)
		st.Days = append(st.Days, a)
		if len(st.Days) > dayKeep {
			st.Days = st.Days[1:]
		}
		st.DayStart = st.Cum
		st.Cum.OverflowRan, st.Cum.Method = false, 0
	}
	if len(st.Marks) == 0 || now-st.Marks[len(st.Marks)-1].T >= markEvery || now%markEvery == 0 {
		st.Marks = append(st.Marks, st.Cum)
		if len(st.Marks) > markKeep {
			st.Marks = st.Marks[:copy(st.Marks, st.Marks[len(st.Marks)-markKeep:])]
		}
	}
}

// span finds the account between the marks nearest to two moments.
func (y *bay) span(from, to time.Time, revision string) (Account, bool) {
	st := &y.st
	near := func(t time.Time) *mark {
		ms := t.UnixMilli()
		best := &st.Cum
		for i := range st.Marks {
			if m := &st.Marks[i]; abs64(m.T-ms) < abs64(best.T-ms) {
				best = m
			}
		}
		return best
	}
	a, b := near(from), near(to)
	if b.T <= a.T || math.IsNaN(a.H) {
		return Account{}, false
	}
	c := *b
	c.OverflowRan = c.Overflow > a.Overflow
	return y.between(a, &c, revision), true
}

func abs64(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}

// Main is the main meter against the bays' meters over a day.
type Main struct {
	From, To       time.Time
	MainM3, BaysM3 float64
	// MainU is the expanded uncertainty of the difference.
	MainU float64
}
