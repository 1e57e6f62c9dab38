package agent

import (
	"errors"
	"net"
	"syscall"

	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/words"
	"bayledger/drivers/modbus"
)

// health is the state of the daemon's own parts as page and metrics show it.
func (a *Agent) health() page.Health {
	h := page.Health{Started: a.started, Version: a.opts.Version}
	p := a.parts.Load()
	say := words.Of(p.cfg.Site)
	links, devices := p.driver.Stats()
	for _, l := range links {
		out := page.Link{ID: l.Link, Up: l.Up, Since: l.Since, Note: linkNote(say, l)}
		switch {
		case l.OtherMaster != "":
			out.Up, out.Note = false, say.Say("another master speaks on this line: %s", l.OtherMaster)
		case l.Listening:
			out.Note = say.Say("listening for another master before the first request")
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
	h.ClockSure, h.ClockNote = k.times.standing.Sure, k.clockNote()
	return h
}

// linkNote says what keeps a line from being used: what commonly does in the words of people who
// are woken by it, anything else as the machine has it.
func linkNote(say words.Voice, l modbus.LinkStats) string {
	op, dialled := errors.AsType[*net.OpError](l.Err)
	dialled = dialled && op.Op == "dial" && op.Addr != nil
	switch {
	case dialled && errors.Is(op, syscall.ECONNREFUSED):
		return say.Say("%s refuses the connection", op.Addr.String())
	case dialled && op.Timeout():
		return say.Say("%s does not answer", op.Addr.String())
	case dialled && (errors.Is(op, syscall.EHOSTUNREACH) || errors.Is(op, syscall.ENETUNREACH)):
		return say.Say("no way in the network leads to %s", op.Addr.String())
	case errors.Is(l.Err, syscall.ENOENT):
		return say.Say("its adapter is not plugged in")
	}
	return l.Last
}

// troubles are the daemon's own troubles at the moment, for the alarm desk.
func (a *Agent) troubles() []condition {
	var out []condition
	add := func(kind site.Kind, subject, because string) {
		out = append(out, condition{Kind: kind, Subject: subject, Because: because})
	}
	h, say := a.health(), words.Of(a.parts.Load().cfg.Site)
	notes := map[string]string{}
	for _, s := range a.parts.Load().sinks {
		notes[s.id] = s.trouble()
	}
	for _, l := range h.Links {
		if !l.Up {
			add(site.LinkDown, l.ID, say.Say("Nothing is read on line %s: %s.", l.ID, reason(say, l.Note)))
		}
	}
	for _, s := range h.Sinks {
		if !s.Up {
			add(site.SinkUnreachable, s.ID, say.Say("%s takes no data (%s); it is kept here and sent later.", say.Say(s.Name), reason(say, notes[s.ID])))
		}
	}
	return append(out, a.keeper.troublesOfKeeping()...)
}

// troublesOfKeeping are those of journal, clock and isolation valve. It runs under the keeper's lock.
func (k *keeper) troublesOfKeeping() (out []condition) {
	say := words.Of(k.core.Site)
	add := func(kind site.Kind, subject, because string) {
		out = append(out, condition{Kind: kind, Subject: subject, Because: because})
	}
	switch {
	case k.trouble == "":
	case k.full:
		add(site.DiskFull, "journal", say.Say("The journal has no room left; readings are watched but not kept."))
	default:
		add(site.JournalFault, "journal", say.Say("The journal takes no readings (%s); they are watched but not kept.", k.trouble))
	}
	for _, i := range k.journal.SetAsideFiles() {
		// It stands, over starts too, until somebody has taken the file away.
		add(site.JournalFault, i.File, words.Sentence(say.Speak(i.What)))
	}
	if i := k.core.Site.Isolation; i != nil {
		out = append(out, isolationTroubles(say, k.core.Procedures.Main(), i.Device)...)
	}
	if !k.times.standing.Sure {
		add(site.ClockUnsure, "clock", say.Say("This machine's clock is not to be trusted: %s.", reason(say, k.clockNote())))
	}
	return out
}

// clockNote says what is wrong with the clock, or "".
func (k *keeper) clockNote() string {
	n := k.times.standing.Note
	return words.Of(k.core.Site).Say(n.Words, n.With...)
}

func reason(say words.Voice, note string) string {
	if note == "" {
		return say.Say("no reason known yet")
	}
	return note
}
