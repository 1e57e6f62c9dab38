package page

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/report"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// plotSpan is one of the spans a bay is drawn over.
type plotSpan struct {
	// Name is what an address says, Over how long the drawing is in words.
	Name, Over string
	Len        time.Duration
}

var plotSpans = []plotSpan{{words.Key("day"), words.Key("over a day"), 24 * time.Hour}, {words.Key("week"), words.Key("over a week"), 7 * 24 * time.Hour},
	{words.Key("season"), words.Key("over the season"), 183 * 24 * time.Hour}}

// since is where the span begins that ends at to: not before the account does, so that a young
// account fills its season's drawing.
func (p plotSpan) since(b *Bay, to time.Time) time.Time {
	first := b.Today.From
	if len(b.Days) > 0 {
		first = b.Days[0].From
	}
	from := to.Add(-p.Len)
	if day := to.Add(-plotSpans[0].Len); first.After(from) && !first.IsZero() {
		return slices.MinFunc([]time.Time{first, day}, time.Time.Compare)
	}
	return from
}

// stepOf makes some 700 dots of a span, as many as a wide screen can show.
func stepOf(d time.Duration) time.Duration {
	return max(time.Minute, (d / 700).Round(time.Minute))
}

func spanNamed(r *http.Request) plotSpan {
	for _, s := range plotSpans {
		if s.Name == r.URL.Query().Get("span") {
			return s
		}
	}
	return plotSpans[0]
}

// bayPlots are the curves of a bay as they stand where no script runs, and what the script needs
// to draw its own.
type bayPlots struct {
	Spans                 []plotSpan
	Span                  string
	Level, Flow           template.HTML
	Balance               template.HTML
	LevelPoint, SetPoint  string
	FlowPoint             string
	FromS, ToS            int64
	DepthUnit, RateUnit   string
	DepthScale, RateScale float64 // from the API's mm and L/min to the site's units
	FixedSet, Crest       string  // in the API's mm, empty when not known
	Words                 string  // chartWords as JSON
}

// chartWords are the words and forms the script draws with.
type chartWords struct {
	Level string               `json:"level"`
	Set   string               `json:"set"`
	Crest string               `json:"crest"`
	Flow  string               `json:"flow"`
	Kinds map[site.Kind]string `json:"kinds"`
	// Day is the form of a date in uPlot's notation, Names the weekdays, Sunday first, Point what
	// stands before decimals.
	Day   string     `json:"day"`
	Names chartNames `json:"names"`
	Point string     `json:"point"`
}

// chartNames are uPlot's: WWW short names of days, MMM of months.
type chartNames struct {
	WWW []string `json:"WWW"`
	MMM []string `json:"MMM"`
}

func chartWordsOf(w voice) (string, error) {
	c := chartWords{Level: w.Say("level"), Set: w.Say("set point"), Crest: w.Say("overflow"), Flow: w.Say("flow"), Kinds: map[site.Kind]string{},
		Day: "{D} {MMM}", Point: "."}
	for _, k := range site.Kinds {
		c.Kinds[k.Kind] = w.Title(k.Kind)
	}
	if w.Language == words.German {
		c.Day, c.Point = "{D}.{M}.", ","
	}
	sunday := time.Date(2026, 1, 4, 12, 0, 0, 0, w.Zone)
	for i := range 7 {
		c.Names.WWW = append(c.Names.WWW, w.Time(sunday.AddDate(0, 0, i), "Mon"))
	}
	for i := range 12 {
		c.Names.MMM = append(c.Names.MMM, w.Time(sunday.AddDate(0, i, 0), "Jan"))
	}
	text, err := json.Marshal(c)
	return string(text), err
}

func (s *Server) bayPlotsOf(ctx context.Context, w voice, v *View, b *Bay, sp plotSpan) (*bayPlots, error) {
	if s.deps.History == nil {
		return nil, nil
	}
	to := w.now
	from := sp.since(b, to)
	step := stepOf(to.Sub(from))
	p := &bayPlots{Spans: plotSpans, Span: sp.Name, FromS: from.Unix(), ToS: to.Unix()}
	var err error
	if p.Words, err = chartWordsOf(w); err != nil {
		return nil, err
	}
	var depth, rate float64
	p.DepthUnit, depth = w.Display.DepthUnit()
	p.RateUnit, rate = w.Display.RateUnit()
	p.DepthScale, p.RateScale = 1e-3/depth, 1/60000.0/rate
	sb := v.Site.Bay(b.Bay)
	mm := func(m float64) string {
		if !site.Known(m) {
			return ""
		}
		return fmt.Sprintf("%.2f", m*1000)
	}
	p.Crest = mm(sb.CrestM)
	line := func(q site.Quantity, name, class string) (report.Line, string, error) {
		pt := v.Site.Find(b.Bay, q)
		if pt == nil {
			return report.Line{}, "", nil
		}
		dots, err := s.deps.History.Series(ctx, pt.ID, from, to, step)
		if err != nil {
			return report.Line{}, "", fmt.Errorf("page: read the series of %s: %w", pt.ID, err)
		}
		return lineOf(dots, name, class), pt.ID, nil
	}
	level, id, err := line(site.Level, w.Say("level"), "water")
	if err != nil {
		return nil, err
	}
	p.LevelPoint = id
	set, id, err := line(site.SetPoint, w.Say("set point"), "set")
	if err != nil {
		return nil, err
	}
	if p.SetPoint = id; id == "" && site.Known(b.SetPointM) {
		p.FixedSet = mm(b.SetPointM)
		set = report.Level(w.Say("set point"), "set", b.SetPointM, from, to)
	}
	set.Step = true
	var crest report.Line
	if site.Known(sb.CrestM) {
		crest = report.Level(w.Say("overflow"), "crest", sb.CrestM, from, to)
	}
	flow, id, err := line(site.Flow, w.Say("flow"), "water")
	if err != nil {
		return nil, err
	}
	p.FlowPoint = id
	events, err := s.deps.History.Events(ctx, from, to.Add(time.Second), b.Bay, 200)
	if err != nil {
		return nil, fmt.Errorf("page: read the events of %s: %w", b.Bay, err)
	}
	var marks []report.Mark
	for _, e := range events {
		if e.State == site.Raised && e.CauseID == "" {
			marks = append(marks, report.Mark{T: e.Since.Time, Label: w.Title(e.Kind)})
		}
	}
	name, over := w.place(v.Site, b.Bay), w.Say(sp.Over)
	p.Level = report.Plot{Title: w.Say("%s: level and set point, %s", name, over), From: from, To: to, Voice: w.Voice, Unit: p.DepthUnit, Scale: 1 / depth,
		Lines: []report.Line{level, set, crest}, Marks: marks}.SVG()
	p.Flow = report.Plot{Title: w.Say("%s: flow, %s", name, over), From: from, To: to, Voice: w.Voice, Unit: p.RateUnit, Scale: 1 / rate, Lines: []report.Line{flow}}.SVG()
	days := b.Days[max(0, len(b.Days)-31):]
	p.Balance = report.Bars(w.Voice, w.Say("%s: taken in against what the weather asked, by day", name), days)
	return p, nil
}

func lineOf(dots []Dot, name, class string) report.Line {
	l := report.Line{Name: name, Class: class, T: make([]time.Time, len(dots)), V: make([]float64, len(dots))}
	for i, d := range dots {
		l.T[i], l.V[i] = d.Time, d.Value
	}
	return l
}

// flowTells are the kinds whose evidence is the flow; the level shows the others.
var flowTells = map[site.Kind]bool{site.ValveStuckOpen: true, site.ValveStuckClosed: true, site.LowFlow: true, site.NoSupply: true, site.MeterFault: true}

// evidence draws what an alarm rests on, from two hours before its onset. An alarm without a bay,
// or without the reading, has none.
func (s *Server) evidence(ctx context.Context, w voice, v *View, a alarm.Alarm) (template.HTML, error) {
	if s.deps.History == nil || a.Now.Bay == "" {
		return "", nil
	}
	q := site.Level
	unit, size := w.Display.DepthUnit()
	if flowTells[a.Now.Kind] && v.Site.Find(a.Now.Bay, site.Flow) != nil {
		q = site.Flow
		unit, size = w.Display.RateUnit()
	}
	pt := v.Site.Find(a.Now.Bay, q)
	if pt == nil {
		return "", nil
	}
	to := w.now
	from := a.Now.Since.Add(-2 * time.Hour)
	from = from.Add(-time.Duration(from.UnixNano() % int64(time.Minute)))
	if to.Sub(from) > 40*24*time.Hour {
		from = to.Add(-40 * 24 * time.Hour)
	}
	step := time.Duration(max(1, int(to.Sub(from)/time.Minute)/400)) * time.Minute
	dots, err := s.deps.History.Series(ctx, pt.ID, from, to, step)
	if err != nil {
		return "", fmt.Errorf("page: read the series of %s: %w", pt.ID, err)
	}
	name := w.Say("flow")
	lines := []report.Line{lineOf(dots, name, "water")}
	if q == site.Level {
		name = w.Say("level")
		lines[0].Name = name
		if b := v.Bay(a.Now.Bay); b != nil && site.Known(b.SetPointM) {
			lines = append(lines, report.Level(w.Say("set point"), "set", b.SetPointM, from, to))
		}
		if c := v.Site.Bay(a.Now.Bay).CrestM; site.Known(c) {
			lines = append(lines, report.Level(w.Say("overflow"), "crest", c, from, to))
		}
	}
	return report.Plot{Title: w.Say("%s: %s since two hours before the alarm", w.place(v.Site, a.Now.Bay), name), From: from, To: to, Voice: w.Voice, Unit: unit,
		Scale: 1 / size, Lines: lines, Marks: []report.Mark{{T: a.Now.Since.Time, Label: w.Title(a.Now.Kind)}}}.SVG(), nil
}
