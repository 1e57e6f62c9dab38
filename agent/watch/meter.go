package watch

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// meterState is what the rules on a bay's meter remember.
type meterState struct {
	Dead  bool
	Since int64
	// Rises counts fills the level saw and the meter did not.
	Rises  int
	RiseT  int64
	FirstT int64
	Rise   float64 // m, the last of them

	Low   float64 // m, lowest smoothed level of the last minutes
	LowAt int64
	// Total and At are the metered total and when it last grew.
	Total float64
	At    int64

	// Still is since when flow has been read while the total stood still, 0 not.
	Still     int64
	StillBase float64
	Stuck     bool

	// Wrong is true while the meter counts Share too much, by the main meter, since WrongAt; Odds is
	// the logarithm of how much likelier that is than anything else.
	Wrong               bool
	WrongAt             int64
	Share, ShareU, Odds float64
}

func (s *meterState) init() { *s = meterState{Low: math.NaN(), Total: math.NaN()} }

// unmetered is how many fills without a count make a meter dead: a hose may do it once, or twice.
// Fewer do where the valve was told to open, and one where the main meter counted the water.
const unmetered = 3

// meterRule finds a meter that has stopped: the level rises as fast as only a fill lifts it, again
// and again, and nothing is counted; or one of its two outputs says that water runs and the other
// stands still.
func (w *Watch) meterRule(y *bay, now int64) {
	s, k := &y.st.Meter, &y.look
	if !k.HasFlow && !k.HasMeter || math.IsNaN(k.SmoothM) || now-k.LevelAt > 5*minute {
		return
	}
	if math.IsNaN(s.Total) || k.TotalM3 > s.Total {
		if s.Dead && !math.IsNaN(s.Total) {
			s.Dead, s.Rises = false, 0
		}
		s.Total, s.At = k.TotalM3, now
		s.Rises = 0
	}
	// Flow and total of one meter must agree.
	if k.HasFlow && k.HasMeter && k.FlowGood && k.FlowM3S > 2*k.StartM3S {
		if s.Still == 0 {
			s.Still, s.StillBase = now, k.TotalM3
		}
		if k.MeterAt > s.Still && k.FlowM3S*float64(k.MeterAt-s.Still)/1000 > 10*max(k.PulseM3, 0.001) {
			s.Stuck = k.TotalM3 == s.StillBase
		}
	} else {
		s.Still = 0
		if k.TotalM3 > s.StillBase {
			s.Stuck = false
		}
	}
	// A fill as the level sees it: a rise within six minutes by more than noise, weather or a
	// warming sensor makes.
	if math.IsNaN(s.Low) || k.SmoothM <= s.Low || now-s.LowAt > 6*minute {
		s.Low, s.LowAt = k.SmoothM, now
		return
	}
	rise := k.SmoothM - s.Low
	quietM := now-s.At > 15*minute && (k.MeterAt > s.LowAt)
	rain := k.RainAt > 0 && now-k.RainAt < 6*hour
	if !quietM || rain || rise < max(0.003, 6*min(k.NoiseM, 0.003)) || now-s.RiseT < 12*minute {
		return
	}
	if s.Rises == 0 || now-s.RiseT > 24*hour {
		s.Rises, s.FirstT = 0, s.LowAt
	}
	s.Rises++
	s.RiseT, s.Rise = now, rise
	s.Low, s.LowAt = k.SmoothM, now
	need := unmetered
	if k.ValveKnown && (k.ValveOpen || now-k.ValveChanged < 10*minute) {
		need = 2 // the valve says that it was a fill
		if v := &y.st.Valve; v.Opened > 0 && now-v.Opened < int64(onItsWay/time.Millisecond) && w.mainBeyond()-v.AskMainL > 1000*sparseM3 {
			need = 1 // and the main meter that water went there
		}
	}
	if s.Rises >= need && !s.Dead {
		s.Dead, s.Since = true, s.FirstT
	}
}

// sawRise notes that a bay which asked for water got it though its meter stood still. Once is
// enough where the main meter counted the water that this one did not.
func (s *meterState) sawRise(now, since int64, rise float64, main bool) {
	if s.RiseT != 0 && now-s.RiseT < 12*minute {
		return
	}
	if s.Rises == 0 {
		s.FirstT = since
	}
	s.RiseT = now
	s.Rises++
	s.Rise = rise
	if !s.Dead && (main || s.Rises >= 2) {
		s.Dead, s.Since = true, s.FirstT
	}
}

func (w *Watch) sayMeter(y *bay, now int64) {
	s := &y.st.Meter
	id := ""
	if y.meter != nil {
		id = y.meter.ID
	} else if y.flow != nil {
		id = y.flow.ID
	}
	switch {
	case s.Dead:
		n := site.NewFinding(site.MeterFault, y.b.ID, id, at(s.Since))
		n.Confidence = 0.95
		n.Because = site.Say("Bay %s's level has risen like in a fill %s since %s (last by %s), and its meter has not turned.", y.name(), times(s.Rises), w.when(s.Since), site.Depth(s.Rise))
		w.say(n)
	case s.Stuck:
		n := site.NewFinding(site.MeterFault, y.b.ID, id, at(s.Still))
		n.Confidence = 0.95
		n.Because = site.Say("Bay %s's meter reports a flow of %s and its total has not moved since %s.", y.name(), site.Rate(y.look.FlowM3S), clock(s.Still))
		w.say(n)
	case s.Wrong:
		n := site.NewFinding(site.MeterFault, y.b.ID, id, at(s.WrongAt))
		n.Confidence = 1 / (1 + math.Exp(-min(s.Odds, 30)))
		n.Because = site.Say("Bay %s's meter has counted %.0f %% (± %.0f %%) %s than the main meter does while it is filled, since about %s.", y.name(), 100*math.Abs(s.Share), 200*s.ShareU, moreOrLess(s.Share), w.when(s.WrongAt))
		w.say(n)
	}
}

func moreOrLess(share float64) site.Phrase {
	if share < 0 {
		return site.Say("less")
	}
	return site.Say("more")
}
