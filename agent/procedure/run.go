package procedure

import (
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// run is one procedure under way.
type run struct {
	ID      string    `json:"id"`
	Kind    Kind      `json:"kind"`
	Bay     string    `json:"bay,omitempty"`
	By      string    `json:"by,omitempty"`
	Who     string    `json:"who,omitempty"` // who answered last
	Started time.Time `json:"started"`

	Step   string            `json:"step"`
	StepAt time.Time         `json:"step_at"`
	Traces map[string]*trace `json:"traces,omitempty"`
	// Answered is true once the person has answered the present step.
	Answered   bool      `json:"answered,omitempty"`
	AnsweredAt time.Time `json:"answered_at,omitzero"`
	Value      float64   `json:"value,omitempty"`
	HasValue   bool      `json:"has_value,omitempty"`
	Word       string    `json:"word,omitempty"`
	Verdict    Verdict   `json:"verdict"`
	// Rests are what porosity and crest are learned from, by bay; nil in every other step.
	Rests map[string]*rests `json:"rests,omitempty"`
	// Latched is true when the verdict is bad and stands until a person decides.
	Latched bool `json:"latched,omitempty"`

	Results []Result `json:"results,omitempty"`
	// Sign is when somebody last answered, or did something that was seen.
	Sign time.Time `json:"sign"`
	// Left is true when nobody has answered for so long that the bays page again.
	Left bool `json:"left,omitempty"`
	// Quiet is until when the bays do not page; zero before the first.
	Quiet time.Time `json:"quiet,omitzero"`

	steps []step // made from the site and the results when needed
}

// Outcome of a step.
type Outcome string

// The outcomes.
const (
	Seen       Outcome = "seen"        // the tool saw it
	Confirmed  Outcome = "confirmed"   // a person said so
	NotPassed  Outcome = "failed"      // it failed, and the procedure was stopped
	Open       Outcome = "undecided"   // the evidence does not decide
	PassedOver Outcome = "passed over" // not done, with the reason
)

// Result is how one step ended. Numbers are SI; what is not known is absent.
type Result struct {
	Seq     int       `json:"seq"`
	Step    string    `json:"step"`
	Title   string    `json:"title"`
	Outcome Outcome   `json:"outcome"`
	Who     string    `json:"who,omitempty"`
	Began   time.Time `json:"began"`
	Ended   time.Time `json:"ended"`
	Says    string    `json:"says,omitempty"`
	// Answer is what the person typed or chose.
	Answer string `json:"answer,omitempty"`
	Why    string `json:"why,omitempty"`
	// Readings are the newest of the points concerned when the step ended.
	Readings     []Reading          `json:"readings,omitempty"`
	Values       map[string]float64 `json:"values,omitempty"`
	Notes        map[string]string  `json:"notes,omitempty"`
	Fix          []string           `json:"fix,omitempty"`
	Calibrations []Correction       `json:"calibrations,omitempty"`
}

// resultOf is the newest result of a step; nil when it was not done.
func resultOf(r *run, id string) *Result {
	for i := range slices.Backward(r.Results) {
		if r.Results[i].Step == id {
			return &r.Results[i]
		}
	}
	return nil
}

// Reading is one point's value at the end of a step.
type Reading struct {
	Point string    `json:"point"`
	Time  time.Time `json:"time"`
	Value float64   `json:"value"` // SI
	Text  string    `json:"text"`  // for people
}

// plan makes the run's steps when they are not there.
func (r *run) plan(b *Book) []step {
	if r.steps == nil {
		r.steps = planOf(r.Kind).steps(&b.house, r)
	}
	return r.steps
}

// index of the present step; the number of steps when it is none of them any more.
func (r *run) index(b *Book) int {
	steps := r.plan(b)
	if i := slices.IndexFunc(steps, func(s step) bool { return s.id == r.Step }); i >= 0 {
		return i
	}
	return len(steps)
}

func (r *run) step(b *Book) *step {
	if i := r.index(b); i < len(r.plan(b)) {
		return &r.steps[i]
	}
	return &step{id: r.Step}
}

func (b *Book) start(a Answer, rec site.Record) {
	t := rec.Time.UTC()
	r := &run{Kind: a.Kind, Bay: a.Bay, By: rec.Who, Who: rec.Who, Started: t, Sign: t}
	r.ID = string(a.Kind)
	if a.Bay != "" {
		r.ID += "/" + a.Bay
	}
	r.ID += "/" + t.Format("20060102T150405Z")
	b.st.Runs = append(b.st.Runs, r)
	b.enter(r, r.plan(b)[0].id, t)
}

// enter begins a step.
func (b *Book) enter(r *run, id string, t time.Time) {
	r.Step, r.StepAt, r.Traces = id, t, map[string]*trace{}
	r.Answered, r.AnsweredAt, r.Value, r.HasValue, r.Word = false, time.Time{}, 0, false, ""
	r.Verdict, r.Latched, r.Rests = Verdict{State: Watching}, false, nil
	r.Sign = t
	r.steps = nil
	if s := r.step(b); s.alone {
		b.quiet(r, t, t)
	} else {
		b.quiet(r, b.quietUntil(r, t), t)
	}
	b.judge(r, t)
}

// quietUntil is how long the bays keep quiet when a sign was seen at t: as long as the step takes,
// and then as long as a person may be away.
func (b *Book) quietUntil(r *run, t time.Time) time.Time {
	return t.Add(r.step(b).expect + b.house.o.Away).Truncate(time.Minute)
}

// judge looks at the present step's readings at t and goes on when it is done.
func (b *Book) judge(r *run, t time.Time) {
	s := r.step(b)
	if r.Latched {
		b.missed(r, s, t)
		return
	}
	v := Verdict{State: Passed}
	if s.judge != nil {
		l := &look{house: &b.house, run: r, since: r.StepAt, now: t, traces: r.Traces, answered: r.Answered, answeredAt: r.AnsweredAt,
			value: site.Unknown(), word: r.Word}
		if r.HasValue {
			l.value = r.Value
		}
		v = s.judge(l)
	}
	if v.Phase != r.Verdict.Phase && s.judge != nil {
		// Something happened that only somebody there can have done.
		r.Sign, r.Left = t, false
		if !s.alone {
			b.quiet(r, b.quietUntil(r, t), t)
		}
	}
	r.Verdict = v
	switch {
	case v.State == Failed || v.State == Undecided:
		r.Latched = true
	case v.State == Passed && (s.ask == nil || r.Answered || v.Enough):
		outcome := Seen
		if s.judge == nil || s.ask != nil && s.ask.Kind == AskConfirm {
			outcome = Confirmed
		}
		b.end(r, outcome, v, "", t)
		return
	}
	b.missed(r, s, t)
}

// missed notes when nobody has been there for too long. The maintenance has run out by then: the
// bays page again, and whatever was left open is found by the watch.
func (b *Book) missed(r *run, s *step, t time.Time) {
	if s.alone && !r.Latched || r.Left || t.Sub(r.Sign) < s.expect+b.house.o.Away {
		return
	}
	r.Left = true
	b.quiet(r, t, t)
	b.note(r, "daemon", Entry{Note: b.house.say("nobody has answered %q since %s; alarms page again", b.house.say(s.title), r.Sign.Format(time.RFC3339))}, t)
}

// end closes the present step and goes on to the next.
func (b *Book) end(r *run, o Outcome, v Verdict, why string, t time.Time) {
	i, s := r.index(b), r.step(b)
	b.conclude(r, o, v, why, t)
	r.steps = nil
	steps := r.plan(b)
	if i+1 >= len(steps) {
		b.finish(r, "", t)
		return
	}
	if next := &steps[i+1]; next.alone && !s.alone {
		b.report(r, t) // what a person could do is done; the rest takes its time
	}
	b.enter(r, steps[i+1].id, t)
}

// conclude puts on record how the present step ended.
func (b *Book) conclude(r *run, o Outcome, v Verdict, why string, t time.Time) {
	s := r.step(b)
	if o != PassedOver {
		switch v.State {
		case Failed:
			o = NotPassed
		case Undecided:
			o = Open
		}
	}
	b.st.Seq++
	res := Result{Seq: b.st.Seq, Step: s.id, Title: b.house.say(s.title), Outcome: o, Who: r.Who, Began: r.StepAt, Ended: t, Says: v.Says, Answer: r.Word, Why: why,
		Values: v.Values, Notes: v.Notes, Fix: v.Fix, Calibrations: v.Calibrations, Readings: b.readings(r, s, t)}
	if r.HasValue && s.ask != nil {
		res.Answer = b.house.voice.Figure(s.ask.words(r.Value))
	}
	if s.judge != nil && !r.Answered && o != PassedOver {
		res.Who = "" // the tool saw it by itself
	}
	found := b.house.calibrated(r, &res)
	res.Says = strings.TrimSpace(res.Says + " " + b.against(r, res.Step, found))
	b.learn(r, found)
	r.Results = append(r.Results, res)
	b.note(r, res.Who, Entry{Result: &res}, t)
	b.take(r, &res, t)
}

// readings are those of the step's bays and of the supply, by point. One that has given none lately says
// so; its value is the last it had.
func (b *Book) readings(r *run, s *step, now time.Time) []Reading {
	var out []Reading
	for _, id := range sortedKeys(r.Traces) {
		p, t := b.house.site.Point(id), r.Traces[id]
		if p == nil || t.LastT == 0 || p.Bay != "" && !slices.Contains(s.bays, p.Bay) || p.Quantity == site.AirTemperature || p.Quantity == site.Rain {
			continue
		}
		x := Reading{Point: id, Time: time.UnixMilli(t.LastT).UTC(), Value: t.Last, Text: b.house.reading(p, t.Last)}
		if now.Sub(x.Time) > max(time.Minute, 3*p.Interval) {
			x.Text = b.house.say("no reading")
		}
		out = append(out, x)
	}
	return out
}

// finish ends the run. why is not empty when it was stopped before its end.
func (b *Book) finish(r *run, why string, t time.Time) {
	b.st.Runs = slices.DeleteFunc(b.st.Runs, func(x *run) bool { return x == r })
	b.quiet(r, t, t)
	rec := b.record(r, t)
	rec.Stopped, rec.Provisional = why, false
	b.keep(r, rec, t)
}

// report writes the provisional record of a run that goes on by itself.
func (b *Book) report(r *run, t time.Time) {
	rec := b.record(r, t)
	rec.Provisional = true
	b.keep(r, rec, t)
}

func (b *Book) keep(r *run, rec Record, t time.Time) {
	b.st.Records = slices.DeleteFunc(b.st.Records, func(x Record) bool { return x.ID == rec.ID })
	b.st.Records = append(b.st.Records, rec)
	if over := len(b.st.Records) - keptRecords; over > 0 {
		b.st.Records = slices.Delete(b.st.Records, 0, over)
	}
	b.note(r, r.Who, Entry{Record: &rec}, t)
}
