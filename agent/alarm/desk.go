package alarm

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// Phase is the state of an alarm in the sense of ANSI/ISA-18.2-2016 and IEC 62682.
type Phase string

// The seven states.
const (
	Normal                 Phase = "normal"
	Unacknowledged         Phase = "unacknowledged"
	Acknowledged           Phase = "acknowledged"
	ReturnedUnacknowledged Phase = "returned-unacknowledged"
	Shelved                Phase = "shelved"
	SuppressedByDesign     Phase = "suppressed-by-design"
	OutOfService           Phase = "out-of-service"
)

const (
	// KeepReturned is how long an alarm that is over and was never acknowledged stays on the
	// list: long enough for somebody who was away for a week.
	KeepReturned = 7 * 24 * time.Hour
	// ReAlarm is how long an acknowledged urgent alarm may stand before it must be answered
	// again, while people are there: one that has not become worse wakes nobody twice.
	ReAlarm = 12 * time.Hour
	// MaxShelf bounds shelving, OpenEnd is the end that maintenance or shelving gets when its
	// record names none.
	MaxShelf = 7 * 24 * time.Hour
	OpenEnd  = 8 * time.Hour
	// blind is the longest pause between two ticks over which a finding counts as seen
	// throughout. After a longer one the delays begin anew, for nobody knows what held meanwhile.
	blind = time.Minute
)

// Alarm is one alarm as it stands now: a copy.
type Alarm struct {
	// Event is what was told last, or, for an alarm that is suppressed and was never told, what
	// would be (its Seq is then 0 and its ID empty).
	Event site.Event
	// Now is what would be told at this moment, with the newest numbers; equal to Event once the
	// alarm is over.
	Now   site.Event
	Phase Phase
	// Present is false once the condition has returned to normal.
	Present bool
	// Told is true when the alarm stands on its own: raised, not folded, not muted.
	Told bool
	// Asked is when an answer was asked for last: when it was raised, turned urgent, came back
	// from suppression, or had stood answered for ReAlarm.
	Asked time.Time
	// Why says what suppresses the alarm, and until when, in one sentence; empty when nothing.
	Why string
	// Cause is the id of the alarm it is folded under, empty when it is not.
	Cause string
	// AckBy and AckAt say who answered last and when; empty and zero when nobody did.
	AckBy string
	AckAt time.Time
	// ShelvedUntil is zero when it is not shelved.
	ShelvedUntil time.Time
	// Seqs are the sequence numbers under which the alarm was told, oldest first, at most 32 of
	// them: a person may name the alarm by any of them.
	Seqs []int64
}

// Work is maintenance under way.
type Work struct {
	Bay   string    `json:"bay"` // empty for the whole site
	Who   string    `json:"who"`
	Until time.Time `json:"until"`
	Text  string    `json:"text,omitempty"`
}

// Says is the work in a sentence.
func (w Work) Says() site.Phrase {
	where, by := site.Say("the whole site"), site.Phrase{}
	if w.Bay != "" {
		where = site.Say("bay %s", w.Bay)
	}
	if w.Who != "" {
		by = site.Say(" by %s", w.Who)
	}
	return site.Say("Maintenance at %s%s until %s: nothing is told of it.", where, by, site.Day(w.Until))
}

// entry is one place and kind of trouble with everything the desk remembers of it.
type entry struct {
	key site.Key

	// finding is the newest one, valid while present and kept afterwards for the last words.
	finding   site.Finding
	present   bool
	firstSeen time.Time // since when it has been present without a break
	goneSince time.Time // since when it has been absent, when it is

	open  bool // raised and not cleared
	acked bool
	ackBy string
	ackAt time.Time
	asked time.Time // when an answer was asked for last
	// answered is what the alarm would have told at the moment it was answered.
	answered site.Event
	raised   time.Time // part of the id
	seqs     []int64
	told     site.Event // the last record
	quiet    int        // updates told since it was raised: the next waits longer
	level    site.Severity
	over     time.Time // when it cleared, while it waits to be acknowledged

	cause   string    // id of the alarm it is folded under
	freed   time.Time // when that cause was found gone
	shelf   time.Time // shelved until; zero when not
	shelfBy string
	shelfOf string // why
	muted   bool   // was silenced by maintenance, season or shelf at the last settling
}

func (e *entry) id(s *site.Site) string { return site.EventID(s.ID, e.key, e.raised) }

// Desk keeps the alarms of one site. Make it with New.
type Desk struct {
	// Settling, if set, is how long after a fill a bay's chamber shows the bay's own level, as
	// learned so far. It may only follow from what moved the desk.
	Settling func(bay string) time.Duration

	site    *site.Site
	voice   words.Voice
	entries []*entry // in order of rank and key
	seq     int64
	now     time.Time
	work    []Work // by bay
	closed  bool   // the season is closed
	rates   tally
}

// New returns a desk with no alarms. s is not changed and must stay as it is.
func New(s *site.Site) *Desk { return &Desk{site: s, voice: words.Of(s)} }

var rankOf = func() map[site.Kind]int {
	m := make(map[site.Kind]int, len(site.Kinds))
	for i, k := range site.Kinds {
		m[k.Kind] = i
	}
	return m
}()

// rank of a kind: its row, or one past the table for a kind that is not in it.
func rank(k site.Kind) int {
	if r, ok := rankOf[k]; ok {
		return r
	}
	return len(site.Kinds)
}

// info is the row of a kind. A kind that is not in the table still makes an alarm, for the
// morning, rather than none.
func info(k site.Kind) *site.KindInfo {
	if r, ok := rankOf[k]; ok {
		return &site.Kinds[r]
	}
	return &site.KindInfo{Kind: k, Title: string(k), Says: string(k), Ends: words.Key("it is gone"), Severity: site.Morning}
}

func compareKeys(a, b site.Key) int {
	return cmp.Or(cmp.Compare(rank(a.Kind), rank(b.Kind)), cmp.Compare(a.Kind, b.Kind),
		cmp.Compare(a.Bay, b.Bay), cmp.Compare(a.Subject, b.Subject))
}

// Tick takes every finding that holds at t and returns the events to be told, causes before
// their effects, in order of Seq. t must not go backwards; a tick that does is taken as if it
// came at the moment of the one before. Of two findings with one key the last counts.
func (d *Desk) Tick(t time.Time, findings []site.Finding) []site.Event {
	t = t.UTC()
	if t.Before(d.now) {
		t = d.now
	}
	pause := !d.now.IsZero() && t.Sub(d.now) > blind
	seen := make(map[*entry]bool, len(findings))
	for _, f := range findings {
		e := d.entry(f.Key())
		if !e.present || pause {
			e.firstSeen = t
		}
		e.finding, e.present, e.goneSince = f, true, time.Time{}
		seen[e] = true
	}
	for _, e := range d.entries {
		if seen[e] {
			continue
		}
		if e.present || pause {
			e.present, e.goneSince = false, t
		}
	}
	d.now = t
	return d.settle(t)
}

// Record takes what a person put on record and returns what is to be told because of it: an
// alarm that is unshelved, or whose maintenance ends, and still stands is raised again. A record
// that names an alarm the desk does not know changes nothing.
func (d *Desk) Record(r site.Record) []site.Event {
	t := r.Time.UTC()
	switch r.Kind {
	case site.RecAck:
		d.ack(r, t)
		return nil
	case site.RecShelve:
		if e := d.byID(r.Subject); e != nil && e.open && (r.Until.IsZero() || r.Until.After(t)) {
			e.shelf, e.shelfBy, e.shelfOf = end(r.Until, t), r.Who, r.Text
			e.muted = true
		}
		return nil
	case site.RecUnshelve:
		if e := d.byID(r.Subject); e != nil {
			e.shelf = time.Time{}
		}
	case site.RecMaintenance:
		d.maintain(r, t)
	case site.RecSeason:
		d.closed = r.Text == "closed"
	default:
		return nil
	}
	if d.now.IsZero() {
		return nil
	}
	if t.Before(d.now) {
		t = d.now
	}
	return d.settle(t)
}

func (d *Desk) ack(r site.Record, t time.Time) {
	e := d.byID(r.Subject)
	if e == nil {
		return
	}
	d.rates.answered(r.Subject, r.Value, t)
	e.acked, e.ackBy, e.ackAt, e.answered = true, r.Who, t, e.told
	if e.open && e.present {
		i := slices.Index(d.entries, e)
		e.answered = d.event(e, &d.fold(d.now)[i], e.told.State, d.now)
	}
	e.over = time.Time{}
	d.sweep(t)
}

func (d *Desk) maintain(r site.Record, t time.Time) {
	d.work = slices.DeleteFunc(d.work, func(w Work) bool { return w.Bay == r.Bay })
	if !r.Until.IsZero() && !r.Until.After(t) {
		return
	}
	until := r.Until.UTC()
	if r.Until.IsZero() {
		until = t.Add(OpenEnd)
	}
	d.work = append(d.work, Work{Bay: r.Bay, Who: r.Who, Until: until, Text: r.Text})
	slices.SortFunc(d.work, func(a, b Work) int { return cmp.Compare(a.Bay, b.Bay) })
}

// end of a shelf that is asked for until `until` at t.
func end(until, t time.Time) time.Time {
	switch {
	case until.IsZero():
		return t.Add(OpenEnd)
	case until.After(t.Add(MaxShelf)):
		return t.Add(MaxShelf)
	}
	return until.UTC()
}

// entry finds or makes the entry of a key.
func (d *Desk) entry(k site.Key) *entry {
	i, ok := slices.BinarySearchFunc(d.entries, k, func(e *entry, k site.Key) int { return compareKeys(e.key, k) })
	if !ok {
		d.entries = slices.Insert(d.entries, i, &entry{key: k})
	}
	return d.entries[i]
}

func (d *Desk) byID(id string) *entry {
	for _, e := range d.entries {
		if len(e.seqs) > 0 && e.id(d.site) == id {
			return e
		}
	}
	return nil
}

// Delays of a kind at a place: what the site file gives the bay, else the table's, the end of what
// is judged by the level not before the chamber can have settled; never less than two readings of
// the point concerned where there is a delay at all, so that one late reading neither raises nor
// clears.
func (d *Desk) Delays(k site.Key) (on, off time.Duration) {
	row := info(k.Kind)
	on, off = row.OnDelay, row.OffDelay
	if row.Settles && d.Settling != nil {
		off = max(off, d.Settling(k.Bay))
	}
	if b := d.site.Bay(k.Bay); b != nil {
		if own, ok := b.Delays[k.Kind]; ok {
			if own.On >= 0 {
				on = own.On
			}
			if own.Off >= 0 {
				off = own.Off
			}
		}
	}
	twice := 2 * d.interval(k)
	if on > 0 {
		on = max(on, twice)
	}
	if off > 0 {
		off = max(off, twice)
	}
	return on, off
}

// interval is how often what a kind of trouble at a place rests on is read: its point, or the rarest
// read of the levels, flows, meters and pressures there.
func (d *Desk) interval(k site.Key) (longest time.Duration) {
	if p := d.site.Point(k.Subject); p != nil {
		return p.Interval
	}
	for _, q := range []site.Quantity{site.Level, site.Flow, site.Volume, site.Pressure} {
		if p := d.site.Find(k.Bay, q); p != nil {
			longest = max(longest, p.Interval)
		}
	}
	return longest
}

// settle moves every alarm to where it belongs at t and returns what is to be told.
func (d *Desk) settle(t time.Time) []site.Event {
	d.work = slices.DeleteFunc(d.work, func(w Work) bool { return !w.Until.After(t) })
	plan := d.fold(t)
	var out []site.Event
	for i, e := range d.entries {
		p := &plan[i]
		switch {
		case e.open:
			out = d.move(out, e, p, t)
		case p.ready && !p.hold && !p.muted():
			e.open, e.raised = true, t
			e.acked, e.ackBy, e.ackAt, e.over = false, "", time.Time{}, time.Time{}
			e.seqs, e.quiet, e.level = nil, 0, ""
			e.shelf = time.Time{}
			e.muted = false
			e.cause, e.freed = d.under(e, p), time.Time{}
			out = append(out, d.tell(e, p, site.Raised, t))
		}
	}
	d.sweep(t)
	d.rates.step(t)
	return out
}

// move takes one open alarm a step on.
func (d *Desk) move(out []site.Event, e *entry, p *part, t time.Time) []site.Event {
	if p.ending {
		e.open, e.shelf, e.muted = false, time.Time{}, false
		out = append(out, d.tell(e, p, site.Cleared, t))
		folded := e.cause != ""
		e.cause, e.freed = "", time.Time{}
		if !e.acked && !folded && e.level != site.Info {
			e.over = t
		}
		return out
	}
	if !e.shelf.IsZero() && !e.shelf.After(t) {
		e.shelf = time.Time{}
	}
	wasMuted := e.muted
	e.muted = p.muted() || !e.shelf.IsZero()
	if e.muted || !e.present {
		// Silenced, or in its off-delay: whatever it is now will be told when it ends or returns.
		e.muted = e.muted || wasMuted
		return out
	}
	next := d.under(e, p)
	switch {
	case p.cause != none:
		e.freed = time.Time{}
	case next != "" && e.freed.IsZero():
		e.freed = t
	}
	was := e.cause
	e.cause = next
	switch {
	case next == "" && (was != "" || wasMuted):
		// It stands on its own now, whatever was said before: ISA-18.2's return from
		// suppression to unacknowledged.
		e.freed, e.acked, e.quiet, e.level = time.Time{}, false, 0, ""
		return append(out, d.tell(e, p, site.Raised, t))
	case next != was:
		return append(out, d.tell(e, p, site.Updated, t))
	case next != "":
		return out // folded: its cause speaks for it
	}
	if e.acked && e.level == site.Urgent && t.Sub(e.ackAt) >= ReAlarm && d.site.Attended.Contains(t, d.site.Zone) {
		e.acked = false
		return append(out, d.tell(e, p, site.Raised, t))
	}
	if d.news(e, p, t) {
		return append(out, d.tell(e, p, site.Updated, t))
	}
	return out
}

// sweep forgets what is neither present, nor open, nor waiting to be acknowledged.
func (d *Desk) sweep(t time.Time) {
	d.entries = slices.DeleteFunc(d.entries, func(e *entry) bool {
		if !e.over.IsZero() && t.Sub(e.over) >= KeepReturned {
			e.over = time.Time{}
		}
		return !e.present && !e.open && e.over.IsZero()
	})
}

// Open returns every alarm that is not normal: told and standing, over but not acknowledged, and
// suppressed with the reason; the gravest first, then the oldest.
func (d *Desk) Open() []Alarm {
	plan := d.fold(d.now)
	list := make([]Alarm, 0, len(d.entries))
	for i, e := range d.entries {
		p := &plan[i]
		a := Alarm{Event: e.told, Present: e.present, Cause: e.cause, AckBy: e.ackBy, AckAt: e.ackAt, Asked: e.asked,
			ShelvedUntil: e.shelf, Seqs: slices.Clone(e.seqs), Now: e.told}
		if e.open && e.present {
			a.Now = d.event(e, p, e.told.State, d.now)
			a.Now.Seq = e.told.Seq
		}
		switch {
		case !e.open && !e.over.IsZero() && !(p.ready && p.muted()):
			a.Phase = ReturnedUnacknowledged
		case !e.open && (!p.ready || !p.muted()):
			continue // still in its on-delay
		case p.muted():
			a.Phase, a.Why = OutOfService, d.voice.Speak(p.mute)
			if p.byDesign {
				a.Phase = SuppressedByDesign
			}
			if !e.open {
				a.Event = d.event(e, p, site.Raised, d.now)
				a.Event.ID, a.Seqs = "", nil
				a.Now = a.Event
			}
		case !e.shelf.IsZero():
			a.Phase, a.Why = Shelved, d.shelfWords(e)
		case e.cause != "":
			a.Phase, a.Why = SuppressedByDesign, d.voice.Say("folded under %s", e.cause)
		case e.acked:
			a.Phase, a.Told = Acknowledged, true
		default:
			a.Phase, a.Told = Unacknowledged, true
		}
		list = append(list, a)
	}
	slices.SortStableFunc(list, func(a, b Alarm) int {
		return cmp.Or(cmp.Compare(gravity(b.Event.Severity), gravity(a.Event.Severity)),
			a.Event.Raised.Compare(b.Event.Raised.Time))
	})
	return list
}

// Find returns the alarm a person names: by its id, or by the sequence number of any event that
// told it, as messages print it.
func Find(alarms []Alarm, ref string) (Alarm, bool) {
	seq, err := strconv.ParseInt(ref, 10, 64)
	for _, a := range alarms {
		if a.Event.ID != "" && (a.Event.ID == ref || (err == nil && slices.Contains(a.Seqs, seq))) {
			return a, true
		}
	}
	return Alarm{}, false
}

// Maintenance returns the work under way, by bay.
func (d *Desk) Maintenance() []Work { return slices.Clone(d.work) }

// Season reports whether the season is closed.
func (d *Desk) Season() (closed bool) { return d.closed }

// Seq is the number of the last event told, 0 before the first.
func (d *Desk) Seq() int64 { return d.seq }

func (d *Desk) shelfWords(e *entry) string {
	var by, of site.Phrase
	if e.shelfBy != "" {
		by = site.Say(" by %s", e.shelfBy)
	}
	if e.shelfOf != "" {
		of = site.Say(": %s", e.shelfOf)
	}
	return d.voice.Say("shelved until %s%s%s", site.Moment{At: e.shelf, Now: d.now}, by, of)
}

func known(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
