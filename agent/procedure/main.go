package procedure

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// The texts of records of kind isolation. Subject says why: an alarm's id, a run, a person's words.
const (
	// IsolationOrder is a procedure that has the valve shut to prove it; PersonOrder a person who
	// says so. Both are carried out by the daemon, if Isolate allows.
	IsolationOrder = "shut for proof"
	PersonOrder    = "shut on a person's word"
	// MainShut and the others say what became of it.
	MainShut    = "shut"
	MainDry     = "dry run: would have been shut"
	MainRefused = "not shut: " // and why
	MainFailed  = "did not shut: "
	MainHeld    = "held off"
	MainOpened  = "opened"
)

// mainState is what a book knows of the isolation valve: all of it comes from records and from the
// main meter.
type mainState struct {
	Shut bool      `json:"shut,omitempty"`
	At   time.Time `json:"at,omitzero"`
	Why  string    `json:"why,omitempty"`
	// Hold is until when no alarm may shut it.
	Hold time.Time `json:"hold,omitzero"`
	// Shuts are when it was shut in the last day, Tries when it was told to and did not confirm.
	Shuts []time.Time `json:"shuts,omitempty"`
	Tries []time.Time `json:"tries,omitempty"`
	// Failed is why the last attempt failed; empty after one that did not.
	Failed string `json:"failed,omitempty"`
	// Asked are the newest subjects that were answered: an alarm that is told again is not refused
	// again, and does not shut what a person has opened.
	Asked []asked `json:"asked,omitempty"`
	// Moved is when the main meter last moved since it was shut, Total what it showed; Still is
	// true once it has stood for stillFor.
	Moved time.Time `json:"moved,omitzero"`
	Total float64   `json:"total,omitempty"`
	Still bool      `json:"still,omitempty"`
}

// asked is an answered subject. One that was refused for a hold-off may ask again when that is over, at Until.
type asked struct {
	Subject string    `json:"subject"`
	Until   time.Time `json:"until,omitzero"`
}

// mostAsked is how many answered subjects are remembered: more alarms than stand at a time.
const mostAsked = 32

func (m *mainState) answered(subject string, t time.Time) bool {
	return slices.ContainsFunc(m.Asked, func(a asked) bool { return a.Subject == subject && (a.Until.IsZero() || t.Before(a.Until)) })
}

func (m *mainState) answer(subject string, until time.Time) {
	m.Asked = append(slices.DeleteFunc(m.Asked, func(a asked) bool { return a.Subject == subject }), asked{subject, until})
	if over := len(m.Asked) - mostAsked; over > 0 {
		m.Asked = slices.Delete(m.Asked, 0, over)
	}
}

// lately are the times within the day before t.
func lately(times []time.Time, t time.Time) []time.Time {
	return slices.DeleteFunc(slices.Clone(times), func(s time.Time) bool { return t.Sub(s) >= 24*time.Hour })
}

// coilOf names the coil a proof holds for: with another one it has to be done again.
func coilOf(i *site.Isolation) string {
	if i == nil {
		return ""
	}
	return fmt.Sprintf("%s %s %d %t", i.Link, i.Device, i.Address, i.ShutLevel)
}

// lateMain is by when the main meter must stand still after the valve's travel.
const lateMain = 10 * time.Minute

// stillFor is how long the main meter must not move for the valve to count as shut: half a minute,
// three readings, and two counts at 5 L/min.
func stillFor(p *site.Point) time.Duration {
	return max(30*time.Second, 3*p.Interval, time.Duration(2*pulse(p)/(5e-3/60)*float64(time.Second)))
}

// Main is what people see of the isolation valve.
type Main struct {
	Enabled bool      `json:"enabled"`
	DryRun  bool      `json:"dry_run,omitempty"`
	Proved  time.Time `json:"proved,omitzero"`
	Shut    bool      `json:"shut"`
	Since   time.Time `json:"since,omitzero"`
	Why     string    `json:"why,omitempty"`
	Hold    time.Time `json:"hold,omitzero"`
	// Trouble says that the valve did not confirm, or that water still runs; empty when neither.
	Trouble string `json:"trouble,omitempty"`
}

// Main of the site; nil where the site file names no isolation valve.
func (b *Book) Main() *Main {
	i := b.house.site.Isolation
	if i == nil {
		return nil
	}
	m := b.st.Main
	out := &Main{Enabled: i.Enabled, DryRun: i.DryRun, Proved: b.Proved(), Shut: m.Shut, Since: m.At, Why: b.house.reason(m.Why), Hold: m.Hold, Trouble: m.Failed}
	if !m.Shut {
		out.Since = time.Time{}
	} else if !m.Still && b.st.Now.Sub(m.At) > i.Travel+lateMain {
		out.Trouble = b.house.say("the main meter still moves: the valve has not shut")
	}
	if !m.Hold.After(b.st.Now) {
		out.Hold = time.Time{}
	}
	return out
}

// reason is why the main was shut, as people know it: an alarm by its name and bay, a proof by its
// title, and else a person's words.
func (h *house) reason(subject string) string {
	_, alarm, _, ok := site.ParseEventID(subject)
	kind, _, isRun := strings.Cut(subject, "/")
	switch pl := planOf(Kind(kind)); {
	case ok && alarm.Bay != "":
		return h.say("%s, bay %s", h.voice.Lower(h.voice.Title(alarm.Kind)), h.name(alarm.Bay))
	case ok:
		return h.voice.Lower(h.voice.Title(alarm.Kind))
	case isRun && pl != nil:
		return h.voice.Lower(h.say(pl.title))
	}
	return subject
}

// Closes reports whether an alarm is one for which shutting the main helps: water that comes in and
// must not. A bay that loses water is not helped by being fed less.
func Closes(e site.Event) bool {
	if e.State == site.Cleared || e.Severity != site.Urgent || e.CauseID != "" {
		return false
	}
	switch e.Kind {
	case site.ValveStuckOpen, site.ValveWeeping, site.SupplyLineLeak, site.Overfill, site.Overflowing:
		return true
	}
	return false
}

// Isolate decides at t whether the daemon may shut the main for that reason; text is the order's,
// empty for an alarm. It returns the record that says what was decided: MainDry or MainRefused, and
// no record at all for a subject that was answered before. With do, the caller shuts the valve and
// puts on record what became of it. It never opens anything.
func (b *Book) Isolate(t time.Time, text, subject, who string) (do bool, said *site.Record) {
	i := b.house.site.Isolation
	if i == nil || !i.Enabled {
		return false, nil
	}
	m := &b.st.Main
	often := len(lately(m.Shuts, t))
	if text == "" { // a person sees what an unconfirmed order did
		often += len(lately(m.Tries, t))
	}
	why := ""
	switch {
	case strings.TrimSpace(subject) == "":
		why = "no reason was given"
	case text == "" && m.answered(subject, t):
		return false, nil
	case m.Shut:
		why = "it is shut already"
	case text != IsolationOrder && b.Proved().IsZero():
		why = "nobody has proved the valve yet"
	case text == "" && t.Before(m.Hold):
		why = "held off by a person until " + m.Hold.In(b.house.site.Zone).Format("2 Jan 15:04")
	case often >= i.MostPerDay:
		why = fmt.Sprintf("it was told to shut %d times in 24 hours, which is the limit", often)
	}
	say := func(text string) *site.Record {
		return &site.Record{Time: t, Kind: site.RecIsolation, Subject: subject, Who: who, Text: text, Value: site.Unknown(), Value2: site.Unknown()}
	}
	switch {
	case why != "":
		return false, say(MainRefused + why)
	case i.DryRun:
		return false, say(MainDry)
	}
	return true, nil
}

// mainRecord takes a record about the isolation valve.
func (b *Book) mainRecord(r site.Record) {
	m := &b.st.Main
	t := r.Time.UTC()
	switch {
	case r.Text == MainShut:
		m.Shuts = append(lately(m.Shuts, t), t)
		m.answer(r.Subject, time.Time{})
		m.Shut, m.At, m.Why, m.Failed, m.Moved, m.Still = true, t, r.Subject, "", t, false
	case r.Text == MainHeld:
		m.Hold = r.Until.UTC()
	case r.Text == MainOpened:
		m.Shut, m.Failed, m.Still = false, "", false
	case strings.HasPrefix(r.Text, MainFailed):
		m.Tries = append(lately(m.Tries, t), t)
		m.answer(r.Subject, time.Time{})
		m.Failed = strings.TrimPrefix(r.Text, MainFailed)
	case strings.HasPrefix(r.Text, MainRefused) && t.Before(m.Hold):
		m.answer(r.Subject, m.Hold)
	case strings.HasPrefix(r.Text, MainRefused), r.Text == MainDry:
		m.answer(r.Subject, time.Time{})
	}
}

// mainSample watches the main meter of a main that is shut: still, it is shut indeed; moving again
// after that, somebody has opened it.
func (b *Book) mainSample(p *site.Point, s site.Sample) {
	m := &b.st.Main
	if !m.Shut || p.Bay != "" || s.Quality != site.Good || b.house.meterOf("") != p {
		return
	}
	t := s.Time.UTC()
	moves := p.Quantity == site.Flow && s.Value > startOf(p)
	if p.Quantity == site.Volume {
		moves = s.Value > m.Total+pulse(p)/2
		m.Total = s.Value
	}
	switch {
	case t.Before(m.At.Add(b.house.site.Isolation.Travel)):
		m.Moved = t
	case moves && m.Still:
		b.put(site.Record{Time: t, Kind: site.RecIsolation, Subject: "the main meter moves again", Who: "daemon", Text: MainOpened, Value: site.Unknown(), Value2: site.Unknown()})
		m.Shut = false
	case moves:
		m.Moved = t
	case t.Sub(m.Moved) >= stillFor(p):
		m.Still = true
	}
}

// mainAnswer is a person's word about the main: main-shut, main-hold or main-opened.
func (a Answer) mainAnswer(p Picture, now time.Time) (site.Record, error) {
	v := words.Voice{Language: p.Language}
	no := func(phrase string, args ...any) error { return errors.New(v.Say(phrase, args...)) }
	rec := site.Record{Time: now, Kind: site.RecIsolation, Subject: strings.TrimSpace(a.Why), Who: a.Who, Value: site.Unknown(), Value2: site.Unknown()}
	switch {
	case p.Main == nil || !p.Main.Enabled:
		return rec, no("the site file enables no isolation valve")
	case rec.Subject == "" || len(rec.Subject) > 400:
		return rec, no("say why, in up to 400 characters: it is part of the record")
	}
	switch a.Do {
	case "main-shut":
		rec.Text = PersonOrder
	case "main-opened":
		rec.Text = MainOpened
	case "main-hold":
		d, err := time.ParseDuration(a.Text)
		if err != nil || d <= 0 || d > 14*24*time.Hour {
			return rec, no("%q is no time to hold off; write for example 8h, up to 336h", clip(a.Text))
		}
		rec.Text, rec.Until = MainHeld, now.Add(d).Truncate(time.Second)
	default:
		return rec, no("the main can be shut, held off or said to be opened, not %q", clip(a.Do))
	}
	return rec, nil
}
