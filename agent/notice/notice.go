// Package notice tells people by e-mail and webhook, for a club that has nothing else: urgent
// alarms at once, a second person when nobody answers, and one line every morning that says that
// all is well or what to look at.
//
// Events come from the journal's queue and leave it when a message is with at least one route,
// so an outage of the way out loses nothing and tells nothing twice; after a crash between the
// two a message may come twice, under the same Message-ID and Idempotency-Key. What is older
// than useful is not sent any more. Folded effects (with a cause_id) are never told: their cause
// speaks for them.
//
// Use it only where no Alertmanager tells the same alarms.
package notice

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// Message is what one route is given.
type Message struct {
	// Key is the same when the same message is sent again.
	Key string
	// Sort is alarm, over, escalation or morning.
	Sort string
	// Short has at most 300 characters, Long is the whole of it.
	Short, Long string
	// Event is nil for the morning line.
	Event *site.Event
}

// Route brings a message to people. Send returns nil only when it has been taken over.
type Route interface {
	Send(ctx context.Context, m Message) error
	// Name is for the log; it holds no secret.
	Name() string
}

// Event is an event with its place in the queue.
type Event struct {
	Pos   int64
	Event site.Event
}

// Events is the journal's queue of events.
type Events interface {
	Next(ctx context.Context, limit int) ([]Event, error)
	Ack(ctx context.Context, pos int64) error
}

// Standing is an alarm that stands on its own now.
type Standing struct {
	Event site.Event // as it would be told now
	Acked bool
	// Present is false for one that is over and was never answered.
	Present bool
}

// Store keeps the notifier's memory over restarts.
type Store interface {
	Load(ctx context.Context) ([]byte, error) // nil when there is none
	Save(ctx context.Context, b []byte) error
}

// Options of a Notifier. Make them with DefaultOptions.
type Options struct {
	First  []Route // told first
	Second []Route // told when nobody answers; none means no escalation
	// EscalateAfter is how long an urgent alarm may go unanswered.
	EscalateAfter time.Duration
	// Useful is the age beyond which a message is no longer sent.
	Useful time.Duration
	// Morning is when the morning line goes out, in the site's time.
	Morning site.DayTime
}

// DefaultOptions without routes.
func DefaultOptions() Options {
	return Options{EscalateAfter: 15 * time.Minute, Useful: 12 * time.Hour, Morning: 6*60 + 30}
}

// Validate returns every mistake.
func (o Options) Validate() site.Problems {
	var p site.Problems
	if len(o.First) == 0 {
		p.Add("notice", "name an e-mail address or a webhook", "there is nobody to tell")
	}
	if o.EscalateAfter < time.Minute {
		p.Add("escalate_after", `write for example "15m"`, "%v is too short for anybody to answer", o.EscalateAfter)
	}
	if o.Useful < time.Hour {
		p.Add("useful", `write for example "12h"`, "%v would drop what an hour's outage delayed", o.Useful)
	}
	if o.Morning < 0 || o.Morning >= 24*60 {
		p.Add("morning", `write for example "06:30"`, "this is no time of day")
	}
	return p
}

// every is the pause between two looks; retryMax bounds the pause after failures.
const (
	every    = 10 * time.Second
	retryMax = 5 * time.Minute
	// sendWithin bounds one try of one route.
	sendWithin = 20 * time.Second
	// morningFor is how long after its time the morning line is still worth sending.
	morningFor = 2 * time.Hour
)

// Notifier tells people. It belongs to the goroutine of Run.
type Notifier struct {
	o        Options
	site     *site.Site
	events   Events
	standing func() []Standing
	words    func(site.Event) (short, long string)
	store    Store
	clk      clock.Clock
	log      *slog.Logger

	mem    memory
	pause  time.Duration // after a failure
	next   time.Time     // no try before
	broken bool          // the failure is logged
}

// memory is what must survive a restart.
type memory struct {
	V         int             `json:"v"`
	Day       string          `json:"day"`       // local day of the last morning line
	Told      map[string]bool `json:"told"`      // ids of urgent alarms somebody was told of
	Escalated map[string]bool `json:"escalated"` // ids the second was told of
}

// New makes a notifier. standing is asked for the alarms that stand; words puts an event into
// words; store may be nil.
func New(o Options, s *site.Site, events Events, standing func() []Standing, words func(site.Event) (string, string),
	store Store, clk clock.Clock, log *slog.Logger) (*Notifier, error) {
	if err := o.Validate().Err(); err != nil {
		return nil, fmt.Errorf("notice: %w", err)
	}
	return &Notifier{o: o, site: s, events: events, standing: standing, words: words, store: store, clk: clk, log: log,
		mem: memory{V: 1, Told: map[string]bool{}, Escalated: map[string]bool{}}}, nil
}

// Run tells people until ctx ends. On a stepped clock its goroutine must be a party.
func (n *Notifier) Run(ctx context.Context) error {
	if n.store != nil {
		b, err := n.store.Load(ctx)
		if err == nil && b != nil {
			var m memory
			if err = json.Unmarshal(b, &m); err == nil && m.V == 1 && m.Told != nil && m.Escalated != nil {
				n.mem = m
			}
		}
		if err != nil && ctx.Err() == nil {
			n.log.Warn("memory of notices cannot be read; somebody may be told twice", "err", err.Error())
		}
	}
	for {
		now := n.clk.Now()
		if !now.Before(n.next) {
			n.settle(ctx, now, n.step(ctx, now))
		}
		if err := n.clk.Wait(ctx, now.Add(every)); err != nil {
			return nil
		}
	}
}

// settle takes note of how a step went: pauses grow while nothing gets through.
func (n *Notifier) settle(ctx context.Context, now time.Time, err error) {
	switch {
	case err == nil:
		if n.broken {
			n.log.Info("notices get through again")
		}
		n.pause, n.next, n.broken = 0, time.Time{}, false
	case ctx.Err() == nil:
		n.pause = min(max(2*n.pause, every), retryMax)
		n.next = now.Add(n.pause)
		if !n.broken {
			n.log.Warn("notice not delivered; it is kept and tried again", "err", err.Error())
		}
		n.broken = true
	}
}

// step tells everything that is due at now. The first failure ends it, so that order is kept.
func (n *Notifier) step(ctx context.Context, now time.Time) error {
	before := n.state()
	err := errors.Join(n.tell(ctx, now), n.escalate(ctx, now), n.morning(ctx, now))
	if after := n.state(); n.store != nil && after != before {
		err = errors.Join(err, n.store.Save(context.WithoutCancel(ctx), []byte(after)))
	}
	return err
}

func (n *Notifier) state() string {
	b, err := json.Marshal(n.mem)
	if err != nil {
		panic("notice: memory of plain text always encodes: " + err.Error())
	}
	return string(b)
}

// tell works through the queue.
func (n *Notifier) tell(ctx context.Context, now time.Time) error {
	for {
		batch, err := n.events.Next(ctx, 50)
		if err != nil {
			return fmt.Errorf("read the queue of notices: %w", err)
		}
		for _, e := range batch {
			if err := n.one(ctx, now, e.Event); err != nil {
				return err
			}
			if err := n.events.Ack(context.WithoutCancel(ctx), e.Pos); err != nil {
				return fmt.Errorf("acknowledge a notice: %w", err)
			}
		}
		if len(batch) < 50 {
			return nil
		}
	}
}

// one tells one event if it is somebody's business now.
func (n *Notifier) one(ctx context.Context, now time.Time, e site.Event) error {
	told := n.mem.Told[e.ID]
	sort := "alarm"
	switch {
	case e.State == site.Cleared:
		delete(n.mem.Told, e.ID)
		delete(n.mem.Escalated, e.ID)
		if !told {
			return nil
		}
		sort = "over"
	case e.CauseID != "" || e.Severity != site.Urgent:
		return nil // its cause speaks, or it waits for the morning
	case e.State == site.Updated && told:
		return nil // numbers; they are on the page
	}
	if age := now.Sub(e.Time.Time); age > n.o.Useful {
		n.log.Warn("notice too old to be useful", "id", e.ID, "age_s", age.Seconds())
		return nil
	}
	short, long := n.words(e)
	if err := n.send(ctx, n.o.First, Message{Key: key(sort, e.ID, fmt.Sprint(e.Seq)), Sort: sort, Short: short, Long: long, Event: &e}); err != nil {
		if sort == "over" {
			n.mem.Told[e.ID] = true // so that the next try still knows it
		}
		return err
	}
	if sort == "alarm" {
		n.mem.Told[e.ID] = true
		delete(n.mem.Escalated, e.ID) // raised anew, it may be escalated anew
	}
	return nil
}

// escalate tells the second about what nobody has answered.
func (n *Notifier) escalate(ctx context.Context, now time.Time) error {
	if len(n.o.Second) == 0 {
		return nil
	}
	for _, s := range n.standing() {
		e := s.Event
		if !s.Present || s.Acked || e.Severity != site.Urgent || e.CauseID != "" || !n.mem.Told[e.ID] || n.mem.Escalated[e.ID] ||
			now.Sub(e.Raised.Time) < n.o.EscalateAfter {
			continue
		}
		short, long := n.words(e)
		m := Message{Key: key("escalation", e.ID), Sort: "escalation", Event: &e,
			Short: "Nobody has answered. " + short, Long: "Nobody has answered this alarm yet.\n\n" + long}
		if err := n.send(ctx, n.o.Second, m); err != nil {
			return err
		}
		n.mem.Escalated[e.ID] = true
	}
	return nil
}

// morning sends the line of the day, once.
func (n *Notifier) morning(ctx context.Context, now time.Time) error {
	l := now.In(n.site.Zone)
	due := time.Date(l.Year(), l.Month(), l.Day(), int(n.o.Morning)/60, int(n.o.Morning)%60, 0, 0, n.site.Zone)
	day := l.Format("2006-01-02")
	if n.mem.Day == day || now.Before(due) || now.Sub(due) > morningFor {
		return nil
	}
	m := n.line(day)
	if err := n.send(ctx, n.o.First, m); err != nil {
		return err
	}
	n.mem.Day = day
	return nil
}

// line is the morning line.
func (n *Notifier) line(day string) Message {
	name := n.site.Name
	if name == "" {
		name = n.site.ID
	}
	bays := 0
	for range n.site.Bays() {
		bays++
	}
	var look []string
	var long strings.Builder
	for _, s := range n.standing() {
		if s.Event.CauseID != "" || s.Event.Severity == site.Info {
			continue
		}
		short, whole := n.words(s.Event)
		look = append(look, short)
		long.WriteString(whole + "\n")
	}
	m := Message{Key: key("morning", n.site.ID, day), Sort: "morning"}
	if len(look) == 0 {
		m.Short = fmt.Sprintf("%s: all is well. %d bays watched.", name, bays)
		m.Long = m.Short + "\n"
		return m
	}
	m.Short = fmt.Sprintf("%s: %d to look at this morning. %s", name, len(look), look[0])
	if r := []rune(m.Short); len(r) > 300 {
		m.Short = string(r[:299]) + "…"
	}
	m.Long = fmt.Sprintf("%s: %d to look at this morning.\n\n%s", name, len(look), long.String())
	return m
}

// send is done when one route has the message; the others' failures are logged.
func (n *Notifier) send(ctx context.Context, routes []Route, m Message) error {
	var errs []error
	for _, r := range routes {
		try, cancel := context.WithTimeout(ctx, sendWithin)
		err := r.Send(try, m)
		cancel()
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", r.Name(), err))
		}
	}
	if len(errs) < len(routes) {
		for _, err := range errs {
			n.log.Warn("one route failed; another has the notice", "err", err.Error())
		}
		return nil
	}
	return errors.Join(errs...)
}

// key identifies a message: the same parts give the same key.
func key(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return hex.EncodeToString(sum[:12])
}
