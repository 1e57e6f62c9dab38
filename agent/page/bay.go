package page

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"bayledger/agent/report"
	"bayledger/agent/site"
	"bayledger/agent/water"
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
	Cannot   []Ability
	Can      []Ability
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
func spanRows(w words, spans []water.Account) []spanRow {
	var rows []spanRow
	for _, a := range slices.Backward(spans) {
		end := w.clock(a.To)
		if sameDay(a.From.In(w.zone), a.To.In(w.zone)) {
			end = a.To.In(w.zone).Format("15:04")
		}
		row := spanRow{When: w.clock(a.From) + " to " + end, Filled: w.plusMinus(report.Filled(a)), Expected: w.plusMinus(report.Expected(a))}
		row.Unexpl, row.Odd = restOf(w, a)
		rows = append(rows, row)
	}
	return rows
}

var doingWords = map[Doing]string{Holding: "As it was set", Filling: "Filling", Settling: "Settling after water", Low: "Below its band", High: "Above its band",
	OverCrest: "Over the crest of its overflow", NoReading: "No reading", OutOfSeason: "Season closed"}

func (s *Server) bay(w http.ResponseWriter, r *http.Request) {
	v := viewOf(r, s)
	id := r.PathValue("bay")
	if v == nil || v.Site == nil || v.Bay(id) == nil {
		s.fail(w, r, &answer{http.StatusNotFound, fmt.Sprintf("There is no bay %q.", id)})
		return
	}
	b, sb := v.Bay(id), v.Site.Bay(id)
	sh := s.shell(r, placeOf(v.Site, id), "ground")
	p := bayPage{shell: sh, ID: id, Bay: bayCardOf(sh.words, v, b, reachOf(v.Site, v.Bays))}
	p.Severity = p.Bay.Severity
	doing := v.doing(b)
	p.State = doingWords[doing]
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
		p.Off = offText(sh.words, d)
		if p.Off != "at set point" {
			p.Off += " its set point of " + p.Bay.Set
		}
		p.Off = sentence(p.Off)
	}
	p.Facts = bayFacts(sh.words, v, b, sb)
	for _, a := range wanting(v.Alarms) {
		if concerns(a.Now, id) {
			p.Alarms = append(p.Alarms, alarmCardOf(sh.words, v, a))
		}
	}
	if !b.Today.From.IsZero() {
		p.Days = append(p.Days, dayRowOf(sh.words, b.Today, "so far"))
	}
	for i := len(b.Days) - 1; i >= 0; i-- {
		p.Days = append(p.Days, dayRowOf(sh.words, b.Days[i], ""))
	}
	p.Spans = spanRows(sh.words, b.Spans)
	p.SpanPlot = report.Spans(placeOf(v.Site, id)+": filled against expected, between settled levels", sh.d, sh.zone, b.Spans)
	p.OldLeak = !b.Learned.OldLeakExcluded
	p.Learned = learnedFacts(sh.words, b)
	if s.deps.Able != nil {
		for _, a := range s.deps.Able(v.Site, id) {
			if a.Can {
				p.Can = append(p.Can, a)
			} else {
				p.Cannot = append(p.Cannot, a)
			}
		}
	}
	var err error
	if p.Plots, err = s.bayPlotsOf(r.Context(), sh.words, v, b, spanNamed(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "bay", p)
}

func bayFacts(w words, v *View, b *Bay, sb *site.Bay) []fact {
	facts := []fact{
		{"Chamber level", w.d.Depth(v.levelOf(b))},
		{"Level of the bay itself", plusMinusDepth(w, b.BayLevelM, b.BayLevelU)},
		{"Set point", w.d.Depth(b.SetPointM)},
		{"Fills when it falls by", w.d.Depth(sb.BandM)},
	}
	if site.Known(sb.CrestM) {
		facts = append(facts, fact{"Overflow runs at", w.d.Depth(sb.CrestM)})
	}
	if site.Known(b.RoomM3) {
		facts = append(facts, fact{"Room before it runs", w.water(b.RoomM3)})
	}
	facts = append(facts, fact{"Flow", w.rate(b.FlowM3S)}, fact{"Valve", valveWord(b)})
	if !b.LastFill.From.IsZero() {
		facts = append(facts, fact{"Last fill", w.clock(b.LastFill.From) + ", " + w.water(b.LastFill.VolumeM3)})
	}
	read := w.ago(b.LevelAt)
	if b.Quality != site.Good {
		read += ", now " + b.Quality.String()
		if why := v.why(b.Bay); why != "" {
			read += " (" + string(why) + ")"
		}
	}
	return append(facts, fact{"Last good reading", read})
}

// vagueU is the uncertainty beyond which a level says nothing that helps.
const vagueU = 0.02

func plusMinusDepth(w words, m, u float64) string {
	if u > vagueU {
		return "not known well enough"
	}
	if !site.Known(m) || !site.Known(u) {
		return w.d.Depth(m)
	}
	number, unit, _ := strings.Cut(w.d.Depth(m), " ")
	uncertain, _, _ := strings.Cut(w.d.Depth(u), " ")
	return number + "\u00a0\u00b1\u00a0" + uncertain + "\u00a0" + unit
}

func dayRowOf(w words, a water.Account, suffix string) dayRow {
	row := dayRow{From: a.From, Day: w.day(a.From), Metered: w.water(a.MeteredM3), Rain: w.water(a.RainM3), Hand: w.water(a.ByHandM3),
		Evaporated: w.plusMinus(a.EvaporatedM3, a.EvaporatedU), Overflow: w.water(a.OverflowM3), Held: w.plusMinus(a.HeldM3, a.HeldU)}
	if suffix != "" {
		row.Day += " " + suffix
	}
	row.Unexpl, row.Odd = restOf(w, a)
	if !a.FromSettled || !a.ToSettled {
		row.Note = "not at rest at an end"
	}
	return row
}

// TitleOf names a kind for the templates.
func (p bayPage) TitleOf(k site.Kind) string { return title(k) }

// learnedFacts are what the account has learned of a bay, and how sure it is.
func learnedFacts(w words, b *Bay) []fact {
	l := b.Learned
	share := func(e water.Estimate, digits int) string {
		if !site.Known(e.Value) || !site.Known(e.U) {
			return "not yet"
		}
		return fmt.Sprintf("%.*f\u00a0\u00b1\u00a0%.*f", digits, e.Value, digits, e.U)
	}
	perHour := func(e water.Estimate) string {
		if !site.Known(e.Value) || !site.Known(e.U) {
			return "not yet"
		}
		return w.plusMinus(e.Value*3600, e.U*3600) + "/h"
	}
	facts := []fact{
		{"Drainable porosity at its level", share(l.Porosity, 2)},
		{"Meter, porosity and area, true to nominal", share(l.Scale, 2)},
		{"Evaporation to the reference", share(l.Factor, 2)},
		{"Constant loss", perHour(l.ConstantM3S)},
		{"Usual loss at night", perHour(l.NightM3S)},
	}
	if l.SettleS > 0 {
		facts = append(facts, fact{"Settles after a fill in", span(time.Duration(l.SettleS * float64(time.Second)))})
	}
	if l.FlowM3S > 0 {
		facts = append(facts, fact{"Usual flow of a fill", w.rate(l.FlowM3S)})
	}
	state := "goes on"
	if !l.Learning {
		state = "held"
	}
	return append(facts, fact{"Learning", state})
}
