package procedure

import (
	"slices"
	"time"

	"bayledger/agent/words"
)

// Picture is what a book shows at one moment: a copy that is never changed.
type Picture struct {
	Time time.Time `json:"time"`
	// Language is that of all words here.
	Language words.Language `json:"language"`
	// Bays are the ids a procedure of one bay may be started for.
	Bays   []string  `json:"bays"`
	Offers []Offer   `json:"offers"`
	Runs   []Running `json:"running"`
	// Records are the newest finished (or provisionally finished) procedures, oldest first.
	Records []Record `json:"records"`
	// Main is the isolation valve; nil where the site file names none.
	Main *Main `json:"main,omitempty"`
}

// Offer is a procedure that can be started.
type Offer struct {
	Kind  Kind   `json:"kind"`
	Title string `json:"title"`
	Says  string `json:"says"`
	// PerBay is true when a bay must be named.
	PerBay bool `json:"per_bay"`
	// Takes is how long a person is needed, Alone how long the tool goes on by itself.
	Takes time.Duration `json:"takes_ns"`
	Alone time.Duration `json:"alone_ns"`
	Steps int           `json:"steps"`
	// Not says why it cannot be done here; empty when it can.
	Not string `json:"not,omitempty"`
	// Bays are those it can be begun for now. UnderWay is true when it goes on already, for every bay where it
	// is of one.
	Bays     []string `json:"bays,omitempty"`
	UnderWay bool     `json:"under_way,omitempty"`
}

// Running is a procedure under way.
type Running struct {
	ID      string    `json:"id"`
	Kind    Kind      `json:"kind"`
	Title   string    `json:"title"`
	Bay     string    `json:"bay,omitempty"`
	By      string    `json:"by,omitempty"`
	Started time.Time `json:"started"`
	// Left is true when nobody has been there for so long that alarms page again.
	Left bool `json:"left,omitempty"`
	Now  Now  `json:"now"`
	// Index of the present step, from 1, and how many there are.
	Index int `json:"index"`
	Of    int `json:"of"`
	// Takes and Alone are what is still to come.
	Takes   time.Duration `json:"takes_ns"`
	Alone   time.Duration `json:"alone_ns"`
	Results []Result      `json:"results"`
}

// Now is the present step of a running procedure.
type Now struct {
	Step    string    `json:"step"`
	Title   string    `json:"title"`
	Do      []string  `json:"do"`
	Caution []string  `json:"caution,omitempty"`
	Ask     *Ask      `json:"ask,omitempty"`
	Since   time.Time `json:"since"`
	// Expect is how long the step takes.
	Expect   time.Duration `json:"expect_ns"`
	Verdict  Verdict       `json:"verdict"`
	Answered bool          `json:"answered,omitempty"`
	// Alone is true when nobody is needed.
	Alone bool `json:"alone,omitempty"`
	// Can lists what may be answered: answer, again, skip, stop.
	Can []string `json:"can"`
}

// Picture of the book at the last tick.
func (b *Book) Picture() Picture {
	p := Picture{Time: b.st.Now, Language: b.house.voice.Language, Bays: b.house.bayIDs(), Records: slices.Clone(b.st.Records), Main: b.Main()}
	// What is on offer follows from the site and, slowly, from what the account learns.
	if at := b.st.Now.Truncate(time.Hour); b.offers == nil || !at.Equal(b.offered) {
		b.offers, b.offered = b.offer(p.Bays), at
	}
	p.Offers = slices.Clone(b.offers)
	for i := range p.Offers {
		o := &p.Offers[i]
		goesOn := func(bay string) bool {
			return slices.ContainsFunc(b.st.Runs, func(r *run) bool { return r.Kind == o.Kind && r.Bay == bay })
		}
		if o.UnderWay = goesOn(""); o.PerBay {
			o.Bays = slices.DeleteFunc(slices.Clone(p.Bays), goesOn)
			o.UnderWay = len(o.Bays) == 0 && len(p.Bays) > 0
		}
	}
	for _, r := range b.st.Runs {
		p.Runs = append(p.Runs, b.running(r))
	}
	return p
}

// Waiting says which procedures want somebody who may not know it: a look of the first week can be taken, a
// step has failed or cannot decide, or nobody has answered for long.
func (p Picture) Waiting() (told []string) {
	v := words.Voice{Language: p.Language}
	for _, r := range p.Runs {
		stuck := r.Now.Verdict.State == Failed || r.Now.Verdict.State == Undecided
		if !stuck && !r.Left && !(r.Now.Alone && slices.Contains(r.Now.Can, "answer")) {
			continue
		}
		text := v.Say("%s waits for you: %s", r.Title, r.Now.Title)
		if r.Bay != "" {
			text = v.Say("%s, bay %s, waits for you: %s", r.Title, r.Bay, r.Now.Title)
		}
		told = append(told, words.Sentence(text))
	}
	return told
}

func (b *Book) offer(bays []string) []Offer {
	offers := []Offer{}
	for i := range plans {
		pl := &plans[i]
		o := Offer{Kind: pl.kind, Title: b.house.say(pl.title), Says: b.house.say(pl.says), PerBay: pl.perBay}
		if pl.not != nil {
			if o.Not = pl.not(&b.house); o.Not != "" && pl.kind == IsolationProof {
				continue // a site without the valve need not hear of it
			}
		}
		r := &run{Kind: pl.kind}
		if pl.perBay && len(bays) > 0 {
			r.Bay = bays[0]
		}
		steps := pl.steps(&b.house, r)
		o.Takes, o.Alone, o.Steps = takes(steps), alone(steps), len(steps)
		offers = append(offers, o)
	}
	return offers
}

func (b *Book) running(r *run) Running {
	steps, i := r.plan(b), r.index(b)
	s := r.step(b)
	pl := planOf(r.Kind)
	out := Running{ID: r.ID, Kind: r.Kind, Title: b.house.say(pl.title), Bay: r.Bay, By: r.By, Started: r.Started, Left: r.Left,
		Index: i + 1, Of: len(steps), Results: slices.Clone(r.Results)}
	out.Takes, out.Alone = takes(steps[min(i, len(steps)):]), alone(steps[min(i, len(steps)):])
	out.Now = Now{Step: s.id, Title: b.house.say(s.title), Do: b.house.says(s.do), Caution: b.house.says(s.caution), Ask: s.ask.in(b.house.voice), Since: r.StepAt, Expect: s.expect, Verdict: r.Verdict,
		Answered: r.Answered, Alone: s.alone && !r.Latched}
	switch {
	case r.Latched:
		out.Now.Can = []string{"again"}
		if !s.must {
			out.Now.Can = append(out.Now.Can, "skip")
		}
	default:
		if s.ask != nil && !r.Answered && !r.Verdict.Early {
			out.Now.Can = []string{"answer"}
		}
		if !s.must {
			out.Now.Can = append(out.Now.Can, "skip")
		}
		if s.judge != nil && !s.alone {
			out.Now.Can = append(out.Now.Can, "again")
		}
	}
	out.Now.Can = append(out.Now.Can, "stop")
	return out
}

// takes is how long steps need a person, alone how long the tool goes on by itself.
func takes(steps []step) (d time.Duration) {
	for _, s := range steps {
		if !s.alone {
			d += s.expect
		}
	}
	return d
}

func alone(steps []step) (d time.Duration) {
	for _, s := range steps {
		if s.alone {
			d += s.expect
		}
	}
	return d
}
