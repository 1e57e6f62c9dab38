package agent

import (
	"fmt"
	"strings"

	"bayledger/agent/page"
	"bayledger/agent/site"
)

// health is the state of the daemon's own parts as page and metrics show it.
func (a *Agent) health() page.Health {
	h := page.Health{Started: a.started, Version: a.opts.Version}
	p := a.parts.Load()
	links, devices := p.driver.Stats()
	for _, l := range links {
		out := page.Link{ID: l.Link, Up: l.Up, Since: l.Since, Note: l.Last}
		switch {
		case l.OtherMaster != "":
			out.Up, out.Note = false, "another master speaks on this line: "+l.OtherMaster
		case l.Listening:
			out.Note = "listening for another master before the first request"
		case l.Up:
			out.Note = ""
		}
		for _, d := range devices {
			if d.Link != l.Link {
				continue
			}
			u := page.Unit{ID: d.Device, Up: d.Up, Requests: d.Requests, FailedPer1000: d.ErrorsPer1000,
				TimeoutsPer1000: d.TimeoutsPer1000, ReplyP99: d.ReplyP99}
			if !d.Up {
				u.Note = d.Last
			}
			out.Units = append(out.Units, u)
		}
		h.Links = append(h.Links, out)
	}
	for _, s := range p.sinks {
		h.Sinks = append(h.Sinks, s.state())
	}
	k := a.keeper
	h.Journal = page.Journal{OK: k.trouble == "", Note: k.trouble, Unjournaled: k.count.Unjournaled}
	h.ClockSure, h.ClockNote = k.times.standing.Sure, k.times.standing.Note
	return h
}

// troubles are the daemon's own troubles at the moment, for the alarm desk.
func (a *Agent) troubles() []condition {
	var out []condition
	add := func(kind site.Kind, subject, because string) {
		out = append(out, condition{Kind: kind, Subject: subject, Because: because})
	}
	h := a.health()
	notes := map[string]string{}
	for _, s := range a.parts.Load().sinks {
		notes[s.id] = s.trouble()
	}
	for _, l := range h.Links {
		if !l.Up {
			add(site.LinkDown, l.ID, fmt.Sprintf("Nothing is read on line %s: %s.", l.ID, orUnknown(l.Note)))
		}
	}
	for _, s := range h.Sinks {
		if !s.Up {
			add(site.SinkUnreachable, s.ID, fmt.Sprintf("%s takes no data (%s); it is kept here and sent later.", s.Name, orUnknown(notes[s.ID])))
		}
	}
	return append(out, a.keeper.troublesOfKeeping()...)
}

// troublesOfKeeping are those of journal, clock and isolation valve. It runs under the keeper's lock.
func (k *keeper) troublesOfKeeping() (out []condition) {
	add := func(kind site.Kind, subject, because string) {
		out = append(out, condition{Kind: kind, Subject: subject, Because: because})
	}
	switch {
	case k.trouble == "":
	case k.full:
		add(site.DiskFull, "journal", "The journal has no room left; readings are watched but not kept.")
	default:
		add(site.JournalFault, "journal", "The journal takes no readings ("+k.trouble+"); they are watched but not kept.")
	}
	for _, i := range k.journal.SetAsideFiles() {
		// It stands, over starts too, until somebody has taken the file away.
		add(site.JournalFault, i.File, strings.ToUpper(i.What[:1])+i.What[1:]+".")
	}
	if i := k.core.Site.Isolation; i != nil {
		out = append(out, isolationTroubles(k.core.Procedures.Main(), i.Device)...)
	}
	if !k.times.standing.Sure {
		add(site.ClockUnsure, "clock", "This machine's clock is not to be trusted: "+orUnknown(k.times.standing.Note)+".")
	}
	return out
}

func orUnknown(note string) string {
	if note == "" {
		return "no reason known yet"
	}
	return note
}
