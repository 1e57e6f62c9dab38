package relay

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// Event is an event with its place in the queue.
type Event struct {
	Pos   int64
	Event site.Event
}

// Events is the journal's queue of events, as far as this consumer has not acknowledged them.
type Events interface {
	// Changed has a value when something was appended since the last receive.
	Changed() <-chan struct{}
	// Next returns the oldest events, up to limit, in order, without taking them.
	Next(ctx context.Context, limit int) ([]Event, error)
	// Ack says that every event up to and including pos is with the broker.
	Ack(ctx context.Context, pos int64) error
}

// History is the journal's queue of samples, as far as this consumer has not acknowledged them.
type History interface {
	// Changed has a value when something was appended since the last receive.
	Changed() <-chan struct{}
	// Next returns the oldest samples, up to limit, calibrated and in the journal's order,
	// without taking them. next is where the following ones begin.
	Next(ctx context.Context, limit int) (samples []site.Numbered, next int64, err error)
	// Ack says that every sample up to and including upto is with the broker.
	Ack(ctx context.Context, upto int64) error
}

// Status is how the relay is doing: a copy.
type Status struct {
	Connected bool
	// Since is when Connected became what it is.
	Since time.Time
	// Err is why it is not connected, in words for people; empty while it is.
	Err string
	// Live, Events and History count what the broker has been given: live values written to the
	// connection, events and samples acknowledged. Conflated counts live values that a newer one
	// of the same point replaced before they were sent. Connections counts successful ones.
	Live, Events, History, Conflated, Connections uint64
	// LastAck is when the broker last acknowledged anything.
	LastAck time.Time
}

// Relay publishes one site. Make it with New, run it with Run.
type Relay struct {
	opts    Options
	broker  *url.URL
	events  Events
	history History
	clk     clock.Clock
	log     *slog.Logger
	version string

	wake    chan struct{} // something below changed; one slot
	online  chan struct{} // closed at the first connection
	onlineO sync.Once

	mu      sync.Mutex // guards what follows
	site    *site.Site
	newest  map[string]site.Sample // by point: the newest seen
	pending map[string]bool        // points whose newest is not sent
	kept    map[string]time.Time   // by point: the time of the value the broker kept when we came
	alarms  []site.OpenAlarm
	told    bool // alarms are with the broker
	// haveAlarms is true once a list of alarms was given, be it empty.
	haveAlarms bool
	queueErr   map[string]string // by queue: the fault that was logged and lasts
	resync     bool              // the site changed: points, stale topics
	tokens     []func()
	st         Status
}

// New makes a relay. events may be nil; history is used only when the options ask for it.
// version is told on the status topic.
func New(o Options, s *site.Site, events Events, history History, clk clock.Clock, log *slog.Logger, version string) (*Relay, error) {
	if err := o.Validate().Err(); err != nil {
		return nil, fmt.Errorf("relay: %w", err)
	}
	u, err := url.Parse(o.Broker)
	if err != nil {
		return nil, fmt.Errorf("relay: %w", err)
	}
	if o.History && history == nil {
		return nil, errors.New("relay: history is asked for but there is no queue of it")
	}
	if !o.History {
		history = nil
	}
	return &Relay{
		opts: o, broker: u, site: s, events: events, history: history, clk: clk, log: log, version: version,
		wake: make(chan struct{}, 1), online: make(chan struct{}), told: true,
		newest: map[string]site.Sample{}, pending: map[string]bool{}, kept: map[string]time.Time{}, queueErr: map[string]string{},
		st: Status{Since: clk.Now(), Err: "not connected yet"},
	}, nil
}

// Live notes new readings, calibrated. One that is not newer than the last of its point, or of a
// point the site does not have, is passed over. It does not block.
func (r *Relay) Live(batch []site.Sample) {
	r.mu.Lock()
	defer r.mu.Unlock()
	changed, now := false, r.clk.Now().Add(time.Minute)
	for _, s := range batch {
		old, ok := r.newest[s.Point]
		// A value dated after now was dated by a clock that has since been put right.
		if ok && !s.Time.After(old.Time) && !old.Time.After(now) || r.site.Point(s.Point) == nil {
			continue
		}
		if r.pending[s.Point] {
			r.st.Conflated++
		}
		r.newest[s.Point], r.pending[s.Point] = s, true
		changed = true
	}
	if changed {
		r.poke()
	}
}

// keeps notes the time of a value the broker keeps.
func (r *Relay) keeps(point string, t time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.kept[point] = t
}

// behind reports whether a sample is older than what the broker keeps, as after a start without the
// journal and with a clock that was set back: then nothing is sent until time has come level. Only
// where somebody vouches for the clock (sure) is a value from the future one that was dated
// wrongly. What the broker kept is forgotten with the first value that replaces it. The caller
// holds the lock.
func (r *Relay) behind(s site.Sample, sure bool) bool {
	kept := r.kept[s.Point]
	if kept.After(s.Time) && !(sure && kept.After(r.clk.Now().Add(time.Minute))) {
		return true
	}
	delete(r.kept, s.Point)
	return false
}

// sure reports whether the clock is vouched for, as far as that is asked for. It must not be called
// under the lock: who answers may wait for somebody who calls us.
func (r *Relay) sure() bool {
	r.mu.Lock()
	asked := len(r.kept) > 0 && r.opts.Standing != nil
	r.mu.Unlock()
	return !asked || r.opts.Standing().ClockSure
}

// Alarms notes the list of open alarms, which is published when it says something else than
// before. It does not block and keeps no reference to list.
func (r *Relay) Alarms(list []site.OpenAlarm) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.haveAlarms && same(r.alarms, list) {
		return
	}
	r.alarms, r.told, r.haveAlarms = slices.Clone(list), false, true
	r.poke()
}

// Kick says that the queue of events has something; with the option Flush the clock waits until
// the broker has it. It does not block.
func (r *Relay) Kick() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.poke()
}

// Reload goes on with another version of the same site: the points are told anew and topics of
// what is gone are cleared. It does not block.
func (r *Relay) Reload(s *site.Site) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.site, r.resync = s, true
	for id := range r.newest {
		if s.Point(id) == nil {
			delete(r.newest, id)
			delete(r.pending, id)
		}
	}
	r.poke()
}

// poke wakes the loop and, with Flush and a broker, holds the clock. The caller holds the lock.
func (r *Relay) poke() {
	if r.opts.Flush && r.st.Connected {
		r.tokens = append(r.tokens, r.clk.Work())
	}
	select {
	case r.wake <- struct{}{}:
	default: // it is awake already
	}
}

// Status of the relay now.
func (r *Relay) Status() Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.st
}

// Online is closed when the broker has been reached for the first time.
func (r *Relay) Online() <-chan struct{} { return r.online }

// Run publishes until ctx ends, connecting again whenever the connection is lost, and returns
// nil after the broker has been told good-bye or could not be within two seconds.
func (r *Relay) Run(ctx context.Context) error {
	defer r.offline("stopped")
	pause := r.opts.RetryMin
	var down time.Time          // since when it has been away, as logged
	causes := map[string]bool{} // those of this outage that are logged
	for {
		began := time.Now()
		connected, err := r.session(ctx, func() {
			if !down.IsZero() {
				r.log.Info("broker reached again", "broker", r.broker.Host, "away_s", time.Since(down).Seconds())
				down = time.Time{}
				clear(causes)
			} else {
				r.log.Info("broker reached", "broker", r.broker.Host)
			}
		})
		if ctx.Err() != nil {
			return nil
		}
		text := reason(err)
		if connected && time.Since(began) < 5*time.Second {
			text += "; if this goes on, another client may be using the same client id"
		}
		r.offline(text)
		if down.IsZero() {
			down = time.Now()
		}
		if !causes[text] && len(causes) < maxCauses {
			causes[text] = true
			r.log.Warn("broker away", "broker", r.broker.Host, "err", text)
		}
		if connected && time.Since(began) > r.opts.RetryMax {
			pause = r.opts.RetryMin
		}
		wait := time.NewTimer(time.Duration(float64(pause) * (0.75 + 0.5*rand.Float64())))
		select {
		case <-ctx.Done():
			wait.Stop()
			return nil
		case <-wait.C:
		}
		pause = min(2*pause, r.opts.RetryMax)
	}
}

// maxCauses bounds the lines one outage writes.
const maxCauses = 8

// reason is the text of an error without what differs at every try, the port of our own end.
func reason(err error) string {
	var op *net.OpError
	if errors.As(err, &op) && op.Source != nil {
		bare := *op
		bare.Source = nil
		return strings.ReplaceAll(err.Error(), op.Error(), bare.Error())
	}
	return err.Error()
}

// offline notes that the broker is away, and lets the clock go on.
func (r *Relay) offline(why string) {
	r.mu.Lock()
	if r.st.Connected || r.st.Err == "" {
		r.st.Since = r.clk.Now()
	}
	r.st.Connected, r.st.Err = false, why
	r.mu.Unlock()
	r.release()
}

// release gives back every Work token that is held.
func (r *Relay) release() {
	r.mu.Lock()
	tokens := r.tokens
	r.tokens = nil
	r.mu.Unlock()
	for _, done := range tokens {
		done()
	}
}

// queueFault reports whether a queue failed, and logs the begin and the end of it: without its
// queue the relay still tells what is live.
func (r *Relay) queueFault(ctx context.Context, queue string, err error) bool {
	if err != nil && ctx.Err() != nil {
		return true // being stopped is no fault
	}
	text := ""
	if err != nil {
		text = err.Error()
	}
	r.mu.Lock()
	was := r.queueErr[queue]
	r.queueErr[queue] = text
	r.mu.Unlock()
	switch {
	case text != "" && text != was:
		r.log.Warn("queue cannot be used", "queue", queue, "err", text)
	case text == "" && was != "":
		r.log.Info("queue works again", "queue", queue)
	}
	return err != nil
}

// count adds to the figures under the lock.
func (r *Relay) count(f func(*Status)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(&r.st)
}
