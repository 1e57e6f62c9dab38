package page

import (
	"time"

	"bayledger/agent/words"
)

// voice speaks to this site's people. One is made for each request, so that every age on a page is
// taken at the same moment.
type voice struct {
	words.Voice
	now time.Time
}

// clock writes a moment as people say it: the time of day, with the day when it is not today
// and the date when it is not this week.
func (w voice) clock(t time.Time) string {
	if t.IsZero() {
		return w.Say("never")
	}
	l, n := t.In(w.Zone), w.now.In(w.Zone)
	switch {
	case sameDay(l, n):
		return w.Time(t, "15:04")
	case w.now.Sub(t).Abs() < 6*24*time.Hour:
		return w.Time(t, "Mon 15:04")
	case l.Year() == n.Year():
		return w.Time(t, "2 Jan 15:04")
	}
	return w.Time(t, "2 Jan 2006 15:04")
}

// fromTo writes a span, its end without the day where that is the same.
func (w voice) fromTo(from, to time.Time) string {
	end := w.clock(to)
	if sameDay(from.In(w.Zone), to.In(w.Zone)) {
		end = w.Time(to, "15:04")
	}
	return w.Say("%s to %s", w.clock(from), end)
}

// day names a local day.
func (w voice) day(t time.Time) string {
	l, n := t.In(w.Zone), w.now.In(w.Zone)
	switch {
	case sameDay(l, n):
		return w.Say("today")
	case sameDay(l.AddDate(0, 0, 1), n):
		return w.Say("yesterday")
	case l.Year() == n.Year():
		return w.Time(t, "Mon 2 Jan")
	}
	return w.Time(t, "Mon 2 Jan 2006")
}

func sameDay(a, b time.Time) bool {
	return a.Year() == b.Year() && a.YearDay() == b.YearDay()
}

// ago writes how long before now a moment was, in the largest unit that says enough.
func (w voice) ago(t time.Time) string {
	if t.IsZero() {
		return w.Say("never")
	}
	return w.Say("%s ago", w.Span(max(0, w.now.Sub(t))))
}

// Words that records, readings and other parts carry in English; the page says them in the site's
// language.
var (
	_ = []string{words.Key("dry"), words.Key("right"), words.Key("soft"), words.Key("open"), words.Key("shut")}
	_ = []string{words.Key("good"), words.Key("uncertain"), words.Key("bad")} // qualities, and why
	_ = []string{words.Key("no-reply"), words.Key("unit-silent"), words.Key("link-down"), words.Key("refused"), words.Key("bad-frame"), words.Key("undecodable"),
		words.Key("marked-invalid"), words.Key("impossible"), words.Key("loop-fault"), words.Key("loop-unsure"), words.Key("stale"), words.Key("clock-unsure"),
		words.Key("other-master"), words.Key("no-reading"), words.Key("not-a-number"), words.Key("no-barometer"), words.Key("listening"), words.Key("calibration-lost")}
	_ = []string{words.Key("Historian"), words.Key("MQTT broker")}
	// What would let a bay find what it cannot.
	_ = []string{words.Key("a flow meter"), words.Key("the controller's valve command"), words.Key("the controller's valve command or a set point"),
		words.Key("a neighbour named in the site file"), words.Key("the overflow's crest in the site file"), words.Key("a set point")}
)
