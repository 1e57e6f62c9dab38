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
	"bayledger/agent/words"
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
	sh := s.shell(r, words.Key("Ground"), "ground")
	v := viewOf(r, s)
	p := overviewPage{shell: sh, Standing: s.standing(sh.voice, v), HasView: v != nil && v.Site != nil}
	if p.HasView {
		p.Rows = courtCards(sh.voice, v)
		p.Alarms = alarmCards(sh.voice, v, wanting(v.Alarms))
		p.Watch = s.watchItems(sh.voice, v)
		p.Units = unitRows(v.Watch.Links)
		p.Book = dayBook(sh.voice, v)
		p.Weather = siteFacts(sh.voice, v)
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

func (s *Server) standing(w voice, v *View) standing {
	never := v == nil || v.Site == nil || v.Watch.LastReading.IsZero()
	if never && (v == nil || v.Site == nil || s.deps.Now().Sub(v.Watch.Started) <= s.opts.Fresh) {
		return standing{Severity: site.Info, Word: w.Say("Waiting"), Line: w.Say("The watch has not read anything yet."), More: w.Say("The first readings come within a minute of its start.")}
	}
	if never {
		return standing{Severity: site.Urgent, Word: w.Say("Blind"), Line: w.Say("The watch sees nothing."),
			More: w.Say("Nothing has been read since its start at %s.", w.clock(v.Watch.Started))}
	}
	if why := s.blind(v); why != "" {
		return standing{Severity: site.Urgent, Word: w.Say("Blind"), Line: w.Say("The watch sees nothing."),
			More: w.Say("The newest reading is from %s, %s. What stands below is old.", w.clock(v.Watch.LastReading), w.ago(v.Watch.LastReading))}
	}
	rest := s.restOfGround(w, v)
	open := wanting(v.Alarms)
	if len(open) == 0 {
		return noted(w, v, rest)
	}
	top := open[0].Now
	st := standing{Severity: top.Severity, Word: w.severity(top.Severity), Link: "/alarms", More: rest.Line}
	if len(open) == 1 {
		st.Line = w.place(v.Site, top.Bay) + ": " + w.Lower(w.Title(top.Kind)) + "."
		st.Link = "/alarms#" + alarmAnchor(top.ID)
		return st
	}
	where := w.places(v.Site, open)
	if st.Line = w.Say("%s want you.", w.List(where)); len(where) == 1 {
		st.Line = w.Say("%s wants you.", where[0])
	}
	return st
}

// noted puts what is told for information, a night that may freeze, above how the bays stand.
func noted(w voice, v *View, rest standing) standing {
	for _, a := range v.Alarms {
		if !a.Told || !a.Present || a.Now.Severity != site.Info {
			continue
		}
		more := strings.TrimSpace(a.Now.Because + " " + words.Sentence(rest.Line))
		return standing{Severity: site.Info, Word: w.severity(site.Info), Link: "/alarms", Line: noteLine(w, a.Now), More: more}
	}
	return rest
}

// noteLine is a note in a few words.
func noteLine(w voice, e site.Event) string {
	if e.Confidence == nil {
		return w.Title(e.Kind) + "."
	}
	return w.Say("%s, %d in 10.", w.Title(e.Kind), min(9, max(1, int(math.Round(10**e.Confidence)))))
}

// sureOf is how many times its expanded uncertainty (k=2) a night's unexplained water must be
// before the headline says so where no alarm does: four standard deviations, once in sixteen
// thousand nights of a bay by chance.
const sureOf = 2

// restOfGround is how the bays stand that no open alarm is about.
func (s *Server) restOfGround(w voice, v *View) standing {
	if v.Closed {
		return standing{Line: w.Say("The season is closed."), Word: w.Say("Well"), More: w.Say("The watch goes on reading; it minds frost and the main, not the level.")}
	}
	open := wanting(v.Alarms)
	others, rest := false, len(v.Bays)
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
			others = true
			rest--
			continue
		}
		if n := b.Night; !n.From.IsZero() && abs(n.UnexplainedM3) > sureOf*n.UnexplainedU {
			unclosed = append(unclosed, w.Say("%s's account of the night does not close: %s unexplained", name, w.PlusMinus(n.UnexplainedM3, n.UnexplainedU)))
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
		more = append(more, w.Say("Last fill: %s at %s, %s.", bayName(v.Site, fillBay), w.clock(fill.From), w.Water(fill.VolumeM3)))
	}
	say := func(which []string, every, other, one, many string) {
		switch {
		case len(which) == rest && rest > 2 && others:
			odd = append(odd, w.Say(other))
		case len(which) == rest && rest > 2:
			odd = append(odd, w.Say(every))
		case len(which) == 1:
			odd = append(odd, w.Say(one, which[0]))
		case len(which) > 1:
			odd = append(odd, w.Say(many, w.List(which)))
		}
	}
	say(low, words.Key("every bay is below its band"), words.Key("every other bay is below its band"), words.Key("%s is below its band"), words.Key("%s are below their bands"))
	say(high, words.Key("every bay is above its band"), words.Key("every other bay is above its band"), words.Key("%s is above its band"), words.Key("%s are above their bands"))
	say(blind, words.Key("every bay has no reading"), words.Key("every other bay has no reading"), words.Key("%s has no reading"), words.Key("%s have no reading"))
	odd = append(odd, unclosed...)
	if rest == 0 {
		return standing{}
	}
	if len(odd) > 0 {
		return standing{Severity: site.Info, Word: w.Say("Watching"), Line: words.Sentence(strings.Join(odd, "; ")), More: strings.Join(append([]string{w.Say("No alarm is open.")}, more...), " ")}
	}
	if spread > 0 {
		more = append([]string{w.Say("Bays at rest stand within %s of their set points.", w.Depth(spread))}, more...)
	}
	line := w.Say("every bay is as it was set")
	if others {
		line = w.Say("every other bay is as it was set")
	}
	return standing{Word: w.Say("Well"), Line: words.Sentence(line), More: strings.Join(more, " ")}
}

// severity is a severity as a word.
func (w voice) severity(s site.Severity) string {
	switch s {
	case site.Urgent:
		return w.Say("Urgent")
	case site.Warning:
		return w.Say("Look today")
	case site.Info:
		return w.Say("Note")
	}
	return w.Say("Well")
}

func bayName(s *site.Site, id string) string {
	if b := s.Bay(id); b != nil {
		return nameOr(b.Name, b.ID)
	}
	return id
}

// place names where an alarm is.
func (w voice) place(s *site.Site, bay string) string {
	if bay == "" {
		return w.Say("The whole site")
	}
	name, bayWord := bayName(s, bay), w.Say("Bay %s", bayName(s, bay))
	if first, _, _ := strings.Cut(bayWord, " "); strings.HasPrefix(strings.ToLower(name), strings.ToLower(first)) {
		return name
	}
	return bayWord
}

func (w voice) places(s *site.Site, alarms []alarm.Alarm) []string {
	var out []string
	for _, a := range alarms {
		name := w.Say("The site")
		if a.Now.Bay != "" {
			name = bayName(s, a.Now.Bay)
		}
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

func courtCards(w voice, v *View) [][]courtCard {
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

func bayCardOf(w voice, v *View, b *Bay, reach gaugeReach) bayCard {
	level, doing := v.levelOf(b), v.doing(b)
	c := bayCard{ID: b.Bay, Name: bayName(v.Site, b.Bay), Level: w.Depth(level), Set: w.Depth(b.SetPointM), Gauge: reach.of(v.Site.Bay(b.Bay), level, b.SetPointM)}
	if d := level - b.SetPointM; site.Known(d) {
		c.Off = offText(w.Voice, d)
	}
	c.State, c.Sign = c.Off, mark(site.Info)
	switch doing {
	case NoReading:
		if c.Level, c.State = "\u2013", w.Say("no reading since %s", w.clock(b.LevelAt)); b.LevelAt.IsZero() {
			c.State = w.Say("no reading yet")
		}
	case Holding:
		c.Sign = mark("")
	case Filling:
		c.Sign = mark("filling")
		if c.State = w.Say("filling, %s", c.Off); site.Known(b.FlowM3S) {
			c.State = w.Say("filling %s, %s", w.Rate(b.FlowM3S), c.Off)
		}
	case Settling:
		c.State, c.Sign = w.Say("settling, %s", c.Off), mark("filling")
	case OverCrest:
		c.State = w.Say("over the crest")
	case OutOfSeason:
		c.State, c.Sign = w.Say("season closed"), mark("")
	}
	if b.Quality == site.Uncertain && doing != NoReading {
		c.State = w.Say("%s, uncertain", c.State)
	}
	if !b.LastFill.From.IsZero() {
		c.Fill = w.Say("Last fill %s, %s.", w.clock(b.LastFill.From), w.Water(b.LastFill.VolumeM3))
	}
	for _, a := range wanting(v.Alarms) {
		if concerns(a.Now, b.Bay) {
			c.Severity, c.Trouble = a.Now.Severity, w.Title(a.Now.Kind)
			break
		}
	}
	return c
}

// concerns reports whether an event is about a bay.
func concerns(e site.Event, bay string) bool { return e.Bay == bay || slices.Contains(e.Bays, bay) }

// offText says how a level stands to its set point.
func offText(w words.Voice, d float64) string {
	text := w.Depth(math.Abs(d))
	switch {
	case text == w.Depth(0):
		return w.Say("at set point")
	case d > 0:
		return w.Say("%s over", text)
	}
	return w.Say("%s under", text)
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

func (s *Server) watchItems(w voice, v *View) []watchItem {
	h := v.Watch
	items := make([]watchItem, 0, 5)
	first := watchItem{Name: w.Say("Last reading"), Says: w.ago(h.LastReading)}
	if s.blind(v) != "" {
		first.Severity = site.Urgent
	}
	items = append(items, first)

	up, silent := 0, []string(nil)
	for _, l := range h.Links {
		if l.Up {
			up++
		} else {
			silent = append(silent, w.Say("%s silent since %s", l.ID, w.clock(l.Since)))
		}
		for _, u := range l.Units {
			if l.Up && !u.Up {
				silent = append(silent, w.Say("unit %s silent", u.ID))
			}
		}
	}
	links := watchItem{Name: w.Say("Field lines"), Says: w.Say("%d of %d answer", up, len(h.Links))}
	switch {
	case len(h.Links) == 0:
		links.Says = w.Say("none: recorded data")
	case len(silent) > 0:
		links.Says, links.Severity = strings.Join(silent, "; "), site.Warning
	}
	items = append(items, links)

	journal := watchItem{Name: w.Say("Journal"), Says: w.Say("keeps every reading")}
	if !h.Journal.OK {
		journal.Says, journal.Severity = nameOr(h.Journal.Note, w.Say("does not take readings")), site.Warning
	} else if h.Journal.Unjournaled > 0 {
		journal.Says = w.Say("keeps readings again; %d were not kept", h.Journal.Unjournaled)
	}
	items = append(items, journal)

	for _, k := range h.Sinks {
		it := watchItem{Name: w.Say(nameOr(k.Name, k.ID)), Says: w.Say("up to date")}
		switch {
		case !k.Up:
			it.Says, it.Severity = w.Count(int(k.Behind), words.Key("away; %d reading waits"), words.Key("away; %d readings wait")), site.Warning
		case k.Lag > time.Minute:
			it.Says = w.Say("catching up, %s behind", w.Span(k.Lag))
		}
		items = append(items, it)
	}
	clock := watchItem{Name: w.Say("Clock"), Says: w.Say(nameOr(h.ClockNote, words.Key("sure")))}
	if !h.ClockSure {
		clock.Severity = site.Warning
		clock.Says = w.Say(nameOr(h.ClockNote, words.Key("not vouched for")))
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
func dayBook(w voice, v *View) []bookRow {
	var rows []bookRow
	for i := range v.Bays {
		b := &v.Bays[i]
		row := bookRow{ID: b.Bay, Name: bayName(v.Site, b.Bay), NightIn: "\u2013", NightRest: "\u2013", DayIn: "\u2013", DayAsked: "\u2013", DayRest: "\u2013"}
		if n := b.Night; !n.From.IsZero() {
			row.NightIn = w.Water(n.MeteredM3)
			row.NightRest, row.NightOdd = restOf(w, n)
		}
		if k := len(b.Days); k > 0 && sameDay(b.Days[k-1].From.In(w.Zone).AddDate(0, 0, 1), w.now.In(w.Zone)) {
			d := b.Days[k-1]
			row.DayIn, row.DayAsked = w.Water(d.MeteredM3), w.Water(d.EvaporatedM3)
			row.DayRest, row.DayOdd = restOf(w, d)
		}
		rows = append(rows, row)
	}
	return rows
}

// restOf writes what an account leaves unexplained, and whether that is beyond its uncertainty.
func restOf(w voice, a water.Account) (text string, odd bool) {
	switch {
	case a.OverflowRan:
		return w.Say("overflow ran"), false
	case !site.Known(a.UnexplainedM3):
		return "\u2013", false
	}
	return w.PlusMinus(a.UnexplainedM3, a.UnexplainedU), abs(a.UnexplainedM3) > a.UnexplainedU
}

func abs(x float64) float64 { return max(x, -x) }

// siteFacts are the site's own readings, in the order people ask for them.
func siteFacts(w voice, v *View) []fact {
	order := []struct {
		q    site.Quantity
		name string
		say  func(float64) string
	}{
		{site.AirTemperature, w.Say("Air"), w.Degrees},
		{site.Humidity, w.Say("Humidity"), func(x float64) string { return w.Number(100*x, 0) + " %" }},
		{site.Wind, w.Say("Wind"), func(x float64) string {
			if w.Display.Inches {
				return w.Number(x/0.44704, 0) + " mph"
			}
			return w.Number(x, 1) + " m/s"
		}},
		{site.Solar, w.Say("Sun"), func(x float64) string { return w.Number(x, 0) + " W/m\u00b2" }},
		{site.Pressure, w.Say("Supply"), w.Press},
		{site.Flow, w.Say("Main flow"), w.Rate},
	}
	var out []fact
	for _, o := range order {
		for _, r := range v.Readings {
			if r.Bay == "" && r.Quantity == o.q {
				says := w.Say("no reading")
				if r.Quality != site.Bad && site.Known(r.Value) {
					says = o.say(r.Value)
				}
				out = append(out, fact{o.name, says})
			}
		}
	}
	return out
}

// english is how programs are spoken to.
var english = words.Of(nil)

// blind says why the watch cannot be relied on at this moment, "" when it can.
func (s *Server) blind(v *View) string {
	now := s.deps.Now()
	switch {
	case v == nil || v.Watch.LastReading.IsZero():
		return "nothing has been read yet"
	case now.Sub(v.Watch.LastReading) > s.opts.Fresh:
		return "the newest reading is " + english.Span(now.Sub(v.Watch.LastReading)) + " old"
	case now.Sub(v.Time) > s.opts.Fresh:
		return "readings come in but the account has stood still for " + english.Span(now.Sub(v.Time))
	}
	return ""
}
