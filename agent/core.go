package agent

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/watch"
	"bayledger/agent/water"
)

// tickEvery is the grid of data time on which the core is moved.
const tickEvery = 10 * time.Second

// silentGap is the silence after which ticks are not made up: the drivers give every point a
// sample at each of its intervals, so when nothing at all came for so long, nobody was
// watching, and to tick through the gap would invent findings about it.
const silentGap = 30 * time.Minute

// Core is the account, the watch and the alarms as one machine without a clock. It is moved by
// samples and records in the journal's order and ticks itself at every whole 10 s of data
// time, so that a replay of the journal gives exactly the events that live gave. It belongs to
// one goroutine.
type Core struct {
	Site   *site.Site
	Ledger *water.Ledger
	Watch  *watch.Watch
	Desk   *alarm.Desk
	// Procedures are what a person is led through.
	Procedures *procedure.Book

	ticked     time.Time // the last tick, zero before the first sample
	heard      time.Time // the newest sample
	deaf       time.Duration
	conditions conditions
}

// deafAfter is the silence of every point after which nobody is watching: three readings of the
// one that is read most often, for the drivers give each a sample at each of its intervals.
func deafAfter(s *site.Site) time.Duration {
	shortest := time.Duration(math.MaxInt64)
	for i := range s.Points {
		if d := s.Points[i].Interval; d > 0 {
			shortest = min(shortest, d)
		}
	}
	if shortest > silentGap {
		return silentGap
	}
	return max(3*shortest, time.Minute)
}

// NewCore returns a core that has seen nothing.
func NewCore(s *site.Site) *Core {
	l, d := water.New(s), alarm.New(s)
	d.Settling = l.Settling
	return &Core{Site: s, Ledger: l, Watch: watch.New(s, l), Desk: d, Procedures: procedure.New(s, l), deaf: deafAfter(s), conditions: conditions{}}
}

// Sample feeds one calibrated sample and returns the events it led to, in order. A sample that
// is older than the last tick moves no time.
func (c *Core) Sample(s site.Sample) []site.Event {
	events := c.tickTo(s.Time)
	if s.Time.After(c.heard) {
		c.heard = s.Time
	}
	c.Ledger.Sample(s)
	c.Watch.Sample(s)
	c.Procedures.Sample(s)
	return events
}

// Record feeds one operator record and returns the events it led to.
func (c *Core) Record(r site.Record) []site.Event {
	c.Ledger.Record(r)
	c.Watch.Record(r)
	c.conditions.record(r)
	c.Procedures.Record(r)
	return c.Desk.Record(r)
}

// Now is the data time of the last tick, zero before the first sample.
func (c *Core) Now() time.Time { return c.ticked }

func (c *Core) tickTo(t time.Time) []site.Event {
	// In milliseconds, for time.Time's Sub is dear and this is asked of every sample.
	if d := t.UnixMilli() - c.ticked.UnixMilli(); d >= 0 && d < tickEvery.Milliseconds() && !c.ticked.IsZero() {
		return nil // the rest of one poll's readings
	}
	grid := t.Truncate(tickEvery)
	if c.ticked.IsZero() || grid.Sub(c.ticked) > silentGap {
		if !c.ticked.IsZero() {
			c.ticked = grid
			return c.tick(grid)
		}
		c.ticked = grid
		return nil
	}
	var events []site.Event
	for c.ticked.Before(grid) {
		c.ticked = c.ticked.Add(tickEvery)
		events = append(events, c.tick(c.ticked)...)
	}
	return events
}

// tick moves everything to t. In a gap of the samples the desk stands still: what the watch no
// longer sees then is not over, and the desk takes the gap for the pause it is.
func (c *Core) tick(t time.Time) []site.Event {
	c.Ledger.Tick(t)
	c.Procedures.Tick(t)
	findings := c.Watch.Tick(t)
	if t.Sub(c.heard) > c.deaf {
		return nil
	}
	return c.Desk.Tick(t, c.conditions.merge(findings))
}

// coreState is the snapshot of a core: one part for each of its own parts.
type coreState struct {
	V      int       `json:"v"`
	Ticked time.Time `json:"ticked"`
	Heard  time.Time `json:"heard"`
	Ledger []byte    `json:"ledger"`
	Watch  []byte    `json:"watch"`
	Desk   []byte    `json:"desk"`
	// Procedures is missing in a snapshot of a core that knew none.
	Procedures []byte `json:"procedures,omitempty"`
	// Conditions are the daemon's own troubles that stand.
	Conditions []condition `json:"conditions,omitempty"`
}

// coreStateVersion changes when a snapshot of an older core can no longer be read; the state is
// then rebuilt from the journal.
const coreStateVersion = 1

// Snapshot returns everything the core knows, so that Restore and what followed in the journal
// give the same core again.
func (c *Core) Snapshot() ([]byte, error) {
	st := coreState{V: coreStateVersion, Ticked: c.ticked, Heard: c.heard, Conditions: c.conditions.list()}
	for _, part := range []struct {
		name string
		from func() ([]byte, error)
		to   *[]byte
	}{{"account", c.Ledger.Snapshot, &st.Ledger}, {"watch", c.Watch.Snapshot, &st.Watch}, {"alarms", c.Desk.Snapshot, &st.Desk}, {"procedures", c.Procedures.Snapshot, &st.Procedures}} {
		b, err := part.from()
		if err != nil {
			return nil, fmt.Errorf("snapshot of the %s: %w", part.name, err)
		}
		*part.to = b
	}
	return json.Marshal(st)
}

// Restore puts the core into the state of a snapshot. After an error the core must not be used.
func (c *Core) Restore(b []byte) error {
	var st coreState
	if err := json.Unmarshal(b, &st); err != nil {
		return fmt.Errorf("snapshot: %w", err)
	}
	if st.V != coreStateVersion {
		return fmt.Errorf("snapshot: version %d is not %d", st.V, coreStateVersion)
	}
	if err := c.Ledger.Restore(st.Ledger); err != nil {
		return fmt.Errorf("snapshot of the account: %w", err)
	}
	if err := c.Watch.Restore(st.Watch); err != nil {
		return fmt.Errorf("snapshot of the watch: %w", err)
	}
	if err := c.Desk.Restore(st.Desk); err != nil {
		return fmt.Errorf("snapshot of the alarms: %w", err)
	}
	if len(st.Procedures) > 0 {
		if err := c.Procedures.Restore(st.Procedures); err != nil {
			return fmt.Errorf("snapshot of the procedures: %w", err)
		}
	}
	c.ticked, c.heard, c.conditions = st.Ticked, st.Heard, conditionsOf(st.Conditions)
	if c.heard.IsZero() {
		c.heard = c.ticked // kept by a version that did not note it
	}
	return nil
}
