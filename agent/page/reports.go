package page

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strings"
	"time"

	"bayledger/agent/report"
	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

type reportsPage struct {
	shell
	Said   string
	CanAct bool
	Spans  []plotSpan
	Span   string
	Day    string // the day asked for, as an input of type date has it
	From   string
	Before string // a day of the span before, and of the one after, empty where there is none
	After  string
	Body   template.HTML
	// LastReading is what was last typed in of the utility's meter.
	LastReading string
}

// reports shows the account of a day, a week or the season, the last whole day's when no day is
// named.
func (s *Server) reports(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, words.Key("Reports"), "reports")
	p := reportsPage{shell: sh, Said: said(sh, r), CanAct: s.mayAct(r), Spans: plotSpans, Span: reportSpan(r)}
	v := viewOf(r, s)
	if v == nil || v.Site == nil || s.deps.History == nil {
		s.fail(w, r, refuse(http.StatusServiceUnavailable, "There is nothing to report yet."))
		return
	}
	day, err := reportDay(r, v.Site.Zone, sh.now)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rep, err := s.reportOf(r, v)
	if err == nil {
		p.Body, err = rep.Body()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p.Title = sh.Say("Report of %s", rep.SpanText())
	p.Day = day.Format(time.DateOnly)
	p.Before = rep.From.Add(-time.Hour).In(sh.Zone).Format(time.DateOnly)
	if rep.To.Before(sh.now) {
		p.After = rep.To.Add(time.Hour).In(sh.Zone).Format(time.DateOnly)
	}
	for _, x := range rep.Records {
		if x.Kind == site.RecUtility {
			p.LastReading = sh.by(sh.Say("%s m\u00b3 at %s", sh.Voice.Number(x.Value, 2), sh.clock(x.Time)), x.Who)
		}
	}
	s.render(w, r, http.StatusOK, "reports", p)
}

// reportCSV is the same account as a table of days.
func (s *Server) reportCSV(w http.ResponseWriter, r *http.Request) {
	v := viewOf(r, s)
	if v == nil || v.Site == nil || s.deps.History == nil {
		s.fail(w, r, refuse(http.StatusServiceUnavailable, "There is nothing to report yet."))
		return
	}
	rep, err := s.reportOf(r, v)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var b strings.Builder
	if err := rep.CSV(&b); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s-%s-%s.csv"`, v.Site.ID, reportSpan(r), rep.From.In(v.Site.Zone).Format(time.DateOnly)))
	fmt.Fprint(w, b.String())
}

// reportSpan is the span asked for, a week when none is.
func reportSpan(r *http.Request) string {
	if r.URL.Query().Get("span") == "" {
		return "week"
	}
	return r.URL.Query().Get("span")
}

// reportDay is a moment of the day asked for, yesterday when none is.
func reportDay(r *http.Request, zone *time.Location, now time.Time) (time.Time, error) {
	text := r.URL.Query().Get("day")
	if text == "" {
		return now.In(zone).AddDate(0, 0, -1), nil
	}
	d, err := time.ParseInLocation(time.DateOnly, text, zone)
	if err != nil {
		return d, bad("%q is not a day; write for example 2026-07-13.", text)
	}
	return d.Add(12 * time.Hour), nil
}

func (s *Server) reportOf(r *http.Request, v *View) (report.Report, error) {
	day, err := reportDay(r, v.Site.Zone, s.deps.Now())
	if err != nil {
		return report.Report{}, err
	}
	from, to, err := report.Span(reportSpan(r), day, v.Site.Zone)
	if err != nil {
		return report.Report{}, bad("A report is of a day, a week or a season.")
	}
	in := report.Input{Site: v.Site, From: from, To: to, Days: map[string][]water.Account{}, Mains: v.Mains, Made: s.deps.Now()}
	for i := range v.Bays {
		b := &v.Bays[i]
		in.Days[b.Bay] = b.Days
		if !b.Today.From.IsZero() {
			in.Days[b.Bay] = append(slices.Clone(b.Days), b.Today)
		}
	}
	if in.Events, err = s.deps.History.Events(r.Context(), from.Add(-reportReach), to, "", reportEvents); err != nil {
		return report.Report{}, fmt.Errorf("page: read the events of the report: %w", err)
	}
	for i := range v.Alarms { // what still stands has gone on since it was told last
		if a := &v.Alarms[i]; a.Told && a.Present && v.Time.Before(to) {
			now := a.Now
			now.State = site.Updated
			in.Events = append(in.Events, now)
		}
	}
	// A year back: the reading of the utility's meter before the span.
	if in.Records, err = s.deps.History.Records(r.Context(), from.AddDate(-1, 0, 0), to, site.RecAck, site.RecDip, site.RecSetPoint, site.RecUtility); err != nil {
		return report.Report{}, fmt.Errorf("page: read the records of the report: %w", err)
	}
	if in.Book, err = s.bookOf(r.Context(), v.Site, from, to); err != nil {
		return report.Report{}, err
	}
	return report.Build(in), nil
}

// reportReach is how far before the span the events of troubles that still stand are looked for,
// and reportEvents how many events a report may rest on.
const (
	reportReach  = 14 * 24 * time.Hour
	reportEvents = 10_000
)

// bookOf reads the weather and the set points of a span by the hour.
func (s *Server) bookOf(ctx context.Context, st *site.Site, from, to time.Time) (*report.Book, error) {
	b := report.NewBook(st)
	to = to.Truncate(time.Hour)
	if now := s.deps.Now(); to.After(now) {
		to = now
	}
	if !to.After(from) {
		return b, nil
	}
	for i := range st.Points {
		p := &st.Points[i]
		weather := p.Bay == "" && (p.Quantity == site.AirTemperature || p.Quantity == site.Rain)
		if !weather && (p.Bay == "" || p.Quantity != site.SetPoint) {
			continue
		}
		dots, err := s.deps.History.Series(ctx, p.ID, from, to, time.Hour)
		if err != nil {
			return nil, fmt.Errorf("page: read the series of %s: %w", p.ID, err)
		}
		for _, d := range dots {
			b.Add(p, d.Time, d.Min, d.Max)
		}
	}
	return b, nil
}

// utility takes a reading of the utility's meter, in m3 or the unit typed, and notes what the main
// meter's total was then.
func (s *Server) utility(r *http.Request, v *View) (site.Record, string, error) {
	rec := blank(site.RecUtility)
	text := r.PostFormValue("reading")
	m3, err := numberOf(text, "m3")
	if err != nil {
		if m3, err = site.Parse(site.Cubic, strings.Replace(text, ",", ".", 1)); err != nil {
			return rec, "", bad("%q is not the reading of a meter; write for example 1842,6 for cubic metres, or 486000 gal.", text)
		}
	}
	if m3 < 0 || m3 > 1e8 {
		return rec, "", bad("A water meter cannot show %s.", text)
	}
	rec.Value = m3
	for _, x := range v.Readings {
		if x.Bay == "" && x.Quantity == site.Volume && x.Quality == site.Good {
			rec.Value2 = x.Value
		}
	}
	return rec, "utility", nil
}
