package watch

import (
	"fmt"
	"math"

	"bayledger/agent/site"
)

// fillState is what is remembered of how a bay's fills go.
type fillState struct {
	Seen   int     // fills seen
	Habit  float64 // m3/s, usual flow; 0 before any
	N      int
	Flow   float64 // m3/s, the last fill's
	LowN   int     // fills in a row that ran slow
	LowAt  int64
	Low    bool
	EndT   int64 // end of the last fill whose settling is awaited, 0 none
	Peak   float64
	Rest   float64 // m, where the level should settle
	Share  float64 // what was left of the lead after a quarter of an hour, last fill
	ShareN int
	Usual  float64 // its habit
	SlowN  int
	SlowAt int64
	Slow   bool
}

// inARow is how many fills in a row must agree before a habit counts as broken.
const inARow = 3

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
		s.EndT = 0
		if k.SlopeM2 > 0 && k.LastM3 > 0 && now-k.LastTo < 5*minute {
			s.EndT, s.Peak = k.LastTo, k.SmoothM
			s.Rest = k.LastLevelM + k.LastM3/k.SlopeM2
		}
	}
	if k.Runs {
		s.EndT = 0
	}
	// A quarter of an hour after the fill: what is left of the chamber's lead.
	if s.EndT > 0 && now-s.EndT >= 15*minute {
		lead := s.Peak - s.Rest
		if lead > max(0.003, 6*min(k.NoiseM, 0.002)) && now-k.LevelAt < 2*minute {
			s.Share = (k.SmoothM - s.Rest) / lead
			w.settling(s, now)
		}
		s.EndT = 0
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

func (w *Watch) settling(s *fillState, now int64) {
	switch {
	case s.ShareN < 5:
		s.ShareN++
		s.Usual += (s.Share - s.Usual) / float64(s.ShareN)
	case s.Share > s.Usual+0.35:
		if s.SlowN == 0 {
			s.SlowAt = now
		}
		s.SlowN++
		s.Slow = s.Slow || s.SlowN >= inARow
	default:
		s.SlowN = 0
		if s.Share < s.Usual+0.2 {
			s.Slow = false
			s.Usual += (s.Share - s.Usual) / 20
		}
	}
}

func (w *Watch) sayFills(y *bay, now int64) {
	s, d := &y.st.Fills, w.s.Display
	if s.Low {
		n := site.NewFinding(site.LowFlow, y.b.ID, "", at(s.LowAt))
		n.RateM3S = s.Flow
		n.Confidence = 0.9
		n.Because = fmt.Sprintf("Bay %s's last %d fills ran at %s; its habit is %s.", y.name(), max(s.LowN, inARow), d.Rate(s.Flow), d.Rate(s.Habit))
		w.say(n)
	}
	if s.Slow {
		n := site.NewFinding(site.SlowChamber, y.b.ID, "", at(s.SlowAt))
		n.Confidence = 0.85
		n.Because = fmt.Sprintf("A quarter of an hour after its fills bay %s's chamber still holds %.0f %% of its lead; its habit is %.0f %%.", y.name(), 100*s.Share, 100*math.Max(0, s.Usual))
		w.say(n)
	}
}
