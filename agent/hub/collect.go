package hub

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"bayledger/agent/series"
	"bayledger/agent/site"
)

// Describe implements prometheus.Collector. It sends nothing: what there is depends on the sites.
func (h *Hub) Describe(chan<- *prometheus.Desc) {}

// Collect implements prometheus.Collector.
func (h *Hub) Collect(ch chan<- prometheus.Metric) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.collect(series.Sink(ch), time.Now())
}

// The hub's own.
var (
	hConnected = series.Gauge("hub_connected", "1 while the hub is connected to the broker.")
	hMessages  = series.Counter("hub_messages_total", "Messages the broker has sent.")
	hRefused   = series.Counter("hub_refused_total", "Messages, or entries of one, that were refused.", "reason")
	hUp        = series.Gauge("hub_site_up", "1 while the site says it is watching; absent while the hub has no broker.", "site")
	hHeard     = series.Gauge("hub_site_last_message_timestamp_seconds", "When the site was last heard, or the hub began to listen.", "site")
)

func (h *Hub) collect(e series.Sink, now time.Time) {
	e.Put(hConnected, series.One(h.connected))
	e.Put(hMessages, float64(h.messages))
	for why, n := range h.refused {
		e.Put(hRefused, float64(n), why)
	}
	for _, s := range h.inOrder() {
		silent := s.silent(now, h.opts.SilentAfter)
		if h.connected {
			e.Put(hUp, series.One(!silent), s.id)
			e.Put(hHeard, series.Seconds(s.heard), s.id)
		}
		own := series.Site{Sink: e, ID: s.id}
		s.collectAlarms(own)
		if !silent && h.connected {
			s.collectValues(own)
		}
	}
}

func (s *siteState) collectValues(e series.Site) {
	st := s.status
	e.Put(series.Build, 1, st.Version)
	e.Put(series.Offset, st.UTCOffsetS)
	e.Put(series.Start, series.Seconds(st.Started.Time))
	all, good := s.dataTime()
	e.Put(series.DataTime, series.Seconds(all))
	e.Put(series.LastGood, series.Seconds(good))
	for id, p := range s.points {
		r, have := s.live[id]
		if !have {
			continue
		}
		e.Put(series.Point, r.value, p.Bay, id, string(p.Quantity))
		e.Put(series.Quality, float64(r.quality), p.Bay, id)
		e.Put(series.PointTime, series.Seconds(r.time), p.Bay, id)
	}
	bays := s.bays()
	if st.Watch != nil {
		e.Standing(st.Watch, func(bay string) bool {
			_, known := bays[bay] // of a bay that is new or gone the list of points decides, which may come later
			return known
		})
	}
	for _, b := range bays {
		for quantity, m := range map[site.Quantity]series.Metric{site.Level: series.Level, site.SetPoint: series.SetPoint,
			site.Flow: series.Flow, site.ValveOpen: series.ValveOpen} {
			if r, have := s.live[b.by[quantity]]; have {
				e.Put(m, r.value, b.id)
			}
		}
	}
}

// collectAlarms tells what stands, and the names its words need, also of a site that is silent.
func (s *siteState) collectAlarms(e series.Site) {
	if st := s.status; st.Revision != "" {
		e.Put(series.Info, 1, st.Name, st.Revision, st.Units, st.ShutOff)
		e.Put(series.Tells, series.One(st.Tells))
	}
	for _, b := range s.bays() {
		e.Put(series.Bay, 1, b.court, b.id, b.name, s.status.Units, s.status.ShutOff)
	}
	e.Alarms(s.alarms)
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
