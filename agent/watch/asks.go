package watch

import (
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
)

// freeFor is how long a controller must have been free to fill before the level at which it does
// is the one at which it asks.
const freeFor = 20 * minute

// habits learns where fills begin and how far their stops scatter, from each fill that ended.
func (w *Watch) habits(y *bay, now int64) {
	k, v := &y.look, &y.st.Valve
	if v.FirstM == 0 && k.SmoothM > 0 {
		v.FirstM = k.SmoothM
	}
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
		v.stops(k.LastHighestM, y.unseenM(), len(v.Began) > 0 && v.BeforeM >= v.AskM-y.sure())
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
	for len(v.Began) > 8 && (v.Began[0].At < b.At-habitFor || len(v.Began) > 40) {
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

// habitFor is how far back a bay's lowest level is its habit, ms.
const habitFor = 3 * day

// lowest is how low the bay came in the three days before it asked, and no higher than where it does.
func (v *valveState) lowest() float64 {
	low := v.AskM
	for _, b := range v.Began {
		if b.At > v.Asked-habitFor {
			low = min(low, b.M, nanOr(b.BayM, b.M))
		}
	}
	return low
}

// likelyAsks is where the chamber of a bay asks that has not been filled since it is watched, 0 not known: as far under
// where it was first seen as any of three other bays or more, and a band at least. It is too high where rain
// had filled the bay before by far more than all the others.
func (w *Watch) likelyAsks(y *bay) float64 {
	n, far := 0, y.b.BandM
	for _, o := range w.bays {
		if v := &o.st.Valve; o != y && len(v.Began) > 0 {
			n++
			far = max(far, v.FirstM-v.AskM)
		}
	}
	if n < 3 || y.st.Valve.FirstM == 0 {
		return 0
	}
	return y.st.Valve.FirstM - far
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
	if runs && !v.Served {
		w.served(y)
	}
	v.Served = runs
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
		v.Asked, v.AskFor, v.Closed, v.Vain, v.HeldN, v.AtOnceN = 0, 0, false, false, 0, 0
		return
	}
	if unseen && len(v.Began) == 0 && now%hour == 0 {
		v.AskM = w.likelyAsks(y)
	}
	asks, patience := y.asks(now)
	if !asks {
		if v.Closed && y.recovered() {
			v.Closed = false
		}
		if !v.Closed {
			v.Asked, v.AskFor, v.Vain, v.HeldN, v.AtOnceN = 0, 0, false, 0, 0
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
		low := v.lowest() - y.unseenM()
		if v.notOpen() {
			low -= y.unseenM()
		}
		if !(v.holdsUp() && !w.queued(y)) && (k.SmoothM >= low || k.BayM >= low) {
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

// served takes what the fill that y has just got tells of the bays that ask in vain, where one is filled at a time
// and no command is read: a valve that is open and gives nothing holds up all others, for as long as the controller
// leaves it open. Of a bay whose set point was lowered unseen nobody takes notice, and y was served as it asked.
func (w *Watch) served(y *bay) {
	v := &y.st.Valve
	if !y.b.Fill.OneAtATime || !y.unseen() || len(v.Began) < 5 || math.Abs(v.BeforeM-v.AskM) > 2*y.sure() {
		return // it is not known to the minute when it began to ask
	}
	for _, o := range w.bays {
		if s := &o.st.Valve; o != y && s.Asked > 0 {
			switch {
			case v.UnderFor >= 15*time.Minute:
				s.HeldN++
			case v.UnderFor < 10*time.Minute:
				s.AtOnceN++
			}
		}
	}
}

// A bay beside one that holds them up is held up in a third of its fills at least, where the controller tries for a
// third of the time, and one in fifty is without any: a fill held up weighs as much as five at once.
const heldWeighs = 5

// holdsUp says whether other bays' fills have shown that this bay's valve is told to open, notOpen that it is not.
func (v *valveState) holdsUp() bool { return v.HeldN >= 2 && heldWeighs*v.HeldN-v.AtOnceN >= 8 }
func (v *valveState) notOpen() bool { return v.AtOnceN-heldWeighs*v.HeldN >= 5 }

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
	if low := y.look.SetM - y.b.BandM; !math.IsNaN(low) || v.AskM == 0 {
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
	case v.AskM > 0:
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
