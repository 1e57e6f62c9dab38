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

// HTML writes the report as one page that needs nothing else and prints well.
func (r Report) HTML(w io.Writer) error {
	t, err := template.New("report").Parse(pageText)
	if err != nil {
		return fmt.Errorf("report: template: %w", err)
	}
	if err := t.Execute(w, sheet{r}); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

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

func (s sheet) Water(m3 float64) string {
	return strings.Replace(s.Site.Display.Water(m3), "-", "\u2212", 1)
}

func (s sheet) PlusMinus(m3, u float64) string {
	number, unit, _ := strings.Cut(s.Water(m3), " ")
	uncertain, _, _ := strings.Cut(s.Site.Display.Water(u), " ")
	return number + "\u00a0\u00b1\u00a0" + uncertain + "\u00a0" + unit
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
	text := fmt.Sprintf("after %.0f min", f.Answer.Minutes())
	if f.AckedBy != "" {
		text = f.AckedBy + " " + text
	}
	return text
}

func (s sheet) Cost(f Fault) string {
	if !site.Known(f.Cost) {
		return ""
	}
	return fmt.Sprintf("%.2f %s", f.Cost, s.Site.Tariff.Currency)
}

func (s sheet) Known(x float64) bool { return site.Known(x) }

// MainDiff is the main meter less the bays' meters.
func (s sheet) MainDiff() float64 { return s.MainM3 - s.MainBaysM3 }

func (s sheet) Plot() template.HTML {
	return Bars(s.Name()+": taken in against what the weather asked, by day", s.Site.Display, s.Site.Zone, s.allDays())
}

func (s sheet) MadeAt() string { return s.Made.In(s.Site.Zone).Format("2 January 2006 15:04 MST") }
