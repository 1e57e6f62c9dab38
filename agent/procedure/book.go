package procedure

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// Kind names a procedure.
type Kind string

// The procedures, in the order in which a site meets them.
const (
	BeforeWater    Kind = "before-water"
	PressureOn     Kind = "pressure-on"
	WiringProof    Kind = "wiring-proof"
	Flush          Kind = "flush"
	Calibrate      Kind = "calibration"
	FirstFill      Kind = "first-fill"
	WinterClose    Kind = "winter-close"
	SpringOpening  Kind = "spring-opening"
	IsolationProof Kind = "isolation-proof"
)

// plan is one procedure as the book knows it.
type plan struct {
	kind        Kind
	title, says string
	// perBay is true when it is about one bay.
	perBay bool
	// not says why the site cannot do it, or "".
	not   func(h *house) string
	steps func(h *house, r *run) []step
}

// plans in the order in which they are offered.
var plans []plan

func init() {
	plans = []plan{
		{BeforeWater, words.Key("Before water"), words.Key("Is everything in place, does every line answer, is everything still"), false, nil, beforeWater},
		{PressureOn, words.Key("Pressure on and static hold"), words.Key("Pressure in its band, no leak in the supply line"), false, nil, pressureOn},
		{WiringProof, words.Key("Wiring proof"), words.Key("Each valve, meter and sensor belongs to the bay it claims"), false, needsTwo, wiringProof},
		{Flush, words.Key("Flush"), words.Key("Line and bays rinsed before anything is trusted"), false, nil, flush},
		{Calibrate, words.Key("Calibration of a bay"), words.Key("Sensor by two dips, meter by bucket, porosity and crest from the first weeks"), true, nil, calibrate},
		{FirstFill, words.Key("First fill of a bay"), words.Key("Watched, with a volume cap, and the first week's looks"), true, nil, firstFill},
		{WinterClose, words.Key("Winter close"), words.Key("Drained, stored, and watched for days that nothing flows"), false, nil, winterClose},
		{SpringOpening, words.Key("Spring opening"), words.Key("The first start against last autumn's figures"), false, nil, springOpening},
		{IsolationProof, words.Key("Isolation valve proof"), words.Key("The main can be shut by the watch, and that is seen"), false, needsIsolation, isolationProof},
	}
}

// Kinds lists every procedure in the order in which a site meets them.
func Kinds() []Kind {
	var list []Kind
	for _, p := range plans {
		list = append(list, p.kind)
	}
	return list
}

func planOf(k Kind) *plan {
	i := slices.IndexFunc(plans, func(p plan) bool { return p.kind == k })
	if i < 0 {
		return nil
	}
	return &plans[i]
}

// Book keeps the procedures of one site. Make it with New; it belongs to one goroutine.
type Book struct {
	house house
	st    bookState
	// offers is what can be started, as worked out in the hour offered.
	offers  []Offer
	offered time.Time
}

// bookState is all a book knows: its snapshot.
type bookState struct {
	V   int       `json:"v"`
	Now time.Time `json:"now"`
	// Seq numbers the runs' results.
	Seq     int           `json:"seq"`
	Runs    []*run        `json:"runs,omitempty"`
	Records []Record      `json:"records,omitempty"`
	Pending []site.Record `json:"-"`
	Unsaid  []paper       `json:"pending,omitempty"`
	// Others is maintenance that people put on record themselves, by bay.
	Others map[string]others `json:"others,omitempty"`
	Autumn *Figures          `json:"autumn,omitempty"`
	// Measured are the newest calibrations' figures, by key.
	Measured map[string]figure `json:"measured,omitempty"`
	// Accepted are the corrections people took over, by point.
	Accepted map[string]force `json:"accepted,omitempty"`
	// Isolation is when the isolation valve was proved; zero when it was not.
	Isolation time.Time `json:"isolation,omitzero"`
	// Coil is the coil that was proved.
	Coil string    `json:"coil,omitempty"`
	Main mainState `json:"main,omitzero"`
}

type others struct {
	Until time.Time `json:"until"`
	Who   string    `json:"who"`
	Text  string    `json:"text,omitempty"`
}

const bookVersion = 5

// keptRecords is how many finished procedures a book remembers; the journal has all of them.
const keptRecords = 24

// New returns a book in which nothing is under way. l may be nil.
func New(s *site.Site, l *water.Ledger) *Book {
	return &Book{house: house{site: s, voice: words.Of(s), o: s.Commission.WithDefaults(), ledger: l, accepted: map[string]force{}}, st: bookState{V: bookVersion, Others: map[string]others{}}}
}

// Sample takes one calibrated sample.
func (b *Book) Sample(s site.Sample) {
	if len(b.st.Runs) == 0 && !b.st.Main.Shut {
		return
	}
	p := b.house.site.Point(s.Point)
	if p == nil || !traced(p.Quantity) {
		return
	}
	b.mainSample(p, s)
	for _, r := range b.st.Runs {
		if s.Time.Before(r.StepAt) {
			continue
		}
		t := r.Traces[s.Point]
		if t == nil {
			t = &trace{}
			r.Traces[s.Point] = t
		}
		t.add(p, s)
	}
}

// traced quantities are those some step looks at.
func traced(q site.Quantity) bool {
	switch q {
	case site.Level, site.Volume, site.Flow, site.ValveOpen, site.Pressure, site.AirTemperature, site.Rain:
		return true
	}
	return false
}

// Tick judges every run at t.
func (b *Book) Tick(t time.Time) {
	b.st.Now = t
	for _, r := range slices.Clone(b.st.Runs) {
		b.judge(r, t)
	}
}

// Record takes an operator record: an answer, something the book itself had put on record, or
// maintenance of somebody else's.
func (b *Book) Record(r site.Record) {
	if p := b.house.site.Point(r.Subject); r.Kind == site.RecCalibration && p != nil {
		b.house.accepted[p.ID] = force{Gain: r.Value, Offset: r.Value2, FileGain: p.Gain, FileOffset: p.Offset}
	}
	if r.Kind == site.RecIsolation {
		b.mainRecord(r)
	}
	if i := slices.IndexFunc(b.st.Pending, func(p site.Record) bool { return same(p, r) }); i >= 0 {
		b.st.Pending = slices.Delete(b.st.Pending, i, i+1)
		return
	}
	switch r.Kind {
	case site.RecMaintenance:
		if !ours(r) {
			b.st.Others[r.Bay] = others{r.Until, r.Who, r.Text}
		}
	case site.RecHandWatering:
		for _, x := range b.st.Runs {
			for id, s := range x.Rests {
				if r.Bay == "" || r.Bay == id {
					s.Other = max(s.Other, ms(r.Time))
				}
			}
		}
	case site.RecProcedure:
		var e Entry
		if json.Unmarshal([]byte(r.Text), &e) == nil && e.Answer != nil {
			b.answer(*e.Answer, r)
		}
	}
}

// same reports whether a journaled record is one that was pending.
func same(p, r site.Record) bool {
	return p.Kind == r.Kind && p.Bay == r.Bay && p.Subject == r.Subject && p.Text == r.Text && p.Until.Equal(r.Until)
}

// Pending lists what is to be put on record, oldest first. Each leaves the list when it comes back
// through Record.
func (b *Book) Pending() []site.Record { return slices.Clone(b.st.Pending) }

// put adds a record to those pending.
func (b *Book) put(r site.Record) { b.st.Pending = append(b.st.Pending, r) }

func (b *Book) note(r *run, who string, e Entry, at time.Time) {
	text, err := json.Marshal(e)
	if err != nil { // no NaN is ever put into an entry
		text = fmt.Appendf(nil, `{"note":%q}`, err.Error())
	}
	b.put(site.Record{Time: at, Kind: site.RecProcedure, Bay: r.Bay, Subject: r.ID, Who: who, Value: site.Unknown(), Value2: site.Unknown(), Text: string(text)})
}

// Entry is the text of a record of kind procedure: one of its fields.
type Entry struct {
	Answer *Answer `json:"answer,omitempty"`
	Result *Result `json:"result,omitempty"`
	Record *Record `json:"record,omitempty"`
	Note   string  `json:"note,omitempty"`
}

// Answer is what a person says to a procedure.
type Answer struct {
	// Do is start, answer, again, skip or stop; of the isolation valve main-shut, main-hold (Text
	// says for how long) or main-opened.
	Do string `json:"do"`
	// Kind and Bay say what to start.
	Kind Kind   `json:"kind,omitempty"`
	Bay  string `json:"bay,omitempty"`
	// Run and Step say what is answered: an answer to a step that is over is refused.
	Run  string `json:"run,omitempty"`
	Step string `json:"step,omitempty"`
	// Text is what was typed or chosen.
	Text string `json:"text,omitempty"`
	// Why is the reason for passing over or stopping.
	Why string `json:"why,omitempty"`
	// Who answers; it becomes the record's.
	Who string `json:"who,omitempty"`
}

// Record turns the answer into the operator record that carries it, after checking it against the
// picture the person saw, or says what is wrong with it.
func (a Answer) Record(p Picture, now time.Time) (site.Record, error) {
	if strings.HasPrefix(a.Do, "main-") {
		return a.mainAnswer(p, now)
	}
	if err := a.check(p); err != nil {
		return site.Record{}, err
	}
	who := a.Who
	a.Who = ""
	text, err := json.Marshal(Entry{Answer: &a})
	if err != nil {
		return site.Record{}, fmt.Errorf("procedure: %w", err)
	}
	return site.Record{Time: now, Kind: site.RecProcedure, Bay: a.Bay, Subject: a.Run, Who: who, Value: site.Unknown(), Value2: site.Unknown(), Text: string(text)}, nil
}

func (a Answer) check(p Picture) error {
	v := words.Voice{Language: p.Language}
	no := func(phrase string, args ...any) error { return errors.New(v.Say(phrase, args...)) }
	if a.Do == "start" {
		i := slices.IndexFunc(p.Offers, func(o Offer) bool { return o.Kind == a.Kind })
		switch {
		case i < 0:
			return no("there is no procedure %q", clip(string(a.Kind)))
		case p.Offers[i].Not != "":
			return no("%s cannot be started: %s", p.Offers[i].Title, p.Offers[i].Not)
		case p.Offers[i].PerBay && !slices.Contains(p.Bays, a.Bay):
			return no("say which bay: one of %s", strings.Join(p.Bays, ", "))
		case !p.Offers[i].PerBay && a.Bay != "":
			return no("%s is about the whole site, not one bay", p.Offers[i].Title)
		}
		for _, r := range p.Runs {
			if r.Kind == a.Kind && r.Bay == a.Bay {
				return no("it is under way since %s, begun by %s: go on with it or stop it", r.Started.Format(time.RFC3339), orSomebody(v, r.By))
			}
			if !r.Now.Alone {
				return no("%s is under way and wants you first", r.Title)
			}
		}
		return nil
	}
	i := slices.IndexFunc(p.Runs, func(r Running) bool { return r.ID == a.Run })
	if i < 0 {
		return no("no procedure %q is under way", clip(a.Run))
	}
	r := p.Runs[i]
	if a.Step != r.Now.Step && a.Do != "stop" {
		return no("that step is over; now it is %q", r.Now.Title)
	}
	if r.Now.Verdict.Early && a.Do == "answer" {
		return no("it is too early for that: %s", r.Now.Verdict.Says)
	}
	if !slices.Contains(r.Now.Can, a.Do) {
		return no("%q cannot be done in this step; possible: %s", clip(a.Do), strings.Join(r.Now.Can, ", "))
	}
	switch a.Do {
	case "answer":
		_, _, err := r.Now.Ask.parse(a.Text, v)
		return err
	case "skip", "stop":
		if strings.TrimSpace(a.Why) == "" {
			return no("say why: it is part of the record")
		}
	}
	if len(a.Why) > 400 {
		return no("the reason is longer than 400 characters")
	}
	return nil
}

func orSomebody(v words.Voice, who string) string { return cmp.Or(who, v.Say("somebody")) }

// answer carries out an answer that is on record. One that does not fit, because the run went on
// meanwhile, changes nothing.
func (b *Book) answer(a Answer, rec site.Record) {
	t := rec.Time.UTC()
	if a.Do == "start" {
		if a.check(b.Picture()) == nil {
			b.start(a, rec)
		}
		return
	}
	i := slices.IndexFunc(b.st.Runs, func(r *run) bool { return r.ID == a.Run })
	if i < 0 {
		return
	}
	r := b.st.Runs[i]
	if a.check(b.Picture()) != nil {
		return
	}
	back := r.Left
	r.Left, r.Sign, r.Who = false, t, rec.Who
	switch a.Do {
	case "answer":
		v, word, _ := r.step(b).ask.parse(a.Text, b.house.voice)
		r.Answered, r.AnsweredAt, r.Word = true, t, word
		r.Value, r.HasValue = 0, site.Known(v)
		if r.HasValue {
			r.Value = v
		}
		b.judge(r, t)
	case "again":
		b.enter(r, cmp.Or(r.Verdict.Back, r.Step), t)
	case "skip":
		v := r.Verdict
		v.Says = strings.TrimSpace(v.Says)
		b.end(r, PassedOver, v, a.Why, t)
	case "stop":
		if r.Latched { // what was found is the reason
			b.conclude(r, Seen, r.Verdict, "", t)
		}
		b.finish(r, a.Why, t)
	}
	if back {
		b.note(r, rec.Who, Entry{Note: b.house.say("back after the procedure had been left alone")}, t)
	}
}

// paper is a pending record as a snapshot keeps it: JSON has no NaN.
type paper struct {
	Time    time.Time       `json:"time"`
	Kind    site.RecordKind `json:"kind"`
	Bay     string          `json:"bay,omitempty"`
	Subject string          `json:"subject,omitempty"`
	Who     string          `json:"who,omitempty"`
	Values  []float64       `json:"values,omitempty"`
	Until   time.Time       `json:"until,omitzero"`
	Text    string          `json:"text,omitempty"`
}

// Snapshot returns everything the book knows.
func (b *Book) Snapshot() ([]byte, error) {
	st := b.st
	st.Autumn, st.Accepted = b.house.autumn, b.house.accepted
	for _, r := range st.Pending {
		p := paper{Time: r.Time, Kind: r.Kind, Bay: r.Bay, Subject: r.Subject, Who: r.Who, Until: r.Until, Text: r.Text}
		if site.Known(r.Value) && site.Known(r.Value2) {
			p.Values = []float64{r.Value, r.Value2}
		}
		st.Unsaid = append(st.Unsaid, p)
	}
	return json.Marshal(st)
}

// Restore puts the book into the state of a snapshot.
func (b *Book) Restore(data []byte) error {
	st := bookState{Others: map[string]others{}, Accepted: map[string]force{}}
	if err := json.Unmarshal(data, &st); err != nil {
		return fmt.Errorf("procedures: %w", err)
	}
	if st.V != bookVersion {
		return fmt.Errorf("procedures: version %d is not %d", st.V, bookVersion)
	}
	for _, p := range st.Unsaid {
		r := site.Record{Time: p.Time, Kind: p.Kind, Bay: p.Bay, Subject: p.Subject, Who: p.Who, Until: p.Until, Text: p.Text,
			Value: site.Unknown(), Value2: site.Unknown()}
		if len(p.Values) == 2 {
			r.Value, r.Value2 = p.Values[0], p.Values[1]
		}
		st.Pending = append(st.Pending, r)
	}
	st.Unsaid = nil
	for _, r := range st.Runs {
		if r == nil || planOf(r.Kind) == nil {
			return fmt.Errorf("procedures: a run of no known kind")
		}
		if r.Traces == nil {
			r.Traces = map[string]*trace{}
		}
		maps.DeleteFunc(r.Traces, func(_ string, t *trace) bool { return t == nil })
		maps.DeleteFunc(r.Rests, func(_ string, s *rests) bool { return s == nil })
	}
	if st.Others == nil {
		st.Others = map[string]others{}
	}
	if st.Accepted == nil {
		st.Accepted = map[string]force{}
	}
	b.st, b.house.autumn, b.house.accepted, b.house.measured = st, st.Autumn, st.Accepted, st.Measured
	return nil
}

// Proved says when a person last proved that the isolation valve shuts the main; zero when never, or when
// the site file has come to name another coil.
func (b *Book) Proved() time.Time {
	if b.st.Coil != coilOf(b.house.site.Isolation) {
		return time.Time{}
	}
	return b.st.Isolation
}

// quiet keeps the run's bays from paging until then: by a maintenance record, so that the alarm
// desk, the account and a replay all know it. At the end what somebody else put on record for the
// same place is put back.
func (b *Book) quiet(r *run, until, now time.Time) {
	place := r.Bay
	if until.Equal(r.Quiet) {
		return
	}
	who, text := r.By, quietText+b.house.say(planOf(r.Kind).title)
	if !until.After(now) {
		if r.Quiet.IsZero() || !r.Quiet.After(now) {
			return
		}
		until = now
		if o, ok := b.st.Others[place]; ok && o.Until.After(now) {
			until, who, text = o.Until, o.Who, o.Text
		}
	}
	r.Quiet = until
	b.put(site.Record{Time: now, Kind: site.RecMaintenance, Bay: place, Who: who, Until: until, Text: text, Value: site.Unknown(), Value2: site.Unknown()})
}

const quietText = "procedure: "

func ours(r site.Record) bool { return strings.HasPrefix(r.Text, quietText) }

// sortedKeys are the keys of a map in order.
func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
