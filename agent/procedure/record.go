package procedure

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// Record is what is printed and kept of a procedure. Times are UTC; people's copies are in the
// site's own time.
type Record struct {
	V        int       `json:"v"`
	ID       string    `json:"id"`
	Kind     Kind      `json:"kind"`
	Title    string    `json:"title"`
	Site     string    `json:"site"`
	SiteName string    `json:"site_name"`
	Bay      string    `json:"bay,omitempty"`
	Revision string    `json:"revision"`
	By       string    `json:"by,omitempty"`
	Started  time.Time `json:"started"`
	Ended    time.Time `json:"ended"`
	// Provisional is true while the tool still watches by itself: the final record follows.
	Provisional bool `json:"provisional"`
	// SignedOff is true when every step was seen or confirmed.
	SignedOff bool `json:"signed_off"`
	// Stopped is why it was ended before its end; empty when it was not.
	Stopped string   `json:"stopped,omitempty"`
	Results []Result `json:"results"`
	// Fix are all lines of the site file that put right what was found, in order.
	Fix []string `json:"fix,omitempty"`

	voice words.Voice
}

// recordVersion is the value of a record's v field.
const recordVersion = 1

func (b *Book) record(r *run, t time.Time) Record {
	s := b.house.site
	rec := Record{V: recordVersion, ID: r.ID, Kind: r.Kind, Title: b.house.say(planOf(r.Kind).title), Site: s.ID, SiteName: s.Name, Bay: r.Bay, Revision: s.Revision,
		By: r.By, Started: r.Started, Ended: t, SignedOff: true, Results: r.Results}
	for _, x := range r.Results {
		rec.SignedOff = rec.SignedOff && (x.Outcome == Seen || x.Outcome == Confirmed)
		rec.Fix = append(rec.Fix, x.Fix...)
	}
	for _, st := range r.plan(b) {
		done := slices.ContainsFunc(r.Results, func(x Result) bool { return x.Step == st.id })
		rec.SignedOff = rec.SignedOff && (done || st.alone)
	}
	return rec
}

// In returns the record as it is told to people by that voice. What was found stays in the language
// it was found in.
func (r Record) In(v words.Voice) Record {
	r.voice = v
	return r
}

// Say says a phrase to whoever reads the record.
func (r Record) Say(phrase string, args ...any) string { return r.voice.Say(phrase, args...) }

// Stand is the record's standing in a few words.
func (r Record) Stand() string {
	switch {
	case r.Stopped != "":
		return r.Say("stopped: %s", r.Stopped)
	case r.Provisional && r.SignedOff:
		return r.Say("provisional; the tool goes on watching")
	case r.Provisional:
		return r.Say("provisional, not signed off")
	case r.SignedOff:
		return r.Say("final, signed off")
	}
	return r.Say("final, not signed off")
}

// Clock is a moment in the record's zone.
func (r Record) Clock(t time.Time) string {
	if r.voice.Zone == nil {
		r.voice.Zone = time.UTC
	}
	return r.voice.Time(t, "2006-01-02 15:04 MST")
}

// Begun says who began.
func (r Record) Begun() string { return orSomebody(r.voice, r.By) }

// WriteText writes the record for a terminal or a printer.
func (r Record) WriteText(w io.Writer) error {
	var b strings.Builder
	p := func(text string) { b.WriteString(text + "\n") }
	say := func(phrase string, args ...any) { p(r.Say(phrase, args...)) }
	p(r.Title)
	if r.Bay != "" {
		say("bay %s", r.Bay)
	}
	say("%s (%s), site file %s", r.SiteName, r.Site, r.Revision)
	say("%s to %s, begun by %s", r.Clock(r.Started), r.Clock(r.Ended), r.Begun())
	p(strings.ToUpper(r.Stand()))
	for i, x := range r.Results {
		p("")
		p(fmt.Sprintf("%2d. %s: %s, %s", i+1, x.Title, r.How(x), r.Clock(x.Ended)))
		if answer := r.Answered(x); answer != "" {
			say("    answer: %s", answer)
		}
		if x.Says != "" {
			p("    " + x.Says)
		}
		if x.Why != "" {
			say("    reason: %s", x.Why)
		}
		var parts []string
		for _, v := range x.Readings {
			parts = append(parts, v.Point+" "+v.Text)
		}
		if len(parts) > 0 {
			say("    readings: %s", strings.Join(parts, ", "))
		}
	}
	if len(r.Fix) > 0 {
		p("")
		say("To put right:")
		for _, f := range r.Fix {
			p("    " + f)
		}
	}
	p("")
	say("Signed: ______________________________")
	_, err := io.WriteString(w, b.String())
	return err
}

// outcomes are what a record has in English.
var _ = []string{words.Key("seen"), words.Key("confirmed"), words.Key("failed"), words.Key("undecided"), words.Key("passed over")}

// answers are the words that are typed, where they are none to read, as a record has them.
var answers = map[string]string{
	"take": words.Key("they hold from now on"), "leave": words.Key("left for the site file"),
	"drained": words.Key("drained by its plugs"), "blown-out": words.Key("blown out with air"),
	"not-played": words.Key("not played on"), "none": words.Key("no water anywhere"),
	"right": words.Key("right"), "dry": words.Key("dry"), "soft": words.Key("soft"),
}

// How says how a step ended and who brought it to its end.
func (r Record) How(x Result) string { return How(r.voice, x) }

// How says how a step ended and who brought it to its end.
func How(v words.Voice, x Result) string {
	if x.Who == "" {
		return v.Say(string(x.Outcome)) + " " + v.Say("by the tool")
	}
	return v.Say(string(x.Outcome)) + " " + v.Say("by %s", x.Who)
}

// Lang is the language the record is told in.
func (r Record) Lang() string { return cmp.Or(string(r.voice.Language), string(words.English)) }

// Answered is what a person answered, but for a mere yes.
func (r Record) Answered(x Result) string {
	if x.Answer == "yes" {
		return ""
	}
	if phrase, ok := answers[x.Answer]; ok {
		return r.Say(phrase)
	}
	return dayOf(r.voice, x.Answer)
}

// dayOf is a typed date as people write it; a number or a bay stays as it is.
func dayOf(v words.Voice, typed string) string {
	if v.Zone == nil {
		v.Zone = time.UTC
	}
	d, err := time.ParseInLocation(time.DateOnly, typed, v.Zone)
	if err != nil {
		return typed
	}
	return v.Time(d, time.DateOnly)
}

//go:embed record.html
var recordHTML string

// RecordStyle is the style sheet within a record's page, which whoever serves it must allow.
var RecordStyle = func() string {
	_, rest, _ := strings.Cut(recordHTML, "<style>")
	style, _, _ := strings.Cut(rest, "</style>")
	return style
}()

var recordPage = template.Must(template.New("record").Parse(recordHTML))

// WriteHTML writes the record as one page that prints on its own: no script, nothing loaded.
func (r Record) WriteHTML(w io.Writer) error {
	var buf bytes.Buffer
	if err := recordPage.Execute(&buf, r); err != nil {
		return fmt.Errorf("record %s: %w", r.ID, err)
	}
	_, err := w.Write(buf.Bytes())
	return err
}

// take does what a step's result means for the site beyond the run itself.
func (b *Book) take(r *run, x *Result, t time.Time) {
	switch {
	case r.Kind == Calibrate && x.Step == "accept" && x.Answer == "take":
		for _, c := range corrections(r) {
			if p := b.house.site.Point(c.Point); p != nil {
				gain, offset := b.house.compose(p, c.Gain, c.Offset)
				b.put(site.Record{Time: t, Kind: site.RecCalibration, Bay: r.Bay, Subject: c.Point, Who: r.Who, Value: gain, Value2: offset})
			}
		}
	case r.Kind == WinterClose && x.Step == "figures" && x.Outcome == Seen:
		b.house.autumn = figuresOf(x)
	case r.Kind == WinterClose && x.Step == "closed" && x.Outcome == Confirmed:
		b.season(r, "closed", t)
	case r.Kind == SpringOpening && x.Step == "opened" && x.Outcome == Confirmed:
		b.season(r, "open", t)
	case r.Kind == IsolationProof && x.Step == "order" && x.Outcome == Confirmed:
		b.put(site.Record{Time: t, Kind: site.RecIsolation, Who: r.Who, Text: IsolationOrder, Subject: r.ID, Value: site.Unknown(), Value2: site.Unknown()})
	case r.Kind == IsolationProof && x.Step == "seen":
		b.st.Isolation = time.Time{} // a proof that fails takes the one before away
		if x.Outcome == Seen {
			b.st.Isolation, b.st.Coil = t, coilOf(b.house.site.Isolation)
		}
	}
}

func (b *Book) season(r *run, word string, t time.Time) {
	b.put(site.Record{Time: t, Kind: site.RecSeason, Who: r.Who, Text: word, Value: site.Unknown(), Value2: site.Unknown()})
}
