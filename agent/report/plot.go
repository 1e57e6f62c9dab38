package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// Plot is a drawing of values over time as SVG, without script or inline style: classes name
// what is drawn and the page's style sheet gives the colours. It is what is seen where no script
// runs, and what is printed. Everything stands in per cent of the width, so that letters keep
// their size on a phone and on a wall.
type Plot struct {
	// Title says what is drawn, for people who do not see it.
	Title    string
	From, To time.Time
	Voice    words.Voice
	// Unit stands at the axis; values are multiplied by Scale before they are written there.
	Unit  string
	Scale float64
	Lines []Line
	Marks []Mark
}

// Line is one curve; NaN breaks it. T and V have one length. Step draws a value until the next.
// Class is water, set or crest; one of class crest that lies far from the others is left out.
type Line struct {
	Name  string
	Class string
	T     []time.Time
	V     []float64
	Step  bool
}

// Mark is a moment on the time axis.
type Mark struct {
	T     time.Time
	Label string
}

// Level returns a line that stands at one value from one moment to another.
func Level(name, class string, v float64, from, to time.Time) Line {
	return Line{Name: name, Class: class, T: []time.Time{from, to}, V: []float64{v, v}}
}

// The height of a drawing in pixels: a strip for the words of marks, the curves, and a strip for
// the time.
const (
	plotTop, plotHigh, plotFoot = 18.0, 170.0, 22.0
	plotWide                    = 1000.0 // of the curves' own scale
)

// sheetOf begins a drawing: a grid line for each tick.
func sheetOf(b *strings.Builder, title string, ticks []float64, y func(float64) float64) {
	fmt.Fprintf(b, `<svg class="plot" width="100%%" height="%g" role="img" aria-label="%s">`, plotTop+plotHigh+plotFoot, template.HTMLEscapeString(title))
	for _, v := range ticks {
		fmt.Fprintf(b, `<line class="p-grid" x1="0" x2="100%%" y1="%.1f" y2="%.1f"/>`, y(v), y(v))
	}
}

// numbersOf writes the number of each tick over what was drawn, so that no curve runs through it.
func numbersOf(b *strings.Builder, w words.Voice, unit string, ticks []float64, y func(float64) float64) {
	for i, v := range ticks {
		text := short(w, v)
		if i == len(ticks)-1 {
			text += "\u00a0" + unit
		}
		fmt.Fprintf(b, `<text class="p-num" x="0" y="%.1f">%s</text>`, y(v)-3, template.HTMLEscapeString(text))
	}
}

// anchor is how a word at a place of the width, 0 to 1, stands to it, so that it is not cut off.
func anchor(at float64) string {
	switch {
	case at < 0.05:
		return "start"
	case at > 0.95:
		return "end"
	}
	return "middle"
}

// SVG draws the plot; an empty string when there is nothing to draw.
func (p Plot) SVG() template.HTML {
	lo, hi := p.bounds()
	if math.IsInf(lo, 0) || !p.To.After(p.From) {
		return ""
	}
	ticks := niceTicks(lo, hi, 4)
	lo, hi = min(lo, ticks[0]), max(hi, ticks[len(ticks)-1])
	p.Lines = slices.DeleteFunc(slices.Clone(p.Lines), func(l Line) bool { return len(l.V) == 0 || l.Class == "crest" && l.V[0]*p.scale() > hi })
	at := func(t time.Time) float64 { return float64(t.Sub(p.From)) / float64(p.To.Sub(p.From)) }
	x := func(t time.Time) float64 { return plotWide * at(t) }
	y := func(v float64) float64 { return plotHigh * (hi - v) / (hi - lo) }
	down := func(v float64) float64 { return plotTop + y(v) }
	var b strings.Builder
	sheetOf(&b, p.Title, ticks, down)
	for i, t := range timeTicks(p.From, p.To, p.Voice.Zone) {
		class := ""
		if i%2 == 1 {
			class = " p-odd" // left out where there is little room
		}
		fmt.Fprintf(&b, `<line class="p-grid%s" x1="%.2f%%" x2="%.2f%%" y1="%g" y2="%g"/><text class="p-num%s" x="%.2f%%" y="%g" text-anchor="%s">%s</text>`,
			class, 100*at(t), 100*at(t), plotTop, plotTop+plotHigh, class, 100*at(t), plotTop+plotHigh+15, anchor(at(t)), timeLabel(p.Voice, t, p.To.Sub(p.From)))
	}
	fmt.Fprintf(&b, `<svg x="0" y="%g" width="100%%" height="%g" viewBox="0 0 %g %g" preserveAspectRatio="none">`, plotTop, plotHigh, plotWide, plotHigh)
	for _, l := range p.Lines {
		if d := p.path(l, x, y); d != "" {
			fmt.Fprintf(&b, `<path class="p-line %s" d="%s"><title>%s</title></path>`, template.HTMLEscapeString(l.Class), d, template.HTMLEscapeString(l.Name))
		}
	}
	b.WriteString("</svg>")
	numbersOf(&b, p.Voice, p.Unit, ticks, down)
	worded := math.Inf(-1)
	for _, m := range p.Marks {
		f := at(m.T)
		if f < 0 || f > 1 {
			continue
		}
		fmt.Fprintf(&b, `<line class="p-mark" x1="%.2f%%" x2="%.2f%%" y1="%g" y2="%g"/>`, 100*f, 100*f, plotTop-4, plotTop+plotHigh)
		if f-worded < 0.3 {
			continue // the words of the one before stand there
		}
		side := "start"
		if f > 0.6 {
			side = "end"
		}
		worded = f
		fmt.Fprintf(&b, `<text class="p-label" x="%.2f%%" y="12" text-anchor="%s">%s</text>`, 100*f, side, template.HTMLEscapeString(m.Label))
	}
	b.WriteString("</svg>")
	b.WriteString(p.legend())
	return template.HTML(b.String())
}

// legend names the curves where there are several.
func (p Plot) legend() string {
	var b strings.Builder
	if len(p.Lines) < 2 {
		return ""
	}
	for _, l := range p.Lines {
		fmt.Fprintf(&b, `<li class="%s">%s</li>`, template.HTMLEscapeString(l.Class), template.HTMLEscapeString(l.Name))
	}
	return `<ul class="p-legend">` + b.String() + `</ul>`
}

func (p Plot) scale() float64 {
	if p.Scale == 0 {
		return 1
	}
	return p.Scale
}

func (p Plot) bounds() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, l := range p.Lines {
		if l.Class == "crest" {
			continue
		}
		for i, v := range l.V {
			if v *= p.scale(); math.IsNaN(v) || math.IsInf(v, 0) || l.T[i].Before(p.From) || l.T[i].After(p.To) {
				continue
			}
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	if lo == hi {
		lo, hi = lo-1, hi+1
	}
	for _, l := range p.Lines {
		if l.Class != "crest" || len(l.V) == 0 {
			continue
		}
		if c := l.V[0] * p.scale(); c-hi < 2*(hi-lo) {
			hi = max(hi, c)
		}
	}
	return lo, hi
}

func (p Plot) path(l Line, x func(time.Time) float64, y func(float64) float64) string {
	var b strings.Builder
	pen := false
	last := 0.0
	for i, v := range l.V {
		v *= p.scale()
		if math.IsNaN(v) || math.IsInf(v, 0) {
			pen = false
			continue
		}
		if l.T[i].Before(p.From) || l.T[i].After(p.To) {
			continue
		}
		switch {
		case !pen:
			fmt.Fprintf(&b, "M%.1f %.1f", x(l.T[i]), y(v))
		case l.Step && v != last:
			fmt.Fprintf(&b, "H%.1fV%.1f", x(l.T[i]), y(v))
		default:
			fmt.Fprintf(&b, "L%.1f %.1f", x(l.T[i]), y(v))
		}
		pen, last = true, v
	}
	return b.String()
}

// niceTicks returns at least two numbers of the form 1, 2 or 5 times a power of ten apart that
// enclose lo to hi, about n of them. lo must be below hi.
func niceTicks(lo, hi float64, n int) []float64 {
	raw := (hi - lo) / float64(n)
	mag := math.Pow10(int(math.Floor(math.Log10(raw))))
	step := 10 * mag
	for _, k := range []float64{1, 2, 5} {
		if k*mag >= raw {
			step = k * mag
			break
		}
	}
	var out []float64
	for i := math.Floor(lo / step); ; i++ {
		out = append(out, float64(i*step))
		if i*step >= hi {
			return out
		}
	}
}

// timeTicks returns round local moments, some six of them.
func timeTicks(from, to time.Time, zone *time.Location) []time.Time {
	var out []time.Time
	l := from.In(zone)
	d := to.Sub(from)
	if d > 3*24*time.Hour {
		days := max(1, int(math.Ceil(d.Hours()/24/8)))
		for t := time.Date(l.Year(), l.Month(), l.Day()+1, 0, 0, 0, 0, zone); !t.After(to); t = time.Date(t.Year(), t.Month(), t.Day()+days, 0, 0, 0, 0, zone) {
			out = append(out, t)
		}
		return out
	}
	hours := 1
	for _, h := range []int{1, 2, 3, 6, 12} {
		if hours = h; d.Hours()/float64(h) <= 8 {
			break
		}
	}
	for k := 0; ; k += hours { // by the wall clock, so that days of 23 and 25 hours keep round labels
		t := time.Date(l.Year(), l.Month(), l.Day(), k, 0, 0, 0, zone)
		if t.After(to) {
			return out
		}
		if !t.Before(from) {
			out = append(out, t)
		}
	}
}

func timeLabel(w words.Voice, t time.Time, d time.Duration) string {
	if d > 3*24*time.Hour {
		return w.Time(t, "2 Jan")
	}
	return w.Time(t, "15:04")
}

// short writes a tick without needless digits.
func short(w words.Voice, v float64) string {
	return w.Figure(strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), "."))
}

// pair is two figures of one span, drawn side by side: what came in and what was expected, each with
// its expanded uncertainty, 0 where it is not drawn.
type pair struct {
	in, inU, out, outU float64
	label              string
}

// numbersWide is the share of the width, per cent, left to the numbers of a drawing's axis on a
// phone.
const numbersWide = 9.0

// drawPairs draws pairs of volumes, m3; an empty string when there is nothing to draw.
func drawPairs(w words.Voice, titleText string, pairs []pair, in, out string) template.HTML {
	unit, size := w.Display.WaterUnit()
	low, most := 0.0, 0.0
	for _, p := range pairs {
		for _, v := range [][2]float64{{p.in, p.inU}, {p.out, p.outU}} {
			if site.Known(v[0]) {
				low, most = min(low, (v[0]-v[1])/size), max(most, (v[0]+v[1])/size)
			}
		}
	}
	if most <= 0 {
		return ""
	}
	ticks := niceTicks(low, most, 4)
	lo, hi := ticks[0], ticks[len(ticks)-1]
	y := func(v float64) float64 { return plotTop + plotHigh*(hi-v)/(hi-lo) }
	var b strings.Builder
	sheetOf(&b, titleText, ticks, y)
	slot := (100 - numbersWide) / float64(len(pairs))
	wide := min(slot*0.38, 4)
	every := (len(pairs) + 7) / 8
	for i, p := range pairs {
		x := numbersWide + slot*(float64(i)+0.5)
		for k, v := range [][2]float64{{p.in, p.inU}, {p.out, p.outU}} {
			left, v, u := x-wide+float64(k)*wide, v[0]/size, v[1]/size
			if !site.Known(v) {
				continue
			}
			if v != 0 {
				fmt.Fprintf(&b, `<rect class="%s" x="%.2f%%" y="%.1f" width="%.2f%%" height="%.1f"/>`, [...]string{"p-in", "p-out"}[k], left, y(max(v, 0)), wide*0.94, math.Abs(y(0)-y(v)))
			}
			if u > 0 {
				fmt.Fprintf(&b, `<line class="p-unsure" x1="%.2f%%" x2="%.2f%%" y1="%.1f" y2="%.1f"/>`, left+wide*0.47, left+wide*0.47, y(v-u), y(v+u))
			}
		}
		if i%every == 0 {
			class := ""
			if i/every%2 == 1 {
				class = " p-odd"
			}
			fmt.Fprintf(&b, `<text class="p-num%s" x="%.2f%%" y="%g" text-anchor="%s">%s</text>`, class, x, plotTop+plotHigh+15, anchor(x/100), template.HTMLEscapeString(p.label))
		}
	}
	numbersOf(&b, w, unit, ticks, y)
	fmt.Fprintf(&b, `</svg><ul class="p-legend"><li class="in">%s</li><li class="out">%s</li></ul>`, template.HTMLEscapeString(in), template.HTMLEscapeString(out))
	return template.HTML(b.String())
}

// Bars draws what a bay took in beside what the weather asked, day by day; an empty string for
// a single day or none.
func Bars(w words.Voice, titleText string, days []water.Account) template.HTML {
	if len(days) < 2 {
		return "" // the table says it in less room
	}
	if len(days) > manyDays {
		days = byWeek(days, w.Zone)
	}
	var pairs []pair
	for _, a := range days {
		pairs = append(pairs, pair{in: taken(a), out: a.EvaporatedM3, label: w.Time(a.From, "2 Jan")})
	}
	return drawPairs(w, titleText, pairs, w.Say("taken in by meter, hand and rain"), w.Say("what the weather asked"))
}

// Expected is what a span asked of its fills: what evaporated and ran over, and what the bay holds
// more at its end, less the rain; u is expanded (k=2). What was filled less this is what stays
// unexplained.
func Expected(a water.Account) (m3, u float64) {
	return a.EvaporatedM3 + a.OverflowM3 + a.HeldM3 - a.RainM3, math.Sqrt(a.EvaporatedU*a.EvaporatedU + a.HeldU*a.HeldU + a.RainU*a.RainU)
}

// Filled is what a span was given by the meter and by hand; u is expanded (k=2).
func Filled(a water.Account) (m3, u float64) {
	return a.MeteredM3 + a.ByHandM3, math.Hypot(a.MeteredU, a.ByHandU)
}

// Spans draws what was filled beside what was expected, each with its uncertainty, span by span.
func Spans(w words.Voice, titleText string, spans []water.Account) template.HTML {
	var pairs []pair
	for _, a := range spans {
		p := pair{label: w.Time(a.From, "Mon 15:04")}
		p.in, p.inU = Filled(a)
		p.out, p.outU = Expected(a)
		pairs = append(pairs, p)
	}
	return drawPairs(w, titleText, pairs, w.Say("filled by meter and hand"), w.Say("expected"))
}

// manyDays are more than a drawing has room for; they are put together by the week.
const manyDays = 45

// byWeek adds days up by the week from Monday.
func byWeek(days []water.Account, zone *time.Location) []water.Account {
	var out []water.Account
	monday := time.Time{}
	for _, d := range days {
		l := d.From.In(zone)
		m := time.Date(l.Year(), l.Month(), l.Day()-(int(l.Weekday())+6)%7, 0, 0, 0, 0, zone)
		if !m.Equal(monday) {
			monday = m
			out = append(out, water.Account{From: m, MeteredM3: site.Unknown(), ByHandM3: site.Unknown(), RainM3: site.Unknown(), EvaporatedM3: site.Unknown()})
		}
		addDay(&out[len(out)-1], d)
	}
	return out
}

// addDay adds what is drawn of a day to a sum whose terms are unknown until one is not.
func addDay(to *water.Account, d water.Account) {
	for _, p := range []struct {
		to *float64
		v  float64
	}{{&to.MeteredM3, d.MeteredM3}, {&to.ByHandM3, d.ByHandM3}, {&to.RainM3, d.RainM3}, {&to.EvaporatedM3, d.EvaporatedM3}} {
		switch {
		case !site.Known(p.v):
		case !site.Known(*p.to):
			*p.to = p.v
		default:
			*p.to += p.v
		}
	}
	to.To = d.To
}

// taken is all that came in: by the meter, by hand and as rain. What is not known counts as
// nothing when something is.
func taken(a water.Account) float64 {
	sum, n := 0.0, 0
	for _, v := range []float64{a.MeteredM3, a.ByHandM3, a.RainM3} {
		if site.Known(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return site.Unknown()
	}
	return sum
}
