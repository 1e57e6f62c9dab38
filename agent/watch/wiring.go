package watch

import (
	"bayledger/agent/site"
)

// wiringState is what the rules on mixed-up points remember of a bay.
type wiringState struct {
	// Meter is the bay whose meter turned when this bay's valve was told to open, "" for none,
	// MeterN how often, MeterAt since when, For the last command that was judged.
	Meter        string
	MeterN       int
	MeterAt, For int64

	// From is when the fill under way began, Levels what every bay's chamber showed then.
	From   int64
	Levels []levelThen
	// Chamber is the bay whose level rose in place of this one's, ChamberN how often in a row and
	// ChamberAt since when.
	Chamber   string
	ChamberN  int
	ChamberAt int64
}

type levelThen struct {
	Bay string
	M   float64
}

// wiring finds points that follow another bay's water: a valve that is told to open and turns
// another bay's meter, and a fill that lifts another bay's chamber.
func (w *Watch) wiring(now int64) {
	for _, y := range w.bays {
		w.crossedMeter(y, now)
		w.crossedChamber(y, now)
	}
}

// crossedMeter: this bay's valve alone has been told to open, its own meter stands, and that of a
// bay whose valve was told to stay shut began to turn within the valve's travel. That one valve
// fails shut in the very minute in which another fails open is not to be expected.
func (w *Watch) crossedMeter(y *bay, now int64) {
	s, k, v := &y.st.Wiring, &y.look, &y.st.Valve
	if v.Opened == 0 || s.For == v.Opened || y.b.Valve.Feedback || !k.HasFlow && !k.HasMeter || !y.heardValve(now) {
		return
	}
	if k.RunAt >= v.Opened {
		s.Meter, s.MeterN, s.For = "", 0, v.Opened // it is fed by its own valve
		return
	}
	if now-v.Opened < y.travel()+2*y.pulses()+2*y.poll() {
		return
	}
	if !k.ValveOpen && now-v.Shut > 2*minute {
		s.For = v.Opened // nothing came of it anywhere
		return
	}
	o := w.instead(y, now)
	if o == nil {
		return
	}
	s.For = v.Opened
	if s.Meter != o.b.ID {
		s.Meter, s.MeterN, s.MeterAt = o.b.ID, 0, v.Opened
	}
	s.MeterN++
}

// instead returns the one bay whose meter turns in place of this one's, nil when there is none.
func (w *Watch) instead(y *bay, now int64) *bay {
	var found *bay
	for _, o := range w.bays {
		if o == y || !o.look.ValveKnown || o.b.Valve.Feedback {
			continue
		}
		if o.look.ValveOpen {
			return nil // two at a time: nothing can be told apart
		}
		opened, begun := y.st.Valve.Opened, o.st.Valve.Run
		if begun >= opened-o.poll() && begun-opened <= y.travel()+y.pulses()+2*y.poll() && o.st.Valve.Shut > 0 && o.st.Valve.Shut < opened-minute {
			if found != nil {
				return nil
			}
			found = o
		}
	}
	return found
}

// fedFor is the bay whose valve, told to open, may be the one that feeds y: as long as that holds,
// and until that valve has had its time to shut, y's own is not to be blamed. nil when there is none.
func (w *Watch) fedFor(y *bay, now int64) *bay {
	for _, o := range w.bays {
		v := &o.st.Valve
		if o == y || v.Opened == 0 || o.b.Valve.Feedback || !o.heardValve(now) {
			continue
		}
		told := o.look.ValveOpen || now-v.Shut < o.travel()+y.still()
		begun := y.st.Valve.Run
		if told && o.look.RunAt < v.Opened && begun >= v.Opened-y.poll() && begun-v.Opened <= o.travel()+o.pulses()+2*o.poll() {
			return o
		}
	}
	return nil
}

// crossedChamber compares the levels before and after a fill of this bay alone: its own should
// have risen and did not, another's did though nothing was let in there. One fill may fall
// together with somebody's hose; two in a row do not.
func (w *Watch) crossedChamber(y *bay, now int64) {
	s, k := &y.st.Wiring, &y.look
	if k.Runs && s.From == 0 {
		s.From, s.Levels = now, nil
		for _, o := range w.bays {
			s.Levels = append(s.Levels, levelThen{o.b.ID, o.look.SmoothM})
		}
	}
	if k.Runs || s.From == 0 {
		return
	}
	from, levels := s.From, s.Levels
	s.From, s.Levels = 0, nil
	due := k.LeadM
	if k.SlopeM2 > 0 {
		due += k.LastM3 / k.SlopeM2
	}
	least := max(0.0025, 6*min(k.NoiseM, 0.002))
	if !(due >= least) || k.RainAt > from-hour || now-k.LevelAt > 2*minute || y.st.Sensor.open() {
		return
	}
	own := due
	other, most := "", 0.0
	for _, was := range levels {
		o := w.bay(was.Bay)
		switch {
		case o == nil:
			continue
		case o == y:
			own = k.SmoothM - was.M
			continue
		case o.look.RunAt > from-30*minute:
			return
		}
		if up := o.look.SmoothM - was.M; up > most && now-o.look.LevelAt < 2*minute {
			other, most = o.b.ID, up
		}
	}
	switch {
	case own > due/2:
		s.Chamber, s.ChamberN = "", 0
	case own < due/4 && most > due/2:
		if s.Chamber != other {
			s.Chamber, s.ChamberN, s.ChamberAt = other, 0, from
		}
		s.ChamberN++
	}
}

func (w *Watch) sayWiring() {
	for _, y := range w.bays {
		s := &y.st.Wiring
		if s.Meter == "" && s.ChamberN < 2 {
			continue
		}
		if o := w.bay(s.Meter); o != nil {
			n := site.NewFinding(site.WiringMismatch, y.b.ID, "", at(s.MeterAt))
			n.Bays, n.Confidence = []string{y.b.ID, o.b.ID}, 0.95
			n.Because = site.Say("When bay %s's valve was told to open, the meter of bay %s began to turn and its own stood still (seen %s); bay %s's valve had been told to stay shut.", y.name(), o.name(), times(s.MeterN), o.name())
			n.WouldDecide = site.Say("Open the valve of bay %s by hand and see which meter turns.", y.name())
			w.say(n)
		}
		if o := w.bay(s.Chamber); o != nil && s.ChamberN >= 2 {
			n := site.NewFinding(site.WiringMismatch, y.b.ID, levelID(y), at(s.ChamberAt))
			n.Bays, n.Confidence = []string{y.b.ID, o.b.ID}, 0.95
			n.Because = site.Say("The last %d fills of bay %s lifted the level of bay %s, where nothing was let in, and not its own: their level sensors are mixed up, or their meters.", s.ChamberN, y.name(), o.name())
			n.WouldDecide = site.Say("Pour a bucket of water into the chamber of bay %s and see which level rises.", y.name())
			w.say(n)
		}
	}
}

func times(n int) site.Phrase {
	if n == 1 {
		return site.Say("once")
	}
	return site.Say("%d times in a row", n)
}

func levelID(y *bay) string {
	if y.level == nil {
		return ""
	}
	return y.level.ID
}
