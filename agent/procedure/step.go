package procedure

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// step is one thing to do. A step without judge is done when the person answers; one without ask
// when the tool has seen enough; one with both when both are so.
type step struct {
	id, title string
	do        []string
	caution   []string
	ask       *Ask
	judge     func(l *look) Verdict
	// expect is how long it takes.
	expect time.Duration
	// alone is true for a step that needs nobody: its bays page meanwhile as always, and nobody
	// is missed.
	alone bool
	// must is true for a step that cannot be passed over when it fails.
	must bool
	// bays are those whose readings go into the result.
	bays []string
}

// Ask is what a person is asked for.
type Ask struct {
	Kind  AskKind `json:"kind"`
	Label string  `json:"label"`
	// Dim is the dimension of a number, empty for a bare one; Unit the unit it is meant in when
	// none is typed. Min and Max bound it, in SI.
	Dim      site.Dimension `json:"dim,omitempty"`
	Unit     string         `json:"unit,omitempty"`
	Min, Max float64        `json:"-"`
	Choices  []Choice       `json:"choices,omitempty"`
}

// AskKind is the form of an answer.
type AskKind string

// The forms.
const (
	AskConfirm AskKind = "confirm"
	AskChoice  AskKind = "choice"
	AskNumber  AskKind = "number"
	AskDate    AskKind = "date"
)

// Choice is one of the answers to choose from.
type Choice struct {
	Word  string `json:"word"`
	Label string `json:"label"`
}

// in is the question in the site's language.
func (a *Ask) in(v words.Voice) *Ask {
	if a == nil {
		return nil
	}
	out := *a
	out.Label, out.Choices = v.Say(a.Label), slices.Clone(a.Choices)
	for i := range out.Choices {
		out.Choices[i].Label = v.Say(out.Choices[i].Label)
	}
	return &out
}

// parse turns what was typed into a number in SI (NaN where there is none) and a word.
func (a *Ask) parse(text string, v words.Voice) (float64, string, error) {
	no := func(phrase string, args ...any) error { return errors.New(v.Say(phrase, args...)) }
	text = strings.TrimSpace(text)
	switch a.Kind {
	case AskChoice:
		for i, c := range a.Choices {
			if strings.EqualFold(text, c.Word) || text == strconv.Itoa(i+1) {
				return math.NaN(), c.Word, nil
			}
		}
		all := make([]string, len(a.Choices))
		for i, c := range a.Choices {
			all[i] = c.Word
		}
		return 0, "", no("%q is none of the answers; they are %s", clip(text), strings.Join(all, ", "))
	case AskNumber:
		x, ok := a.number(strings.Replace(text, ",", ".", 1))
		switch {
		case !ok:
			return 0, "", no("%q is not a number; write for example %s", clip(text), v.Figure(a.words((a.Min+a.Max)/2)))
		case x < a.Min || x > a.Max:
			return 0, "", no("%s cannot be; it lies between %s and %s", clip(text), v.Figure(a.words(a.Min)), v.Figure(a.words(a.Max)))
		}
		return x, "", nil
	case AskDate:
		d, err := time.Parse("2006-01-02", text)
		if err != nil {
			return 0, "", no("%q is not a date; write for example 2026-03-28", clip(text))
		}
		return math.NaN(), d.Format("2006-01-02"), nil
	}
	switch strings.ToLower(text) {
	case "", "y", "yes", "ok", "done", "j", "ja", "fertig":
		return math.NaN(), "yes", nil
	}
	return 0, "", no("%q is not understood; answer yes when it is done", clip(text))
}

// inches is what a tape shows: "2 3/8", with or without the unit.
var inches = regexp.MustCompile(`^(?:(\d+)[ -])?(\d+)/(\d+) *(?:in|")?$`)

// number reads a number in SI, in the unit that is meant when none is typed.
func (a *Ask) number(text string) (x float64, ok bool) {
	if m := inches.FindStringSubmatch(text); m != nil && a.Unit == "in" {
		whole, _ := strconv.ParseFloat(cmp.Or(m[1], "0"), 64) // digits only
		part, _ := strconv.ParseFloat(m[2], 64)
		of, _ := strconv.ParseFloat(m[3], 64)
		text = strconv.FormatFloat(whole+part/of, 'g', -1, 64) // a nought below the line is no number
	}
	x, err := strconv.ParseFloat(text, 64)
	if a.Dim == "" {
		return x, err == nil && site.Known(x)
	}
	if err == nil {
		text = strings.TrimSpace(fmt.Sprintf("%v %s", x, a.Unit))
	}
	x, err = site.Parse(a.Dim, text)
	return x, err == nil
}

// words writes a bound in the unit that is asked for.
func (a *Ask) words(v float64) string {
	if a.Dim == "" {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	scale, offset, err := site.UnitScale(a.Dim, a.Unit)
	if err != nil {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	return strconv.FormatFloat((v-offset)/scale, 'g', 4, 64) + " " + a.Unit
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}

// State of a step as the tool judges it.
type State string

// The states of a verdict.
const (
	Watching  State = "watching"
	Passed    State = "passed"
	Failed    State = "failed"
	Undecided State = "undecided"
)

// Verdict is what the tool makes of a step's readings at one moment.
type Verdict struct {
	State State  `json:"state"`
	Says  string `json:"says"`
	// Lines are the live readings it rests on.
	Lines []string `json:"lines,omitempty"`
	// Phase changes when the step has come further: somebody is at work.
	Phase string `json:"phase,omitempty"`
	// Values and Notes are what later steps and the record need.
	Values map[string]float64 `json:"values,omitempty"`
	Notes  map[string]string  `json:"notes,omitempty"`
	// Fix are the lines of the site file that put right what was found.
	Fix []string `json:"fix,omitempty"`
	// Back is the step to go back to when a failed one is done again; empty is the step itself.
	Back string `json:"back,omitempty"`
	// Early is true while it is too soon for the person's answer: it is not taken yet.
	Early bool `json:"early,omitempty"`
	// Enough is true when the step ends without the person's answer.
	Enough bool `json:"-"`
	// Calibrations are corrections that the person may take over, as records.
	Calibrations []Correction `json:"calibrations,omitempty"`
}

// Correction is a calibration a step came to: true = Gain*shown + Offset, SI, with the expanded
// uncertainties of 95 %.
type Correction struct {
	Point  string  `json:"point"`
	Gain   float64 `json:"gain"`
	GainU  float64 `json:"gain_u"`
	Offset float64 `json:"offset"`
	// OffsetU is that of the offset; 0 where the correction has none.
	OffsetU float64 `json:"offset_u"`
}

func (h *house) watching(phase, words string, args ...any) Verdict {
	return Verdict{State: Watching, Phase: phase, Says: h.say(words, args...)}
}

func (h *house) passed(words string, args ...any) Verdict {
	return Verdict{State: Passed, Phase: "passed", Says: h.say(words, args...)}
}

func (h *house) failed(words string, args ...any) Verdict {
	return Verdict{State: Failed, Phase: "failed", Says: h.say(words, args...)}
}

// look is everything a judge may look at.
type look struct {
	*house
	run *run
	// since is when the step began, now the tick.
	since, now time.Time
	traces     map[string]*trace
	// answered is true once the person has answered this step: value and word are the answer.
	answered   bool
	answeredAt time.Time
	value      float64
	word       string
}

// house is the site with what the procedures know of it.
type house struct {
	site  *site.Site
	voice words.Voice
	o     site.Commission
	// ledger may be nil; what it has learned is then not known.
	ledger *water.Ledger
	// autumn is what the last winter close found; nil before the first.
	autumn *Figures
	// measured are the newest calibrations' figures.
	measured map[string]figure
	// accepted are the corrections people took over, by point.
	accepted map[string]force
}

// say puts a phrase into the site's language.
func (h *house) say(words string, args ...any) string { return h.voice.Say(words, args...) }

// siteLine is a line of the site file, which is the same in every language.
func siteLine(format string, args ...any) string { return fmt.Sprintf(format, args...) }

// says does with each of several.
func (h *house) says(phrases []string) []string {
	if phrases == nil {
		return nil
	}
	out := make([]string, len(phrases))
	for i, p := range phrases {
		out[i] = h.say(p)
	}
	return out
}

// elapsed since the step began, which an answer may have done after the tick that is judged.
func (l *look) elapsed() time.Duration { return max(0, l.now.Sub(l.since)) }

// trace of a point, nil when it gave no reading in this step.
func (l *look) trace(p *site.Point) *trace {
	if p == nil {
		return nil
	}
	return l.traces[p.ID]
}

// blind reports whether a point gives nothing to see by: no good reading in this step, or none lately.
func (l *look) blind(p *site.Point) bool { return l.silent(p, time.Minute) }

// silent reports whether a point has given no good reading for so long, or for three of its own intervals.
func (l *look) silent(p *site.Point, d time.Duration) bool {
	r := l.trace(p)
	return r == nil || r.LastT == 0 || l.now.Sub(time.UnixMilli(r.LastT)) > max(d, 3*p.Interval)
}

// hiccup is how long a line may be dead in a watch of hours or days before what hangs on it counts as blind.
const hiccup = 10 * time.Minute

// blindMeters names the bays, and the main as "", whose meter gives nothing to see by.
func (l *look) blindMeters(places ...string) (out []string) {
	for _, id := range places {
		if p := l.meterOf(id); p != nil && l.blind(p) {
			out = append(out, id)
		}
	}
	return out
}

// meterOf is the point that shows water through a place: its total, else its flow.
func (h *house) meterOf(bay string) *site.Point {
	if p := h.site.Find(bay, site.Volume); p != nil {
		return p
	}
	return h.site.Find(bay, site.Flow)
}

// pulse is the least a meter can show, m3: 0 for a flow.
func pulse(p *site.Point) float64 {
	if p != nil && p.Quantity == site.Volume && p.PulseM3 > 0 {
		return p.PulseM3
	}
	return 0
}

// passedM3 is what went through a place in this step; NaN without an instrument.
func (l *look) passedM3(bay string) float64 {
	p := l.meterOf(bay)
	if p == nil {
		return math.NaN()
	}
	if r := l.trace(p); r != nil {
		return r.Moved
	}
	return 0
}

// moved reports whether water was certainly seen through a place: more than two counts.
func (l *look) moved(bay string) bool {
	p := l.meterOf(bay)
	r := l.trace(p)
	return r != nil && r.Moves > 0 && r.Moved > max(2*pulse(p), 1e-4)
}

// quietFor is how long nothing has moved through a place; the whole step when nothing ever did.
func (l *look) quietFor(bay string) time.Duration {
	r := l.trace(l.meterOf(bay))
	if r == nil || r.MoveLast == 0 {
		return l.elapsed()
	}
	return l.now.Sub(time.UnixMilli(r.MoveLast))
}

// patience is how long a meter must be still before its valve counts as shut: two counts at a
// quarter of the usual fill, three readings, and half a minute.
func (l *look) patience(bay string) time.Duration {
	d := 30 * time.Second
	p := l.meterOf(bay)
	if p == nil {
		return d
	}
	d = max(d, 3*p.Interval)
	if q := pulse(p); q > 0 {
		d = max(d, min(time.Duration(2*q/(l.fillM3S(bay)/4)*float64(time.Second)), 30*time.Minute))
	}
	return d
}

// fillM3S is the usual flow of a bay's valve: what the account learned, else the site file's, else
// 20 L/min.
func (h *house) fillM3S(bay string) float64 {
	if h.ledger != nil {
		if n, ok := h.ledger.Now(bay); ok && n.Learned.FlowM3S > 0 {
			return n.Learned.FlowM3S
		}
	}
	if b := h.site.Bay(bay); b != nil && b.FillM3S > 0 {
		return b.FillM3S
	}
	return 20e-3 / 60
}

// bayIDs in the order of the site file.
func (h *house) bayIDs() []string {
	var ids []string
	for b := range h.site.Bays() {
		ids = append(ids, b.ID)
	}
	return ids
}

// name of a bay for people: the id, and the free name where it says more.
func (h *house) name(id string) string {
	if b := h.site.Bay(id); b != nil && b.Name != "" && b.Name != id {
		return id + " (" + b.Name + ")"
	}
	return id
}

// stillAt returns the bays (and "" for the main) through which water goes now.
func (l *look) running() []string {
	var ids []string
	for _, id := range l.bayIDs() {
		if l.moved(id) && l.quietFor(id) < l.patience(id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// reading writes the newest reading of a point for people.
func (h *house) reading(p *site.Point, v float64) string {
	switch p.Quantity {
	case site.Level, site.SetPoint:
		return h.say("%s", site.Depth(v))
	case site.Volume:
		name, size := h.site.Display.WaterUnit()
		return h.say("%.1f %s", v/size, name)
	case site.Flow:
		return h.say("%s", site.Rate(v))
	case site.Pressure:
		return h.say("%s", site.Press(v))
	case site.ValveOpen:
		if v > 0.5 {
			return h.say("open")
		}
		return h.say("shut")
	}
	info, _ := p.Quantity.Info()
	return h.say("%.1f %s", v*info.WireScale, info.WireUnit)
}

// lines are the newest readings of the places' meters and levels and of the supply.
func (l *look) lines(bays ...string) []string {
	var out []string
	show := func(p *site.Point, words string, args ...any) {
		what := l.say(words, args...)
		switch r := l.trace(p); {
		case p == nil:
		case r == nil || r.LastT == 0:
			out = append(out, l.say("%s: no reading", what))
		case p.Quantity == site.Volume:
			out = append(out, l.say("%s: %s, %s in this step", what, l.reading(p, r.Last), site.Water(r.Moved)))
		default:
			out = append(out, what+": "+l.reading(p, r.Last))
		}
	}
	for _, id := range bays {
		show(l.site.Find(id, site.Level), "level %s", id)
		show(l.meterOf(id), "meter %s", id)
	}
	show(l.site.Find("", site.Pressure), "supply")
	show(l.meterOf(""), "main meter")
	return out
}

// result of an earlier step of this run, the newest where it was done twice; nil when it was not
// done.
func (l *look) result(id string) *Result { return resultOf(l.run, id) }

// Span rounds a duration up to what people say.
func Span(d time.Duration) site.Phrase {
	switch {
	case d < 90*time.Second:
		return site.Say("%d s", int(math.Ceil(d.Seconds())))
	case d < 90*time.Minute:
		return site.Say("%d min", int(math.Ceil(d.Minutes())))
	case d < 48*time.Hour:
		return site.Say("%v h", math.Round(d.Hours()*2)/2)
	}
	return site.Say("%v days", math.Round(d.Hours()/12)/2)
}
