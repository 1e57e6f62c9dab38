// Package notice tells people by e-mail and webhook, for a club that has nothing else: urgent
// alarms at once, a frost that is foretold while people are there, a second person when nobody
// answers, and one line every morning that says that all is well or what to look at.
//
// Each person has a Notifier with a place of their own in the journal's queue of events, so that
// nobody's broken mailbox keeps a page from anybody else. An event leaves the queue when the
// person's route has taken the message, so an outage of the way out loses nothing and tells
// nothing twice, and what it has outlasted is not told but stands in the morning line; after a crash between the two a message may come twice, under the same
// Message-ID and Idempotency-Key. What is older than useful is not sent any more. Folded effects
// (with a cause_id) are never told: their cause speaks for them.
//
// A site that has these notices says so in its metrics, and the Prometheus rules then leave its
// alarms alone: never both routes for one alarm.
package notice

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// Message is what a route is given.
type Message struct {
	// Key is the same when the same message is sent again.
	Key string
	// Sort is alarm, over, escalation or morning.
	Sort string
	// Short has at most 300 characters, Long is the whole of it.
	Short, Long string
	// Time is when it is sent.
	Time time.Time
	// Event is nil for the morning line.
	Event *site.Event
}

// Route brings a message to one person. Send returns nil only when it has been taken over.
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

// Events is this person's place in the journal's queue of events.
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
	// Asked is since when it has been waiting for an answer.
	Asked time.Time
}

// Words puts events into words. who is the person's id: what answers is theirs. lead is a sentence
// to come first, or empty.
type Words interface {
	// Message is at most 300 characters, and the whole of it.
	Message(e site.Event, who, lead string) (short, long string)
	// Line is one of several in a list.
	Line(e site.Event) string
	// Notes are sentences about what keeps alarms quiet at the moment: work under way, the season.
	Notes() []string
}

// Store keeps the notifier's memory over restarts.
type Store interface {
	Load(ctx context.Context) ([]byte, error) // nil when there is none
	Save(ctx context.Context, b []byte) error
}

// Person is somebody who is told. Make one with DefaultPerson.
type Person struct {
	// ID is permanent: it names the person's place in the queue, and answers are on record
	// under it.
	ID    string
	Route Route
	// Second is told only of what nobody has answered for EscalateAfter, and gets no morning
	// line.
	Second        bool
	EscalateAfter time.Duration
	// Useful is the age beyond which a message is no longer sent.
	Useful time.Duration
	// Morning is when the morning line goes out, in the site's time.
	Morning site.DayTime
	// OwnLine is true when the route works while the site's internet is cut: it has a modem.
	OwnLine bool
}

// DefaultPerson has neither id nor route.
func DefaultPerson() Person {
	return Person{EscalateAfter: 15 * time.Minute, Useful: 12 * time.Hour, Morning: 6*60 + 30}
}

const (
	// every is the pause between two looks; retryMax bounds the pause after failures.
	every    = 10 * time.Second
	retryMax = 5 * time.Minute
	// sendWithin bounds one try of one message.
	sendWithin = 20 * time.Second
	// morningFor is how long after its time the morning line is still worth sending.
	morningFor = 2 * time.Hour
	// shortMax is the most characters of a short message.
	shortMax = 300
)

// Notifier tells one person. It belongs to the goroutine of Run, but for Trouble.
type Notifier struct {
	who      Person
	site     *site.Site
	events   Events
	standing func() []Standing
	words    Words
	store    Store
	clk      clock.Clock
	log      *slog.Logger

	mem   memory
	pause time.Duration // after a failure
	next  time.Time     // no try before

	mu      sync.Mutex
	trouble string // why nothing gets through; empty while it does
}

// memory is what must survive a restart.
type memory struct {
	V    int             `json:"v"`
	Day  string          `json:"day"`  // local day of the last morning line
	Told map[string]bool `json:"told"` // ids of urgent alarms the person was told of
	// Early are the ids of warnings the person was told of because the morning is too late for them.
	Early map[string]bool `json:"early,omitempty"`
	// Escalated are, by id, the askings the person was told nobody had answered.
	Escalated map[string]time.Time `json:"escalated"`
}

// New makes a notifier. standing is asked for the alarms that stand; store may be nil.
func New(who Person, s *site.Site, events Events, standing func() []Standing, words Words, store Store, clk clock.Clock, log *slog.Logger) *Notifier {
	return &Notifier{who: who, site: s, events: events, standing: standing, words: words, store: store, clk: clk, log: log.With("person", who.ID),
		mem: memory{V: 1, Told: map[string]bool{}, Escalated: map[string]time.Time{}}}
}

// Trouble says why nothing gets through to the person at the moment, or "". It may be called
// from any goroutine.
func (n *Notifier) Trouble() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.trouble
}

// Run tells the person until ctx ends.
func (n *Notifier) Run(ctx context.Context) error {
	n.remember(ctx)
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

// remember reads what was told before the restart.
func (n *Notifier) remember(ctx context.Context) {
	if n.store == nil {
		return
	}
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

// settle takes note of how a step went: pauses grow while nothing gets through.
func (n *Notifier) settle(ctx context.Context, now time.Time, err error) {
	if err != nil && ctx.Err() != nil {
		return // being stopped is no fault
	}
	text := ""
	if err != nil {
		text = err.Error()
	}
	n.mu.Lock()
	was := n.trouble
	n.trouble = text
	n.mu.Unlock()
	switch {
	case text == "":
		if was != "" {
			n.log.Info("notices get through again", "route", n.who.Route.Name())
		}
		n.pause, n.next = 0, time.Time{}
		return
	case text != was:
		n.log.Warn("notice not delivered; it is kept and tried again", "route", n.who.Route.Name(), "err", text)
	}
	n.pause = min(max(2*n.pause, every), retryMax)
	n.next = now.Add(n.pause)
}

// step tells everything that is due at now. The first failure ends it, so that order is kept.
func (n *Notifier) step(ctx context.Context, now time.Time) error {
	before := n.state()
	err := n.tell(ctx, now)
	if err == nil && n.who.Second {
		err = n.escalate(ctx, now)
	}
	if err == nil && !n.who.Second {
		err = n.morning(ctx, now)
	}
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
		for i, e := range batch {
			if overSince(e.Event, batch[i+1:]) {
				// An outage has outlasted it: nobody is woken by what is over. The morning line has it.
				n.log.Info("notice left out; its alarm is over", "id", e.Event.ID)
			} else if err := n.one(ctx, now, e.Event); err != nil {
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

// overSince reports whether later events say that the alarm of an event is over.
func overSince(e site.Event, later []Event) bool {
	return e.State != site.Cleared && slices.ContainsFunc(later, func(l Event) bool { return l.Event.ID == e.ID && l.Event.State == site.Cleared })
}

// one tells one event if it is this person's business now.
func (n *Notifier) one(ctx context.Context, now time.Time, e site.Event) error {
	told := n.mem.Told[e.ID]
	if e.State == site.Cleared {
		if told {
			if err := n.say(ctx, now, "over", e); err != nil {
				return err
			}
		}
		delete(n.mem.Told, e.ID)
		delete(n.mem.Early, e.ID)
		delete(n.mem.Escalated, e.ID)
		return nil
	}
	switch {
	case n.who.Second: // hears of it when nobody has answered
		return nil
	case n.early(e, now):
		return n.warn(ctx, now, e)
	case e.CauseID != "" || e.Severity != site.Urgent: // its cause speaks, or it waits for the morning
		return nil
	case e.State == site.Updated && told: // numbers; they are on the page
		return nil
	}
	return n.say(ctx, now, "alarm", e)
}

// early reports whether a warning is told at once: it is of a frost, which the morning line would tell when
// it is over, and people are still there to drain or to cover.
func (n *Notifier) early(e site.Event, now time.Time) bool {
	row, _ := e.Kind.Info()
	return row.Severity == site.ByFrost && e.Severity == site.Warning && e.CauseID == "" && !n.mem.Early[e.ID] && n.site.Attended.Contains(now, n.site.Zone)
}

// warn tells a warning. The person counts as not told of the alarm: should it grow urgent, that is told.
func (n *Notifier) warn(ctx context.Context, now time.Time, e site.Event) error {
	told := n.mem.Told[e.ID]
	if err := n.say(ctx, now, "alarm", e); err != nil {
		return err
	}
	if !told {
		delete(n.mem.Told, e.ID)
	}
	if n.mem.Early == nil {
		n.mem.Early = map[string]bool{}
	}
	n.mem.Early[e.ID] = true
	return nil
}

// say sends what an event says, unless that is too old to be useful, and notes that the person
// knows of the alarm.
func (n *Notifier) say(ctx context.Context, now time.Time, sort string, e site.Event) error {
	if age := now.Sub(e.Time.Time); age > n.who.Useful {
		n.log.Warn("notice too old to be useful", "id", e.ID, "age_s", age.Seconds())
		return nil
	}
	short, long := n.words.Message(e, n.who.ID, "")
	if err := n.send(ctx, Message{Key: key(sort, e.ID, fmt.Sprint(e.Seq)), Sort: sort, Short: short, Long: long, Event: &e}); err != nil {
		return err
	}
	n.mem.Told[e.ID] = true
	return nil
}

// escalate tells what nobody has answered, once for each time an answer was asked for.
func (n *Notifier) escalate(ctx context.Context, now time.Time) error {
	for _, s := range n.standing() {
		e := s.Event
		if !s.Present || s.Acked || e.Severity != site.Urgent || now.Sub(s.Asked) < n.who.EscalateAfter || n.mem.Escalated[e.ID].Equal(s.Asked) {
			continue
		}
		short, long := n.words.Message(e, n.who.ID, words.Of(n.site).Say("Nobody has answered."))
		m := Message{Key: key("escalation", e.ID, s.Asked.UTC().Format(time.RFC3339Nano)), Sort: "escalation", Event: &e, Short: short, Long: long}
		if err := n.send(ctx, m); err != nil {
			return err
		}
		n.mem.Escalated[e.ID], n.mem.Told[e.ID] = s.Asked, true
	}
	return nil
}

// morning sends the line of the day, once.
func (n *Notifier) morning(ctx context.Context, now time.Time) error {
	l := now.In(n.site.Zone)
	due := time.Date(l.Year(), l.Month(), l.Day(), int(n.who.Morning)/60, int(n.who.Morning)%60, 0, 0, n.site.Zone)
	day := l.Format("2006-01-02")
	if n.mem.Day == day || now.Before(due) || now.Sub(due) > morningFor {
		return nil
	}
	if err := n.send(ctx, n.line(day)); err != nil {
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
		if s.Event.Severity == site.Info {
			continue
		}
		_, whole := n.words.Message(s.Event, n.who.ID, "")
		look = append(look, n.words.Line(s.Event))
		long.WriteString("\n" + whole)
	}
	say := words.Of(n.site)
	notes := n.words.Notes()
	short := func(told int) string {
		begin := say.Say("%s: all is well. %d bays watched.", name, bays)
		switch list := strings.Join(look[:told], "; "); {
		case told < len(look):
			begin = say.Say("%s: %d to look at this morning: %s; and %d more.", name, len(look), list, len(look)-told)
		case told > 0:
			begin = say.Say("%s: %d to look at this morning: %s.", name, len(look), list)
		case bays == 1:
			begin = say.Say("%s: all is well. One bay watched.", name)
		}
		return strings.Join(append([]string{begin}, notes...), " ")
	}
	told := len(look)
	for told > 1 && utf8.RuneCountInString(short(told)) > shortMax {
		told-- // the gravest come first
	}
	return Message{Key: key("morning", n.site.ID, day), Sort: "morning", Short: fit(short(told)), Long: strings.Join(append(notes, long.String()), "\n")}
}

// fit cuts a text to what a telephone shows, at a word.
func fit(text string) string {
	r := []rune(text)
	if len(r) <= shortMax {
		return text
	}
	text = string(r[:shortMax-1])
	return text[:max(strings.LastIndexByte(text, ' '), 0)] + "…"
}

func (n *Notifier) send(ctx context.Context, m Message) error {
	m.Time = n.clk.Now()
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	if err := n.who.Route.Send(ctx, m); err != nil {
		return fmt.Errorf("%s: %w", n.who.Route.Name(), err)
	}
	n.log.Info("notice delivered", "sort", m.Sort, "route", n.who.Route.Name())
	return nil
}

// key identifies a message: the same parts give the same key.
func key(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return hex.EncodeToString(sum[:12])
}
