package watch

import (
	"math"

	"bayledger/agent/site"
)

// apartAtMost is how much later than a bay's meter the main meter may be read.
const apartAtMost = 12 * minute

// lineSizes are the losses before the bays' meters over which the test averages, L/h.
var lineSizes = [...]float64{5, 10, 20, 50, 100, 300, 1000}

// mainState is what is remembered of the main meter against the bays'.
type mainState struct {
	From   int64  // when the comparison under way, or its last part, began, ms; 0 before the first
	Rest   int64  // when the comparison began
	Ran    []bool // which bays ran when the last part began
	Still  int64  // until when water had run when all was last still
	Part   mainPart
	Sights [2]mainSight // at the last reading but one at which water ran, and the last
	// Late2 is how far apart in time the main and the bays' totals are read, s2, as so many stops had it.
	Late2, Stops float64
	Main         float64
	Bays         []float64 // L, each bay's total then
	Habit        mainHabit
	R            [len(lineSizes)]float64 // Shiryaev-Roberts sums, logarithms
	Open         bool
	Since        int64
	Quiet        int64
	Rate         float64
	RateU        float64
	Short        float64
	ShortAt      float64
	Fault        bool
	FaultAt      int64
	Share        float64 // by which the main meter counts too much, where that was found; 0 where it stopped
	ShareU       float64
	Past         []mainMark // of the last days, one an hour
	Sum          float64    // L and L2, the excess and its variance since the start
	SumV         float64
}

// mainMark is where the main meter's excess stood.
type mainMark struct {
	T         int64
	Sum, SumV float64
}

// mainSince is what the main meter has counted beyond the bays' meters and its habit since a
// moment, L/h, with its standard uncertainty; ok is false without a main meter or when the moment
// is not within reach.
func (w *Watch) mainSince(t int64) (rate, u float64, ok bool) {
	st := &w.st.Main
	for i := range st.Past {
		m := &st.Past[i]
		if m.T < t {
			continue
		}
		last := &st.Past[len(st.Past)-1]
		h := float64(last.T-m.T) / float64(hour)
		if h < 6 {
			return 0, 0, false
		}
		return (last.Sum - m.Sum) / h, math.Sqrt(last.SumV-m.SumV) / h, true
	}
	return 0, 0, false
}

// mainPast is how many hours of the main meter's excess are kept.
const mainPast = 10 * 24

// mainPart is what the parts of the comparison under way have come to, L and h: what the main counted beyond the
// bays' meters, what those counted, what departs from the habit and its variance.
type mainPart struct{ D, Fed, X, V, Hours float64 }

// mainSight is where the totals stand, and when water was last seen to run.
type mainSight struct {
	At         int64
	Main, Bays float64 // L
	Flow       float64 // L/s, of what runs
}

// mainMeter sets the main meter against the bays', from one moment at which nothing has run for a
// while to another. What the main counts beyond its habit, steadily, is lost before the bays; what
// it counts too much or too little whenever one bay is filled is that bay's meter; and a main that
// departs with all bays is itself at fault. Where bays are filled one after the other, or longer than one
// another, a comparison has a part for each time at which others or none run, so that one bay's water does not stand beside
// what the others' meters may err by.
func (w *Watch) mainMeter(now int64) {
	st := &w.st.Main
	if !w.hasMain() {
		return
	}
	if len(st.Ran) != len(w.bays) {
		st.Ran, st.From = make([]bool, len(w.bays)), 0
	}
	// The main meter may be read minutes after a bay's; only while nothing has run for a while, by all
	// of them, do their totals belong together: one that is not heard will have more to tell.
	poll, age := w.mainPoll(), now-w.l.MainAt()
	heard, fresh := age <= max(3*poll, 2*minute), age <= poll+10*second
	runs, other := false, false
	seen := mainSight{Main: w.l.MainL()}
	for i, y := range w.bays {
		k := &y.look
		if !k.HasFlow && !k.HasMeter || y.uncounted(max(st.From, now-hour), now) {
			st.From = 0 // a bay's water is not counted: nothing can be compared
			return
		}
		runs = runs || now-max(k.RunAt, y.st.Valve.Opened) < apartAtMost
		heard = heard && now-k.MeterAt <= max(3*y.poll(), 2*minute)
		ran := y.ranLately(now)
		if other = other || ran != st.Ran[i]; ran || st.Ran[i] {
			fresh = fresh && now-k.MeterAt <= y.poll()+10*second
		}
		if ran {
			seen.Flow += 1000 * k.RunM3S
		}
		seen.At, seen.Bays = max(seen.At, k.RunAt), seen.Bays+1000*k.TotalM3
	}
	if !heard {
		return
	}
	if seen.At > st.Sights[1].At {
		st.Sights = [2]mainSight{st.Sights[1], seen}
	}
	rests := !runs && (st.From == 0 || now-st.Rest >= hour)
	still := !runs && seen.At > st.Still
	part := other && fresh && st.Stops >= leastStops && w.lateS2() <= sq(lateMost) && now-st.From >= int64(len(w.bays))*partApart
	if !rests && (st.From == 0 || !part && !still) {
		return
	}
	w.compareMain(now, &seen, rests, !runs)
}

// partApart is the least a part lasts for each bay: what a comparison costs goes by the square of the bays.
const partApart = 10 * second

// ranLately says that water ran by the last reading or the one before.
func (y *bay) ranLately(now int64) bool {
	return y.look.RunAt > 0 && now-y.look.RunAt < y.poll()*3/2+10*second
}

// stopped learns how far apart in time the main meter and the bays' show the same water: what one had still to tell
// at the last reading but one at which water ran, and has told by now, when all is still, over the flow.
func (st *mainState) stopped(seen *mainSight, ends float64) {
	if s, last := &st.Sights[0], &st.Sights[1]; s.Flow > 0 && last.At-s.At < 2*minute {
		late2 := max(0, sq(seen.Main-s.Main-(seen.Bays-s.Bays))-2*ends) / sq(s.Flow)
		n := min(st.Stops, mostStops)
		st.Late2 = (st.Late2*n + late2) / (n + 1)
		st.Stops = n + 1
	}
	st.Sights, st.Still = [2]mainSight{}, seen.At
}

// lateS2 is the variance in time, s2, between the main meter's reading and the bays'; before any stop has shown it,
// each is read at some moment of a poll.
func (w *Watch) lateS2() float64 {
	st := &w.st.Main
	return (st.Late2*st.Stops + sq(float64(w.mainPoll())/1000)/6) / (st.Stops + 1)
}

// leastStops is how many stops must have shown it before a comparison is made while water runs, mostStops how many
// are remembered; lateMost, s, is how far apart the totals may then be.
const leastStops, mostStops, lateMost = 5.0, 50.0, 10.0

// compareMain compares since the last comparison, or its last part; still says that nothing has run for a while, rests
// that this is no part, or the last.
func (w *Watch) compareMain(now int64, seen *mainSight, rests, still bool) {
	st := &w.st.Main
	main := seen.Main
	if st.Bays == nil {
		st.Bays = make([]float64, len(w.bays))
		for i := range st.R {
			st.R[i] = math.Inf(-1)
		}
	}
	if len(w.fed) != len(w.bays) {
		w.fed = make([]float64, len(w.bays))
	}
	d, fed, ends, own := main-st.Main, 0.0, 0.0, 0.25
	for i, y := range w.bays {
		total := y.look.TotalM3 * 1000
		f := total - st.Bays[i]
		w.fed[i] = f
		fed += f
		own += sq(meterRepeats * f)
		ends += sq(y.look.PulseM3*1000) / 12
		st.Bays[i], st.Ran[i] = total, y.ranLately(now)
	}
	if w.main != nil && w.main.PulseM3 > 0 {
		ends += sq(w.main.PulseM3*1000) / 12
	}
	if still {
		st.stopped(seen, ends)
	} else {
		ends += w.lateS2() * sq(seen.Flow)
	}
	hours := float64(now-st.From) / float64(hour)
	first := st.From == 0 || hours > 48
	st.From, st.Main = now, main
	if rests {
		st.Rest = now
	}
	h := &st.Habit
	h.size(len(w.bays))
	if first {
		h.start(ends)
		st.Part = mainPart{}
		return
	}
	more, startX, startV := h.More, h.X[h.N+1], h.P[len(h.P)-1]+h.Ends
	// What is wrong with a meter is taken into the habit when it is found; a loss is not.
	x, v := h.compare(d-fed, w.fed, hours, ends, own, st.Open || st.Fault && st.Share == 0)
	p := &st.Part
	p.D, p.Fed, p.X, p.V, p.Hours = p.D+d-fed, p.Fed+fed, p.X+x, p.V+v, p.Hours+hours
	if more {
		// The error at the end of the part before is in that with the other sign.
		p.X, p.V = p.X+startX, p.V-startV
	}
	if still && sq(x) < 4*v {
		h.pause()
	}
	h.carry(now, w.fed, hours, x, v, !rests)
	h.learn(x)
	if !rests {
		return
	}
	whole := *p
	whole.V = max(whole.V, own+ends)
	*p = mainPart{}
	st.Sum += whole.X
	st.SumV += whole.V
	if len(st.Past) == mainPast {
		st.Past = st.Past[:copy(st.Past, st.Past[1:])]
	}
	st.Past = append(st.Past, mainMark{now, st.Sum, st.SumV})
	w.meterShares(now)
	w.lineTest(whole.X, whole.V, whole.Hours)
	w.mainStopped(whole.D, whole.Fed, whole.V, now)
}

// mainPoll is how often the main meter is read, ms.
func (w *Watch) mainPoll() int64 { return max(intervalMS(w.main), intervalMS(w.mainFlow)) }

// uncounted says whether the bay may have taken water since from that its meter did not count: its
// valve was told to open and for some time nothing was heard of it, or its level rose as in a fill.
func (y *bay) uncounted(from, now int64) bool {
	m, v := &y.st.Meter, &y.st.Valve
	opened := v.Opened > 0 && (v.Opened >= from || v.IsOpen) && y.look.RunAt < v.Opened && now-v.Opened >= apartAtMost
	return m.Dead || m.Stuck || m.RiseT > 0 && m.RiseT >= from || opened && !v.Closed
}

// mainBeyond is what the main meter has counted beyond the bays' meters since the start, L; 0
// without a main meter.
func (w *Watch) mainBeyond() float64 {
	if !w.hasMain() {
		return 0
	}
	beyond := w.l.MainL()
	for _, y := range w.bays {
		beyond -= 1000 * y.look.TotalM3
	}
	return beyond
}

// hasMain says whether the site has a main meter.
func (w *Watch) hasMain() bool {
	return w.main != nil || w.mainFlow != nil
}

// meterShares asks by the main meter whether a bay's meter, or the main itself, has come to count
// otherwise: wrongly, or rightly again.
func (w *Watch) meterShares(now int64) {
	st := &w.st.Main
	h := &st.Habit
	c, sum, ok := h.verdict(now, w.budget.odds)
	if !ok || sum < w.budget.morning || math.Abs(c.size) < wrongLeast || math.Abs(c.size) < 3*c.u {
		return
	}
	if c.col == h.N+mainCol {
		if st.Fault && st.Share == 0 {
			return // it has stopped
		}
		if !st.Fault {
			st.FaultAt = c.from
		}
		st.Share += c.size
		st.ShareU = c.u
		if st.Fault = math.Abs(st.Share) >= wrongLeast; !st.Fault {
			st.Share = 0
		}
	} else {
		y := w.bays[c.col]
		m := &y.st.Meter
		if !m.Wrong {
			m.WrongAt, m.Odds = c.from, c.odds
		}
		// What the main counts too much while this bay is filled, its own meter counts too little.
		m.Share, m.ShareU = (1+m.Share)/(1+c.size)-1, c.u
		if m.Wrong = math.Abs(m.Share) >= wrongLeast; !m.Wrong {
			m.Share = 0
		}
		y.st.Bank.restart(now)
		y.st.Bank.Open = ""
	}
	h.jump(c)
	// What was taken for a loss before the bays was this.
	w.lineOver()
}

// meterCleared says that by the main meter a bay's own has not come to count a share too much since
// a moment.
func (w *Watch) meterCleared(y *bay, since int64, share float64) bool {
	h := &w.st.Main.Habit
	if h.N != len(w.bays) {
		return false
	}
	size, u, ok := h.since(since, y.i)
	return ok && math.Abs(size+share/(1+share)) > 3*u && math.Abs(size) < math.Abs(share)/2
}

// wrongLeast is the least share of mis-registration worth telling: two class 2 meters may come to
// differ by it.
const wrongLeast = 0.04

func (w *Watch) lineTest(x, v, hours float64) {
	st := &w.st.Main
	top := math.Inf(-1)
	for i, size := range lineSizes {
		m := size * hours
		// A hose that ran once, far beyond any noise, is no loss that goes on: one comparison
		// speaks for a loss no louder than three deviations do.
		llr := min(m*x/v-m*m/(2*v), 4.5)
		// R = (1 + R) L, in logarithms.
		r := max(st.R[i], 0) + math.Log1p(math.Exp(-math.Abs(st.R[i])))
		if math.IsInf(st.R[i], -1) {
			r = 0
		}
		st.R[i] = r + llr
		top = max(top, st.R[i])
	}
	sum := 0.0
	for _, r := range st.R {
		sum += math.Exp(r - top)
	}
	stat := top + math.Log(sum/float64(len(lineSizes)))
	if !st.Open {
		if stat > w.budget.hourly && st.Habit.steadily(w.budget.odds) {
			c := st.Habit.likeliest(st.Habit.N+lineCol, true)
			st.Open, st.Since, st.Quiet, st.Rate, st.RateU = true, c.from, 0, c.size, c.u
		}
		return
	}
	if size, u, ok := st.Habit.since(st.Since, st.Habit.N+lineCol); ok && x > st.Rate*hours/2 {
		st.Rate, st.RateU = size, u
	}
	// Over: three hours in a row without half the loss.
	if x < st.Rate*hours/2 {
		st.Quiet++
	} else {
		st.Quiet = 0
	}
	if st.Quiet >= 3 {
		w.lineOver()
	}
}

// lineOver forgets what spoke for a loss before the bays.
func (w *Watch) lineOver() {
	st := &w.st.Main
	st.Open, st.Quiet = false, 0
	for i := range st.R {
		st.R[i] = math.Inf(-1)
	}
}

// mainStopped finds a main meter that counts far less than the bays' meters together.
func (w *Watch) mainStopped(d, fed, v float64, now int64) {
	st := &w.st.Main
	st.Short = 0.8*st.Short + min(0, d)
	st.ShortAt = 0.8*st.ShortAt + fed
	switch {
	case st.ShortAt > 50 && st.Short < -0.15*st.ShortAt-5*math.Sqrt(v):
		if !st.Fault && st.Habit.allAlike(w.budget.odds) {
			st.Fault, st.FaultAt, st.Share = true, now, 0
		}
	case st.Short > -0.07*st.ShortAt && st.Share <= 0:
		st.Fault = false
	}
}

func (w *Watch) sayMain(now int64) {
	st := &w.st.Main
	if st.Open {
		n := site.NewFinding(site.SupplyLineLeak, "", "", at(st.Since))
		h := float64(now-st.Since) / float64(hour)
		n.RateM3S, n.VolumeM3, n.VolumeU = st.Rate/3.6e6, st.Rate*h/1000, 2*st.RateU*h/1000
		n.Confidence = 0.95
		n.Because = site.Say("The main meter has counted %s (± %s) more than the bays' meters since about %s: %s so far.", site.Rate(n.RateM3S), site.RateU{U: 2 * st.RateU / 3.6e6, Of: n.RateM3S}, w.when(st.Since), site.Water(n.VolumeM3))
		w.say(n)
	}
	if st.Fault {
		id := ""
		if w.main != nil {
			id = w.main.ID
		}
		n := site.NewFinding(site.MainMeterFault, "", id, at(st.FaultAt))
		n.Confidence = 0.9
		n.Because = site.Say("The main meter counts %.0f %% less than the bays' meters together.", -100*st.Short/st.ShortAt)
		if st.Share != 0 {
			n.Because = site.Say("The main meter has counted %.0f %% (± %.0f %%) %s than the bays' meters, whichever bay is filled, since about %s.", 100*math.Abs(st.Share), 200*st.ShareU, moreOrLess(st.Share), w.when(st.FaultAt))
		}
		w.say(n)
	}
}

func sq(x float64) float64 { return x * x }
