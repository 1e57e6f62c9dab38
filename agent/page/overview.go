package page

import (
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
	"bayledger/agent/water"
)

// standing is the one sentence on top: whether everything is as it was left.
type standing struct {
	Severity site.Severity // empty: all is well
	Word     string        // the severity as a word
	Line     string
	More     string
	Link     string
}

type overviewPage struct {
	shell
	Standing standing
	Rows     [][]courtCard
	Alarms   []alarmCard
	Watch    []watchItem
	Units    []unitRow
	Book     []bookRow
	Weather  []fact
	HasView  bool
}

type courtCard struct {
	ID, Name string
	Bays     []bayCard
}

type bayCard struct {
	ID, Name string
	Level    string
	Set      string
	// Off is how the level stands to its set point, State what the tile says in one line, and Sign
	// its mark: empty when the bay is as it was set.
	Off, State string
	Sign       template.HTML
	Severity   site.Severity
	Trouble    string
	Gauge      gauge
	Fill       string
}

// gauge is a bay's level about its set point, on a field 100 high. Every gauge of the site has
// one scale and the set point at one height, so that when all is well the water stands in one
// line.
type gauge struct {
	Known                              bool
	WaterY, WaterH, BandY, BandH, SetY string
	CrestY                             string // empty without a crest
}

// watchItem is one part of the watch's own state.
type watchItem struct {
	Name, Says string
	Severity   site.Severity
}

// unitRow is how one unit on a field line answers.
type unitRow struct {
	Name, Failed, Timeouts, Most string
	Odd                          bool
}

// bookRow is one bay in the day book.
type bookRow struct {
	ID, Name                 string
	NightIn, NightRest       string
	DayIn, DayAsked, DayRest string
	NightOdd, DayOdd         bool
}

type fact struct{ Name, Value string }

func (s *Server) overview(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, "Ground", "ground")
	v := viewOf(r, s)
	p := overviewPage{shell: sh, Standing: s.standing(sh.words, v), HasView: v != nil && v.Site != nil}
	if p.HasView {
		p.Rows = courtCards(sh.words, v)
		p.Alarms = alarmCards(sh.words, v, wanting(v.Alarms))
		p.Watch = s.watchItems(sh.words, v)
		p.Units = unitRows(v.Watch.Links)
		p.Book = dayBook(sh.words, v)
		p.Weather = siteFacts(sh.words, v)
	}
	s.render(w, r, http.StatusOK, "overview", p)
}

// wanting are the alarms somebody should see to: they stand on their own, the trouble is there,
// nobody has shelved them, and they are more than information.
func wanting(all []alarm.Alarm) []alarm.Alarm {
	var out []alarm.Alarm
	for _, a := range all {
		if a.Told && a.Present && a.Now.Severity != site.Info {
			out = append(out, a)
		}
	}
	return out
}

func (s *Server) standing(w words, v *View) standing {
	if v == nil || v.Site == nil || v.Watch.LastReading.IsZero() {
		return standing{Severity: site.Info, Word: "Waiting", Line: "The watch has not read anything yet.", More: "The first readings come within a minute of its start."}
	}
	if why := s.blind(v); why != "" {
		return standing{Severity: site.Urgent, Word: "Blind", Line: "The watch sees nothing.",
			More: "The newest reading is from " + w.clock(v.Watch.LastReading) + ", " + w.ago(v.Watch.LastReading) + ". What stands below is old."}
	}
	rest := s.restOfGround(w, v)
	open := wanting(v.Alarms)
	if len(open) == 0 {
		return rest
	}
	top := open[0].Now
	st := standing{Severity: top.Severity, Word: severityWord(top.Severity), Link: "/alarms", More: rest.Line}
	if len(open) == 1 {
		st.Line = placeOf(v.Site, top.Bay) + ": " + strings.ToLower(title(top.Kind)) + "."
		st.Link = "/alarms#" + alarmAnchor(top.ID)
		return st
	}
	where := places(v.Site, open)
	st.Line = list(where) + " " + wants(len(where)) + " you."
	return st
}

// sureOf is how many times its expanded uncertainty (k=2) a night's unexplained water must be
// before the headline says so where no alarm does: four standard deviations, once in sixteen
// thousand nights of a bay by chance.
const sureOf = 2

// restOfGround is how the bays stand that no open alarm is about.
func (s *Server) restOfGround(w words, v *View) standing {
	if v.Closed {
		return standing{Line: "The season is closed.", Word: "Well", More: "The watch goes on reading; it minds frost and the main, not the level."}
	}
	open := wanting(v.Alarms)
	every, rest := "every bay", len(v.Bays)
	var low, high, blind, unclosed []string
	spread, fill := 0.0, water.Fill{}
	fillBay := ""
	for i := range v.Bays {
		b := &v.Bays[i]
		name := bayName(v.Site, b.Bay)
		if b.LastFill.From.After(fill.From) {
			fill, fillBay = b.LastFill, b.Bay
		}
		if slices.ContainsFunc(open, func(a alarm.Alarm) bool { return concerns(a.Now, b.Bay) }) {
			every = "every other bay"
			rest--
			continue
		}
		if n := b.Night; !n.From.IsZero() && abs(n.UnexplainedM3) > sureOf*n.UnexplainedU {
			unclosed = append(unclosed, name+"'s account of the night does not close: "+w.plusMinus(n.UnexplainedM3, n.UnexplainedU)+" unexplained")
		}
		switch v.doing(b) {
		case Low:
			low = append(low, name)
		case High, OverCrest:
			high = append(high, name)
		case NoReading:
			blind = append(blind, name)
		case Holding:
			if d := v.levelOf(b) - b.SetPointM; site.Known(d) {
				spread = max(spread, d, -d)
			}
		}
	}
	var more, odd []string
	if !fill.From.IsZero() {
		more = append(more, "Last fill: "+bayName(v.Site, fillBay)+" at "+w.clock(fill.From)+", "+w.water(fill.VolumeM3)+".")
	}
	say := func(which []string, one, many string) {
		switch {
		case len(which) == rest && rest > 2:
			odd = append(odd, every+" "+one)
		case len(which) == 1:
			odd = append(odd, which[0]+" "+one)
		case len(which) > 1:
			odd = append(odd, list(which)+" "+many)
		}
	}
	say(low, "is below its band", "are below their bands")
	say(high, "is above its band", "are above their bands")
	say(blind, "has no reading", "have no reading")
	odd = append(odd, unclosed...)
	if rest == 0 {
		return standing{}
	}
	if len(odd) > 0 {
		return standing{Severity: site.Info, Word: "Watching", Line: sentence(strings.Join(odd, "; ")), More: strings.Join(append([]string{"No alarm is open."}, more...), " ")}
	}
	if spread > 0 {
		more = append([]string{"Bays at rest stand within " + w.d.Depth(spread) + " of their set points."}, more...)
	}
	return standing{Word: "Well", Line: sentence(every + " is as it was set"), More: strings.Join(more, " ")}
}

func wants(n int) string {
	if n == 1 {
		return "wants"
	}
	return "want"
}

func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

func severityWord(s site.Severity) string {
	switch s {
	case site.Urgent:
		return "Urgent"
	case site.Warning:
		return "Look today"
	case site.Info:
		return "Note"
	}
	return "Well"
}

func title(k site.Kind) string {
	if info, ok := k.Info(); ok {
		return info.Title
	}
	return string(k)
}

func bayName(s *site.Site, id string) string {
	if b := s.Bay(id); b != nil {
		return nameOr(b.Name, b.ID)
	}
	return id
}

// placeOf names where an alarm is.
func placeOf(s *site.Site, bay string) string {
	if bay == "" {
		return "The whole site"
	}
	name := bayName(s, bay)
	if strings.HasPrefix(strings.ToLower(name), "bay") {
		return name
	}
	return "Bay " + name
}

func places(s *site.Site, alarms []alarm.Alarm) []string {
	var out []string
	for _, a := range alarms {
		name := "The site"
		if a.Now.Bay != "" {
			name = bayName(s, a.Now.Bay)
		}
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

func courtCards(w words, v *View) [][]courtCard {
	reach := reachOf(v.Site, v.Bays)
	var rows [][]courtCard
	for _, row := range layout(v.Site) {
		var cards []courtCard
		for _, c := range row {
			card := courtCard{ID: c.id, Name: c.name}
			for _, cell := range c.cells {
				if b := v.Bay(cell.bay); b != nil {
					card.Bays = append(card.Bays, bayCardOf(w, v, b, reach))
				}
			}
			cards = append(cards, card)
		}
		rows = append(rows, cards)
	}
	return rows
}

func bayCardOf(w words, v *View, b *Bay, reach gaugeReach) bayCard {
	level, doing := v.levelOf(b), v.doing(b)
	c := bayCard{ID: b.Bay, Name: bayName(v.Site, b.Bay), Level: w.d.Depth(level), Set: w.d.Depth(b.SetPointM), Gauge: reach.of(v.Site.Bay(b.Bay), level, b.SetPointM)}
	if d := level - b.SetPointM; site.Known(d) {
		c.Off = offText(w, d)
	}
	c.State, c.Sign = c.Off, mark(site.Info)
	switch doing {
	case NoReading:
		c.Level, c.State = "\u2013", "no reading since "+w.clock(b.LevelAt)
	case Holding:
		c.Sign = mark("")
	case Filling:
		c.Sign = mark("filling")
		if c.State = "filling"; site.Known(b.FlowM3S) {
			c.State += " " + w.rate(b.FlowM3S)
		}
		c.State += ", " + c.Off
	case Settling:
		c.State, c.Sign = "settling, "+c.Off, mark("filling")
	case OverCrest:
		c.State = "over the crest"
	case OutOfSeason:
		c.State, c.Sign = "season closed", mark("")
	}
	if b.Quality == site.Uncertain && doing != NoReading {
		c.State += ", uncertain"
	}
	if !b.LastFill.From.IsZero() {
		c.Fill = "fill " + w.clock(b.LastFill.From) + ", " + w.water(b.LastFill.VolumeM3)
	}
	for _, a := range wanting(v.Alarms) {
		if concerns(a.Now, b.Bay) {
			c.Severity, c.Trouble = a.Now.Severity, title(a.Now.Kind)
			break
		}
	}
	return c
}

// concerns reports whether an event is about a bay.
func concerns(e site.Event, bay string) bool { return e.Bay == bay || slices.Contains(e.Bays, bay) }

// offText says how a level stands to its set point.
func offText(w words, d float64) string {
	text := w.signed(math.Abs(d))
	switch {
	case text == w.d.Depth(0):
		return "at set point"
	case d > 0:
		return strings.TrimPrefix(text, "+") + " over"
	}
	return strings.TrimPrefix(text, "+") + " under"
}

// gaugeReach is how far above and below the set point the gauges of a site go, m.
type gaugeReach struct{ up, down float64 }

// reachOf makes room for every bay's crest where that leaves the band readable, and for four
// bands below.
func reachOf(s *site.Site, bays []Bay) gaugeReach {
	band := 0.002
	for b := range s.Bays() {
		if site.Known(b.BandM) {
			band = max(band, b.BandM)
		}
	}
	r := gaugeReach{4 * band, 4 * band}
	for i := range bays {
		if over := 1.1 * (s.Bay(bays[i].Bay).CrestM - bays[i].SetPointM); site.Known(over) {
			r.up = max(r.up, min(over, 12*band))
		}
	}
	return r
}

func (r gaugeReach) of(sb *site.Bay, levelM, setM float64) gauge {
	off := levelM - setM
	if !site.Known(off) {
		return gauge{}
	}
	at := func(m float64) float64 { return min(100, max(0, 100*(r.up-m)/(r.up+r.down))) }
	f := func(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }
	y := at(off)
	g := gauge{Known: true, WaterY: f(y), WaterH: f(100 - y), SetY: f(at(0))}
	band := sb.BandM
	if !site.Known(band) {
		band = 0
	}
	g.BandY, g.BandH = f(at(0)), f(at(-band)-at(0))
	if over := sb.CrestM - setM; site.Known(over) && over < r.up {
		g.CrestY = f(at(over))
	}
	return g
}

func (s *Server) watchItems(w words, v *View) []watchItem {
	h := v.Watch
	items := make([]watchItem, 0, 5)
	first := watchItem{Name: "Last reading", Says: w.ago(h.LastReading)}
	if s.blind(v) != "" {
		first.Severity = site.Urgent
	}
	items = append(items, first)

	up, silent := 0, []string(nil)
	for _, l := range h.Links {
		if l.Up {
			up++
		} else {
			silent = append(silent, l.ID+" silent since "+w.clock(l.Since))
		}
		for _, u := range l.Units {
			if l.Up && !u.Up {
				silent = append(silent, "unit "+u.ID+" silent")
			}
		}
	}
	links := watchItem{Name: "Field lines", Says: fmt.Sprintf("%d of %d answer", up, len(h.Links))}
	switch {
	case len(h.Links) == 0:
		links.Says = "none: recorded data"
	case len(silent) > 0:
		links.Says, links.Severity = strings.Join(silent, "; "), site.Warning
	}
	items = append(items, links)

	journal := watchItem{Name: "Journal", Says: "keeps every reading"}
	if !h.Journal.OK {
		journal.Says, journal.Severity = nameOr(h.Journal.Note, "does not take readings"), site.Warning
	} else if h.Journal.Unjournaled > 0 {
		journal.Says = fmt.Sprintf("keeps readings again; %d were not kept", h.Journal.Unjournaled)
	}
	items = append(items, journal)

	for _, k := range h.Sinks {
		it := watchItem{Name: nameOr(k.Name, k.ID), Says: "up to date"}
		switch {
		case !k.Up:
			it.Says, it.Severity = "away; "+count(int(k.Behind), "reading waits", "readings wait"), site.Warning
		case k.Lag > time.Minute:
			it.Says = "catching up, " + span(k.Lag) + " behind"
		}
		items = append(items, it)
	}
	clock := watchItem{Name: "Clock", Says: nameOr(h.ClockNote, "sure")}
	if !h.ClockSure {
		clock.Severity = site.Warning
		clock.Says = nameOr(h.ClockNote, "not vouched for")
	}
	return append(items, clock)
}

// unitRows are the units that were asked, in the order of the site file.
func unitRows(links []Link) []unitRow {
	var rows []unitRow
	reply := func(d time.Duration) string {
		if d == 0 {
			return "\u2013"
		}
		return fmt.Sprintf("%.0f ms", max(1, d.Seconds()*1000))
	}
	for _, l := range links {
		for _, u := range l.Units {
			if u.Requests == 0 {
				continue
			}
			rows = append(rows, unitRow{u.ID, fmt.Sprintf("%.0f", u.FailedPer1000), fmt.Sprintf("%.0f", u.TimeoutsPer1000),
				reply(u.ReplyP99), !u.Up})
		}
	}
	return rows
}

// dayBook is what each bay took and lost, last night and yesterday.
func dayBook(w words, v *View) []bookRow {
	var rows []bookRow
	for i := range v.Bays {
		b := &v.Bays[i]
		row := bookRow{ID: b.Bay, Name: bayName(v.Site, b.Bay), NightIn: "\u2013", NightRest: "\u2013", DayIn: "\u2013", DayAsked: "\u2013", DayRest: "\u2013"}
		if n := b.Night; !n.From.IsZero() {
			row.NightIn = w.water(n.MeteredM3)
			row.NightRest, row.NightOdd = restOf(w, n)
		}
		if k := len(b.Days); k > 0 && sameDay(b.Days[k-1].From.In(w.zone).AddDate(0, 0, 1), w.now.In(w.zone)) {
			d := b.Days[k-1]
			row.DayIn, row.DayAsked = w.water(d.MeteredM3), w.water(d.EvaporatedM3)
			row.DayRest, row.DayOdd = restOf(w, d)
		}
		rows = append(rows, row)
	}
	return rows
}

// restOf writes what an account leaves unexplained, and whether that is beyond its uncertainty.
func restOf(w words, a water.Account) (text string, odd bool) {
	switch {
	case a.OverflowRan:
		return "overflow ran", false
	case !site.Known(a.UnexplainedM3):
		return "\u2013", false
	}
	return w.plusMinus(a.UnexplainedM3, a.UnexplainedU), abs(a.UnexplainedM3) > a.UnexplainedU
}

func abs(x float64) float64 { return max(x, -x) }

// siteFacts are the site's own readings, in the order people ask for them.
func siteFacts(w words, v *View) []fact {
	order := []struct {
		q    site.Quantity
		name string
		say  func(float64) string
	}{
		{site.AirTemperature, "Air", func(x float64) string {
			if w.d.Inches {
				return fmt.Sprintf("%.0f \u00b0F", x*1.8+32)
			}
			return fmt.Sprintf("%.1f \u00b0C", x)
		}},
		{site.Humidity, "Humidity", func(x float64) string { return fmt.Sprintf("%.0f %%", 100*x) }},
		{site.Wind, "Wind", func(x float64) string {
			if w.d.Inches {
				return fmt.Sprintf("%.0f mph", x/0.44704)
			}
			return fmt.Sprintf("%.1f m/s", x)
		}},
		{site.Solar, "Sun", func(x float64) string { return fmt.Sprintf("%.0f W/m\u00b2", x) }},
		{site.Pressure, "Supply", w.d.Press},
		{site.Flow, "Main flow", w.rate},
	}
	var out []fact
	for _, o := range order {
		for _, r := range v.Readings {
			if r.Bay == "" && r.Quantity == o.q {
				says := "no reading"
				if r.Quality != site.Bad && site.Known(r.Value) {
					says = o.say(r.Value)
				}
				out = append(out, fact{o.name, says})
			}
		}
	}
	return out
}

// blind says why the watch cannot be relied on at this moment, "" when it can.
func (s *Server) blind(v *View) string {
	now := s.deps.Now()
	switch {
	case v == nil || v.Watch.LastReading.IsZero():
		return "nothing has been read yet"
	case now.Sub(v.Watch.LastReading) > s.opts.Fresh:
		return "the newest reading is " + span(now.Sub(v.Watch.LastReading)) + " old"
	case now.Sub(v.Time) > s.opts.Fresh:
		return "readings come in but the account has stood still for " + span(now.Sub(v.Time))
	}
	return ""
}
