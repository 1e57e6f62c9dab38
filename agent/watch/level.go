package watch

import (
	"math"
	"time"

	"bayledger/agent/site"
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
	// HighM is what the sensor showed at HighAt, MostM how high it has come since, and RoseAt when:
	// the account follows water it does not know of a quarter of an hour late. Rises are the steps up to there.
	HighM, MostM float64
	RoseAt       int64
	Rises        []rise
}

// rise is a level that a sensor first showed at a moment.
type rise struct {
	M  float64
	At int64
}

func (s *levelState) init() { s.HighFrom = math.NaN() }

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
			level := nanOr(k.SmoothM, k.BayM)
			if s.HighAt == 0 {
				s.HighAt, s.HighM, s.MostM, s.RoseAt, s.Rises = now, level, level, now, s.Rises[:0]
			}
			if level > s.MostM+0.001 {
				s.MostM, s.RoseAt, s.Rises = level, now, append(s.Rises, rise{level, now})
			}
			// A hose can put a bay above its band; it comes back by itself. What tells is water
			// that is still let in above the band by all that is unsure, so that the crest is foretold
			// while there is time; or a level that stays for a day and a half.
			if now-s.HighAt >= 5*minute && let > max(0.002*k.SlopeM2, 4*k.PulseM3) && k.RunAt > s.HighAt || now-s.HighAt >= 36*hour || w.uncounted(y, now) {
				s.High = true
			}
		}
	}
	if !math.IsNaN(low) {
		deep := low - max(y.b.BandM, 0.003)
		if y.st.Valve.notOpen() {
			deep -= 2 * y.unseenM()
		}
		switch {
		case k.BayM >= low-u && (!s.Low || k.BayM >= deep-u+dead):
			s.LowAt, s.Low = 0, false
		case k.BayM < low-u:
			_, runs := y.running(now)
			if runs || !y.heard(now) || !w.free(y, now) || k.SetMoved > 0 && now-k.SetMoved < 6*hour || k.RunAt > 0 && now-k.RunAt < 15*minute {
				if !s.Low {
					s.LowAt = 0
				}
				break
			}
			if s.LowAt == 0 {
				s.LowAt = now
			}
			// A bay a whole band too low has been forgotten; one that is low by no more than what is
			// unsure may still have its turn to come, or be waiting for another that holds up the
			// controller. Where neither set point nor command is read, the set point may have been lowered
			// unseen.
			seen := k.ValveKnown || w.s.Find(y.b.ID, site.SetPoint) != nil
			forgotten := hour
			if y.b.Fill.OneAtATime && !k.ValveKnown {
				forgotten = heldUp.Milliseconds()
				if w.longer(y) {
					forgotten *= 2 // that one is likelier to be what holds up the controller, and is told first
				}
			}
			if k.BayM < deep-u && now-s.LowAt >= forgotten || seen && now-s.LowAt >= lowFor+y.turn().Milliseconds() {
				s.Low = true
			}
		}
	}
}

// fades says whether the second half of a rise came more slowly than the first by over half: so does water
// that was put on and soaks in, while a millimetre of noise in five turns one that runs on by a third at most.
func (s *levelState) fades() bool {
	for _, r := range s.Rises {
		if half := r.M - s.HighM; half >= (s.MostM-s.HighM)/2 {
			return (s.MostM-r.M)*float64(r.At-s.HighAt)*1.5 < half*float64(s.RoseAt-r.At)
		}
	}
	return false
}

// uncounted says whether a bay above its band goes on rising by water that no meter counts: the meter
// is dead and the valve open, a hose has been left running, a neighbour runs over. What was put on by
// hand for a quarter of an hour lifts a bay by less, or more and more slowly.
func (w *Watch) uncounted(y *bay, now int64) bool {
	s, k := &y.st.Level, &y.look
	rise := s.MostM - s.HighM
	if now-s.HighAt < 10*minute || now-s.RoseAt > 10*minute || rise < 0.005 || s.fades() || k.RainAt > 0 && now-k.RainAt < 12*hour {
		return false
	}
	if s.RoseAt-k.RunAt < displacedRest {
		return false // metered water on its way through the chamber, however far that leads
	}
	if !k.HasMeter && !k.HasFlow && w.s.Find(y.b.ID, site.SetPoint) == nil {
		return false // the set point may have been moved up unseen
	}
	if let := k.TotalM3 - nanOr(s.HighFrom, k.TotalM3); let > 0.5*k.SlopeM2*rise {
		return false
	}
	rising := 0
	for _, o := range w.bays {
		if o != y && o.st.Level.HighAt > 0 && now-o.st.Level.RoseAt < 20*minute {
			rising++
		}
	}
	return 2*rising < len(w.bays)-1 || len(w.bays) == 1 // most bays at once are the sky's
}

// heard says whether level and meter have been read lately: what nobody heard may have been water.
func (y *bay) heard(now int64) bool {
	k := &y.look
	return now-k.LevelAt <= 10*minute && (!k.HasFlow && !k.HasMeter || now-k.MeterAt <= max(3*y.poll(), 10*minute))
}

// lowFor is how long beyond its turn a bay may stand just under its band.
const lowFor = 2 * hour

// carries says of a bay that is being overfilled whether its overflow carries what comes in, and if not
// how long its surface has.
func (w *Watch) carries(y *bay, n *site.Finding) {
	if n.Carried = site.Known(y.b.OverflowM3S) && y.b.OverflowM3S >= n.RateM3S; !n.Carried {
		n.ToSoft = w.toSoft(y, n.RateM3S)
	}
}

func (w *Watch) sayLevels(y *bay, now int64) {
	s, k := &y.st.Level, &y.look
	rate, runs := y.running(now)
	if s.High {
		n := site.NewFinding(site.Overfill, y.b.ID, "", at(s.HighAt))
		n.Confidence = 0.95
		fate := site.Say("it is not falling back into its band")
		if runs && rate > 0 {
			n.RateM3S = rate
			if !math.IsNaN(k.RoomM3) {
				n.ToCrest = left(k.RoomM3 / rate)
				if n.ToCrest < time.Minute {
					fate = site.Say("%s still runs in, and the overflow runs now", site.Rate(rate))
				} else {
					fate = site.Say("%s still runs in, and the overflow runs in about %s", site.Rate(rate), lasted(n.ToCrest.Milliseconds()))
				}
			}
			w.carries(y, &n)
		} else if lasts := s.RoseAt - s.HighAt; lasts > 0 && now-s.RoseAt < hour && s.RoseAt-k.RunAt >= displacedRest && s.MostM-s.HighM >= 0.005 && !math.IsNaN(k.RoomM3) {
			// What rises within minutes of a fill is the fill's, which a meter has counted.
			n.RateM3S = k.SlopeM2 * (s.MostM - s.HighM) / float64(lasts) * 1000
			n.ToCrest = left(k.RoomM3 / n.RateM3S)
			n.OrKind, n.WouldDecide = site.LevelSensorFault, site.Say("Dip the chamber of bay %s: if the dip stands lower, it is the sensor; else look for what runs in: valve, hose, neighbour.", y.name())
			fate = site.Say("it rises, no meter counts what comes in, and the overflow runs in about %s", lasted(n.ToCrest.Milliseconds()))
			w.carries(y, &n)
		}
		// Where water runs off that nobody measures the account's level is too high.
		stands := min(k.BayM, nanOr(k.SmoothM, k.BayM))
		if stands < y.upper() {
			stands = k.BayM // it is on its way back
		}
		n.Because = site.Say("Bay %s has stood at %s for %s, above the %s its band ends at; %s.", y.name(), site.Depth(stands), lasted(now-s.HighAt), site.Depth(y.upper()), fate)
		w.say(n)
	}
	if s.Low {
		n := site.NewFinding(site.Drying, y.b.ID, "", at(s.LowAt))
		n.Confidence = 0.95
		n.ToSoft = y.toDust()
		var dust site.Phrase
		if n.ToSoft > 0 && n.ToSoft != site.NoTimeLeft {
			dust = site.Say("; on a summer's day the surface is dust in about %s", lasted(n.ToSoft.Milliseconds()))
		}
		n.Because = site.Say("Bay %s has fallen to %s, below the %s at which it should have been filled, and no water comes%s.", y.name(), site.Depth(k.BayM), site.Depth(y.lower()), dust)
		w.say(n)
	}
}
