package watch

import (
	"math"

	"bayledger/agent/site"
)

// sensorState is what the rules on a level sensor remember.
type sensorState struct {
	Bad    int64 // since when the sensor's own word or its value has been impossible; 0 not
	BadAt  int64
	BadV   float64
	BadWhy site.Why

	V, Before float64 // last two good readings
	At        int64
	Same      int64 // since when the reading has not changed
	SameN     int
	SameTotal float64 // metered then
	WetN      int     // readings that have not changed since water was first seen to come in
	WetAt     int64   // when that was, 0 not yet
	SameFall  float64 // m the balance has expected it to move since
	SameSeq   int64

	Spikes float64 // faded count
	SpikeT int64

	Frozen  bool
	Since   int64
	Moved   float64 // what it should have moved, m
	ByWater float64 // metered meanwhile, m3; 0 when it was the weather's doing
	Failed  bool
	Spiky   bool

	DipT int64
	DipM float64 // dip less reading, m
	DipN int
}

func (s *sensorState) init() {
	*s = sensorState{V: math.NaN(), Before: math.NaN(), BadV: math.NaN(), DipM: math.NaN()}
}

func (s *sensorState) open() bool { return s.Frozen || s.Failed || s.Spiky }

// possible bounds what a level can be in this bay: a little under the liner's lowest point (the
// chamber may be deeper) to a hand above the fill.
func (y *bay) possible(v float64) bool { return v > -0.05 && v < y.deepM+0.15 }

// sampleLevel looks at every reading as it comes.
func (y *bay) sampleLevel(t int64, v float64, good bool, why site.Why) {
	s := &y.st.Sensor
	if !good || !y.possible(v) {
		if good || sensorsWord(why) {
			if s.Bad == 0 {
				s.Bad = t
			}
			s.BadAt, s.BadWhy, s.BadV = t, why, v
		}
		return
	}
	s.Bad = 0
	res := 0.0
	if y.level != nil && y.level.Resolution > 0 {
		res = y.level.Resolution
	}
	switch {
	case !(math.Abs(v-s.V) <= res*0.01+1e-9):
		s.Same, s.SameN, s.SameFall, s.SameTotal = t, 0, 0, math.NaN()
		s.WetN, s.WetAt = 0, 0
	default:
		s.SameN++
		if s.WetAt > 0 {
			s.WetN++
		}
	}
	// A spike leaves and comes back within three readings' time.
	limit := max(0.010, 12*y.look.NoiseM)
	if d := s.V - s.Before; math.Abs(d) > limit && math.Abs(v-s.Before) < limit/2 && t-s.At < 5*minute {
		s.fadeSpikes(t)
		s.Spikes++
	}
	s.Before, s.V, s.At = s.V, v, t
}

func (s *sensorState) fadeSpikes(t int64) {
	if s.Spikes > 0 && t > s.SpikeT {
		s.Spikes *= math.Exp(-float64(t-s.SpikeT) / float64(hour))
	}
	s.SpikeT = max(s.SpikeT, t)
}

// chamberLate is how long a chamber may take before it shows anything of a fill, ms: the pipe that
// joins it to the bay is thin.
const chamberLate = 4 * minute

// sensor judges the level sensor: failed, frozen, spiking. Drift is the balance's to see.
func (w *Watch) sensor(y *bay, now int64) {
	s, k := &y.st.Sensor, &y.look
	s.Failed = s.Bad > 0 && s.BadAt-s.Bad >= 45*second && now-s.BadAt < 10*minute
	s.fadeSpikes(now)
	// Five in an hour are no coincidence; noise alone makes one of twelve deviations never.
	if s.Spikes >= 5 {
		s.Spiky = true
	} else if s.Spikes < 1 {
		s.Spiky = false
	}
	if s.At == 0 || s.Same == 0 || math.IsNaN(k.BayM) {
		return
	}
	if s.Frozen && s.SameN == 0 {
		s.Frozen = false
	}
	if math.IsNaN(s.SameTotal) {
		s.SameTotal, s.SameSeq = k.TotalM3, k.Seq
	}
	if s.Frozen || s.SameN < 3 || now-s.At > 5*minute {
		return
	}
	crest := y.b.CrestM > 0 && k.SmoothM > y.b.CrestM-0.002 // the overflow holds it there
	res := 0.0
	if y.level.Resolution > 0 {
		res = y.level.Resolution
	}
	least := max(0.0025, 5*min(k.NoiseM, 0.002), 3*res)
	in := k.TotalM3 - s.SameTotal
	if in > 0 && s.WetAt == 0 {
		s.WetAt = now
	}
	if in > 0 && !crest && k.SlopeM2 > 0 && s.WetN >= 4 && now-s.WetAt >= chamberLate {
		// The bay rises by what came in and the chamber leads it. Half of the usual lead is asked
		// for, because a chamber may be slow; and none in the first minutes of the water.
		if rise := in/k.SlopeM2 + 0.5*max(0, k.LeadM); rise >= least {
			s.Frozen, s.Since, s.Moved, s.ByWater = true, s.Same, rise, in
			return
		}
	}
	if k.Seq != s.SameSeq {
		s.SameSeq = k.Seq
		b := w.l.Balance(y.i)
		// Seven tenths of reference evaporation: less than any clay in play gives.
		if k.SlopeM2 > 0 {
			s.SameFall += (0.7*b.ETL() - b.MeteredL() - b.RainL()) / 1000 / k.SlopeM2
		}
	}
	if now-s.Same >= 6*hour && math.Abs(s.SameFall) >= max(0.003, 3*res) && !crest && s.SameN > 20 {
		if now-s.Same >= 24*hour || math.Abs(s.SameFall) >= 2*max(0.003, 3*res) {
			s.Frozen, s.Since, s.Moved, s.ByWater = true, s.Same, math.Abs(s.SameFall), 0
		}
	}
}

// dip takes a level read by hand: a difference that stays over two dips is the sensor's.
func (y *bay) dip(t int64, m float64) {
	s := &y.st.Sensor
	if math.IsNaN(m) || math.IsNaN(y.look.SmoothM) {
		return
	}
	d := m - y.look.SmoothM
	s.DipT, s.DipM, s.DipN = t, d, s.DipN+1
}

// dipOff says whether the last dip contradicts the sensor: a dip is good to 3 mm (one standard
// deviation), and three of those are asked for.
func (s *sensorState) dipOff() bool { return s.DipT > 0 && math.Abs(s.DipM) > 0.010 }

func (w *Watch) saySensor(y *bay, now int64) {
	s, k := &y.st.Sensor, &y.look
	id := ""
	if y.level != nil {
		id = y.level.ID
	}
	switch {
	case s.Failed:
		n := site.NewFinding(site.LevelSensorFault, y.b.ID, id, at(s.Bad))
		n.Confidence = 0.99
		if s.BadWhy == "" {
			n.Because = site.Say("Bay %s's level sensor shows %s, which cannot be in a bay %s deep.", y.name(), site.Depth(s.BadV), site.Depth(y.deepM))
		} else {
			n.Because = site.Say("Bay %s's level sensor has failed since %s (%s).", y.name(), clock(s.Bad), s.BadWhy)
		}
		w.say(n)
	case s.Frozen:
		n := site.NewFinding(site.LevelSensorFault, y.b.ID, id, at(s.Since))
		n.Confidence = 0.97
		n.Because = site.Say("Bay %s's level has shown %s without a change for %s, while what the weather asked and the meter counted should have moved it by at least %s.", y.name(), site.Depth(k.LevelM), lasted(now-s.Since), site.Depth(s.Moved))
		if s.ByWater > 0 {
			in, moved := max(s.ByWater, k.TotalM3-s.SameTotal), s.Moved
			if k.SlopeM2 > 0 {
				moved += (in - s.ByWater) / k.SlopeM2
			}
			n.Because = site.Say("Bay %s's level has shown %s without a change since %s, while %s were let in: it should have risen by at least %s.", y.name(), site.Depth(k.LevelM), clock(s.Since), site.Water(in), site.Depth(moved))
		}
		if rate, runs := y.running(now); runs && rate > 0 && !math.IsNaN(k.RoomM3) {
			n.RateM3S, n.ToCrest = rate, left(max(0, k.RoomM3)/rate)
		}
		w.say(n)
	case s.Spiky:
		n := site.NewFinding(site.LevelSensorFault, y.b.ID, id, at(s.SpikeT))
		n.Confidence = 0.9
		n.Because = site.Say("Bay %s's level reading leaps away and back: about %.0f times in the last hour.", y.name(), s.Spikes)
		w.say(n)
	case s.dipOff() && now-s.DipT < 7*day:
		n := site.NewFinding(site.LevelSensorFault, y.b.ID, id, at(s.DipT))
		n.Confidence = 0.9
		n.Because = site.Say("The dip at bay %s and its sensor differ by %s.", y.name(), site.Depth(math.Abs(s.DipM)))
		w.say(n)
	}
}
