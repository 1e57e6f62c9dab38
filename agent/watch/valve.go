package watch

import (
	"cmp"
	"math"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// valveState is what the rules on the fill valve remember of a bay.
type valveState struct {
	// Base is the metered total from which water counts as unasked for; NaN while water may run.
	Base    float64
	BaseAt  int64
	For     int64   // the shut command, or the start of the run, Base belongs to
	Run     int64   // since when water has been seen to run without a break, 0 not
	RunBase float64 // total before it

	// HeardAt is when the valve's point last said something good. Shut is since when it has been
	// heard to be shut without a break, 0 not; ShutBase the total then, which the meter had shown at ShutBaseAt.
	HeardAt, Shut int64
	Opened        int64 // when it was last heard to open, 0 never
	IsOpen        bool
	ShutBase      float64
	ShutBaseAt    int64

	Open      bool // stuck open
	Since     int64
	SinceBase float64

	StopSpread float64 // m, scatter of the usual stop
	StopN      int
	// RestM is where the bay itself stands after its fills, RestSpread how far that scatters, m.
	RestM, RestSpread float64
	RestN             int
	RestDue           int64 // when the fill that ended will have shown it, 0 none
	CrestAt           int64 // since when the chamber has stood over the crest in the fill under way, 0 not
	// BeyondM3 is what fills usually let in beyond what brings the bay from where it stood to there, m3.
	BeyondM3 float64

	Asked    int64 // since when the bay has asked for water and the controller was free, 0 not
	AskLevel float64
	AskFor   time.Duration // how long it has been free while asking
	AskTick  int64
	AskMainL float64 // what the main meter had counted beyond the bays' when it began to ask, L
	// UnderFor is how long the controller has been free while the bay stood under where it asks and got no water,
	// NearFor the same half a band above: that it has asked for so long at least, and at most.
	UnderFor, NearFor time.Duration
	// Vain is set once it has asked longer than its turn may take, where nobody knows the level it is held at.
	Vain bool
	// HeldN are the fills that other bays got later than they asked since it asks in vain, and AtOnceN those they got
	// as they asked. Served is set while the fill under way has been counted.
	HeldN, AtOnceN int
	Served         bool
	// Wait is how long the bay usually asks before its turn comes, a slowly fading greatest.
	Wait      time.Duration
	Closed    bool
	ClosedAt  int64
	ClosedFor int64

	// StartM is the level at which fills usually begin, by StartN of them that began when the
	// controller had been free for a while: only those show at what level it asks. Starts are those of the
	// last fills, where no set point is known. FreeSince is since when it is free without a break, 0 not.
	StartM    float64
	StartN    int
	Starts    []float64
	StopM     float64 // the highest its chamber came in a usual fill
	FreeSince int64
	WasFree   int64 // FreeSince when the fill under way began
	SeenN     int   // fills seen
	EndedAt   int64 // when the last of them did
	// BeforeM is where the chamber stood before the fill under way, Began where it and the bay stood before the
	// fills of the last three days, eight at least. AskM is the level of the chamber at which it asks, by
	// those, where no set point is known; 0 not known. FirstM is where the chamber stood when it was first seen.
	BeforeM, AskM, FirstM float64
	Began                 []begun

	RunOn  float64 // ms that water usually runs on after the shut command, a slowly fading greatest
	RunOnN int     // fills it was learned from
}

// begun is where chamber and bay stood as a fill began.
type begun struct {
	M, BayM float64
	At      int64
}

// unstated is taken for the travel of a valve nobody described: a slow motor valve's.
const unstated = minute

// intervalMS is how often a point is read, in ms; 0 without a point.
func intervalMS(p *site.Point) int64 {
	if p == nil {
		return 0
	}
	return int64(p.Interval / time.Millisecond)
}

// poll is the longest interval of what shows water running.
func (y *bay) poll() int64 {
	d := max(intervalMS(y.flow), intervalMS(y.meter))
	if d == 0 {
		d = 10 * second
	}
	return d
}

// pulses is the time of two counts of the meter at the usual flow, ms.
func (y *bay) pulses() int64 {
	if y.look.PulseM3 > 0 && y.look.HabitM3S > 0 {
		return int64(2 * y.look.PulseM3 / y.look.HabitM3S * 1000)
	}
	return 0
}

// still is how long no water must have been seen before none runs.
func (y *bay) still() int64 {
	if y.stillMS == 0 || y.stillBy != y.look.HabitM3S {
		y.stillMS, y.stillBy = max(y.pulses(), 2*y.poll())+10*second, y.look.HabitM3S
	}
	return y.stillMS
}

// travel is how long the valve may take to shut, ms: as stated, or as long as this bay's own fills
// have been seen to run on and a poll more, but never over three minutes.
func (y *bay) travel() int64 {
	t := int64(y.b.Valve.Travel / time.Millisecond)
	if t == 0 {
		t = unstated
	}
	if r := int64(y.st.Valve.RunOn); r > 0 {
		t = max(t, min(r+y.poll(), 3*minute))
	}
	return t
}

// likeValves is how long the water of other bays has been seen to run on, ms, and a poll more; 0 before three
// have shown it.
func (w *Watch) likeValves() (most int64) {
	n := 0
	for _, o := range w.bays {
		if v := &o.st.Valve; v.RunOnN > 0 && v.RunOn < float64(3*minute) {
			n++
			most = max(most, int64(v.RunOn)+o.poll())
		}
	}
	if n < 3 {
		return 0
	}
	return most
}

// sampleValve follows how long the valve has been heard to be shut. What was commanded while
// nothing was heard is not known, so after a silence the time begins anew.
func (y *bay) sampleValve(t int64, open, good bool) {
	v := &y.st.Valve
	if !good || open || v.Shut == 0 || !y.heardValve(t) {
		v.Shut, v.ShutBase = 0, math.NaN()
		if good && !open {
			v.Shut = t
		}
	}
	if good && open && (!v.IsOpen || !y.heardValve(t)) {
		v.Opened = t
	}
	if good {
		v.HeardAt, v.IsOpen = t, open
	}
}

// heardValve says whether what the valve's point said last still counts at t.
func (y *bay) heardValve(t int64) bool {
	return y.st.Valve.HeardAt > 0 && t-y.st.Valve.HeardAt <= max(3*intervalMS(y.valve), 2*minute)
}

// running says whether water runs now, and how fast.
func (y *bay) running(now int64) (float64, bool) {
	k := &y.look
	if k.HasFlow && k.FlowGood && !math.IsNaN(k.FlowM3S) && k.FlowM3S > k.StartM3S {
		return k.FlowM3S, true
	}
	if k.RunAt > 0 && now-k.RunAt < y.still() && (!k.HasFlow || !k.FlowGood || k.MeterAt > 0) {
		if k.HasFlow && k.FlowGood && k.FlowM3S <= k.StartM3S && now-k.RunAt >= 2*y.poll() {
			return 0, false
		}
		return k.RunM3S, true
	}
	return 0, false
}

// stuckOpen finds a valve that lets water in when it should not. Three ways, by what is known:
// a valve said to be shut through which the meter counts two pulses after the valve's travel; a
// level that has passed the set point by more than this bay's fills do; or, where neither is
// known, a fill that goes on past the usual stop until nearly half of the room to the crest is
// used (a set point moved by hand looks the same before that), or before there is a usual stop,
// with its chamber at the crest.
func (w *Watch) stuckOpen(y *bay, now int64) {
	k, v := &y.look, &y.st.Valve
	if !k.HasFlow && !k.HasMeter {
		return
	}
	w.habits(y, now)
	rate, runs := y.running(now)
	if v.Open {
		// Only a reading says that it has stopped: in a gap the finding stands, with its onset.
		if !runs && k.MeterAt-k.RunAt >= y.still() {
			v.Open, v.Base = false, math.NaN()
		}
		return
	}
	switch {
	case !runs && now-k.RunAt >= y.still():
		v.Run, v.RunBase, v.CrestAt = 0, k.TotalM3, 0
	case v.Run == 0:
		v.Run = cmp.Or(k.RunAt, now) // the reading that showed it; a tick comes up to a poll later
	}
	if v.Shut > 0 && math.IsNaN(v.ShutBase) {
		v.ShutBase, v.ShutBaseAt = k.TotalM3, k.MeterAt
	}
	told := k.ValveKnown && y.heardValve(now)
	if told && !k.ValveOpen {
		// A whole fill may have come and gone between two polls of the command, so water that
		// has only just begun to run may still be that of a valve which was told to shut since.
		shut := max(v.Shut, v.Run)
		counts := v.Shut > 0 && v.Run > 0 && k.MeterAt >= shut+y.travel() && k.RestartAt <= shut
		like := int64(0)
		if counts && v.RunOnN == 0 {
			like = w.likeValves()
			counts = k.MeterAt >= shut+like
		}
		if !counts {
			v.Base = math.NaN()
			return
		}
		flows := k.HasFlow && k.FlowGood && k.FlowM3S > k.StartM3S
		least := max(2*k.PulseM3, k.StartM3S*float64(y.poll())/1000)
		if v.For != shut || math.IsNaN(v.Base) {
			v.For, v.Base, v.BaseAt = shut, k.TotalM3, k.MeterAt
			// A flow that is read needs no second look, for it runs now: where the bay's own fills have shown
			// how long its valve takes, or where more has come than if it had stood open all its travel. The meter
			// was read before or after the command was, by how much is known. Of a valve that nobody described
			// travel is a guess, and a poll more is allowed for.
			past := k.TotalM3 - v.ShutBase
			if v.RunOnN == 0 && like == 0 {
				most := shut + y.travel() - v.ShutBaseAt
				if y.b.Valve.Travel == 0 || y.b.Valve.Assumed {
					most += y.poll()
				}
				past -= max(rate, k.HabitM3S) * float64(max(0, most)) / 1000
			}
			if !flows || past < least {
				return
			}
		} else if k.TotalM3-v.Base < least || k.MeterAt == v.BaseAt || k.HasFlow && k.FlowGood && !flows {
			return
		}
		// Where another bay's valve was told to open as this one's water began, and gets none, it
		// may be that one's water.
		if runs && rate >= 0.05*k.HabitM3S && w.fedFor(y, now) == nil {
			v.Open, v.Since, v.SinceBase = true, shut, v.RunBase
			if v.Shut > v.Run {
				v.SinceBase = v.ShutBase
			}
		}
		return
	}
	v.Base = math.NaN()
	if !runs || !k.Runs || told && !y.b.Valve.Feedback {
		// With the command known to be open the valve does as it is told.
		return
	}
	spread := 3*k.NoiseM + 3*v.StopSpread + 0.002
	if !math.IsNaN(k.SetM) {
		stop := k.SetM
		if k.HabitStops >= 3 {
			stop = max(stop, k.HabitStopM)
		} else {
			stop += max(y.b.BandM, 0.005) + 0.003
		}
		if k.SmoothM > stop+spread && now-k.SetMoved > 2*y.poll() {
			v.Open, v.Since, v.SinceBase = true, now, k.TotalM3
		}
		return
	}
	if beyond, on := w.fillsOn(y, now); on {
		v.Open, v.Since, v.SinceBase = true, k.FillFrom, k.TotalM3-beyond
	}
}

// fillsOn says of the fill under way, where neither command nor set point is read, whether it goes on beyond what
// any set point asks, and what it has let in beyond its usual end, m3.
func (w *Watch) fillsOn(y *bay, now int64) (beyond float64, on bool) {
	k, v := &y.look, &y.st.Valve
	if math.IsNaN(k.RoomM3) {
		return 0, false
	}
	if v.RestN < 3 {
		// Where its fills leave the bay is not known yet. How high one has lifted the chamber may be: told a higher set
		// point it looks the same until half of all the room is used. And a controller goes by the chamber, and none is
		// told to fill to the crest; what comes while a valve shuts may lift it there.
		switch {
		case k.SmoothM <= y.b.CrestM || v.StopM >= y.b.CrestM:
			v.CrestAt = 0
		case v.CrestAt == 0:
			v.CrestAt = now
		}
		all, _ := w.l.HeldBetween(y.i, k.FillLevelM, y.b.CrestM)
		need := 0.0
		if v.StopM > k.FillLevelM {
			need, _ = w.l.HeldBetween(y.i, k.FillLevelM, v.StopM)
		}
		past := v.StopM > 0 && k.SmoothM > v.StopM+y.unseenM() && k.FillM3 >= 0.45*all
		return max(0, k.FillM3-need), past || v.CrestAt > 0 && now-v.CrestAt >= y.travel()+y.poll()
	}
	// What the fill has let in beyond what its fills do to bring the bay where they leave it, and what there was
	// room for from there to the crest: a controller that was told a higher set point looks the same until about
	// half of the room is used. It goes by what the meter counted: where the chamber stands at the crest
	// long before the bay, its level says nothing of the room left.
	// A fill that begins above where fills leave the bay (an evening's later one) needs nothing to come there, and has less room.
	rest := max(v.RestM, k.FillLevelM)
	need, u := w.l.HeldBetween(y.i, k.FillLevelM, rest)
	need += v.BeyondM3
	room, _ := w.l.HeldBetween(y.i, rest, y.b.CrestM)
	beyond = k.FillM3 - need
	half := beyond >= 0.35*room || k.FillM3 >= 0.45*(need+room)
	return beyond, half && beyond > 2*math.Hypot(u, v.RestSpread*k.SlopeM2) && k.SmoothM > v.RestM
}

// supplyState is what is remembered of the supply.
type supplyState struct {
	Low, Out int64   // since when the pressure has been gone, or out of band; 0 not
	Pa       float64 // smoothed
	At       int64
}

func (s *supplyState) init() { s.Pa = math.NaN() }

// supply finds a supply that is gone, and says what is left of the single valves' findings.
func (w *Watch) supply(now int64) {
	st := &w.st.Supply
	pa, read := w.l.Pressure()
	if read > st.At {
		if math.IsNaN(st.Pa) || read-st.At > 5*minute {
			st.Pa = pa
		}
		a := float64(read-st.At) / float64(read-st.At+30*second)
		st.Pa += a * (pa - st.Pa)
		st.At = read
	}
	known := read > 0 && now-read < 10*minute
	low, high := w.s.SupplyLowPa, w.s.SupplyHighPa
	gone := known && st.Pa < 0.4*nanOr(low, 200e3)
	if gone && st.Low == 0 {
		st.Low = now
	} else if !gone {
		st.Low = 0
	}
	out := known && (st.Pa < low || st.Pa > high)
	if out && st.Out == 0 {
		st.Out = now
	} else if !out {
		st.Out = 0
	}
	if out {
		n := site.NewFinding(site.PressureOutOfBand, "", "", at(st.Out))
		n.Because = site.Say("The supply stands at %s; the site's band is %s to %s.", site.Press(st.Pa), site.Press(low), site.Press(high))
		w.say(n)
	}
	var dry []*bay
	fed := false
	first := int64(0)
	for _, y := range w.bays {
		v := &y.st.Valve
		if v.Closed {
			dry = append(dry, y)
			if first == 0 || v.ClosedFor < first {
				first = v.ClosedFor
			}
		}
	}
	for _, y := range w.bays {
		fed = fed || first > 0 && y.look.RunAt > first
	}
	supply := gone || len(dry) >= 2 && !fed
	if supply {
		since := st.Low
		if since == 0 || first > 0 && first < since {
			since = first
		}
		n := site.NewFinding(site.NoSupply, "", "", at(since))
		n.Confidence = 0.98
		for _, y := range dry {
			n.Bays = append(n.Bays, y.b.ID)
			n.ToSoft = min(n.ToSoft, y.toDust())
		}
		switch {
		case gone && len(dry) > 0:
			n.Because = site.Say("The supply pressure is down to %s and bay %s asks for water in vain.", site.Press(st.Pa), dry[0].name())
		case gone:
			n.Because = site.Say("The supply pressure is down to %s.", site.Press(st.Pa))
		default:
			n.Because = site.Say("%d bays have asked for water for %s or more and no meter turns.", len(dry), lasted(now-dry[len(dry)-1].st.Valve.ClosedFor))
		}
		w.say(n)
	}
	for _, y := range dry {
		v := &y.st.Valve
		n := site.NewFinding(site.ValveStuckClosed, y.b.ID, "", at(v.ClosedFor))
		n.ToSoft = y.toDust()
		n.Confidence = 0.95
		told := y.look.ValveKnown && !y.b.Valve.Feedback
		what, waits := site.Say("its level has stood below its band and the controller was free to fill"), max(v.UnderFor, v.AskFor)
		if told {
			what, waits = site.Say("its valve has been told to open"), time.Duration(now-v.ClosedFor)*time.Millisecond
		}
		n.Because = site.Say("Bay %s: %s for %s and no water has come; the level is %s.", y.name(), what, lasted(waits.Milliseconds()), site.Depth(y.look.SmoothM))
		if !told && w.s.Find(y.b.ID, site.SetPoint) == nil {
			// A set point that somebody has lowered by more than the band leaves the same readings.
			n.Confidence = 0.7
			n.WouldDecide = site.Say("Look at the set point first: if somebody has lowered it, no water is due yet.")
		}
		if !supply && !known && !fed {
			n.OrKind, n.Confidence = site.NoSupply, 0.6
			open := site.Say("Open another bay's valve by hand: if no water comes there either, it is the supply.")
			if n.WouldDecide.Words == "" {
				n.WouldDecide = open
			} else {
				n.WouldDecide = site.Say("%s %s", n.WouldDecide, open)
			}
		}
		w.say(n)
	}
}

func nanOr(x, other float64) float64 {
	if math.IsNaN(x) {
		return other
	}
	return x
}

// sayStuckOpen tells of a valve that lets water in, with what is left until the crest.
func (w *Watch) sayStuckOpen(y *bay, now int64) {
	k, v := &y.look, &y.st.Valve
	rate, runs := y.running(now)
	if !runs {
		rate = k.RunM3S
	}
	if !(rate > 0) {
		rate = k.HabitM3S
	}
	n := site.NewFinding(site.ValveStuckOpen, y.b.ID, "", at(v.Since))
	n.RateM3S, n.VolumeM3 = rate, max(0, k.TotalM3-v.SinceBase)
	n.VolumeU = 2 * math.Hypot(water.MeterU(0.02)*n.VolumeM3, water.PulseU(k.PulseM3))
	n.Confidence = 0.99
	n.Carried = site.Known(y.b.OverflowM3S) && y.b.OverflowM3S >= rate
	var crest, soft, carries site.Phrase
	if !math.IsNaN(k.RoomM3) && rate > 0 {
		n.ToCrest = left(k.RoomM3 / rate)
		if !n.Carried {
			n.ToSoft = w.toSoft(y, rate)
		}
		switch {
		case k.RoomM3 == 0 || k.SmoothM >= y.b.CrestM:
			crest = site.Say("; the overflow is running")
		case n.ToCrest != site.NoTimeLeft:
			crest = site.Say("; the overflow runs in about %s", lasted(n.ToCrest.Milliseconds()))
		}
		if n.ToSoft != site.NoTimeLeft && n.ToSoft > time.Minute {
			soft = site.Say(", the surface is soft in about %s", lasted(n.ToSoft.Milliseconds()))
		}
		if !n.Carried && site.Known(y.b.OverflowM3S) {
			carries = site.Say("; it can carry only %s", site.Rate(y.b.OverflowM3S))
		}
	}
	why := site.Say("past where its fills stop")
	if k.ValveKnown && !k.ValveOpen {
		why = site.Say("although its valve was told to shut")
		if y.b.Valve.Feedback {
			why = site.Say("although its valve reports shut")
		}
	}
	n.Because = site.Say("Bay %s takes %s %s since %s: %s (± %s) so far%s%s%s.", y.name(), site.Rate(rate), why, clock(v.Since), site.Water(n.VolumeM3), site.Water(n.VolumeU), crest, soft, carries)
	w.say(n)
}

// toSoft is the time until the water stands in the surface layer at that rate.
func (w *Watch) toSoft(y *bay, rate float64) time.Duration {
	if math.IsNaN(y.look.BayM) || rate <= 0 {
		return site.NoTimeLeft
	}
	room, _ := w.l.HeldBetween(y.i, y.look.BayM, max(y.look.BayM, y.b.SurfaceBottomM()))
	return left(room / rate)
}

// clock is a moment as the club's wall clock shows it.
func clock(ms int64) site.Clock { return site.Clock(at(ms)) }

// toDust is the time until the level lies four centimetres under its set point at the rate a
// summer day takes, about where the surface is fed no more.
func (y *bay) toDust() time.Duration {
	k := &y.look
	if math.IsNaN(k.BayM) || math.IsNaN(k.SlopeM2) || k.SlopeM2 <= 0 {
		return site.NoTimeLeft
	}
	set := nanOr(k.SetM, nanOr(k.HabitStopM, k.BayM))
	perS := 0.005 * y.b.AreaM2 / 86400 / k.SlopeM2 // 5 mm of evaporation a day
	return left((k.BayM - (set - 0.04)) / perS)
}
