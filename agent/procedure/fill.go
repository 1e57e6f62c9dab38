package procedure

import (
	"fmt"
	"math"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// firstFill watches a bay fill for the first time, by the chamber's reading and with a volume cap,
// and keeps the first week's looks.
func firstFill(h *house, r *run) []step {
	id := r.Bay
	b := h.site.Bay(id)
	if b == nil || h.site.Find(id, site.Level) == nil {
		return []step{{id: "gone", title: "The bay has no level sensor", ask: confirm("Read")}}
	}
	target, bays := h.fillTo(b), []string{id}
	steps := []step{
		{id: "ready", title: h.say("Ready to fill %s", h.name(id)), bays: bays, expect: 5 * time.Minute, caution: []string{cautionCodes, cautionWater, cautionMains},
			do: []string{
				"First have the wiring proved and the line flushed.",
				"Put sensor and overflow back. Shut the drain.",
				"Put the controller in manual. Shut every valve.",
			},
			ask: confirm("It is so"), judge: (*look).allStill},
		{id: "fill", title: h.say("Fill to %s", site.Depth(target)), bays: bays, expect: h.fillTime(b), caution: []string{cautionWater},
			do: []string{
				h.say("Open the valve of %s.", id),
				h.say("About %s go in. Never let in more than %s.", site.Water(h.fillM3(b)), site.Water(h.capM3(b))),
				h.say("Stay until the chamber rises: within %s.", Span(h.o.FirstSigns)),
				"Shut the valve when you are told.",
			},
			judge: func(l *look) Verdict { return l.filling(id) }},
		{id: "whole", title: "Until it is whole", bays: bays, alone: true, expect: h.o.FillWithin,
			do:    []string{"Leave the valve shut.", "Go. Water spreads through the stone."},
			judge: func(l *look) Verdict { return l.whole(id) }},
	}
	for n := 1; n <= looks; n++ {
		steps = append(steps, step{id: fmt.Sprintf("look %d", n), title: h.say("Look %d of the first week", n), bays: bays, alone: true, expect: 24 * time.Hour, caution: []string{cautionWater},
			do: []string{lookAt[(n-1)%len(lookAt)], "Say how the surface plays."},
			ask: &Ask{Kind: AskChoice, Label: "The surface is", Choices: []Choice{
				{"right", words.Key("right")}, {"dry", words.Key("dry")}, {"soft", words.Key("soft")}, {"not-played", words.Key("not played on")}}},
			judge: func(l *look) Verdict { return l.lookDue(id, n) }})
	}
	return steps
}

// looks are the daily looks of the first week; one may be taken some hours before it is due, for the
// fill that ended in the afternoon and the round that is made in the morning.
const (
	looks     = 7
	lookEarly = 10 * time.Hour
)

// lookAt is what each day's look is for.
var lookAt = []string{
	words.Key("Look at chamber, overflow and edges: is anything wet that should be dry?"),
	words.Key("Dip the chamber. Compare it with the reading."),
	words.Key("Look at the overflow's outlet: wet when it has run."),
	words.Key("Walk the surface. Report soft or light patches to whoever built it."),
	words.Key("Compare the last day's water with the weather."),
	words.Key("Look into the strainer. Clean it."),
	words.Key("Look back at the week: is the set point right?"),
}

// fillTo is the level a first fill goes to: the set point, and never within a centimetre of the
// crest.
func (h *house) fillTo(b *site.Bay) float64 {
	target := b.SetPointM
	if !site.Known(target) || target <= 0 {
		target = 0.7 * b.SurfaceBottomM()
	}
	if site.Known(b.CrestM) {
		target = min(target, b.CrestM-0.010)
	}
	return target
}

// totalPorosity is what dry crushed stone can take in all: what drains and what it then keeps
// (Johnson 1967 and the texts that quote it give 0.35 to 0.45 for gravel and crushed stone; from
// memory).
const totalPorosity = 0.42

// fillM3 is what a first fill is expected to take, capM3 the most it may.
func (h *house) fillM3(b *site.Bay) float64 {
	return b.AreaM2 * h.fillTo(b) * (porosityOf(b) + totalPorosity) / 2
}
func (h *house) capM3(b *site.Bay) float64 { return b.AreaM2 * h.fillTo(b) * totalPorosity * 1.15 }

func (h *house) fillTime(b *site.Bay) time.Duration {
	return time.Duration(h.fillM3(b) / h.fillM3S(b.ID) * float64(time.Second)).Round(time.Minute)
}

// filling judges a first fill while it runs.
func (l *look) filling(id string) Verdict {
	b := l.site.Bay(id)
	r, m := l.trace(l.site.Find(id, site.Level)), l.trace(l.meterOf(id))
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	if r == nil || len(r.Dots) == 0 {
		if l.elapsed() > 10*time.Minute {
			return say(l.failed("The level of %s gives no good reading: without it the fill would be blind. Shut the valve.", id))
		}
		return say(l.watching("blind", "Waiting for a reading of the level."))
	}
	metered := l.meterOf(id) != nil
	level, target := r.newest(), l.fillTo(b)
	if r.First >= target {
		return say(l.failed("The chamber stands at %s already, and is to be filled to %s. Let the bay drain first, or pass this step over.", site.Depth(r.First), site.Depth(target)))
	}
	up := level - r.First
	began, in := l.since, 0.0
	if metered {
		if !l.moved(id) {
			switch {
			case up >= 2*riseM:
				return say(l.failed("The chamber has risen by %s and the meter of %s has not moved: it is dead, or another bay's. Shut the valve.", site.Depth(up), id))
			case l.elapsed() > l.o.FirstSigns+l.o.Away:
				return say(l.failed("Nothing has run into %s in %s. Is the supply on and the valve open?", id, Span(l.elapsed())))
			}
			return say(l.watching("wait", "Waiting for the valve of %s to open.", id))
		}
		began, in = time.UnixMilli(m.MoveFirst), m.Moved
	}
	runs := metered && l.quietFor(id) < l.patience(id)
	signs := math.NaN()
	if t := r.firstAbove(r.First + riseM); t != 0 {
		signs = time.UnixMilli(t).Sub(began).Minutes()
	}
	full := level >= target
	var v Verdict
	switch since := l.now.Sub(began); {
	case full && (runs || !metered && !l.atRestNow(id)):
		v = l.watching("shut", "The chamber stands at %s: shut the valve.", site.Depth(level))
	case full || metered && !runs && level >= target-max(bandOf(b), riseM):
		v = l.passed("%s in %s brought the chamber to %s; first sign after %s.", site.Water(in), Span(since), site.Depth(level), spanMinutes(signs))
		v.Values = map[string]float64{"m3": in, "minutes": since.Minutes(), "level_m": level, "expected_m3": l.fillM3(b)}
		if site.Known(signs) {
			v.Values["signs_min"] = signs
		}
	case metered && in > l.capM3(b):
		v = l.failed("%s have gone in, the most that dry stone of this size can take, and the chamber stands at %s: shut the valve. Look for an open drain, a missing overflow, a torn liner, or a chamber cut off from its bay.", site.Water(in), site.Depth(level))
	case metered && !runs:
		v = l.failed("The valve was shut at %s with %s in, %s short of %s. Open it again and do this step again to go on.", site.Depth(level), site.Water(in), site.Depth(target-level), site.Depth(target))
	case !site.Known(signs) && since > 2*l.o.FirstSigns:
		v = l.failed("%s in %s, and the chamber has not risen. %s", site.Water(in), Span(since), l.whySlow(b, in))
	case !site.Known(signs) && since > l.o.FirstSigns:
		v = l.watching("late", "%s in %s, and no sign in the chamber, later than the usual %s. %s", site.Water(in), Span(since), Span(l.o.FirstSigns), l.whySlow(b, in))
	case !site.Known(signs):
		v = l.watching("run", "%s so far; the first sign in the chamber is due within %s.", site.Water(in), Span(l.o.FirstSigns))
	default:
		v = l.watching("rise", "%s so far, the chamber stands at %s of %s; first sign after %s.", site.Water(in), site.Depth(level), site.Depth(target), spanMinutes(signs))
	}
	return say(v)
}

func bandOf(b *site.Bay) float64 {
	if site.Known(b.BandM) {
		return b.BandM
	}
	return 0
}

// whySlow explains a chamber that does not rise while water runs in.
func (l *look) whySlow(b *site.Bay, in float64) site.Phrase {
	near := b.AreaM2 * 0.1 * totalPorosity * 0.02
	if in < near {
		return site.Say("About %s are needed before dry stone passes any on: go on a little.", site.Water(near))
	}
	return site.Say("Look whether the drain is shut and the overflow in place, whether the pipe to the chamber is clear, and whether the sensor hangs in the water: dip it.")
}

func spanMinutes(m float64) site.Phrase {
	if !site.Known(m) {
		return site.Say("an unknown time")
	}
	return Span(time.Duration(m * float64(time.Minute)))
}

// firstAbove is when a dot first stood above v; 0 when none did.
func (r *trace) firstAbove(v float64) int64 {
	for _, d := range r.Dots {
		if d.V > v {
			return d.T
		}
	}
	return 0
}

// atRestNow reports whether the level has stopped rising over the last minutes.
func (l *look) atRestNow(id string) bool {
	r := l.trace(l.site.Find(id, site.Level))
	now := ms(l.now)
	late, n := r.mean(now-60_000, now)
	early, m := r.mean(now-240_000, now-180_000)
	return n > 0 && m > 0 && late-early < 0.001
}

// slowM is how much a whole bay's level may move in an hour, m: what a warm day and the last of the
// spreading take.
const slowM = 0.0015

// whole waits until a filled bay's level is the same everywhere, and explains one that never is.
func (l *look) whole(id string) Verdict {
	r := l.trace(l.site.Find(id, site.Level))
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	if r == nil || len(r.Dots) < 4 {
		return say(l.watching("", "Waiting for readings."))
	}
	now := ms(l.now)
	rate, known := r.slope(now-(75*time.Minute).Milliseconds(), now) // m in an hour
	late := r.newest()
	if l.moved(id) {
		return say(l.failed("Water has run into %s while it was settling: its valve is not shut, or the controller is not in manual.", id))
	}
	switch {
	case l.elapsed() > l.settled()+75*time.Minute && known && math.Abs(rate) <= slowM:
		fill := l.result("fill")
		v := l.passed("Whole at %s after %s.", site.Depth(late), Span(l.elapsed()))
		v.Values = map[string]float64{"level_m": late, "hours": l.elapsed().Hours()}
		if fill != nil && fill.Values != nil {
			v.Values["sank_m"] = fill.Values["level_m"] - late
			if short := l.fillTo(l.site.Bay(id)) - late; short > max(bandOf(l.site.Bay(id)), 2*riseM) {
				v.Says += l.say(" It is %s below where it should stand: the stone has drunk; fill once more before the controller takes over.", site.Depth(short))
			}
		}
		return say(v)
	case l.elapsed() > l.o.FillWithin && rate < 0:
		return say(l.failed("After %s the level still falls by %s an hour: more than spreading takes. Look at drain, overflow and liner edge before the controller takes over.", Span(l.elapsed()), site.Close(-rate)))
	case l.elapsed() > l.o.FillWithin:
		return say(l.failed("After %s the level still rises by %s an hour: the valve lets water through, or a neighbour loses its own.", Span(l.elapsed()), site.Close(rate)))
	}
	var change site.Phrase
	if known {
		change = site.Say(", %+s an hour", site.Close(rate))
	}
	return say(l.watching("", "%s%s; whole by %s after the fill at the latest.", site.Depth(late), change, Span(l.o.FillWithin)))
}

// lookDue reminds of a look and, when nobody came within a day, writes down what the readings say.
func (l *look) lookDue(id string, n int) Verdict {
	fill := l.result("fill")
	if fill == nil {
		return l.failed("The fill is not on record.")
	}
	due := fill.Ended.Add(time.Duration(n) * 24 * time.Hour)
	r := l.trace(l.site.Find(id, site.Level))
	level := site.Say("no good reading")
	if r != nil && r.LastT != 0 {
		level = site.Say("%s", site.Depth(r.newest()))
	}
	var taken site.Phrase
	if v := l.passedM3(id); site.Known(v) {
		taken = site.Say(", %s taken since the last look", site.Water(v))
	}
	var v Verdict
	switch late := l.now.Sub(due); {
	case l.answered:
		v = l.passed("Level %s%s. The surface is %s.", level, taken, site.Say(l.word))
	case late > 24*time.Hour:
		v = l.passed("Nobody looked. Level %s%s.", level, taken)
		v.Enough = true
	case late >= 0:
		v = l.watching("due", "Due since %s: level %s%s.", l.voice.Time(due, "2 Jan 15:04"), level, taken)
	default:
		v = l.watching("", "Due on %s. Level %s%s.", l.voice.Time(due, "2 Jan 15:04"), level, taken)
		v.Early = late < -lookEarly
	}
	v.Lines = l.lines(id)
	return v
}
