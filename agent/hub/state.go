package hub

import (
	"encoding/json"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Limits of what one site may make the hub keep.
const (
	maxPayload = 1 << 20
	maxPoints  = 4096
	maxAlarms  = 4096
	maxEntries = 1024 // lines, units, sinks or bays of a status, each
	maxTerms   = 16   // of an account
	maxText    = 200  // bytes of a name or version
)

// Why a message, or an entry of one, was refused.
const (
	refusedSite      = "unknown-site"
	refusedPoint     = "unknown-point"
	refusedOther     = "of-another-site"
	refusedMalformed = "malformed"
)

// The payloads as the sites' relay writes them (agent/relay).
type (
	statusMessage struct {
		State      string     `json:"state"`
		Started    site.Stamp `json:"started"`
		Revision   string     `json:"revision"`
		Version    string     `json:"version"`
		Name       string     `json:"name"`
		Units      string     `json:"units"`
		ShutOff    string     `json:"shut_off"`
		UTCOffsetS float64    `json:"utc_offset_s"`
		Tells      bool       `json:"tells_itself"`
		// Watch is nil of a site that is offline or older than the hub.
		Watch *site.Standing `json:"watch"`
	}
	pointEntry struct {
		Point    string        `json:"point"`
		Bay      string        `json:"bay"`
		Court    string        `json:"court"`
		BayName  string        `json:"bay_name"`
		Quantity site.Quantity `json:"quantity"`
	}
	liveMessage struct {
		T site.Stamp `json:"t"`
		V *float64   `json:"v"`
		Q string     `json:"q"`
	}
)

// reading is a point's newest value, in SI.
type reading struct {
	time    time.Time
	value   float64 // NaN when bad
	quality site.Quality
}

// siteState is what the hub knows of one site.
type siteState struct {
	id     string
	heard  time.Time // when something new came last, or the hub connected
	status statusMessage
	points map[string]pointEntry // nil until the site's list has come
	live   map[string]reading
	// held are live values that came before the list of points, by point: retained messages come
	// in any order.
	held   map[string]heldValue
	alarms []site.OpenAlarm
}

type heldValue struct {
	bay     string
	payload []byte
}

// silent reports whether the site cannot be taken to be watching.
func (s *siteState) silent(now time.Time, after time.Duration) bool {
	return s.status.State != "online" || now.Sub(s.heard) > after
}

// dataTime is how far the site's watch has come, and its newest good reading: as it says itself,
// or, of a site that does not say, as its readings show.
func (s *siteState) dataTime() (all, good time.Time) {
	if w := s.status.Watch; w != nil {
		return w.DataTime.Time, w.LastReading.Time
	}
	for _, r := range s.live {
		if r.time.After(all) {
			all = r.time
		}
		if r.quality == site.Good && r.time.After(good) {
			good = r.time
		}
	}
	return all, good
}

// take brings the state up to date by one message and returns how many of its entries were
// refused, by reason. what is the topic behind the site's id.
func (s *siteState) take(what string, payload []byte) (refused map[string]int) {
	refuse := func(why string) {
		if refused == nil {
			refused = map[string]int{}
		}
		refused[why]++
	}
	if len(payload) > maxPayload {
		refuse(refusedMalformed)
		return refused
	}
	switch {
	case what == "status":
		var m statusMessage
		if len(payload) > 0 && (json.Unmarshal(payload, &m) != nil || !printable(m.Revision, m.Version, m.Name, m.Units, m.ShutOff)) {
			refuse(refusedMalformed)
			return refused
		}
		tidy(m.Watch, func() { refuse(refusedMalformed) })
		s.status = m
	case what == "points":
		s.takePoints(payload, refuse)
	case what == "alarms":
		s.takeAlarms(payload, refuse)
	case strings.HasPrefix(what, "live/"):
		bay, point, ok := strings.Cut(strings.TrimPrefix(what, "live/"), "/")
		if !ok {
			refuse(refusedMalformed)
			return refused
		}
		s.takeLive(bay, point, payload, refuse)
	}
	return refused
}

// tidy leaves of a standing what can become series: no entry twice, no name that cannot be a label.
func tidy(w *site.Standing, refuse func()) {
	if w == nil {
		return
	}
	w.Links = distinct(w.Links, maxEntries, refuse, func(l site.LinkState) []string { return []string{l.Link} })
	w.Units = distinct(w.Units, maxEntries, refuse, func(u site.UnitState) []string { return []string{u.Link, u.Unit} })
	w.Sinks = distinct(w.Sinks, maxEntries, refuse, func(k site.SinkState) []string { return []string{k.Sink} })
	w.Accounts = distinct(w.Accounts, maxEntries, refuse, func(b site.BayAccounts) []string { return []string{b.Bay} })
	name := func(t site.Term) []string { return []string{t.Term} }
	for i := range w.Accounts {
		b := &w.Accounts[i]
		b.Today, b.Yesterday = distinct(b.Today, maxTerms, refuse, name), distinct(b.Yesterday, maxTerms, refuse, name)
	}
}

// distinct keeps the entries whose names are printable and not those of one before, at most limit.
func distinct[T any](list []T, limit int, refuse func(), names func(T) []string) []T {
	seen := map[string]bool{}
	return slices.DeleteFunc(list, func(entry T) bool {
		n := names(entry)
		key := strings.Join(n, "\x00")
		if len(seen) >= limit || seen[key] || !printable(n...) {
			refuse()
			return true
		}
		seen[key] = true
		return false
	})
}

// takePoints replaces the list; what was known of points that have left it is forgotten.
func (s *siteState) takePoints(payload []byte, refuse func(string)) {
	var list []pointEntry
	if len(payload) > 0 && (json.Unmarshal(payload, &list) != nil || len(list) > maxPoints) {
		refuse(refusedMalformed)
		return
	}
	s.points = make(map[string]pointEntry, len(list))
	for _, p := range list {
		_, known := p.Quantity.Info()
		if !known || site.CheckID(p.Point) != "" || p.Bay != "" && (site.CheckID(p.Bay) != "" || site.CheckID(p.Court) != "") || !printable(p.BayName) {
			refuse(refusedMalformed)
			continue
		}
		s.points[p.Point] = p
	}
	for id := range s.live {
		if _, known := s.points[id]; !known {
			delete(s.live, id)
		}
	}
	s.alarms = slices.DeleteFunc(s.alarms, func(a site.OpenAlarm) bool {
		gone := a.Bay != "" && !s.hasBay(a.Bay)
		if gone {
			refuse(refusedPoint)
		}
		return gone
	})
	held := s.held
	s.held = nil
	for point, h := range held {
		s.takeLive(h.bay, point, h.payload, refuse)
	}
}

func (s *siteState) takeLive(bay, point string, payload []byte, refuse func(string)) {
	if s.points == nil {
		if len(s.held) >= maxPoints {
			refuse(refusedPoint)
			return
		}
		if s.held == nil {
			s.held = map[string]heldValue{}
		}
		s.held[point] = heldValue{bay, append([]byte(nil), payload...)}
		return
	}
	if bay == "site" {
		bay = ""
	}
	p, known := s.points[point]
	if len(payload) == 0 { // the topic of a point that is gone is being cleared
		delete(s.live, point)
		return
	}
	if !known || p.Bay != bay {
		refuse(refusedPoint)
		return
	}
	var m liveMessage
	if json.Unmarshal(payload, &m) != nil || m.T.IsZero() {
		refuse(refusedMalformed)
		return
	}
	if old, have := s.live[point]; have && m.T.Before(old.time) {
		return // a retained value that is older than what is known
	}
	r := reading{time: m.T.Time, value: site.Unknown(), quality: site.Bad}
	switch m.Q {
	case site.Good.String():
		r.quality = site.Good
	case site.Uncertain.String():
		r.quality = site.Uncertain
	}
	if info, _ := p.Quantity.Info(); m.V != nil && r.quality != site.Bad {
		r.value = *m.V / info.WireScale
	}
	s.live[point] = r
}

// takeAlarms replaces the list of open alarms.
func (s *siteState) takeAlarms(payload []byte, refuse func(string)) {
	var list []site.OpenAlarm
	if len(payload) > 0 && (json.Unmarshal(payload, &list) != nil || len(list) > maxAlarms) {
		refuse(refusedMalformed)
		return
	}
	s.alarms = nil
	seen := map[site.Key]bool{}
	for _, a := range list {
		switch {
		case a.Site != s.id || !strings.HasPrefix(a.ID, s.id+"/"):
			refuse(refusedOther)
		case a.V != site.EventVersion || !known(a.Kind) || !slices.Contains(severities, a.Severity) || !printable(a.Subject, a.Bay) || seen[a.Key()]:
			refuse(refusedMalformed)
		case a.Bay != "" && s.points != nil && !s.hasBay(a.Bay): // before the list has come it is looked at then
			refuse(refusedPoint)
		default:
			seen[a.Key()] = true
			s.alarms = append(s.alarms, a)
		}
	}
}

var severities = []site.Severity{site.Info, site.Warning, site.Urgent}

func known(k site.Kind) bool {
	_, ok := k.Info()
	return ok
}

// hasBay reports whether the site's own list of points names the bay.
func (s *siteState) hasBay(bay string) bool {
	for _, p := range s.points {
		if p.Bay == bay {
			return true
		}
	}
	return false
}

// printable reports whether texts may become labels.
func printable(texts ...string) bool {
	for _, t := range texts {
		if len(t) > maxText || strings.ToValidUTF8(t, "") != t {
			return false
		}
	}
	return true
}
