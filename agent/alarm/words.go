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
// The short message has what, where, since when, what to do, what not to do and how to answer,
// whatever the names; how much, how long and where the shut-off is as far as there is room (cuts).
func Message(s *site.Site, e site.Event, lead string, ways ...string) (short, long string) {
	m := message{s: s, e: e, row: info(e.Kind)}
	if len(ways) == 0 {
		ways = []string{m.command()}
	}
	short, long = m.short(lead, ways), m.long(ways)
	if lead != "" {
		long = lead + "\n\n" + long
	}
	return short, long
}

// Line is an event in a few words, for a list of several: where and what.
func Line(s *site.Site, e site.Event) string {
	m := message{s: s, e: e, row: info(e.Kind)}
	line := m.row.Title
	switch {
	case e.Bay != "":
		line = "bay " + m.bay(26) + ": " + line
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

type message struct {
	s   *site.Site
	e   site.Event
	row *site.KindInfo
}

// brief says what a short message still has room for.
type brief struct {
	site, bay int  // characters of the names; a site of 0 is left out where a bay is named
	shutOff   int  // characters of the shut-off's place
	whole     bool // the first action with what follows its first step
	sentence  bool // where the shut-off is, when the first action does not say it
	litres    bool
	rate      bool
	times     int  // of the times left, the shortest first
	command   bool // the answer by the command line, which is the shortest
	urgent    bool // somebody is woken: where the water is shut off comes before what it has cost
}

// cuts take from a message what its reader can best do without, one after another until it fits.
// A shorter name is understood, and what is left out stands in the long form; what to do and what
// not to do are never left out.
var cuts = []func(*brief){
	func(b *brief) { b.site = 12 },
	func(b *brief) { b.bay = 12 },
	func(b *brief) { b.shutOff = 40 },
	func(b *brief) { b.sentence = b.urgent },
	func(b *brief) { b.litres = false },
	func(b *brief) { b.shutOff = 24 },
	func(b *brief) { b.whole = false },
	func(b *brief) { b.sentence = false },
	func(b *brief) { b.times = 1 },
	func(b *brief) { b.site = 0 },
	func(b *brief) { b.rate = false },
	func(b *brief) { b.command = true },
	func(b *brief) { b.times = 0 },
}

func (m message) short(lead string, ways []string) string {
	lead = sentence(lead)
	b := brief{site: 26, bay: 26, shutOff: 60, whole: true, sentence: true, litres: true, rate: true, times: 2,
		urgent: m.e.Severity == site.Urgent}
	if m.e.State == site.Cleared {
		return fit(join(lead, sentence(fmt.Sprintf("Over at %s: %s, %s to %s", m.place(b), m.row.Title, m.since(), localTime(m.s, m.e.Time.Time, m.e.Time.Time))),
			sentence(m.numbers(b, " in all"))), ShortMax)
	}
	for i := 0; ; i++ {
		head, tail := m.brief(b, lead, ways)
		text := join(head, tail)
		if utf8.RuneCountInString(text) <= ShortMax {
			return text
		}
		if i == len(cuts) {
			return join(fit(head, ShortMax-1-utf8.RuneCountInString(tail)), fit(tail, ShortMax))
		}
		cuts[i](&b)
	}
}

// brief is the short message in two parts: what there is, and what to do about it.
func (m message) brief(b brief, lead string, ways []string) (head, tail string) {
	what := fmt.Sprintf("%s %s: %s since %s", m.rank(), m.place(b), m.row.Title, m.since())
	if n := m.numbers(b, ""); n != "" {
		what += ": " + n
	}
	answer := ways[0]
	if b.command {
		answer = m.command()
	}
	parts := []string{m.action(b), m.caution()}
	if b.sentence {
		parts = append(parts, m.shutOff(b.shutOff))
	}
	return join(lead, sentence(what), sentence(m.soon(b.times))), join(append(parts, "Answer: "+answer)...)
}

// command is the way to answer that every site has.
func (m message) command() string { return fmt.Sprintf("bayledger ack %d", m.e.Seq) }

// sentence ends a text with one full stop; an empty one, and one that is cut, stays as it is.
func sentence(text string) string {
	if text == "" || strings.HasSuffix(text, "…") {
		return text
	}
	return strings.TrimRight(text, ".") + "."
}

// join puts a blank between those that are not empty.
func join(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), " ")
}

// action is the first action without the bay, which the message has named already.
func (m message) action(b brief) string {
	bay := m.bay(ShortMax)
	text := strings.NewReplacer(" of bay "+bay, "", " at bay "+bay, "").Replace(m.e.FirstAction)
	if m.s.ShutOff != "" {
		text = strings.ReplaceAll(text, m.s.ShutOff, fit(m.s.ShutOff, b.shutOff))
	}
	if first, _, more := strings.Cut(text, "; "); more && !b.whole {
		return sentence(first)
	}
	return text
}

// caution is what not to do, in few words.
func (m message) caution() string {
	if m.row.DoNotShort != "" {
		return m.row.DoNotShort
	}
	return m.row.Caution(m.s, m.e.Bay)
}

func (m message) long(ways []string) string {
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
	line("How much", m.numbers(brief{rate: true, litres: true}, so))
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
		line("Shut-off", strings.TrimSuffix(strings.TrimPrefix(m.shutOff(ShortMax), "Shut-off: "), "."))
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

func (m message) rank() string {
	switch m.e.Severity {
	case site.Urgent:
		return "URGENT"
	case site.Warning:
		return "Warning"
	}
	return "Note"
}

// place is the shortest name that is not ambiguous between clubs: the site's, the bay's and the
// point's.
func (m message) place(b brief) string {
	name := m.s.Name
	if name == "" {
		name = m.s.ID
	}
	var parts []string
	if b.site > 0 || m.e.Bay == "" {
		parts = append(parts, fit(name, max(b.site, 12)))
	}
	switch n := len(m.e.Bays); {
	case m.e.Bay == "":
	// Where two bays are mixed up or leak into each other, either name alone would mislead.
	case n == 2 && slices.Contains(m.e.Bays, m.e.Bay):
		parts = append(parts, "bays "+fit(m.e.Bays[0], b.bay)+" and "+fit(m.e.Bays[1], b.bay))
	default:
		parts = append(parts, "bay "+m.bay(b.bay))
	}
	if m.e.Subject != "" {
		parts = append(parts, fit(m.e.Subject, b.bay))
	}
	return strings.Join(parts, ", ")
}

// bay is the bay's name, or its id.
func (m message) bay(n int) string {
	if b := m.s.Bay(m.e.Bay); b != nil && b.Name != "" {
		return fit(b.Name, n)
	}
	return fit(m.e.Bay, n)
}

func (m message) fullPlace() string {
	place := m.place(brief{site: ShortMax, bay: ShortMax})
	if b := m.s.Bay(m.e.Bay); b != nil {
		for _, c := range m.s.Courts {
			if c.ID == b.Court && c.Name != "" {
				place += ", " + c.Name
			}
		}
	}
	if n := len(m.e.Bays); n > 2 || n > 0 && m.e.Bay == "" {
		place += " (bays " + strings.Join(m.e.Bays, ", ") + ")"
	}
	return place
}

func (m message) since() string { return localTime(m.s, m.e.Since.Time, m.e.Time.Time) }

// numbers are the rate and the litres with their uncertainty, in the site's units; so says of the
// litres what they are.
func (m message) numbers(b brief, so string) string {
	var parts []string
	if m.e.RateLPH != nil && b.rate {
		parts = append(parts, m.s.Display.Rate(*m.e.RateLPH/3.6e6))
	}
	switch {
	case !b.litres:
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
func (m message) left() string {
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

// soon is left in as few words as will do, with so many times at most, and whether the court
// floods.
func (m message) soon(times int) string {
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
	switch {
	case times == 0:
		parts = nil
	case times < len(parts) && strings.HasSuffix(parts[0], " now"):
		parts = parts[1:] // what is still to come can be kept from coming
	case times < len(parts):
		parts = parts[:1]
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
func (m message) shutOff(n int) string {
	if !m.row.Stops() || m.s.ShutOff == "" || strings.Contains(m.e.FirstAction, m.s.ShutOff) {
		return ""
	}
	return "Shut-off: " + sentence(fit(m.s.ShutOff, n))
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

// fit cuts text to at most n characters and marks the cut: at a word, unless a third of n would not
// be left.
func fit(text string, n int) string {
	if utf8.RuneCountInString(text) <= n {
		return text
	}
	if n <= 1 {
		return ""
	}
	r := []rune(text)[:n-1]
	cut := string(r)
	if i := strings.LastIndexByte(cut, ' '); i >= n/3 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,;:") + "…"
}
