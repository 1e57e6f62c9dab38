package site

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
)

// Finding is what the watch believes at one moment: one kind of trouble at one place, with its
// evidence. The watch returns every finding that holds; the alarm desk makes events of them.
type Finding struct {
	Kind Kind
	// Bay is empty for the whole site. Bays lists all that are concerned when there are several.
	Bay  string
	Bays []string
	// Subject is the id of the point, unit, link or sink concerned; empty when the bay says it.
	Subject string
	// Since is the estimated onset.
	Since time.Time
	// Confidence is the probability of Kind, 0 to 1.
	Confidence float64
	// RateM3S is the water lost or gained now, VolumeM3 how much so far with VolumeU its
	// expanded uncertainty (k=2). NaN when not known.
	RateM3S, VolumeM3, VolumeU float64
	// ToCrest and ToSoft are the times until the overflow runs and until the surface goes soft
	// (for drying: until it is dust); NoTimeLeft when neither is in sight.
	ToCrest, ToSoft time.Duration
	// Carried is true when the overflow can carry the whole flow, so that the court will not
	// flood.
	Carried bool
	// OrKind is the second cause the evidence cannot exclude, WouldDecide what would.
	OrKind      Kind
	WouldDecide Phrase
	// Because is one sentence with the numbers.
	Because Phrase
}

// NoTimeLeft in a Finding means that nothing is running out.
const NoTimeLeft = time.Duration(math.MaxInt64)

// NewFinding returns a finding with every number unknown.
func NewFinding(k Kind, bay, subject string, since time.Time) Finding {
	return Finding{Kind: k, Bay: bay, Subject: subject, Since: since, Confidence: 1,
		RateM3S: Unknown(), VolumeM3: Unknown(), VolumeU: Unknown(), ToCrest: NoTimeLeft, ToSoft: NoTimeLeft}
}

// Key names the place and kind of a finding: two findings with one key are the same trouble.
type Key struct {
	Bay     string
	Kind    Kind
	Subject string
}

// Key of the finding.
func (f Finding) Key() Key { return Key{f.Bay, f.Kind, f.Subject} }

// State of an event record.
type State string

// The three states an event tells.
const (
	Raised  State = "raised"
	Updated State = "updated"
	Cleared State = "cleared"
)

// Severity of an event.
type Severity string

// The three severities: info is for the log, warning is delivered in the morning, urgent pages.
const (
	Info    Severity = "info"
	Warning Severity = "warning"
	Urgent  Severity = "urgent"
)

// EventVersion is the value of an event's v field.
const EventVersion = 1

// Event is one record in the life of an alarm, in the fixed outward format: replay's stdout,
// journal, MQTT and API carry exactly this JSON. Units are in the field names. Unknown numbers
// are absent.
type Event struct {
	V           int      `json:"v"`
	ID          string   `json:"id"`
	Subject     string   `json:"subject,omitempty"`
	Seq         int64    `json:"seq"`
	Time        Stamp    `json:"time"`
	Since       Stamp    `json:"since"`
	Site        string   `json:"site"`
	Bay         string   `json:"bay"`
	Bays        []string `json:"bays,omitempty"`
	Kind        Kind     `json:"kind"`
	OrKind      Kind     `json:"or_kind,omitempty"`
	WouldDecide string   `json:"would_decide,omitempty"`
	State       State    `json:"state"`
	Severity    Severity `json:"severity"`
	Confidence  *float64 `json:"confidence,omitempty"`
	RateLPH     *float64 `json:"rate_lph,omitempty"`
	Litres      *float64 `json:"litres,omitempty"`
	LitresU     *float64 `json:"litres_u,omitempty"`
	TimeLeftS   *float64 `json:"time_left_s,omitempty"` // the shorter of the next two
	ToCrestS    *float64 `json:"to_crest_s,omitempty"`
	ToSoftS     *float64 `json:"to_soft_s,omitempty"`
	Carried     bool     `json:"carried,omitempty"`
	CauseID     string   `json:"cause_id,omitempty"`
	Because     string   `json:"because"`
	FirstAction string   `json:"first_action"`
	Revision    string   `json:"revision"`
	// Raised is when the alarm was first raised; it is part of ID.
	Raised Stamp `json:"-"`
}

// Stamp is a time that travels as RFC 3339 in UTC with milliseconds.
type Stamp struct{ time.Time }

const stampLayout = "2006-01-02T15:04:05.000Z"

// MarshalJSON implements json.Marshaler.
func (s Stamp) MarshalJSON() ([]byte, error) {
	return []byte(`"` + s.UTC().Format(stampLayout) + `"`), nil
}

// UnmarshalJSON implements json.Unmarshaler.
func (s *Stamp) UnmarshalJSON(b []byte) error {
	var text string
	if err := json.Unmarshal(b, &text); err != nil {
		return err
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return fmt.Errorf("time %q is not RFC 3339: %w", text, err)
	}
	s.Time = t.UTC()
	return nil
}

// EventID is the identity of an alarm: site/bay/kind/subject/time first raised. It stays the
// same for the alarm's life.
func EventID(site string, k Key, raised time.Time) string {
	return fmt.Sprintf("%s/%s/%s/%s/%s", site, k.Bay, k.Kind, k.Subject, raised.UTC().Format(stampLayout))
}

// ParseEventID takes apart what EventID has made. ok is false for what is no alarm's identity.
func ParseEventID(id string) (site string, k Key, raised time.Time, ok bool) {
	parts := strings.Split(id, "/")
	last := len(parts) - 1
	if last < 4 {
		return "", Key{}, time.Time{}, false
	}
	raised, err := time.Parse(stampLayout, parts[last])
	return parts[0], Key{parts[1], Kind(parts[2]), strings.Join(parts[3:last], "/")}, raised, err == nil
}

// ParseEvent reads one event and refuses one of a version it does not know.
func ParseEvent(line []byte) (Event, error) {
	var e Event
	if err := json.Unmarshal(line, &e); err != nil {
		return Event{}, fmt.Errorf("event: %w", err)
	}
	switch {
	case e.V != EventVersion:
		return Event{}, fmt.Errorf("event: version %d is not %d", e.V, EventVersion)
	case e.ID == "":
		return Event{}, errors.New("event: it has no id")
	case e.Kind == "":
		return Event{}, errors.New("event: it has no kind")
	}
	return e, nil
}

// Key of the alarm the event belongs to.
func (e Event) Key() Key { return Key{e.Bay, e.Kind, e.Subject} }

// Num returns a pointer to x rounded to a sixth significant digit, or nil when x is not known:
// what an optional number of an Event is made of. The rounding keeps arm64 and amd64, which
// differ in the last bits, telling the same.
func Num(x float64) *float64 {
	if !Known(x) {
		return nil
	}
	if x == 0 {
		return new(0.0)
	}
	p := math.Pow10(5 - int(math.Floor(math.Log10(math.Abs(x)))))
	if math.IsInf(p, 0) || p == 0 {
		return new(x)
	}
	return new(math.Round(x*p) / p)
}
