package procedure

import (
	"fmt"
	"math"
	"time"

	"bayledger/agent/site"
)

// firstFill watches a bay fill for the first time, by the chamber's reading and with a volume cap,
// and keeps the first week's looks.
func firstFill(h *house, r *run) []step {
	id := r.Bay
	b := h.site.Bay(id)
	if b == nil || h.site.Find(id, site.Level) == nil {
		return []step{{id: "gone", title: "The bay has no level sensor", ask: confirm("Read")}}
	}
	d := h.site.Display
	target, bays := h.fillTo(b), []string{id}
	steps := []step{
		{id: "ready", title: "Ready to fill " + h.name(id), bays: bays, expect: 5 * time.Minute, caution: []string{cautionCodes, cautionWater, cautionMains},
			do: []string{
				"First have the wiring proved and the line flushed.",
				"Put sensor and overflow back. Shut the drain.",
				"Put the controller in manual. Shut every valve.",
			},
			ask: confirm("It is so"), judge: (*look).allStill},
		{id: "fill", title: "Fill to " + d.Depth(target), bays: bays, expect: h.fillTime(b), caution: []string{cautionWater},
			do: []string{
				fmt.Sprintf("Open the valve of %s.", id),
				fmt.Sprintf("About %s go in. Never let in more than %s.", d.Water(h.fillM3(b)), d.Water(h.capM3(b))),
				fmt.Sprintf("Stay until the chamber rises: within %s.", span(h.o.FirstSigns)),
				"Shut the valve when you are told.",
			},
			judge: func(l *look) Verdict { return l.filling(id) }},
		{id: "whole", title: "Until it is whole", bays: bays, alone: true, expect: h.o.FillWithin,
			do:    []string{"Leave the valve shut.", "Go. Water spreads through the stone."},
			judge: func(l *look) Verdict { return l.whole(id) }},
	}
	for n := 1; n <= looks; n++ {
		steps = append(steps, step{id: fmt.Sprintf("look %d", n), title: fmt.Sprintf("Look %d of the first week", n), bays: bays, alone: true, expect: 24 * time.Hour, caution: []string{cautionWater},
			do: []string{lookAt[(n-1)%len(lookAt)], "Say how the surface plays."},
			ask: &Ask{Kind: AskChoice, Label: "The surface is", Choices: []Choice{
				{"right", "right"}, {"dry", "dry"}, {"soft", "soft"}, {"not-played", "not played on"}}},
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
	"Look at chamber, overflow and edges: is anything wet that should be dry?",
	"Dip the chamber. Compare it with the reading.",
	"Look at the overflow's outlet: wet when it has run.",
	"Walk the surface. Report soft or light patches to whoever built it.",
	"Compare the last day's water with the weather.",
	"Look into the strainer. Clean it.",
	"Look back at the week: is the set point right?",
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
	b, d := l.site.Bay(id), l.site.Display
	r, m := l.trace(l.site.Find(id, site.Level)), l.trace(l.meterOf(id))
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	if r == nil || len(r.Dots) == 0 {
		if l.elapsed() > 10*time.Minute {
			return say(failed("The level of %s gives no good reading: without it the fill would be blind. Shut the valve.", id))
		}
		return say(watching("blind", "Waiting for a reading of the level."))
	}
	metered := l.meterOf(id) != nil
	level, target := r.newest(), l.fillTo(b)
	up := level - r.First
	began, in := l.since, 0.0
	if metered {
		if !l.moved(id) {
			switch {
			case up >= 2*riseM:
				return say(failed("The chamber has risen by %.0f mm and the meter of %s has not moved: it is dead, or another bay's. Shut the valve.", 1000*up, id))
			case l.elapsed() > l.o.FirstSigns+l.o.Away:
				return say(failed("Nothing has run into %s in %s. Is the supply on and the valve open?", id, span(l.elapsed())))
			}
			return say(watching("wait", "Waiting for the valve of %s to open.", id))
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
		v = watching("shut", "The chamber stands at %s: shut the valve.", d.Depth(level))
	case full || metered && !runs && level >= target-max(bandOf(b), riseM):
		v = passed("%s in %s brought the chamber to %s; first sign after %s.", d.Water(in), span(since), d.Depth(level), spanMinutes(signs))
		v.Values = map[string]float64{"m3": in, "minutes": since.Minutes(), "level_m": level, "expected_m3": l.fillM3(b)}
		if site.Known(signs) {
			v.Values["signs_min"] = signs
		}
	case metered && in > l.capM3(b):
		v = failed("%s have gone in, the most that dry stone of this size can take, and the chamber stands at %s: shut the valve. Look for an open drain, a missing overflow, a torn liner, or a chamber cut off from its bay.", d.Water(in), d.Depth(level))
	case metered && !runs:
		v = failed("The valve was shut at %s with %s in, %s short of %s. Open it again and do this step again to go on.", d.Depth(level), d.Water(in), d.Depth(target-level), d.Depth(target))
	case !site.Known(signs) && since > 2*l.o.FirstSigns:
		v = failed("%s in %s, and the chamber has not risen. %s", d.Water(in), span(since), l.whySlow(b, in))
	case !site.Known(signs) && since > l.o.FirstSigns:
		v = watching("late", "%s in %s, and no sign in the chamber, later than the usual %s. %s", d.Water(in), span(since), span(l.o.FirstSigns), l.whySlow(b, in))
	case !site.Known(signs):
		v = watching("run", "%s so far; the first sign in the chamber is due within %s.", d.Water(in), span(l.o.FirstSigns))
	default:
		v = watching("rise", "%s so far, the chamber stands at %s of %s; first sign after %s.", d.Water(in), d.Depth(level), d.Depth(target), spanMinutes(signs))
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
func (l *look) whySlow(b *site.Bay, in float64) string {
	near := b.AreaM2 * 0.1 * totalPorosity * 0.02
	if in < near {
		return fmt.Sprintf("About %s are needed before dry stone passes any on: go on a little.", l.site.Display.Water(near))
	}
	return "Look whether the drain is shut and the overflow in place, whether the pipe to the chamber is clear, and whether the sensor hangs in the water: dip it."
}

func spanMinutes(m float64) string {
	if !site.Known(m) {
		return "an unknown time"
	}
	return span(time.Duration(m * float64(time.Minute)))
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
	d := l.site.Display
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	if r == nil || len(r.Dots) < 4 {
		return say(watching("", "Waiting for readings."))
	}
	now := ms(l.now)
	rate, known := r.slope(now-(75*time.Minute).Milliseconds(), now) // m in an hour
	late := r.newest()
	if l.moved(id) {
		return say(failed("Water has run into %s while it was settling: its valve is not shut, or the controller is not in manual.", id))
	}
	switch {
	case l.elapsed() > l.settled()+75*time.Minute && known && math.Abs(rate) <= slowM:
		fill := l.result("fill")
		v := passed("Whole at %s after %s.", d.Depth(late), span(l.elapsed()))
		v.Values = map[string]float64{"level_m": late, "hours": l.elapsed().Hours()}
		if fill != nil && fill.Values != nil {
			v.Values["sank_m"] = fill.Values["level_m"] - late
			if short := l.fillTo(l.site.Bay(id)) - late; short > max(bandOf(l.site.Bay(id)), 2*riseM) {
				v.Says += fmt.Sprintf(" It is %s below where it should stand: the stone has drunk; fill once more before the controller takes over.", d.Depth(short))
			}
		}
		return say(v)
	case l.elapsed() > l.o.FillWithin && rate < 0:
		return say(failed("After %s the level still falls by %.1f mm an hour: more than spreading takes. Look at drain, overflow and liner edge before the controller takes over.", span(l.elapsed()), -1000*rate))
	case l.elapsed() > l.o.FillWithin:
		return say(failed("After %s the level still rises by %.1f mm an hour: the valve lets water through, or a neighbour loses its own.", span(l.elapsed()), 1000*rate))
	}
	words := ""
	if known {
		words = fmt.Sprintf(", %+.1f mm an hour", 1000*rate)
	}
	return say(watching("", "%s%s; whole by %s after the fill at the latest.", d.Depth(late), words, span(l.o.FillWithin)))
}

// lookDue reminds of a look and, when nobody came within a day, writes down what the readings say.
func (l *look) lookDue(id string, n int) Verdict {
	fill := l.result("fill")
	if fill == nil {
		return failed("The fill is not on record.")
	}
	d := l.site.Display
	due := fill.Ended.Add(time.Duration(n) * 24 * time.Hour)
	r := l.trace(l.site.Find(id, site.Level))
	level := "no good reading"
	if r != nil && r.LastT != 0 {
		level = d.Depth(r.newest())
	}
	taken := ""
	if v := l.passedM3(id); site.Known(v) {
		taken = ", " + d.Water(v) + " taken since the last look"
	}
	var v Verdict
	switch late := l.now.Sub(due); {
	case l.answered:
		v = passed("Level %s%s. The surface is %s.", level, taken, l.word)
	case late > 24*time.Hour:
		v = passed("Nobody looked. Level %s%s.", level, taken)
		v.Enough = true
	case late >= 0:
		v = watching("due", "Due since %s: level %s%s.", due.In(l.site.Zone).Format("2 Jan 15:04"), level, taken)
	default:
		v = watching("", "Due on %s. Level %s%s.", due.In(l.site.Zone).Format("2 Jan 15:04"), level, taken)
		v.Early = late < -lookEarly
	}
	v.Lines = l.lines(id)
	return v
}
