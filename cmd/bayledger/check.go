package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/agent/watch"
	"bayledger/agent/water"
	"bayledger/drivers/modbus"
	"bayledger/historian/journal"
)

// checkCmd reads a site file and says every mistake, or what the file means.
type checkCmd struct {
	Config string `required:"" placeholder:"FILE" help:"Site file."`
	JSON   bool   `name:"json" help:"One JSON object on standard output."`
	Live   bool   `help:"Also try every line, unit, register and server, the clock and the disk, and say what to do about each that fails."`
	Values bool   `help:"List every value with its origin, not only what the file leaves out."`
}

// Run prints every mistake as file:line:col on standard error, or a summary on standard output.
func (c *checkCmd) Run(env *environment) error {
	cfg, err := sitefile.LoadFile(c.Config)
	if err != nil {
		mistakes, ok := errors.AsType[sitefile.Mistakes](err)
		if !ok {
			return badInput(err)
		}
		return c.refuse(env, mistakes)
	}
	if problems := cfg.Runnable(); len(problems) > 0 && len(cfg.Modbus.Links) > 0 {
		return c.refuse(env, sitefile.Mistakes{File: c.Config, Problems: problems})
	}
	r := newCheckReport(cfg)
	if r.Accepted, err = acceptedSince(env.Ctx, cfg); err != nil {
		// The journal belongs to the machine that runs; the file can be judged without it.
		fmt.Fprintf(env.Stderr, "what people accepted since is not known: %v\n", err)
	}
	if c.Live {
		if len(cfg.Modbus.Links) == 0 {
			return badInput(fmt.Errorf("%s has no links: there is nothing to try", c.Config))
		}
		if journalHeld(cfg.Journal.Dir) {
			fmt.Fprintln(env.Stderr, "a daemon is running on this journal: it reads the field at the same time, and has its serial ports to itself")
		}
		r.Live = liveChecks(env.Ctx, cfg, env.Stderr)
	}
	switch {
	case c.JSON:
		err = r.json(env.Stdout)
	case c.Live:
		w := &plainWriter{w: env.Stdout}
		liveText(w, r.Live)
		err = w.err
	default:
		err = r.text(env.Stdout, c.Values)
	}
	if err == nil && slices.ContainsFunc(r.Live, func(l liveResult) bool { return !l.OK }) {
		return errNotAllAnswer
	}
	return err
}

// refuse prints the mistakes and returns the error that makes the program exit with 2.
func (c *checkCmd) refuse(env *environment, m sitefile.Mistakes) error {
	if c.JSON {
		r := checkReport{File: c.Config}
		for _, p := range m.Problems {
			r.Problems = append(r.Problems, checkProblem{p.Line, p.Col, p.Path, p.What, p.Fix})
		}
		if err := r.json(env.Stdout); err != nil {
			return err
		}
	}
	fmt.Fprintln(env.Stderr, m)
	n := "1 mistake"
	if len(m.Problems) > 1 {
		n = fmt.Sprintf("%d mistakes", len(m.Problems))
	}
	return badInput(fmt.Errorf("%s: %s", c.Config, n))
}

// checkReport is what check says of a site file; its JSON is for scripts. Numbers carry their
// unit in the name and are absent when they are not known.
type checkReport struct {
	File string `json:"file"`
	OK   bool   `json:"ok"`
	// Runnable is false for a file that is good for replay and report only.
	Runnable bool             `json:"runnable"`
	Problems []checkProblem   `json:"problems,omitempty"`
	Site     *checkSite       `json:"site,omitempty"`
	Findings []site.Ability   `json:"findings,omitempty"`
	Bays     []checkBay       `json:"bays,omitempty"`
	Points   []checkPoint     `json:"points,omitempty"`
	Lines    []checkLine      `json:"lines,omitempty"`
	Told     *checkTold       `json:"told,omitempty"`
	Values   []sitefile.Value `json:"values,omitempty"`
	// Accepted is what people put on record on this machine and what holds in place of the file.
	Accepted []checkAccepted `json:"accepted,omitempty"`
	// Live is what was tried with --live.
	Live []liveResult `json:"live,omitempty"`

	cfg *sitefile.Config
}

type checkProblem struct {
	Line int    `json:"line"`
	Col  int    `json:"col"`
	Path string `json:"path,omitempty"`
	What string `json:"what"`
	Fix  string `json:"fix"`
}

type checkSite struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Zone     string `json:"zone"`
	Units    string `json:"units"`
	Revision string `json:"revision"`
}

type checkBay struct {
	ID       string         `json:"id"`
	Name     string         `json:"name"`
	Court    string         `json:"court"`
	AreaM2   float64        `json:"area_m2"`
	DepthMM  *float64       `json:"depth_mm"`
	CrestMM  *float64       `json:"crest_mm,omitempty"`
	SetMM    *float64       `json:"set_point_mm,omitempty"`
	HeldL    *float64       `json:"held_at_set_point_l,omitempty"`
	Findings []site.Ability `json:"findings"`
	// Inseparable is what no data of this bay can tell apart, in sentences.
	Inseparable []string `json:"inseparable"`
	heldM3      float64
	bay         *site.Bay
}

type checkPoint struct {
	ID        string  `json:"id"`
	Bay       string  `json:"bay,omitempty"`
	Quantity  string  `json:"quantity"`
	IntervalS float64 `json:"interval_s"`
	Link      string  `json:"link,omitempty"`
	Device    string  `json:"device,omitempty"`
	Register  string  `json:"register,omitempty"`
}

type checkLine struct {
	Link         string   `json:"link"`
	Kind         string   `json:"kind"`
	Where        string   `json:"where"`
	Devices      int      `json:"devices"`
	Points       int      `json:"points"`
	Share        *float64 `json:"share,omitempty"`
	RequestsPerS *float64 `json:"requests_per_s,omitempty"`
	LongestS     *float64 `json:"longest_request_s,omitempty"`
	WaitS        *float64 `json:"longest_wait_s,omitempty"`
	// Parts are the shares of the devices, each interval by itself, largest first.
	Parts []checkLoad `json:"parts,omitempty"`
}

// mostParts is how many parts of a line's load are printed; --json has them all.
const mostParts = 12

// checkLoad is what the points of one device that share an interval take of a line.
type checkLoad struct {
	Device    string  `json:"device"`
	IntervalS float64 `json:"interval_s"`
	Points    int     `json:"points"`
	Share     float64 `json:"share"`
	every     time.Duration
}

func newCheckReport(cfg *sitefile.Config) *checkReport {
	s := cfg.Site
	r := &checkReport{
		File: cfg.Name, OK: true, Runnable: len(cfg.Runnable()) == 0, Values: cfg.Values, cfg: cfg,
		Findings: watch.Able(s, ""),
		Site:     &checkSite{s.ID, s.Name, s.Zone.String(), s.Display.String(), s.Revision},
	}
	if r.Runnable {
		r.Told = new(toldOf(cfg))
	}
	for b := range s.Bays() {
		c := checkBay{ID: b.ID, Name: b.Name, Court: b.Court, AreaM2: b.AreaM2, bay: b,
			Findings: watch.Able(s, b.ID), Inseparable: watch.Inseparable(s, b.ID),
			DepthMM: site.Num(b.DepthM() * 1000), CrestMM: site.Num(b.CrestM * 1000), SetMM: site.Num(b.SetPointM * 1000)}
		c.heldM3 = site.Unknown()
		if site.Known(b.SetPointM) {
			c.heldM3, _ = water.NewCurve(b).Volume(b.SetPointM)
		}
		c.HeldL = site.Num(c.heldM3 * 1000)
		r.Bays = append(r.Bays, c)
	}
	registers := map[string]string{}
	for _, l := range cfg.Modbus.Links {
		for _, d := range l.Devices {
			for _, p := range d.Points {
				registers[p.Point] = registerWords(p)
			}
		}
	}
	for _, p := range s.Points {
		r.Points = append(r.Points, checkPoint{ID: p.ID, Bay: p.Bay, Quantity: string(p.Quantity),
			IntervalS: p.Interval.Seconds(), Link: p.Link, Device: p.Device, Register: registers[p.ID]})
	}
	loads := modbus.Loads(cfg.Modbus, s)
	for i, l := range cfg.Modbus.Links {
		c := checkLine{Link: l.ID, Kind: string(l.Kind), Where: l.Address + l.Path, Devices: len(l.Devices)}
		for _, d := range l.Devices {
			c.Points += len(d.Points)
		}
		if load := loads[i]; load.Known {
			c.Share, c.RequestsPerS = site.Num(load.Share), site.Num(load.RequestsPerS)
			c.LongestS, c.WaitS = site.Num(load.Longest.Seconds()), site.Num(load.Wait.Seconds())
			for _, p := range load.Parts {
				c.Parts = append(c.Parts, checkLoad{p.Device, p.Interval.Seconds(), p.Points, p.Share, p.Interval})
			}
		}
		r.Lines = append(r.Lines, c)
	}
	return r
}

// registerWords says where a point is read, for people: "input 4, float32 CDAB".
func registerWords(p modbus.PointMap) string {
	words := fmt.Sprintf("%s %d, %s", p.Table, p.Address, p.Decode.Type)
	if p.Decode.Type == modbus.BitOf {
		words += fmt.Sprintf(" %d", p.Decode.Bit)
	}
	switch o := p.Decode.Order; {
	case o == "" || o == modbus.ABCD, p.Decode.Type == modbus.Bit:
	case o == modbus.CDAB && p.Decode.Type.Registers() == 1: // a default of the device, of no effect on one register
	default:
		words += " " + string(o)
	}
	return words
}

// checkAccepted is a value a person accepted after the file was written.
type checkAccepted struct {
	Key   string    `json:"key"`
	File  string    `json:"file"`
	Holds string    `json:"holds"`
	Who   string    `json:"who"`
	Time  time.Time `json:"time"`
	// Paste is the line for the site file that says the same.
	Paste string `json:"paste"`
}

// acceptedSince reads from this machine's journal, if it has one, the newest operator record of
// each calibration and set point that came after the site file's own figure.
func acceptedSince(ctx context.Context, cfg *sitefile.Config) (accepted []checkAccepted, err error) {
	if _, err := os.Stat(filepath.Join(cfg.Journal.Dir, "ledger.db")); err != nil {
		return nil, nil
	}
	o := cfg.Journal
	o.ReadOnly = true
	j, err := journal.Open(ctx, o)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	records, err := j.Records(ctx, 0, 0, site.RecSiteFile, site.RecCalibration, site.RecSetPoint)
	if err != nil {
		return nil, err
	}
	return acceptedAfter(cfg, records), nil
}

// acceptedAfter goes through the records in their order: a file that changes a figure ends what
// was accepted before, and a file that leaves it alone does not.
func acceptedAfter(cfg *sitefile.Config, records []site.Record) []checkAccepted {
	filed := map[string]figure{}
	holds := map[string]site.Record{}
	file := func(c *sitefile.Config) {
		for key, now := range figuresOf(c) {
			if was, known := filed[key]; known && was != now {
				delete(holds, key)
			}
			filed[key] = now
		}
	}
	for _, r := range records {
		switch r.Kind {
		case site.RecSiteFile:
			// An older file may have a form this program does not read any more.
			if c, problems := sitefile.Load([]byte(r.Text), "journal"); len(problems) == 0 {
				file(c)
			}
		case site.RecCalibration:
			holds["calibration "+r.Subject] = r
		case site.RecSetPoint:
			holds["set point "+r.Bay] = r
		}
	}
	file(cfg)
	var out []checkAccepted
	for _, key := range slices.Sorted(maps.Keys(holds)) {
		r, own := holds[key], filed[key]
		now := figure{r.Value, r.Value2}
		if r.Kind == site.RecSetPoint {
			now.offset = 0
		}
		if _, known := filed[key]; !known || now == own {
			continue
		}
		a := checkAccepted{Key: key, File: own.words(cfg, r), Holds: now.words(cfg, r), Who: orDash(r.Who), Time: r.Time}
		a.Paste = now.paste(cfg, r)
		out = append(out, a)
	}
	return out
}

// figure is a calibration's gain and offset, or a set point as the first.
type figure struct{ gain, offset float64 }

// figuresOf are the site file's own figures that a person may overrule.
func figuresOf(c *sitefile.Config) map[string]figure {
	out := map[string]figure{}
	for _, p := range c.Site.Points {
		k := c.Calibrations[c.CalibrationOf[p.ID]]
		f := figure{k.Gain, k.Offset}
		if k.ID == 0 {
			f = figure{gain: 1}
		}
		out["calibration "+p.ID] = f
	}
	for b := range c.Site.Bays() {
		if site.Known(b.SetPointM) {
			out["set point "+b.ID] = figure{gain: b.SetPointM}
		}
	}
	return out
}

func (f figure) words(cfg *sitefile.Config, r site.Record) string {
	if r.Kind == site.RecSetPoint {
		return cfg.Site.Display.Depth(f.gain)
	}
	p := cfg.Site.Point(r.Subject)
	if p == nil || f == (figure{gain: 1}) {
		return "none"
	}
	return correction(cfg.Site.Display, p.Quantity, f.gain, f.offset)
}

// paste writes the lines of the site file in metric units, which it takes whatever people read.
func (f figure) paste(cfg *sitefile.Config, r site.Record) string {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }
	if r.Kind == site.RecSetPoint {
		return fmt.Sprintf("set_point: %s mm", number(f.gain*1000))
	}
	text := "gain: " + number(f.gain)
	p := cfg.Site.Point(r.Subject)
	if p == nil {
		return text
	}
	info, _ := p.Quantity.Info()
	switch {
	case p.Quantity == site.Level:
		text += fmt.Sprintf(", zero: %s mm", number(f.offset*1000))
	case f.offset != 0:
		text += fmt.Sprintf(", offset: %s %s", number(f.offset*info.WireScale), info.WireUnit)
	}
	return text
}

func (r *checkReport) json(w io.Writer) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	if err := enc.Encode(r); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

func (r *checkReport) text(out io.Writer, all bool) error {
	s := r.cfg.Site
	w := &plainWriter{w: out}
	w.line("%s: no mistakes", r.File)
	if !r.Runnable {
		w.line("It has no links: good for replay and report, not for run.")
	}
	w.line("")
	w.line("%s (%s), %s, %s, revision %s", s.Name, s.ID, s.Zone, s.Display, s.Revision)
	if s.ShutOff != "" {
		w.line("supply is shut at %s", s.ShutOff)
	}
	w.line("")
	show := s.Display
	for _, c := range s.Courts {
		rows := [][]string{{"court " + c.ID + named(c.ID, c.Name), "area", "fill", "crest", "set point", "held at it"}}
		for _, b := range r.Bays {
			if b.Court != c.ID {
				continue
			}
			crest := show.Depth(b.bay.CrestM)
			if !site.Known(b.bay.CrestM) {
				crest = "none"
			}
			set := show.Depth(b.bay.SetPointM)
			if p := s.Find(b.ID, site.SetPoint); p != nil {
				set += " or " + p.ID
			}
			rows = append(rows, []string{"  " + b.ID + named(b.ID, b.Name), areaWords(show, b.AreaM2), show.Depth(b.bay.DepthM()), crest, set, show.Water(b.heldM3)})
		}
		w.table(rows)
	}
	w.line("")
	rows := [][]string{{"point", "every", "device", "register", "calibration"}}
	for i, p := range r.Points {
		cal := ""
		if id, ok := r.cfg.CalibrationOf[p.ID]; ok {
			cal = calibrationWords(show, s.Points[i], r.cfg.Calibrations[id])
		}
		rows = append(rows, []string{"  " + p.ID, site.FormatDuration(s.Points[i].Interval), orDash(p.Device), orDash(p.Register), cal})
	}
	w.table(rows)
	if len(r.Lines) > 0 {
		w.line("")
		w.line("lines")
	}
	for _, l := range r.Lines {
		words := fmt.Sprintf("  %s: %s %s, %s, %s", l.Link, l.Kind, l.Where, count(l.Devices, "device"), count(l.Points, "point"))
		switch {
		case l.Share != nil:
			words += fmt.Sprintf("; %.1f %% of the line's time, %.1f requests/s, longest request %.0f ms, longest wait %.0f ms",
				*l.Share*100, *l.RequestsPerS, *l.LongestS*1000, *l.WaitS*1000)
		case l.Kind == string(modbus.RTUOverTCP):
			words += "; with baud: its load would be known"
		}
		w.line("%s", words)
		rows := [][]string{}
		for _, p := range l.Parts[:min(len(l.Parts), mostParts)] {
			rows = append(rows, []string{"    " + p.Device, "every " + site.FormatDuration(p.every), count(p.Points, "point"), fmt.Sprintf("%.1f %%", 100*p.Share)})
		}
		w.table(rows)
		if more := len(l.Parts) - mostParts; more > 0 {
			w.line("    and %d that take less", more)
		}
	}
	if r.Told != nil {
		r.Told.text(w)
	}
	w.line("")
	r.findings(w)
	w.line("")
	for _, a := range r.Accepted {
		w.line("%s: %s holds in place of the file's %s, accepted by %s on %s; to keep it in the file write %s",
			a.Key, a.Holds, a.File, a.Who, a.Time.In(s.Zone).Format("2006-01-02 15:04"), a.Paste)
	}
	if len(r.Accepted) > 0 {
		w.line("")
	}
	if all {
		w.line("values and where they come from")
	} else {
		w.line("what the file leaves to us (--values lists everything)")
	}
	w.table(valueRows(r.cfg, all))
	return w.err
}

// findings says what can be found, for bays with the same instruments at once.
func (r *checkReport) findings(w *plainWriter) {
	w.line("what can be found, and what would let more be found")
	type group struct {
		who []string
		of  []site.Ability
		not []string // what no data can tell apart
	}
	var groups []group
	for _, b := range r.Bays {
		i := slices.IndexFunc(groups, func(g group) bool { return slices.Equal(g.of, b.Findings) && slices.Equal(g.not, b.Inseparable) })
		if i < 0 {
			groups = append(groups, group{of: b.Findings, not: b.Inseparable})
			i = len(groups) - 1
		}
		groups[i].who = append(groups[i].who, b.ID)
	}
	groups = append(groups, group{who: []string{"the site"}, of: r.Findings})
	for _, g := range groups {
		var can []string
		var words []string // in the order met
		kinds := map[string][]string{}
		for _, a := range g.of {
			text := a.How
			switch {
			case !a.Can:
				text = "not found: needs " + a.Needs
			case a.How == "" && a.Sharper == "":
				can = append(can, string(a.Kind))
				continue
			case a.How == "":
				text = "sharper with " + a.Sharper
			case a.Sharper != "":
				text += "; sharper with " + a.Sharper
			}
			if kinds[text] == nil {
				words = append(words, text)
			}
			kinds[text] = append(kinds[text], string(a.Kind))
		}
		w.line("  %s: %s", strings.Join(g.who, " "), strings.Join(can, ", "))
		for _, text := range words {
			w.line("    %s: %s", strings.Join(kinds[text], ", "), text)
		}
		if len(g.not) > 0 {
			w.line("    no data can tell apart:")
		}
		for _, text := range g.not {
			w.line("      %s", text)
		}
	}
}

// valueRows lists effective values once, with what they hold for: every one, or those the file
// does not give and that change something.
func valueRows(cfg *sitefile.Config, all bool) [][]string {
	bays := 0
	for range cfg.Site.Bays() {
		bays++
	}
	var rows [][]string
	for _, v := range cfg.SharedValues() {
		if !all && (v.Given() || v.Quiet()) {
			continue
		}
		kind, key, _ := strings.Cut(v.Path, " ")
		row := []string{"  " + v.Path, v.Text, v.From(), ""}
		switch n := len(v.For); {
		case n == 0:
		case kind == "bay" && n == bays && n > 1:
			row[0], row[3] = "  "+key, "all bays"
		case n > 1:
			row[0], row[3] = "  "+key, kind+"s "+strings.Join(v.For, " ")
		default:
			row[0], row[3] = "  "+key, kind+" "+v.For[0]
		}
		rows = append(rows, row)
	}
	return rows
}

func areaWords(d site.Display, m2 float64) string {
	if d.Inches {
		scale, _, err := site.UnitScale(site.Area, "ft2")
		if err == nil {
			return fmt.Sprintf("%.0f ft2", m2/scale)
		}
	}
	return fmt.Sprintf("%.1f m2", m2)
}

func calibrationWords(d site.Display, p site.Point, c site.Calibration) string {
	return correction(d, p.Quantity, c.Gain, c.Offset) + " (" + c.Origin + ")"
}

// correction writes gain and offset for people: "x 1.018, +4 mm".
func correction(d site.Display, q site.Quantity, gain, offset float64) string {
	var words []string
	if gain != 1 {
		words = append(words, fmt.Sprintf("x %.4g", gain))
	}
	if offset != 0 {
		text := fmt.Sprintf("%+.4g", offset)
		if site.DimensionOf(q) == site.Length {
			text = d.Depth(offset)
			if offset > 0 {
				text = "+" + text
			}
		}
		words = append(words, text)
	}
	return strings.Join(words, ", ")
}

func named(id, name string) string {
	if name == "" || name == id {
		return ""
	}
	return " " + name
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// plainWriter writes lines and tables and keeps the first error.
type plainWriter struct {
	w   io.Writer
	err error
}

func (p *plainWriter) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

func (p *plainWriter) table(rows [][]string) {
	if p.err != nil {
		return
	}
	t := tabwriter.NewWriter(p.w, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		r = slices.Clone(r)
		for len(r) > 1 && r[len(r)-1] == "" {
			r = r[:len(r)-1]
		}
		if _, p.err = fmt.Fprintln(t, strings.Join(r, "\t")); p.err != nil {
			return
		}
	}
	p.err = t.Flush()
}
