package watch

import (
	"cmp"
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// Watch holds the tests and rules of one site. It has no clock: Sample, Record and Tick move it,
// each after the ledger's own, and each must be called from one goroutine at a time.
type Watch struct {
	s      *site.Site
	l      *water.Ledger
	budget budget
	bays   []*bay
	index  *site.Index
	feeds  []feed // in the order of the site's points
	// main is the main meter, mainFlow the flow beside it or in its place; nil where the site has none.
	main, mainFlow *site.Point
	st             state
	out            []site.Finding
	trial          []onset   // the bank's onsets with the window under way, used again
	beyond         []onset   // the same of a neighbour
	sums           []mark    // of two neighbours' onsets, used again
	fed            []float64 // L, of the main meter's comparison, used again
}

// state is what a snapshot keeps of the site.
type state struct {
	Now     int64
	Stride  int64
	Supply  supplyState
	Frost   frostState
	Main    mainState
	Started int64
	Paired  int64 // when neighbours were last set beside each other
	Resumed int64 // the end of the last pause in which nothing was watched
}

// bay is one bay under watch.
type bay struct {
	i     int
	b     *site.Bay
	deepM float64 // the bay's depth
	look  water.Look
	st    bayState
	whole wholeDay // what the last tick closed, from dawn to dawn
	// stillMS is what still last gave, for the usual flow stillBy: it is asked several times a tick.
	stillMS int64
	stillBy float64
	// points of the bay, nil when it has none.
	level, flow, meter, valve *site.Point
}

// bayState is what a snapshot keeps of a bay.
type bayState struct {
	Seq    int64
	Valve  valveState
	Level  levelState
	Sensor sensorState
	Bank   bankState
	Fills  fillState
	Meter  meterState
	Crest  crestState
	Wiring wiringState
	Beside besideState
}

// New returns a watch over the ledger of the same site.
func New(s *site.Site, l *water.Ledger) *Watch {
	w := &Watch{s: s, l: l, budget: newBudget(s), index: site.NewIndex(s.Points), main: s.Find("", site.Volume), mainFlow: s.Find("", site.Flow)}
	i := 0
	for b := range s.Bays() {
		y := &bay{i: i, b: b, deepM: b.DepthM(), level: s.Find(b.ID, site.Level), flow: s.Find(b.ID, site.Flow), meter: s.Find(b.ID, site.Volume), valve: s.Find(b.ID, site.ValveOpen)}
		y.st.init()
		y.st.Bank.Stray.init(b.AreaM2)
		w.bays = append(w.bays, y)
		i++
	}
	for i := range s.Points {
		p := &s.Points[i]
		f := feed{p: p, bay: -1}
		for k, y := range w.bays {
			if y.b.ID == p.Bay {
				f.bay = k
			}
		}
		w.feeds = append(w.feeds, f)
	}
	w.st.Supply.init()
	return w
}

func (st *bayState) init() {
	st.Valve.Base, st.Valve.ShutBase = math.NaN(), math.NaN()
	st.Sensor.init()
	st.Level.init()
	st.Meter.init()
	st.Crest.init()
	st.Beside.init()
}

// Sample takes one reading, after the ledger has taken it.
func (w *Watch) Sample(s site.Sample) {
	i, ok := w.index.Find(s.Point)
	if !ok {
		return
	}
	f := &w.feeds[i]
	t := s.Time.UnixMilli()
	if t <= f.st.At {
		return
	}
	good := s.Quality != site.Bad && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
	f.heard(t, good, s.Why)
	if f.bay < 0 {
		if f.p.Quantity == site.Humidity && good {
			w.st.Frost.RH, w.st.Frost.RHAt = s.Value, t
		}
		if f.p.Quantity == site.Wind && good {
			w.st.Frost.blows(water.WindAt2M(s.Value, f.p.HeightM), t)
		}
		return
	}
	switch f.p.Quantity {
	case site.Level:
		w.bays[f.bay].sampleLevel(t, s.Value, good, s.Why)
	case site.ValveOpen:
		w.bays[f.bay].sampleValve(t, s.Value >= 0.5, good)
	}
}

// Record takes what a person put on record.
func (w *Watch) Record(r site.Record) {
	t := r.Time.UnixMilli()
	for _, y := range w.bays {
		mine := r.Bay == y.b.ID || r.Bay == "" && y.owns(r.Subject)
		switch r.Kind {
		case site.RecSensorChanged, site.RecCalibration:
			if mine {
				y.st.Sensor.init()
				y.st.Bank.restart(t)
				w.forgetBeside(y)
			}
		case site.RecMeterReplaced:
			if mine {
				y.st.Meter.init()
				y.st.Bank.restart(t)
				w.forgetBeside(y)
				w.st.Main.Habit.forget(y.i)
			}
		case site.RecDip:
			if r.Bay == y.b.ID {
				y.dip(t, r.Value)
			}
		case site.RecMaintenance:
			if mine || r.Bay == "" && r.Subject == "" {
				y.st.Bank.restart(max(t, r.Until.UnixMilli()))
			}
		}
	}
	if r.Kind == site.RecMeterReplaced && w.main != nil && r.Subject == w.main.ID {
		w.st.Main = mainState{}
	}
}

func (y *bay) owns(point string) bool {
	for _, p := range []*site.Point{y.level, y.flow, y.meter, y.valve} {
		if p != nil && p.ID == point && point != "" {
			return true
		}
	}
	return false
}

// Tick says that data time has come to t, after the ledger's own tick, and returns every finding
// that holds, sorted by key. The slice is good until the next Tick. A t that is not later than
// the last returns the same findings again.
func (w *Watch) Tick(t time.Time) []site.Finding {
	now := t.UnixMilli()
	if now <= w.st.Now {
		return w.out
	}
	if w.st.Now > 0 && now-w.st.Now > 10*minute {
		w.st.Resumed = now
	}
	w.st.Now = now
	if w.st.Started == 0 {
		w.st.Started = now
	}
	w.out = w.out[:0]
	for _, y := range w.bays {
		w.l.Look(y.i, &y.look)
	}
	w.silence(now)
	if w.l.Closed() {
		// A drained bay has nothing to lose; what is left to watch is frost and silence.
		w.frost(now)
		return w.sorted()
	}
	strides := false
	for _, y := range w.bays {
		fresh := y.look.Seq != y.st.Seq
		strides = strides || fresh
		y.st.Seq = y.look.Seq
		if y.look.Maintain {
			continue
		}
		w.sensor(y, now)
		w.stuckOpen(y, now)
		w.stuckClosed(y, now)
		w.meterRule(y, now)
		w.fills(y, now)
		w.crest(y, now)
		w.displaced(y, now)
		w.levels(y, now)
		if fresh {
			w.bank(y, now)
		}
	}
	if strides {
		w.pairs(now)
		w.beside(now)
	}
	w.wiring(now)
	w.sayWiring()
	w.supply(now)
	w.mainMeter(now)
	w.sayMain(now)
	w.seepage(now)
	for _, y := range w.bays {
		if !y.look.Maintain {
			w.report(y, now)
		}
	}
	w.frost(now)
	for _, y := range w.bays {
		w.l.Blind(y.i, y.blind())
		w.l.Hold(y.i, y.troubled() || y.st.Beside.Open)
	}
	return w.sorted()
}

// blind says that nobody knows what comes into the bay.
func (y *bay) blind() bool { return y.st.Meter.Dead || y.st.Meter.Stuck || y.st.Meter.Wrong }

// troubled says that what the bay shows now is no habit of its own.
func (y *bay) troubled() bool {
	return y.blind() || y.st.Bank.Open != "" || y.st.Crest.slipped() || y.st.Sensor.open() || y.st.Valve.Open || y.look.Overflow
}

func (w *Watch) sorted() []site.Finding {
	slices.SortFunc(w.out, func(a, b site.Finding) int {
		return cmp.Or(cmp.Compare(a.Bay, b.Bay), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	return w.out
}

func (w *Watch) say(f site.Finding) { w.out = append(w.out, f) }

// name is what a person calls the bay.
func (y *bay) name() string {
	if y.b.Name != "" {
		return y.b.Name
	}
	return y.b.ID
}

func at(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

const (
	second = int64(1000)
	minute = 60 * second
	hour   = 60 * minute
	day    = 24 * hour
)

// left turns seconds into a time that is left; NoTimeLeft when it is not known or far off.
func left(s float64) time.Duration {
	if math.IsNaN(s) || s > 30*24*3600 {
		return site.NoTimeLeft
	}
	return time.Duration(max(0, s) * float64(time.Second)).Round(time.Second)
}
