package watch

import (
	"cmp"
	"math"
	"slices"
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
	// those, where no set point is known.
	BeforeM, AskM float64
	Began         []begun

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
func (y *bay) still() int64 { return max(y.pulses(), 2*y.poll()) + 10*second }

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
// used (a set point moved by hand looks the same before that).
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
		v.Run, v.RunBase = 0, k.TotalM3
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
	if v.RestN < 3 || math.IsNaN(k.RoomM3) {
		return
	}
	// What the fill has let in beyond what its fills do to bring the bay where they leave it, and what there was
	// room for from there to the crest: a controller that was told a higher set point looks the same until about
	// half of the room is used. It goes by what the meter counted: where the chamber stands at the crest
	// long before the bay, its level says nothing of the room left.
	need, u := w.l.HeldBetween(y.i, k.FillLevelM, v.RestM)
	need += v.BeyondM3
	room, _ := w.l.HeldBetween(y.i, v.RestM, y.b.CrestM)
	used := k.FillM3 - need
	half := used >= 0.35*room || k.FillM3 >= 0.45*(need+room)
	if half && used > 2*math.Hypot(u, v.RestSpread*k.SlopeM2) && k.SmoothM > v.RestM {
		v.Open, v.Since, v.SinceBase = true, k.FillFrom, k.TotalM3-used
	}
}

// freeFor is how long a controller must have been free to fill before the level at which it does
// is the one at which it asks.
const freeFor = 20 * minute

// habits learns where fills begin and how far their stops scatter, from each fill that ended.
func (w *Watch) habits(y *bay, now int64) {
	k, v := &y.look, &y.st.Valve
	if !k.Runs {
		if !w.free(y, now) {
			v.FreeSince = 0
		} else if v.FreeSince == 0 {
			v.FreeSince = now
		}
		v.WasFree = v.FreeSince
	}
	// The balance shows within two strides what a fill did to the bay.
	if v.RestDue > 0 && (now >= v.RestDue || k.Runs) {
		v.RestDue = 0
		w.rests(y)
	}
	if k.Fills == v.SeenN {
		if !k.Runs {
			v.BeforeM = k.SmoothM
		}
		return
	}
	v.SeenN = k.Fills
	rested := len(v.Began) == 0 || k.LastFrom-v.EndedAt >= hour
	v.EndedAt = k.LastTo
	// Where neither command nor set point is read, a fill that went too far and then stopped may have
	// been asked for by a set point moved unseen: the next is judged by where this one left the bay.
	unseen := y.unseen()
	if !v.Closed && (!v.Open || unseen) {
		v.RestDue = now + 10*minute
	}
	if v.Open || v.Closed {
		return
	}
	if k.ValveKnown && !k.ValveOpen {
		if r := float64(k.RunAt - v.Shut); v.Shut > 0 && v.Shut == k.ValveChanged && r < float64(5*minute) {
			v.RunOn = max(r, 0.97*v.RunOn)
			v.RunOnN++
		}
	}
	free := v.WasFree > 0 && k.LastFrom-v.WasFree >= freeFor
	if unseen {
		v.stops(k.LastHighestM, y.unseenM(), v.AskM > 0 && v.BeforeM >= v.AskM-y.sure())
		v.began(begun{v.BeforeM, k.LastLevelM, k.LastFrom}, free && rested, y.sure())
	}
	// Where fills begin while water is lost is no habit: a bay that runs off sinks before its turn comes.
	lost := y.st.Bank.Open == site.Leak && !math.IsNaN(k.SetM)
	switch {
	case lost || math.IsNaN(k.LastLevelM):
	case math.IsNaN(k.SetM):
		v.started(k.LastLevelM, y.unseenM(), free)
	case (free || v.StartN < 3) && now-k.SetMoved > 12*hour:
		v.StartN++
		v.StartM += (k.LastLevelM - v.StartM) / float64(min(v.StartN, 8))
	}
	if k.HabitStops >= 2 {
		d := math.Abs(k.SmoothM-k.HabitStopM) / 0.8 // mean absolute deviation to a standard one
		v.StopN++
		v.StopSpread += (min(d, 0.01) - v.StopSpread) / float64(min(v.StopN, 8))
	}
}

// started takes where a fill began. Where nobody says at what level one is asked for it is no lower than
// there, and higher by what the bay has sunk while it waited for its window or its turn. So the upper quarter of
// the last fills tells, and not the highest, which somebody may have begun by hand.
func (v *valveState) started(levelM, far float64, free bool) {
	if free && levelM < v.StartM-far {
		v.Starts = v.Starts[:0] // so low, and the bay was filled after all: the level it is held at was lowered unseen
	}
	v.StartN++
	if v.Starts = append(v.Starts, levelM); len(v.Starts) > 8 {
		v.Starts = v.Starts[1:]
	}
	s := slices.Sorted(slices.Values(v.Starts))
	v.StartM = s[len(s)-1-(len(s)+1)/4]
}

// began takes where a fill began, by its chamber, which is what a controller sees. It asks no lower than there; at
// once, if it was free and the bay had come to rest from its last fill, and then the level at which it asks is
// known. One begun by hand, further up, is not believed where there are five.
func (v *valveState) began(b begun, atOnce bool, sure float64) {
	if math.IsNaN(b.M) {
		return
	}
	if atOnce && b.M < v.AskM-sure {
		v.Began = slices.DeleteFunc(v.Began, func(x begun) bool { return x.M > b.M }) // lowered unseen
	}
	v.Began = append(v.Began, b)
	for len(v.Began) > 8 && (v.Began[0].At < b.At-habitDays || len(v.Began) > 40) {
		v.Began = v.Began[1:]
	}
	last := v.Began[max(0, len(v.Began)-8):]
	s := make([]float64, len(last))
	for i, x := range last {
		s[i] = x.M
	}
	slices.Sort(s)
	v.AskM = s[len(s)-1-len(s)/5]
}

// habitDays is how far back a bay's lowest level is its habit.
const habitDays = 3 * 24 * hour

// lowest is how low the bay came in the three days before it asked, and no higher than where it does.
func (v *valveState) lowest() float64 {
	low := v.AskM
	for _, b := range v.Began {
		if b.At > v.Asked-habitDays {
			low = min(low, b.M, nanOr(b.BayM, b.M))
		}
	}
	return low
}

// stops takes how high a fill has lifted the chamber: where fills come to stop elsewhere, the set point was
// moved unseen, and they will begin elsewhere by as much. One that began as usual and stopped short was cut short.
func (v *valveState) stops(highestM, far float64, asUsual bool) {
	if math.IsNaN(highestM) || asUsual && highestM < v.StopM-far {
		return
	}
	if by := highestM - v.StopM; v.StopM == 0 || math.Abs(by) > far {
		if v.StopM > 0 && v.StartN > 0 {
			v.StartM += by
			for i := range v.Starts {
				v.Starts[i] += by
			}
			v.AskM += by
			for i := range v.Began {
				v.Began[i].M += by
				v.Began[i].BayM += by
			}
		}
		v.StopM = highestM
	}
	v.StopM += (highestM - v.StopM) / 4
}

// rests learns where a fill that ended has left the bay, and what it let in beyond that: at most what a
// band holds, or a valve that was stuck would be a habit.
func (w *Watch) rests(y *bay) {
	k, v := &y.look, &y.st.Valve
	if math.IsNaN(k.BayM) || k.RainAt >= k.LastFrom-hour {
		return
	}
	v.RestN++
	if off := math.Abs(k.BayM - v.RestM); v.RestN == 1 || off > max(y.b.BandM, 0.003) {
		v.RestM = k.BayM // the first, or the level it is held at was moved
	}
	n := float64(min(v.RestN, 8))
	v.RestSpread += (min(math.Abs(k.BayM-v.RestM)/0.8, 0.01) - v.RestSpread) / n
	v.RestM += (k.BayM - v.RestM) / n
	if need, _ := w.l.HeldBetween(y.i, k.LastLevelM, v.RestM); !math.IsNaN(need) {
		most := max(y.b.BandM, 0.003) * k.SlopeM2
		v.BeyondM3 += (max(0, min(k.LastM3-need, most)) - v.BeyondM3) / n
	}
}

// stuckClosed finds a bay that asks for water and gets none.
func (w *Watch) stuckClosed(y *bay, now int64) {
	k, v := &y.look, &y.st.Valve
	if !k.HasFlow && !k.HasMeter {
		return
	}
	_, runs := y.running(now)
	dt := time.Duration(0)
	if v.AskTick > 0 && now > v.AskTick {
		dt = min(time.Duration(now-v.AskTick)*time.Millisecond, time.Minute)
	}
	v.AskTick = now
	switch low := y.asksM(); {
	case runs || k.SmoothM > low+y.b.BandM:
		v.UnderFor, v.NearFor = 0, 0
	case k.SmoothM < low+y.b.BandM/2 && w.free(y, now):
		v.NearFor += dt
		if k.SmoothM < low {
			v.UnderFor += dt
		}
	}
	unseen := y.unseen()
	if runs || k.RunAt > v.Asked && v.Asked > 0 {
		// A fill that came after all where nobody knows the set point, and further down, had been waited for until
		// the level was down to a lower one.
		if v.AskFor > 0 && !(unseen && (v.Closed || v.BeforeM < v.AskM-2*y.sure())) {
			v.Wait = max(v.AskFor, v.Wait-v.Wait/32)
		}
		v.Asked, v.AskFor, v.Closed, v.Vain = 0, 0, false, false
		return
	}
	asks, patience := y.asks(now)
	if !asks {
		if v.Closed && y.recovered() {
			v.Closed = false
		}
		if !v.Closed {
			v.Asked, v.AskFor, v.Vain = 0, 0, false
		}
		return
	}
	if v.Asked == 0 {
		v.Asked, v.AskLevel, v.AskFor, v.AskMainL = now, k.SmoothM, 0, w.mainBeyond()
		if k.ValveKnown && k.ValveOpen {
			// Water that has come since it was told to open was not asked for in vain.
			v.Asked = max(k.ValveChanged, k.RunAt)
		}
	}
	free := w.free(y, now)
	if !free && !v.Closed && !w.inWindow(y, now) {
		v.AskFor = 0 // a new window is a new wait
	}
	if !free && !v.Vain {
		return
	}
	if free {
		v.AskFor += dt
	}
	if k.ValveKnown && k.ValveOpen && !y.b.Valve.Feedback {
		// Only as long as the meter has been heard: what was not read may have run.
		v.AskFor = time.Duration(k.MeterAt-v.Asked) * time.Millisecond
	}
	if now-k.MeterAt > 3*y.poll() || now-k.LevelAt > 10*minute {
		return
	}
	if v.Closed || !v.Vain && (v.AskFor < patience || v.AskFor < heldUp && w.queued(y)) {
		return
	}
	// Water that lifts the level has come, whatever the meter says; and while the main meter counts
	// water that no bay's does, it may be on its way here.
	main := w.mainBeyond()-v.AskMainL > 1000*sparseM3
	if rise := k.SmoothM - v.AskLevel; rise > max(0.003, 5*k.NoiseM, y.stillRises()) {
		y.st.Meter.sawRise(now, v.Asked, rise, main)
		return
	}
	if main && !v.Vain && v.AskFor < onItsWay {
		return
	}
	if unseen {
		// A set point lowered unseen leaves the same readings until the bay is down to where it asks now. What
		// tells is how far under its habit a bay sinks that has asked in vain, and be it that its window has closed.
		v.Vain = true
		if low := v.lowest() - y.unseenM(); k.SmoothM >= low || k.BayM >= low {
			return
		}
	}
	v.Closed, v.ClosedAt, v.ClosedFor = true, now, v.Asked
}

// stillRises is how far the chamber may have risen since the water stopped under an open command by what was
// counted before, m: up to half of what the fill would have lifted it, had it gone on uncounted.
func (y *bay) stillRises() float64 {
	k, s := &y.look, &y.st.Fills
	if !k.ValveKnown || !k.ValveOpen || k.RunAt <= k.ValveChanged || s.HabitN < 3 {
		return 0
	}
	return s.Gain * k.HabitM3S * y.st.Valve.AskFor.Seconds() / 2
}

// onItsWay is how long water that the main meter counts may take to lift a chamber.
const onItsWay = 20 * time.Minute

// heldUp is longer than a controller leaves one valve open before its next turn.
const heldUp = 2 * time.Hour

// queued says whether the bay may only be waiting for another: where one is filled at a time and no
// command is read, a valve that gives nothing holds up all whose turn would be next. The one asked first, so
// it may be any that may have asked for half as long as this one must have, and has had no water since this one
// began to.
func (w *Watch) queued(y *bay) bool {
	v := &y.st.Valve
	if !y.b.Fill.OneAtATime || y.look.ValveKnown && !y.b.Valve.Feedback {
		return false
	}
	return slices.ContainsFunc(w.bays, func(o *bay) bool {
		return o != y && o.look.RunAt < v.Asked && o.st.Valve.NearFor > 0 && o.st.Valve.NearFor >= v.UnderFor/2
	})
}

// longer says whether another bay has asked for longer and has had no water since this one stands low.
func (w *Watch) longer(y *bay) bool {
	return slices.ContainsFunc(w.bays, func(o *bay) bool {
		return o != y && o.look.RunAt < y.st.Level.LowAt && o.st.Valve.UnderFor > y.st.Valve.UnderFor
	})
}

// unseenM is by how much fills must begin or stop elsewhere than usual for the level the bay is held at to be
// another one.
func (y *bay) unseenM() float64 { return 1.5 * max(y.b.BandM, 0.003) }

// asksM is the level at which the bay asks for water, NaN while nobody knows.
func (y *bay) asksM() float64 {
	v := &y.st.Valve
	if low := y.look.SetM - y.b.BandM; !math.IsNaN(low) || len(v.Began) == 0 {
		return low
	}
	return v.AskM
}

// unseen says whether nobody knows what the bay is asked to hold, nor when its valve is told to open.
func (y *bay) unseen() bool {
	return math.IsNaN(y.look.SetM) && (!y.look.ValveKnown || y.b.Valve.Feedback)
}

// sure is by how much a chamber must stand under where it asks for that to be so, m.
func (y *bay) sure() float64 { return 1.5*y.look.NoiseM + 0.001 }

// asks says whether the bay asks for water, and how long it may wait for it.
func (y *bay) asks(now int64) (bool, time.Duration) {
	k, v := &y.look, &y.st.Valve
	wait := time.Duration(y.travel()+2*y.pulses()+3*y.poll()) * time.Millisecond
	switch {
	case k.ValveKnown && !y.b.Valve.Feedback:
		return k.ValveOpen, max(3*time.Minute, wait)
	case math.IsNaN(k.BayM):
		return false, 0
	case !math.IsNaN(k.SetM):
		low := k.SetM - y.b.BandM
		if v.StartN >= 3 && now-k.SetMoved > 12*hour {
			low = min(low, v.StartM)
		}
		return k.SmoothM < low-3*k.NoiseM/2-0.001 && k.BayM < low-0.001, max(20*time.Minute, wait, y.turn())
	case len(v.Began) > 0:
		low := v.AskM
		if v.Asked == 0 && v.UnderFor < heldUp {
			low -= y.sure()
		}
		rests := now-k.RunAt < hour // a bay that takes several fills gets them one by one
		return k.SmoothM < low && !rests, max(20*time.Minute, wait, y.turn())
	}
	return false, 0
}

// turn is how long a bay's turn may be in coming where only its level says that it asks: half as
// long again as it has been seen to take.
func (y *bay) turn() time.Duration {
	return min(y.st.Valve.Wait+y.st.Valve.Wait/2+5*time.Minute, 6*time.Hour)
}

func (y *bay) recovered() bool {
	k := &y.look
	return !math.IsNaN(k.SetM) && !math.IsNaN(k.BayM) && k.BayM > k.SetM-y.b.BandM/2
}

// free says whether the controller may fill this bay now, by its stated habits; what has been told to open
// may, and be it that its window has closed since.
func (w *Watch) free(y *bay, now int64) bool {
	if !w.inWindow(y, now) && !(y.look.ValveKnown && y.look.ValveOpen && !y.b.Valve.Feedback && y.heardValve(now)) {
		return false
	}
	if y.b.Fill.OneAtATime {
		for _, o := range w.bays {
			if o != y && (o.look.Runs || o.look.ValveKnown && o.look.ValveOpen) {
				return false
			}
		}
	}
	return true
}

// inWindow says whether one of the bay's fill windows is open.
func (w *Watch) inWindow(y *bay, now int64) bool {
	n := y.b.Fill.Windows
	return len(n) == 0 || slices.ContainsFunc(n, func(win site.DayWindow) bool { return win.Contains(at(now), w.s.Zone) })
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
