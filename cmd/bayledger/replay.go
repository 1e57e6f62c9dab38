package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/alecthomas/kong"
	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"bayledger/agent"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/water"
	"bayledger/agent/words"
	"bayledger/drivers/recorded"
	"bayledger/historian/journal"
)

// replayCmd sends recorded data through the core as fast as it goes.
type replayCmd struct {
	Config  string    `required:"" placeholder:"FILE" help:"Site file; it needs no links or registers."`
	Account string    `placeholder:"FILE" help:"Write the closed daily accounts to this CSV file; - for standard output, in place of the events."`
	Explain explainAt `placeholder:"BAY TIME" help:"In place of events print what was known of a bay at a time (RFC 3339, or local like 2026-07-01T02:00): the evidence behind a finding or why there was none."`
	Data    []string  `arg:"" name:"data" help:"Recorded data: .csv or .csv.gz files in any order, - for standard input, or the folder of one journal."`
}

// explainAt is the value of --explain, which takes two words.
type explainAt struct{ bay, at string }

// Decode implements kong.MapperValue.
func (e *explainAt) Decode(ctx *kong.DecodeContext) error {
	if err := ctx.Scan.PopValueInto("bay", &e.bay); err != nil {
		return err
	}
	return ctx.Scan.PopValueInto("time", &e.at)
}

// when reads the time of --explain. One without a zone is the club's.
func (e explainAt) when(s *site.Site) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, e.at); err == nil {
			return t.UTC(), nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, e.at, s.Zone); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("--explain: %q is not a time; write 2026-07-01T02:00 in the club's own time, or RFC 3339 such as 2026-07-01T00:00:00Z", e.at)
}

// moving is one thing that moves the core.
type moving struct {
	sample *site.Sample
	record *site.Record
}

// source is what replay reads.
type source struct {
	site *site.Site
	// data yields what moves the core; a sample is good until the next.
	data iter.Seq2[moving, error]
	// size and read count the bytes of the files; size is 0 where it is not known.
	size  int64
	read  func() int64
	notes func() []string
	close func() error
}

// Run implements the command.
func (c *replayCmd) Run(env *environment) (err error) {
	cfg, err := sitefile.LoadFile(c.Config)
	if mistakes, ok := errors.AsType[sitefile.Mistakes](err); ok {
		return badInput(errors.New(mistakes.Error())) // each with the file's name
	} else if err != nil {
		return badInput(err)
	}
	src, err := c.open(env, cfg)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.close()) }()
	p := &replaying{core: agent.NewCore(src.site), site: src.site, out: bufio.NewWriterSize(env.Stdout, 64<<10)}
	p.events = json.NewEncoder(p.out)
	p.events.SetEscapeHTML(false)
	if c.Explain.bay != "" {
		if src.site.Bay(c.Explain.bay) == nil {
			return badInput(fmt.Errorf("--explain: the site file has no bay %q", c.Explain.bay))
		}
		if p.until, err = c.Explain.when(src.site); err != nil {
			return badInput(err)
		}
		p.quiet = true
	}
	finish, err := c.account(env, p)
	if err != nil {
		return err
	}
	bar := progress(env.Stderr, src)
	err = p.run(env.Ctx, src.data, bar)
	bar.done()
	if err == nil && c.Explain.bay != "" {
		err = p.explain(c.Explain.bay)
	}
	err = errors.Join(err, finish(), p.out.Flush())
	if err == nil {
		for _, note := range src.notes() {
			fmt.Fprintln(env.Stderr, "bayledger: note:", note)
		}
	}
	return err
}

// open opens the data: files, standard input or a journal's folder.
func (c *replayCmd) open(env *environment, cfg *sitefile.Config) (*source, error) {
	for _, name := range c.Data {
		if info, err := os.Stat(name); err == nil && info.IsDir() {
			if len(c.Data) > 1 {
				return nil, badInput(fmt.Errorf("%s is a folder: replay one journal alone, or files", name))
			}
			return openJournal(env.Ctx, cfg, name)
		}
	}
	series, err := recorded.Open(env.Stdin, c.Data...)
	if err != nil {
		return nil, dataError(err)
	}
	fitted, dropped := series.Survey().Fit(cfg.Site)
	src := &source{site: fitted, size: series.Size(), read: series.Read, close: series.Close}
	src.data = func(yield func(moving, error) bool) {
		for smp, err := range series.Samples(fitted) {
			if err != nil {
				err = dataError(err)
			}
			if !yield(moving{sample: smp}, err) {
				return
			}
		}
	}
	src.notes = func() (notes []string) {
		if len(dropped) > 0 {
			notes = append(notes, "not in the data, so not watched: "+strings.Join(dropped, ", "))
		}
		for _, u := range series.Unused() {
			where := "the site"
			if u.Bay != "" {
				where = "bay " + u.Bay
			}
			notes = append(notes, fmt.Sprintf("%d readings of %s left out: %s has no such point in the site file, or no row at the beginning of the data", u.Readings, u.Column, where))
		}
		return notes
	}
	return src, nil
}

// dataError makes a mistake in the data the user's, and leaves a failing disk what it is.
func dataError(err error) error {
	if _, ok := errors.AsType[*recorded.Error](err); ok || errors.Is(err, os.ErrNotExist) {
		return badInput(err)
	}
	return err
}

func openJournal(ctx context.Context, cfg *sitefile.Config, dir string) (*source, error) {
	opts := journal.DefaultOptions(dir)
	opts.ReadOnly = true
	j, err := journal.Open(ctx, opts)
	if err != nil {
		return nil, badInput(fmt.Errorf("%s: %w", dir, err))
	}
	return &source{site: cfg.Site, read: func() int64 { return 0 }, close: j.Close, notes: func() []string { return nil },
		data: func(yield func(moving, error) bool) {
			var smp site.Sample
			for e, err := range j.Entries(ctx, journal.Position{}) {
				smp = e.Sample
				if !yield(moving{&smp, e.Record}, err) {
					return
				}
			}
		}}, nil
}

// replaying is one pass of data through the core.
type replaying struct {
	core   *agent.Core
	site   *site.Site
	out    *bufio.Writer
	events *json.Encoder
	quiet  bool      // no events on standard output
	until  time.Time // stop there; zero: at the end
	// accounts, if set, gets each closed day once. midnight is when the next closes.
	accounts *csv.Writer
	closed   map[string]time.Time
	midnight time.Time
}

// checkEvery is how many readings pass between two looks at ctx and the progress display.
const checkEvery = 1 << 14

func (p *replaying) run(ctx context.Context, data iter.Seq2[moving, error], bar *progressBar) error {
	n := 0
	for m, err := range data {
		if err != nil {
			return err
		}
		if n++; n%checkEvery == 0 {
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("replay: stopped at %s: %w", p.core.Now().Format(time.RFC3339), err)
			}
			bar.show()
		}
		var events []site.Event
		if m.record != nil {
			events = p.core.Record(*m.record)
		} else {
			if !p.until.IsZero() && m.sample.Time.After(p.until) {
				break
			}
			events = p.core.Sample(*m.sample)
		}
		for i := range events {
			if p.quiet {
				break
			}
			if err := p.events.Encode(&events[i]); err != nil {
				return fmt.Errorf("replay: write event: %w", err)
			}
		}
		if p.accounts != nil && !m.sample.Time.Before(p.midnight) {
			if err := p.closeDays(m.sample.Time); err != nil {
				return err
			}
		}
	}
	if p.accounts != nil {
		return p.closeDays(time.Time{})
	}
	return nil
}

// accountSlack is how long after midnight the day's last stride may still be open.
const accountSlack = 15 * time.Minute

// accountHeader: volumes in litres with their expanded uncertainty (k=2) beside them.
var accountHeader = []string{"day", "bay", "from", "to", "metered_l", "metered_u_l", "by_hand_l", "by_hand_u_l", "rain_l", "rain_u_l", "evaporated_l", "evaporated_u_l",
	"overflow_l", "held_l", "held_u_l", "unexplained_l", "unexplained_u_l", "overflow_ran", "level_from_mm", "level_to_mm", "et_mm", "method", "revision"}

// account opens the file of daily accounts; finish closes it.
func (c *replayCmd) account(env *environment, p *replaying) (finish func() error, err error) {
	nothing := func() error { return nil }
	if c.Account == "" {
		return nothing, nil
	}
	w, closing := io.Writer(p.out), nothing
	if c.Account == "-" {
		p.quiet = true
	} else {
		f, err := os.Create(c.Account)
		if err != nil {
			return nil, badInput(err)
		}
		w, closing = f, f.Close
	}
	p.accounts, p.closed = csv.NewWriter(w), map[string]time.Time{}
	if err := p.accounts.Write(accountHeader); err != nil {
		return nil, errors.Join(err, closing())
	}
	return func() error {
		p.accounts.Flush()
		if err := errors.Join(p.accounts.Error(), closing()); err != nil {
			return fmt.Errorf("replay: write the account: %w", err)
		}
		return nil
	}, nil
}

// closeDays writes the days that have closed since it was last called and sets when to look
// again. now zero means that there is no more data.
func (p *replaying) closeDays(now time.Time) error {
	if !now.IsZero() {
		local := now.Add(-accountSlack).In(p.site.Zone)
		next := time.Date(local.Year(), local.Month(), local.Day()+1, 0, 0, 0, 0, p.site.Zone).Add(accountSlack)
		first := p.midnight.IsZero()
		p.midnight = next
		if first {
			return nil
		}
	}
	for bay := range p.site.Bays() {
		for _, a := range p.core.Ledger.Days(bay.ID) {
			if !a.To.After(p.closed[bay.ID]) {
				continue
			}
			p.closed[bay.ID] = a.To
			if err := p.accounts.Write(accountRow(a, p.site.Zone)); err != nil {
				return fmt.Errorf("replay: write the account: %w", err)
			}
		}
	}
	return nil
}

func accountRow(a water.Account, zone *time.Location) []string {
	litres := func(m3 float64) string { return csvFigure(m3*1000, 1) }
	return []string{a.To.Add(-time.Second).In(zone).Format(time.DateOnly), a.Bay, a.From.Format(time.RFC3339), a.To.Format(time.RFC3339),
		litres(a.MeteredM3), litres(a.MeteredU), litres(a.ByHandM3), litres(a.ByHandU), litres(a.RainM3), litres(a.RainU),
		litres(a.EvaporatedM3), litres(a.EvaporatedU), litres(a.OverflowM3), litres(a.HeldM3), litres(a.HeldU),
		litres(a.UnexplainedM3), litres(a.UnexplainedU), strconv.FormatBool(a.OverflowRan),
		csvFigure(a.FromLevelM*1000, 1), csvFigure(a.ToLevelM*1000, 1), csvFigure(a.ETM*1000, 2), fmt.Sprint(a.Method), a.Revision}
}

// decimal is a number with its decimals, nothing where it is not known.
func csvFigure(v float64, decimals int) string {
	if !site.Known(v) {
		return ""
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" { // no minus before nothing
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// afterEnd is how long after the end of the data a time may lie and still be answered by what was
// known then.
const afterEnd = time.Hour

// explain prints what the core knows of a bay where the data, or the time asked for, ended.
func (p *replaying) explain(bay string) error {
	if p.core.Now().IsZero() {
		return badInput(fmt.Errorf("--explain: the data begin after %s", p.until.Format(time.RFC3339)))
	}
	voice := words.Of(p.site)
	if behind := p.until.Sub(p.core.Now()); behind > afterEnd {
		return badInput(fmt.Errorf("--explain: the data end at %s, before %s", p.core.Now().Format(time.RFC3339), p.until.Format(time.RFC3339)))
	}
	lines, _ := p.core.Watch.Explain(bay)
	for _, l := range lines {
		fmt.Fprintln(p.out, voice.Speak(l))
	}
	said := false
	for _, a := range p.core.Desk.Open() {
		e := a.Event
		if e.Bay != bay && e.Bay != "" {
			continue
		}
		if !said {
			fmt.Fprintln(p.out, voice.Say("Open alarms:"))
			said = true
		}
		fmt.Fprintln(p.out, voice.Say("  %s, raised %s, %s. %s", e.Kind, e.Raised.In(p.site.Zone).Format("2006-01-02 15:04"), string(e.Severity), e.Because))
	}
	if !said {
		fmt.Fprintln(p.out, voice.Say("No alarm is open."))
	}
	if behind := p.until.Sub(p.core.Now()); behind > time.Minute {
		fmt.Fprintln(p.out, voice.Say("The data end %s before the time asked for.", behind.Round(time.Second).String()))
	}
	return nil
}

// progressBar shows on a terminal how much has been read; anywhere else it does nothing.
type progressBar struct {
	bar  *progressbar.ProgressBar
	read func() int64
}

func progress(w io.Writer, src *source) *progressBar {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return &progressBar{}
	}
	size := src.size
	if size == 0 {
		size = -1 // a spinner
	}
	return &progressBar{read: src.read, bar: progressbar.NewOptions64(size, progressbar.OptionSetWriter(w), progressbar.OptionSetDescription("replay"),
		progressbar.OptionShowBytes(true), progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())}
}

func (b *progressBar) show() {
	if b.bar != nil {
		_ = b.bar.Set64(b.read()) // a display that fails must not stop the work
	}
}

func (b *progressBar) done() {
	if b.bar != nil {
		_ = b.bar.Finish()
	}
}
