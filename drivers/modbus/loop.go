package modbus

import (
	"cmp"
	"context"
	"errors"
	"hash/fnv"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// link is one line and the goroutine that owns it.
type link struct {
	d       *Driver
	o       Link
	open    opener
	devices []*device
	heard   *sniffer

	// What follows belongs to the goroutine.
	line      line
	sink      Sink
	ready     []*request // queued
	free      chan *batch
	timer     *time.Timer
	dialAt    time.Time // on the clock
	dialPause time.Duration
	breaks    int   // connections that broke since the last answer
	ears      *ears // while the line is only listened to
	cleared   bool  // the line was listened to and is ours
	// silence is how long another master had been silent when the line was used again at resumed.
	silence time.Duration
	resumed time.Time
	heardAt time.Time // of a line that is only listened to: when a point of ours was last heard
	valve   *valve    // the isolation valve, where it may be shut; nil almost everywhere
	why     site.Why  // why the link cannot be used, for the log's edges

	mu    sync.Mutex // guards stats, and heard and isHeard of the points
	stats LinkStats
}

func newLink(d *Driver, o Link, s *site.Site, open opener) *link {
	l := &link{d: d, o: o, open: open, heard: &sniffer{}, free: make(chan *batch, 64)}
	l.stats = LinkStats{Link: o.ID, Kind: o.Kind}
	transaction := new(uint16)
	for _, dev := range o.Devices {
		x := newDevice(o.Kind, dev, s, o.ID, transaction)
		x.unit.via = l
		l.devices = append(l.devices, x)
		l.heard.own[byte(dev.Unit)] = true
	}
	l.heard.answer = l.overheard
	return l
}

// batch carries samples to the sink and comes back when they are taken over.
type batch struct {
	samples []site.Sample
	done    func()
	token   func()
	out     atomic.Bool
}

func (l *link) batch() *batch {
	select {
	case b := <-l.free:
		b.samples = b.samples[:0]
		return b
	default:
	}
	b := &batch{}
	b.done = func() {
		if !b.out.CompareAndSwap(true, false) {
			return
		}
		token := b.token
		select {
		case l.free <- b:
		default: // more are under way than are kept
		}
		token()
	}
	return b
}

// hand gives a batch to the sink.
func (l *link) hand(b *batch) {
	if len(b.samples) == 0 {
		return
	}
	b.token = l.d.clk.Work()
	b.out.Store(true)
	l.sink(b.samples, b.done)
}

// run is the link's goroutine.
func (l *link) run(ctx context.Context, sink Sink) {
	l.sink = sink
	l.timer = time.NewTimer(time.Hour)
	l.timer.Stop()
	defer func() {
		l.deafen()
		l.hangUp()
	}()
	now := l.d.clk.Now()
	l.mu.Lock()
	l.stats.Since = now
	l.mu.Unlock()
	for _, dev := range l.devices {
		dev.tally.change(func(s *DeviceStats) { s.Up, s.Since = true, now })
		for _, g := range dev.groups {
			g.due = g.next(now.Add(-time.Millisecond))
			if l.o.Kind == TCP {
				// Nothing to listen for first: who has just started the daemon sees readings at once.
				g.due = now.Truncate(time.Millisecond)
			}
		}
	}
	for ctx.Err() == nil {
		now := l.d.clk.Now()
		l.enqueue(now)
		if !l.usable(ctx, now) {
			l.refuse(now)
			l.wait(ctx, now)
			continue
		}
		if l.carryOut(ctx) {
			continue
		}
		if r := l.pick(now); r != nil {
			l.serve(ctx, r)
			continue
		}
		l.wait(ctx, now)
	}
}

// enqueue queues what has fallen due. What is due of a group whose last requests are not done,
// or of moments that have passed altogether, is missed: asking for it later would only make
// later still what comes after.
func (l *link) enqueue(now time.Time) {
	for _, dev := range l.devices {
		var set uint64
		var due time.Time
		for _, g := range dev.groups {
			if g.due.Sub(now) > g.interval {
				g.due = g.next(now) // the clock was set back
			}
			if g.due.After(now) {
				continue
			}
			missed := int64(now.Sub(g.due) / g.interval)
			moment := g.due.Add(time.Duration(missed) * g.interval)
			g.due = g.next(now)
			if g.pending > 0 {
				missed++
			} else {
				set |= g.bit
				if due.IsZero() || moment.Before(due) {
					due = moment
				}
			}
			if missed > 0 {
				dev.tally.change(func(s *DeviceStats) { s.Missed += missed; s.Late += missed })
			}
		}
		if set == 0 {
			continue
		}
		switch {
		case dev.silent:
			l.bad(dev, set, now, site.WhyGaveUp)
		default:
			for _, r := range dev.requests(set) {
				l.queue(r, due)
			}
		}
	}
}

func (l *link) queue(r *request, due time.Time) {
	r.due, r.retried, r.why = due, false, site.WhyNone
	for _, g := range r.groups {
		g.pending++
	}
	l.ready = append(l.ready, r)
}

// unqueue takes a request that is done, or never will be, off the books.
func (l *link) unqueue(r *request) {
	for i, x := range l.ready {
		if x == r {
			l.ready = append(l.ready[:i], l.ready[i+1:]...)
			break
		}
	}
	for _, g := range r.groups {
		g.pending--
	}
}

// nextDue is the next moment on the clock after now at which there is something to do.
func (l *link) nextDue(now time.Time) time.Time {
	var next time.Time
	for _, dev := range l.devices {
		for _, g := range dev.groups {
			if next.IsZero() || g.due.Before(next) {
				next = g.due
			}
		}
		if !dev.silent {
			continue
		}
		// A trial whose time has come waits for a pause of the line, and not beyond the second.
		for _, t := range []time.Time{dev.retryAt, dev.retryAt.Add(dev.pause)} {
			if t.After(now) {
				next = earlier(next, t)
			}
		}
	}
	return next
}

// pick returns the request that is to be sent now: of those whose device may be asked, the one
// whose values are wanted soonest. nil when none may be sent yet.
func (l *link) pick(now time.Time) *request {
	var best *request
	real := time.Now()
	for i := 0; i < len(l.ready); i++ {
		r := l.ready[i]
		if hold := r.dev.notBefore.Sub(real); hold > 0 {
			// A unit that is being left alone for longer than its values may wait has none now.
			if hold > r.interval/2 && hold > r.dev.o.Turnaround {
				l.unqueue(r)
				l.fail(r, now, cmp.Or(r.why, site.WhyGaveUp))
				i--
			}
			continue
		}
		if best == nil || r.due.Add(r.interval).Before(best.due.Add(best.interval)) {
			best = r
		}
	}
	if best != nil {
		return best
	}
	return l.trial(now, real)
}

// trial returns the one small request with which a unit that was given up is tried again, when
// its time has come. It is fitted where it hurts the others least: into a pause of the line long
// enough for its time-out, and only when it has waited for twice its time, whatever is due.
func (l *link) trial(now, real time.Time) *request {
	for _, dev := range l.devices {
		if !dev.silent || now.Before(dev.retryAt) || dev.notBefore.After(real) {
			continue
		}
		room := time.Duration(math.MaxInt64)
		for _, other := range l.devices {
			for _, g := range other.groups {
				if other != dev && !other.silent {
					room = min(room, g.due.Sub(now))
				}
			}
		}
		if len(l.ready) > 0 && room > 0 {
			room = 0
		}
		if room < dev.o.Timeout && now.Sub(dev.retryAt) < dev.pause {
			continue
		}
		all := uint64(0)
		for _, g := range dev.groups {
			all |= g.bit
		}
		var least *request
		for _, r := range dev.requests(all) {
			if least == nil || r.block.n < least.block.n {
				least = r
			}
		}
		least.due, least.retried = now, true
		return least
	}
	return nil
}

// wait waits for a moment of the clock, or, when only a pause of a device stands between the
// line and its next request, for the end of that pause, which is real.
func (l *link) wait(ctx context.Context, now time.Time) {
	due := l.nextDue(now)
	until := time.Time{}
	pause := func(dev *device) {
		if until.IsZero() || dev.notBefore.Before(until) {
			until = dev.notBefore
		}
	}
	for _, r := range l.ready {
		pause(r.dev)
	}
	for _, dev := range l.devices {
		if dev.silent && !now.Before(dev.retryAt) && dev.notBefore.After(time.Now()) {
			pause(dev)
		}
	}
	held := !until.IsZero() && l.ears == nil && l.line != nil
	switch {
	case clock.IsReal(l.d.clk): // waited for here, with the one timer there is
		left := due.Sub(l.d.clk.Now())
		if held {
			left = min(left, time.Until(until))
		}
		l.rest(ctx, left, l.woken())
	case !held:
		l.d.clk.Wait(ctx, due) //nolint:errcheck // the loop looks at ctx
	default:
		// How much real time is left until a moment of another clock, only that clock knows.
		l.rest(ctx, min(time.Until(until), 5*time.Millisecond), l.woken())
	}
}

// rest lets real time pass, or less when it is woken.
func (l *link) rest(ctx context.Context, d time.Duration, woken <-chan struct{}) {
	if d <= 0 {
		return
	}
	l.timer.Reset(d)
	select {
	case <-ctx.Done():
	case <-woken:
	case <-l.timer.C:
	}
	l.timer.Stop()
}

// serve sends one request and hands on what became of it.
func (l *link) serve(ctx context.Context, r *request) {
	dev := r.dev
	started := l.d.clk.Now()
	trial := dev.silent
	if !trial && r.refused(started) {
		l.unqueue(r)
		l.fail(r, started, site.WhyException)
		return
	}
	late := started.Sub(r.due)
	if !trial && late > r.interval/2 {
		dev.tally.change(func(s *DeviceStats) { s.Late++ })
	}
	sent := time.Now()
	data, err := dev.unit.read(r.block.table, r.block.start, r.block.n)
	if ctx.Err() != nil {
		return
	}
	took := time.Since(sent)
	dev.notBefore = time.Now().Add(dev.o.Turnaround)
	x, refused := errors.AsType[*ExceptionError](err)
	why := whyOf(err)
	if why != site.WhyOtherMaster {
		dev.tally.add(outcome{reply: took, jitter: max(late, 0), why: why})
	}
	now := l.d.clk.Now()
	pending := false
	if l.line != nil {
		if until := l.line.pending(); !until.IsZero() {
			pending, dev.notBefore = true, later(dev.notBefore, until)
		}
	}
	if l.line != nil && l.line.broken() {
		l.hangUp()
	}
	dead := refused && (x.Code == 10 || x.Code == 11)
	switch {
	case err == nil, refused && !dead:
		l.alive(dev, now, trial)
	case why == site.WhyOtherMaster:
		l.yield(now)
		return // the request stays queued; refuse tells why it has no value
	case why == site.WhyLinkDown && !dead && !r.retried:
		r.retried, r.why = true, why // once more on a new connection: many devices close an idle one
		dev.tally.change(func(s *DeviceStats) { s.Retries++ })
		l.hangUp()
		return
	case why == site.WhyLinkDown && !dead:
		// A connection that breaks on the requests of one unit is that unit's failure, unless
		// nobody else's requests fare better.
		l.hangUp()
		l.failed(dev, now, err)
		if l.breaks++; l.breaks >= breakLimit {
			l.down(now, err)
		}
	case why == site.WhyBadFrame && !pending && !r.retried:
		r.retried, r.why = true, why
		dev.tally.change(func(s *DeviceStats) { s.Retries++ })
		return
	default:
		l.failed(dev, now, err)
	}
	if trial {
		return // its samples were handed on at their moments
	}
	l.unqueue(r)
	switch {
	case err == nil:
		l.deliver(r, data, now)
	case refused && (x.Code == 2 || x.Code == 3):
		if parts := dev.split(r); parts != nil {
			dev.tally.change(func(s *DeviceStats) { s.Splits++ })
			for _, p := range parts {
				l.queue(p, r.due)
			}
			return
		}
		fallthrough
	case refused && x.Code == 1:
		l.hold(r, now, err)
		l.fail(r, now, why)
	default:
		l.fail(r, now, why)
	}
	if dev.silent {
		l.clearOut(dev, now)
	}
}

// breakLimit is how many connections in a row may break without a single answer.
const breakLimit = 3

// The pauses after which a point that a device has refused is asked for again. The refusal is
// not expected to end: somebody would have to change the device.
const (
	firstRefusal = 10 * time.Second
	lastRefusal  = 10 * time.Minute
)

func (l *link) hold(r *request, now time.Time, err error) {
	for _, i := range r.block.points {
		p := r.dev.points[i]
		if p.refusal == 0 {
			l.d.log.Warn("device refuses a point", "link", l.o.ID, "device", r.dev.o.ID, "point", p.site.ID,
				"table", r.block.table, "address", p.span.start, "error", err)
		}
		p.refusal = min(max(2*p.refusal, firstRefusal), lastRefusal)
		p.refusedUntil = now.Add(p.refusal)
	}
}

// refused reports whether every point of the request is one the device has refused lately.
func (r *request) refused(now time.Time) bool {
	for _, i := range r.block.points {
		if !now.Before(r.dev.points[i].refusedUntil) {
			return false
		}
	}
	return true
}

// deliver decodes an answer and hands the samples on.
func (l *link) deliver(r *request, data []byte, now time.Time) {
	b := l.batch()
	for _, i := range r.block.points {
		p := r.dev.points[i]
		p.refusal = 0
		v, why := p.value(&r.block, data, now)
		b.samples = append(b.samples, p.stamp(now, v, why))
	}
	r.dev.tally.change(func(s *DeviceStats) { s.Samples += int64(len(b.samples)) })
	l.hand(b)
}

// fail hands on bad samples for the points of a request.
func (l *link) fail(r *request, now time.Time, why site.Why) {
	b := l.batch()
	for _, i := range r.block.points {
		b.samples = append(b.samples, r.dev.points[i].stamp(now, math.NaN(), why))
	}
	r.dev.tally.change(func(s *DeviceStats) { s.Samples += int64(len(b.samples)) })
	l.hand(b)
}

// bad hands on bad samples for groups of a device that is not asked.
func (l *link) bad(dev *device, set uint64, now time.Time, why site.Why) {
	b := l.batch()
	for _, g := range dev.groups {
		if set&g.bit == 0 {
			continue
		}
		for _, i := range g.points {
			b.samples = append(b.samples, dev.points[i].stamp(now, math.NaN(), why))
		}
	}
	dev.tally.change(func(s *DeviceStats) { s.Samples += int64(len(b.samples)) })
	l.hand(b)
}

// clearOut hands on bad samples for what is still queued of a device that was given up.
func (l *link) clearOut(dev *device, now time.Time) {
	for i := 0; i < len(l.ready); i++ {
		if r := l.ready[i]; r.dev == dev {
			l.unqueue(r)
			l.fail(r, now, site.WhyGaveUp)
			i--
		}
	}
}

// Pauses between trials of a unit that does not answer.
const (
	firstTrial = 2 * time.Second
	lastTrial  = time.Minute
)

// failed counts a failure of a device and gives it up after its limit.
func (l *link) failed(dev *device, now time.Time, err error) {
	dev.failures++
	why := whyOf(err)
	dev.tally.change(func(s *DeviceStats) { s.Last = err.Error() })
	if dev.failures < dev.o.GiveUp && !dev.silent {
		return
	}
	if !dev.silent {
		dev.silent, dev.pause = true, firstTrial
		dev.tally.change(func(s *DeviceStats) { s.Up, s.Since = false, now })
		l.d.log.Warn("unit does not answer", "link", l.o.ID, "device", dev.o.ID, "unit", dev.o.Unit, "error", err)
	} else {
		dev.pause = min(2*dev.pause, lastTrial)
		if why != dev.why {
			l.d.log.Warn("unit does not answer, with a new cause", "link", l.o.ID, "device", dev.o.ID, "unit", dev.o.Unit, "error", err)
		}
	}
	dev.why = why
	dev.retryAt = now.Add(dev.pause)
}

// alive notes that a device has answered. One that had been given up is read at once.
func (l *link) alive(dev *device, now time.Time, trial bool) {
	dev.failures = 0
	l.up(now)
	if !dev.silent {
		return
	}
	dev.silent = false
	var since time.Time
	dev.tally.change(func(s *DeviceStats) { since, s.Up, s.Since = s.Since, true, now })
	l.d.log.Info("unit answers again", "link", l.o.ID, "device", dev.o.ID, "unit", dev.o.Unit, "silent_s", math.Round(now.Sub(since).Seconds()))
	if trial {
		for _, g := range dev.groups {
			g.due = now
		}
	}
}

// carry implements the unit's way to the line.
func (l *link) carry(u *unit, frame []byte) ([]byte, error) {
	if l.line == nil {
		return nil, ErrDown
	}
	if t, ok := l.line.(*tcpLine); ok {
		t.any = u.any
	}
	return l.line.ask(frame, u.timeout)
}

// Pauses between attempts to connect.
const (
	firstDial = time.Second
	lastDial  = 30 * time.Second
)

// usable reports whether requests may be sent: the link is connected, and if it is a line, it
// has been listened to and is ours. It connects where the time for that has come and something
// waits to be sent.
func (l *link) usable(ctx context.Context, now time.Time) bool {
	if l.ears != nil {
		return l.hear(now)
	}
	if l.line != nil {
		return true
	}
	if now.Before(l.dialAt) {
		return false
	}
	if len(l.ready) == 0 && !l.o.ListenOnly && !l.ordered() && l.trial(now, time.Now()) == nil {
		return true // nothing to send yet
	}
	p, err := l.open(ctx, l.o)
	if err != nil {
		if ctx.Err() == nil {
			l.down(l.d.clk.Now(), err)
		}
		return false
	}
	l.mu.Lock()
	l.stats.Connects++
	l.mu.Unlock()
	if l.o.Kind == TCP {
		l.line = newTCPLine(ctx, p)
		return true
	}
	r := newRTULine(ctx, p, l.o, l.heard)
	l.line = r
	if l.o.Kind == Serial {
		l.cleared = false // who knows what it was plugged into meanwhile
	}
	if l.o.ListenOnly || l.o.Listen > 0 && !l.cleared {
		l.listen(r, now, false)
		return false
	}
	return true
}

// up and down note the state of the link and log the edges.
func (l *link) up(now time.Time) {
	l.dialPause, l.breaks = 0, 0
	l.mu.Lock()
	was := l.stats.Up
	since := l.stats.Since
	if !was {
		l.stats.Up, l.stats.Since = true, now
	}
	r, ok := l.line.(*rtuLine)
	echo := ok && r.echo && !l.stats.Echo
	l.stats.Echo = l.stats.Echo || echo
	l.mu.Unlock()
	if echo && !l.o.Echo {
		l.d.log.Info("the adapter hands back what it sends; it is read all the same, and surer with echo: yes at the link", "link", l.o.ID)
	}
	if l.why != site.WhyNone {
		l.why = site.WhyNone
		l.d.log.Info("link is back", "link", l.o.ID, "down_s", math.Round(now.Sub(since).Seconds()))
	}
}

func (l *link) down(now time.Time, err error) {
	l.hangUp()
	// Jitter by a hash, so that a run can be repeated: links of one site that fell together do
	// not come back together.
	h := fnv.New32a()
	h.Write([]byte(l.o.ID))
	h.Write([]byte(now.Format(time.RFC3339Nano)))
	l.dialPause = min(max(2*l.dialPause, firstDial), lastDial)
	l.dialAt = now.Add(l.dialPause - time.Duration(float64(l.dialPause)*0.2*float64(h.Sum32())/(1<<32)))
	l.lost(now, err.Error(), err)
}

// lost notes that nothing comes over the link.
func (l *link) lost(now time.Time, why string, err error) {
	l.mu.Lock()
	if l.stats.Up {
		l.stats.Up, l.stats.Since = false, now
	}
	l.stats.Last, l.stats.Err = why, err
	l.mu.Unlock()
	if l.why == site.WhyNone {
		l.d.log.Warn("link is down", "link", l.o.ID, "error", why)
	}
	l.why = site.WhyLinkDown
}

func (l *link) hangUp() {
	if l.line == nil {
		return
	}
	if err := l.line.close(); err != nil && !errors.Is(err, context.Canceled) {
		l.d.log.Debug("close", "link", l.o.ID, "error", err)
	}
	l.line = nil
}

// refuse hands on what is queued, each with the reason for which it cannot be asked.
func (l *link) refuse(now time.Time) {
	why := site.WhyLinkDown
	if l.ears != nil {
		why = l.ears.why()
	}
	for len(l.ready) > 0 {
		r := l.ready[0]
		l.unqueue(r)
		if l.ears != nil {
			l.pass(r, now, why)
		} else {
			l.fail(r, now, why)
		}
	}
}
