package relay

import (
	"encoding/json"
	"math"
	"slices"
	"strings"

	"bayledger/agent/site"
)

// liveValue is the payload of a live topic. V is absent when the reading is bad.
type liveValue struct {
	T site.Stamp `json:"t"`
	V *float64   `json:"v,omitempty"`
	Q string     `json:"q"`
}

// historyValue is one sample in a batch of the history topic.
type historyValue struct {
	Seq   int64      `json:"seq"`
	Point string     `json:"point"`
	T     site.Stamp `json:"t"`
	V     *float64   `json:"v,omitempty"`
	Q     string     `json:"q"`
}

// pointInfo is one entry of the points topic.
type pointInfo struct {
	Point    string        `json:"point"`
	Bay      string        `json:"bay"`
	Court    string        `json:"court"`
	BayName  string        `json:"bay_name,omitempty"`
	Quantity site.Quantity `json:"quantity"`
	Device   string        `json:"device"`
	Unit     string        `json:"unit"`
}

// status is the payload of the status topic.
type status struct {
	State string `json:"state"`
	// T is when this was written; a will was written when the connection began.
	T        site.Stamp `json:"t"`
	Since    site.Stamp `json:"since"` // begin of the connection
	Revision string     `json:"revision"`
	Version  string     `json:"version,omitempty"`
	// What a reader of many sites needs to speak of this one: when the daemon started, the site's
	// name, the units it is told in ("mm/L" or "in/gal"), where its supply is shut, and how many
	// seconds its clock is ahead of UTC.
	Started    site.Stamp `json:"started"`
	Name       string     `json:"name,omitempty"`
	Units      string     `json:"units"`
	ShutOff    string     `json:"shut_off,omitempty"`
	UTCOffsetS int        `json:"utc_offset_s"`
	// TellsItself is true where the daemon tells people of its alarms and nobody else shall.
	TellsItself bool `json:"tells_itself,omitempty"`
	// Reason is "stopped" when the daemon said good-bye and "lost" when the broker found out.
	Reason string `json:"reason,omitempty"`
	// Watch stands in for a scrape. A status that says offline has none.
	Watch *site.Standing `json:"watch,omitempty"`
}

// same reports whether two lists say the same.
func same(a, b []site.OpenAlarm) bool {
	return slices.EqualFunc(a, b, func(x, y site.OpenAlarm) bool {
		return x.ID == y.ID && x.Seq == y.Seq && x.State == y.State && x.Acknowledged == y.Acknowledged && x.Gone == y.Gone && x.Quiet == y.Quiet
	})
}

// wire is the value of a sample in the fixed unit of its quantity, or nil when there is none.
func wire(p *site.Point, s site.Sample) *float64 {
	info, ok := p.Quantity.Info()
	if !ok || s.Quality == site.Bad || !site.Known(s.Value) {
		return nil
	}
	v := s.Value * info.WireScale
	if v != 0 {
		// 12 digits keep a meter's register to the millilitre and drop what the scaling added.
		if scale := math.Pow10(11 - int(math.Floor(math.Log10(math.Abs(v))))); scale > 0 && !math.IsInf(scale, 0) {
			v = math.Round(v*scale) / scale
		}
	}
	return &v
}

func livePayload(p *site.Point, s site.Sample) []byte {
	return encode(liveValue{T: site.Stamp{Time: s.Time}, V: wire(p, s), Q: s.Quality.String()})
}

// pointsPayload lists the points of a site by id.
func pointsPayload(s *site.Site) []byte {
	list := make([]pointInfo, 0, len(s.Points))
	for i := range s.Points {
		p := &s.Points[i]
		q := pointInfo{Point: p.ID, Bay: p.Bay, Quantity: p.Quantity, Device: p.Device}
		if b := s.Bay(p.Bay); b != nil {
			q.Court, q.BayName = b.Court, b.Name
		}
		if info, ok := p.Quantity.Info(); ok {
			q.Unit = info.WireUnit
		}
		list = append(list, q)
	}
	slices.SortFunc(list, func(a, b pointInfo) int { return strings.Compare(a.Point, b.Point) })
	return encode(list)
}

func alarmsPayload(list []site.OpenAlarm) []byte {
	if list == nil {
		list = []site.OpenAlarm{}
	}
	return encode(list)
}

// encode never fails: the types above hold no NaN, no channel and no cycle.
func encode(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic("relay: encode: " + err.Error())
	}
	return b
}

// topics are the names under which one site publishes.
type topics struct{ root string }

func topicsOf(prefix, siteID string) topics { return topics{prefix + "/" + siteID} }

func (t topics) status() string  { return t.root + "/status" }
func (t topics) events() string  { return t.root + "/events" }
func (t topics) alarms() string  { return t.root + "/alarms" }
func (t topics) points() string  { return t.root + "/points" }
func (t topics) history() string { return t.root + "/history" }
func (t topics) allLive() string { return t.root + "/live/#" }

func (t topics) live(p *site.Point) string {
	bay := p.Bay
	if bay == "" {
		bay = "site"
	}
	return t.root + "/live/" + bay + "/" + p.ID
}
