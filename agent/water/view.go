package water

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// Estimate is a learned number with its expanded uncertainty (k=2).
type Estimate struct{ Value, U float64 }

// Learned is what the account has learned of one bay.
type Learned struct {
	// Scale is true over nominal storage (meter scale, porosity and area appear only as this
	// product), Porosity the drainable porosity it means at the level the bay is held.
	Scale, Porosity Estimate
	// Factor is evaporation over reference evapotranspiration at the level the bay is held.
	Factor Estimate
	// ConstantM3S is the loss that neither weather nor level explains, since the start.
	ConstantM3S Estimate
	// NightM3S is what the bay loses in a night's hour without a fault, by its learned habit.
	NightM3S Estimate
	// White is the same factor by a second opinion that knows nothing of the weather, the diurnal
	// water-table method with metered water (White 1932), from WhiteDays days whose nights had
	// neither fill, rain nor rewetting; NightRise is how the level rose from midnight to four in the
	// last of them, m/h. NaN before the first.
	White, NightRise Estimate
	WhiteDays        int
	// SettleS is how long after a fill the chamber's lead has sunk to a twentieth.
	SettleS float64
	// FlowM3S is the usual flow of a fill.
	FlowM3S float64
	// NoiseM is the scatter of one level reading (one standard deviation).
	NoiseM float64
	// OldLeakExcluded is false until ConstantM3S is known to 5 L/h: until then a leak older
	// than the watch cannot be excluded.
	OldLeakExcluded bool
	// Learning is true while the figures above may still change, false while a finding, a
	// first fill or maintenance holds them.
	Learning bool
}

// Fill is one opening of the valve as the meter saw it.
type Fill struct {
	From, To time.Time
	VolumeM3 float64
	FlowM3S  float64 // mean; NaN when it was too short to say
}

// BayNow is a bay at the last tick, a copy.
type BayNow struct {
	Bay  string
	Time time.Time
	// LevelM is the last good reading and LevelAt when it was made; Quality that of the last
	// reading of all. SmoothM is the mean of about the last minute.
	LevelM, SmoothM float64
	LevelAt         time.Time
	Quality         site.Quality
	// BayLevelM is the level of the bay itself, the chamber's lead taken off, with its expanded
	// uncertainty; NaN before the first stride. Settled is true when the chamber shows it.
	BayLevelM, BayLevelU float64
	Settled              bool
	SettledM             float64
	SettledAt            time.Time
	SetPointM            float64 // NaN when not known
	SetPointMoved        time.Time
	FlowM3S              float64 // NaN when nothing measures it
	ValveKnown, Open     bool
	Doing                Doing
	FillUnderWay         Fill // zero unless Doing is Filling
	LastFill             Fill // zero before the first
	Today                Account
	Learned              Learned
	// RoomM3 is what the bay can still take before its overflow runs; NaN without a crest.
	RoomM3 float64
}

func at(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

func (f fill) view() Fill {
	if f.From == 0 {
		return Fill{}
	}
	v := Fill{From: at(f.From), To: at(f.To), VolumeM3: f.M3, FlowM3S: math.NaN()}
	if f.FlowM3S > 0 {
		v.FlowM3S = f.FlowM3S
	}
	return v
}

// Now returns the bay at the last tick; ok is false for a bay the site does not have.
func (l *Ledger) Now(id string) (n BayNow, ok bool) {
	i, ok := l.byID[id]
	if !ok {
		return BayNow{}, false
	}
	y := l.bays[i]
	st := &y.st
	n = BayNow{Bay: id, Time: at(l.st.Now), LevelM: st.LevelMM / 1000, SmoothM: st.SmoothMM / 1000, LevelAt: at(st.GoodLevelT), Quality: st.LevelQ,
		BayLevelM: st.F.H / 1000, BayLevelU: math.NaN(), SettledM: math.NaN(), SetPointM: st.SetMM / 1000, SetPointMoved: at(st.SetChangeT),
		FlowM3S: y.flowNow(l.st.Now), ValveKnown: st.ValveKnow, Open: st.ValveOpen, LastFill: st.Last.view(), RoomM3: math.NaN()}
	if st.GoodLevelT == 0 {
		n.LevelM, n.SmoothM = math.NaN(), math.NaN()
	}
	if !math.IsNaN(st.F.Ref) {
		n.BayLevelU = 2 * st.Cum.UH / 1000
		n.Settled = y.settled()
		if n.Settled {
			n.SettledM, n.SettledAt = n.BayLevelM, at(st.Cum.T)
		} else {
			for k := len(st.Marks) - 1; k >= 0; k-- {
				if m := &st.Marks[k]; m.Settled {
					n.SettledM, n.SettledAt = m.H/1000, at(m.T)
					break
				}
			}
		}
		n.RoomM3 = y.room() / 1000
	}
	switch {
	case st.Runs:
		n.Doing, n.FillUnderWay = Filling, st.Fill.view()
	case n.Settled:
		n.Doing = Settled
	default:
		n.Doing = Settling
	}
	if st.DayStart.T > 0 {
		n.Today = y.between(&st.DayStart, &st.Cum, l.s.Revision)
	}
	n.Learned = y.learned()
	return n, true
}

// room is the water, L, from the bay's level to its crest; NaN without one.
func (y *bay) room() float64 {
	f := &y.st.F
	if !(y.b.CrestM > 0) || math.IsNaN(f.Ref) {
		return math.NaN()
	}
	return max(0, y.trueScale()*(y.crestL-volumeMM(y.curve, f.H)))
}

// flowNow is what runs into the bay, m3/s; NaN when nothing measures it.
func (y *bay) flowNow(now int64) float64 {
	st := &y.st
	switch {
	case y.flow != nil && st.FlowGood && now-st.FlowT < y.flowGap():
		return st.FlowM3S
	case y.meter != nil && st.RegT > 0 && st.Runs:
		return st.RunM3S
	case y.meter != nil && st.RegT > 0:
		return 0
	}
	return math.NaN()
}

func (y *bay) learned() Learned {
	st := &y.st
	f := &st.F
	n := Learned{SettleS: y.settleS(), FlowM3S: st.HabitFlow, NoiseM: math.Sqrt(st.NoiseMM2) / 1000, Learning: !f.Hold && st.Seq > 0}
	scale, us := y.curveScale()
	n.Scale = Estimate{scale, 2 * us}
	h := st.SetMM
	if math.IsNaN(h) {
		h = nanOr(f.H, 0)
	}
	phi := slopeMM(y.curve, h) / y.b.AreaM2
	n.Porosity = Estimate{scale * phi, 2 * us * phi}
	a := &st.Habit
	n.Factor = Estimate{a.X[aK] + a.X[aW], 2 * math.Sqrt(max(0, quad(&a.P, &[nHabit]float64{aK: 1, aW: 1})))}
	n.ConstantM3S = Estimate{a.X[aC] / 3.6e6, 2 * math.Sqrt(a.P[aC][aC]) / 3.6e6}
	// The night's loss by habit, as of the last night that closed; before it, the constant alone.
	n.NightM3S = n.ConstantM3S
	if w := &st.LastNight; w.Hours > 0 {
		r := [nHabit]float64{aK: w.ET / w.Hours, aW: w.Wet / w.Hours, aC: 1}
		x := 0.0
		for i, ri := range r {
			x += ri * a.X[i]
		}
		n.NightM3S = Estimate{x / 3.6e6, 2 * math.Sqrt(max(0, quad(&a.P, &r))) / 3.6e6}
	}
	n.White, n.NightRise = st.White.factor()
	n.WhiteDays = st.White.Days
	n.OldLeakExcluded = n.ConstantM3S.U*3.6e6 <= 5 && n.ConstantM3S.Value*3.6e6 <= 5
	return n
}

// settleS is when the learned fade of the chamber's lead has sunk to a twentieth, s.
func (y *bay) settleS() float64 { return settles([3]float64(y.st.F.X[sA1 : sA1+3])) }

// SettleU is the expanded uncertainty (k=2) of a bay's learned settling time, s: what the leads' own
// uncertainty makes of it (GUM 5.1.2, by differences).
func (l *Ledger) SettleU(id string) float64 {
	i, ok := l.byID[id]
	if !ok {
		return math.NaN()
	}
	f := &l.bays[i].st.F
	x := [3]float64(f.X[sA1 : sA1+3])
	at, v := settles(x), 0.0
	var slope [3]float64
	for k := range slope {
		off, sd := x, math.Sqrt(f.P[sA1+k][sA1+k])
		if off[k] += sd; sd > 0 {
			slope[k] = (settles(off) - at) / sd
		}
	}
	for k := range slope {
		for j := range slope {
			v += slope[k] * slope[j] * f.P[sA1+k][sA1+j]
		}
	}
	return 2 * math.Sqrt(max(0, v))
}

// settles is when leads that fade by chamberTau have sunk to a twentieth, s.
func settles(leads [3]float64) float64 {
	lead := func(h float64) float64 {
		sum := 0.0
		for i, tau := range chamberTau {
			sum += max(0, leads[i]) * math.Exp(-h/tau)
		}
		return sum
	}
	whole := lead(0)
	if whole <= 0 {
		return 0
	}
	lo, hi := 0.0, 4.0
	for range 30 {
		if mid := (lo + hi) / 2; lead(mid) > whole/20 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi * 3600
}

// Settling is how long after water ran a bay's chamber is taken to show the bay's own level: the
// learned settling time within its bounds, zero for a bay there is none of.
func (l *Ledger) Settling(id string) time.Duration {
	i, ok := l.byID[id]
	if !ok {
		return 0
	}
	return time.Duration(l.bays[i].st.SettleMS) * time.Millisecond
}

// Days returns the closed accounts of a bay, oldest first: a copy.
func (l *Ledger) Days(id string) []Account {
	i, ok := l.byID[id]
	if !ok {
		return nil
	}
	return append([]Account(nil), l.bays[i].st.Days...)
}

// Between returns the account of a bay over any span of the last four days, from the half hour
// nearest to from to the one nearest to to (or to now). ok is false when there is none.
func (l *Ledger) Between(id string, from, to time.Time) (a Account, ok bool) {
	i, ok := l.byID[id]
	if !ok {
		return Account{}, false
	}
	return l.bays[i].span(from, to, l.s.Revision)
}

// longestSpan is the rest after which a span of Spans closes without a fill: a night shows in parts.
const longestSpan = 6 * hour

// Spans returns the accounts of the last four days from one settled level to another, end to end
// and oldest first, each closed before the next water comes in, or at longestSpan without any. A
// fill stands in one with the deficit it made up for. The span under way is not among them.
func (l *Ledger) Spans(id string) []Account {
	i, ok := l.byID[id]
	if !ok {
		return nil
	}
	y := l.bays[i]
	marks := y.st.Marks
	worth := 0.1 * y.b.AreaM2 // L; less let in is a meter's creep and no fill
	var out []Account
	from, rest := -1, -1
	end := func(k int) {
		b := marks[k]
		b.OverflowRan = b.Overflow > marks[from].Overflow
		out = append(out, y.between(&marks[from], &b, l.s.Revision))
		from = k
	}
	for k := range marks {
		m := &marks[k]
		switch {
		case !m.Settled:
			continue
		case from < 0:
			from = k
		case rest > from && m.Metered+m.Hand-marks[rest].Metered-marks[rest].Hand > worth:
			end(rest)
		case m.T-marks[from].T >= longestSpan:
			end(k)
		}
		rest = k
	}
	return out
}

// MainDays returns the main meter against the bays, by closed day, oldest first: a copy. Empty
// on a site without a main meter.
func (l *Ledger) MainDays() []Main { return append([]Main(nil), l.st.Mains...) }

// Weather says where reference evapotranspiration comes from now, and how much fell in the last
// stride, m.
func (l *Ledger) Weather() (m Method, etM float64) { return l.st.Sky.Method, l.st.Sky.ETmm / 1000 }
