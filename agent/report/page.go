package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

//go:embed report.html
var pageText string

// sheets is the page in each language.
var sheets = func() map[words.Language]*template.Template {
	all := map[words.Language]*template.Template{}
	for _, l := range words.Languages {
		all[l] = template.Must(template.New("report").Funcs(template.FuncMap{"t": words.Voice{Language: l}.Say}).Parse(pageText))
	}
	return all
}()

// HTML writes the report as one page that needs nothing else and prints well.
func (r Report) HTML(w io.Writer) error {
	s := r.sheet()
	if err := sheets[s.Language].Execute(w, s); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// Body returns the report without a page around it, for a page that has its own style.
func (r Report) Body() (template.HTML, error) {
	var b strings.Builder
	s := r.sheet()
	if err := sheets[s.Language].ExecuteTemplate(&b, "body", s); err != nil {
		return "", fmt.Errorf("report: %w", err)
	}
	return template.HTML(b.String()), nil
}

// SpanText says which days the report is of.
func (r Report) SpanText() string { return r.sheet().Days() }

// sheet is what the template calls.
type sheet struct {
	Report
	words.Voice
}

func (r Report) sheet() sheet { return sheet{r, words.Of(r.Site)} }

func (s sheet) Name() string { return nameOf(s.Site.Name, s.Site.ID) }

// Days names the days of the report.
func (s sheet) Days() string {
	last := s.To.Add(-time.Second)
	if s.From.In(s.Zone).Format(time.DateOnly) == last.In(s.Zone).Format(time.DateOnly) {
		return s.Time(s.From, "Monday 2 January 2006")
	}
	return s.Say("%s to %s", s.Time(s.From, "2 January"), s.Time(last, "2 January 2006"))
}

func (s sheet) BayName(id string) string {
	if b := s.Site.Bay(id); b != nil {
		return nameOf(b.Name, b.ID)
	}
	return s.Say("the site")
}

func nameOf(name, id string) string {
	if name != "" {
		return name
	}
	return id
}

func (s sheet) PerMM(x float64) string { return s.Number(x, 2) }

func (s sheet) Clock(t time.Time) string {
	if t.IsZero() {
		return s.Say("still open")
	}
	return s.Time(t, "2 Jan 15:04")
}

func (s sheet) Answered(f Fault) string {
	switch {
	case f.Answer < 0:
		return s.Say("nobody")
	case f.AckedBy != "":
		return s.Say("%s after %s", f.AckedBy, s.Took(f.Answer))
	}
	return s.Say("after %s", s.Took(f.Answer))
}

// Money writes a cost at the tariff, "" where there is none.
func (s sheet) Money(x float64) string {
	if !site.Known(x) {
		return ""
	}
	return s.Number(x, 2) + " " + s.Site.Tariff.Currency
}

// Took writes how long an answer took.
func (s sheet) Took(d time.Duration) string {
	if d >= 2*time.Hour {
		return s.Hours(d.Hours())
	}
	return s.Number(d.Minutes(), 0) + " min"
}

func (s sheet) Hours(h float64) string { return s.Number(h, 1) + " h" }

// Percent writes a share with its sign.
func (s sheet) Percent(x float64) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return s.Figure(fmt.Sprintf("%+.1f %%", 100*x))
}

func (s sheet) Day(t time.Time) string { return s.Time(t, "Mon 2 Jan") }

// M3 writes a utility's cubic metres.
func (s sheet) M3(x float64) string {
	if !site.Known(x) {
		return "\u2013"
	}
	return s.Number(x, 2) + " m\u00b3"
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

// OpenBays names the bays whose account could not close for some hours.
func (s sheet) OpenBays() string {
	var out []string
	for _, b := range s.Bays {
		if b.OpenHours > 0 {
			out = append(out, s.BayName(b.Bay)+" "+s.Hours(b.OpenHours))
		}
	}
	return s.List(out)
}

// BayPlot draws one bay's days.
func (s sheet) BayPlot(b Sum) template.HTML {
	return Bars(s.Voice, s.Say("%s: taken in against what the weather asked, by day", s.BayName(b.Bay)), b.Days)
}

// Limit is InServiceLimit in per cent.
func (s sheet) Limit() string { return fmt.Sprintf("%.0f %%", 100*InServiceLimit) }

func (s sheet) Known(x float64) bool { return site.Known(x) }

// MainDiff is the main meter less the bays' meters.
func (s sheet) MainDiff() float64 { return s.MainM3 - s.MainBaysM3 }

func (s sheet) Plot() template.HTML {
	return Bars(s.Voice, s.Say("%s: taken in against what the weather asked, by day", s.Name()), s.allDays())
}

func (s sheet) MadeAt() string { return s.Time(s.Made, "2 January 2006 15:04 MST") }
