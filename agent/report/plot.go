package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// Plot is a drawing of values over time as SVG, without script or inline style: classes name
// what is drawn and the page's style sheet gives the colours. It is what is seen where no script
// runs, and what is printed.
type Plot struct {
	// Title says what is drawn, for people who do not see it.
	Title    string
	From, To time.Time
	Zone     *time.Location
	// Unit stands at the axis; values are multiplied by Scale before they are written there.
	Unit  string
	Scale float64
	Lines []Line
	Marks []Mark
}

// Line is one curve; NaN breaks it. T and V have one length. Step draws a value until the next.
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

const (
	plotW, plotH                = 720.0, 210.0
	plotLeft, plotTop, plotFoot = 46.0, 10.0, 24.0
)

// SVG draws the plot; an empty string when there is nothing to draw.
func (p Plot) SVG() template.HTML {
	lo, hi := p.bounds()
	if math.IsInf(lo, 0) || !p.To.After(p.From) {
		return ""
	}
	ticks := niceTicks(lo, hi, 4)
	lo, hi = min(lo, ticks[0]), max(hi, ticks[len(ticks)-1])
	x := func(t time.Time) float64 {
		return plotLeft + (plotW-plotLeft-4)*float64(t.Sub(p.From))/float64(p.To.Sub(p.From))
	}
	y := func(v float64) float64 { return plotTop + (plotH-plotTop-plotFoot)*(hi-v)/(hi-lo) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s">`, plotW, plotH, template.HTMLEscapeString(p.Title))
	for _, v := range ticks {
		fmt.Fprintf(&b, `<line class="p-grid" x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/><text class="p-num" x="%.1f" y="%.1f" text-anchor="end">%s</text>`,
			plotLeft, plotW-4, y(v), y(v), plotLeft-5, y(v)+4, short(v))
	}
	fmt.Fprintf(&b, `<text class="p-num" x="2" y="%.1f">%s</text>`, plotH-6, template.HTMLEscapeString(p.Unit))
	for _, t := range timeTicks(p.From, p.To, p.Zone) {
		fmt.Fprintf(&b, `<line class="p-grid" x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/><text class="p-num" x="%.1f" y="%.1f" text-anchor="middle">%s</text>`,
			x(t), x(t), plotTop, plotH-plotFoot, x(t), plotH-6, timeLabel(t, p.To.Sub(p.From), p.Zone))
	}
	for _, m := range p.Marks {
		if m.T.Before(p.From) || m.T.After(p.To) {
			continue
		}
		fmt.Fprintf(&b, `<line class="p-mark" x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/><text class="p-label" x="%.1f" y="%.1f">%s</text>`,
			x(m.T), x(m.T), plotTop, plotH-plotFoot, min(x(m.T)+4, plotW-120), plotTop+12, template.HTMLEscapeString(m.Label))
	}
	for _, l := range p.Lines {
		if d := p.path(l, x, y); d != "" {
			fmt.Fprintf(&b, `<path class="p-line %s" d="%s"><title>%s</title></path>`, template.HTMLEscapeString(l.Class), d, template.HTMLEscapeString(l.Name))
		}
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
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

func timeLabel(t time.Time, d time.Duration, zone *time.Location) string {
	if d > 3*24*time.Hour {
		return t.In(zone).Format("2 Jan")
	}
	return t.In(zone).Format("15:04")
}

// short writes a tick without needless digits.
func short(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
}

// Bars draws what a bay took in beside what the weather asked, day by day; an empty string when
// there are no days.
func Bars(titleText string, d site.Display, zone *time.Location, days []water.Account) template.HTML {
	unit, size := d.WaterUnit()
	most := 0.0
	for _, a := range days {
		for _, v := range []float64{taken(a), a.EvaporatedM3} {
			if site.Known(v) {
				most = max(most, v/size)
			}
		}
	}
	if most <= 0 {
		return ""
	}
	ticks := niceTicks(0, most, 4)
	hi := ticks[len(ticks)-1]
	y := func(v float64) float64 { return plotTop + (plotH-plotTop-plotFoot)*(hi-v)/hi }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="plot" viewBox="0 0 %g %g" role="img" aria-label="%s">`, plotW, plotH, template.HTMLEscapeString(titleText))
	for _, v := range ticks {
		fmt.Fprintf(&b, `<line class="p-grid" x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f"/><text class="p-num" x="%.1f" y="%.1f" text-anchor="end">%s</text>`,
			plotLeft, plotW-4, y(v), y(v), plotLeft-5, y(v)+4, short(v))
	}
	fmt.Fprintf(&b, `<text class="p-num" x="2" y="%.1f">%s</text>`, plotH-6, unit)
	slot := (plotW - plotLeft - 4) / float64(len(days))
	wide := min(slot*0.38, 26)
	every := (len(days) + 7) / 8
	for i, a := range days {
		x := plotLeft + slot*(float64(i)+0.5)
		for k, v := range []float64{taken(a), a.EvaporatedM3} {
			if v /= size; site.Known(v) && v > 0 {
				fmt.Fprintf(&b, `<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, [...]string{"p-in", "p-out"}[k], x-wide+float64(k)*wide, y(v), wide-1, y(0)-y(v))
			}
		}
		if i%every == 0 {
			fmt.Fprintf(&b, `<text class="p-num" x="%.1f" y="%.1f" text-anchor="middle">%s</text>`, x, plotH-6, a.From.In(zone).Format("2 Jan"))
		}
	}
	b.WriteString("</svg>")
	return template.HTML(b.String())
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
