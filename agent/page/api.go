package page

import (
	"fmt"
	"net/http"
	"strconv"
	"time"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
	"bayledger/agent/water"
)

// The API speaks the units of the MQTT topics: mm, L/min, L, degC, kPa; every time is RFC 3339
// in UTC with milliseconds. An unknown number is absent.

// apiBays is the answer to GET /api/v1/bays.
type apiBays struct {
	Number uint64     `json:"number"`
	Time   site.Stamp `json:"time"`
	Site   string     `json:"site"`
	Closed bool       `json:"season_closed"`
	Bays   []apiBay   `json:"bays"`
}

type apiBay struct {
	ID           string      `json:"id"`
	Name         string      `json:"name"`
	Court        string      `json:"court"`
	Doing        Doing       `json:"doing"`
	LevelMM      *float64    `json:"level_mm,omitempty"`
	BayLevelMM   *float64    `json:"bay_level_mm,omitempty"`
	BayLevelUMM  *float64    `json:"bay_level_u_mm,omitempty"`
	RoomL        *float64    `json:"room_l,omitempty"`
	LevelTime    *site.Stamp `json:"level_time,omitempty"`
	LevelQuality string      `json:"level_quality"`
	LevelWhy     string      `json:"level_why,omitempty"`
	SetPointMM   *float64    `json:"set_point_mm,omitempty"`
	BandMM       *float64    `json:"band_mm,omitempty"`
	CrestMM      *float64    `json:"crest_mm,omitempty"`
	FlowLPM      *float64    `json:"flow_lpm,omitempty"`
	Valve        string      `json:"valve"`
	Settled      bool        `json:"settled"`
	LastFill     *apiFill    `json:"last_fill,omitempty"`
	Alarms       []string    `json:"alarms"`
}

type apiFill struct {
	Start  site.Stamp  `json:"start"`
	End    *site.Stamp `json:"end,omitempty"`
	Litres *float64    `json:"litres,omitempty"`
}

type apiPoints struct {
	Time   site.Stamp `json:"time"`
	Site   string     `json:"site"`
	Points []apiPoint `json:"points"`
}

type apiPoint struct {
	Point    string        `json:"point"`
	Bay      string        `json:"bay"`
	Quantity site.Quantity `json:"quantity"`
	Unit     string        `json:"unit"`
	Value    *float64      `json:"value,omitempty"`
	Quality  string        `json:"quality"`
	Why      string        `json:"why,omitempty"`
	Time     *site.Stamp   `json:"time,omitempty"`
}

type apiAlarms struct {
	Time   site.Stamp `json:"time"`
	Site   string     `json:"site"`
	Alarms []apiAlarm `json:"alarms"`
}

type apiAlarm struct {
	site.Event
	Phase        alarm.Phase `json:"phase"`
	Told         bool        `json:"told"`
	Why          string      `json:"suppressed_because,omitempty"`
	AckedAt      *site.Stamp `json:"acked_at,omitempty"`
	AckedBy      string      `json:"acked_by,omitempty"`
	ShelvedUntil *site.Stamp `json:"shelved_until,omitempty"`
}

type apiEvents struct {
	From   site.Stamp   `json:"from"`
	To     site.Stamp   `json:"to"`
	Events []site.Event `json:"events"`
}

type apiAccounts struct {
	Site     string       `json:"site"`
	Accounts []apiAccount `json:"accounts"`
}

// apiAccount gives every term in litres; _u is the expanded uncertainty (k=2).
type apiAccount struct {
	Bay           string     `json:"bay"`
	From          site.Stamp `json:"from"`
	To            site.Stamp `json:"to"`
	Open          bool       `json:"open"`
	MeteredL      *float64   `json:"metered_l,omitempty"`
	MeteredUL     *float64   `json:"metered_u_l,omitempty"`
	HandL         *float64   `json:"by_hand_l,omitempty"`
	RainL         *float64   `json:"rain_l,omitempty"`
	RainUL        *float64   `json:"rain_u_l,omitempty"`
	EvaporatedL   *float64   `json:"evaporated_l,omitempty"`
	EvaporatedUL  *float64   `json:"evaporated_u_l,omitempty"`
	OverflowL     *float64   `json:"overflow_l,omitempty"`
	OverflowUL    *float64   `json:"overflow_u_l,omitempty"`
	HeldChangeL   *float64   `json:"held_change_l,omitempty"`
	HeldChangeUL  *float64   `json:"held_change_u_l,omitempty"`
	UnexplainedL  *float64   `json:"unexplained_l,omitempty"`
	UnexplainedUL *float64   `json:"unexplained_u_l,omitempty"`
	OverflowRan   bool       `json:"overflow_ran"`
	FromSettled   bool       `json:"from_settled"`
	ToSettled     bool       `json:"to_settled"`
	ETMM          *float64   `json:"reference_et_mm,omitempty"`
	Revision      string     `json:"revision"`
}

// apiSeries is a point's readings, one column for each figure and all columns of one length, so
// that a day of minutes stays small. Times are seconds since 1970; a bad reading has a null.
type apiSeries struct {
	Point string     `json:"point"`
	Unit  string     `json:"unit"`
	StepS float64    `json:"step_s"`
	TimeS []float64  `json:"time_s"`
	Value []*float64 `json:"value"`
	Min   []*float64 `json:"min"`
	Max   []*float64 `json:"max"`
}

func (s *Server) routesAPI(mux *http.ServeMux) {
	api := func(pattern string, f func(r *http.Request, v *View) (any, error)) {
		mux.HandleFunc("GET "+pattern, func(w http.ResponseWriter, r *http.Request) {
			v := viewOf(r, s)
			if v == nil || v.Site == nil {
				w.Header().Set("Retry-After", "5")
				s.fail(w, r, nothingYet)
				return
			}
			body, err := f(r, v)
			if err != nil {
				s.fail(w, r, err)
				return
			}
			writeJSON(w, http.StatusOK, body)
		})
	}
	api("/api/v1/bays", func(_ *http.Request, v *View) (any, error) { return baysOf(v), nil })
	api("/api/v1/points", func(_ *http.Request, v *View) (any, error) { return pointsOf(v), nil })
	api("/api/v1/points/{point}", s.apiSeries)
	api("/api/v1/alarms", func(_ *http.Request, v *View) (any, error) { return alarmsOf(v), nil })
	api("/api/v1/events", s.apiEvents)
	api("/api/v1/account", s.apiAccount)
	mux.HandleFunc("GET /api/v1/stream", s.stream)
	mux.HandleFunc("GET /api/v1/openapi.json", s.openAPI)
}

func stampOf(t time.Time) *site.Stamp {
	if t.IsZero() {
		return nil
	}
	return &site.Stamp{Time: t}
}

func baysOf(v *View) apiBays {
	out := apiBays{Number: v.Number, Time: site.Stamp{Time: v.Time}, Site: v.Site.ID, Closed: v.Closed, Bays: []apiBay{}}
	for i := range v.Bays {
		b := &v.Bays[i]
		sb := v.Site.Bay(b.Bay)
		a := apiBay{ID: b.Bay, Name: bayName(v.Site, b.Bay), Court: sb.Court, Doing: v.doing(b), LevelMM: site.Num(v.levelOf(b) * 1000),
			BayLevelMM: site.Num(b.BayLevelM * 1000), BayLevelUMM: site.Num(b.BayLevelU * 1000),
			LevelTime: stampOf(b.LevelAt), LevelQuality: b.Quality.String(), LevelWhy: string(v.why(b.Bay)), SetPointMM: site.Num(b.SetPointM * 1000),
			BandMM: site.Num(sb.BandM * 1000), CrestMM: site.Num(sb.CrestM * 1000), FlowLPM: site.Num(b.FlowM3S * 60000), Valve: valveWord(b),
			Settled: b.Settled, RoomL: site.Num(b.RoomM3 * 1000), Alarms: []string{}}
		if !b.LastFill.From.IsZero() {
			a.LastFill = &apiFill{Start: site.Stamp{Time: b.LastFill.From}, End: stampOf(b.LastFill.To), Litres: site.Num(b.LastFill.VolumeM3 * 1000)}
		}
		for _, al := range v.Alarms {
			if al.Present && al.Event.ID != "" && concerns(al.Event, b.Bay) {
				a.Alarms = append(a.Alarms, al.Event.ID)
			}
		}
		out.Bays = append(out.Bays, a)
	}
	return out
}

func valveWord(b *Bay) string {
	switch {
	case !b.ValveKnown:
		return "unknown"
	case b.Open:
		return "open"
	}
	return "shut"
}

func pointsOf(v *View) apiPoints {
	out := apiPoints{Time: site.Stamp{Time: v.Time}, Site: v.Site.ID, Points: []apiPoint{}}
	for _, r := range v.Readings {
		info, _ := r.Quantity.Info()
		p := apiPoint{Point: r.Point, Bay: r.Bay, Quantity: r.Quantity, Unit: info.WireUnit, Quality: r.Quality.String(), Why: string(r.Why), Time: stampOf(r.Time)}
		if r.Quality != site.Bad {
			p.Value = site.Num(r.Value * info.WireScale)
		}
		out.Points = append(out.Points, p)
	}
	return out
}

func alarmsOf(v *View) apiAlarms {
	out := apiAlarms{Time: site.Stamp{Time: v.Time}, Site: v.Site.ID, Alarms: []apiAlarm{}}
	for _, a := range v.Alarms {
		e := a.Now
		if !a.Present {
			e = a.Event
		}
		e.ID, e.Seq = a.Event.ID, a.Event.Seq
		out.Alarms = append(out.Alarms, apiAlarm{Event: e, Phase: a.Phase, Told: a.Told, Why: a.Why, AckedAt: stampOf(a.AckAt), AckedBy: a.AckBy, ShelvedUntil: stampOf(a.ShelvedUntil)})
	}
	return out
}

// noHistory answers what needs the journal where there is none.
var noHistory = apiError(http.StatusNotImplemented, "This watch keeps no journal to answer from.")

// spanOf reads from and to, RFC 3339, with defaults; to must be after from and the span at most
// limit.
func spanOf(r *http.Request, from, to time.Time, limit time.Duration) (time.Time, time.Time, error) {
	for _, q := range []struct {
		name string
		t    *time.Time
	}{{"from", &from}, {"to", &to}} {
		text := r.URL.Query().Get(q.name)
		if text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return from, to, apiError(http.StatusBadRequest, "%s=%q is not a time; write for example 2026-06-01T00:00:00Z.", q.name, text)
		}
		*q.t = t.UTC()
	}
	switch {
	case !to.After(from):
		return from, to, apiError(http.StatusBadRequest, "The span ends before it begins: to must be after from.")
	case to.Sub(from) > limit:
		return from, to, apiError(http.StatusBadRequest, "The span is longer than %s; ask for it in parts.", english.Span(limit))
	}
	return from, to, nil
}

func (s *Server) apiEvents(r *http.Request, v *View) (any, error) {
	if s.deps.History == nil {
		return nil, noHistory
	}
	now := s.deps.Now()
	from, to, err := spanOf(r, now.Add(-pastSpan), now.Add(time.Second), 400*24*time.Hour)
	if err != nil {
		return nil, err
	}
	bay, limit := r.URL.Query().Get("bay"), 1000
	if bay != "" && v.Site.Bay(bay) == nil {
		return nil, noBay(bay)
	}
	if text := r.URL.Query().Get("limit"); text != "" {
		if limit, err = strconv.Atoi(text); err != nil || limit < 1 || limit > 10000 {
			return nil, apiError(http.StatusBadRequest, "limit=%q is not a number between 1 and 10000.", text)
		}
	}
	events, err := s.deps.History.Events(r.Context(), from, to, bay, limit)
	if err != nil {
		return nil, fmt.Errorf("page: read events: %w", err)
	}
	if events == nil {
		events = []site.Event{}
	}
	return apiEvents{From: site.Stamp{Time: from}, To: site.Stamp{Time: to}, Events: events}, nil
}

func (s *Server) apiAccount(r *http.Request, v *View) (any, error) {
	now := s.deps.Now()
	from, to, err := spanOf(r, now.Add(-pastSpan), now.Add(time.Second), 400*24*time.Hour)
	if err != nil {
		return nil, err
	}
	only := r.URL.Query().Get("bay")
	if only != "" && v.Site.Bay(only) == nil {
		return nil, noBay(only)
	}
	out := apiAccounts{Site: v.Site.ID, Accounts: []apiAccount{}}
	for i := range v.Bays {
		b := &v.Bays[i]
		if only != "" && only != b.Bay {
			continue
		}
		for _, d := range b.Days {
			if !d.From.Before(from) && d.From.Before(to) {
				out.Accounts = append(out.Accounts, accountOf(d, false))
			}
		}
		if d := b.Today; !d.From.IsZero() && !d.From.Before(from) && d.From.Before(to) {
			out.Accounts = append(out.Accounts, accountOf(d, true))
		}
	}
	return out, nil
}

func accountOf(a water.Account, open bool) apiAccount {
	l := func(m3 float64) *float64 { return site.Num(m3 * 1000) }
	return apiAccount{Bay: a.Bay, From: site.Stamp{Time: a.From}, To: site.Stamp{Time: a.To}, Open: open,
		MeteredL: l(a.MeteredM3), MeteredUL: l(a.MeteredU), HandL: l(a.ByHandM3), RainL: l(a.RainM3), RainUL: l(a.RainU),
		EvaporatedL: l(a.EvaporatedM3), EvaporatedUL: l(a.EvaporatedU), OverflowL: l(a.OverflowM3), OverflowUL: l(a.OverflowU), HeldChangeL: l(a.HeldM3), HeldChangeUL: l(a.HeldU),
		UnexplainedL: l(a.UnexplainedM3), UnexplainedUL: l(a.UnexplainedU), OverflowRan: a.OverflowRan, FromSettled: a.FromSettled, ToSettled: a.ToSettled,
		ETMM: l(a.ETM), Revision: a.Revision}
}

// mostDots bounds an answer of the series: more than a wall screen has pixels is waste.
const mostDots = 20000

func (s *Server) apiSeries(r *http.Request, v *View) (any, error) {
	if s.deps.History == nil {
		return nil, noHistory
	}
	p := v.Site.Point(r.PathValue("point"))
	if p == nil {
		return nil, apiError(http.StatusNotFound, "There is no point %q.", r.PathValue("point"))
	}
	now := s.deps.Now()
	from, to, err := spanOf(r, now.Add(-24*time.Hour), now.Add(time.Second), 400*24*time.Hour)
	if err != nil {
		return nil, err
	}
	step := time.Minute
	if text := r.URL.Query().Get("step"); text != "" {
		if step, err = time.ParseDuration(text); err != nil || step < time.Minute || step%time.Minute != 0 {
			return nil, apiError(http.StatusBadRequest, "step=%q is not a whole number of minutes; write for example 5m or 1h.", text)
		}
	}
	if n := to.Sub(from) / step; n > mostDots {
		return nil, apiError(http.StatusBadRequest, "That would be %d dots, more than %d; ask for a longer step or a shorter span.", n, mostDots)
	}
	dots, err := s.deps.History.Series(r.Context(), p.ID, from, to, step)
	if err != nil {
		return nil, fmt.Errorf("page: read the series of %s: %w", p.ID, err)
	}
	info, _ := p.Quantity.Info()
	out := apiSeries{Point: p.ID, Unit: info.WireUnit, StepS: step.Seconds(), TimeS: make([]float64, len(dots)), Value: make([]*float64, len(dots)), Min: make([]*float64, len(dots)), Max: make([]*float64, len(dots))}
	for i, d := range dots {
		out.TimeS[i] = float64(d.Time.UnixMilli()) / 1000
		out.Value[i] = site.Num(d.Value * info.WireScale)
		out.Min[i], out.Max[i] = site.Num(d.Min*info.WireScale), site.Num(d.Max*info.WireScale)
	}
	return out, nil
}

// apiHealth is the answer of /healthz.
type apiHealth struct {
	Status      string      `json:"status"`
	Why         []string    `json:"why"`
	LastReading *site.Stamp `json:"last_reading,omitempty"`
	Version     string      `json:"version,omitempty"`
}

// healthz says 200 only while the watch can be relied on: fresh readings that reach the account.
// A link or sink that is away is told in the body; it is not made better by a restart.
func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	v := viewOf(r, s)
	h := apiHealth{Status: "ok", Why: []string{}}
	status := http.StatusOK
	if why := s.blind(v); why != "" {
		h.Status, status = "blind", http.StatusServiceUnavailable
		h.Why = append(h.Why, why)
	}
	if v != nil {
		h.LastReading, h.Version = stampOf(v.Watch.LastReading), v.Watch.Version
		for _, l := range v.Watch.Links {
			if !l.Up {
				h.Why = append(h.Why, "link "+l.ID+" does not answer")
			}
		}
		for _, k := range v.Watch.Sinks {
			if !k.Up {
				h.Why = append(h.Why, "sink "+k.ID+" does not take data")
			}
		}
		if !v.Watch.Journal.OK {
			h.Why = append(h.Why, "the journal does not take readings")
		}
		if h.Status == "ok" && len(h.Why) > 0 {
			h.Status = "impaired"
		}
	}
	writeJSON(w, status, h)
}
