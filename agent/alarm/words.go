package alarm

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"bayledger/agent/site"
	"bayledger/agent/words"
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
	m := newMessage(s, e)
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
	m := newMessage(s, e)
	line := m.row.Title
	switch {
	case e.Bay != "":
		line = m.v.Say("bay %s", m.bay(26)) + ": " + line
	case e.Subject != "":
		line = e.Subject + ": " + line
	}
	if e.State == site.Cleared {
		line = m.v.Say("%s (over)", line)
	}
	return line
}

// carriedWords is what happens when nobody acts and the overflow carries the whole flow.
var carriedWords = words.Key("water runs to waste, and the court does not flood")

// message is an event that is put into words; row is that of its kind in the site's language.
type message struct {
	s   *site.Site
	v   words.Voice
	e   site.Event
	row site.KindInfo
}

func newMessage(s *site.Site, e site.Event) message {
	v := words.Of(s)
	return message{s, v, e, v.Row(*info(e.Kind))}
}

// fate is how it is told that the overflow runs, or that what a kind suffers has come: in few words
// and in the long form, now and to come.
type fate struct{ now, soon, nowLong, soonLong string }

var (
	overflows = fate{words.Key("overflow runs now"), words.Key("overflow runs in %s"), words.Key("the overflow runs now"), words.Key("%s to the overflow's crest")}
	suffers   = map[string]fate{
		"":                    {words.Key("soft surface now"), words.Key("soft surface in %s"), words.Key("the surface is soft now"), words.Key("%s until the surface is soft")},
		"the surface is dust": {words.Key("dusty surface now"), words.Key("dusty surface in %s"), words.Key("the surface is dust now"), words.Key("%s until the surface is dust")},
		"it freezes":          {words.Key("it freezes now"), words.Key("it freezes in %s"), words.Key("it freezes now"), words.Key("%s until it freezes")},
	}
)

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
		return fit(join(lead, sentence(m.v.Say("Over at %s: %s, %s to %s", m.place(b), m.row.Title, m.since(), m.moment(m.e.Time.Time))),
			sentence(m.numbers(b, words.Key("%s in all")))), ShortMax)
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
	what := m.v.Say("%s %s: %s since %s", m.rank(), m.place(b), m.row.Title, m.since())
	if n := m.numbers(b, ""); n != "" {
		what += ": " + n
	}
	parts := []string{m.action(b), m.caution()}
	if where := m.shutOff(); b.sentence && where != "" {
		parts = append(parts, m.v.Say("Shut-off: %s", sentence(fit(where, b.shutOff))))
	}
	switch {
	case len(ways) == 0:
	case b.command:
		parts = append(parts, m.v.Say("Answer: %s", m.command()))
	default:
		parts = append(parts, m.v.Say("Answer: %s", ways[0]))
	}
	return join(lead, sentence(what), sentence(m.soon(b.times))), join(parts...)
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
	text := strings.NewReplacer(m.v.Say(" of bay %s", bay), "", m.v.Say(" at bay %s", bay), "").Replace(m.e.FirstAction)
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
	return m.v.Fill(m.row.DoNot, m.s, m.e.Bay)
}

// labels are the headings of the long form, which stand in one column.
var labels = []string{words.Key("What"), words.Key("Where"), words.Key("Since"), words.Key("Until"), words.Key("Why"), words.Key("How much"), words.Key("Time left"),
	words.Key("How sure"), words.Key("Or"), words.Key("To find out"), words.Key("Do first"), words.Key("Careful"), words.Key("Shut-off"), words.Key("If nobody acts"),
	words.Key("It ends when"), words.Key("Answer"), words.Key("Alarm")}

func (m message) long(ways []string) string {
	var b strings.Builder
	width := 0
	for _, name := range labels {
		width = max(width, utf8.RuneCountInString(m.v.Say(name))+1)
	}
	line := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%-*s %s\n", width, m.v.Say(name)+":", text)
		}
	}
	e := m.e
	line("What", m.rank()+": "+m.row.Title+". "+sentence(words.Capital(m.row.Says)))
	line("Where", m.fullPlace())
	line("Since", fmt.Sprintf("%s (%s UTC)", m.since(), e.Since.UTC().Format("2006-01-02 15:04")))
	if e.State == site.Cleared {
		line("Until", fmt.Sprintf("%s (%s UTC)", m.moment(e.Time.Time), e.Time.UTC().Format("2006-01-02 15:04")))
	}
	line("Why", e.Because)
	so := words.Key("%s so far")
	if e.State == site.Cleared {
		so = words.Key("%s in all")
	}
	line("How much", m.numbers(brief{rate: true, litres: true}, so))
	line("Time left", m.left())
	if e.Confidence != nil && *e.Confidence < 0.995 {
		line("How sure", fmt.Sprintf("%.0f %%", *e.Confidence*100))
	}
	if e.OrKind != "" {
		line("Or", m.v.Say("it could also be: %s", m.v.Lower(m.v.Title(e.OrKind))))
		line("To find out", e.WouldDecide)
	}
	if e.State != site.Cleared {
		line("Do first", e.FirstAction)
		line("Careful", m.v.Fill(m.row.DoNot, m.s, e.Bay))
		line("Shut-off", strings.TrimSuffix(m.shutOff(), "."))
		if e.Carried {
			line("If nobody acts", m.v.Say(carriedWords))
		} else {
			line("If nobody acts", m.row.Consequence)
		}
		line("It ends when", m.row.Ends)
		for i, way := range ways {
			if i == 0 {
				line("Answer", way)
				continue
			}
			fmt.Fprintf(&b, "%-*s %s\n", width, "", m.v.Say("or %s", way))
		}
	}
	line("Alarm", e.ID)
	return b.String()
}

func (m message) rank() string {
	switch m.e.Severity {
	case site.Urgent:
		return m.v.Say("URGENT")
	case site.Warning:
		return m.v.Say("Warning")
	}
	return m.v.Say("Note")
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
		parts = append(parts, m.v.Say("bays %s and %s", fit(m.e.Bays[0], b.bay), fit(m.e.Bays[1], b.bay)))
	default:
		parts = append(parts, m.v.Say("bay %s", m.bay(b.bay)))
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
		place += m.v.Say(" (bays %s)", strings.Join(m.e.Bays, ", "))
	}
	return place
}

func (m message) since() string { return m.moment(m.e.Since.Time) }

// moment is a time as it is said when the event is told.
func (m message) moment(t time.Time) string { return m.v.Moment(t, m.e.Time.Time) }

// numbers are the rate and the litres with their uncertainty, in the site's units; so is a phrase
// that says of the litres what they are, "" for none.
func (m message) numbers(b brief, so string) string {
	var parts []string
	if m.e.RateLPH != nil && b.rate {
		parts = append(parts, m.v.Rate(*m.e.RateLPH/3.6e6))
	}
	if m.e.Litres != nil && b.litres {
		text := m.v.Water(*m.e.Litres / 1000)
		if m.e.LitresU != nil {
			name, size := m.s.Display.WaterUnit()
			v, u, digits := *m.e.Litres/1000/size, *m.e.LitresU/1000/size, 0
			if u < 1 {
				digits = 1
			}
			text = m.v.Number(v, digits) + " ± " + m.v.Number(max(u, 0.1), digits) + " " + name
		}
		if so != "" {
			text = m.v.Say(so, text)
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}

// left is the time left to the overflow's crest and to what the surface comes to.
func (m message) left() string {
	if m.e.State == site.Cleared {
		return ""
	}
	var parts []string
	for _, x := range m.ahead() {
		if x.in < time.Minute {
			parts = append(parts, m.v.Say(x.nowLong))
		} else {
			parts = append(parts, m.v.Say(x.soonLong, m.span(x.in)))
		}
	}
	return words.Capital(strings.Join(parts, ", "))
}

// span writes a time that is left, of a minute at least.
func (m message) span(d time.Duration) string {
	if d < 2*time.Minute {
		return m.v.Say("%d min", 1)
	}
	return m.v.Span(d)
}

// coming is a fate and how long it is to come.
type coming struct {
	fate
	in time.Duration
}

// ahead is what is to come: the overflow, and what the surface comes to.
func (m message) ahead() (out []coming) {
	if s := m.e.ToCrestS; s != nil {
		out = append(out, coming{overflows, duration(*s)})
	}
	if s := m.e.ToSoftS; s != nil {
		out = append(out, coming{suffers[m.row.Suffers], duration(*s)})
	}
	return out
}

func duration(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// soon is left in as few words as will do, with so many times at most, and whether the court
// floods.
func (m message) soon(times int) string {
	ahead := m.ahead()
	if m.e.ToCrestS != nil && m.e.Kind == site.Overflowing { // that is what it says
		ahead = ahead[1:]
	}
	switch {
	case times == 0:
		ahead = nil
	case times < len(ahead) && ahead[0].in < time.Minute:
		ahead = ahead[1:] // what is still to come can be kept from coming
	case times < len(ahead):
		ahead = ahead[:1]
	}
	var parts []string
	for _, x := range ahead {
		if x.in < time.Minute {
			parts = append(parts, m.v.Say(x.now))
		} else {
			parts = append(parts, m.v.Say(x.soon, m.span(x.in)))
		}
	}
	if m.e.Carried {
		parts = append(parts, m.v.Say("no flood"))
	}
	return words.Capital(strings.Join(parts, ", "))
}

// shutOff is where the supply is shut by hand, for what that would stop, unless the first action
// says it.
func (m message) shutOff() string {
	if !m.row.Stops() || strings.Contains(m.e.FirstAction, m.s.ShutOff) {
		return ""
	}
	return m.s.ShutOff
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
