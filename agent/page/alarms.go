package page

import (
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
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
	Shelved      string
	Plot         template.HTML
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
}

// life is an alarm from its first word to its last, as the history has it.
type life struct {
	ID           string
	Kind         site.Kind
	Severity     site.Severity // the gravest it had
	Place, Title string
	From, To     time.Time // To is zero while it stands
	When         string
	Because      string // of its last word while it stood
	Water        string
	Effects      []string
}

// pastSpan is how far back the alarms page looks.
const pastSpan = 14 * 24 * time.Hour

func (s *Server) alarms(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, "Alarms", "alarms")
	p := alarmsPage{shell: sh, Said: saidWords[r.URL.Query().Get("said")], CanAct: s.mayAct(r), HasPast: s.deps.History != nil, Word: "Well"}
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
		p.Past = lives(sh.words, v.Site, events)
	}
	p.Rates = ratesWords(v.Rates)
	open := wanting(v.Alarms)
	p.Open = alarmCards(sh.words, v, open)
	for i := range p.Open {
		var err error
		if p.Open[i].Plot, err = s.evidence(r.Context(), sh.words, v, open[i]); err != nil {
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
			p.Over = append(p.Over, overCard(alarmCardOf(sh.words, v, a), p.Past))
		case a.Phase == alarm.Shelved, a.Phase == alarm.OutOfService, a.Phase == alarm.SuppressedByDesign:
			p.Shelved = append(p.Shelved, alarmCardOf(sh.words, v, a))
		case a.Present && a.Now.Severity == site.Info:
			p.Notes = append(p.Notes, alarmCardOf(sh.words, v, a))
		}
	}
	s.render(w, r, http.StatusOK, "alarms", p)
}

// lives puts the events of each alarm together, the newest alarm first; what an alarm explained
// stands with it.
func lives(w words, s *site.Site, events []site.Event) []life {
	var all []*life
	byID := map[string]*life{}
	effects := map[string][]string{}
	for _, e := range events {
		l := byID[e.ID]
		if l == nil {
			if e.CauseID != "" {
				if e.State == site.Raised {
					effects[e.CauseID] = append(effects[e.CauseID], lower(title(e.Kind)))
				}
				continue
			}
			l = &life{ID: e.ID, Kind: e.Kind, Place: placeOf(s, e.Bay), Title: title(e.Kind), From: e.Since.Time}
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
			l.Water = w.plusMinus(*e.Litres/1000, u)
		}
		if l.To = (time.Time{}); e.State == site.Cleared {
			l.To = e.Time.Time
		} else {
			l.Because = sentence(e.Because)
		}
	}
	out := make([]life, 0, len(all))
	for _, l := range slices.Backward(all) {
		l.Effects = slices.Compact(slices.Sorted(slices.Values(effects[l.ID])))
		l.When = w.clock(l.From)
		if !l.To.IsZero() {
			end := w.clock(l.To)
			if sameDay(l.From.In(w.zone), l.To.In(w.zone)) {
				end = l.To.In(w.zone).Format("15:04")
			}
			l.When += " to " + end
		} else {
			l.When = "since " + l.When
		}
		out = append(out, *l)
	}
	return out
}

func rank(s site.Severity) int {
	return slices.Index([]site.Severity{"", site.Info, site.Warning, site.Urgent}, s)
}

// overCard takes from an alarm that is over what asks for an act, and says what it was.
func overCard(c alarmCard, past []life) alarmCard {
	c.FirstAction, c.DoNot, c.Consequence, c.Or, c.WouldDecide, c.Over = "", "", "", "", "", true
	c.When = "Since " + c.SinceText
	for _, l := range past {
		if l.ID == c.ID {
			c.Because, c.When = nameOr(l.Because, c.Because), l.When
		}
	}
	return c
}

func alarmCards(w words, v *View, alarms []alarm.Alarm) []alarmCard {
	var out []alarmCard
	for _, a := range alarms {
		out = append(out, alarmCardOf(w, v, a))
	}
	return out
}

func alarmCardOf(w words, v *View, al alarm.Alarm) alarmCard {
	a := al.Now
	if a.ID == "" {
		a.ID = al.Event.ID
	}
	c := alarmCard{Anchor: alarmAnchor(a.ID), ID: a.ID, Severity: a.Severity, Word: severityWord(a.Severity), State: a.State, Bay: a.Bay,
		Place: placeOf(v.Site, a.Bay), Title: title(a.Kind), Because: sentence(a.Because), FirstAction: a.FirstAction,
		Since: a.Since.Time, SinceText: w.clock(a.Since.Time), WouldDecide: sentence(a.WouldDecide)}
	if len(a.Bays) > 1 {
		names := make([]string, len(a.Bays))
		for i, id := range a.Bays {
			names[i] = bayName(v.Site, id)
		}
		c.Place = "Bays " + list(names)
	}
	if info, ok := a.Kind.Info(); ok {
		c.DoNot, c.Consequence = info.DoNot, sentence(info.Consequence)
		if c.FirstAction == "" {
			c.FirstAction = info.Action(v.Site, a.Bay)
		}
	}
	if a.RateLPH != nil {
		c.Figures = append(c.Figures, fact{"Rate", w.rate(*a.RateLPH / 3.6e6)})
	}
	if a.Litres != nil {
		u := site.Unknown()
		if a.LitresU != nil {
			u = *a.LitresU / 1000
		}
		name := "So far"
		if !al.Present {
			name = "In all"
		}
		c.Figures = append(c.Figures, fact{name, w.plusMinus(*a.Litres/1000, u)})
	}
	if a.TimeLeftS != nil && *a.TimeLeftS > 0 {
		c.Figures = append(c.Figures, fact{"Time left", span(time.Duration(*a.TimeLeftS * float64(time.Second)))})
	}
	if a.Confidence != nil {
		c.Figures = append(c.Figures, fact{"How sure", fmt.Sprintf("%.0f %%", min(99, 100**a.Confidence))})
	}
	if a.OrKind != "" {
		c.Or = strings.ToLower(title(a.OrKind))
	}
	for _, f := range v.Alarms {
		if f.Cause != "" && f.Cause == a.ID {
			c.Folded = append(c.Folded, placeOf(v.Site, f.Now.Bay)+": "+strings.ToLower(title(f.Now.Kind)))
		}
	}
	if !al.AckAt.IsZero() {
		c.Acked = "Taken on by " + nameOr(al.AckBy, "somebody") + " at " + w.clock(al.AckAt)
	}
	c.Shelved = sentence(al.Why)
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
func ratesWords(r alarm.Rates) string {
	text := fmt.Sprintf("In the last 30 days %d were told, %d of them urgent; the aim is at most one a month. ", r.Raised, r.Urgent)
	if said := r.Useful + r.Useless; said > 0 {
		text += fmt.Sprintf("%d of the %d that somebody judged were useful; the aim is four of five. ", r.Useful, said)
	}
	text += fmt.Sprintf("That is %.1f a day, at most %d in ten minutes; people can handle about 144 a day and one in ten minutes, and more than ten in ten minutes are a flood.", r.PerDay, r.Peak)
	if r.Flood {
		text += " A flood is under way."
	}
	if r.Standing > 0 {
		text += fmt.Sprintf(" Standing for over a day: %d.", r.Standing)
	}
	return text
}
