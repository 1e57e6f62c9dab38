package alarm

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"bayledger/agent/site"
)

// ShortMax is the most characters a short message has.
const ShortMax = 300

// Message puts an event into words, in the site's units and local time: a short one of at most
// ShortMax characters for a telephone, and a long one for an e-mail or the page. ways say how
// the reader can answer at this site; without any, the command line is named.
//
// The short message has what, where, since when, how much, how long and what to do, in that
// order of need: where the room is short, the shut-off place goes first, then what not to do.
func Message(s *site.Site, e site.Event, ways ...string) (short, long string) {
	m := words{s: s, e: e, row: info(e.Kind)}
	if len(ways) == 0 {
		ways = []string{fmt.Sprintf("bayledger ack %d", e.Seq)}
	}
	return m.short(ways), m.long(ways)
}

type words struct {
	s   *site.Site
	e   site.Event
	row *site.KindInfo
}

func (m words) short(ways []string) string {
	head := fmt.Sprintf("%s %s: %s since %s.", m.rank(), m.place(shortName), m.row.Title, m.since())
	if m.e.State == site.Cleared {
		head = fmt.Sprintf("Over at %s: %s, %s to %s.", m.place(shortName), m.row.Title, m.since(), localTime(m.s, m.e.Time.Time, m.e.Time.Time))
	}
	parts := []string{head}
	if n := m.numbers(); n != "" {
		parts = append(parts, n+".")
	}
	if n := m.left(); n != "" {
		parts = append(parts, n+".")
	}
	answer := "Answer: " + ways[0]
	if m.e.State == site.Cleared {
		return fit(strings.Join(parts, " "), ShortMax)
	}
	action := m.e.FirstAction
	optional := []string{m.row.Caution(m.s, m.e.Bay), m.shutOff()}
	must := strings.Join(parts, " ")
	room := ShortMax - utf8.RuneCountInString(must) - utf8.RuneCountInString(answer) - 2
	if utf8.RuneCountInString(action) > room {
		return must + " " + fit(action, room) + " " + answer
	}
	text := must + " " + action
	for _, o := range optional {
		if o != "" && utf8.RuneCountInString(text)+utf8.RuneCountInString(o)+utf8.RuneCountInString(answer)+2 <= ShortMax {
			text += " " + o
		}
	}
	return text + " " + answer
}

func (m words) long(ways []string) string {
	var b strings.Builder
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%-12s %s\n", name+":", text)
		}
	}
	e := m.e
	line("What", m.rank()+": "+m.row.Title+". "+strings.ToUpper(m.row.Says[:1])+m.row.Says[1:]+".")
	line("Where", m.fullPlace())
	line("Since", fmt.Sprintf("%s (%s UTC)", m.since(), e.Since.UTC().Format("2006-01-02 15:04")))
	line("Why", e.Because)
	line("How much", m.numbers())
	line("Time left", m.left())
	if e.Confidence != nil && *e.Confidence < 0.995 {
		line("How sure", fmt.Sprintf("%.0f %%", *e.Confidence*100))
	}
	if e.OrKind != "" {
		or := "it could also be " + strings.ToLower(info(e.OrKind).Title)
		if e.WouldDecide != "" {
			or += "; " + e.WouldDecide + " would decide"
		}
		line("Or", or)
	}
	if e.State == site.Cleared {
		line("Over", localTime(m.s, e.Time.Time, e.Time.Time))
	} else {
		line("Do first", e.FirstAction)
		line("Do not", m.row.Caution(m.s, e.Bay))
		if m.s.ShutOff != "" {
			line("Shut-off", m.s.ShutOff)
		}
		line("If nobody acts", m.row.Consequence)
		line("It ends when", m.row.Ends)
		line("Answer", strings.Join(ways, ", or "))
	}
	line("Alarm", e.ID)
	return b.String()
}

func (m words) rank() string {
	switch m.e.Severity {
	case site.Urgent:
		return "URGENT"
	case site.Warning:
		return "Warning"
	}
	return "Note"
}

// place is the shortest name that is not ambiguous between clubs: the site's and the bay's, each
// cut to n characters so that a long name does not push out what to do.
func (m words) place(n int) string {
	name := m.s.Name
	if name == "" {
		name = m.s.ID
	}
	name = fit(name, n)
	if m.e.Bay == "" {
		if m.e.Subject != "" {
			return name + ", " + m.e.Subject
		}
		return name
	}
	bay := m.e.Bay
	if b := m.s.Bay(bay); b != nil && b.Name != "" {
		bay = b.Name
	}
	return name + ", bay " + fit(bay, n)
}

// shortName is how much of a name the short message has room for.
const shortName = 26

func (m words) fullPlace() string {
	place := m.place(ShortMax)
	if b := m.s.Bay(m.e.Bay); b != nil {
		for _, c := range m.s.Courts {
			if c.ID == b.Court && c.Name != "" {
				place += ", " + c.Name
			}
		}
	}
	if m.e.Bay != "" && m.e.Subject != "" {
		place += ", " + m.e.Subject
	}
	if len(m.e.Bays) > 0 {
		place += " (bays " + strings.Join(m.e.Bays, ", ") + ")"
	}
	return place
}

func (m words) since() string { return localTime(m.s, m.e.Since.Time, m.e.Time.Time) }

// numbers are the rate and the litres with their uncertainty, in the site's units.
func (m words) numbers() string {
	var parts []string
	if m.e.RateLPH != nil {
		parts = append(parts, m.s.Display.Rate(*m.e.RateLPH/3.6e6))
	}
	if m.e.Litres != nil {
		v := m.s.Display.Water(*m.e.Litres / 1000)
		if m.e.LitresU != nil {
			unit, _ := m.s.Display.WaterUnit()
			v = strings.TrimSuffix(v, " "+unit) + " ± " + m.s.Display.Water(*m.e.LitresU/1000)
		}
		if m.e.State == site.Cleared {
			v += " in all"
		} else {
			v += " so far"
		}
		parts = append(parts, v)
	}
	return strings.Join(parts, ", ")
}

// left is the time left in words that fit the kind.
func (m words) left() string {
	if m.e.TimeLeftS == nil || m.e.State == site.Cleared {
		return ""
	}
	d := time.Duration(*m.e.TimeLeftS * float64(time.Second))
	what := "until it overflows or goes soft"
	switch m.e.Kind {
	case site.Drying, site.ValveStuckClosed, site.NoSupply, site.LowFlow, site.Leak, site.UnexplainedLoss,
		site.SeepageBetweenBays, site.IsolationClosed, site.SupplyLineLeak:
		what = "until the surface is dust"
	case site.FreezeRisk:
		what = "until it freezes"
	}
	if d < time.Minute {
		return "No time left " + what
	}
	return span(d) + " " + what
}

func (m words) shutOff() string {
	if m.s.ShutOff == "" || strings.Contains(m.e.FirstAction, m.s.ShutOff) {
		return ""
	}
	return "Shut-off: " + strings.TrimRight(m.s.ShutOff, ".") + "."
}

// span writes a duration the way people say it.
func span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "no time"
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", math.Floor(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", math.Floor(d.Hours()))
	}
	return fmt.Sprintf("%.0f days", math.Floor(d.Hours()/24))
}

// localTime writes t on the site's clock, with the day when it is not the day of now.
func localTime(s *site.Site, t, now time.Time) string {
	l, n := t.In(s.Zone), now.In(s.Zone)
	if l.YearDay() == n.YearDay() && l.Year() == n.Year() {
		return l.Format("15:04")
	}
	return l.Format("Mon 2 Jan 15:04")
}

// fit cuts text to at most n characters, at a word where it can, and marks the cut.
func fit(text string, n int) string {
	if utf8.RuneCountInString(text) <= n {
		return text
	}
	if n <= 1 {
		return ""
	}
	r := []rune(text)[:n-1]
	cut := string(r)
	if i := strings.LastIndexByte(cut, ' '); i > len(cut)/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,;:") + "…"
}
