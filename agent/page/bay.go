package page

import (
	"html/template"
	"math"
	"net/http"
	"slices"
	"time"

	"bayledger/agent/report"
	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

type bayPage struct {
	shell
	Bay bayCard
	// Severity and State are what stands above the bay's name.
	Severity site.Severity
	State    string
	Court    string
	Off      string
	Facts    []fact
	Alarms   []alarmCard
	Days     []dayRow
	Plots    *bayPlots
	Spans    []spanRow
	SpanPlot template.HTML
	OldLeak  bool
	Learned  []fact
	Cannot   []site.Ability
	ID       string
}

// dayRow is one closed day of an account, or today so far.
type dayRow struct {
	From                                                    time.Time
	Day                                                     string
	Metered, Rain, Hand, Evaporated, Overflow, Held, Unexpl string
	Note                                                    string
	Odd                                                     bool
}

// spanRow is one span between settled levels.
type spanRow struct {
	When, Filled, Expected, Unexpl string
	Odd                            bool
}

// spanRows are a bay's spans, the newest first.
func spanRows(w voice, spans []water.Account) []spanRow {
	var rows []spanRow
	for _, a := range slices.Backward(spans) {
		row := spanRow{When: w.fromTo(a.From, a.To), Filled: w.PlusMinus(report.Filled(a)), Expected: w.PlusMinus(report.Expected(a))}
		row.Unexpl, row.Odd = restOf(w, a)
		rows = append(rows, row)
	}
	return rows
}

// doingWords is what a bay is doing, as a heading; the keys of the map are the API's.
var doingWords = map[Doing]string{Holding: words.Key("As it was set"), Filling: words.Key("Filling"), Settling: words.Key("Settling after water"), Low: words.Key("Below its band"),
	High: words.Key("Above its band"), OverCrest: words.Key("Over the crest of its overflow"), NoReading: words.Key("No reading"), OutOfSeason: words.Key("Season closed")}

func (s *Server) bay(w http.ResponseWriter, r *http.Request) {
	v := viewOf(r, s)
	id := r.PathValue("bay")
	if v == nil || v.Site == nil || v.Bay(id) == nil {
		s.fail(w, r, noBay(id))
		return
	}
	b, sb := v.Bay(id), v.Site.Bay(id)
	sh := s.shell(r, "", "ground")
	sh.Title = sh.place(v.Site, id)
	p := bayPage{shell: sh, ID: id, Bay: bayCardOf(sh.voice, v, b, reachOf(v.Site, v.Bays))}
	p.Severity = p.Bay.Severity
	doing := v.doing(b)
	p.State = sh.Say(doingWords[doing])
	switch doing {
	case Low, High, OverCrest, NoReading:
		if p.Severity == "" {
			p.Severity = site.Info
		}
	}
	for _, c := range v.Site.Courts {
		if c.ID == sb.Court {
			p.Court = nameOr(c.Name, c.ID)
		}
	}
	if d := v.levelOf(b) - b.SetPointM; site.Known(d) {
		p.Off = offSentence(sh.voice, d, p.Bay.Set)
	}
	p.Facts = bayFacts(sh.voice, v, b, sb)
	for _, a := range wanting(v.Alarms) {
		if concerns(a.Now, id) {
			p.Alarms = append(p.Alarms, alarmCardOf(sh.voice, v, a))
		}
	}
	if !b.Today.From.IsZero() {
		p.Days = append(p.Days, dayRowOf(sh.voice, b.Today, true))
	}
	for i := len(b.Days) - 1; i >= 0; i-- {
		p.Days = append(p.Days, dayRowOf(sh.voice, b.Days[i], false))
	}
	p.Spans = spanRows(sh.voice, b.Spans)
	p.SpanPlot = report.Spans(sh.Voice, sh.Say("%s: filled against expected, between settled levels", sh.Title), b.Spans)
	p.OldLeak = !b.Learned.OldLeakExcluded
	p.Learned = learnedFacts(sh.voice, b)
	if s.deps.Able != nil {
		for _, a := range s.deps.Able(v.Site, id) {
			if !a.Can {
				p.Cannot = append(p.Cannot, a)
			}
		}
	}
	var err error
	if p.Plots, err = s.bayPlotsOf(r.Context(), sh.voice, v, b, spanNamed(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "bay", p)
}

// offSentence says how a bay's level stands to its set point, which is written beside it.
func offSentence(w voice, d float64, set string) string {
	text := w.Depth(math.Abs(d))
	switch {
	case text == w.Depth(0):
		return w.Say("At set point.")
	case d > 0:
		return w.Say("%s over its set point of %s.", text, set)
	}
	return w.Say("%s under its set point of %s.", text, set)
}

func bayFacts(w voice, v *View, b *Bay, sb *site.Bay) []fact {
	facts := []fact{
		{w.Say("Chamber level"), w.Depth(v.levelOf(b))},
		{w.Say("Level of the bay itself"), plusMinusDepth(w, b.BayLevelM, b.BayLevelU)},
		{w.Say("Set point"), w.Depth(b.SetPointM)},
		{w.Say("Fills when it falls by"), w.Depth(sb.BandM)},
	}
	if site.Known(sb.CrestM) {
		facts = append(facts, fact{w.Say("Overflow runs at"), w.Depth(sb.CrestM)})
	}
	if site.Known(b.RoomM3) {
		facts = append(facts, fact{w.Say("Room before it runs"), w.Water(b.RoomM3)})
	}
	facts = append(facts, fact{w.Say("Flow"), w.Rate(b.FlowM3S)}, fact{w.Say("Valve"), w.Say(valveWord(b))})
	if !b.LastFill.From.IsZero() {
		facts = append(facts, fact{w.Say("Last fill"), w.clock(b.LastFill.From) + ", " + w.Water(b.LastFill.VolumeM3)})
	}
	read := w.ago(b.LevelAt)
	if b.Quality != site.Good {
		read = w.Say("%s, now %s", read, w.Say(b.Quality.String()))
		if why := v.why(b.Bay); why != "" {
			read += " (" + w.Say(string(why)) + ")"
		}
	}
	return append(facts, fact{w.Say("Last good reading"), read})
}

// vagueU is the uncertainty beyond which a level says nothing that helps.
const vagueU = 0.02

func plusMinusDepth(w voice, m, u float64) string {
	if u > vagueU {
		return w.Say("not known well enough")
	}
	return w.DepthPlusMinus(m, u)
}

func dayRowOf(w voice, a water.Account, today bool) dayRow {
	row := dayRow{From: a.From, Day: w.day(a.From), Metered: w.Water(a.MeteredM3), Rain: w.Water(a.RainM3), Hand: w.Water(a.ByHandM3),
		Evaporated: w.PlusMinus(a.EvaporatedM3, a.EvaporatedU), Overflow: w.PlusMinus(a.OverflowM3, a.OverflowU), Held: w.PlusMinus(a.HeldM3, a.HeldU)}
	if today {
		row.Day = w.Say("%s so far", row.Day)
	}
	row.Unexpl, row.Odd = restOf(w, a)
	if !a.FromSettled || !a.ToSettled {
		row.Note = w.Say("not at rest at an end")
	}
	return row
}

// TitleOf names a kind for the templates.
func (p bayPage) TitleOf(k site.Kind) string { return p.voice.Title(k) }

// learnedFacts are what the account has learned of a bay, and how sure it is.
func learnedFacts(w voice, b *Bay) []fact {
	l := b.Learned
	share := func(e water.Estimate, digits int) string {
		if !site.Known(e.Value) || !site.Known(e.U) {
			return w.Say("not yet")
		}
		return w.Number(e.Value, digits) + "\u00a0\u00b1\u00a0" + w.Number(e.U, digits)
	}
	perHour := func(e water.Estimate) string {
		if !site.Known(e.Value) || !site.Known(e.U) {
			return w.Say("not yet")
		}
		return w.PlusMinus(e.Value*3600, e.U*3600) + "/h"
	}
	facts := []fact{
		{w.Say("Drainable porosity at its level"), share(l.Porosity, 2)},
		{w.Say("Meter, porosity and area, true to nominal"), share(l.Scale, 2)},
		{w.Say("Evaporation to the reference"), share(l.Factor, 2)},
		{w.Say("The same by level and meter alone"), share(l.White, 2)},
		{w.Say("Constant loss"), perHour(l.ConstantM3S)},
		{w.Say("Usual loss at night"), perHour(l.NightM3S)},
	}
	if l.SettleS > 0 {
		facts = append(facts, fact{w.Say("Settles after a fill in"), w.Span(time.Duration(l.SettleS * float64(time.Second)))})
	}
	if l.FlowM3S > 0 {
		facts = append(facts, fact{w.Say("Usual flow of a fill"), w.Rate(l.FlowM3S)})
	}
	state := w.Say("goes on")
	if !l.Learning {
		state = w.Say("held")
	}
	return append(facts, fact{w.Say("Learning"), state})
}
