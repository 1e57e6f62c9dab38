package watch

import (
	"fmt"
	"math"

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
}

func (s *levelState) init() { s.HighFrom = math.NaN() }

// crestState is what the rules on the overflow remember.
type crestState struct {
	OverAt    int64   // since when water has stood at the crest, 0 not
	ByRain    bool    // rain brought it there
	RainTotal float64 // metered total when rain last held it there, m3; NaN never
	Last      int64
	AboveAt   int64   // since when it has stood well above it
	AboveM    float64 // how high it stood then
	Blocked   bool
	PeakM     float64
}

func (s *crestState) init() { s.PeakM, s.RainTotal = math.NaN(), math.NaN() }

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
	up, low := y.upper(), y.lower()
	if !math.IsNaN(up) {
		switch {
		case k.BayM <= up:
			s.HighAt, s.High, s.Lowered = 0, false, false
			s.InBandAt, s.HighFrom = now, k.TotalM3
		case k.BayM > up+u:
			if k.SetMoved > 0 && k.SetMoved > s.InBandAt-hour && k.SetM < k.SetBefore {
				s.Lowered = true
			}
			rained := k.RainAt > 0 && k.RainAt >= s.InBandAt-hour
			if s.InBandAt == 0 || s.Lowered || rained && k.TotalM3-nanOr(s.HighFrom, k.TotalM3) < 0.5*k.SlopeM2*(k.BayM-up) {
				s.HighAt, s.High = 0, false
				break
			}
			if s.HighAt == 0 {
				s.HighAt = now
			}
			// A hose can put a bay above its band; it comes back by itself. What tells is water
			// that is still let in above the band, or a level that stays for a day and a half.
			let := k.TotalM3 - nanOr(s.HighFrom, k.TotalM3)
			if now-s.HighAt >= 30*minute && let > max(0.002*k.SlopeM2, 4*k.PulseM3) && k.RunAt > s.HighAt || now-s.HighAt >= 36*hour {
				s.High = true
			}
		}
	}
	if !math.IsNaN(low) {
		deep := low - max(y.b.BandM, 0.003)
		switch {
		case k.BayM >= low-u:
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

// crest follows the water at the overflow's crest.
func (w *Watch) crest(y *bay, now int64) {
	s, k := &y.st.Crest, &y.look
	if !(y.b.CrestM > 0) || math.IsNaN(k.SmoothM) || now-k.LevelAt > 10*minute {
		return
	}
	noise := min(k.NoiseM, 0.003)
	if k.SmoothM >= y.b.CrestM {
		if s.OverAt == 0 {
			s.OverAt = now
			// Rain that runs off over the crest is the overflow doing its work.
			// So does a bay that rain has filled and no valve since.
			s.ByRain = k.TotalM3-s.RainTotal < 0.02 || k.RainAt > 0 && now-k.RainAt < 12*hour && (k.RunAt == 0 || now-k.RunAt > hour)
		}
		s.Last = now
	} else if k.SmoothM < y.b.CrestM-2*noise-0.003 {
		s.OverAt, s.ByRain = 0, false
	}
	if s.ByRain {
		s.RainTotal = k.TotalM3
	}
	if s.ByRain && k.RunAt > s.OverAt && k.FillM3 > 0.02 && now-k.RunAt < 10*minute {
		s.ByRain, s.RainTotal = false, math.NaN() // a valve runs into a full bay
	}
	// Water over a free crest stands some millimetres to centimetres above it, as high as the
	// flow needs, and stays there; it sinks to the crest when the flow ends. An overflow that does
	// not carry lets the level go on rising, or leaves it standing when nothing runs in.
	if above := y.b.CrestM + 0.008 + 3*noise; k.SmoothM > above {
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
	if c.OverAt > 0 && !c.ByRain {
		n := site.NewFinding(site.Overflowing, y.b.ID, "", at(c.OverAt))
		n.Confidence = 0.95
		n.ToCrest = 0
		if runs {
			n.RateM3S = rate
			n.Carried = site.Known(y.b.OverflowM3S) && y.b.OverflowM3S >= rate
		} else {
			n.ToCrest = site.NoTimeLeft
		}
		n.Because = fmt.Sprintf("Bay %s stands at %s; its overflow's crest is at %s.", y.name(), d.Depth(k.SmoothM), d.Depth(y.b.CrestM))
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

// frostState is what the frost rule remembers.
type frostState struct {
	Risk  bool
	Since int64
	T     float64 // degC, smoothed
	Fall  float64 // K/h
	At    int64
}

// frost foretells that standing water will freeze: the air is at the freezing point, or near it
// and falling fast enough to be there within six hours. Small pipes follow the air within hours.
func (w *Watch) frost(now int64) {
	st := &w.st.Frost
	t := w.l.TempC()
	if !math.IsNaN(t) && now-st.At >= 5*minute {
		if st.At == 0 || now-st.At > 2*hour {
			st.T, st.Fall = t, 0
		} else {
			h := float64(now-st.At) / float64(hour)
			was := st.T
			st.T += (t - st.T) * min(1, h/0.5)
			st.Fall += ((was-st.T)/h - st.Fall) * min(1, h/1.5)
		}
		st.At = now
		ahead := st.T - max(0, min(st.Fall, 2))*6
		switch {
		case st.T <= 0.5 || st.T < 4 && ahead <= 0:
			if !st.Risk {
				st.Risk, st.Since = true, now
			}
		case st.T > 2 && ahead > 1:
			st.Risk = false
		}
	}
	if !st.Risk {
		return
	}
	n := site.NewFinding(site.FreezeRisk, "", "", at(st.Since))
	n.Confidence = 0.8
	n.ToSoft = 0
	if st.T > 0 && st.Fall > 0 {
		n.ToSoft = left(st.T / st.Fall * 3600)
	}
	n.Because = fmt.Sprintf("The air is at %.1f degrees C and falling by %.1f an hour: chambers and pipes with water in them will freeze.", st.T, max(0, st.Fall))
	if st.T <= 0.5 {
		n.Because = fmt.Sprintf("The air is at %.1f degrees C: chambers and pipes with water in them will freeze.", st.T)
	}
	w.say(n)
}
