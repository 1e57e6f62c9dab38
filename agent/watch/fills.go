package watch

import (
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// fillState is what is remembered of how a bay's fills go.
type fillState struct {
	Seen  int     // fills seen
	Habit float64 // m3/s, usual flow; 0 before any
	N     int
	Flow  float64 // m3/s, the last fill's
	LowN  int     // fills in a row that ran slow
	LowAt int64
	Low   bool

	// The fill under way or just ended: when it ended (0 while none is awaited), the chamber's
	// level when it began and when it ended, and the water let in.
	EndT               int64
	StartM, EndM, InM3 float64
	Ran                bool
	// Gain is how much a cubic metre lifts the chamber while it is let in, m/m3, and After how
	// much it moves the chamber in the quarter of an hour behind the fill: negative where the
	// chamber leads and sinks back, as most do. Both are this bay's habit over HabitN fills.
	Gain, After float64
	HabitN      int
	UsualM3     float64 // what those fills let in
	// Spread is how far single fills' rises lie beside Gain, a share (one standard deviation), and
	// Far how far the nearest of the slow fills in a row lay, in such deviations.
	Spread, Far float64
	// Least is the least a cubic metre has lifted the chamber in usual fills, m/m3, slowly forgotten: what
	// a fill does depends on how far the bay had sunk before it.
	Least       float64
	Rise, Whole float64 // the last fill's rise at its end and with what came after, over the habit's
	SlowN       int
	SlowAt      int64
	Slow        bool
	Deaf        int64 // when level or meter were last not heard: what they missed of a fill is not known
}

// inARow is how many fills in a row must agree before a habit counts as broken, inARowFar how many
// do when each lies farDeviations of the bay's own fills beside it: a bay that is filled once a day
// has shown as much in two.
const (
	inARow        = 3
	inARowFar     = 2
	farDeviations = 4
	leastSpread   = 0.08 // nobody's fills are more alike
	// oneFar is how far below the least of all fills before it a single one must lie, in deviations of
	// leastSpread, that tells by itself, with the chamber rising still when the water has stopped: a
	// clogged chamber's fill runs on, and the bay may want none for days.
	oneFar = 6
)

// fills watches two habits: how fast a bay fills, and how fast its chamber settles afterwards.
func (w *Watch) fills(y *bay, now int64) {
	s, k := &y.st.Fills, &y.look
	if k.Fills != s.Seen {
		s.Seen = k.Fills
		// The flow read is the surest; a mean needs a fill of several polls, or the polls decide.
		flow := k.LastPeakM3S
		if flow == 0 && k.LastTo-k.LastFrom >= 6*y.poll() {
			flow = k.LastFlowM3S
		}
		if flow > 0 && k.LastM3 > 10*k.PulseM3 && !y.st.Valve.Open {
			s.Flow = flow
			w.fillFlow(s, k.LastTo)
		}
	}
	y.chamber(now)
}

// settleTime is how long after a fill the chamber is looked at again, and settleLeast the least
// time after which that still tells, when the next fill comes early.
const (
	settleTime  = 15 * minute
	settleLeast = 6 * minute
)

// chamber watches how the chamber follows its fills. A pipe that clogs makes it lag: it rises
// less than its habit while water runs in, and goes on rising when the water has stopped.
func (y *bay) chamber(now int64) {
	s, k := &y.st.Fills, &y.look
	runs := k.Runs && now-k.RunAt < minute
	if most := max(3*max(y.poll(), intervalMS(y.level)), minute); now-k.LevelAt > most || now-k.MeterAt > most {
		s.Deaf = now
	}
	switch {
	case now-s.Deaf < settleTime:
		// Neither where the fill began nor what came in unheard is known.
		s.Ran, s.EndT = runs, 0
		s.StartM = math.NaN()
	case runs && !s.Ran:
		y.followed(now)
		s.Ran, s.StartM, s.InM3 = true, k.SmoothM, 0
	case s.Ran && runs:
		s.EndM, s.InM3 = k.SmoothM, k.FillM3
	case s.Ran:
		s.Ran, s.EndT = false, 0
		if k.FillM3 > 0 && !math.IsNaN(s.StartM) && !y.st.Valve.Open && now-k.LevelAt < 2*minute && k.SlopeM2 > 0 {
			s.EndT, s.EndM, s.InM3 = now, k.SmoothM, k.FillM3
		}
	case s.EndT > 0 && now-s.EndT >= settleTime:
		y.followed(now)
	}
}

// followed judges a fill whose chamber has had its time.
func (y *bay) followed(now int64) {
	s, k := &y.st.Fills, &y.look
	if s.EndT == 0 || now-s.EndT < settleLeast || now-k.LevelAt > 2*minute || k.RainAt > s.EndT-hour {
		s.EndT = 0
		return
	}
	s.EndT = 0
	rise, behind := (s.EndM-s.StartM)/s.InM3, (k.SmoothM-s.EndM)/s.InM3
	// What the fill should have shown must stand well above the noise of two readings' means.
	least := max(0.003, 6*min(k.NoiseM, 0.002))
	if s.HabitN < 5 {
		if s.EndM-s.StartM < least {
			return
		}
		if s.HabitN++; s.HabitN > 1 {
			s.Spread += (math.Abs(rise/s.Gain-1)/0.8 - s.Spread) / float64(s.HabitN-1)
		}
		s.Gain += (rise - s.Gain) / float64(s.HabitN)
		s.UsualM3 += (s.InM3 - s.UsualM3) / float64(s.HabitN)
		s.least(rise)
		s.After += (behind - s.After) / float64(s.HabitN)
		return
	}
	if s.Gain*s.InM3 < least {
		return
	}
	// Of each litre of a shorter fill a chamber that lags shows less by its end: where the fill is short against
	// the lag, in proportion to its length.
	shorter := min(1, s.InM3/s.UsualM3)
	s.Rise = rise / (s.Gain * shorter)
	s.Whole = (rise + behind) / max(s.Gain+s.After, 0.2*s.Gain)
	switch {
	case y.st.Crest.slipped():
		s.SlowN, s.Slow = 0, false // it does not rise because its water runs off
	case y.st.Bank.Open == site.Leak && !y.st.Crest.GoesOn && behind <= 0:
		// It may be so: a pipe that clogs lets the chamber go on rising behind the fill.
	case s.Rise < 0.6 && (s.Whole > 1.4*s.Rise || s.Whole < 0.3):
		below := (1 - rise/(s.Least*shorter)) / leastSpread
		far := max((1-s.Rise)/max(s.Spread, leastSpread), below)
		if s.SlowN == 0 {
			s.SlowAt, s.Far = now, far
		}
		s.SlowN++
		s.Far = min(s.Far, far)
		s.Slow = s.Slow || s.SlowN >= inARow || s.SlowN >= inARowFar && s.Far >= farDeviations || below >= oneFar && behind > 0
	default:
		s.SlowN = 0
		if s.Rise > 0.75 {
			s.Slow = false
			s.Spread += (math.Abs(s.Rise-1)/0.8 - s.Spread) / 20
			s.Gain += (rise - s.Gain) / 20
			s.UsualM3 += (s.InM3 - s.UsualM3) / 20
			s.least(rise)
			s.After += (behind - s.After) / 20
		}
	}
}

// least takes what a usual fill's cubic metre has lifted the chamber.
func (s *fillState) least(rise float64) {
	if s.Least = min(rise, 1.01*s.Least); s.Least == 0 {
		s.Least = rise
	}
}

func (w *Watch) fillFlow(s *fillState, t int64) {
	switch {
	case s.N < 3:
		s.N++
		s.Habit += (s.Flow - s.Habit) / float64(s.N)
	case s.Flow < 0.7*s.Habit:
		if s.LowN == 0 {
			s.LowAt = t
		}
		s.LowN++
		s.Low = s.Low || s.LowN >= inARow
	default:
		s.LowN = 0
		if s.Flow > 0.8*s.Habit {
			s.Low = false
			s.Habit += (s.Flow - s.Habit) / 20
		}
	}
}

func (w *Watch) sayFills(y *bay, now int64) {
	s := &y.st.Fills
	if s.Low {
		n := site.NewFinding(site.LowFlow, y.b.ID, "", at(s.LowAt))
		n.RateM3S = s.Flow
		n.Confidence = 0.9
		n.Because = site.Say("Bay %s's last %d fills ran at %s; its habit is %s.", y.name(), max(s.LowN, inARow), site.Rate(s.Flow), site.Rate(s.Habit))
		w.say(n)
	}
	if s.Slow {
		n := site.NewFinding(site.SlowChamber, y.b.ID, "", at(s.SlowAt))
		n.Confidence = 0.85
		if s.SlowN == 1 {
			n.Because = site.Say("In its last fill bay %s's chamber rose by about %.0f %% of what such a fill usually lifts it, and went on rising when the water had stopped: the pipe between bay and chamber lets the water through too slowly.",
				y.name(), 100*max(0, s.Rise))
			w.say(n)
			return
		}
		n.Because = site.Say("In its last %d fills bay %s's chamber rose by about %.0f %% of what such fills usually lift it, and made up for it only afterwards: the pipe between bay and chamber lets the water through too slowly.",
			max(s.SlowN, inARowFar), y.name(), 100*max(0, s.Rise))
		w.say(n)
	}
}

// leadBaseline is how long a bay must have been known before an hour tells a large loss: how far and
// how long its chamber leads behind a fill. Until then it takes youngHours, over which a lead of three
// millimetres nobody knew of, in a bay that holds 20 L in each, is half of what pages.
const (
	leadBaseline = 3 * day
	youngHours   = 3.0
	// leadFills is how many fills show it.
	leadFills = 3
)

// young says whether a bay's chamber may lead in a way that nothing has shown yet: in its first days, and
// after its first fills, however long it had rain enough to wait for them.
func (w *Watch) young(k *water.Look, now int64) bool {
	filled := k.Runs || k.Fills > 0 && float64(now-k.LastTo) < youngHours*float64(hour)
	return now < w.st.Started+leadBaseline || filled && k.Fills <= leadFills
}
