package agent

import (
	"context"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"bayledger/agent/alarm"
	"bayledger/agent/page"
	"bayledger/agent/series"
	"bayledger/agent/site"
)

// register gives the registry everything there is to scrape.
//
// /metrics has at most 30 series of a site, 40 of each bay, 3 of each point, 14 of each device, 2
// of each line and 15 of each alarm that stands: 339 for six bays with everything (a test counts
// them, and promtool check metrics has nothing to say). No label holds a number or a moment; a
// bay, point or alarm that is gone is gone at the next scrape.
func (a *Agent) register() error {
	for _, c := range []prometheus.Collector{
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), scrape{a},
	} {
		if err := a.registry.Register(c); err != nil {
			return err
		}
	}
	return nil
}

// scrape is a collector over the newest picture: a bay that has left the site file, or a value
// nobody knows any more, is simply not there.
type scrape struct{ a *Agent }

// Describe implements prometheus.Collector. It sends nothing: what there is depends on the site.
func (scrape) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (s scrape) Collect(ch chan<- prometheus.Metric) {
	v := s.a.View()
	if v == nil {
		return
	}
	e := series.Site{Sink: ch, ID: v.Site.ID}
	s.process(e, v)
	standing := s.a.standingOf(v)
	e.Standing(&standing, func(string) bool { return true })
	s.bays(e, v)
	s.points(e, v)
	e.Alarms(measured(v.Alarms))
	s.field(e)
	s.events(e)
}

var (
	mJournaled  = series.SiteCounter("samples_journaled_total", "Samples made durable in the journal.")
	mEvents     = series.SiteCounter("events_total", "Events told.")
	mJournalSeq = series.SiteGauge("journal_last_sequence", "Sequence number of the newest sample in the journal.")
	mJournalLen = series.SiteGauge("journal_bytes", "Size of the file of samples and its log.")
	mJournalMax = series.SiteGauge("journal_limit_bytes", "Size the file of samples may grow to.")
	mCommits    = series.SiteCounter("journal_commits_total", "Commits of samples.")
	mCommitTime = series.SiteCounter("journal_commit_seconds_total", "Time spent until samples were durable.")
	mFull       = series.SiteCounter("journal_full_total", "Commits that found no room.")
	mDropped    = series.SiteCounter("journal_dropped_batches_total", "Batches of forwarded samples dropped for want of room.")
	mUnsent     = series.SiteGauge("journal_unsent_samples", "Samples that some historian or broker does not have.")
	mOldest     = series.SiteGauge("journal_oldest_unsent_timestamp_seconds", "Time of the oldest sample that some historian or broker does not have.")
	mSetAside   = series.SiteGauge("journal_refused_lines", "Lines that a historian refused and nobody has dealt with.")
	mDamaged    = series.SiteGauge("journal_damaged_files", "Files that were found damaged and set aside, and are still there.")
)

func (s scrape) process(e series.Site, v *page.View) {
	a := s.a
	e.Put(series.Build, 1, a.opts.Version)
	e.Put(series.Info, 1, v.Site.Name, v.Site.Revision, v.Site.Display.String(), v.Site.ShutOff)
	e.Put(series.Start, series.Seconds(a.started))
	_, offset := a.clk.Now().In(v.Site.Zone).Zone()
	e.Put(series.Offset, float64(offset))
	e.Put(series.Tells, series.One(len(a.parts.Load().cfg.People) > 0))
	e.Put(series.DataTime, series.Seconds(v.Time))
	e.Put(series.LastGood, series.Seconds(v.Watch.LastReading))
	c := a.Counters()
	e.Put(mJournaled, float64(c.Journaled))
	e.Put(mEvents, float64(c.Events))
	st := a.journal.Stats(context.Background()) // a scrape has no context; these are single rows
	e.Put(mJournalSeq, float64(st.Last))
	e.Put(mJournalLen, float64(st.Bytes))
	e.Put(mJournalMax, float64(st.LimitBytes))
	e.Put(mCommits, float64(st.Commits))
	e.Put(mCommitTime, st.CommitTime.Seconds())
	e.Put(mFull, float64(st.Full))
	e.Put(mDropped, float64(st.Dropped))
	e.Put(mUnsent, float64(st.Unsent))
	e.Put(mOldest, series.Seconds(st.OldestUnsent))
	e.Put(mSetAside, float64(st.SetAside))
	e.Put(mDamaged, float64(len(a.journal.SetAsideFiles())))
}

var (
	mFill    = series.SiteGauge("bay_last_fill_cubic_meters", "Volume of the newest fill.", "bay")
	mFillEnd = series.SiteGauge("bay_last_fill_end_timestamp_seconds", "When the newest fill ended.", "bay")
)

func (s scrape) bays(e series.Site, v *page.View) {
	for i := range v.Bays {
		b := &v.Bays[i]
		def := v.Site.Bay(b.Bay)
		e.Put(series.Bay, 1, def.Court, b.Bay, def.Name, v.Site.Display.String(), v.Site.ShutOff)
		if b.Quality != site.Bad {
			e.Put(series.Level, b.LevelM, b.Bay)
		}
		e.Put(series.SetPoint, b.SetPointM, b.Bay)
		e.Put(series.Flow, b.FlowM3S, b.Bay)
		if b.ValveKnown {
			e.Put(series.ValveOpen, series.One(b.Open), b.Bay)
		}
		if f := b.LastFill; !f.To.IsZero() {
			e.Put(mFill, f.VolumeM3, b.Bay)
			e.Put(mFillEnd, series.Seconds(f.To), b.Bay)
		}
	}
}

func (s scrape) points(e series.Site, v *page.View) {
	for _, r := range v.Readings {
		if r.Quality == site.Bad {
			r.Value = math.NaN()
		}
		e.Put(series.Point, r.Value, r.Bay, r.Point, string(r.Quantity))
		e.Put(series.Quality, float64(r.Quality), r.Bay, r.Point)
		e.Put(series.PointTime, series.Seconds(r.Time), r.Bay, r.Point)
	}
}

// measured are the alarms as /metrics tells them: with the newest numbers rather than the last
// told, and under the first of their references, which does not change while the alarm lives.
func measured(alarms []alarm.Alarm) (open []site.OpenAlarm) {
	for i := range alarms {
		al := &alarms[i]
		switch {
		case al.Told:
			a := site.OpenAlarm{Event: al.Now, Acknowledged: al.Phase == alarm.Acknowledged, Gone: !al.Present}
			a.Seq = al.Seqs[0]
			open = append(open, a)
		case al.Present:
			open = append(open, site.OpenAlarm{Quiet: al.Why})
		}
	}
	return open
}

var (
	mRetries    = series.SiteCounter("unit_retries_total", "Requests sent a second time at once.", "link", "unit")
	mDelay      = series.SiteGauge("unit_start_delay_seconds", "How long after its moment a request was started, over the last thousand.", "link", "unit", "percentile")
	mFailing    = series.SiteGauge("unit_failed_requests_ratio", "Share of the last thousand requests that had no answer, a damaged one or a refusal.", "link", "unit")
	mUnanswered = series.SiteGauge("unit_timeouts_ratio", "Share of the last thousand requests that had no answer.", "link", "unit")
)

func (s scrape) field(e series.Site) {
	_, devices := s.a.parts.Load().driver.Stats()
	for _, d := range devices {
		e.Put(mRetries, float64(d.Retries), d.Link, d.Device)
		if d.Requests == 0 {
			continue // nothing is known of it yet
		}
		e.Put(mFailing, d.ErrorsPer1000/1000, d.Link, d.Device)
		e.Put(mUnanswered, d.TimeoutsPer1000/1000, d.Link, d.Device)
		e.Put(mDelay, d.JitterP50.Seconds(), d.Link, d.Device, "50")
		e.Put(mDelay, d.JitterP99.Seconds(), d.Link, d.Device, "99")
	}
}

var mEventsBehind = series.SiteGauge("sink_backlog_events", "Events not yet sent.", "sink")

func (s scrape) events(e series.Site) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	for _, k := range s.a.parts.Load().sinks {
		if k.events == nil {
			continue
		}
		if n, err := k.events(ctx); err == nil { // a journal that cannot be read is told by journal_ok
			e.Put(mEventsBehind, float64(n), k.id)
		}
	}
}
