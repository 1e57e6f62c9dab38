// Package series holds the names of what a site's /metrics and a hub's both serve, each once, and
// writes them: one set of rules and dashboards works on either because the series are the same.
//
// What a site alone can tell (its journal, its process) is named where it is told, in agent; what
// only a hub can, in agent/hub.
package series

import (
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayledger/agent/site"
)

// Metric is one name with its help and labels.
type Metric struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

// Gauge is bayledger_name with these labels and no others.
func Gauge(name, help string, labels ...string) Metric {
	return Metric{prometheus.NewDesc("bayledger_"+name, help, labels, nil), prometheus.GaugeValue}
}

// Counter is as Gauge, of something that is counted and never goes down.
func Counter(name, help string, labels ...string) Metric {
	return Metric{prometheus.NewDesc("bayledger_"+name, help, labels, nil), prometheus.CounterValue}
}

// SiteGauge is a Gauge whose first label is the site; a Site puts it there.
func SiteGauge(name, help string, labels ...string) Metric {
	return Gauge(name, help, append([]string{"site"}, labels...)...)
}

// SiteCounter is a Counter whose first label is the site.
func SiteCounter(name, help string, labels ...string) Metric {
	return Counter(name, help, append([]string{"site"}, labels...)...)
}

// Sink takes what is written, of one scrape.
type Sink chan<- prometheus.Metric

// Put writes a value unless nobody knows it: what is not known is absent, never zero or NaN.
func (s Sink) Put(m Metric, value float64, labels ...string) {
	if !site.Known(value) {
		return
	}
	c, err := prometheus.NewConstMetric(m.desc, m.kind, value, labels...)
	if err != nil {
		c = prometheus.NewInvalidMetric(m.desc, err)
	}
	s <- c
}

// Site writes the series of one site.
type Site struct {
	Sink Sink
	ID   string
}

// Put writes a value with the site as first label, unless nobody knows it.
func (s Site) Put(m Metric, value float64, labels ...string) {
	s.Sink.Put(m, value, append([]string{s.ID}, labels...)...)
}

// One is 1 for yes and 0 for no.
func One(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// Seconds is a moment in seconds since 1970, to the millisecond; no moment is not known.
func Seconds(t time.Time) float64 {
	if t.IsZero() {
		return math.NaN()
	}
	return float64(t.UnixMilli()) / 1000
}

// scaled is a number of another unit; none is not known.
func scaled(p *float64, factor float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p * factor
}

// What is told of a site, its bays and its points.
var (
	Build     = SiteGauge("build_info", "The running version.", "version")
	Info      = SiteGauge("site_info", "The site as its site file names it.", "name", "revision", "units", "shut_off")
	Tells     = SiteGauge("site_tells_itself", "1 where the daemon tells people itself and the Prometheus rules leave its alarms alone.")
	Offset    = SiteGauge("site_utc_offset_seconds", "How far the site's clock is ahead of UTC now.")
	Start     = SiteGauge("start_timestamp_seconds", "When the daemon started.")
	DataTime  = SiteGauge("data_time_timestamp_seconds", "Data time up to which the watch has come.")
	LastGood  = SiteGauge("last_reading_timestamp_seconds", "Time of the newest good reading of any point.")
	Bay       = SiteGauge("bay_info", "The bay as its site file names it, and what a message about it needs.", "court", "bay", "name", "units", "shut_off")
	Level     = SiteGauge("bay_level_meters", "Level above the liner at the bay's lowest point, as the chamber shows it.", "bay")
	SetPoint  = SiteGauge("bay_set_point_meters", "Level the controller is told to hold.", "bay")
	Flow      = SiteGauge("bay_flow_cubic_meters_per_second", "Flow into the bay.", "bay")
	ValveOpen = SiteGauge("bay_valve_open", "1 while the fill valve is open or told to be.", "bay")
	Point     = SiteGauge("point_value", "Newest calibrated value of a point, in the SI unit of its quantity.", "bay", "point", "quantity")
	Quality   = SiteGauge("point_quality", "Quality of a point's newest reading: 0 good, 1 uncertain, 2 bad.", "bay", "point")
	PointTime = SiteGauge("point_last_timestamp_seconds", "Time of a point's newest reading.", "bay", "point")
)

// How the watch itself stands, and the accounts.
var (
	season     = SiteGauge("season_closed", "1 while the season is closed.")
	work       = SiteGauge("maintenance_until_timestamp_seconds", "When the work that keeps a bay quiet ends, while it is under way; an empty bay is the whole site.", "bay")
	clock      = SiteGauge("clock_synchronized", "1 while somebody vouches for the machine's clock.")
	reload     = SiteGauge("site_file_reload_failed", "1 while the newest site file was refused and an older one is running.")
	samples    = SiteCounter("samples_total", "Samples taken from the field.")
	bad        = SiteCounter("samples_bad_total", "Samples without a usable value.")
	unjournal  = SiteCounter("samples_unjournaled_total", "Samples watched but not kept, because the journal could not take them.")
	journalOK  = SiteGauge("journal_ok", "1 while the journal takes samples.")
	linkUp     = SiteGauge("link_up", "1 while the line can be used.", "link")
	foreign    = SiteGauge("link_other_master", "1 while another master is heard on the line, so that nothing is sent.", "link")
	unitUp     = SiteGauge("unit_up", "1 while the unit answers.", "link", "unit")
	requests   = SiteCounter("unit_requests_total", "Requests sent to the unit.", "link", "unit")
	timeouts   = SiteCounter("unit_timeouts_total", "Requests without an answer.", "link", "unit")
	badFrames  = SiteCounter("unit_bad_frames_total", "Answers that were damaged or not to the question.", "link", "unit")
	exceptions = SiteCounter("unit_exceptions_total", "Refusals.", "link", "unit")
	missed     = SiteCounter("unit_missed_polls_total", "Due moments let go because the one before was not done.", "link", "unit")
	reply      = SiteGauge("unit_reply_seconds", "Reply time over the last thousand requests.", "link", "unit", "percentile")
	sinkUp     = SiteGauge("sink_up", "1 while the historian or broker takes data.", "sink")
	behind     = SiteGauge("sink_backlog_samples", "Samples not yet sent.", "sink")
	lag        = SiteGauge("sink_backlog_age_seconds", "Age of the oldest sample not yet sent.", "sink")
	crest      = SiteGauge("bay_crest_meters", "Level at which the overflow begins to run.", "bay")
	settled    = SiteGauge("bay_settled", "1 while the chamber shows the bay's own level.", "bay")
	today      = SiteGauge("bay_today_cubic_meters", "Terms of the bay's account since local midnight.", "bay", "term")
	todayU     = SiteGauge("bay_today_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms since local midnight.", "bay", "term")
	yesterday  = SiteGauge("bay_yesterday_cubic_meters", "Terms of the bay's account of the newest closed local day.", "bay", "term")
	yesterdayU = SiteGauge("bay_yesterday_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms of the newest closed local day.", "bay", "term")
)

// Standing writes how the watch itself stands. Accounts are written of the bays known says are
// the site's.
func (s Site) Standing(w *site.Standing, known func(bay string) bool) {
	s.Put(season, One(w.SeasonClosed))
	s.Put(clock, One(w.ClockSure))
	s.Put(reload, One(w.SiteFileRefused))
	s.Put(samples, float64(w.Samples))
	s.Put(bad, float64(w.Bad))
	s.Put(unjournal, float64(w.Unjournaled))
	s.Put(journalOK, One(w.JournalOK))
	for _, l := range w.Links {
		s.Put(linkUp, One(l.Up), l.Link)
		s.Put(foreign, One(l.OtherMaster), l.Link)
	}
	for _, u := range w.Units {
		s.Put(unitUp, One(u.Up), u.Link, u.Unit)
		s.Put(requests, float64(u.Requests), u.Link, u.Unit)
		s.Put(timeouts, float64(u.Timeouts), u.Link, u.Unit)
		s.Put(badFrames, float64(u.BadFrames), u.Link, u.Unit)
		s.Put(exceptions, float64(u.Exceptions), u.Link, u.Unit)
		s.Put(missed, float64(u.Missed), u.Link, u.Unit)
		for _, percentile := range []string{"50", "90", "99"} { // no others: a payload's keys are no labels
			if ms, have := u.ReplyMS[percentile]; have {
				s.Put(reply, ms/1000, u.Link, u.Unit, percentile)
			}
		}
	}
	for _, k := range w.Sinks {
		s.Put(sinkUp, One(k.Up), k.Sink)
		s.Put(behind, float64(k.Behind), k.Sink)
		s.Put(lag, k.LagS, k.Sink)
	}
	for _, x := range w.Work {
		if x.Bay == "" || known(x.Bay) {
			s.Put(work, float64(x.Until.Unix()), x.Bay)
		}
	}
	for _, b := range w.Accounts {
		if !known(b.Bay) {
			continue
		}
		s.Put(crest, scaled(b.CrestMM, 1e-3), b.Bay)
		s.Put(settled, One(b.Settled), b.Bay)
		s.terms(today, todayU, b.Bay, b.Today)
		s.terms(yesterday, yesterdayU, b.Bay, b.Yesterday)
	}
}

func (s Site) terms(value, u Metric, bay string, terms []site.Term) {
	for _, t := range terms {
		s.Put(value, t.L/1000, bay, t.Term)
		s.Put(u, scaled(t.UL, 1e-3), bay, t.Term)
	}
}

// Alarms.
var (
	alarm      = SiteGauge("alarm", "1 while the alarm stands on its own: raised, not folded, not muted.", "bay", "kind", "subject", "severity")
	acked      = alarmGauge("alarm_acknowledged", "1 when somebody has taken the alarm on.")
	present    = alarmGauge("alarm_present", "0 once the trouble is gone and only the alarm's delay runs.")
	reference  = alarmGauge("alarm_reference", "Number by which the alarm is answered: bayledger ack takes it.")
	raised     = alarmGauge("alarm_raised_timestamp_seconds", "When the alarm was first raised.")
	since      = alarmGauge("alarm_since_timestamp_seconds", "Estimated onset of the trouble.")
	rate       = alarmGauge("alarm_rate_cubic_meters_per_second", "Water lost or gained now.")
	volume     = alarmGauge("alarm_volume_cubic_meters", "Water lost or gained so far.")
	volumeU    = alarmGauge("alarm_volume_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the volume.")
	left       = alarmGauge("alarm_time_left_seconds", "Time until the overflow runs or the surface suffers, whichever is first.")
	toCrest    = alarmGauge("alarm_time_to_crest_seconds", "Time until the overflow runs.")
	toSoft     = alarmGauge("alarm_time_to_soft_seconds", "Time until the surface suffers: is soft, dust or frozen.")
	carried    = alarmGauge("alarm_overflow_carries", "1 where the overflow carries the whole flow, so that the court does not flood.")
	confidence = alarmGauge("alarm_confidence_ratio", "Probability that the kind named is the cause.")
	suppressed = SiteGauge("alarms_suppressed", "Alarms folded under a cause, shelved or muted.")
)

func alarmGauge(name, help string) Metric { return SiteGauge(name, help, "bay", "kind", "subject") }

// Alarms writes the site's open alarms: those that stand on their own, and how many do not.
func (s Site) Alarms(open []site.OpenAlarm) {
	quiet := 0
	for i := range open {
		a := &open[i]
		if a.Quiet != "" || a.CauseID != "" || a.State == site.Cleared {
			quiet++
			continue
		}
		l := []string{a.Bay, string(a.Kind), a.Subject}
		s.Put(alarm, 1, append(l, string(a.Severity))...)
		s.Put(acked, One(a.Acknowledged), l...)
		s.Put(present, One(!a.Gone), l...)
		s.Put(reference, float64(a.Seq), l...)
		_, _, at, _ := site.ParseEventID(a.ID)
		s.Put(raised, Seconds(at), l...)
		s.Put(since, Seconds(a.Since.Time), l...)
		s.Put(rate, scaled(a.RateLPH, 1/3.6e6), l...)
		s.Put(volume, scaled(a.Litres, 1e-3), l...)
		s.Put(volumeU, scaled(a.LitresU, 1e-3), l...)
		s.Put(left, scaled(a.TimeLeftS, 1), l...)
		s.Put(toCrest, scaled(a.ToCrestS, 1), l...)
		s.Put(toSoft, scaled(a.ToSoftS, 1), l...)
		if a.Carried {
			s.Put(carried, 1, l...)
		}
		s.Put(confidence, scaled(a.Confidence, 1), l...)
	}
	s.Put(suppressed, float64(quiet))
}
