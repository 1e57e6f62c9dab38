package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"bayledger/agent/site"
)

//go:embed report.html
var pageText string

var sheets = template.Must(template.New("report").Parse(pageText))

// HTML writes the report as one page that needs nothing else and prints well.
func (r Report) HTML(w io.Writer) error {
	if err := sheets.Execute(w, sheet{r}); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// Body returns the report without a page around it, for a page that has its own style.
func (r Report) Body() (template.HTML, error) {
	var b strings.Builder
	if err := sheets.ExecuteTemplate(&b, "body", sheet{r}); err != nil {
		return "", fmt.Errorf("report: %w", err)
	}
	return template.HTML(b.String()), nil
}

// SpanText says which days the report is of.
func (r Report) SpanText() string { return sheet{r}.Span() }

// sheet is what the template calls.
type sheet struct{ Report }

func (s sheet) Name() string { return nameOf(s.Site.Name, s.Site.ID) }

func (s sheet) Span() string {
	last := s.To.Add(-time.Second).In(s.Site.Zone)
	from := s.From.In(s.Site.Zone)
	if from.Format(time.DateOnly) == last.Format(time.DateOnly) {
		return from.Format("Monday 2 January 2006")
	}
	return from.Format("2 January") + " to " + last.Format("2 January 2006")
}

func (s sheet) BayName(id string) string {
	if b := s.Site.Bay(id); b != nil {
		return nameOf(b.Name, b.ID)
	}
	return "the site"
}

func nameOf(name, id string) string {
	if name != "" {
		return name
	}
	return id
}

func (s sheet) Water(m3 float64) string        { return Water(s.Site.Display, m3) }
func (s sheet) PlusMinus(m3, u float64) string { return PlusMinus(s.Site.Display, m3, u) }

// Water writes a volume, m3, as this site's people read it, with a true minus sign and without a
// decimal on nothing.
func Water(d site.Display, m3 float64) string {
	return Nought(strings.Replace(d.Water(m3), "-", "\u2212", 1))
}

// PlusMinus writes a volume with its expanded uncertainty (k=2), both m3.
func PlusMinus(d site.Display, m3, u2 float64) string {
	text := Water(d, m3)
	if !site.Known(m3) || !site.Known(u2) {
		return text
	}
	number, unit, _ := strings.Cut(text, " ")
	u, _, _ := strings.Cut(Water(d, u2), " ")
	return number + "\u00a0\u00b1\u00a0" + u + "\u00a0" + unit
}

// Nought drops the decimal of a figure that is nothing: "0.0 L" is "0 L".
func Nought(text string) string {
	if rest, ok := strings.CutPrefix(text, "0.0 "); ok {
		return "0 " + rest
	}
	return text
}

func (s sheet) Depth(m float64) string { return s.Site.Display.Depth(m) }

func (s sheet) PerMM(x float64) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return fmt.Sprintf("%.2f", x)
}

func (s sheet) Clock(t time.Time) string {
	if t.IsZero() {
		return "still open"
	}
	return t.In(s.Site.Zone).Format("2 Jan 15:04")
}

func (s sheet) Title(k site.Kind) string {
	if i, ok := k.Info(); ok {
		return i.Title
	}
	return string(k)
}

func (s sheet) Answered(f Fault) string {
	if f.Answer < 0 {
		return "nobody"
	}
	text := "after " + s.Took(f.Answer)
	if f.AckedBy != "" {
		text = f.AckedBy + " " + text
	}
	return text
}

// Money writes a cost at the tariff, "" where there is none.
func (s sheet) Money(x float64) string {
	if !site.Known(x) {
		return ""
	}
	return fmt.Sprintf("%.2f %s", x, s.Site.Tariff.Currency)
}

// Took writes how long an answer took.
func (s sheet) Took(d time.Duration) string {
	if d >= 2*time.Hour {
		return fmt.Sprintf("%.1f h", d.Hours())
	}
	return fmt.Sprintf("%.0f min", d.Minutes())
}

func (s sheet) Hours(h float64) string { return fmt.Sprintf("%.1f h", h) }

// Percent writes a share with its sign.
func (s sheet) Percent(x float64) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return strings.Replace(fmt.Sprintf("%+.1f %%", 100*x), "-", "\u2212", 1)
}

func (s sheet) Day(t time.Time) string { return t.In(s.Site.Zone).Format("Mon 2 Jan") }

func (s sheet) Degrees(c float64) string {
	switch {
	case !site.Known(c):
		return "\u2013"
	case s.Site.Display.Inches:
		return fmt.Sprintf("%.0f \u00b0F", c*1.8+32)
	}
	return fmt.Sprintf("%.1f \u00b0C", c)
}

// Fine writes a few millimetres of rain, evaporation or a move of a set point.
func (s sheet) Fine(m float64) string {
	switch {
	case !site.Known(m):
		return "\u2013"
	case s.Site.Display.Inches:
		return fmt.Sprintf("%.2f in", m/0.0254)
	}
	return Nought(fmt.Sprintf("%.1f mm", m*1000))
}

// M3 writes a utility's cubic metres.
func (s sheet) M3(x float64) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return fmt.Sprintf("%.2f m\u00b3", x)
}

// ETOf is the reference evapotranspiration of a local day, the same for every bay.
func (s sheet) ETOf(day time.Time) float64 {
	for _, b := range s.Bays {
		for _, d := range b.Days {
			if s.Day(d.From) == s.Day(day) { // the first day of an account begins after midnight
				return d.ETM
			}
		}
	}
	return site.Unknown()
}

// RainAll is the rain of all days.
func (s sheet) RainAll() float64 {
	sum := site.Unknown()
	for _, d := range s.Weather {
		if site.Known(d.RainM) {
			if sum += d.RainM; !site.Known(sum) {
				sum = d.RainM
			}
		}
	}
	return sum
}

// BayPlot draws one bay's days.
func (s sheet) BayPlot(b Sum) template.HTML {
	return Bars(s.BayName(b.Bay)+": taken in against what the weather asked", s.Site.Display, s.Site.Zone, b.Days)
}

// Limit is InServiceLimit in per cent.
func (s sheet) Limit() string { return fmt.Sprintf("%.0f %%", 100*InServiceLimit) }

func (s sheet) Known(x float64) bool { return site.Known(x) }

// MainDiff is the main meter less the bays' meters.
func (s sheet) MainDiff() float64 { return s.MainM3 - s.MainBaysM3 }

func (s sheet) Plot() template.HTML {
	return Bars(s.Name()+": taken in against what the weather asked, by day", s.Site.Display, s.Site.Zone, s.allDays())
}

func (s sheet) MadeAt() string { return s.Made.In(s.Site.Zone).Format("2 January 2006 15:04 MST") }
