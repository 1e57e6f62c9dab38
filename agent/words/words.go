// Package words is how a site's people are spoken to: the catalogue of what they are told, in every
// language, and the language's form of figures and dates.
//
// A phrase is named by its English words, which are the English catalogue; german.go has the
// others. Say looks a phrase up and fills it in, so the code that says something reads as what it
// says. A test finds every phrase in the code and the templates and holds each language against
// them: none missing, none left over, the same figures in each.
//
// What hurts: a phrase that is put together from parts cannot be turned round in another language.
// Give Say the whole sentence with what varies in it.
package words

import (
	"fmt"
	"io"
	"maps"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"bayledger/agent/site"
)

// Language is one that people are spoken to in, by its code of ISO 639-1.
type Language string

// The languages there are.
const (
	English Language = "en"
	German  Language = "de"
)

// Languages are all of them.
var Languages = []Language{English, German}

// catalogues has the phrases of every language but English.
var catalogues = map[Language]map[string]string{German: together(germanParts)}

func together(parts []map[string]string) map[string]string {
	all := map[string]string{}
	for _, part := range parts {
		maps.Copy(all, part)
	}
	return all
}

// Voice speaks to the people of one site: in their language and units, by their clock.
type Voice struct {
	Language Language
	Display  site.Display
	Zone     *time.Location
}

// Of is the voice of a site; of none, English in UTC.
func Of(s *site.Site) Voice {
	if s == nil {
		return Voice{Language: English, Zone: time.UTC}
	}
	v := Voice{Language: Language(s.Language), Display: s.Display, Zone: s.Zone}
	if _, ok := catalogues[v.Language]; !ok {
		v.Language = English
	}
	return v
}

// Key marks a phrase that is said elsewhere, so that the test of the catalogue finds it.
func Key(phrase string) string { return phrase }

// Say says a phrase with its verbs (fmt) filled in, as site.Phrase has it. One that is not in the
// catalogue, such as a name, is said as it is.
func (v Voice) Say(phrase string, args ...any) string {
	if said, ok := catalogues[v.Language][phrase]; ok {
		phrase = said
	}
	if len(args) == 0 {
		return phrase
	}
	filled := make([]any, len(args))
	for i, a := range args {
		filled[i] = v.fill(a)
	}
	return fmt.Sprintf(phrase, filled...)
}

// Speak puts what the core has to say into words.
func (v Voice) Speak(p site.Phrase) string { return v.Say(p.Words, p.With...) }

// fill is what stands in a phrase for one of its values.
func (v Voice) fill(a any) any {
	switch a := a.(type) {
	case site.Phrase:
		return v.Speak(a)
	case site.List:
		parts := make([]string, len(a))
		for i, p := range a {
			parts[i] = v.Speak(p)
		}
		return strings.Join(parts, ", ")
	case site.Depth:
		return v.measure(float64(a), v.Display.Depth)
	case site.Close:
		return v.measure(float64(a), v.Display.Close)
	case site.Water:
		return v.measure(float64(a), v.Display.Water)
	case site.Rate:
		return v.measure(float64(a), v.Display.Rate)
	case site.RateU:
		return v.measure(a.U, func(u float64) string { return v.Display.RateNear(u, a.Of) })
	case site.Press:
		return v.measure(float64(a), v.Display.Press)
	case site.Celsius:
		return v.temperature(float64(a), 32)
	case site.Kelvin:
		return v.temperature(float64(a), 0)
	case site.Lasted:
		return v.lasted(time.Duration(a))
	case site.Clock:
		return v.Time(time.Time(a), "15:04")
	case site.Day:
		return v.Time(time.Time(a), "Mon 15:04")
	case site.Moment:
		return v.Moment(a.At, a.Now)
	case time.Duration:
		return v.lasted(a)
	case site.Kind:
		if v.Language != English { // whose readers of a kind know its id
			return v.Title(a)
		}
	case site.Why:
		return v.Say(string(a))
	case float64:
		return number{v, a}
	}
	return a
}

// measure writes a quantity by a form of site.Display.
func (v Voice) measure(x float64, form func(float64) string) measured {
	text := form(x)
	if v.Language != English {
		text = v.said(x, text)
	}
	return measured{text, x > 0 && strings.ContainsAny(text, "123456789")}
}

// temperature writes one in degC, or with an offset of 0 a difference of two. English has it in letters, for
// messages that have no others.
func (v Voice) temperature(x, offset float64) string {
	unit, text := "C", fmt.Sprintf("%.1f", x)
	if v.Display.Inches {
		unit, text = "F", fmt.Sprintf("%.0f", x*1.8+offset)
	}
	if v.Language == English {
		return text + " degrees " + unit
	}
	return v.Figure(text) + " \u00b0" + unit
}

// measured is a quantity as it is written.
type measured struct {
	text  string
	above bool // 0, as it is written
}

// Format implements fmt.Formatter: a + puts the sign before what is above 0.
func (m measured) Format(f fmt.State, _ rune) {
	if f.Flag('+') && m.above {
		io.WriteString(f, "+")
	}
	io.WriteString(f, m.text)
}

// number is a number that any of fmt's verbs writes in the language's form.
type number struct {
	v Voice
	x float64
}

// Format implements fmt.Formatter.
func (n number) Format(f fmt.State, verb rune) {
	text := fmt.Sprintf(fmt.FormatString(f, verb), n.x)
	if n.v.Language != English {
		text = n.v.Figure(text)
	}
	io.WriteString(f, text)
}

// Moment writes t by the site's clock, with the date when it is not the day of now.
func (v Voice) Moment(t, now time.Time) string {
	l, n := t.In(v.Zone), now.In(v.Zone)
	if l.YearDay() == n.YearDay() && l.Year() == n.Year() {
		return v.Time(t, "15:04")
	}
	return v.Time(t, "Mon 2 Jan 15:04")
}

// lasted writes a time as a person says it, to the minute and beyond two hours to a tenth.
func (v Voice) lasted(d time.Duration) string {
	switch minutes := int64((d + time.Minute/2) / time.Minute); {
	case minutes < 1:
		return v.Say("%d s", int64(d/time.Second))
	case minutes < 120:
		return v.Say("%d min", minutes)
	case minutes < 48*60:
		return v.Say("%.1f h", d.Hours())
	}
	return v.Say("%.1f days", d.Hours()/24)
}

// Capital begins a text as a sentence begins.
func Capital(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + text[n:]
}

// Sentence makes what was said in a few words a sentence.
func Sentence(text string) string {
	text = Capital(strings.TrimSpace(text))
	if text != "" && !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

// Lower is a title within a sentence; German keeps its nouns.
func (v Voice) Lower(s string) string {
	if v.Language == German {
		return s
	}
	return strings.ToLower(s)
}

// Kind is the row of a kind in the site's language. ok is false for a kind that is not in the table.
func (v Voice) Kind(k site.Kind) (info site.KindInfo, ok bool) {
	info, ok = k.Info()
	if !ok {
		info.Title = string(k)
	}
	return v.Row(info), ok
}

// Row is a row of the table of kinds in the site's language, what people are told of it. What it
// suffers stays as it is: it is told by phrases of its own.
func (v Voice) Row(info site.KindInfo) site.KindInfo {
	for _, text := range []*string{&info.Title, &info.Says, &info.Ends, &info.Consequence, &info.FirstAction, &info.DoNot, &info.DoNotShort} {
		*text = v.Say(*text)
	}
	return info
}

// Fill fills a first action, or what not to do, with the bay's name and where the supply is shut
// off.
func (v Voice) Fill(text string, s *site.Site, bay string) string {
	name := bay
	if b := s.Bay(bay); b != nil && b.Name != "" {
		name = b.Name
	}
	shut := s.ShutOff
	if shut == "" {
		shut = v.Say("its valve")
	}
	return strings.NewReplacer("{bay}", name, "{shut-off}", shut).Replace(text)
}

// Title names a kind of trouble.
func (v Voice) Title(k site.Kind) string {
	info, _ := v.Kind(k)
	return info.Title
}

// List joins names as people do.
func (v Voice) List(names []string) string {
	switch n := len(names); n {
	case 0:
		return ""
	case 1:
		return names[0]
	default:
		return v.Say("%s and %s", strings.Join(names[:n-1], ", "), names[n-1])
	}
}

// Figure puts a figure written with a point into the language's form, with a true minus sign.
func (v Voice) Figure(text string) string {
	if v.Language == German {
		text = strings.Replace(text, ".", ",", 1)
	}
	return strings.Replace(text, "-", "\u2212", 1)
}

// Number writes a number with so many decimals; an unknown one is a dash.
func (v Voice) Number(x float64, decimals int) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return v.Figure(fmt.Sprintf("%.*f", decimals, x))
}

// said is a figure of site.Display, which says in English that it is not known.
func (v Voice) said(x float64, text string) string {
	if !site.Known(x) {
		return v.Say("unknown")
	}
	return v.Figure(nought(text))
}

// nought drops the decimal of a figure that is nothing: "0.0 L" is "0 L".
func nought(text string) string {
	if rest, ok := strings.CutPrefix(text, "0.0 "); ok {
		return "0 " + rest
	}
	return text
}

// Depth writes a level, m; Water a volume, m3; Rate a flow, m3/s; Press a pressure, Pa.
func (v Voice) Depth(m float64) string  { return v.said(m, v.Display.Depth(m)) }
func (v Voice) Water(m3 float64) string { return v.said(m3, v.Display.Water(m3)) }
func (v Voice) Rate(m3s float64) string { return v.said(m3s, v.Display.Rate(m3s)) }
func (v Voice) Press(pa float64) string { return v.said(pa, v.Display.Press(pa)) }

// PlusMinus writes a volume with its expanded uncertainty (k=2), both m3.
func (v Voice) PlusMinus(m3, u2 float64) string {
	if !site.Known(m3) || !site.Known(u2) {
		return v.Water(m3)
	}
	return beside(v.Water(m3), v.Water(u2))
}

// DepthPlusMinus is PlusMinus for a level, m.
func (v Voice) DepthPlusMinus(m, u2 float64) string {
	if !site.Known(m) || !site.Known(u2) {
		return v.Depth(m)
	}
	return beside(v.Depth(m), v.Depth(u2))
}

// beside writes a figure and its uncertainty with one unit.
func beside(text, u string) string {
	number, unit, _ := strings.Cut(text, " ")
	u, _, _ = strings.Cut(u, " ")
	return number + "\u00a0\u00b1\u00a0" + u + "\u00a0" + unit
}

const inchM = 0.0254

// Fine writes a few millimetres of rain, of evaporation or of a set point's move: half millimetres
// and hundredths of an inch are as fine as a controller can be set.
func (v Voice) Fine(m float64) string {
	switch {
	case !site.Known(m):
		return "\u2013"
	case v.Display.Inches:
		return v.Number(m/inchM, 2) + " in"
	}
	return v.Figure(nought(fmt.Sprintf("%.1f mm", m*1000)))
}

// Degrees writes a temperature given in degrees Celsius.
func (v Voice) Degrees(c float64) string {
	switch {
	case !site.Known(c):
		return "\u2013"
	case v.Display.Inches:
		return v.Number(c*1.8+32, 0) + " \u00b0F"
	}
	return v.Number(c, 1) + " \u00b0C"
}

// Span writes a duration in the largest unit that says enough.
func (v Voice) Span(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return v.Say("%.0f s", math.Floor(d.Seconds()))
	case d < 2*time.Hour:
		return v.Say("%.0f min", math.Floor(d.Minutes()))
	case d < 48*time.Hour:
		return v.Say("%.0f h", math.Floor(d.Hours()))
	}
	return v.Say("%.0f days", math.Floor(d.Hours()/24))
}

// Count writes a number with its noun: one and many are phrases with a %d.
func (v Voice) Count(n int, one, many string) string {
	if n == 1 {
		return v.Say(one, n)
	}
	return v.Say(many, n)
}

// Time writes a moment by the site's clock. layout is one of Go's that forms has.
func (v Voice) Time(t time.Time, layout string) string {
	if v.Language == German {
		return germanNames.Replace(t.In(v.Zone).Format(germanForms[layout]))
	}
	return t.In(v.Zone).Format(layout)
}
