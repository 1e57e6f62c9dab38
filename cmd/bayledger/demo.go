package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"bayledger/agent"
	"bayledger/agent/access"
	"bayledger/agent/clock"
	"bayledger/agent/relay"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/virtual"
)

// demoCmd plays a night of an invented club with everything in one process.
type demoCmd struct {
	Speed  float64       `placeholder:"N" help:"At most N times as fast as real time; as fast as it goes if not given."`
	Hours  float64       `default:"16" help:"How many hours after 18:00 it plays."`
	Seed   uint64        `default:"1" help:"Seed of weather and noise."`
	Listen string        `default:"127.0.0.1:8420" placeholder:"HOST:PORT" help:"Address of the page; another is taken, and printed, when it is in use."`
	Dir    string        `placeholder:"DIR" help:"Keep the journal here; a folder that is removed at the end if not given."`
	Date   string        `placeholder:"YYYY-MM-DD" help:"The evening it begins; the last night that is over if not given."`
	Stay   bool          `help:"Go on in real time after the end, until interrupted."`
	JSON   bool          `help:"One JSON object on stdout in place of the printed account."`
	Influx string        `placeholder:"URL" help:"Also write to this InfluxDB, database bayledger; for example http://127.0.0.1:8086."`
	Commit time.Duration `default:"30s" help:"Site time between two commits of the journal."`
}

// stickAt is when the valve of the demo's night sticks, in the club's local time.
const stickAt = 1*time.Hour + 40*time.Minute

// demoReport is what the demo tells, printed or as JSON.
type demoReport struct {
	Site    string      `json:"site"`
	From    site.Stamp  `json:"from"`
	To      site.Stamp  `json:"to"`
	Seed    uint64      `json:"seed"`
	Bays    []demoBay   `json:"bays"`
	Events  []demoEvent `json:"events"`
	Samples struct {
		Polled    int64 `json:"polled"`
		Journaled int64 `json:"journaled"`
		Published int64 `json:"published"`
	} `json:"samples"`
}

type demoBay struct {
	Bay             string   `json:"bay"`
	Metered         *float64 `json:"metered_l"`
	Rain            *float64 `json:"rain_l"`
	Evaporated      *float64 `json:"evaporated_l"`
	Overflow        *float64 `json:"overflow_l"`
	Held            *float64 `json:"held_change_l"`
	Unexplained     *float64 `json:"unexplained_l,omitempty"`
	UnexplainedU    *float64 `json:"unexplained_u_l,omitempty"`
	TrueUnexplained *float64 `json:"true_unexplained_l"`
}

type demoEvent struct {
	site.Event
	TrueOnset *site.Stamp `json:"true_onset,omitempty"`
}

// Run implements the command.
func (c *demoCmd) Run(env *environment) error {
	if !(c.Hours > 0 && c.Hours <= 24*14) {
		return badInput(fmt.Errorf("--hours: %v is not possible; give a number above 0, at most 336", c.Hours))
	}
	if c.Speed < 0 {
		return badInput(fmt.Errorf("--speed: %v is not possible; give a number above 0", c.Speed))
	}
	if c.Commit < time.Second || c.Commit > time.Minute {
		return badInput(fmt.Errorf("--commit: %v is not possible; give 1s to 60s", c.Commit))
	}
	field, err := c.field()
	if err != nil {
		return err
	}
	d := &demo{cmd: c, env: env, field: field}
	return d.play()
}

// field is the club and what happens to it in the night.
func (c *demoCmd) field() (*virtual.Field, error) {
	cfg := virtual.Default()
	cfg.Seed = c.Seed
	zone, err := time.LoadLocation(cfg.Zone)
	if err != nil {
		return nil, err
	}
	evening, err := c.evening(zone, time.Now())
	if err != nil {
		return nil, err
	}
	// A warm dry day in the middle of July, whatever the calendar says.
	cfg.Weather.DayOfYear = 196
	cfg.Start = evening
	at := func(d time.Duration) time.Time { return evening.Add(d) } // after 18:00
	cfg.Weather.Showers = []virtual.Shower{{From: at(4 * time.Hour), To: at(4*time.Hour + 40*time.Minute), DepthM: 3e-3}}
	midnight := time.Date(evening.In(zone).Year(), evening.In(zone).Month(), evening.In(zone).Day()+1, 0, 0, 0, 0, zone)
	cfg.Faults = []virtual.Fault{
		{Kind: virtual.StuckOpen, Bay: "A2", From: midnight.Add(stickAt), To: midnight.Add(stickAt + 110*time.Minute)},
		{Kind: virtual.LinerLeak, Bay: "B1", From: at(150 * time.Minute), Size: 90},
	}
	// The groundskeeper raises a set point by 4 mm in the evening; the sensor freezes in the
	// middle of the fill that follows, and the controller goes on filling.
	cfg.Acts = []virtual.Act{{Kind: virtual.MoveSetPoint, Bay: "B3", At: at(45 * time.Minute), Value: 0.066}}
	freeze, err := c.freezeAt(cfg, "B3", at(45*time.Minute), at(3*time.Hour))
	if err != nil {
		return nil, err
	}
	cfg.Faults = append(cfg.Faults, virtual.Fault{Kind: virtual.SensorFrozen, Bay: "B3", From: freeze, To: freeze.Add(15 * time.Minute)})
	f, err := virtual.New(cfg)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// evening is 18:00 local time of the date asked for, or of the last night that is over.
func (c *demoCmd) evening(zone *time.Location, now time.Time) (time.Time, error) {
	if c.Date != "" {
		d, err := time.ParseInLocation("2006-01-02", c.Date, zone)
		if err != nil {
			return time.Time{}, badInput(fmt.Errorf("--date: %q is not a date; write for example 2026-07-14", c.Date))
		}
		return time.Date(d.Year(), d.Month(), d.Day(), 18, 0, 0, 0, zone), nil
	}
	l := now.In(zone)
	e := time.Date(l.Year(), l.Month(), l.Day()-1, 18, 0, 0, 0, zone)
	if e.Add(time.Duration(c.Hours * float64(time.Hour))).After(now) {
		e = time.Date(l.Year(), l.Month(), l.Day()-2, 18, 0, 0, 0, zone)
	}
	return e, nil
}

// freezeAt plays the night once without a wire to find a fill of the bay between two moments,
// and returns a moment in the middle of it. A sensor that freezes on a quiet level harms nobody
// and cannot be told from health; one that freezes while its bay fills drowns it.
func (c *demoCmd) freezeAt(cfg virtual.Config, bay string, from, to time.Time) (time.Time, error) {
	f, err := virtual.New(cfg)
	if err != nil {
		return time.Time{}, err
	}
	f.Advance(from)
	last, err := f.Truth(bay)
	if err != nil {
		return time.Time{}, err
	}
	for t := from; t.Before(to); t = t.Add(10 * time.Second) {
		f.Advance(t)
		now, err := f.Truth(bay)
		if err != nil {
			return time.Time{}, err
		}
		if now.Filled-last.Filled > 1e-3 {
			return t.Add(20 * time.Second), nil
		}
		last = now
	}
	return to, nil
}

// demo is one playing.
type demo struct {
	cmd   *demoCmd
	env   *environment
	field *virtual.Field
	bar   *progressbar.ProgressBar
	// rate caps the speed: site seconds a second as float bits, 0 for none.
	rate atomic.Uint64
	pace pacer

	mu     sync.Mutex
	events []site.Event
}

// pacer keeps a stepped clock from running faster than asked.
type pacer struct {
	site, real time.Time
	rate       float64
}

// wait sleeps until the site moment at may be shown. A change of rate starts a new stretch.
func (p *pacer) wait(ctx context.Context, at time.Time, rate float64) {
	if rate <= 0 {
		p.rate = 0
		return
	}
	if p.rate != rate {
		p.site, p.real, p.rate = at, time.Now(), rate
		return
	}
	due := p.real.Add(time.Duration(float64(at.Sub(p.site)) / rate))
	_ = clock.Real{}.Wait(ctx, due) // when interrupted the clock runs on, and everything stops
}

func (d *demo) play() (err error) {
	ctx, cancel := context.WithCancel(d.env.Ctx)
	defer cancel()
	cfg := d.field.Config()
	end := cfg.Start.Add(time.Duration(d.cmd.Hours * float64(time.Hour)))
	d.rate.Store(math.Float64bits(d.cmd.Speed))
	clk := clock.NewStepped(cfg.Start, func(at time.Time) { d.pace.wait(ctx, at, math.Float64frombits(d.rate.Load())) })
	play := clk.Work() // time stands still until everything is up

	dir, tidy, err := d.folder()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, tidy()) }()

	modbusAt, stopField, err := d.serveField(ctx, clk)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stopField()) }()
	brokerAt, stopBroker, err := d.serveBroker()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stopBroker()) }()

	conf, err := d.siteConfig(modbusAt, brokerAt)
	if err != nil {
		return err
	}
	listen := d.cmd.Listen
	if l, err := net.Listen("tcp", listen); err != nil {
		host, _, splitErr := net.SplitHostPort(listen)
		if splitErr != nil {
			return badInput(fmt.Errorf("--listen: %w", splitErr))
		}
		listen = net.JoinHostPort(host, "0")
	} else if err := l.Close(); err != nil {
		return err
	}
	password, err := d.keeper(conf, dir)
	if err != nil {
		return err
	}
	a, err := agent.New(ctx, agent.Options{Config: conf, Dir: dir, Clock: clk, Log: logger(d.env.Stderr, false, slog.LevelWarn),
		Version: version, OnEvent: d.heard, CommitEvery: d.cmd.Commit, Listen: listen})
	if err != nil {
		return err
	}
	d.say("%s, from %s for %g h of site time", cfg.Name, cfg.Start.In(conf.Site.Zone).Format("Mon 2 Jan 2006 15:04"), d.cmd.Hours)
	d.say("log in at %s/login as %s with %s", a.URL(), demoKeeper, password)
	d.say("page %s   Modbus TCP %s   MQTT %s   journal %s", a.URL(), modbusAt, brokerAt, dir)
	if err := a.Start(); err != nil {
		return errors.Join(err, a.Stop())
	}
	if err := a.Online(ctx); err != nil {
		return errors.Join(err, a.Stop())
	}
	d.startBar(conf.Site.Zone, cfg.Start, end)
	err = d.wait(ctx, clk, cfg.Start, end)
	d.endBar()
	if err == nil && d.cmd.Stay {
		err = d.stay(ctx, clk, a, cfg, conf.Site, end)
		play()
		return errors.Join(err, a.Stop())
	}
	err = errors.Join(err, a.Stop())
	play()
	if err != nil {
		if d.env.Ctx.Err() != nil {
			d.say("interrupted at %s", clk.Now().In(conf.Site.Zone).Format("15:04"))
		}
		return err
	}
	return d.tell(a, cfg, conf.Site, end)
}

// stay tells the account of the night and goes on in real time.
func (d *demo) stay(ctx context.Context, clk *clock.Stepped, a *agent.Agent, cfg virtual.Config, s *site.Site, end time.Time) error {
	if err := d.tell(a, cfg, s, end); err != nil {
		return err
	}
	d.say("going on in real time; the page is %s; interrupt to end", a.URL())
	d.rate.Store(math.Float64bits(1))
	for t := end; ; t = t.Add(time.Minute) {
		if err := clk.Wait(ctx, t); err != nil {
			return nil // interrupted, which is how it ends
		}
	}
}

// demoKeeper is who may answer alarms and note dips in the demo.
const demoKeeper = "keeper"

// keeper makes the demo's one user, with a password of this run.
func (d *demo) keeper(conf *sitefile.Config, dir string) (password string, err error) {
	conf.Page.UsersFile = filepath.Join(dir, "users.json")
	st, err := access.Open(conf.Page.UsersFile, false, time.Now)
	if err != nil {
		return "", err
	}
	password = strings.ToLower(rand.Text()[:12])
	if err := st.Add(demoKeeper, access.Keeper, password); errors.Is(err, access.ErrExists) { // the folder of an earlier run
		return password, st.SetPassword(demoKeeper, password)
	} else if err != nil {
		return "", err
	}
	return password, nil
}

// folder is where the journal goes, and what to do with it at the end.
func (d *demo) folder() (dir string, tidy func() error, err error) {
	if d.cmd.Dir != "" {
		return d.cmd.Dir, func() error { return nil }, os.MkdirAll(d.cmd.Dir, 0o755)
	}
	dir, err = os.MkdirTemp("", "bayledger-demo-")
	return dir, func() error { return os.RemoveAll(dir) }, err
}

func (d *demo) serveField(ctx context.Context, clk clock.Clock) (addr string, stop func() error, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	slave := virtual.NewSlave(d.field, clk, slog.New(slog.DiscardHandler), nil)
	ended := make(chan error, 1)
	go func() { ended <- slave.ServeTCP(ctx, l) }()
	return l.Addr().String(), func() error { cancel(); return <-ended }, nil
}

// serveBroker starts the embedded MQTT broker, on its usual port when that is free.
func (d *demo) serveBroker() (addr string, stop func() error, err error) {
	for _, at := range []string{"127.0.0.1:1883", "127.0.0.1:0"} {
		s := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
		if err = s.AddHook(new(auth.AllowHook), nil); err != nil {
			return "", nil, err
		}
		l := listeners.NewTCP(listeners.Config{ID: "demo", Address: at})
		if err = s.AddListener(l); err != nil {
			continue // taken
		}
		if err = s.Serve(); err != nil {
			return "", nil, err
		}
		return l.Address(), s.Close, nil
	}
	return "", nil, err
}

// siteConfig is the club's site file, with the demo's own broker and page.
func (d *demo) siteConfig(modbusAt, brokerAt string) (*sitefile.Config, error) {
	text, err := virtual.SiteYAML(d.field.Config(), virtual.TCPLine(modbusAt))
	if err != nil {
		return nil, err
	}
	cfg, problems := sitefile.Load([]byte(text), "the demo's site file")
	if len(problems) > 0 {
		return nil, sitefile.Mistakes{File: "the demo's site file", Problems: problems}
	}
	// The port is the system's choice and part of the text; the revision that events carry must
	// not depend on it.
	if text, err = virtual.SiteYAML(d.field.Config(), virtual.TCPLine("127.0.0.1:502")); err != nil {
		return nil, err
	}
	sum := sha256.Sum256([]byte(text))
	cfg.Site.Revision = hex.EncodeToString(sum[:6])
	o := relay.DefaultOptions()
	o.Broker, o.Flush = "tcp://"+brokerAt, true
	cfg.MQTT = &o
	if d.cmd.Influx != "" {
		cfg.Influx = append(cfg.Influx, agent.InfluxAt(d.cmd.Influx, "bayledger"))
	}
	return cfg, nil
}

// wait moves the bar on until the end of the night.
func (d *demo) wait(ctx context.Context, clk *clock.Stepped, from, end time.Time) error {
	for t := from.Add(time.Minute); ; t = t.Add(time.Minute) {
		if t.After(end) {
			t = end
		}
		if err := clk.Wait(ctx, t); err != nil {
			return err
		}
		d.moveBar(t)
		if t.Equal(end) {
			return nil
		}
	}
}

// heard is told every event as it is told to everybody else.
func (d *demo) heard(e site.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.events = append(d.events, e)
	if d.bar != nil {
		_ = d.bar.Clear()
	}
	fmt.Fprintf(d.env.Stderr, "%s  %-8s %-7s %s %s%s\n", e.Time.In(d.zone()).Format("15:04:05"), e.State, e.Severity, place(e.Bay), e.Kind, folded(e))
	if e.State == site.Raised && e.CauseID == "" {
		fmt.Fprintf(d.env.Stderr, "          %s\n          %s\n", e.Because, e.FirstAction)
	}
}

func folded(e site.Event) string {
	if e.CauseID == "" {
		return ""
	}
	return " (explained by " + e.CauseID + ")"
}

func place(bay string) string {
	if bay == "" {
		return "site"
	}
	return bay
}

func (d *demo) zone() *time.Location {
	z, err := time.LoadLocation(d.field.Config().Zone)
	if err != nil {
		return time.UTC // cannot be: the field was made with it
	}
	return z
}

func (d *demo) say(format string, args ...any) { fmt.Fprintf(d.env.Stderr, format+"\n", args...) }

func (d *demo) startBar(zone *time.Location, from, end time.Time) {
	f, ok := d.env.Stderr.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return
	}
	d.bar = progressbar.NewOptions64(int64(end.Sub(from)/time.Minute), progressbar.OptionSetWriter(f), progressbar.OptionSetWidth(30),
		progressbar.OptionSetDescription(from.In(zone).Format("15:04")), progressbar.OptionClearOnFinish(), progressbar.OptionThrottle(100*time.Millisecond))
}

func (d *demo) moveBar(t time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.bar != nil {
		d.bar.Describe(t.In(d.zone()).Format("15:04"))
		_ = d.bar.Add(1)
	}
}

func (d *demo) endBar() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.bar != nil {
		_ = d.bar.Finish()
		d.bar = nil
	}
}

// tell prints the account of the night beside the truth.
func (d *demo) tell(a *agent.Agent, cfg virtual.Config, s *site.Site, end time.Time) error {
	r := demoReport{Site: s.ID, From: site.Stamp{Time: cfg.Start}, To: site.Stamp{Time: end}, Seed: cfg.Seed, Events: []demoEvent{}}
	var failed error
	a.Core(func(c *agent.Core) {
		for b := range s.Bays() {
			acc, ok := c.Ledger.Between(b.ID, cfg.Start, end)
			truth, err := d.field.Between(b.ID, cfg.Start, end)
			if err != nil {
				failed = errors.Join(failed, err)
				continue
			}
			row := demoBay{Bay: b.ID, TrueUnexplained: litres(truth.Unexplained())}
			if ok {
				row.Metered, row.Rain, row.Evaporated = litres(acc.MeteredM3), litres(acc.RainM3), litres(acc.EvaporatedM3)
				row.Overflow, row.Held = litres(acc.OverflowM3), litres(acc.HeldM3)
				if !acc.OverflowRan {
					row.Unexplained, row.UnexplainedU = litres(acc.UnexplainedM3), litres(acc.UnexplainedU)
				}
			}
			r.Bays = append(r.Bays, row)
		}
	})
	if failed != nil {
		return failed
	}
	d.mu.Lock()
	for _, e := range d.events {
		r.Events = append(r.Events, demoEvent{e, trueOnset(d.field.Onsets(), e)})
	}
	d.mu.Unlock()
	n := a.Counters()
	r.Samples.Polled, r.Samples.Journaled, r.Samples.Published = n.Samples, n.Journaled, a.Published()
	if d.cmd.JSON {
		enc := json.NewEncoder(d.env.Stdout)
		enc.SetIndent("", " ")
		return enc.Encode(r)
	}
	return r.print(d.env.Stdout, s)
}

// trueOnset is when the simulated fault behind an event first did anything: the fault of the
// event's own kind on its bay or, for an effect, any fault on it that had begun.
func trueOnset(onsets []virtual.Onset, e site.Event) *site.Stamp {
	concerns := func(f virtual.Fault) bool {
		return f.Bay == e.Bay || f.Other == e.Bay && e.Bay != "" || slices.Contains(e.Bays, f.Bay) && f.Bay != ""
	}
	var found *site.Stamp
	for _, o := range onsets {
		if o.Effect.IsZero() || o.Effect.After(e.Time.Time) || !concerns(o.Fault) {
			continue
		}
		info, _ := o.Fault.Kind.Info()
		if info.Finding == e.Kind || info.Finding == e.OrKind {
			return &site.Stamp{Time: o.Effect}
		}
		if found == nil {
			found = &site.Stamp{Time: o.Effect}
		}
	}
	return found
}

func litres(m3 float64) *float64 {
	if !site.Known(m3) {
		return nil
	}
	v := math.Round(m3*1e4) / 10
	if v == 0 {
		v = 0 // not -0
	}
	return &v
}

func (r *demoReport) print(w io.Writer, s *site.Site) error {
	local := func(t site.Stamp) string { return t.In(s.Zone).Format("2 Jan 15:04") }
	fmt.Fprintf(w, "\n%s: account from %s to %s, litres\n\n", s.Name, local(r.From), local(r.To))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "bay\tmetered in\train\tevaporated\toverflow\theld\tunexplained\t± U (k=2)\ttruly\t")
	for _, b := range r.Bays {
		un, u := "overflow ran", ""
		if b.Unexplained != nil {
			un, u = text(b.Unexplained), text(b.UnexplainedU)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t\n", b.Bay, text(b.Metered), text(b.Rain), text(b.Evaporated), text(b.Overflow), text(b.Held), un, u, text(b.TrueUnexplained))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w, "\nUnexplained is metered in + rain - evaporated - overflow - change of held; the last column is the simulator's truth.")
	fmt.Fprintf(w, "\nEvents told (%d)\n\n", len(r.Events))
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "time\tbay\tkind\tstate\tseverity\tafter true onset\ttold with")
	causes := map[string]string{}
	for _, e := range r.Events {
		causes[e.ID] = place(e.Bay) + " " + string(e.Kind)
		delay := "nothing in the simulation"
		if e.TrueOnset != nil {
			delay = e.Time.Sub(e.TrueOnset.Time).Round(time.Second).String()
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", e.Time.In(s.Zone).Format("15:04:05"), place(e.Bay), e.Kind, e.State, e.Severity, delay, causes[e.CauseID])
	}
	if err := t.Flush(); err != nil {
		return err
	}
	raised := slices.Clone(r.Events)
	raised = slices.DeleteFunc(raised, func(e demoEvent) bool { return e.State != site.Raised || e.CauseID != "" })
	slices.SortStableFunc(raised, func(a, b demoEvent) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, e := range raised {
		fmt.Fprintf(w, "\n%s  %s %s, %s\n  %s\n  First: %s\n", e.Time.In(s.Zone).Format("15:04"), place(e.Bay), e.Kind, e.Severity, e.Because, e.FirstAction)
	}
	_, err := fmt.Fprintf(w, "\n%d readings polled, %d journaled, %d published\n", r.Samples.Polled, r.Samples.Journaled, r.Samples.Published)
	return err
}

func text(v *float64) string {
	if v == nil {
		return "unknown"
	}
	return fmt.Sprintf("%.0f", *v+0)
}
