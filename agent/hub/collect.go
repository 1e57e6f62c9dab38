package hub

import (
	"math"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayledger/agent/site"
)

// Describe implements prometheus.Collector. It sends nothing: what there is depends on the sites.
func (h *Hub) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (h *Hub) Collect(ch chan<- prometheus.Metric) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.collect(emitter{ch}, time.Now())
}

type emitter struct{ ch chan<- prometheus.Metric }

type metric struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

func gauge(name, help string, labels ...string) metric {
	return metric{prometheus.NewDesc("bayledger_"+name, help, labels, nil), prometheus.GaugeValue}
}

func counter(name, help string, labels ...string) metric {
	return metric{prometheus.NewDesc("bayledger_"+name, help, labels, nil), prometheus.CounterValue}
}

// put emits a value unless nobody knows it.
func (e emitter) put(m metric, value float64, labels ...string) {
	if !site.Known(value) {
		return
	}
	c, err := prometheus.NewConstMetric(m.desc, m.kind, value, labels...)
	if err != nil {
		c = prometheus.NewInvalidMetric(m.desc, err)
	}
	e.ch <- c
}

// The hub's own.
var (
	hConnected = gauge("hub_connected", "1 while the hub is connected to the broker.")
	hMessages  = counter("hub_messages_total", "Messages the broker has sent.")
	hRefused   = counter("hub_refused_total", "Messages, or entries of one, that were refused.", "reason")
	hUp        = gauge("hub_site_up", "1 while the site says it is watching; absent while the hub has no broker.", "site")
	hHeard     = gauge("hub_site_last_message_timestamp_seconds", "When the site was last heard, or the hub began to listen.", "site")
)

// The sites' own, with the names, labels and help a site's /metrics has.
var (
	mBuild     = gauge("build_info", "The running version.", "site", "version")
	mSite      = gauge("site_info", "The site as its site file names it.", "site", "name", "revision", "units", "shut_off")
	mTells     = gauge("site_tells_itself", "1 where the daemon tells people itself and the Prometheus rules leave its alarms alone.", "site")
	mOffset    = gauge("site_utc_offset_seconds", "How far the site's clock is ahead of UTC now.", "site")
	mStart     = gauge("start_timestamp_seconds", "When the daemon started.", "site")
	mDataTime  = gauge("data_time_timestamp_seconds", "Data time up to which the watch has come.", "site")
	mLastGood  = gauge("last_reading_timestamp_seconds", "Time of the newest good reading of any point.", "site")
	mBay       = gauge("bay_info", "The bay as its site file names it, and what a message about it needs.", "site", "court", "bay", "name", "units", "shut_off")
	mLevel     = gauge("bay_level_meters", "Level above the liner at the bay's lowest point, as the chamber shows it.", "site", "bay")
	mSetPoint  = gauge("bay_set_point_meters", "Level the controller is told to hold.", "site", "bay")
	mFlow      = gauge("bay_flow_cubic_meters_per_second", "Flow into the bay.", "site", "bay")
	mValve     = gauge("bay_valve_open", "1 while the fill valve is open or told to be.", "site", "bay")
	mPoint     = gauge("point_value", "Newest calibrated value of a point, in the SI unit of its quantity.", "site", "bay", "point", "quantity")
	mQuality   = gauge("point_quality", "Quality of a point's newest reading: 0 good, 1 uncertain, 2 bad.", "site", "bay", "point")
	mPointTime = gauge("point_last_timestamp_seconds", "Time of a point's newest reading.", "site", "bay", "point")

	mSeason     = gauge("season_closed", "1 while the season is closed.", "site")
	mClock      = gauge("clock_synchronized", "1 while somebody vouches for the machine's clock.", "site")
	mReload     = gauge("site_file_reload_failed", "1 while the newest site file was refused and an older one is running.", "site")
	mSamples    = counter("samples_total", "Samples taken from the field.", "site")
	mBad        = counter("samples_bad_total", "Samples without a usable value.", "site")
	mUnjournal  = counter("samples_unjournaled_total", "Samples watched but not kept, because the journal could not take them.", "site")
	mJournalOK  = gauge("journal_ok", "1 while the journal takes samples.", "site")
	mLinkUp     = gauge("link_up", "1 while the line can be used.", "site", "link")
	mForeign    = gauge("link_other_master", "1 while another master is heard on the line, so that nothing is sent.", "site", "link")
	unitLabels  = []string{"site", "link", "unit"}
	mUnitUp     = gauge("unit_up", "1 while the unit answers.", unitLabels...)
	mRequests   = counter("unit_requests_total", "Requests sent to the unit.", unitLabels...)
	mTimeouts   = counter("unit_timeouts_total", "Requests without an answer.", unitLabels...)
	mBadFrames  = counter("unit_bad_frames_total", "Answers that were damaged or not to the question.", unitLabels...)
	mExceptions = counter("unit_exceptions_total", "Refusals.", unitLabels...)
	mMissed     = counter("unit_missed_polls_total", "Due moments let go because the one before was not done.", unitLabels...)
	mReply      = gauge("unit_reply_seconds", "Reply time over the last thousand requests.", "site", "link", "unit", "percentile")
	mSinkUp     = gauge("sink_up", "1 while the historian or broker takes data.", "site", "sink")
	mBehind     = gauge("sink_backlog_samples", "Samples not yet sent.", "site", "sink")
	mLag        = gauge("sink_backlog_age_seconds", "Age of the oldest sample not yet sent.", "site", "sink")
	mCrest      = gauge("bay_crest_meters", "Level at which the overflow begins to run.", "site", "bay")
	mSettled    = gauge("bay_settled", "1 while the chamber shows the bay's own level.", "site", "bay")
	mToday      = gauge("bay_today_cubic_meters", "Terms of the bay's account since local midnight.", "site", "bay", "term")
	mTodayU     = gauge("bay_today_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms since local midnight.", "site", "bay", "term")
	mYesterday  = gauge("bay_yesterday_cubic_meters", "Terms of the bay's account of the newest closed local day.", "site", "bay", "term")
	mYesterU    = gauge("bay_yesterday_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the terms of the newest closed local day.", "site", "bay", "term")

	mAlarm      = gauge("alarm", "1 while the alarm stands on its own: raised, not folded, not muted.", "site", "bay", "kind", "subject", "severity")
	alarmLabels = []string{"site", "bay", "kind", "subject"}
	mAcked      = gauge("alarm_acknowledged", "1 when somebody has taken the alarm on.", alarmLabels...)
	mStands     = gauge("alarm_present", "0 once the trouble is gone and only the alarm's delay runs.", alarmLabels...)
	mReference  = gauge("alarm_reference", "Number by which the alarm is answered: bayledger ack takes it.", alarmLabels...)
	mRaised     = gauge("alarm_raised_timestamp_seconds", "When the alarm was first raised.", alarmLabels...)
	mSince      = gauge("alarm_since_timestamp_seconds", "Estimated onset of the trouble.", alarmLabels...)
	mRate       = gauge("alarm_rate_cubic_meters_per_second", "Water lost or gained now.", alarmLabels...)
	mVolume     = gauge("alarm_volume_cubic_meters", "Water lost or gained so far.", alarmLabels...)
	mVolumeU    = gauge("alarm_volume_uncertainty_cubic_meters", "Expanded uncertainty (k=2) of the volume.", alarmLabels...)
	mLeft       = gauge("alarm_time_left_seconds", "Time until the overflow runs or the surface suffers, whichever is first.", alarmLabels...)
	mToCrest    = gauge("alarm_time_to_crest_seconds", "Time until the overflow runs.", alarmLabels...)
	mToSoft     = gauge("alarm_time_to_soft_seconds", "Time until the surface suffers: is soft, dust or frozen.", alarmLabels...)
	mCarried    = gauge("alarm_overflow_carries", "1 where the overflow carries the whole flow, so that the court does not flood.", alarmLabels...)
	mConfidence = gauge("alarm_confidence_ratio", "Probability that the kind named is the cause.", alarmLabels...)
	mSuppressed = gauge("alarms_suppressed", "Alarms folded under a cause, shelved or muted.", "site")
)

func (h *Hub) collect(e emitter, now time.Time) {
	e.put(hConnected, one(h.connected))
	e.put(hMessages, float64(h.messages))
	for why, n := range h.refused {
		e.put(hRefused, float64(n), why)
	}
	for _, s := range h.inOrder() {
		silent := s.silent(now, h.opts.SilentAfter)
		if h.connected {
			e.put(hUp, one(!silent), s.id)
			e.put(hHeard, seconds(s.heard), s.id)
		}
		s.collectAlarms(e)
		if !silent && h.connected {
			s.collectValues(e)
		}
	}
}

func (s *siteState) collectValues(e emitter) {
	st := s.status
	e.put(mBuild, 1, s.id, st.Version)
	e.put(mOffset, st.UTCOffsetS, s.id)
	e.put(mStart, seconds(st.Started.Time), s.id)
	all, good := s.dataTime()
	e.put(mDataTime, seconds(all), s.id)
	e.put(mLastGood, seconds(good), s.id)
	for id, p := range s.points {
		r, have := s.live[id]
		if !have {
			continue
		}
		e.put(mPoint, r.value, s.id, p.Bay, id, string(p.Quantity))
		e.put(mQuality, float64(r.quality), s.id, p.Bay, id)
		e.put(mPointTime, seconds(r.time), s.id, p.Bay, id)
	}
	bays := s.bays()
	if st.Watch != nil {
		s.collectStanding(e, st.Watch, bays)
	}
	for _, b := range bays {
		for quantity, m := range map[site.Quantity]metric{site.Level: mLevel, site.SetPoint: mSetPoint, site.Flow: mFlow, site.ValveOpen: mValve} {
			if point := b.by[quantity]; point != "" {
				if r, have := s.live[point]; have {
					e.put(m, r.value, s.id, b.id)
				}
			}
		}
	}
}

// collectStanding tells how the watch itself stands, and the accounts of the bays that are in the
// site's list.
func (s *siteState) collectStanding(e emitter, w *site.Standing, bays map[string]bay) {
	e.put(mSeason, one(w.SeasonClosed), s.id)
	e.put(mClock, one(w.ClockSure), s.id)
	e.put(mReload, one(w.SiteFileRefused), s.id)
	e.put(mSamples, float64(w.Samples), s.id)
	e.put(mBad, float64(w.Bad), s.id)
	e.put(mUnjournal, float64(w.Unjournaled), s.id)
	e.put(mJournalOK, one(w.JournalOK), s.id)
	for _, l := range w.Links {
		e.put(mLinkUp, one(l.Up), s.id, l.Link)
		e.put(mForeign, one(l.OtherMaster), s.id, l.Link)
	}
	for _, u := range w.Units {
		e.put(mUnitUp, one(u.Up), s.id, u.Link, u.Unit)
		e.put(mRequests, float64(u.Requests), s.id, u.Link, u.Unit)
		e.put(mTimeouts, float64(u.Timeouts), s.id, u.Link, u.Unit)
		e.put(mBadFrames, float64(u.BadFrames), s.id, u.Link, u.Unit)
		e.put(mExceptions, float64(u.Exceptions), s.id, u.Link, u.Unit)
		e.put(mMissed, float64(u.Missed), s.id, u.Link, u.Unit)
		for _, percentile := range []string{"50", "90", "99"} {
			if ms, known := u.ReplyMS[percentile]; known {
				e.put(mReply, ms/1000, s.id, u.Link, u.Unit, percentile)
			}
		}
	}
	for _, k := range w.Sinks {
		e.put(mSinkUp, one(k.Up), s.id, k.Sink)
		e.put(mBehind, float64(k.Behind), s.id, k.Sink)
		e.put(mLag, k.LagS, s.id, k.Sink)
	}
	for _, b := range w.Accounts {
		if _, known := bays[b.Bay]; !known {
			continue // a bay that is new or gone: the list of points decides, which may come later
		}
		e.put(mCrest, scaled(b.CrestMM, 1e-3), s.id, b.Bay)
		e.put(mSettled, one(b.Settled), s.id, b.Bay)
		e.terms(mToday, mTodayU, b.Today, s.id, b.Bay)
		e.terms(mYesterday, mYesterU, b.Yesterday, s.id, b.Bay)
	}
}

func (e emitter) terms(value, u metric, terms []site.Term, id, bay string) {
	for _, t := range terms {
		e.put(value, t.L/1000, id, bay, t.Term)
		e.put(u, scaled(t.UL, 1e-3), id, bay, t.Term)
	}
}

// collectAlarms tells what stands, and the names its words need, also of a site that is silent.
func (s *siteState) collectAlarms(e emitter) {
	if st := s.status; st.Revision != "" {
		e.put(mSite, 1, s.id, st.Name, st.Revision, st.Units, st.ShutOff)
		e.put(mTells, one(st.Tells), s.id)
	}
	for _, b := range s.bays() {
		e.put(mBay, 1, s.id, b.court, b.id, b.name, s.status.Units, s.status.ShutOff)
	}
	suppressed := 0
	for i := range s.alarms {
		a := &s.alarms[i]
		if a.Quiet != "" || a.CauseID != "" || a.State == site.Cleared {
			suppressed++
			continue
		}
		l := []string{s.id, a.Bay, string(a.Kind), a.Subject}
		e.put(mAlarm, 1, append(l, string(a.Severity))...)
		e.put(mAcked, one(a.Acknowledged), l...)
		e.put(mStands, one(!a.Gone), l...)
		e.put(mReference, float64(a.Seq), l...)
		e.put(mRaised, seconds(raised(a.ID)), l...)
		e.put(mSince, seconds(a.Since.Time), l...)
		e.put(mRate, scaled(a.RateLPH, 1/3.6e6), l...)
		e.put(mVolume, scaled(a.Litres, 1e-3), l...)
		e.put(mVolumeU, scaled(a.LitresU, 1e-3), l...)
		e.put(mLeft, scaled(a.TimeLeftS, 1), l...)
		e.put(mToCrest, scaled(a.ToCrestS, 1), l...)
		e.put(mToSoft, scaled(a.ToSoftS, 1), l...)
		if a.Carried {
			e.put(mCarried, 1, l...)
		}
		e.put(mConfidence, scaled(a.Confidence, 1), l...)
	}
	e.put(mSuppressed, float64(suppressed), s.id)
}

// raised is the last part of an alarm's id (site.EventID); no time where it is none.
func raised(id string) time.Time {
	t, err := time.Parse(time.RFC3339, id[strings.LastIndexByte(id, '/')+1:])
	if err != nil {
		return time.Time{}
	}
	return t
}

// bay is one bay as the site's list of points shows it. by is the first point of each quantity by id.
type bay struct {
	id, court, name string
	by              map[site.Quantity]string
}

func (s *siteState) bays() map[string]bay {
	bays := map[string]bay{}
	for id, p := range s.points {
		if p.Bay == "" {
			continue
		}
		b, have := bays[p.Bay]
		if !have {
			b = bay{p.Bay, p.Court, p.BayName, map[site.Quantity]string{}}
			bays[p.Bay] = b
		}
		if first := b.by[p.Quantity]; first == "" || id < first {
			b.by[p.Quantity] = id
		}
	}
	return bays
}

func one(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// seconds is NaN, which is not emitted, for no time.
func seconds(t time.Time) float64 {
	if t.IsZero() {
		return math.NaN()
	}
	return float64(t.UnixMilli()) / 1000
}

func scaled(p *float64, factor float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p * factor
}
