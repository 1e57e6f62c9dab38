package agent

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// conditions are the daemon's own troubles: a silent line, a historian that takes nothing, a
// clock nobody vouches for. No sample shows them, so they reach the core as journaled records
// like everything else that is not a sample; a replay therefore tells them as live did.
type conditions map[site.Key]site.Finding

// conditionRecord puts the beginning or the end of a condition on record.
func conditionRecord(k site.Kind, subject string, begins bool, why string, t time.Time) site.Record {
	r := site.Record{Time: t, Kind: site.RecCondition, Subject: string(k) + "/" + subject, Who: "daemon", Text: why,
		Value: 0, Value2: site.Unknown()}
	if begins {
		r.Value = 1
	}
	return r
}

// record takes a record that may be about a condition.
func (c conditions) record(r site.Record) {
	if r.Kind != site.RecCondition {
		return
	}
	kind, subject, _ := strings.Cut(r.Subject, "/")
	key := site.Key{Kind: site.Kind(kind), Subject: subject}
	if r.Value == 0 {
		delete(c, key)
		return
	}
	if f, ok := c[key]; ok { // a new reason for the same trouble
		f.Because = site.Say(r.Text)
		c[key] = f
		return
	}
	f := site.NewFinding(key.Kind, "", subject, r.Time)
	f.Because = site.Say(r.Text)
	c[key] = f
}

// condition is one of them as a snapshot keeps it.
type condition struct {
	Kind    site.Kind `json:"kind"`
	Subject string    `json:"subject"`
	Since   time.Time `json:"since"`
	Because string    `json:"because"`
}

// list returns the conditions in order of kind and subject.
func (c conditions) list() []condition {
	var all []condition
	for k, f := range c {
		all = append(all, condition{k.Kind, k.Subject, f.Since, f.Because.Words})
	}
	slices.SortFunc(all, func(a, b condition) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	return all
}

func conditionsOf(list []condition) conditions {
	c := conditions{}
	for _, x := range list {
		f := site.NewFinding(x.Kind, "", x.Subject, x.Since)
		f.Because = site.Say(x.Because)
		c[f.Key()] = f
	}
	return c
}

// merge adds the conditions to the findings, in the order of keys.
func (c conditions) merge(findings []site.Finding) []site.Finding {
	if len(c) == 0 {
		return findings
	}
	all := slices.Clone(findings)
	for _, x := range c.list() {
		all = append(all, c[site.Key{Kind: x.Kind, Subject: x.Subject}])
	}
	slices.SortStableFunc(all, func(a, b site.Finding) int {
		return cmp.Or(cmp.Compare(a.Bay, b.Bay), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject))
	})
	return all
}
