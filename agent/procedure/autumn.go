package procedure

import (
	"math"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Figures are what a site had measured of itself at a winter close, for the next spring: the newest
// calibrations, and what the account and the readings of that day say. Keys are "porosity BAY" and so
// on, with "porosity_u BAY" for its expanded uncertainty (95 %) where that was measured; SI.
type Figures struct {
	Time   time.Time          `json:"time"`
	Values map[string]float64 `json:"values"`
}

// figure is one that was measured, with its expanded uncertainty (95 %).
type figure struct {
	Value float64   `json:"value"`
	U     float64   `json:"u"`
	At    time.Time `json:"at"`
}

// changed is by how much a figure whose uncertainty nobody measured must differ from autumn's to be told, as
// a share: more than seasons, weather and the measuring itself move it (our own choice; no source).
const changed = 0.15

// calibrated are the figures a step came to, by key.
func (h *house) calibrated(r *run, x *Result) map[string]figure {
	out := map[string]figure{}
	put := func(key, value, u string) {
		if v, ok := x.Values[value]; ok {
			out[key] = figure{v, x.Values[u], x.Ended}
		}
	}
	switch {
	case x.Values == nil || x.Outcome == PassedOver:
	case x.Step == "hold" && x.Outcome == Seen:
		out["hold_m3s"] = figure{0, x.Values["excluded_m3s"], x.Ended}
	case r.Kind == SpringOpening:
		if id, ok := strings.CutPrefix(x.Step, "start "); ok {
			put(keyOf("fill_m3s", id), "fill_m3s", "")
		}
		for _, id := range h.bayIDs() {
			for _, what := range []string{"porosity", "crest_m"} {
				put(keyOf(what, id), keyOf(what, id), unsure(keyOf(what, id)))
			}
		}
	case r.Kind != Calibrate || x.Outcome == NotPassed && x.Step != "bucket":
	case x.Step == "sensor":
		// Calibrations of two seasons are compared by what they make of the sensor's own word.
		if p := h.site.Find(r.Bay, site.Level); p != nil {
			now := h.inForce(p)
			g, o := h.compose(p, x.Values["gain"], x.Values["offset_m"])
			out[keyOf("slope", r.Bay)] = figure{g, x.Values["gain_u"] * now.Gain, x.Ended}
			out[keyOf("zero_m", r.Bay)] = figure{o, x.Values["offset_u"], x.Ended}
		}
	case x.Step == "bucket":
		if p := h.site.Find(r.Bay, site.Volume); p != nil && x.Values["gain"] > 0 {
			now := h.inForce(p)
			out[keyOf("meter", r.Bay)] = figure{x.Values["gain"] * now.Gain, x.Values["gain_u"] * now.Gain, x.Ended}
		}
	default:
		put(keyOf("porosity", r.Bay), "porosity", "porosity_u")
		put(keyOf("crest_m", r.Bay), "crest_m", "crest_u")
	}
	return out
}

// learn keeps the newest figures; of one procedure's two the surer.
func (b *Book) learn(r *run, found map[string]figure) {
	if b.st.Measured == nil {
		b.st.Measured = map[string]figure{}
	}
	for key, f := range found {
		if old, ok := b.st.Measured[key]; ok && !old.At.Before(r.Started) && old.U < f.U {
			continue
		}
		b.st.Measured[key] = f
	}
	b.house.measured = b.st.Measured
}

// readNow are the site's figures now: what was calibrated last, and what the account learned and the
// readings of this step say.
func (l *look) readNow() map[string]float64 {
	out := map[string]float64{}
	for key, f := range l.house.measured {
		if l.autumn != nil && !f.At.After(l.autumn.Time) && l.run.Kind == SpringOpening {
			continue // that is autumn's own
		}
		out[key] = f.Value
		if f.U > 0 {
			out[unsure(key)] = f.U
		}
	}
	put := func(key string, x float64) {
		if site.Known(x) && x != 0 {
			out[key] = x
		}
	}
	if r := l.trace(l.site.Find("", site.Pressure)); r != nil && r.LastT != 0 {
		put("pressure_pa", r.newest())
	}
	for _, id := range l.bayIDs() {
		if r := l.trace(l.site.Find(id, site.Level)); r != nil {
			put(keyOf("noise_m", id), r.spread(0, ms(l.now)))
		}
		if l.ledger == nil {
			continue
		}
		if n, ok := l.ledger.Now(id); ok {
			if _, ok := out[keyOf("fill_m3s", id)]; !ok || l.run.Kind != SpringOpening {
				put(keyOf("fill_m3s", id), n.Learned.FlowM3S)
			}
			put(keyOf("settle_s", id), n.Learned.SettleS)
			put(keyOf("settle_s_u", id), l.ledger.SettleU(id))
		}
	}
	return out
}

// unsure is the key of a figure's uncertainty.
func unsure(key string) string {
	what, place, _ := strings.Cut(key, " ")
	return keyOf(what+"_u", place)
}

// keyOf is the key of a figure of a place, "" being the site.
func keyOf(what, place string) string { return strings.TrimSpace(what + " " + place) }

// differ reports whether a figure has changed beyond both uncertainties, which are independent.
func differ(key string, was, is map[string]float64) bool {
	a, b := was[key], is[key]
	u := math.Hypot(was[unsure(key)], is[unsure(key)])
	if u == 0 {
		if strings.HasPrefix(key, "noise_m") {
			return b >= 2*a
		}
		u = changed * a
	}
	return math.Abs(b-a) > u
}

// changes says which figures have changed since autumn, and names those nobody has measured since, and
// those the first weeks will tell.
func (h *house) changes(now map[string]float64) (told, missing, later []string) {
	for _, key := range sortedKeys(h.autumn.Values) {
		what, place, _ := strings.Cut(key, " ")
		if strings.HasSuffix(what, "_u") {
			continue
		}
		was := h.autumn.Values[key]
		is, ok := now[key]
		switch {
		case !ok && (what == "porosity" || what == "crest_m") && h.learns(place):
			later = append(later, h.figureName(what, place))
		case !ok:
			missing = append(missing, h.figureName(what, place))
		case differ(key, h.autumn.Values, now):
			told = append(told, h.change(what, place, is, was, now[unsure(key)], h.autumn.Values[unsure(key)]))
		}
	}
	return told, missing, later
}

// figureName is a figure in words.
func (h *house) figureName(what, place string) string {
	switch what {
	case "pressure_pa":
		return h.say("supply pressure")
	case "hold_m3s":
		return h.say("static hold")
	case "fill_m3s":
		return h.say("flow of %s", place)
	case "noise_m":
		return h.say("noise of level %s", place)
	case "settle_s":
		return h.say("settling time of %s", place)
	case "zero_m":
		return h.say("zero of level %s", place)
	case "slope":
		return h.say("slope of level %s", place)
	case "meter":
		return h.say("factor of meter %s", place)
	case "porosity":
		return h.say("drainable porosity of %s", place)
	}
	return h.say("crest of %s", place)
}

// change says what a figure is and what it was.
func (h *house) change(what, place string, is, was, isU, wasU float64) string {
	name := h.figureName(what, place)
	both := func(of func(x float64) site.Phrase) string {
		return h.say("%s %s (± %s), was %s (± %s)", name, of(is), of(isU), of(was), of(wasU))
	}
	switch what {
	case "pressure_pa":
		return h.say("%s %s, was %s", name, site.Press(is), site.Press(was))
	case "hold_m3s":
		return h.say("%s %s, was %s", name, site.Rate(is), site.Rate(was))
	case "fill_m3s":
		return h.say("%s %s, was %s (strainer, regulator, valve)", name, site.Rate(is), site.Rate(was))
	case "noise_m":
		return h.say("%s %s, was %s (cable, vent tube)", name, site.Close(is), site.Close(was))
	case "settle_s":
		return h.say("%s %s, was %s (pipe between chamber and bay)", name, Span(seconds(is)), Span(seconds(was)))
	case "porosity":
		return both(func(x float64) site.Phrase { return site.Say("%.1f %%", 100*x) })
	case "zero_m", "crest_m":
		return both(func(x float64) site.Phrase { return site.Say("%s", site.Close(x)) })
	}
	return both(func(x float64) site.Phrase { return site.Say("%.3f", x) })
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// compare tells what has changed since the winter close.
func (l *look) compare() Verdict {
	if left := 2*time.Minute - l.elapsed(); left > 0 {
		return l.watching("", "Reading for another %s.", Span(left))
	}
	v := l.passed("No figures of last autumn are on record: these are the first.")
	v.Values = l.readNow()
	if l.autumn == nil {
		return v
	}
	day := l.voice.Time(l.autumn.Time, "2 Jan 2006")
	told, missing, later := l.changes(v.Values)
	if v.Says = l.say("As on %s.", day); len(told) > 0 {
		v.Says = l.say("Changed since %s: %s.", day, strings.Join(told, "; "))
	}
	if len(missing) > 0 {
		v.Says += l.say(" Not measured since: %s. A calibration of the bay measures them and says whether they have changed.", l.voice.List(missing))
	}
	if len(later) > 0 {
		v.Says += l.say(" To come from the first weeks: %s.", l.voice.List(later))
	}
	return v
}

// against says of a calibration's figures whether they have changed since last autumn; empty where nothing
// is known of then.
func (b *Book) against(r *run, step string, found map[string]figure) string {
	h := &b.house
	if h.autumn == nil || r.Kind != Calibrate && step != "weeks" || !h.autumn.Time.Before(r.Started) {
		return ""
	}
	var told []string
	n := 0
	for _, key := range sortedKeys(found) {
		was, ok := h.autumn.Values[key]
		if !ok {
			continue
		}
		n++
		f := found[key]
		if is := map[string]float64{key: f.Value, unsure(key): f.U}; differ(key, h.autumn.Values, is) {
			what, place, _ := strings.Cut(key, " ")
			told = append(told, h.change(what, place, f.Value, was, f.U, h.autumn.Values[unsure(key)]))
		}
	}
	day := h.voice.Time(h.autumn.Time, "2 Jan 2006")
	switch {
	case n == 0:
		return ""
	case len(told) == 0:
		return h.say("As on %s.", day)
	}
	return h.say("Changed since %s: %s.", day, strings.Join(told, "; "))
}
