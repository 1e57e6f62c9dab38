package watch

import (
	"fmt"
	"math"

	"bayledger/agent/site"
)

// meterState is what the rules on a bay's meter remember.
type meterState struct {
	Dead  bool
	Since int64
	Rise  float64
	// Rises counts openings in which the level rose and the meter did not turn.
	Rises int
	RiseT int64
}

func (s *meterState) init() { *s = meterState{} }

// sawRise notes that a bay which asked for water got it though its meter stood still.
func (s *meterState) sawRise(now, since int64, rise float64) {
	if s.RiseT != 0 && now-s.RiseT < 10*minute {
		return
	}
	s.RiseT = now
	s.Rises++
	s.Rise = rise
	if !s.Dead && s.Rises >= 2 {
		s.Dead, s.Since = true, since
	}
}

func (w *Watch) sayMeter(y *bay, now int64) {
	s, k := &y.st.Meter, &y.look
	if !s.Dead {
		return
	}
	if k.RunAt > s.RiseT {
		s.Dead, s.Rises = false, 0
		return
	}
	id := ""
	if y.meter != nil {
		id = y.meter.ID
	} else if y.flow != nil {
		id = y.flow.ID
	}
	n := site.NewFinding(site.MeterFault, y.b.ID, id, at(s.Since))
	n.Confidence = 0.95
	n.Because = fmt.Sprintf("Bay %s's level has risen by %s while its valve was open, and its meter has not turned.", y.name(), w.s.Display.Depth(math.Abs(s.Rise)))
	w.say(n)
}
