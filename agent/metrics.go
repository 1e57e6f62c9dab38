package agent

import (
	"context"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"bayledger/agent/alarm"
	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/water"
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
	e := emitter{ch: ch, site: v.Site.ID}
	s.process(e, v)
	s.bays(e, v)
	s.points(e, v)
	s.alarms(e, v)
	s.field(e)
	s.sinks(e)
}

// emitter writes constant metrics with the site's label in front.
type emitter struct {
	ch   chan<- prometheus.Metric
	site string
}

// metric describes one name; labels come after site.
type metric struct {
	name, help string
	labels     []string
	kind       prometheus.ValueType
}

func gauge(name, help string, labels ...string) metric {
	return metric{"bayledger_" + name, help, labels, prometheus.GaugeValue}
}

func counter(name, help string, labels ...string) metric {
	return metric{"bayledger_" + name, help, labels, prometheus.CounterValue}
}

// put emits a value unless nobody knows it.
func (e emitter) put(m metric, value float64, labels ...string) {
	if !site.Known(value) {
		return
	}
	d := prometheus.NewDesc(m.name, m.help, append([]string{"site"}, m.labels...), nil)
	c, err := prometheus.NewConstMetric(d, m.kind, value, append([]string{e.site}, labels...)...)
	if err != nil {
		c = prometheus.NewInvalidMetric(d, err)
	}
	e.ch <- c
}

func one(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

var (
	mBuild      = gauge("build_info", "The running version.", "version")
	mSite       = gauge("site_info", "The site as its site file names it.", "name", "revision", "units", "shut_off")
	mStart      = gauge("start_timestamp_seconds", "When the daemon started.")
	mDataTime   = gauge("data_time_timestamp_seconds", "Data time up to which the watch has come.")
	mLastGood   = gauge("last_reading_timestamp_seconds", "Time of the newest good reading of any point.")
	mSeason     = gauge("season_closed", "1 while the season is closed.")
	mClock      = gauge("clock_synchronized", "1 while somebody vouches for the machine's clock.")
	mReload     = gauge("site_file_reload_failed", "1 while the newest site file was refused and an older one is running.")
	mOffset     = gauge("site_utc_offset_seconds", "How far the site's clock is ahead of UTC now.")
	mTells      = gauge("site_tells_itself", "1 where the daemon tells people itself and the Prometheus rules leave its alarms alone.")
	mSamples    = counter("samples_total", "Samples taken from the field.")
	mJournaled  = counter("samples_journaled_total", "Samples made durable in the journal.")
	mUnjournal  = counter("samples_unjournaled_total", "Samples watched but not kept, because the journal could not take them.")
	mBad        = counter("samples_bad_total", "Samples without a usable value.")
	mEvents     = counter("events_total", "Events told.")
	mJournalOK  = gauge("journal_ok", "1 while the journal takes samples.")
	mJournalSeq = gauge("journal_last_sequence", "Sequence number of the newest sample in the journal.")
	mJournalLen = gauge("journal_bytes", "Size of the file of samples and its log.")
	mJournalMax = gauge("journal_limit_bytes", "Size the file of samples may grow to.")
	mCommits    = counter("journal_commits_total", "Commits of samples.")
	mCommitTime = counter("journal_commit_seconds_total", "Time spent until samples were durable.")
	mFull       = counter("journal_full_total", "Commits that found no room.")
	mDropped    = counter("journal_dropped_batches_total", "Batches of forwarded samples dropped for want of room.")
	mUnsent     = gauge("journal_unsent_samples", "Samples that some historian or broker does not have.")
	mOldest     = gauge("journal_oldest_unsent_timestamp_seconds", "Time of the oldest sample that some historian or broker does not have.")
	mSetAside   = gauge("journal_refused_lines", "Lines that a historian refused and nobody has dealt with.")
	mDamaged    = gauge("journal_damaged_files", "Files that were found damaged and set aside, and are still there.")
)

func (s scrape) process(e emitter, v *page.View) {
	a := s.a
	e.put(mBuild, 1, a.opts.Version)
	e.put(mSite, 1, v.Site.Name, v.Site.Revision, v.Site.Display.String(), v.Site.ShutOff)
	e.put(mStart, seconds(a.started.UnixMilli()))
	_, offset := a.clk.Now().In(v.Site.Zone).Zone()
	e.put(mOffset, float64(offset))
	e.put(mTells, one(len(a.parts.Load().cfg.People) > 0))
	if !v.Time.IsZero() {
		e.put(mDataTime, seconds(v.Time.UnixMilli()))
	}
	if t := v.Watch.LastReading; !t.IsZero() {
		e.put(mLastGood, seconds(t.UnixMilli()))
	}
	e.put(mSeason, one(v.Closed))
	e.put(mClock, one(v.Watch.ClockSure))
	e.put(mReload, one(a.reloadFailed.Load()))
	c := a.Counters()
	e.put(mSamples, float64(c.Samples))
	e.put(mJournaled, float64(c.Journaled))
	e.put(mUnjournal, float64(c.Unjournaled))
	e.put(mBad, float64(c.Bad))
	e.put(mEvents, float64(c.Events))
	e.put(mJournalOK, one(v.Watch.Journal.OK))
	st := a.journal.Stats(context.Background()) // a scrape has no context; these are single rows
	e.put(mJournalSeq, float64(st.Last))
	e.put(mJournalLen, float64(st.Bytes))
	e.put(mJournalMax, float64(st.LimitBytes))
	e.put(mCommits, float64(st.Commits))
	e.put(mCommitTime, st.CommitTime.Seconds())
	e.put(mFull, float64(st.Full))
	e.put(mDropped, float64(st.Dropped))
	e.put(mUnsent, float64(st.Unsent))
	if !st.OldestUnsent.IsZero() {
		e.put(mOldest, seconds(st.OldestUnsent.UnixMilli()))
	}
	e.put(mSetAside, float64(st.SetAside))
	e.put(mDamaged, float64(len(a.journal.SetAsideFiles())))
}

func seconds(ms int64) float64 { return float64(ms) / 1000 }

var (
	mBay       = gauge("bay_info", "The bay as its site file names it, and what a message about it needs.", "court", "bay", "name", "units", "shut_off")
	mLevel     = gauge("bay_level_meters", "Level above the liner at the bay's lowest point, as the chamber shows it.", "bay")
	mSetPoint  = gauge("bay_set_point_meters", "Level the controller is told to hold.", "bay")
	mCrest     = gauge("bay_crest_meters", "Level at which the overflow begins to run.", "bay")
	mFlow      = gauge("bay_flow_cubic_meters_per_second", "Flow into the bay.", "bay")
	mValve     = gauge("bay_valve_open", "1 while the fill valve is open or told to be.", "bay")
	mSettled   = gauge("bay_settled", "1 while the chamber shows the bay's own level.", "bay")
	mFill      = gauge("bay_last_fill_cubic_meters", "Volume of the newest fill.", "bay")
	mFillEnd   = gauge("bay_last_fill_end_timestamp_seconds", "When the newest fill ended.", "bay")
	mToday     = gauge("bay_today_cubic_meters", "Terms of the bay's account since local midnight.", "bay", "term")
	mTodayU    = gauge("bay_today_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms since local midnight.", "bay", "term")
	mYesterday = gauge("bay_yesterday_cubic_meters", "Terms of the bay's account of the newest closed local day.", "bay", "term")
	mYesterU   = gauge("bay_yesterday_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms of the newest closed local day.", "bay", "term")
)

func (s scrape) bays(e emitter, v *page.View) {
	for i := range v.Bays {
		b := &v.Bays[i]
		def := v.Site.Bay(b.Bay)
		e.put(mBay, 1, def.Court, b.Bay, def.Name, v.Site.Display.String(), v.Site.ShutOff)
		if b.Quality != site.Bad {
			e.put(mLevel, b.LevelM, b.Bay)
		}
		e.put(mSetPoint, b.SetPointM, b.Bay)
		e.put(mCrest, def.CrestM, b.Bay)
		e.put(mFlow, b.FlowM3S, b.Bay)
		if b.ValveKnown {
			e.put(mValve, one(b.Open), b.Bay)
		}
		e.put(mSettled, one(b.Settled), b.Bay)
		if f := b.LastFill; !f.To.IsZero() {
			e.put(mFill, f.VolumeM3, b.Bay)
			e.put(mFillEnd, seconds(f.To.UnixMilli()), b.Bay)
		}
		terms(e, mToday, mTodayU, b.Bay, b.Today)
		if n := len(b.Days); n > 0 {
			terms(e, mYesterday, mYesterU, b.Bay, b.Days[n-1])
		}
	}
}

func terms(e emitter, value, u metric, bay string, a water.Account) {
	for _, t := range termsOf(a) {
		e.put(value, t.m3, bay, t.name)
		e.put(u, t.u, bay, t.name)
	}
}

// term is one term of an account with its expanded uncertainty; NaN is not known.
type term struct {
	name  string
	m3, u float64
}

// termsOf are the terms that can be told: none of an account that has not begun, and nothing
// unexplained while the overflow, which is not metered, has run.
func termsOf(a water.Account) []term {
	if a.From.IsZero() {
		return nil
	}
	list := []term{
		{"metered", a.MeteredM3, a.MeteredU}, {"by_hand", a.ByHandM3, a.ByHandU}, {"rain", a.RainM3, a.RainU},
		{"evaporated", a.EvaporatedM3, a.EvaporatedU}, {"overflow", a.OverflowM3, math.NaN()}, {"held", a.HeldM3, a.HeldU},
	}
	if !a.OverflowRan {
		list = append(list, term{"unexplained", a.UnexplainedM3, a.UnexplainedU})
	}
	return list
}

var (
	mPoint     = gauge("point_value", "Newest calibrated value of a point, in the SI unit of its quantity.", "bay", "point", "quantity")
	mQuality   = gauge("point_quality", "Quality of a point's newest reading: 0 good, 1 uncertain, 2 bad.", "bay", "point")
	mPointTime = gauge("point_last_timestamp_seconds", "Time of a point's newest reading.", "bay", "point")
)

func (s scrape) points(e emitter, v *page.View) {
	for _, r := range v.Readings {
		if r.Quality == site.Bad {
			r.Value = math.NaN()
		}
		e.put(mPoint, r.Value, r.Bay, r.Point, string(r.Quantity))
		e.put(mQuality, float64(r.Quality), r.Bay, r.Point)
		e.put(mPointTime, seconds(r.Time.UnixMilli()), r.Bay, r.Point)
	}
}

var (
	alarmLabels = []string{"bay", "kind", "subject"}
	mAlarm      = gauge("alarm", "1 while the alarm stands on its own: raised, not folded, not muted.", "bay", "kind", "subject", "severity")
	mAcked      = gauge("alarm_acknowledged", "1 when somebody has taken the alarm on.", alarmLabels...)
	mStands     = gauge("alarm_present", "0 once the trouble is gone and only the alarm's delay runs.", alarmLabels...)
	mReference  = gauge("alarm_reference", "Number by which the alarm is answered: bayledger ack takes it.", alarmLabels...)
	mRaised     = gauge("alarm_raised_timestamp_seconds", "When the alarm was first raised.", alarmLabels...)
	mSince      = gauge("alarm_since_timestamp_seconds", "Estimated onset of the trouble.", alarmLabels...)
	mRate       = gauge("alarm_rate_cubic_meters_per_second", "Water lost or gained now.", alarmLabels...)
	mLost       = gauge("alarm_volume_cubic_meters", "Water lost or gained so far.", alarmLabels...)
	mLostU      = gauge("alarm_volume_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the volume.", alarmLabels...)
	mLeft       = gauge("alarm_time_left_seconds", "Time until the overflow runs or the surface suffers, whichever is first.", alarmLabels...)
	mToCrest    = gauge("alarm_time_to_crest_seconds", "Time until the overflow runs.", alarmLabels...)
	mToSoft     = gauge("alarm_time_to_soft_seconds", "Time until the surface suffers: is soft, dust or frozen.", alarmLabels...)
	mCarried    = gauge("alarm_overflow_carries", "1 where the overflow carries the whole flow, so that the court does not flood.", alarmLabels...)
	mConfidence = gauge("alarm_confidence_ratio", "Probability that the kind named is the cause.", alarmLabels...)
	mSuppressed = gauge("alarms_suppressed", "Alarms folded under a cause, shelved or muted.")
)

func (s scrape) alarms(e emitter, v *page.View) {
	suppressed := 0
	for i := range v.Alarms {
		al := &v.Alarms[i]
		if !al.Told {
			if al.Present {
				suppressed++
			}
			continue
		}
		n := &al.Now
		l := []string{n.Bay, string(n.Kind), n.Subject}
		e.put(mAlarm, 1, append(l, string(n.Severity))...)
		e.put(mAcked, one(al.Phase == alarm.Acknowledged), l...)
		e.put(mStands, one(al.Present), l...)
		e.put(mReference, float64(al.Seqs[0]), l...)
		e.put(mRaised, seconds(n.Raised.UnixMilli()), l...)
		e.put(mSince, seconds(n.Since.UnixMilli()), l...)
		e.put(mRate, scaled(n.RateLPH, 1/3.6e6), l...)
		e.put(mLost, scaled(n.Litres, 1e-3), l...)
		e.put(mLostU, scaled(n.LitresU, 1e-3), l...)
		e.put(mLeft, scaled(n.TimeLeftS, 1), l...)
		e.put(mToCrest, scaled(n.ToCrestS, 1), l...)
		e.put(mToSoft, scaled(n.ToSoftS, 1), l...)
		if n.Carried {
			e.put(mCarried, 1, l...)
		}
		e.put(mConfidence, scaled(n.Confidence, 1), l...)
	}
	e.put(mSuppressed, float64(suppressed))
}

func scaled(p *float64, factor float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p * factor
}

var (
	mLinkUp     = gauge("link_up", "1 while the line can be used.", "link")
	mUnitUp     = gauge("unit_up", "1 while the unit answers.", "link", "unit")
	mRequests   = counter("unit_requests_total", "Requests sent to the unit.", "link", "unit")
	mTimeouts   = counter("unit_timeouts_total", "Requests without an answer.", "link", "unit")
	mBadFrames  = counter("unit_bad_frames_total", "Answers that were damaged or not to the question.", "link", "unit")
	mExceptions = counter("unit_exceptions_total", "Refusals.", "link", "unit")
	mRetries    = counter("unit_retries_total", "Requests sent a second time at once.", "link", "unit")
	mMissed     = counter("unit_missed_polls_total", "Due moments let go because the one before was not done.", "link", "unit")
	mReply      = gauge("unit_reply_seconds", "Reply time over the last thousand requests.", "link", "unit", "percentile")
	mDelay      = gauge("unit_start_delay_seconds", "How long after its moment a request was started, over the last thousand.", "link", "unit", "percentile")
	mFailing    = gauge("unit_failed_requests_ratio", "Share of the last thousand requests that had no answer, a damaged one or a refusal.", "link", "unit")
	mUnanswered = gauge("unit_timeouts_ratio", "Share of the last thousand requests that had no answer.", "link", "unit")
	mForeign    = gauge("link_other_master", "1 while another master is heard on the line, so that nothing is sent.", "link")
)

func (s scrape) field(e emitter) {
	links, devices := s.a.parts.Load().driver.Stats()
	for _, l := range links {
		e.put(mLinkUp, one(l.Up && l.OtherMaster == ""), l.Link)
		e.put(mForeign, one(l.OtherMaster != ""), l.Link)
	}
	for _, d := range devices {
		e.put(mUnitUp, one(d.Up), d.Link, d.Device)
		for _, c := range []struct {
			m metric
			n int64
		}{{mRequests, d.Requests}, {mTimeouts, d.Timeouts}, {mBadFrames, d.BadFrames}, {mExceptions, d.Exceptions}, {mRetries, d.Retries}, {mMissed, d.Missed}} {
			e.put(c.m, float64(c.n), d.Link, d.Device)
		}
		if d.Requests == 0 {
			continue // nothing is known of it yet
		}
		e.put(mFailing, d.ErrorsPer1000/1000, d.Link, d.Device)
		e.put(mUnanswered, d.TimeoutsPer1000/1000, d.Link, d.Device)
		for _, q := range []struct {
			m metric
			q string
			v time.Duration
		}{{mReply, "50", d.ReplyP50}, {mReply, "90", d.ReplyP90}, {mReply, "99", d.ReplyP99}, {mDelay, "50", d.JitterP50}, {mDelay, "99", d.JitterP99}} {
			if q.m.name == mReply.name && q.v == 0 {
				continue // it has never answered
			}
			e.put(q.m, q.v.Seconds(), d.Link, d.Device, q.q)
		}
	}
}

var (
	mSinkUp       = gauge("sink_up", "1 while the historian or broker takes data.", "sink")
	mBehind       = gauge("sink_backlog_samples", "Samples not yet sent.", "sink")
	mEventsBehind = gauge("sink_backlog_events", "Events not yet sent.", "sink")
	mLag          = gauge("sink_backlog_age_seconds", "Age of the oldest sample not yet sent.", "sink")
)

func (s scrape) sinks(e emitter) {
	for _, k := range s.a.View().Watch.Sinks {
		e.put(mSinkUp, one(k.Up), k.ID)
		e.put(mBehind, float64(k.Behind), k.ID)
		e.put(mLag, k.Lag.Seconds(), k.ID)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	for _, k := range s.a.parts.Load().sinks {
		if k.events == nil {
			continue
		}
		if n, err := k.events(ctx); err == nil { // a journal that cannot be read is told by journal_ok
			e.put(mEventsBehind, float64(n), k.id)
		}
	}
}
