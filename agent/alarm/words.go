package alarm

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"bayledger/agent/site"
)

// ShortMax is the most characters a short message has.
const ShortMax = 300

// Message puts an event into words, in the site's units and local time: a short one of at most
// ShortMax characters for a telephone, and a long one for an e-mail or the page. lead, which may
// be empty, is a sentence that comes first in both. ways say how the reader can answer at this
// site; without any, the command line is named.
//
// The short message has what, where, since when, how much, how long, what to do and how to
// answer, whatever the names; where there is room it also has what the overflow does, what not to
// do and where the shut-off is.
func Message(s *site.Site, e site.Event, lead string, ways ...string) (short, long string) {
	m := words{s: s, e: e, row: info(e.Kind)}
	if len(ways) == 0 {
		ways = []string{fmt.Sprintf("bayledger ack %d", e.Seq)}
	}
	short, long = m.short(lead, ways), m.long(ways)
	if lead != "" {
		long = lead + "\n\n" + long
	}
	return short, long
}

// Line is an event in a few words, for a list of several: where and what.
func Line(s *site.Site, e site.Event) string {
	m := words{s: s, e: e, row: info(e.Kind)}
	line := m.row.Title
	switch {
	case e.Bay != "":
		line = "bay " + m.bay(shortName) + ": " + line
	case e.Subject != "":
		line = e.Subject + ": " + line
	}
	if e.State == site.Cleared {
		line += " (over)"
	}
	return line
}

// carriedWords is what happens when nobody acts and the overflow carries the whole flow.
const carriedWords = "water runs to waste, and the court does not flood"

type words struct {
	s   *site.Site
	e   site.Event
	row *site.KindInfo
}

// shortName is how much of a name the short message has room for, leastName how much it keeps
// where that lets in what would not fit.
const shortName, leastName = 26, 12

func (m words) short(lead string, ways []string) string {
	lead = sentence(lead)
	if m.e.State == site.Cleared {
		return fit(join(lead, sentence(fmt.Sprintf("Over at %s: %s, %s to %s", m.place(shortName), m.row.Title, m.since(), localTime(m.s, m.e.Time.Time, m.e.Time.Time))),
			sentence(m.numbers(" in all"))), ShortMax)
	}
	answer := "Answer: " + ways[0]
	begin := func(name int) string {
		what := fmt.Sprintf("%s %s: %s since %s", m.rank(), m.place(name), m.row.Title, m.since())
		if n := m.numbers(""); n != "" {
			what += ": " + n
		}
		return join(lead, sentence(what), sentence(m.soon()))
	}
	room := func(text string) int {
		return ShortMax - utf8.RuneCountInString(text) - utf8.RuneCountInString(answer) - 2
	}
	text, action, caution := begin(shortName), m.action(), m.caution()
	if need := join(action, caution); utf8.RuneCountInString(need) > room(text) {
		// A shorter name is understood; what to do and what not to must be there.
		text = begin(leastName)
	}
	text = join(text, fit(action, room(text)))
	for _, more := range []string{caution, m.shutOff()} {
		if more != "" && utf8.RuneCountInString(more) <= room(text) {
			text = join(text, more)
		}
	}
	return join(text, answer)
}

// sentence ends a text with one full stop; an empty one stays empty.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	return strings.TrimRight(text, ".") + "."
}

// join puts a blank between those that are not empty.
func join(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), " ")
}

// action is the first action without the bay, which the message has named already.
func (m words) action() string {
	bay := m.bay(ShortMax)
	return strings.NewReplacer(" of bay "+bay, "", " at bay "+bay, "").Replace(m.e.FirstAction)
}

// caution is what not to do, in few words.
func (m words) caution() string {
	if m.row.DoNotShort != "" {
		return m.row.DoNotShort
	}
	return m.row.Caution(m.s, m.e.Bay)
}

func (m words) long(ways []string) string {
	var b strings.Builder
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%-15s %s\n", name+":", text)
		}
	}
	e := m.e
	line("What", m.rank()+": "+m.row.Title+". "+strings.ToUpper(m.row.Says[:1])+m.row.Says[1:]+".")
	line("Where", m.fullPlace())
	line("Since", fmt.Sprintf("%s (%s UTC)", m.since(), e.Since.UTC().Format("2006-01-02 15:04")))
	if e.State == site.Cleared {
		line("Until", fmt.Sprintf("%s (%s UTC)", localTime(m.s, e.Time.Time, e.Time.Time), e.Time.UTC().Format("2006-01-02 15:04")))
	}
	line("Why", e.Because)
	so := " so far"
	if e.State == site.Cleared {
		so = " in all"
	}
	line("How much", m.numbers(so))
	line("Time left", m.left())
	if e.Confidence != nil && *e.Confidence < 0.995 {
		line("How sure", fmt.Sprintf("%.0f %%", *e.Confidence*100))
	}
	if e.OrKind != "" {
		line("Or", "it could also be: "+strings.ToLower(info(e.OrKind).Title))
		line("To find out", e.WouldDecide)
	}
	if e.State != site.Cleared {
		line("Do first", e.FirstAction)
		line("Careful", m.row.Caution(m.s, e.Bay))
		line("Shut-off", strings.TrimSuffix(strings.TrimPrefix(m.shutOff(), "Shut-off: "), "."))
		if e.Carried {
			line("If nobody acts", carriedWords)
		} else {
			line("If nobody acts", m.row.Consequence)
		}
		line("It ends when", m.row.Ends)
		for i, way := range ways {
			if i == 0 {
				line("Answer", way)
				continue
			}
			fmt.Fprintf(&b, "%-15s %s\n", "", "or "+way)
		}
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
	// Where two bays are mixed up or leak into each other, either name alone would mislead.
	if n := len(m.e.Bays); n == 2 && slices.Contains(m.e.Bays, m.e.Bay) {
		return name + ", bays " + m.e.Bays[0] + " and " + m.e.Bays[1]
	}
	return name + ", bay " + m.bay(n)
}

// bay is the bay's name, or its id.
func (m words) bay(n int) string {
	if b := m.s.Bay(m.e.Bay); b != nil && b.Name != "" {
		return fit(b.Name, n)
	}
	return fit(m.e.Bay, n)
}

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
	if n := len(m.e.Bays); n > 2 || n > 0 && m.e.Bay == "" {
		place += " (bays " + strings.Join(m.e.Bays, ", ") + ")"
	}
	return place
}

func (m words) since() string { return localTime(m.s, m.e.Since.Time, m.e.Time.Time) }

// numbers are the rate and the litres with their uncertainty, in the site's units; so says of the
// litres what they are.
func (m words) numbers(so string) string {
	var parts []string
	if m.e.RateLPH != nil {
		parts = append(parts, m.s.Display.Rate(*m.e.RateLPH/3.6e6))
	}
	switch {
	case m.e.Litres != nil && m.e.LitresU != nil:
		name, size := m.s.Display.WaterUnit()
		v, u, digits := *m.e.Litres/1000/size, *m.e.LitresU/1000/size, 0
		if u < 1 {
			digits = 1
		}
		parts = append(parts, fmt.Sprintf("%.*f ± %.*f %s%s", digits, v, digits, max(u, 0.1), name, so))
	case m.e.Litres != nil:
		parts = append(parts, m.s.Display.Water(*m.e.Litres/1000)+so)
	}
	return strings.Join(parts, ", ")
}

// left is the time left to the overflow's crest and to what the surface comes to.
func (m words) left() string {
	if m.e.State == site.Cleared {
		return ""
	}
	var parts []string
	if s := m.e.ToCrestS; s != nil {
		if d := duration(*s); d < time.Minute {
			parts = append(parts, "the overflow runs now")
		} else {
			parts = append(parts, span(d)+" to the overflow's crest")
		}
	}
	if s := m.e.ToSoftS; s != nil {
		if d := duration(*s); d < time.Minute {
			parts = append(parts, m.row.SoftWords()+" now")
		} else {
			parts = append(parts, span(d)+" until "+m.row.SoftWords())
		}
	}
	if len(parts) == 0 {
		return ""
	}
	text := strings.Join(parts, ", ")
	return strings.ToUpper(text[:1]) + text[1:]
}

func duration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// soon is left in as few words as will do, and whether the court floods.
func (m words) soon() string {
	suffers := strings.NewReplacer("the surface is soft", "soft surface", "the surface is dust", "dusty surface").Replace(m.row.SoftWords())
	var parts []string
	for _, x := range []struct {
		s    *float64
		what string
	}{{m.e.ToCrestS, "overflow runs"}, {m.e.ToSoftS, suffers}} {
		switch {
		case x.s == nil, x.s == m.e.ToCrestS && m.e.Kind == site.Overflowing: // that is what it says
		case duration(*x.s) < time.Minute:
			parts = append(parts, x.what+" now")
		default:
			parts = append(parts, x.what+" in "+span(duration(*x.s)))
		}
	}
	if m.e.Carried {
		parts = append(parts, "no flood")
	}
	if len(parts) == 0 {
		return ""
	}
	text := strings.Join(parts, ", ")
	return strings.ToUpper(text[:1]) + text[1:]
}

// shutOff is where the supply is shut by hand, for what that would stop, unless the first action
// says it.
func (m words) shutOff() string {
	stops := (m.row.Severity == site.ByWater || m.row.Severity == site.ByFrost) && m.row.Suffers != "the surface is dust"
	if !stops || m.s.ShutOff == "" || strings.Contains(m.e.FirstAction, m.s.ShutOff) {
		return ""
	}
	return "Shut-off: " + sentence(m.s.ShutOff)
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
