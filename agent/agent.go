package agent

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayledger/agent/access"
	"bayledger/agent/alarm"
	"bayledger/agent/clock"
	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/words"
	"bayledger/drivers/modbus"
	"bayledger/historian/journal"
)

// Options are what the process needs beside the site file.
type Options struct {
	Config *sitefile.Config
	// Dir is the folder of the journal; empty takes the site file's.
	Dir   string
	Clock clock.Clock
	Log   *slog.Logger
	// Version is told on the page and in the metrics.
	Version string
	// Witness, if set, is written the sequence number of the last durable sample after every
	// commit.
	Witness io.Writer
	// OnEvent, if set, is called with every event that is told, in order.
	OnEvent func(site.Event)
	// CommitEvery overrides the site file's interval between commits; 0 does not.
	CommitEvery time.Duration
	// Socket is the path of the local socket for bayledger ack; empty for none.
	Socket string
	// Listen overrides the site file's address of the page; empty does not.
	Listen string
	// Notify, if set, tells the service manager how the daemon is, in the words of sd_notify(3).
	Notify func(state string)
	// Watchdog asks for beats through Notify, so that a daemon that hangs is restarted.
	Watchdog bool
}

// Agent is one running watch of one site.
type Agent struct {
	opts    Options
	cfg     *sitefile.Config
	log     *slog.Logger
	clk     clock.Clock
	started time.Time

	journal *journal.Journal
	keeper  *keeper
	// parts are what a reload replaces; stopField and stopSinks end what runs of them.
	parts                atomic.Pointer[parts]
	stopField, stopSinks func(ctx context.Context) error
	pages                *page.Server
	users                *access.Store // nil when nobody can log in
	listener             net.Listener
	registry             *prometheus.Registry

	isolator *isolator

	view  atomic.Pointer[page.View]
	count uint64 // pictures made; under the keeper's lock
	// reloadFailed is true while the newest site file was refused.
	reloadFailed atomic.Bool
	undo         undoStack
	// failed receives the error of a part that ended by itself.
	failed chan error
}

// parts are those that follow from the site file and can be replaced while the rest runs.
type parts struct {
	cfg    *sitefile.Config
	driver *modbus.Driver
	sinks  []sink
	relay  *relayPart // nil when nothing is published
	pulse  *pulse
}

// New builds every part, opens the journal, brings the core up to date and binds the page's
// address. Nothing runs yet. When it fails, what it had opened is closed again.
func New(ctx context.Context, o Options) (a *Agent, err error) {
	if problems := o.Config.Runnable(); len(problems) > 0 {
		return nil, sitefile.Mistakes{File: o.Config.Name, Problems: problems}
	}
	a = &Agent{opts: o, cfg: o.Config, log: o.Log, clk: o.Clock, failed: make(chan error, 1)}
	a.isolator = &isolator{a: a, orders: make(chan isolationOrder, 4)}
	defer func() {
		if err != nil {
			stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopBudget)
			defer cancel()
			err = errors.Join(err, a.undo.unwind(stop))
			a = nil
		}
	}()
	if err := a.openJournal(ctx); err != nil {
		return a, err
	}
	p, err := a.build(ctx, a.cfg)
	if err != nil {
		return a, err
	}
	a.parts.Store(p)
	if err := a.openPage(); err != nil {
		return a, err
	}
	k := a.keeper
	k.troubles, k.after, k.recorded = a.troubles, a.publish, a.isolator.recorded
	k.mu.Lock()
	k.after(nil, nil) // page and metrics have a picture from the first request on
	k.mu.Unlock()
	return a, nil
}

// build makes the parts of a site file. It starts nothing.
func (a *Agent) build(ctx context.Context, cfg *sitefile.Config) (*parts, error) {
	p := &parts{cfg: cfg}
	var err error
	if p.driver, err = modbus.New(cfg.Modbus, cfg.Site, a.clk, a.part("field")); err != nil {
		return nil, err
	}
	if i := cfg.Site.Isolation; i != nil && i.Enabled && !i.DryRun {
		if err := p.driver.Allow(i); err != nil {
			return nil, err
		}
	}
	var beat func()
	if a.opts.Watchdog {
		beat = func() { a.notify("WATCHDOG=1") }
	}
	p.pulse = newPulse(cfg, beat)
	return p, a.openSinks(ctx, p)
}

// notify tells the service manager, if there is one.
func (a *Agent) notify(state string) {
	if a.opts.Notify != nil {
		a.opts.Notify(state)
	}
}

func (a *Agent) part(name string) *slog.Logger { return a.log.With("part", name) }

func (a *Agent) openJournal(ctx context.Context) error {
	jo := a.cfg.Journal
	if a.opts.Dir != "" {
		jo.Dir = a.opts.Dir
	}
	jo.Log = a.part("journal")
	j, err := journal.Open(ctx, jo)
	if err != nil {
		return err
	}
	a.journal = j
	a.undo.push("journal", func(context.Context) error { return j.Close() })
	for _, incident := range j.Incidents() {
		a.part("journal").Error("journal repaired", "what", words.Of(nil).Speak(incident.What), "set_aside", incident.File, "saved_samples", incident.Saved, "lost_samples", incident.Lost)
	}
	times, err := a.beginTime(ctx)
	if err != nil {
		return err
	}
	a.started = a.clk.Now()
	if err := j.RememberPlaces(ctx, a.cfg.Site.Places()); err != nil {
		return err
	}
	k := &keeper{clk: a.clk, log: a.part("keeper"), journal: j, times: times, every: a.cfg.CommitEvery, witness: a.opts.Witness,
		latest: map[string]site.Sample{}}
	if a.opts.CommitEvery > 0 {
		k.every = a.opts.CommitEvery
	}
	if k.calOf, err = a.calibrations(ctx, a.cfg); err != nil {
		return err
	}
	k.cals = j.Calibrations()
	if err := k.open(ctx, a.cfg.Site); err != nil {
		return err
	}
	a.keeper = k
	return a.acceptSiteFile(ctx, a.cfg)
}

// acceptSiteFile puts the site file, and what its alarms rest on, on record when they are not the
// ones the journal knows.
func (a *Agent) acceptSiteFile(ctx context.Context, cfg *sitefile.Config) error {
	rationale, err := alarm.Rationale(cfg.Site)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(rationale)
	return errors.Join(a.accept(ctx, site.RecKinds, hex.EncodeToString(sum[:6]), string(rationale)),
		a.accept(ctx, site.RecSiteFile, cfg.Site.Revision, cfg.Text))
}

func (a *Agent) accept(ctx context.Context, kind site.RecordKind, hash, text string) error {
	known, err := a.journal.Records(ctx, 0, 0, kind)
	if err != nil {
		return err
	}
	if n := len(known); n > 0 {
		last := known[n-1]
		if last.Subject == hash {
			return nil
		}
		if kind == site.RecKinds {
			a.log.Info("what the alarms rest on has changed", "what", alarm.Changes([]byte(last.Text), []byte(text)))
		}
	}
	_, err = a.keeper.record(ctx, site.Record{Time: a.clk.Now(), Kind: kind, Subject: hash, Who: "daemon",
		Value: site.Unknown(), Value2: site.Unknown(), Text: text})
	return err
}

func (a *Agent) openPage() error {
	o := a.cfg.Page
	if a.opts.Listen != "" {
		o.Listen = a.opts.Listen
	}
	a.registry = prometheus.NewRegistry()
	if err := a.register(); err != nil {
		return err
	}
	deps, err := a.pageDeps(o)
	if err != nil {
		return err
	}
	p, err := page.New(o, deps)
	if err != nil {
		return err
	}
	a.pages = p
	l, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return fmt.Errorf("page: %w; another program may use this address: change page.listen in the site file", err)
	}
	a.listener = l
	a.undo.push("page's address", func(context.Context) error {
		if err := l.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil
	})
	return nil
}

// Start lets every part run: first those that take, then the drivers that give.
func (a *Agent) Start() error {
	h := &http.Server{Handler: a.pages.Handler(), ErrorLog: slog.NewLogLogger(a.part("page").Handler(), slog.LevelWarn)}
	page.ServerTimeouts(h)
	h.RegisterOnShutdown(a.pages.Close)
	serve := startLoop(func(context.Context) error {
		if err := a.serve(h); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	}, a.ended("page"))
	a.undo.push("page", func(ctx context.Context) error {
		err := h.Shutdown(ctx)
		if errors.Is(err, context.DeadlineExceeded) {
			err = h.Close() // a viewer that hangs on is cut off
		}
		return errors.Join(err, serve.stop(ctx))
	})
	if err := a.startLocal(); err != nil {
		return err
	}
	// A file that turns out damaged is mended by opening it anew, so the process ends and its
	// service manager starts it again.
	damaged := startLoop(func(ctx context.Context) error {
		select {
		case err := <-a.journal.Damaged():
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}, a.ended("journal"))
	a.undo.push("watch over the journal", damaged.stop)
	isolate := startLoop(a.isolator.run, a.ended("isolation valve"))
	a.undo.push("isolation valve", isolate.stop)
	a.startSinks()
	a.undo.push("what is sent", func(ctx context.Context) error { return a.stopSinks(ctx) })
	k := a.keeper
	a.undo.push("last commit", k.close)
	kept := a.clk.Work()
	keep := startLoop(func(ctx context.Context) error { defer kept(); return k.run(ctx) }, a.ended("keeper"))
	a.undo.push("keeper", keep.stop)
	a.startField()
	a.undo.push("field", func(ctx context.Context) error { return a.stopField(ctx) })
	a.log.Info("watching", "site", a.cfg.Site.ID, "page", a.URL(), "revision", a.cfg.Site.Revision, "version", a.opts.Version)
	return nil
}

// startField lets the driver run; its samples go into the keeper's inbox.
func (a *Agent) startField() {
	p := a.parts.Load()
	d := p.driver
	if a.opts.Watchdog {
		a.notify(fmt.Sprintf("WATCHDOG_USEC=%d", watchdogLimit(p.cfg, a.keeper.every).Microseconds()))
	}
	ctx, cancel := context.WithCancel(context.Background())
	hold := a.clk.Work() // no instant is lost between the first link's start and the last's
	d.Start(ctx, func(samples []site.Sample, done func()) {
		a.keeper.inbox.put(samples)
		if len(samples) > 0 {
			p.pulse.handed(samples[0].Point)
		}
		done()
	})
	hold()
	a.stopField = func(context.Context) error { cancel(); return d.Wait() }
}

// startSinks lets everything run that sends what the journal holds.
func (a *Agent) startSinks() {
	var loops undoStack
	for _, s := range a.parts.Load().sinks {
		kept := func() {}
		if s.waits {
			kept = a.clk.Work()
		}
		l := startLoop(func(ctx context.Context) error { defer kept(); return s.run(ctx) }, a.ended("sending to "+s.id))
		loops.push(s.id, l.stop)
	}
	a.stopSinks = loops.unwind
}

// ended says that a part has ended by itself, which ends the process.
func (a *Agent) ended(name string) func(error) {
	return func(err error) {
		select {
		case a.failed <- fmt.Errorf("%s ended: %w", name, err):
		default: // another was first
		}
	}
}

func (a *Agent) serve(h *http.Server) error {
	if o := a.cfg.Page; o.TLS() {
		return h.ServeTLS(a.listener, o.CertFile, o.KeyFile)
	}
	return h.Serve(a.listener)
}

// Stop ends everything in reverse, within its budget, and loses nothing the drivers had
// handed over. It may be called more than once.
func (a *Agent) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopBudget)
	defer cancel()
	return a.undo.unwind(ctx)
}

// Addr is where the page listens.
func (a *Agent) Addr() net.Addr { return a.listener.Addr() }

// URL is the page's address as this machine sees it.
func (a *Agent) URL() string {
	scheme := "http"
	if a.cfg.Page.TLS() {
		scheme = "https"
	}
	return scheme + "://" + a.listener.Addr().String()
}

// View is the newest picture.
func (a *Agent) View() *page.View { return a.view.Load() }

// Counters says what has passed through so far.
func (a *Agent) Counters() Counters {
	a.keeper.mu.Lock()
	defer a.keeper.mu.Unlock()
	return a.keeper.count
}

// Core gives f the core while nothing moves it. f must not keep it.
func (a *Agent) Core(f func(*Core)) {
	a.keeper.mu.Lock()
	defer a.keeper.mu.Unlock()
	f(a.keeper.core)
}

// Online waits until everything the site publishes to has been reached once, or ctx ends.
func (a *Agent) Online(ctx context.Context) error {
	r := a.parts.Load().relay
	if r == nil {
		return nil
	}
	select {
	case <-r.Online():
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Published is how many live values the broker has been given.
func (a *Agent) Published() int64 {
	if r := a.parts.Load().relay; r != nil {
		return int64(r.Status().Live)
	}
	return 0
}

// Record puts an operator record into the journal and the core.
func (a *Agent) Record(ctx context.Context, r site.Record) (site.Record, error) {
	return a.keeper.record(ctx, r)
}

// publish passes a commit on. It runs under the keeper's lock.
func (a *Agent) publish(samples []site.Sample, events []site.Event) {
	a.count++
	v := a.keeper.viewOf(a.count, a.health())
	a.view.Store(v)
	a.isolator.heard(events)
	p := a.parts.Load()
	if p.relay != nil {
		p.relay.publish(samples, len(events), v)
	}
	if len(samples) > 0 {
		p.pulse.committed()
	}
	if a.opts.OnEvent != nil {
		for _, e := range events {
			a.opts.OnEvent(e)
		}
	}
}
