package page

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bayledger/agent/report"
	"bayledger/agent/site"
)

// words puts figures and times the way this site's people read them. One is made for each
// request, so that every age on a page is taken at the same moment.
type words struct {
	d    site.Display
	zone *time.Location
	now  time.Time
}

// signed writes a difference of levels with its sign, or that there is none worth a figure.
func (w words) signed(m float64) string {
	text := w.d.Depth(m)
	if site.Known(m) && m > 0 && text != w.d.Depth(0) {
		return "+" + text
	}
	return strings.Replace(text, "-", "\u2212", 1)
}

// clock writes a moment as people say it: the time of day, with the day when it is not today
// and the date when it is not this week.
func (w words) clock(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	l, n := t.In(w.zone), w.now.In(w.zone)
	switch {
	case sameDay(l, n):
		return l.Format("15:04")
	case w.now.Sub(t).Abs() < 6*24*time.Hour:
		return l.Format("Mon 15:04")
	case l.Year() == n.Year():
		return l.Format("2 Jan 15:04")
	}
	return l.Format("2 Jan 2006 15:04")
}

// day names a local day.
func (w words) day(t time.Time) string {
	l, n := t.In(w.zone), w.now.In(w.zone)
	switch {
	case sameDay(l, n):
		return "today"
	case sameDay(l.AddDate(0, 0, 1), n):
		return "yesterday"
	case l.Year() == n.Year():
		return l.Format("Mon 2 Jan")
	}
	return l.Format("Mon 2 Jan 2006")
}

func sameDay(a, b time.Time) bool {
	return a.Year() == b.Year() && a.YearDay() == b.YearDay()
}

// ago writes how long before now a moment was, in the largest unit that says enough.
func (w words) ago(t time.Time) string {
	if t.IsZero() {
		return "never"
	}
	d := w.now.Sub(t)
	if d < 0 {
		d = 0
	}
	return span(d) + " ago"
}

// span writes a duration in one unit, two for hours below a day.
func span(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", math.Floor(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", math.Floor(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", math.Floor(d.Hours()))
	}
	return fmt.Sprintf("%.0f days", math.Floor(d.Hours()/24))
}

// water writes a volume, plusMinus one with its expanded uncertainty (k=2), rate a flow.
func (w words) water(m3 float64) string         { return report.Water(w.d, m3) }
func (w words) plusMinus(m3, u2 float64) string { return report.PlusMinus(w.d, m3, u2) }
func (w words) rate(m3s float64) string         { return report.Nought(w.d.Rate(m3s)) }

// list joins names as people do.
func list(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// lower is a title within a sentence.
func lower(s string) string { return strings.ToLower(s) }

// count writes a number with its noun.
func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
