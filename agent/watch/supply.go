package watch

import (
	"fmt"
	"math"

	"bayledger/agent/site"
)

// apartAtMost is how much later than a bay's meter the main meter may be read.
const apartAtMost = 12 * minute

// lineSizes are the losses before the bays' meters over which the test averages, L/h.
var lineSizes = [...]float64{5, 10, 20, 50, 100, 300, 1000}

// mainState is what is remembered of the main meter against the bays'.
type mainState struct {
	From           int64 // when the hour under way began, ms; 0 before the first
	Main, Bays     float64
	Share          float64 // learned: how much more the main meter counts of what the bays do
	ShareP         float64 // its variance
	Rest           float64 // learned: what flows beside the bays all the time, L/h
	RestP          float64
	R              [len(lineSizes)]float64 // Shiryaev-Roberts sums, logarithms
	S              float64                 // drawn back to nought while nothing is wrong
	Lost           float64                 // L since the onset
	SVar           float64
	Begin          int64 // onset: when S was last at nought
	Open           bool
	Since, Quiet   int64
	Rate, RateU    float64
	Short, ShortAt float64
	Fault          bool
	FaultAt        int64
	Hours          int
	Past           []mainMark // of the last days, one an hour
	Sum, SumV      float64    // L and L2, the excess and its variance since the start
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

// mainMeter sets the main meter against the sum of the bays', hour by hour. What the main counts
// beyond its learned share and the learned rest, steadily, is lost before the bays; a main that
// counts far less than the bays is itself at fault.
func (w *Watch) mainMeter(now int64) {
	st := &w.st.Main
	if !w.hasMain() {
		return
	}
	bays, pulses := 0.0, 0.0
	since := max(st.From, now-hour)
	for _, y := range w.bays {
		k := &y.look
		if !k.HasFlow && !k.HasMeter || y.uncounted(since) {
			st.From = 0 // a bay's water is not counted: nothing can be compared
			return
		}
		bays += k.TotalM3 * 1000
		pulses += sq(k.PulseM3*1000) / 6
	}
	main := w.l.MainL()
	if st.From == 0 || now-st.From > 12*hour {
		if st.ShareP == 0 {
			// Two class 2 meters and bays' meters that start late: three percent.
			st.ShareP, st.RestP = sq(0.03), sq(5)
			for i := range st.R {
				st.R[i] = math.Inf(-1)
			}
		}
		st.From, st.Main, st.Bays = now, main, bays
		return
	}
	if now-st.From < hour {
		return
	}
	// The main meter may be read minutes after a bay's; only while nothing has run for a while
	// do their totals belong together.
	for _, y := range w.bays {
		if now-y.look.RunAt < apartAtMost {
			return
		}
	}
	hours := float64(now-st.From) / float64(hour)
	fed := bays - st.Bays
	d := main - st.Main - fed
	q := 0.0
	if p := w.s.Find("", site.Volume); p != nil && p.PulseM3 > 0 {
		q = p.PulseM3 * 1000
	}
	st.From, st.Main, st.Bays = now, main, bays
	st.Hours++
	if st.Hours == 1 {
		return
	}
	x := d - st.Share*fed - st.Rest*hours
	v := q*q/6 + pulses + sq(0.01*fed) + sq(2*q)/6 + sq(1) + st.ShareP*fed*fed + st.RestP*hours*hours
	st.Sum += x
	st.SumV += v
	if len(st.Past) == mainPast {
		st.Past = st.Past[:copy(st.Past, st.Past[1:])]
	}
	st.Past = append(st.Past, mainMark{now, st.Sum, st.SumV})
	w.lineTest(x, v, hours, now)
	w.mainFault(d, fed, v, now)
	if st.Open || st.Fault {
		return
	}
	// Learning, slow enough that a leak is found before it is learned.
	s := v
	x2 := min(math.Abs(x), 3*math.Sqrt(s))
	if x < 0 {
		x2 = -x2
	}
	kShare, kRest := st.ShareP*fed/s, st.RestP*hours/s
	st.Share += kShare * x2
	st.Rest += kRest * x2
	st.ShareP = st.ShareP*(1-kShare*fed) + sq(0.0005)
	st.RestP = st.RestP*(1-kRest*hours) + sq(0.02)
}

// uncounted says whether the bay may have taken water since from that its meter did not count: its
// valve was told to open and nothing was heard of it, or its level rose as in a fill.
func (y *bay) uncounted(from int64) bool {
	m, v := &y.st.Meter, &y.st.Valve
	opened := v.Opened > 0 && (v.Opened >= from || v.IsOpen) && y.look.RunAt < v.Opened
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
	return w.s.Find("", site.Volume) != nil || w.s.Find("", site.Flow) != nil
}

func (w *Watch) lineTest(x, v, hours float64, now int64) {
	st := &w.st.Main
	top := math.Inf(-1)
	for i, size := range lineSizes {
		m := size * hours
		llr := m*x/v - m*m/(2*v)
		// R = (1 + R) L, in logarithms.
		r := max(st.R[i], 0) + math.Log1p(math.Exp(-math.Abs(st.R[i])))
		if math.IsInf(st.R[i], -1) {
			r = 0
		}
		st.R[i] = r + llr
		top = max(top, st.R[i])
	}
	// A sum that half a deviation an hour pulls back to nought dates the onset: it began when the
	// sum last left nought, and what was counted since gives the rate.
	if st.S+x-0.5*math.Sqrt(v) <= 0 && !st.Open {
		st.S, st.Lost, st.SVar, st.Begin = 0, 0, 0, now
	} else {
		st.S += x - 0.5*math.Sqrt(v)
		st.Lost += x
		st.SVar += v
	}
	if lasted := float64(now-st.Begin) / float64(hour); lasted > 0 && st.Lost > 0 {
		st.Rate, st.RateU = st.Lost/lasted, math.Sqrt(st.SVar)/lasted
	}
	sum := 0.0
	for _, r := range st.R {
		sum += math.Exp(r - top)
	}
	stat := top + math.Log(sum/float64(len(lineSizes)))
	if !st.Open {
		if stat > w.budget.hourly {
			st.Open, st.Since, st.Quiet = true, st.Begin, 0
		}
		return
	}
	// Over: three hours in a row without half the loss.
	if x < st.Rate*hours/2 {
		st.Quiet++
	} else {
		st.Quiet = 0
	}
	if st.Quiet >= 3 {
		st.Open, st.S, st.Lost, st.SVar, st.Begin = false, 0, 0, 0, now
		for i := range st.R {
			st.R[i] = math.Inf(-1)
		}
	}
}

// mainFault finds a main meter that counts far less than the bays' meters together.
func (w *Watch) mainFault(d, fed, v float64, now int64) {
	st := &w.st.Main
	st.Short = 0.8*st.Short + min(0, d)
	st.ShortAt = 0.8*st.ShortAt + fed
	switch {
	case st.ShortAt > 50 && st.Short < -0.15*st.ShortAt-5*math.Sqrt(v):
		if !st.Fault {
			st.Fault, st.FaultAt = true, now
		}
	case st.Short > -0.07*st.ShortAt:
		st.Fault = false
	}
}

func (w *Watch) sayMain(now int64) {
	st, d := &w.st.Main, w.s.Display
	if st.Open {
		n := site.NewFinding(site.SupplyLineLeak, "", "", at(st.Since))
		h := float64(now-st.Since) / float64(hour)
		n.RateM3S, n.VolumeM3, n.VolumeU = st.Rate/3.6e6, st.Rate*h/1000, 2*st.RateU*h/1000
		n.Confidence = 0.95
		n.Because = fmt.Sprintf("The main meter has counted %s (± %s) more than the bays' meters since about %s: %s so far.", d.Rate(n.RateM3S), d.Rate(2*st.RateU/3.6e6), w.when(st.Since), d.Water(n.VolumeM3))
		w.say(n)
	}
	if st.Fault {
		id := ""
		if p := w.s.Find("", site.Volume); p != nil {
			id = p.ID
		}
		n := site.NewFinding(site.MainMeterFault, "", id, at(st.FaultAt))
		n.Confidence = 0.9
		n.Because = fmt.Sprintf("The main meter counts %.0f %% less than the bays' meters together.", -100*st.Short/st.ShortAt)
		w.say(n)
	}
}

func sq(x float64) float64 { return x * x }
