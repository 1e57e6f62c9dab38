package page

import (
	"fmt"
	"html/template"
	"net/http"
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
	Said    string
	CanAct  bool
	Open    []alarmCard
	Shelved []alarmCard
	Notes   []alarmCard
	Over    []alarmCard
	Past    []pastRow
	HasPast bool
}

type pastRow struct {
	Time     time.Time
	State    site.State
	Place    string
	Title    string
	Because  string
	Severity site.Severity
}

// pastSpan is how far back the alarms page looks.
const pastSpan = 14 * 24 * time.Hour

func (s *Server) alarms(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, "Alarms", "alarms")
	p := alarmsPage{shell: sh, Said: saidWords[r.URL.Query().Get("said")], CanAct: s.mayAct(r)}
	v := viewOf(r, s)
	if v != nil && v.Site != nil {
		open := wanting(v.Alarms)
		p.Open = alarmCards(sh.words, v, open)
		for i := range p.Open {
			var err error
			if p.Open[i].Plot, err = s.evidence(r.Context(), sh.words, v, open[i]); err != nil {
				s.fail(w, r, err)
				return
			}
		}
		for _, a := range v.Alarms {
			switch {
			case a.Cause != "":
			case a.Phase == alarm.ReturnedUnacknowledged:
				p.Over = append(p.Over, alarmCardOf(sh.words, v, a))
			case a.Phase == alarm.Shelved, a.Phase == alarm.OutOfService, a.Phase == alarm.SuppressedByDesign:
				p.Shelved = append(p.Shelved, alarmCardOf(sh.words, v, a))
			case a.Present && a.Now.Severity == site.Info:
				p.Notes = append(p.Notes, alarmCardOf(sh.words, v, a))
			}
		}
	}
	if s.deps.History != nil {
		p.HasPast = true
		events, err := s.deps.History.Events(r.Context(), sh.now.Add(-pastSpan), sh.now.Add(time.Second), "", 200)
		if err != nil {
			s.fail(w, r, fmt.Errorf("page: read the events of two weeks: %w", err))
			return
		}
		for i := len(events) - 1; i >= 0; i-- {
			e := events[i]
			if e.State == site.Updated {
				continue
			}
			row := pastRow{Time: e.Time.Time, State: e.State, Title: title(e.Kind), Because: sentence(e.Because), Severity: e.Severity}
			if v != nil && v.Site != nil {
				row.Place = placeOf(v.Site, e.Bay)
			}
			p.Past = append(p.Past, row)
		}
	}
	s.render(w, r, http.StatusOK, "alarms", p)
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
		c.Figures = append(c.Figures, fact{"Rate", w.d.Rate(*a.RateLPH / 3.6e6)})
	}
	if a.Litres != nil {
		u := site.Unknown()
		if a.LitresU != nil {
			u = *a.LitresU / 1000
		}
		c.Figures = append(c.Figures, fact{"So far", w.plusMinus(*a.Litres/1000, u)})
	}
	if a.TimeLeftS != nil {
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
