package page

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// alarmCard is one alarm as people read it.
type alarmCard struct {
	Anchor, ID   string
	Severity     site.Severity
	Word         string
	Place, Title string
	Because      string
	FirstAction  string
	DoNot        string
	Consequence  string
	Since        time.Time
	SinceText    string
	Figures      []fact
	Or           string
	WouldDecide  string
	Folded       []string
	Acked        string
	// Quiet says in the watch's own words why the alarm is kept quiet; Shelved says until when where
	// those are not the site's.
	Quiet, Shelved string
	Plot           template.HTML
	// CanAck is true while nobody has answered, IsShelved while it is shelved.
	CanAck, IsShelved bool
	State             site.State
	Bay               string
	// Over is true when the trouble has gone, and When says from when to when it was there.
	Over bool
	When string
}

// alarmWith is an alarm with what its reader may do.
type alarmWith struct {
	Card   alarmCard
	CanAct bool
}

// Of is what the templates call to draw one alarm.
func (p alarmsPage) Of(c alarmCard) alarmWith { return alarmWith{c, p.CanAct} }

type alarmsPage struct {
	shell
	Said     string
	CanAct   bool
	Severity site.Severity
	Word     string
	Open     []alarmCard
	Shelved  []alarmCard
	Notes    []alarmCard
	Over     []alarmCard
	Past     []life
	HasPast  bool
	Rates    string
	Work     []alarm.Work
	Places   []place // where work can be
}

// place is a bay, or the whole site, in a list to choose from.
type place struct{ ID, Name string }

// life is an alarm from its first word to its last, as the history has it.
type life struct {
	ID           string
	Kind         site.Kind
	Severity     site.Severity // the gravest it had
	Place, Title string
	From, To     time.Time // To is zero while it stands
	When         string
	Because      string // its last words while it stood
	said         time.Time
	Water        string
	Effects      []string
}

// pastSpan is how far back the alarms page looks.
const pastSpan = 14 * 24 * time.Hour

func (s *Server) alarms(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, words.Key("Alarms"), "alarms")
	p := alarmsPage{shell: sh, Said: said(sh, r), CanAct: s.mayAct(r), HasPast: s.deps.History != nil, Word: sh.severity("")}
	v := viewOf(r, s)
	if v == nil || v.Site == nil {
		s.render(w, r, http.StatusOK, "alarms", p)
		return
	}
	if p.HasPast {
		events, err := s.deps.History.Events(r.Context(), sh.now.Add(-pastSpan), sh.now.Add(time.Second), "", 2000)
		if err != nil {
			s.fail(w, r, fmt.Errorf("page: read the events of two weeks: %w", err))
			return
		}
		p.Past = lives(sh.voice, v.Site, events)
	}
	p.Rates, p.Work, p.Places = ratesWords(sh.voice, v.Rates), v.Work, []place{{"", sh.place(v.Site, "")}}
	for b := range v.Site.Bays() {
		p.Places = append(p.Places, place{b.ID, sh.place(v.Site, b.ID)})
	}
	open := wanting(v.Alarms)
	p.Open = alarmCards(sh.voice, v, open)
	for i := range p.Open {
		var err error
		if p.Open[i].Plot, err = s.evidence(r.Context(), sh.voice, v, open[i]); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	if len(p.Open) > 0 {
		p.Severity, p.Word = p.Open[0].Severity, p.Open[0].Word
	}
	for _, a := range v.Alarms {
		switch {
		case a.Cause != "":
		case a.Phase == alarm.ReturnedUnacknowledged:
			p.Over = append(p.Over, overCard(sh.voice, alarmCardOf(sh.voice, v, a), p.Past))
		case a.Phase == alarm.Shelved, a.Phase == alarm.OutOfService, a.Phase == alarm.SuppressedByDesign:
			p.Shelved = append(p.Shelved, alarmCardOf(sh.voice, v, a))
		case a.Present && a.Now.Severity == site.Info:
			p.Notes = append(p.Notes, alarmCardOf(sh.voice, v, a))
		}
	}
	s.render(w, r, http.StatusOK, "alarms", p)
}

// lives puts the events of each alarm together, the newest alarm first; what an alarm explained
// stands with it.
func lives(w voice, s *site.Site, events []site.Event) []life {
	var all []*life
	byID := map[string]*life{}
	effects := map[string][]string{}
	for _, e := range events {
		l := byID[e.ID]
		if l == nil {
			if e.CauseID != "" {
				if e.State == site.Raised {
					effects[e.CauseID] = append(effects[e.CauseID], w.Lower(w.Title(e.Kind)))
				}
				continue
			}
			l = &life{ID: e.ID, Kind: e.Kind, Place: w.place(s, e.Bay), Title: w.Title(e.Kind), From: e.Since.Time}
			byID[e.ID] = l
			all = append(all, l)
		}
		if rank(e.Severity) > rank(l.Severity) {
			l.Severity = e.Severity
		}
		if e.Litres != nil {
			u := site.Unknown()
			if e.LitresU != nil {
				u = *e.LitresU / 1000
			}
			l.Water = w.PlusMinus(*e.Litres/1000, u)
		}
		if l.To = (time.Time{}); e.State == site.Cleared {
			l.To = e.Time.Time
		} else {
			l.Because, l.said = words.Sentence(e.Because), e.Time.Time
		}
	}
	out := make([]life, 0, len(all))
	for _, l := range slices.Backward(all) {
		l.Effects = slices.Compact(slices.Sorted(slices.Values(effects[l.ID])))
		if l.When = w.fromTo(l.From, l.To); l.To.IsZero() {
			l.When = w.Say("since %s", w.clock(l.From))
		} else if l.Because != "" { // its figures are older than its end
			l.Because = w.Say("As of %s: %s", w.clock(l.said), l.Because)
		}
		out = append(out, *l)
	}
	return out
}

func rank(s site.Severity) int {
	return slices.Index([]site.Severity{"", site.Info, site.Warning, site.Urgent}, s)
}

// overCard takes from an alarm that is over what asks for an act, and says what it was.
func overCard(w voice, c alarmCard, past []life) alarmCard {
	c.FirstAction, c.DoNot, c.Consequence, c.Or, c.WouldDecide, c.Over = "", "", "", "", "", true
	c.When = w.Say("Since %s", c.SinceText)
	for _, l := range past {
		if l.ID == c.ID {
			c.Because, c.When = nameOr(l.Because, c.Because), l.When
		}
	}
	return c
}

func alarmCards(w voice, v *View, alarms []alarm.Alarm) []alarmCard {
	var out []alarmCard
	for _, a := range alarms {
		out = append(out, alarmCardOf(w, v, a))
	}
	return out
}

func alarmCardOf(w voice, v *View, al alarm.Alarm) alarmCard {
	a := al.Now
	if a.ID == "" {
		a.ID = al.Event.ID
	}
	c := alarmCard{Anchor: alarmAnchor(a.ID), ID: a.ID, Severity: a.Severity, Word: w.severity(a.Severity), State: a.State, Bay: a.Bay,
		Place: w.place(v.Site, a.Bay), Title: w.Title(a.Kind), Because: words.Sentence(a.Because), FirstAction: a.FirstAction,
		Since: a.Since.Time, SinceText: w.clock(a.Since.Time), WouldDecide: words.Sentence(a.WouldDecide)}
	if len(a.Bays) > 1 {
		names := make([]string, len(a.Bays))
		for i, id := range a.Bays {
			names[i] = bayName(v.Site, id)
		}
		c.Place = w.Say("Bays %s", w.List(names))
	}
	if info, ok := w.Kind(a.Kind); ok {
		c.DoNot, c.Consequence = w.Fill(info.DoNot, v.Site, a.Bay), words.Sentence(info.Consequence)
	}
	if a.RateLPH != nil {
		c.Figures = append(c.Figures, fact{w.Say("Rate"), w.Rate(*a.RateLPH / 3.6e6)})
	}
	if a.Litres != nil {
		u := site.Unknown()
		if a.LitresU != nil {
			u = *a.LitresU / 1000
		}
		name := w.Say("So far")
		if !al.Present {
			name = w.Say("In all")
		}
		c.Figures = append(c.Figures, fact{name, w.PlusMinus(*a.Litres/1000, u)})
	}
	if a.TimeLeftS != nil && *a.TimeLeftS > 0 {
		c.Figures = append(c.Figures, fact{w.Say("Time left"), w.Span(time.Duration(*a.TimeLeftS * float64(time.Second)))})
	}
	if a.Confidence != nil {
		c.Figures = append(c.Figures, fact{w.Say("How sure"), fmt.Sprintf("%.0f %%", min(99, 100**a.Confidence))})
	}
	if a.OrKind != "" {
		c.Or = w.Lower(w.Title(a.OrKind))
	}
	for _, f := range v.Alarms {
		if f.Cause == "" || f.Cause != a.ID {
			continue
		}
		where := w.place(v.Site, f.Now.Bay)
		if f.Now.Bay == "" && f.Now.Subject != "" {
			where = f.Now.Subject // units behind a dead line: "the whole site" of each says nothing
		}
		// Several points of one bay are one effect to whoever reads this.
		if what := where + ": " + w.Lower(w.Title(f.Now.Kind)); !slices.Contains(c.Folded, what) {
			c.Folded = append(c.Folded, what)
		}
	}
	if !al.AckAt.IsZero() {
		c.Acked = w.Say("Taken on by %s at %s", nameOr(al.AckBy, w.Say("somebody")), w.clock(al.AckAt))
	}
	c.Quiet = words.Sentence(al.Why)
	if !al.ShelvedUntil.IsZero() && w.Language != words.English {
		c.Shelved = w.Say("Shelved until %s.", w.clock(al.ShelvedUntil))
	}
	c.CanAck = al.Phase == alarm.Unacknowledged || al.Phase == alarm.ReturnedUnacknowledged
	c.IsShelved = al.Phase == alarm.Shelved
	return c
}

// alarmAnchor is an alarm's id as a fragment of an address.
func alarmAnchor(id string) string {
	return "alarm-" + hash([]byte(id))
}

// ratesWords says how the alarms of 30 days compare with what is aimed at, and with the figures of
// EEMUA 191 and ANSI/ISA-18.2-2016 clause 16.
func ratesWords(w voice, r alarm.Rates) string {
	text := w.Say("In the last 30 days %d were told, %d of them urgent; the aim is at most one a month.", r.Raised, r.Urgent)
	if judged := r.Useful + r.Useless; judged > 0 {
		text += " " + w.Say("%d of the %d that somebody judged were useful; the aim is four of five.", r.Useful, judged)
	}
	text += " " + w.Say("That is %s a day, at most %d in ten minutes; people can handle about 144 a day and one in ten minutes, and more than ten in ten minutes are a flood.", w.Number(r.PerDay, 1), r.Peak)
	if r.Flood {
		text += " " + w.Say("A flood is under way.")
	}
	if r.Standing > 0 {
		text += " " + w.Say("Standing for over a day: %d.", r.Standing)
	}
	return text
}
