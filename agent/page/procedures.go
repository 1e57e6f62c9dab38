package page

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"slices"
	"strings"

	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/agent/words"
)

// proceduresPage is the guided procedures: what is under way first, made for a thumb.
type proceduresPage struct {
	shell
	Said   string
	CanAct bool
	Runs   []runCard
	// Busy is true while a procedure wants somebody: nothing else is begun then.
	Busy   bool
	Offers []procedure.Offer
	// Records, the newest first.
	Records []recordLine
	// Main is the isolation valve; nil where there is none.
	Main                *procedure.Main
	MainSince, MainHold string
}

// runCard is one procedure under way.
type runCard struct {
	procedure.Running
	// Severity gives the card its look.
	Severity site.Severity
	// Sign is the mark beside the verdict, Word its state.
	Sign site.Severity
	Word string
	// Again and Skip say what may be done beside answering; Stuck is true while nothing else can be.
	Again, Skip, Stuck bool
	// Asks is true while an answer is wanted.
	Asks bool
}

type recordLine struct {
	procedure.Record
	When string
}

// Takes writes a duration the way the procedures say it.
func (p proceduresPage) Takes(o procedure.Offer) string {
	if o.Alone > 0 {
		return p.Say("about %s, then alone for up to %s", procedure.Span(o.Takes), procedure.Span(o.Alone))
	}
	return p.Say("about %s", procedure.Span(o.Takes))
}

// Left is what is still to come of a run.
func (p proceduresPage) Left(c runCard) string {
	switch {
	case c.Takes > 0 && c.Alone > 0:
		return p.Say("%s of yours to come, %s alone", procedure.Span(c.Takes), procedure.Span(c.Alone))
	case c.Takes > 0:
		return p.Say("%s to come", procedure.Span(c.Takes))
	}
	return p.Say("nobody is needed for up to %s", procedure.Span(c.Alone))
}

// Ticks are the steps that are done.
func (c runCard) Ticks() []procedure.Result { return c.Results }

// HowOf says how a step ended and who brought it to its end.
func (p proceduresPage) HowOf(x procedure.Result) string { return procedure.How(p.Voice, x) }

// SignOf is the mark of a step that is done.
func (p proceduresPage) SignOf(o procedure.Outcome) site.Severity {
	switch o {
	case procedure.Seen, procedure.Confirmed:
		return ""
	case procedure.NotPassed:
		return site.Warning
	}
	return site.Info
}

func (s *Server) procedures(w http.ResponseWriter, r *http.Request) {
	sh := s.shell(r, words.Key("Procedures"), "procedures")
	p := proceduresPage{shell: sh, Said: said(sh, r), CanAct: s.mayAct(r)}
	if v := viewOf(r, s); v != nil {
		p.Offers = v.Procedures.Offers
		if p.Main = v.Procedures.Main; p.Main != nil {
			if p.Main.Shut {
				p.MainSince = p.clock(p.Main.Since)
			}
			if !p.Main.Hold.IsZero() {
				p.MainHold = p.clock(p.Main.Hold)
			}
		}
		for _, run := range v.Procedures.Runs {
			p.Runs = append(p.Runs, cardOf(run))
			p.Busy = p.Busy || !run.Now.Alone
		}
		// Who is needed comes first.
		slices.SortStableFunc(p.Runs, func(a, b runCard) int { return cmp.Compare(needed(b), needed(a)) })
		for _, rec := range slices.Backward(v.Procedures.Records) {
			p.Records = append(p.Records, recordLine{rec.In(p.Voice), p.clock(rec.Ended)})
		}
	}
	s.render(w, r, http.StatusOK, "procedures", p)
}

func needed(c runCard) int {
	if c.Now.Alone {
		return 0
	}
	return 1
}

func cardOf(run procedure.Running) runCard {
	c := runCard{Running: run, Again: slices.Contains(run.Now.Can, "again"), Skip: slices.Contains(run.Now.Can, "skip"),
		Asks: slices.Contains(run.Now.Can, "answer")}
	switch run.Now.Verdict.State {
	case procedure.Passed:
		c.Word = words.Key("Seen")
	case procedure.Failed:
		c.Stuck, c.Severity, c.Sign, c.Word = true, site.Warning, site.Warning, words.Key("Not right")
	case procedure.Undecided:
		c.Stuck, c.Severity, c.Sign, c.Word = true, site.Warning, site.Warning, words.Key("Undecided")
	default:
		c.Sign, c.Word = site.Info, words.Key("Watching")
	}
	return c
}

// procedure takes an answer, or begins a procedure.
func (s *Server) procedure(r *http.Request, v *View) (site.Record, string, error) {
	get := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	a := procedure.Answer{Do: get("do"), Kind: procedure.Kind(get("kind")), Bay: get("bay"), Run: get("run"), Step: get("step"), Text: get("text")}
	var err error
	if a.Why, err = textOf(r, "why", 400); err != nil {
		return site.Record{}, "", err
	}
	if a.Do != "start" {
		a.Bay, a.Kind = "", ""
	}
	rec, err := a.Record(v.Procedures, s.deps.Now().UTC())
	if err != nil {
		said := err.Error()
		return rec, "", &answer{status: http.StatusBadRequest, phrase: words.Sentence(said)}
	}
	return rec, "procedure", nil
}

// recordPolicy allows the one style sheet that a record carries with it.
var recordPolicy = func() string {
	sum := sha256.Sum256([]byte(procedure.RecordStyle))
	return strings.Replace(policy, "style-src 'self'", "style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'", 1)
}()

// procedureRecord serves a record for the printer, or as text or JSON.
func (s *Server) procedureRecord(w http.ResponseWriter, r *http.Request) {
	id, form := r.URL.Query().Get("id"), r.URL.Query().Get("form")
	v := viewOf(r, s)
	if v == nil {
		s.fail(w, r, nothingYet)
		return
	}
	i := slices.IndexFunc(v.Procedures.Records, func(x procedure.Record) bool { return x.ID == id })
	if i < 0 {
		s.fail(w, r, refuse(http.StatusNotFound, "There is no such record here; the journal keeps the old ones."))
		return
	}
	rec := v.Procedures.Records[i].In(words.Of(v.Site))
	kind, write := "text/html; charset=utf-8", rec.WriteHTML
	switch form {
	case "text":
		kind, write = "text/plain; charset=utf-8", rec.WriteText
	case "json":
		body, err := json.Marshal(rec)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		w.Header().Set("Content-Type", "application/json; charset=utf-8")
		w.Write(append(body, '\n'))
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Security-Policy", recordPolicy)
	if err := write(w); err != nil {
		s.deps.Log.Warn("record not written", "record", id, "error", err)
	}
}
