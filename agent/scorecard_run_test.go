package agent_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"bayledger/agent"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// outcome is what came of one run.
type outcome struct {
	plan  plan
	felt  time.Time // zero when the fault could not be felt before the run ended
	reach bool      // seen within the row's limit
	// seen is the delay from felt to the first finding of the fault on any bay, named to the
	// first with a right name on the right bay; +Inf for never.
	seen, named    time.Duration
	limit          time.Duration // how long after felt the row's limit lay
	firstOnBay     bool
	overM3         float64 // water beyond the set point when it was seen; NaN when it was not
	asFirst        site.Kind
	baseSeen       time.Duration
	baseReach      bool
	perfect        time.Duration // delays of the oracles
	practical      time.Duration
	false_         map[site.Severity]int // in a clean run: told and not true
	falseKinds     map[site.Kind]int
	falseWhen      []falseAlarm
	baseFalse      int
	bayYears       float64
	balance        []hourBalance
	frost          frosts
	elsewhere      int // alarms on other bays of a fault run
	elsewhereKinds map[site.Kind]int
}

type falseAlarm struct {
	seed     uint64
	model    string
	kind     site.Kind
	bay      string
	at       time.Time
	severity site.Severity
	because  string
}

const never = time.Duration(math.MaxInt64)

// hoursAtMost parts the rows that are over within hours, for which the poll matters.
const hoursAtMost = 6 * time.Hour

// planOf draws the n-th run of a row. r nil is a clean run.
func planOf(r *row, seed uint64, model string, set instruments, days int) plan {
	rng := rand.New(rand.NewPCG(seed, 0x9e37))
	p := plan{seed: seed, model: model, days: days, set: set}
	p.start = time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rng.IntN(120))
	p.poll = []time.Duration{10 * time.Second, 20 * time.Second, 30 * time.Second}[rng.IntN(3)]
	if r == nil {
		p.poll = 30 * time.Second
	}
	p.mainStartLPH = 5 * math.Pow(6, rng.Float64())
	if r == nil {
		return p
	}
	p.set = r.set
	if r.most > hoursAtMost {
		p.poll = 30 * time.Second // a week at 10 s shows a slow fault no better, and costs three times as much
	}
	bays := []string{"A1", "A2", "A3", "B1", "B2", "B3"}
	i := rng.IntN(6)
	f := &fault{kind: r.fault, bay: bays[i], size: r.size(rng.Float64(), rng.Float64())}
	if r.site {
		f.bay = ""
	}
	if r.neighbours {
		i = []int{0, 1, 3, 4}[rng.IntN(4)]
		f.bay, f.other = bays[i], bays[i+1]
	}
	f.from = p.start.Add(time.Duration((r.learn + r.spread*rng.Float64()) * float64(day))).Truncate(time.Minute)
	p.fault = f
	p.days = int(math.Ceil((f.from.Sub(p.start)+r.most).Hours()/24)) + 1
	if r.prepare != nil {
		r.prepare(&p, f.from)
	}
	return p
}

// outage is a span in which nothing, or nothing of one bay, is heard.
type outage struct {
	from, to time.Time
	bay      string // empty: everything
}

func outages(p plan) []outage {
	rng := rand.New(rand.NewPCG(p.seed, 0x0417))
	var out []outage
	for range rng.IntN(1 + p.days/4) {
		o := outage{from: p.start.Add(time.Duration(rng.Float64() * float64(p.days) * float64(day)))}
		o.to = o.from.Add(time.Duration(2 * math.Pow(90, rng.Float64()) * float64(time.Minute)))
		if rng.IntN(2) == 0 {
			o.bay = []string{"A1", "A2", "A3", "B1", "B2", "B3"}[rng.IntN(6)]
		}
		if f := p.fault; f != nil && o.to.After(f.from.Add(-time.Hour)) && o.from.Before(f.from.Add(day)) {
			continue // the row asks for what is seen, not for what nobody could see
		}
		out = append(out, o)
	}
	return out
}

// hourBalance is one hour of one bay's water as the oracle may know it, m3.
type hourBalance struct {
	end                        time.Time
	missing                    float64 // truly unexplained: metered in + rain + hand - evaporated - over - held
	evap, held, unsettled, inM float64
	unsettledEnd, perMetreM2   float64
	noise                      float64 // standard deviation of what the instruments add
}

// play runs a plan through the core, the fixed limits of today and the judge. r nil is a clean
// run. A lean run is over as soon as the fault is named; nothing is then known of how the fixed
// limits and the oracles would have gone on.
func play(p plan, r *row, lean bool) outcome {
	o := outcome{plan: p, seen: never, named: never, baseSeen: never, perfect: never, practical: never, overM3: math.NaN(),
		false_: map[site.Severity]int{}, falseKinds: map[site.Kind]int{}, elsewhereKinds: map[site.Kind]int{}}
	w := p.build()
	st := w.facts()
	core := agent.NewCore(st)
	base := newFixedLimits(st)
	gone := outages(p)
	exp := &exposed{plan: p}
	bayOf := map[string]string{}
	airPoint := ""
	for _, pt := range st.Points {
		bayOf[pt.ID] = pt.Bay
		if pt.Quantity == site.AirTemperature {
			airPoint = pt.ID
		}
	}
	watched := "A1"
	if p.fault != nil && p.fault.bay != "" {
		watched = p.fault.bay
	}
	var all []string
	for b := range st.Bays() {
		all = append(all, b.ID)
	}
	tie := func() truth {
		t := w.truth(watched)
		if r != nil && r.site {
			for _, b := range all {
				x := w.truth(b)
				t.asks = t.asks || x.asks
				t.flowM3S += x.flowM3S
			}
		}
		return t
	}
	j := &judge{o: &o, p: p, r: r, exp: exp, world: w, gone: gone, urgent: map[string]bool{}}
	end := p.start.AddDate(0, 0, p.days)
	var last truth
	hour := p.start
	for t := p.start.Add(p.poll); !t.After(end); t = t.Add(p.poll) {
		w.advance(t)
		if r != nil {
			exp.update(t, tie(), p.poll, p.fault, r)
			if !exp.felt.IsZero() && r.within(exp) {
				o.limit = exp.since()
				if r.met != nil && o.seen == never && r.met(exp) {
					exp.felt = time.Time{}
				}
			}
		}
		for _, smp := range w.samples() {
			for _, g := range gone {
				if (g.bay == "" || g.bay == bayOf[smp.Point]) && !t.Before(g.from) && t.Before(g.to) {
					smp.Value, smp.Quality, smp.Why = math.NaN(), site.Bad, site.WhyTimeout
				}
			}
			j.events(core.Sample(smp))
			j.baseline(base.sample(smp))
			if smp.Point == airPoint {
				j.ground(t, w.ground())
				j.goesHome(t, core)
			}
		}
		for _, rec := range w.records() {
			j.events(core.Record(rec))
		}
		if t.Sub(hour) >= time.Hour {
			tr := w.truth(watched)
			if !last.isZero() {
				o.balance = append(o.balance, balanceOf(t, last, tr, p))
			}
			last, hour = tr, t
		}
		if r != nil && !exp.felt.IsZero() && (j.over() || lean && o.named != never) {
			end = t
		}
	}
	for _, e := range j.foretold {
		j.alarm(e) // the run ended before it came
	}
	o.felt = exp.felt
	if r != nil && o.seen == never && (exp.since() < r.most || r.open) && r.within(exp) {
		o.felt = time.Time{} // the run ended before its limit
	}
	o.bayYears = end.Sub(p.start).Hours() / 24 / 365.25 * float64(len(all))
	return o
}

func (t truth) isZero() bool { return t.crestM == 0 }

func balanceOf(t time.Time, a, b truth, p plan) hourBalance {
	h := hourBalance{end: t, evap: b.evapM3 - a.evapM3, held: b.heldM3 - a.heldM3, unsettled: math.Hypot(a.unsettledM3, b.unsettledM3), unsettledEnd: b.unsettledM3,
		inM: b.inM3 - a.inM3, perMetreM2: b.perMetreM2}
	h.missing = (b.registeredM3 - a.registeredM3) + (b.rainM3 - a.rainM3) + (b.handM3 - a.handM3) - h.evap - (b.overM3 - a.overM3) - h.held
	// A level is the mean of ten minutes of readings, one at each end of the hour.
	n := max(1, float64(10*time.Minute/p.poll))
	if f := p.fault; f != nil && f.kind == virtual.SensorDrift && t.After(f.from) {
		h.missing -= f.size * aMillimetre(&h) // the bay is taken to hold what its level reads
	}
	h.noise = math.Hypot(math.Sqrt2*b.noiseM/math.Sqrt(n)*b.perMetreM2, b.pulseM3/math.Sqrt(6))
	return h
}

// judge turns events into an outcome.
type judge struct {
	o        *outcome
	p        plan
	r        *row
	exp      *exposed
	world    world
	gone     []outage
	urgent   map[string]bool // by id: alarms told so far, and whether anybody was woken
	foretold []site.Event    // frosts foretold that the ground has not shown yet
	risk     time.Time       // since when frost is foretold; zero while it is not
	noted    time.Time       // since when frost is told of at all, and be it as a note; zero while it is not
	froze    time.Time       // when the ground was last at freezing
}

// frostWithin is how long a frost that was foretold may be in coming.
const frostWithin = 8 * time.Hour

func (j *judge) events(events []site.Event) {
	for _, e := range events {
		if e.Kind == site.FreezeRisk {
			j.tells(e)
		}
		if e.State == site.Cleared || e.CauseID != "" {
			continue
		}
		if j.r == nil || e.Time.Before(j.p.fault.from) {
			j.clean(e)
			continue
		}
		j.faulty(e)
	}
}

// clean notes an alarm that tells of nothing that is true.
func (j *judge) clean(e site.Event) {
	// One that was told as a warning and grew urgent later wakes people as well.
	urgent, known := j.urgent[e.ID]
	rose := known && !urgent && e.Severity == site.Urgent
	if e.Kind == site.FreezeRisk && e.Severity != site.Info && !known {
		e.State = site.Raised // told for the first time, though noted before
	}
	if e.State != site.Raised && !rose || e.Kind == site.FreezeRisk && e.Severity == site.Info {
		return
	}
	j.urgent[e.ID] = e.Severity == site.Urgent
	switch {
	case e.Severity == site.Info || j.true_(e):
	case e.Kind == site.FreezeRisk:
		j.foretold = append(j.foretold, e)
		if !rose {
			j.o.frost.told.n++
		}
		if e.Severity == site.Urgent {
			j.o.frost.woke.n++
		}
	default:
		j.alarm(e)
	}
}

// alarm counts a false alarm.
func (j *judge) alarm(e site.Event) {
	if j.r != nil {
		j.o.elsewhere++
		j.o.elsewhereKinds[e.Kind]++
		return
	}
	j.o.false_[e.Severity]++
	j.o.falseKinds[e.Kind]++
	j.o.falseWhen = append(j.o.falseWhen, falseAlarm{j.p.seed, j.p.model, e.Kind, e.Bay, e.Time.Time, e.Severity, e.Because})
}

// true_ reports whether an alarm tells of what is so although no fault was given: readings that
// are lost, water that does stand at the crest after a storm.
func (j *judge) true_(e site.Event) bool {
	switch e.Kind {
	case site.NoData, site.LinkDown:
		for _, g := range j.gone {
			if (g.bay == "" || e.Bay == "" || g.bay == e.Bay) && !e.Time.Before(g.from) && e.Time.Before(g.to.Add(5*time.Minute)) {
				return true
			}
		}
	case site.Overflowing:
		t := j.world.truth(e.Bay)
		return t.levelM >= t.crestM-0.001 || t.chamberM >= t.crestM-0.001
	}
	return false
}

func (j *judge) faulty(e site.Event) {
	f, r, o := j.p.fault, j.r, j.o
	onBay := e.Bay == f.bay || (f.other != "" && e.Bay == f.other) || (e.Bay != "" && slices.Contains(e.Bays, f.bay))
	if r.site {
		onBay = e.Bay == "" || slices.Contains(r.related, e.Kind)
	}
	right := slices.Contains(r.kinds, e.Kind) || (e.OrKind != "" && slices.Contains(r.kinds, e.OrKind))
	if !right && !slices.Contains(r.related, e.Kind) {
		if e.State == site.Raised && e.Severity != site.Info && !j.true_(e) {
			o.elsewhere++
			o.elsewhereKinds[e.Kind]++
		}
		return
	}
	if j.exp.felt.IsZero() {
		return // the onset has not shown itself, so this tells of something else
	}
	// An event carries the grid moment it is of; it is known when the reading that moved time came.
	delay := j.exp.now.Sub(j.exp.felt)
	if o.seen == never {
		o.seen, o.firstOnBay, o.asFirst = delay, onBay, e.Kind
		o.reach = j.r.within(j.exp)
		t := j.exp.truth
		o.overM3 = max(0, (t.levelM-t.setM)*t.perMetreM2)
	}
	if o.named == never && onBay && right {
		o.named = delay
		if r.neighbours && !(slices.Contains(e.Bays, f.bay) && slices.Contains(e.Bays, f.other)) {
			o.named = never
		}
	}
}

func (j *judge) baseline(a fixedAlarm, raised bool) {
	if !raised {
		return
	}
	if j.r == nil {
		j.o.baseFalse++
		return
	}
	if a.at.Before(j.p.fault.from) || j.exp.felt.IsZero() || j.o.baseSeen != never || (!j.r.site && a.bay != j.p.fault.bay && a.bay != j.p.fault.other) {
		return
	}
	j.o.baseSeen = a.at.Sub(j.exp.felt)
	j.o.baseReach = j.r.within(j.exp)
}

// over reports whether the run can end: the fault is named, or it has gone on long enough.
func (j *judge) over() bool {
	if j.exp.since() > j.r.most {
		return true
	}
	return j.o.named != never && !j.r.within(j.exp)
}
