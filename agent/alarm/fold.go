package alarm

import (
	"slices"
	"time"

	"bayledger/agent/site"
)

// none stands for no entry.
const none = -1

// part is what one entry plays at one settling.
type part struct {
	ready    bool        // present for its on-delay, or open
	ending   bool        // open, and gone for its off-delay: it clears in this settling
	hold     bool        // ready, but not to be raised before it is clear what causes it
	mute     site.Phrase // why nothing may be told of it; no words where it may
	byDesign bool        // mute is by design (season), not out of service
	cause    int         // index of the alarm it is folded under, the end of the chain; or none
	keep     bool        // what it is folded under stays as it was told, be it still open or not
	merged   site.Finding
	least    site.Severity // the gravest of what is folded under it
}

func (p *part) muted() bool { return p.mute.Words != "" }

// fold works out, for every entry in order, what it is an effect of, what its effects lend it,
// and what keeps it quiet. It changes nothing.
func (d *Desk) fold(t time.Time) []part {
	plan := make([]part, len(d.entries))
	for i, e := range d.entries {
		p := &plan[i]
		on, off := d.Delays(e.key)
		p.ending = e.open && !e.present && t.Sub(e.goneSince) >= off
		p.ready = e.open || (e.present && t.Sub(e.firstSeen) >= on)
		p.mute, p.byDesign = d.silence(e.key, t)
		p.merged, p.cause = e.finding, none
	}
	// Arrows of the table point downwards, so every cause has its own cause already when its
	// effects come to ask.
	for i, e := range d.entries {
		if plan[i].ready {
			d.seekCause(plan, i, t)
		}
		p := &plan[i]
		if p.cause == none || !e.present || p.muted() {
			continue
		}
		if !info(d.entries[p.cause].key.Kind).FalseReadings {
			lend(&plan[p.cause], e, d.severity(e.finding, t))
		}
	}
	return plan
}

// seekCause finds what entry i is folded under.
func (d *Desk) seekCause(plan []part, i int, t time.Time) {
	e, p := d.entries[i], &plan[i]
	// While it is silenced or in its off-delay nothing is told of it, so nothing changes.
	p.keep = e.open && (!e.present || p.muted())
	for j := 0; j < i && !p.keep && !p.hold && p.cause == none; j++ {
		q := &plan[j]
		if q.muted() || q.ending || !d.explains(d.entries[j], e) {
			continue
		}
		if q.ready && !q.hold {
			root := j
			for plan[root].cause != none {
				root = plan[root].cause
			}
			if r := d.entries[root]; !plan[root].keep || r.cause == "" {
				p.cause = root
				continue
			}
		} else if !d.entries[j].present || e.open {
			continue
		}
		// The cause is in its on-delay, or about to lose its own cause: wait for what comes of it.
		p.keep, p.hold = e.open, !e.open
	}
	if p.cause == none && e.open && e.cause != "" && !p.keep {
		// An effect that ends with its cause needs its own off-delay to be believed gone, and must
		// not be told in between.
		freed := e.freed
		if freed.IsZero() {
			freed = t
		}
		_, off := d.Delays(e.key)
		p.keep = t.Before(freed.Add(off))
	}
	if p.keep && e.cause != "" {
		for j, c := range d.entries[:i] {
			if c.open && !plan[j].ending && c.id(d.site) == e.cause {
				p.cause = j
			}
		}
	}
}

// lend gives a cause what its effect knows better: the shorter time left, and numbers it has not
// itself.
func lend(p *part, effect *entry, s site.Severity) {
	f := effect.finding
	p.merged.ToCrest = min(p.merged.ToCrest, f.ToCrest)
	p.merged.ToSoft = min(p.merged.ToSoft, f.ToSoft)
	p.merged.Carried = p.merged.Carried || f.Carried
	if p.merged.Bay == f.Bay {
		if !known(p.merged.RateM3S) {
			p.merged.RateM3S = f.RateM3S
		}
		if !known(p.merged.VolumeM3) {
			p.merged.VolumeM3, p.merged.VolumeU = f.VolumeM3, f.VolumeU
		}
	}
	if gravity(s) > gravity(p.least) {
		p.least = s
	}
}

// explains reports whether the table says that cause accounts for effect.
func (d *Desk) explains(cause, effect *entry) bool {
	for _, x := range info(cause.key.Kind).Explains {
		if x.Kind != effect.key.Kind {
			continue
		}
		switch x.Reach {
		case site.SameBay:
			return cause.key.Bay == effect.key.Bay
		case site.AllBays:
			return true
		case site.Named:
			return cause.key.Bay == effect.key.Bay || slices.Contains(cause.finding.Bays, effect.key.Bay)
		case site.SameSubject:
			return d.restsOn(effect.key.Subject, cause.key.Subject)
		}
	}
	return false
}

// restsOn reports whether what is read at subject (a point or a device) comes through on (the
// same, or the device or link behind it).
func (d *Desk) restsOn(subject, on string) bool {
	if subject == "" || on == "" {
		return false
	}
	if subject == on {
		return true
	}
	for i := range d.site.Points {
		p := &d.site.Points[i]
		if p.ID == subject && (p.Device == on || p.Link == on) || p.Device == subject && p.Link == on {
			return true
		}
	}
	return false
}

// silence says why nothing may be told of a place and kind at t; no words where it may.
func (d *Desk) silence(k site.Key, t time.Time) (why site.Phrase, byDesign bool) {
	for _, w := range d.work {
		if (w.Bay == "" || w.Bay == k.Bay) && w.Until.After(t) {
			var by site.Phrase
			if w.Who != "" {
				by = site.Say(" by %s", w.Who)
			}
			return site.Say("maintenance until %s%s", site.Moment{At: w.Until, Now: d.now}, by), false
		}
	}
	if d.closed && !info(k.Kind).AllYear {
		return site.Say("the season is closed"), true
	}
	return site.Phrase{}, false
}

// under returns the id of the alarm that entry e is folded under at this settling, or "".
func (d *Desk) under(e *entry, p *part) string {
	switch {
	case p.keep:
		return e.cause
	case p.cause != none:
		return d.entries[p.cause].id(d.site)
	}
	return ""
}
