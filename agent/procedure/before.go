package procedure

import (
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// Cautions that several steps share.
var (
	cautionMains    = words.Key("The cabinet holds mains voltage: inside it only a licensed electrician works. Keep hands and floor dry.")
	cautionCodes    = words.Key("Local codes and licensed trades come first; where they say otherwise, they are right.")
	cautionPressure = words.Key("Pipes under pressure: relieve it before you loosen a fitting, and keep your face away from unions and caps.")
	cautionDrinking = words.Key("Backflow preventers protect drinking water. Only whoever is licensed for it tests, opens or repairs one.")
	cautionAir      = words.Key("Compressed air kills: regulated air only, never above the lowest rating of any part, goggles on, nobody over a fitting, open ends first.")
	cautionFrost    = words.Key("Ice holds pressure back and lets go at once: do not work on a frozen pipe, and never thaw one with a flame.")
	cautionWater    = words.Key("A chamber is deep enough to hurt a child: close its lid whenever you walk away.")
)

func confirm(label string) *Ask { return &Ask{Kind: AskConfirm, Label: label} }

// beforeWater is everything that can be looked at before the first water.
func beforeWater(h *house, r *run) []step {
	ids := h.bayIDs()
	yes := func(id, title string, minutes int, caution []string, do ...string) step {
		return step{id: id, title: title, do: do, caution: caution, ask: confirm("Done"), expect: time.Duration(minutes) * time.Minute}
	}
	return []step{
		yes("codes", "Who may do what", 2, []string{cautionCodes, cautionMains, cautionDrinking},
			"Find out who is licensed for the mains cabinet.", "Find out who is licensed for the backflow preventer.", "Leave their work to them."),
		yes("manual", "Controller in manual", 2, nil,
			"Put the controller in manual: in automatic it would open a valve as soon as a sensor is lifted out.", "Shut every valve."),
		backflow(),
		yes("strainer", "Strainer, drain, regulators, valves", 10, []string{cautionPressure},
			"Clean the strainer. Tighten its cap.", "Shut the drain.", "Open the flow regulators.", "Shut every bay's hand valve."),
		yes("overflow", "Overflows", 5, []string{cautionWater},
			"Set each overflow to its height.", "Clear its way out."),
		yes("sensors", "Sensors, cables, vent tubes", 10, []string{cautionWater},
			"Hang each level sensor in its chamber at its mark.", "Tighten the cables.", "Look at each vent tube: open, dry, not kinked.", "Close the lids."),
		yes("power", "Cabinet", 3, []string{cautionMains}, "Close the cabinet.", "Switch it on."),
		links(ids),
		idle(ids),
	}
}

func backflow() step {
	return step{id: "backflow", title: "Backflow preventer", expect: 3 * time.Minute, caution: []string{cautionDrinking},
		do:  []string{"Find the backflow preventer: it sits before everything else.", "Read the date of its last test from its tag.", "Type the date."},
		ask: &Ask{Kind: AskDate, Label: "Date of its last test (year-month-day)"}, judge: (*look).tested}
}

func links(ids []string) step {
	return step{id: "links", title: "Lines and devices", bays: ids, expect: linksFor, must: true,
		do:    []string{"Wait. The tool counts what does not answer."},
		judge: (*look).links}
}

func idle(ids []string) step {
	return step{id: "idle", title: "Idle readings", bays: ids, expect: 2 * time.Minute, must: true,
		do:    []string{"Wait. Touch nothing. The tool looks at the readings."},
		judge: (*look).idle}
}

// linksFor is how long the lines are watched: long enough to tell one error in a hundred.
const linksFor = 5 * time.Minute

// mostErrors is the share of readings that may fail: over it nobody can sign off.
const mostErrors = 0.01

// tested takes the date of the backflow preventer's test. Most codes want it every year.
func (l *look) tested() Verdict {
	if !l.answered {
		return l.watching("", "Waiting for the date.")
	}
	d, err := time.ParseInLocation("2006-01-02", l.word, l.site.Zone)
	if err != nil {
		return l.failed("%q is not a date.", l.word)
	}
	age := l.now.Sub(d)
	switch {
	case age < 0:
		return l.failed("The test of %s is in the future.", dayOf(l.voice, l.word))
	case age > 366*24*time.Hour:
		return l.failed("The last test, %s, is more than a year ago: most codes want one every year. Have it tested before water is let in.", dayOf(l.voice, l.word))
	}
	return l.passed("Last tested on %s.", dayOf(l.voice, l.word))
}

// devices of the points that are read, each with its readings and failures in this step.
func (l *look) devices() map[string][2]int {
	out := map[string][2]int{}
	for i := range l.site.Points {
		p := &l.site.Points[i]
		if !traced(p.Quantity) {
			continue
		}
		name := p.Device
		if name == "" {
			name = p.ID
		}
		c := out[name]
		if t := l.trace(p); t != nil {
			c[0], c[1] = c[0]+t.N, c[1]+t.Bad
		}
		out[name] = c
	}
	return out
}

// links judges that every device answers, with no more than one reading in a hundred lost.
func (l *look) links() Verdict {
	var silent, poor, lines []string
	worst := 0.0
	devices := l.devices()
	for _, name := range sortedKeys(devices) {
		n, bad := devices[name][0], devices[name][1]
		lines = append(lines, l.say("%s: %d readings, %d lost", name, n, bad))
		switch {
		case n == 0 || n == bad:
			silent = append(silent, name)
		case float64(bad)/float64(n) > mostErrors:
			poor = append(poor, l.say("%s loses %.1f %%", name, 100*float64(bad)/float64(n)))
			worst = max(worst, float64(bad)/float64(n))
		}
	}
	var v Verdict
	switch left := linksFor - l.elapsed(); {
	case left > 0:
		v = l.watching("", "Counting readings for another %s.", Span(left))
	case len(silent) > 0:
		v = l.failed("No reading at all from %s. Look at its power, its cable, its unit number.", l.voice.List(silent))
	case len(poor) > 0:
		v = l.failed("Too many readings are lost: %s; more than 1 %% cannot be signed off. Look at termination, shield and cable length, then do this step again.", strings.Join(poor, ", "))
	default:
		v = l.passed("Every device answers; at most %.2f %% of the readings were lost.", 100*l.lost(devices))
	}
	v.Lines = lines
	v.Values = map[string]float64{"lost": l.lost(devices)}
	return v
}

// lost is the worst share of readings any device lost.
func (l *look) lost(devices map[string][2]int) float64 {
	worst := 0.0
	for _, c := range devices {
		if c[0] > 0 {
			worst = max(worst, float64(c[1])/float64(c[0]))
		}
	}
	return worst
}

// idle judges readings with nothing going on: no flow, by meters that can be seen, and levels that are
// possible and at rest. A sensor that stands on one number is found by the wiring proof.
func (l *look) idle() Verdict {
	if left := 2*time.Minute - l.elapsed(); left > 0 {
		v := l.watching("", "Watching the idle readings for another %s.", Span(left))
		v.Lines = l.lines(l.bayIDs()...)
		return v
	}
	var wrong []string
	for _, id := range append(l.bayIDs(), "") {
		if l.moved(id) {
			if id == "" {
				wrong = append(wrong, l.say("the main meter moves (%s)", site.Water(l.passedM3(id))))
			} else {
				wrong = append(wrong, l.say("the meter of %s moves (%s)", id, site.Water(l.passedM3(id))))
			}
		}
	}
	for _, id := range l.blindMeters(append(l.bayIDs(), "")...) {
		if id == "" {
			wrong = append(wrong, l.say("the main meter gives no good reading"))
		} else {
			wrong = append(wrong, l.say("the meter of %s gives no good reading", id))
		}
	}
	for _, id := range l.bayIDs() {
		p := l.site.Find(id, site.Level)
		r := l.trace(p)
		b := l.site.Bay(id)
		switch {
		case p == nil:
		case r == nil || r.LastT == 0:
			wrong = append(wrong, l.say("level %s gives no good reading", id))
		case r.Last > b.DepthM():
			wrong = append(wrong, l.say("level %s reads %s, above the surface", id, site.Depth(r.Last)))
		case r.Max-r.Min > 0.010:
			wrong = append(wrong, l.say("level %s is restless: %s in two minutes", id, site.Depth(r.Max-r.Min)))
		}
	}
	v := l.passed("Nothing flows, and every level is possible and at rest.")
	if len(wrong) > 0 {
		v = l.failed("Not as it should be with nothing going on: %s.", strings.Join(wrong, "; "))
	}
	v.Lines = l.lines(l.bayIDs()...)
	return v
}

// band is the supply pressure the club wants, Pa: the site file's, else 20 to 30 psi (common
// practice, no source).
func (h *house) band() (low, high float64, own bool) {
	low, high = h.site.SupplyLowPa, h.site.SupplyHighPa
	if site.Known(low) && site.Known(high) {
		return low, high, true
	}
	low, _ = site.Parse(site.Stress, "20 psi")
	high, _ = site.Parse(site.Stress, "30 psi")
	return low, high, false
}

// pressureOn lets water into the supply line and proves that the line keeps it.
func pressureOn(h *house, r *run) []step {
	low, high, _ := h.band()
	gauge := h.site.Find("", site.Pressure)
	pressure := step{id: "pressure", title: "Supply pressure", expect: 5 * time.Minute, caution: []string{cautionCodes, cautionPressure},
		do: []string{
			"Shut every bay's valve.",
			"Open the supply slowly, a quarter turn at a time. Wait until the line is quiet.",
			h.say("Turn the regulator until the pressure stands between %s and %s.", site.Press(low), site.Press(high)),
		}, judge: (*look).pressure}
	if gauge == nil {
		pressure.ask = &Ask{Kind: AskNumber, Label: "Pressure on the gauge after the regulator", Dim: site.Stress, Unit: pressUnit(h.site.Display), Max: 2e6}
	}
	steps := []step{pressure}
	steps = append(steps, step{id: "visible", title: "Look along the line", expect: 5 * time.Minute, caution: []string{cautionPressure},
		do:  []string{"Walk from the supply to the last valve.", "Look for drops and wet ground. Listen for hissing."},
		ask: confirm("Everything is dry")})
	if h.meterOf("") != nil {
		steps = append(steps, step{id: "hold", title: "Static hold, supply open", alone: true, must: true, expect: h.holdFor(),
			do: []string{"Leave every valve shut.", h.say("Go. The tool watches the main meter for %s: its counts need that long to show a leak of %s.",
				Span(h.holdFor()), site.Rate(h.o.LeakM3S))},
			judge: (*look).hold})
	}
	if gauge != nil {
		steps = append(steps,
			step{id: "upstream", title: "Shut the supply upstream", expect: 2 * time.Minute, caution: []string{cautionPressure},
				do:  []string{"Shut the supply upstream of the regulator.", "Touch nothing else."},
				ask: confirm("The supply is shut upstream")},
			step{id: "decay", title: "Pressure decay", expect: decayFor, must: true,
				do:    []string{"Wait. Touch nothing: the pressure that is locked in must hold."},
				judge: (*look).decay},
			step{id: "reopen", title: "Open the supply again", expect: 2 * time.Minute, caution: []string{cautionPressure},
				do:  []string{"Open the supply slowly, a quarter turn at a time."},
				ask: confirm("The supply is open"), judge: (*look).pressure})
	}
	return steps
}

func pressUnit(d site.Display) string {
	if d.Inches {
		return "psi"
	}
	return "kPa"
}

// holdFor is how long the main meter must stand still: two counts at the leak that is asked for,
// plus one in which the first may hide, and at least ten minutes. With counts of 10 L and 10 L/h
// that is two hours.
func (h *house) holdFor() time.Duration {
	q := max(pulse(h.meterOf("")), 0)
	d := time.Duration(2 * q / h.o.LeakM3S * float64(time.Second))
	return max(10*time.Minute, d.Round(time.Minute))
}

// pressure judges the supply pressure and says which way to turn the regulator.
func (l *look) pressure() Verdict {
	low, high, _ := l.band()
	var pa float64
	if p := l.site.Find("", site.Pressure); p != nil {
		r := l.trace(p)
		if r == nil || r.LastT == 0 {
			v := l.watching("blind", "The supply pressure gives no good reading.")
			if l.elapsed() > 10*time.Minute {
				v = l.failed("The supply pressure gives no good reading. Look at its sensor, or read a gauge and pass this step over with what it showed.")
			}
			return v
		}
		pa = r.newest()
		if l.elapsed() < time.Minute || r.Max-r.Min > (high-low)/2 && l.elapsed() < 5*time.Minute {
			v := l.watching("settle", "%s, settling.", site.Press(pa))
			v.Lines = l.lines()
			return v
		}
	} else {
		if !l.answered {
			return l.watching("", "Waiting for the gauge's reading.")
		}
		pa = l.value
	}
	v := l.passed("%s, within %s to %s.", site.Press(pa), site.Press(low), site.Press(high))
	switch {
	case pa < low:
		v = l.watching("low", "%s is below %s: turn the regulator's screw in (clockwise) to raise it.", site.Press(pa), site.Press(low))
	case pa > high:
		v = l.watching("high", "%s is above %s: turn the regulator's screw out (anticlockwise), then let a little water run: a regulator falls only while water runs.", site.Press(pa), site.Press(high))
	}
	if v.State == Watching && (l.elapsed() > 30*time.Minute || l.site.Find("", site.Pressure) == nil) {
		v.State, v.Phase = Failed, "failed"
	}
	v.Lines = l.lines()
	v.Values = map[string]float64{"pressure_pa": pa}
	return v
}

// hold judges that nothing leaves the line while the supply is open and every valve shut.
func (l *look) hold() Verdict {
	m := l.meterOf("")
	r := l.trace(m)
	if l.elapsed() > 2*time.Minute && (r == nil || r.LastT == 0) || r != nil && l.elapsed() > hiccup && l.silent(m, hiccup) {
		return l.failed("The main meter gives no reading, so a hold cannot be judged.")
	}
	var through []string
	for _, id := range l.bayIDs() {
		if l.moved(id) {
			through = append(through, id)
		}
	}
	if len(through) > 0 {
		return l.failed("Water went through the meter of %s: its valve is not shut. Shut it and hold again.", l.voice.List(through))
	}
	left := l.holdFor() - l.elapsed()
	v := l.watching("", "The main meter has been still for %s; another %s.", Span(l.elapsed()), Span(max(left, 0)))
	switch {
	case r != nil && r.Moved > 1.5*pulse(m) && (m.Quantity != site.Flow || r.Moved > 1e-4):
		rate := r.rate()
		v = l.failed("The main meter moved by %s in %s with every valve shut: about %s leave the line. Look for wet ground, a weeping valve, an open drain.",
			site.Water(r.Moved), Span(l.elapsed()), site.Rate(rate))
		v.Values = map[string]float64{"leak_m3s": rate}
	case left <= 0 && !l.blind(m):
		v = l.passed("The main meter stood still for %s: no leak of %s or more.", Span(l.elapsed()), site.Rate(l.o.LeakM3S))
		v.Values = map[string]float64{"excluded_m3s": l.o.LeakM3S}
	}
	v.Lines = l.lines()
	return v
}

const (
	// decayFor is how long the locked-in pressure is watched, and mostDecay the part of it that
	// may go: what a cooling line and a creeping regulator take (our own choice; no source).
	decayFor  = 15 * time.Minute
	mostDecay = 0.10
)

// decay judges the pressure that is locked in with the supply shut upstream.
func (l *look) decay() Verdict {
	r := l.trace(l.site.Find("", site.Pressure))
	if r == nil || len(r.Dots) < 3 {
		if l.elapsed() > 5*time.Minute {
			return l.failed("The supply pressure gives no good reading.")
		}
		return l.watching("", "Reading the pressure.")
	}
	from, _ := r.mean(r.Dots[0].T, r.Dots[0].T+30_000)
	low, _, _ := l.band()
	lost := 1 - r.newest()/from
	var v Verdict
	switch {
	case from < low/4:
		v = l.failed("There are only %s in the line: nothing is locked in. Was it opened somewhere? Open the supply, then shut it again.", site.Press(from))
	case lost > mostDecay:
		v = l.failed("The pressure fell from %s to %s in %s: the line loses water. Look at the drain, the fittings and the valves.", site.Press(from), site.Press(r.newest()), Span(l.elapsed()))
	case l.elapsed() < decayFor:
		v = l.watching("", "%s, %s at the beginning; another %s.", site.Press(r.newest()), site.Press(from), Span(decayFor-l.elapsed()))
	default:
		v = l.passed("The pressure held: %s, %s at the beginning.", site.Press(r.newest()), site.Press(from))
	}
	v.Lines = l.lines()
	v.Values = map[string]float64{"from_pa": from, "to_pa": r.newest()}
	return v
}

// flush rinses the line before the meters and then bay after bay.
func flush(h *house, r *run) []step {
	ids := h.bayIDs()
	steps := []step{
		{id: "ready", title: "Before the flush", bays: ids, expect: 5 * time.Minute, caution: []string{cautionWater, cautionCodes},
			do:  []string{"Put the controller in manual.", "Shut every valve.", "Lift the level sensors out. Lay them dry.", "Take the overflow pipes out."},
			ask: confirm("Sensors and overflows are out"), judge: (*look).flushReady},
		{id: "line", title: "Flush the line before the meters", expect: h.o.Flush + 3*time.Minute, caution: []string{cautionPressure},
			do:  []string{"Open the line's end before the meters: what the trench left in the pipe must not reach a meter.", h.say("Open the supply. Let it run for %s.", Span(h.o.Flush)), "Shut both again."},
			ask: confirm("The line ran clear")},
	}
	for _, id := range ids {
		steps = append(steps, step{id: "bay " + id, title: h.say("Flush %s", h.name(id)), bays: []string{id}, expect: h.o.Flush + h.o.Drain + 2*time.Minute, caution: []string{cautionWater},
			do: []string{h.say("Open the valve of %s. The tool counts %s from when its meter moves.", id, Span(h.o.Flush)),
				"Shut it when you are told.", h.say("Let the bay drain for %s.", Span(h.o.Drain))},
			judge: func(l *look) Verdict { return l.flushed(id) }})
	}
	return append(steps, step{id: "refit", title: "Refit", bays: ids, expect: 10 * time.Minute, caution: []string{cautionWater},
		do:    []string{"Put the overflows back at their height.", "Hang the sensors back at their marks.", "Close the lids."},
		ask:   confirm("Everything is back in place"),
		judge: (*look).refitted})
}

// flushReady judges that nothing runs, and says whose sensor still shows water. It does not insist: before
// their calibration sensors may be off by more than what a film shows.
func (l *look) flushReady() Verdict {
	v := l.allStill()
	if out := l.lifted(); v.State == Passed && out.State != Passed {
		v.Says = strings.Join([]string{v.Says, out.Says}, " ")
		v.Lines = append(v.Lines, out.Lines...)
	}
	return v
}

// flushed runs a bay's flush by what its meter sees.
func (l *look) flushed(id string) Verdict {
	m := l.meterOf(id)
	if m == nil {
		// Without a meter the clock is all there is.
		if left := l.o.Flush + l.o.Drain - l.elapsed(); left > 0 {
			return l.watching("", "%s has no meter: flush for %s, drain for %s; another %s.", id, Span(l.o.Flush), Span(l.o.Drain), Span(left))
		}
		return l.passed("Flushed by the clock.")
	}
	lines := l.lines(id)
	say := func(v Verdict) Verdict { v.Lines = lines; return v }
	if other := slices.DeleteFunc(l.running(), func(k string) bool { return k == id }); len(other) > 0 {
		return say(l.failed("Water runs through the meter of %s, not only %s.", l.voice.List(other), id))
	}
	if !l.moved(id) {
		if l.elapsed() > l.o.FirstSigns {
			return say(l.failed("The meter of %s has not moved in %s. Is the supply on and the valve open?", id, Span(l.elapsed())))
		}
		return say(l.watching("wait", "Waiting for the meter of %s to move.", id))
	}
	r := l.trace(m)
	ran := time.UnixMilli(r.MoveLast).Sub(time.UnixMilli(r.MoveFirst))
	stopped := l.quietFor(id) >= l.patience(id)
	switch {
	case stopped && ran < l.o.Flush*9/10:
		return say(l.failed("It ran for %s only, where %s are wanted.", fell(ran), Span(l.o.Flush)))
	case !stopped && ran < l.o.Flush:
		return say(l.watching("run", "Running: %s so far, another %s.", site.Water(r.Moved), Span(l.o.Flush-ran)))
	case !stopped:
		return say(l.watching("shut", "Long enough (%s): shut the valve of %s.", Span(ran), id))
	case l.quietFor(id) < l.o.Drain:
		return say(l.watching("drain", "Draining for another %s.", Span(l.o.Drain-l.quietFor(id))))
	}
	v := l.passed("%s in %s, then drained.", site.Water(r.Moved), Span(ran))
	v.Values = map[string]float64{"m3": r.Moved, "ran_s": ran.Seconds()}
	return say(v)
}

// refitted judges that every sensor reads again.
func (l *look) refitted() Verdict {
	var dark []string
	for _, id := range l.bayIDs() {
		p := l.site.Find(id, site.Level)
		if r := l.trace(p); p != nil && (r == nil || r.LastT == 0) {
			dark = append(dark, id)
		}
	}
	if len(dark) > 0 {
		return l.watching("dark", "No good reading yet from the sensor of %s.", l.voice.List(dark))
	}
	return l.passed("Every sensor reads.")
}
