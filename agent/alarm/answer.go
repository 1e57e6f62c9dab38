package alarm

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// AnswersPath is where NewAnswers is mounted on the daemon's local socket.
const AnswersPath = "/v1/alarms"

// Answer is what a person says to an alarm over the local socket.
type Answer struct {
	// Alarm is its id, or the number of any event that told it.
	Alarm string `json:"alarm"`
	// Do is ack, shelve or unshelve.
	Do string `json:"do"`
	// Who answers.
	Who string `json:"who"`
	// Useful says whether the alarm was worth being told; absent when nobody was asked.
	Useful *bool `json:"useful,omitempty"`
	// ForS is how long to shelve, in seconds.
	ForS float64 `json:"for_s,omitempty"`
	// Text says why it is shelved.
	Text string `json:"text,omitempty"`
}

// Listed is an alarm as the local socket lists it.
type Listed struct {
	Ref      int64         `json:"ref"` // 0 for one that was never told
	ID       string        `json:"id,omitempty"`
	Phase    Phase         `json:"phase"`
	Severity site.Severity `json:"severity"`
	Present  bool          `json:"present"`
	Why      string        `json:"why,omitempty"`
	AckBy    string        `json:"ack_by,omitempty"`
	Message  string        `json:"message"`
	Event    site.Event    `json:"event"`
}

// answerFault is how the socket says that something is wrong.
type answerFault struct {
	Error string `json:"error"`
}

// NewAnswers serves the local socket's part for alarms: GET lists what open returns, POST takes an
// Answer, dates its record by now, gives it to put, which journals it, and lists the alarm.
//
// It is for a socket that only people with access to the machine can reach: it asks for no
// password.
func NewAnswers(s func() *site.Site, open func() []Alarm, now func() time.Time,
	put func(context.Context, site.Record) (site.Record, error)) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+AnswersPath, func(w http.ResponseWriter, _ *http.Request) {
		list := []Listed{}
		for _, a := range open() {
			list = append(list, Listing(s(), a))
		}
		reply(w, http.StatusOK, list)
	})
	mux.HandleFunc("POST "+AnswersPath, func(w http.ResponseWriter, r *http.Request) {
		var in Answer
		dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&in); err != nil {
			reply(w, http.StatusBadRequest, answerFault{"the answer cannot be read: " + err.Error()})
			return
		}
		a, ok := Find(open(), in.Alarm)
		if !ok {
			reply(w, http.StatusNotFound, answerFault{fmt.Sprintf("no open alarm is called %q", in.Alarm)})
			return
		}
		rec, err := in.Record(a, now())
		if err != nil {
			reply(w, http.StatusBadRequest, answerFault{err.Error()})
			return
		}
		if _, err := put(r.Context(), rec); err != nil {
			reply(w, http.StatusInternalServerError, answerFault{"the answer could not be kept: " + err.Error()})
			return
		}
		// Whether it is still listed is up to the alarm: one that is over goes with its answer.
		if still, ok := Find(open(), a.Event.ID); ok {
			a = still
		} else {
			a.Phase = Normal
		}
		reply(w, http.StatusOK, Listing(s(), a))
	})
	return mux
}

func reply(w http.ResponseWriter, code int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(v) // a caller that has gone is not told anything
}

// Listing is the alarm as it is listed.
func Listing(s *site.Site, a Alarm) Listed {
	short := newMessage(s, a.Now).short("", nil) // the one who reads the list is about to answer
	l := Listed{ID: a.Event.ID, Phase: a.Phase, Severity: a.Now.Severity, Present: a.Present, Why: a.Why,
		Message: short, Event: a.Now}
	if a.Phase == Acknowledged {
		l.AckBy = a.AckBy
	}
	if len(a.Seqs) > 0 {
		l.Ref = a.Seqs[0]
	}
	return l
}

// Record is the operator record of the answer to a, given at now, or what is wrong with it.
func (in Answer) Record(a Alarm, now time.Time) (site.Record, error) {
	rec := site.Record{Time: now, Subject: a.Event.ID, Bay: a.Event.Bay, Who: in.Who, Value: site.Unknown(), Value2: site.Unknown(), Text: in.Text}
	switch in.Do {
	case "ack":
		rec.Kind = site.RecAck
		if in.Useful != nil {
			rec.Value = 0
			if *in.Useful {
				rec.Value = 1
			}
		}
	case "shelve":
		rec.Kind = site.RecShelve
		switch {
		case !(in.ForS > 0) || in.ForS > MaxShelf.Seconds():
			return site.Record{}, fmt.Errorf("an alarm can be shelved for up to %s", words.Of(nil).Span(MaxShelf))
		case strings.TrimSpace(in.Text) == "":
			return site.Record{}, errors.New("say why it is shelved")
		case !a.Told:
			return site.Record{}, errors.New("the alarm is not telling anything now; there is nothing to shelve")
		}
		rec.Until = now.Add(time.Duration(in.ForS * float64(time.Second)))
	case "unshelve":
		rec.Kind = site.RecUnshelve
		if a.ShelvedUntil.IsZero() {
			return site.Record{}, errors.New("the alarm is not shelved")
		}
	default:
		return site.Record{}, fmt.Errorf("an alarm is answered with ack, shelve or unshelve, not %q", in.Do)
	}
	return rec, nil
}
