package alarm

import (
	"slices"
	"time"

	"bayledger/agent/site"
)

// The figures of ANSI/ISA-18.2-2016 clause 16 and EEMUA 191 that Rates is judged by.
const (
	// FloodStarts and FloodEnds: more than 10 new alarms in 10 minutes begin a flood, fewer than
	// 5 end it.
	FloodStarts, FloodEnds = 10, 5
	// FloodWindow is the span over which they are counted.
	FloodWindow = 10 * time.Minute
	// RatesOver is the least span the standard wants rates to rest on.
	RatesOver = 30 * 24 * time.Hour
	// Stale is how long an alarm may stand before it counts as stale.
	Stale = 24 * time.Hour
	// maxTally bounds the memory of the count: the oldest are forgotten first.
	maxTally = 4096
)

// Rates says how this site's alarms have behaved over the last 30 days.
type Rates struct {
	// Raised counts the alarms told on their own, Urgent those of them that paged; a warning
	// that turned urgent counts in both.
	Raised, Urgent int
	// PerDay is Raised spread over the days seen so far (at most 30, at least 1).
	PerDay float64
	// Useful and Useless count the alarms people called so; of each alarm the last answer.
	Useful, Useless int
	// Peak is the largest number of alarms in any 10 minutes.
	Peak int
	// Flood is true while a flood lasts.
	Flood bool
	// Standing counts alarms open for longer than 24 h.
	Standing int
}

// tally is the desk's memory of what it told.
type tally struct {
	First   time.Time `json:"first"`
	Times   []mark    `json:"times,omitempty"`
	Answers []answer  `json:"answers,omitempty"`
	Flood   bool      `json:"flood,omitempty"`
}

type mark struct {
	At     time.Time `json:"at"`
	Urgent bool      `json:"urgent,omitempty"`
}

type answer struct {
	ID     string    `json:"id,omitempty"` // of the alarm
	At     time.Time `json:"at"`
	Useful bool      `json:"useful"`
}

func (c *tally) raisedAt(s site.Severity, t time.Time) {
	if s == site.Info {
		return
	}
	c.Times = append(c.Times, mark{t, s == site.Urgent})
	if len(c.Times) > maxTally {
		c.Times = slices.Delete(c.Times, 0, len(c.Times)-maxTally)
	}
}

// answered notes what was said of an alarm: 1 useful, 0 not; anything else says nothing. Of what is
// said of one alarm the last holds.
func (c *tally) answered(id string, value float64, t time.Time) {
	if value != 0 && value != 1 {
		return
	}
	c.Answers = slices.DeleteFunc(c.Answers, func(a answer) bool { return a.ID == id })
	c.Answers = append(c.Answers, answer{id, t, value == 1})
	if len(c.Answers) > maxTally {
		c.Answers = slices.Delete(c.Answers, 0, len(c.Answers)-maxTally)
	}
}

// step forgets what is older than the standard's span and keeps the flood's state.
func (c *tally) step(t time.Time) {
	if c.First.IsZero() {
		c.First = t
	}
	old := t.Add(-RatesOver)
	c.Times = slices.DeleteFunc(c.Times, func(m mark) bool { return m.At.Before(old) })
	c.Answers = slices.DeleteFunc(c.Answers, func(a answer) bool { return a.At.Before(old) })
	n := 0
	for _, m := range c.Times {
		if m.At.After(t.Add(-FloodWindow)) {
			n++
		}
	}
	switch {
	case n > FloodStarts:
		c.Flood = true
	case n < FloodEnds:
		c.Flood = false
	}
}

// Rates returns the figures at the last tick.
func (d *Desk) Rates() Rates {
	c := &d.rates
	r := Rates{Raised: len(c.Times), Flood: c.Flood}
	begin := 0
	for i, m := range c.Times {
		if m.Urgent {
			r.Urgent++
		}
		for c.Times[begin].At.Before(m.At.Add(-FloodWindow)) || c.Times[begin].At.Equal(m.At.Add(-FloodWindow)) {
			begin++
		}
		r.Peak = max(r.Peak, i-begin+1)
	}
	for _, a := range c.Answers {
		if a.Useful {
			r.Useful++
		} else {
			r.Useless++
		}
	}
	if !c.First.IsZero() {
		days := min(d.now.Sub(c.First), RatesOver).Hours() / 24
		r.PerDay = float64(r.Raised) / max(days, 1)
	}
	for _, e := range d.entries {
		if e.open && d.now.Sub(e.raised) > Stale {
			r.Standing++
		}
	}
	return r
}
