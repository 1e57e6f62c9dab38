package alarm

import (
	"math"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// pauses are the least times between one record of an alarm and an update that only brings new
// numbers; the last repeats. What changes the meaning (severity, cause) is told at once.
var pauses = []time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour, 4 * time.Hour, 12 * time.Hour, 24 * time.Hour}

// maxSeqs bounds how many of its sequence numbers an alarm remembers.
const maxSeqs = 32

// news reports whether the alarm has something to say at t that it has not said. It comes at every
// tick for every open alarm, so it looks at the numbers only once their time has come.
func (d *Desk) news(e *entry, p *part, t time.Time) bool {
	f := &p.merged
	since := t.Sub(e.told.Time.Time)
	if gravity(d.weigh(e, p, t)) > gravity(e.told.Severity) || (f.OrKind != e.told.OrKind && since >= pauses[0]) {
		return true
	}
	if since < pauses[min(e.quiet, len(pauses)-1)] {
		return false
	}
	return moved(e.told.RateLPH, site.Num(f.RateM3S*3.6e6), 1.5) || moved(e.told.Litres, site.Num(f.VolumeM3*1000), 2) ||
		halved(e.told.TimeLeftS, seconds(min(f.ToCrest, f.ToSoft))) || !slices.Equal(e.told.Bays, f.Bays) ||
		(e.told.Confidence != nil && known(f.Confidence) && math.Abs(f.Confidence-*e.told.Confidence) >= 0.2)
}

// moved reports whether a number has become known, or is by that factor larger or smaller than
// the one told.
func moved(told, now *float64, factor float64) bool {
	switch {
	case now == nil:
		return false
	case told == nil:
		return true
	}
	a, b := math.Abs(*told), math.Abs(*now)
	return max(a, b) >= 1 && max(a, b) >= factor*min(a, b)
}

// halved reports whether the time left has become known or has shrunk to half of what was told.
func halved(told, now *float64) bool {
	return now != nil && (told == nil || *now <= *told/2 && *told >= 60)
}

// tell makes the next record of an alarm and notes that it was told.
func (d *Desk) tell(e *entry, p *part, state site.State, t time.Time) site.Event {
	level := e.level
	ev := d.event(e, p, state, t)
	d.seq++
	ev.Seq = d.seq
	e.level = ev.Severity
	e.told = ev
	e.seqs = append(e.seqs, ev.Seq)
	if len(e.seqs) > maxSeqs {
		e.seqs = slices.Delete(e.seqs, 1, 2) // the first one stands in the page that was sent
	}
	switch {
	case state == site.Raised:
		e.quiet, e.asked = 0, t
		if e.cause == "" {
			d.rates.raisedAt(ev.Severity, t)
		}
	case state == site.Updated && gravity(ev.Severity) > gravity(level):
		e.acked, e.quiet, e.asked = false, 0, t // news that asks for an answer of its own
		if e.cause == "" {
			d.rates.raisedAt(ev.Severity, t)
		}
	case state == site.Updated:
		e.quiet++
	}
	return ev
}

// event is what the entry would be told as at t.
func (d *Desk) event(e *entry, p *part, state site.State, t time.Time) site.Event {
	row, f := info(e.key.Kind), p.merged
	ev := site.Event{
		V: site.EventVersion, ID: e.id(d.site), Subject: e.key.Subject, Time: site.Stamp{Time: t},
		Since: site.Stamp{Time: f.Since.UTC()}, Site: d.site.ID, Bay: e.key.Bay, Bays: slices.Clone(f.Bays),
		Kind: e.key.Kind, State: state, Severity: d.weigh(e, p, t), CauseID: e.cause,
		Litres: site.Num(f.VolumeM3 * 1000), LitresU: site.Num(f.VolumeU * 1000), Revision: d.site.Revision,
		Raised: site.Stamp{Time: e.raised},
	}
	if f.Since.IsZero() || ev.Since.After(t) {
		ev.Since.Time = e.firstSeen
	}
	if ev.Litres == nil {
		ev.LitresU = nil
	}
	if state == site.Cleared {
		ev.Severity = e.level
		ev.Because = d.voice.Say("It is over: %s.", d.voice.Say(row.Ends))
		ev.FirstAction = d.voice.Say("None; it is over.")
		return ev
	}
	ev.OrKind, ev.WouldDecide = f.OrKind, d.voice.Speak(f.WouldDecide)
	ev.Confidence = site.Num(f.Confidence)
	ev.RateLPH = site.Num(f.RateM3S * 3.6e6)
	ev.TimeLeftS, ev.ToCrestS, ev.ToSoftS, ev.Carried = seconds(min(f.ToCrest, f.ToSoft)), seconds(f.ToCrest), seconds(f.ToSoft), f.Carried
	ev.Because = d.because(row, f)
	ev.FirstAction = d.voice.Fill(d.voice.Say(row.FirstAction), d.site, e.key.Bay)
	return ev
}

// seconds of a time left, nil when nothing runs out.
func seconds(left time.Duration) *float64 {
	if left == site.NoTimeLeft {
		return nil
	}
	return new(math.Round(max(left, 0).Seconds()))
}

// because is the watch's sentence with what the overflow does about it.
func (d *Desk) because(row *site.KindInfo, f site.Finding) string {
	text := strings.TrimRight(d.voice.Speak(f.Because), " .")
	if text == "" {
		text = words.Capital(d.voice.Say(row.Says))
	}
	if f.Carried {
		text = d.voice.Say("%s; the overflow carries the whole flow, so the court does not flood", text)
	}
	return text + "."
}
