package virtual

import (
	"fmt"
	"sort"
	"time"
)

// sum adds many small numbers without losing their ends (Neumaier 1974).
type sum struct{ s, c float64 }

func (a *sum) add(x float64) {
	t := a.s + x
	if abs(a.s) >= abs(x) {
		a.c += (a.s - t) + x
	} else {
		a.c += (x - t) + a.s
	}
	a.s = t
}

func (a *sum) value() float64 { return a.s + a.c }

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

// Account is the true account of one bay: everything in m3 since the model's start, but the
// levels and what is held, which are of the moment.
type Account struct {
	Time time.Time
	Bay  string
	// Filled went through the bay's meter, Registered is what the meter made of it.
	Filled, Registered float64
	// Rain stayed in the bay, Hand was put on by hand.
	Rain, Hand float64
	Evaporated float64
	// Overflowed ran over the crest where the crest belongs (or off the surface), Displaced ran
	// out below it: through an overflow that has slipped or been taken out, or an open drain.
	Overflowed, Displaced float64
	// Leaked went through the liner, Seeped to the neighbours (less what came from them).
	Leaked, Seeped float64
	// Held is all water in the bay: Drainable in the stone, Soaked that dry stone has taken up
	// for good, ClayWater in the clay's moisture and what still seeps down in it, ChamberWater
	// in the chamber.
	Held, Drainable, Soaked, ClayWater, ChamberWater float64
	// ChamberM is the level in the chamber, BayM the mean level of the bay, in metres.
	ChamberM, BayM float64
}

// Since returns the account of the time between an earlier moment and this one: flows as
// differences, Held and its parts as changes, the levels as they are now.
func (a Account) Since(b Account) Account {
	d := a
	d.Filled -= b.Filled
	d.Registered -= b.Registered
	d.Rain -= b.Rain
	d.Hand -= b.Hand
	d.Evaporated -= b.Evaporated
	d.Overflowed -= b.Overflowed
	d.Displaced -= b.Displaced
	d.Leaked -= b.Leaked
	d.Seeped -= b.Seeped
	d.Held -= b.Held
	d.Drainable -= b.Drainable
	d.Soaked -= b.Soaked
	d.ClayWater -= b.ClayWater
	d.ChamberWater -= b.ChamberWater
	return d
}

// Residual is what the true account of a span (made by Since) fails to close by, m3. It is
// rounding and nothing else.
func (a Account) Residual() float64 {
	return a.Filled + a.Rain + a.Hand - a.Evaporated - a.Overflowed - a.Displaced - a.Leaked - a.Seeped - a.Held
}

// Unexplained is what a perfect watcher of a span (made by Since) would find missing: metered
// in + rain - evaporated - overflow - held change, m3, with the meter as it registered. A leak
// makes it positive; hand watering, weeping and a slow meter make it negative.
func (a Account) Unexplained() float64 {
	return a.Registered + a.Rain - a.Evaporated - a.Overflowed - a.Held
}

// SupplyAccount is the true account of the supply line, m3 since the model's start.
type SupplyAccount struct {
	Time time.Time
	// Drawn passed the main meter, Registered is what it made of it. Leaked was lost on the
	// way, Used went to other uses; the rest went to the bays.
	Drawn, Registered, Leaked, Used float64
}

// book holds a bay's running sums.
type book struct {
	filled, registered, rain, hand, evaporated, overflowed, displaced, leaked, seeped sum
}

// Air returns the true weather of the model's present minute, for judging others by.
func (f *Field) Air() Air {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.air
}

// Truth returns the true account of a bay at the model's present moment. It is for judging
// others by; nothing that is judged may see it.
func (f *Field) Truth(bay string) (Account, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	i, ok := f.index[bay]
	if !ok {
		return Account{}, fmt.Errorf("virtual pump house: there is no bay %q", bay)
	}
	return f.account(i), nil
}

// Between returns the true account of a bay from one moment to another. Moments are those at
// which truth was noted (Config.TruthEvery, the start and the present): each is moved back to
// the last one at or before it, and the account's Time tells which that was for the end.
func (f *Field) Between(bay string, from, to time.Time) (Account, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	i, ok := f.index[bay]
	if !ok {
		return Account{}, fmt.Errorf("virtual pump house: there is no bay %q", bay)
	}
	if from.Before(f.cfg.Start) || to.Before(from) {
		return Account{}, fmt.Errorf("virtual pump house: no account from %v to %v: the model began at %v", from, to, f.cfg.Start)
	}
	return f.noted(i, to).Since(f.noted(i, from)), nil
}

// noted returns the last noted account of bay i at or before t.
func (f *Field) noted(i int, t time.Time) Account {
	if !t.Before(f.now()) {
		return f.account(i)
	}
	h := f.history[i]
	n := sort.Search(len(h), func(k int) bool { return h[k].Time.After(t) })
	return h[max(n-1, 0)]
}

func (f *Field) account(i int) Account {
	b := f.bays[i]
	k := &b.book
	a := Account{Time: f.now(), Bay: b.cfg.ID,
		Filled: k.filled.value(), Registered: k.registered.value(), Rain: k.rain.value(), Hand: k.hand.value(),
		Evaporated: k.evaporated.value(), Overflowed: k.overflowed.value(), Displaced: k.displaced.value(),
		Leaked: k.leaked.value(), Seeped: k.seeped.value(),
		Soaked: b.soakedM3, ClayWater: b.clayM3 + b.percM3, ChamberWater: b.chamberM3, ChamberM: b.chamberM}
	for j := range b.zones {
		a.Drainable += b.zones[j].volM3
		a.BayM += b.zones[j].levelM * b.zones[j].areaM2 / b.cfg.AreaM2
	}
	a.Held = a.Drainable + a.Soaked + a.ClayWater + a.ChamberWater
	return a
}

// Supply returns the true account of the supply line at the model's present moment.
func (f *Field) Supply() SupplyAccount {
	f.mu.Lock()
	defer f.mu.Unlock()
	return SupplyAccount{Time: f.now(), Drawn: f.drawn.value(), Registered: f.mainRegistered.value(),
		Leaked: f.lineLeaked.value(), Used: f.used.value()}
}

// Onsets returns every fault the model has been given, in that order, with its true onset.
func (f *Field) Onsets() []Onset {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := make([]Onset, len(f.faults))
	for i, r := range f.faults {
		out[i] = r.Onset
	}
	return out
}
