package watch

import (
	"fmt"
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// levelState is what the rules on a bay's level remember.
type levelState struct {
	HighAt   int64 // since when the bay has stood above its band, 0 not
	HighVol  float64
	LowAt    int64
	High     bool
	Low      bool
	HighFrom float64 // metered total when the level was last in its band
	InBandAt int64
	// Lowered is set while a bay stands high only because its set point was moved down.
	Lowered bool
}

func (s *levelState) init() { s.HighFrom = math.NaN() }

// crestState is what the rules on the overflow remember.
type crestState struct {
	OverAt  int64   // since when water has stood at the crest, 0 not: one episode until it is well below
	Below   int64   // since when it has stood well below the crest in this episode, 0 not
	ByMeter bool    // metered water brought it there or has come since: the overflow carries what was paid for
	KnownM3 float64 // metered total when a stuck valve that was told of last filled the bay, NaN never
	AboveAt int64   // since when it has stood well above the crest
	AboveM  float64 // how high it stood then
	Blocked bool

	// ShortM3 is the metered total when the level last reached its band, ShortAt when that was;
	// Displaced is set while much more has been let in since than the bay was short of.
	ShortM3   float64
	ShortAt   int64
	Displaced bool
}

func (s *crestState) init() { s.KnownM3, s.ShortM3 = math.NaN(), math.NaN() }

// upper and lower are the ends of the band the level should keep: the set point and the band
// under it, or where nobody knows the set point, this bay's habit. NaN when that is not known
// yet either.
func (y *bay) upper() float64 {
	k := &y.look
	up := k.SetM
	if math.IsNaN(up) || k.HabitStops >= 3 && k.HabitStopM > up {
		if k.HabitStops >= 3 {
			up = k.HabitStopM
		}
	}
	return up + max(y.b.BandM, 0.005)
}

func (y *bay) lower() float64 {
	k, v := &y.look, &y.st.Valve
	low := k.SetM - y.b.BandM
	if v.StartN >= 3 && (math.IsNaN(low) || v.StartM < low) && k.Now-k.SetMoved > 12*hour {
		low = v.StartM
	}
	return low
}

// deadBand is how far the level must come back past an alarm's limit before the alarm can be over.
func (y *bay) deadBand() float64 {
	if y.b.DeadBandM > 0 {
		return y.b.DeadBandM
	}
	return max(3*min(y.look.NoiseM, 0.003), y.b.BandM/2)
}

// levels finds a bay that stands above its band or has fallen below it for good. It goes by the
// level of the bay, not the chamber's, so a fill's overshoot is nothing. Rain that fell since the
// level was last in its band, and a set point moved down, explain a high level; a fill that is
// under way or about to be allowed explains a low one.
func (w *Watch) levels(y *bay, now int64) {
	s, k := &y.st.Level, &y.look
	if math.IsNaN(k.BayM) || k.Dry {
		return
	}
	u := 3*k.BayUM + 0.001
	up, low, dead := y.upper(), y.lower(), y.deadBand()
	if y.st.Valve.Open {
		// The stuck valve says it all, and what it has let in is known when it is shut again.
		s.HighAt, s.High = 0, false
		y.st.Crest.KnownM3 = k.TotalM3
		up = math.NaN()
	}
	if !math.IsNaN(up) {
		switch {
		case k.BayM <= up && (!s.High || k.BayM <= up+u-dead):
			s.HighAt, s.High, s.Lowered = 0, false, false
			s.InBandAt, s.HighFrom = now, k.TotalM3
		case k.BayM > up+u:
			if k.SetMoved > 0 && k.SetMoved > s.InBandAt-hour && k.SetM < k.SetBefore {
				s.Lowered = true
			}
			rained := k.RainAt > 0 && k.RainAt >= s.InBandAt-hour
			let := k.TotalM3 - nanOr(s.HighFrom, k.TotalM3)
			if known := y.st.Crest.KnownM3; !math.IsNaN(known) {
				let = min(let, k.TotalM3-known)
			}
			if s.InBandAt == 0 || s.Lowered || rained && let < 0.5*k.SlopeM2*(k.BayM-up) {
				s.HighAt, s.High = 0, false
				break
			}
			if s.HighAt == 0 {
				s.HighAt = now
			}
			// A hose can put a bay above its band; it comes back by itself. What tells is water
			// that is still let in above the band, or a level that stays for a day and a half.
			if now-s.HighAt >= 30*minute && let > max(0.002*k.SlopeM2, 4*k.PulseM3) && k.RunAt > s.HighAt || now-s.HighAt >= 36*hour {
				s.High = true
			}
		}
	}
	if !math.IsNaN(low) {
		deep := low - max(y.b.BandM, 0.003)
		switch {
		case k.BayM >= low-u && (!s.Low || k.BayM >= deep-u+dead):
			s.LowAt, s.Low = 0, false
		case k.BayM < deep-u:
			_, runs := y.running(now)
			if runs || !w.free(y, now) || k.SetMoved > 0 && now-k.SetMoved < 6*hour || k.RunAt > 0 && now-k.RunAt < 15*minute {
				if !s.Low {
					s.LowAt = 0
				}
				break
			}
			if s.LowAt == 0 {
				s.LowAt = now
			}
			if now-s.LowAt >= hour {
				s.Low = true
			}
		}
	}
}

// sparseM3 is metered water of no account at a full bay: a fill that had begun, a slow valve.
const sparseM3 = 0.02

// standsFor is how long the chamber must show water at the crest before the bay is believed to
// overflow, and how long it must show it well below before that is over: a chamber overshoots in
// every fill, and one reading in three is above its mean.
const standsFor = 30 * minute

// crest follows the water at the overflow's crest. An episode begins when the bay, and not only
// its chamber, stands there, and ends when the level has been well below for half an hour: deeper
// than noise and than what a fill's beginning moves it. Water that nobody metered (rain, mostly)
// runs off over the crest because that is what the overflow is for; that is no alarm. Metered
// water is.
func (w *Watch) crest(y *bay, now int64) {
	s, k := &y.st.Crest, &y.look
	if !(y.b.CrestM > 0) || math.IsNaN(k.SmoothM) || now-k.LevelAt > 10*minute {
		return
	}
	noise := min(k.NoiseM, 0.003)
	low := y.b.CrestM - max(0.003, y.deadBand())
	switch {
	case k.SmoothM >= low:
		s.Below = 0
	case s.Below == 0:
		s.Below = now
	}
	if s.OverAt == 0 && k.SmoothM >= y.b.CrestM {
		s.OverAt, s.Below = now, 0
	}
	if s.Below > 0 && (now-s.Below >= standsFor || now-s.OverAt < standsFor) {
		s.OverAt, s.ByMeter = 0, false
	}
	if s.OverAt > 0 && !s.ByMeter {
		s.ByMeter = w.metered(y)
	}
	// Water over a free crest stands some millimetres to centimetres above it, as high as the
	// flow needs, and stays there; it sinks to the crest when the flow ends. An overflow that does
	// not carry lets the level go on rising, or leaves it standing when nothing runs in. In a
	// storm the sky runs in, and nothing can be said.
	raining := k.RainAt > 0 && now-k.RainAt < hour
	if above := y.b.CrestM + 0.008 + 3*noise; k.SmoothM > above && !raining {
		if s.AboveAt == 0 {
			s.AboveAt, s.AboveM = now, k.SmoothM
		}
		rising := k.SmoothM > s.AboveM+0.005+3*noise
		quiet := k.RunAt == 0 || now-k.RunAt > 20*minute
		if now-s.AboveAt >= 20*minute && k.BayM > y.b.CrestM+0.004 && (rising || quiet) {
			s.Blocked = true
		}
	} else {
		s.AboveAt = 0
		if k.SmoothM < y.b.CrestM {
			s.Blocked = false
		}
	}
}

// shown is the bay's level as its chamber shows it now, what the chamber leads by taken off, m.
func (y *bay) shown() float64 { return y.look.SmoothM - max(0, y.look.LeadM) }

// displacedRest is how long the water must have stopped before a level counts against an overflow.
const displacedRest = 20 * minute

// sunM is more than the sun takes from any court in an hour, m.
const sunM = 0.0007

// displaced finds a bay that is let in far more water than it is short of, more than any sun
// takes meanwhile, and whose level all the same no longer comes back to its band: it runs off
// below, through an overflow that has slipped, or through a liner torn as wide. What a fill brings
// in a bay that only leaks stays long enough to be seen.
func (w *Watch) displaced(y *bay, now int64) {
	s, k := &y.st.Crest, &y.look
	low := y.lower()
	if math.IsNaN(low) || k.Dry || !(k.SlopeM2 > 0) || !k.HasFlow && !k.HasMeter || now-k.LevelAt > 10*minute {
		return
	}
	shown := y.shown()
	full := y.st.Valve.Open || k.Overflow || y.b.CrestM > 0 && k.SmoothM >= y.b.CrestM
	if full || shown >= low-k.NoiseM || k.SetMoved > s.ShortAt || math.IsNaN(s.ShortM3) {
		s.Displaced = false
		s.ShortM3, s.ShortAt = k.TotalM3, now
		return
	}
	if k.Runs || now-k.RunAt < displacedRest || y.st.Sensor.open() || k.SmoothM >= low-k.NoiseM {
		return // how far a chamber leads or lags is known only when the water has stopped for a while
	}
	need, u := w.l.HeldBetween(y.i, shown, low)
	sun := sunM * y.b.AreaM2 * float64(now-s.ShortAt) / float64(hour)
	if k.TotalM3-s.ShortM3 > 2*need+2*u+sun+0.05 && now-s.ShortAt >= hour {
		s.Displaced = true
	}
}

// metered says whether the water that stands at the crest came through the meter: at least half
// of what the bay holds between its band and its crest, since it was last in its band.
func (w *Watch) metered(y *bay) bool {
	k, from := &y.look, y.st.Level.HighFrom
	if !k.HasFlow && !k.HasMeter {
		// Nothing is metered; then it was not rain when no rain has fallen since.
		return y.st.Level.InBandAt > 0 && k.RainAt < y.st.Level.InBandAt-hour
	}
	if up := y.upper(); !math.IsNaN(from) && up < y.b.CrestM {
		if room, _ := w.l.HeldBetween(y.i, up, y.b.CrestM); room > 0 {
			return k.TotalM3-from > max(sparseM3, room/2)
		}
	}
	return k.Runs && k.FillM3 > sparseM3
}

// overflows says whether the episode at the crest is one to tell of: the bay itself stands there,
// or its chamber has for long; metered water did it; and it is more than what is left of a stuck
// valve that somebody has shut meanwhile.
func (y *bay) overflows(now int64) bool {
	s, k := &y.st.Crest, &y.look
	if s.OverAt == 0 || !s.ByMeter {
		return false
	}
	if !y.st.Valve.Open && k.TotalM3-s.KnownM3 < max(sparseM3, 4*k.PulseM3) {
		return false
	}
	itself := now-s.OverAt >= 5*minute && k.BayM+2*k.BayUM >= y.b.CrestM-0.003
	return itself || now-s.OverAt >= standsFor
}

func (w *Watch) sayLevels(y *bay, now int64) {
	s, c, k, d := &y.st.Level, &y.st.Crest, &y.look, w.s.Display
	rate, runs := y.running(now)
	if s.High {
		n := site.NewFinding(site.Overfill, y.b.ID, "", at(s.HighAt))
		n.Confidence = 0.95
		fate := "it is not falling back into its band"
		if runs && rate > 0 {
			n.RateM3S = rate
			if !math.IsNaN(k.RoomM3) {
				n.ToCrest = left(k.RoomM3 / rate)
				fate = fmt.Sprintf("%s still runs in, and the overflow runs in about %s", d.Rate(rate), lasted(n.ToCrest.Milliseconds()))
			}
			n.ToSoft = w.toSoft(y, rate)
		}
		n.Because = fmt.Sprintf("Bay %s has stood at %s for %s, above the %s its band ends at; %s.", y.name(), d.Depth(k.BayM), lasted(now-s.HighAt), d.Depth(y.upper()), fate)
		w.say(n)
	}
	if s.Low {
		n := site.NewFinding(site.Drying, y.b.ID, "", at(s.LowAt))
		n.Confidence = 0.95
		n.ToSoft = y.toDust()
		n.Because = fmt.Sprintf("Bay %s has fallen to %s, below the %s at which it should have been filled, and no water comes.", y.name(), d.Depth(k.BayM), d.Depth(y.lower()))
		w.say(n)
	}
	if y.overflows(now) {
		n := site.NewFinding(site.Overflowing, y.b.ID, "", at(c.OverAt))
		n.Confidence = 0.95
		what := "nothing runs in"
		if runs {
			n.RateM3S, n.ToCrest = rate, 0
			n.Carried = site.Known(y.b.OverflowM3S) && y.b.OverflowM3S >= rate
			what = fmt.Sprintf("%s run in", d.Rate(rate))
		}
		n.Because = fmt.Sprintf("Bay %s has stood at its overflow's crest of %s since %s after %s were let in; %s.", y.name(), d.Depth(y.b.CrestM), w.clock(c.OverAt),
			d.Water(k.TotalM3-nanOr(s.HighFrom, k.TotalM3-k.FillM3)), what)
		if !k.HasFlow && !k.HasMeter {
			n.Because = fmt.Sprintf("Bay %s has stood at its overflow's crest of %s since %s, and no rain brought it there.", y.name(), d.Depth(y.b.CrestM), w.clock(c.OverAt))
		}
		w.say(n)
	}
	if c.Displaced {
		n := site.NewFinding(site.OverflowFault, y.b.ID, "", at(c.ShortAt))
		n.Confidence = 0.7
		n.OrKind = site.Leak
		n.WouldDecide = fmt.Sprintf("Look at the overflow of bay %s while it is filled: if water runs there, it has slipped or drains below its crest; if none does, it is the liner.", y.name())
		need, u := w.l.HeldBetween(y.i, y.shown(), y.lower())
		n.VolumeM3 = max(0, k.TotalM3-c.ShortM3-need)
		n.VolumeU = 2 * math.Hypot(u, water.MeterU(0.02)*(k.TotalM3-c.ShortM3))
		n.RateM3S = n.VolumeM3 / (float64(now-c.ShortAt) / 1000)
		n.Because = fmt.Sprintf("Bay %s has been let in %s since %s and stands at %s; %s (± %s) would bring it back to %s, so the rest has run off.",
			y.name(), d.Water(k.TotalM3-c.ShortM3), w.when(c.ShortAt), d.Depth(y.shown()), d.Water(need), d.Water(2*u), d.Depth(y.lower()))
		w.say(n)
	}
	if c.Blocked {
		n := site.NewFinding(site.OverflowFault, y.b.ID, "", at(c.AboveAt))
		n.Confidence = 0.85
		n.OrKind, n.WouldDecide = site.LevelSensorFault, "Dip the chamber: if the dip shows the crest's height, it is the sensor."
		if runs {
			n.RateM3S, n.ToCrest, n.ToSoft = rate, 0, w.toSoft(y, rate)
		}
		n.Because = fmt.Sprintf("Bay %s has stood %s above its overflow's crest for %s: the overflow does not carry the water away.", y.name(), d.Depth(k.SmoothM-y.b.CrestM), lasted(now-c.AboveAt))
		w.say(n)
	}
}
