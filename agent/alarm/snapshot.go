package alarm

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
)

// snapshotVersion changes whenever the meaning of a saved field does.
const snapshotVersion = 1

type saved struct {
	V       int          `json:"v"`
	Site    string       `json:"site"`
	Seq     int64        `json:"seq"`
	Now     time.Time    `json:"now"`
	Closed  bool         `json:"closed,omitempty"`
	Work    []Work       `json:"work,omitempty"`
	Rates   tally        `json:"rates"`
	Entries []savedEntry `json:"entries,omitempty"`
}

type savedEntry struct {
	Finding   savedFinding  `json:"finding"`
	Present   bool          `json:"present,omitempty"`
	FirstSeen time.Time     `json:"first_seen,omitzero"`
	GoneSince time.Time     `json:"gone_since,omitzero"`
	Open      bool          `json:"open,omitempty"`
	Acked     bool          `json:"acked,omitempty"`
	AckBy     string        `json:"ack_by,omitempty"`
	AckAt     time.Time     `json:"ack_at,omitzero"`
	Asked     time.Time     `json:"asked,omitzero"`
	Answered  *site.Event   `json:"answered,omitempty"`
	Raised    time.Time     `json:"raised,omitzero"`
	Seqs      []int64       `json:"seqs,omitempty"`
	Told      *site.Event   `json:"told,omitempty"`
	Quiet     int           `json:"quiet,omitempty"`
	Level     site.Severity `json:"level,omitempty"`
	Over      time.Time     `json:"over,omitzero"`
	Cause     string        `json:"cause,omitempty"`
	Freed     time.Time     `json:"freed,omitzero"`
	Shelf     time.Time     `json:"shelf,omitzero"`
	ShelfBy   string        `json:"shelf_by,omitempty"`
	ShelfOf   string        `json:"shelf_of,omitempty"`
	Muted     bool          `json:"muted,omitempty"`
}

// savedFinding is a finding without NaN, which JSON does not know.
type savedFinding struct {
	Kind        site.Kind     `json:"kind"`
	Bay         string        `json:"bay,omitempty"`
	Bays        []string      `json:"bays,omitempty"`
	Subject     string        `json:"subject,omitempty"`
	Since       time.Time     `json:"since,omitzero"`
	Confidence  *float64      `json:"confidence,omitempty"`
	RateM3S     *float64      `json:"rate_m3s,omitempty"`
	VolumeM3    *float64      `json:"volume_m3,omitempty"`
	VolumeU     *float64      `json:"volume_u,omitempty"`
	ToCrest     time.Duration `json:"to_crest_ns"`
	ToSoft      time.Duration `json:"to_soft_ns"`
	Carried     bool          `json:"carried,omitempty"`
	OrKind      site.Kind     `json:"or_kind,omitempty"`
	WouldDecide string        `json:"would_decide,omitempty"`
	Because     string        `json:"because,omitempty"`
}

func number(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func unknown(p *float64) float64 {
	if p == nil {
		return site.Unknown()
	}
	return *p
}

// Snapshot returns everything the desk remembers, as text that Restore reads back exactly.
func (d *Desk) Snapshot() ([]byte, error) {
	s := saved{V: snapshotVersion, Site: d.site.ID, Seq: d.seq, Now: d.now, Closed: d.closed, Work: d.work, Rates: d.rates}
	for _, e := range d.entries {
		f := e.finding
		out := savedEntry{
			Finding: savedFinding{f.Kind, f.Bay, f.Bays, f.Subject, f.Since, number(f.Confidence), number(f.RateM3S),
				number(f.VolumeM3), number(f.VolumeU), f.ToCrest, f.ToSoft, f.Carried, f.OrKind, d.voice.Speak(f.WouldDecide), d.voice.Speak(f.Because)},
			Present: e.present, FirstSeen: e.firstSeen, GoneSince: e.goneSince, Open: e.open, Acked: e.acked,
			AckBy: e.ackBy, AckAt: e.ackAt, Asked: e.asked, Raised: e.raised, Seqs: e.seqs, Quiet: e.quiet, Level: e.level,
			Over: e.over, Cause: e.cause, Freed: e.freed, Shelf: e.shelf, ShelfBy: e.shelfBy, ShelfOf: e.shelfOf, Muted: e.muted,
		}
		if e.told.ID != "" {
			out.Told = &e.told
		}
		if e.acked {
			out.Answered = &e.answered
		}
		s.Entries = append(s.Entries, out)
	}
	b, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("alarm: save: %w", err)
	}
	return b, nil
}

// Restore replaces everything the desk remembers by what Snapshot saved, or changes nothing and
// says why: text that cannot be read, another version, another site.
func (d *Desk) Restore(b []byte) error {
	var s saved
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("alarm: restore: %w", err)
	}
	switch {
	case s.V != snapshotVersion:
		return fmt.Errorf("alarm: restore: version %d is not %d", s.V, snapshotVersion)
	case s.Site != d.site.ID:
		return fmt.Errorf("alarm: restore: it is of site %q, not %q", s.Site, d.site.ID)
	}
	entries := make([]*entry, 0, len(s.Entries))
	for _, x := range s.Entries {
		f := site.Finding{Kind: x.Finding.Kind, Bay: x.Finding.Bay, Bays: x.Finding.Bays, Subject: x.Finding.Subject,
			Since: x.Finding.Since, Confidence: unknown(x.Finding.Confidence), RateM3S: unknown(x.Finding.RateM3S),
			VolumeM3: unknown(x.Finding.VolumeM3), VolumeU: unknown(x.Finding.VolumeU), ToCrest: x.Finding.ToCrest,
			ToSoft: x.Finding.ToSoft, Carried: x.Finding.Carried, OrKind: x.Finding.OrKind,
			WouldDecide: site.Say(x.Finding.WouldDecide), Because: site.Say(x.Finding.Because)}
		e := &entry{key: f.Key(), finding: f, present: x.Present, firstSeen: x.FirstSeen,
			goneSince: x.GoneSince, open: x.Open, acked: x.Acked, ackBy: x.AckBy, ackAt: x.AckAt, asked: x.Asked, raised: x.Raised,
			seqs: x.Seqs, quiet: x.Quiet, level: x.Level, over: x.Over, cause: x.Cause, freed: x.Freed,
			shelf: x.Shelf, shelfBy: x.ShelfBy, shelfOf: x.ShelfOf, muted: x.Muted}
		if x.Told != nil {
			e.told = *x.Told
			e.told.Raised = site.Stamp{Time: x.Raised}
		}
		switch {
		case x.Answered != nil:
			e.answered = *x.Answered
		case x.Acked: // saved before this was kept
			e.answered = e.told
		}
		entries = append(entries, e)
	}
	// The table of kinds may have been put in another order since.
	slices.SortStableFunc(entries, func(a, b *entry) int { return compareKeys(a.key, b.key) })
	d.entries, d.seq, d.now, d.closed, d.work, d.rates = entries, s.Seq, s.Now, s.Closed, s.Work, s.Rates
	return nil
}
