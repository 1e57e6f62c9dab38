package procedure

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Cautions that several steps share.
const (
	cautionMains    = "The cabinet holds mains voltage: inside it only a licensed electrician works. Keep hands and floor dry."
	cautionCodes    = "Local codes and licensed trades come first; where they say otherwise, they are right."
	cautionPressure = "Pipes under pressure: relieve it before you loosen a fitting, and keep your face away from unions and caps."
	cautionDrinking = "Backflow preventers protect drinking water. Only whoever is licensed for it tests, opens or repairs one."
	cautionAir      = "Compressed air kills: regulated air only, never above the lowest rating of any part, goggles on, nobody over a fitting, open ends first."
	cautionFrost    = "Ice holds pressure back and lets go at once: do not work on a frozen pipe, and never thaw one with a flame."
	cautionWater    = "A chamber is deep enough to hurt a child: close its lid whenever you walk away."
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
		{id: "backflow", title: "Backflow preventer", expect: 3 * time.Minute, caution: []string{cautionDrinking},
			do:  []string{"Find the backflow preventer: it sits before everything else.", "Read the date of its last test from its tag.", "Type the date."},
			ask: &Ask{Kind: AskDate, Label: "Date of its last test (year-month-day)"}, judge: (*look).tested},
		yes("strainer", "Strainer, drain, regulators, valves", 10, []string{cautionPressure},
			"Clean the strainer. Tighten its cap.", "Shut the drain.", "Open the flow regulators.", "Shut every bay's hand valve."),
		yes("overflow", "Overflows", 5, []string{cautionWater},
			"Set each overflow to its height.", "Clear its way out."),
		yes("sensors", "Sensors, cables, vent tubes", 10, []string{cautionWater},
			"Hang each level sensor in its chamber at its mark.", "Tighten the cables.", "Look at each vent tube: open, dry, not kinked.", "Close the lids."),
		yes("power", "Cabinet", 3, []string{cautionMains}, "Close the cabinet.", "Switch it on."),
		{id: "links", title: "Lines and devices", bays: ids, expect: linksFor, must: true,
			do:    []string{"Wait. The tool counts what does not answer."},
			judge: (*look).links},
		{id: "idle", title: "Idle readings", bays: ids, expect: 2 * time.Minute, must: true,
			do:    []string{"Wait. Touch nothing. The tool looks at the readings."},
			judge: (*look).idle},
	}
}

// linksFor is how long the lines are watched: long enough to tell one error in a hundred.
const linksFor = 5 * time.Minute

// mostErrors is the share of readings that may fail: over it nobody can sign off.
const mostErrors = 0.01

// tested takes the date of the backflow preventer's test. Most codes want it every year.
func (l *look) tested() Verdict {
	if !l.answered {
		return watching("", "Waiting for the date.")
	}
	d, err := time.ParseInLocation("2006-01-02", l.word, l.site.Zone)
	if err != nil {
		return failed("%q is not a date.", l.word)
	}
	age := l.now.Sub(d)
	switch {
	case age < 0:
		return failed("The test of %s is in the future.", l.word)
	case age > 366*24*time.Hour:
		return failed("The last test, %s, is more than a year ago: most codes want one every year. Have it tested before water is let in.", l.word)
	}
	return passed("Last tested on %s.", l.word)
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
		lines = append(lines, fmt.Sprintf("%s: %d readings, %d lost", name, n, bad))
		switch {
		case n == 0 || n == bad:
			silent = append(silent, name)
		case float64(bad)/float64(n) > mostErrors:
			poor = append(poor, fmt.Sprintf("%s loses %.1f %%", name, 100*float64(bad)/float64(n)))
			worst = max(worst, float64(bad)/float64(n))
		}
	}
	var v Verdict
	switch left := linksFor - l.elapsed(); {
	case left > 0:
		v = watching("", "Counting readings for another %s.", span(left))
	case len(silent) > 0:
		v = failed("No reading at all from %s. Look at its power, its cable, its unit number.", l.list(silent))
	case len(poor) > 0:
		v = failed("Too many readings are lost: %s; more than 1 %% cannot be signed off. Look at termination, shield and cable length, then do this step again.", strings.Join(poor, ", "))
	default:
		v = passed("Every device answers; at most %.2f %% of the readings were lost.", 100*l.lost(devices))
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

// idle judges readings with nothing going on: no flow, levels that are possible and at rest, no
// sensor that stands on one number where others show their noise.
func (l *look) idle() Verdict {
	if left := 2*time.Minute - l.elapsed(); left > 0 {
		v := watching("", "Watching the idle readings for another %s.", span(left))
		v.Lines = l.lines(l.bayIDs()...)
		return v
	}
	var wrong []string
	for _, id := range append(l.bayIDs(), "") {
		if l.moved(id) {
			wrong = append(wrong, fmt.Sprintf("the %s moves (%s)", meterName(id), l.site.Display.Water(l.passedM3(id))))
		}
	}
	for _, id := range l.bayIDs() {
		p := l.site.Find(id, site.Level)
		r := l.trace(p)
		b := l.site.Bay(id)
		switch {
		case p == nil:
		case r == nil || r.LastT == 0:
			wrong = append(wrong, fmt.Sprintf("level %s gives no good reading", id))
		case r.Last > b.DepthM():
			wrong = append(wrong, fmt.Sprintf("level %s reads %s, above the surface", id, l.site.Display.Depth(r.Last)))
		case r.Max-r.Min > 0.010:
			wrong = append(wrong, fmt.Sprintf("level %s is restless: %.0f mm in two minutes", id, 1000*(r.Max-r.Min)))
		}
	}
	v := passed("Nothing flows, and every level is possible and at rest.")
	if len(wrong) > 0 {
		v = failed("Not as it should be with nothing going on: %s.", strings.Join(wrong, "; "))
	}
	v.Lines = l.lines(l.bayIDs()...)
	return v
}

func meterName(bay string) string {
	if bay == "" {
		return "main meter"
	}
	return "meter of " + bay
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
	d := h.site.Display
	gauge := h.site.Find("", site.Pressure)
	pressure := step{id: "pressure", title: "Supply pressure", expect: 5 * time.Minute, caution: []string{cautionCodes, cautionPressure},
		do: []string{
			"Shut every bay's valve.",
			"Open the supply slowly, a quarter turn at a time. Wait until the line is quiet.",
			fmt.Sprintf("Turn the regulator until the pressure stands between %s and %s.", d.Press(low), d.Press(high)),
		}, judge: (*look).pressure}
	if gauge == nil {
		pressure.ask = &Ask{Kind: AskNumber, Label: "Pressure on the gauge after the regulator", Dim: site.Stress, Unit: pressUnit(d), Max: 2e6}
	}
	steps := []step{pressure}
	steps = append(steps, step{id: "visible", title: "Look along the line", expect: 5 * time.Minute, caution: []string{cautionPressure},
		do:  []string{"Walk from the supply to the last valve.", "Look for drops and wet ground. Listen for hissing."},
		ask: confirm("Everything is dry")})
	if h.meterOf("") != nil {
		steps = append(steps, step{id: "hold", title: "Static hold, supply open", alone: true, must: true, expect: h.holdFor(),
			do: []string{"Leave every valve shut.", fmt.Sprintf("Go. The tool watches the main meter for %s: its counts need that long to show a leak of %s.",
				span(h.holdFor()), d.Rate(h.o.LeakM3S))},
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
	d := l.site.Display
	var pa float64
	if p := l.site.Find("", site.Pressure); p != nil {
		r := l.trace(p)
		if r == nil || r.LastT == 0 {
			v := watching("blind", "The supply pressure gives no good reading.")
			if l.elapsed() > 10*time.Minute {
				v = failed("The supply pressure gives no good reading. Look at its sensor, or read a gauge and pass this step over with what it showed.")
			}
			return v
		}
		pa = r.newest()
		if l.elapsed() < time.Minute || r.Max-r.Min > (high-low)/2 && l.elapsed() < 5*time.Minute {
			v := watching("settle", "%s, settling.", d.Press(pa))
			v.Lines = l.lines()
			return v
		}
	} else {
		if !l.answered {
			return watching("", "Waiting for the gauge's reading.")
		}
		pa = l.value
	}
	v := passed("%s, within %s to %s.", d.Press(pa), d.Press(low), d.Press(high))
	switch {
	case pa < low:
		v = watching("low", "%s is below %s: turn the regulator's screw in (clockwise) to raise it.", d.Press(pa), d.Press(low))
	case pa > high:
		v = watching("high", "%s is above %s: turn the regulator's screw out (anticlockwise), then let a little water run: a regulator falls only while water runs.", d.Press(pa), d.Press(high))
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
	d := l.site.Display
	m := l.meterOf("")
	r := l.trace(m)
	if left := 2 * time.Minute; l.elapsed() > left && (r == nil || r.LastT == 0) {
		return failed("The main meter gives no reading, so a hold cannot be judged.")
	}
	var through []string
	for _, id := range l.bayIDs() {
		if l.moved(id) {
			through = append(through, id)
		}
	}
	if len(through) > 0 {
		return failed("Water went through the meter of %s: its valve is not shut. Shut it and hold again.", l.list(through))
	}
	left := l.holdFor() - l.elapsed()
	v := watching("", "The main meter has been still for %s; another %s.", span(l.elapsed()), span(max(left, 0)))
	switch {
	case r != nil && r.Moved > 1.5*pulse(m) && (m.Quantity != site.Flow || r.Moved > 1e-4):
		rate := r.rate()
		v = failed("The main meter moved by %s in %s with every valve shut: about %s leave the line. Look for wet ground, a weeping valve, an open drain.",
			d.Water(r.Moved), span(l.elapsed()), d.Rate(rate))
		v.Values = map[string]float64{"leak_m3s": rate}
	case left <= 0:
		v = passed("The main meter stood still for %s: no leak of %s or more.", span(l.elapsed()), d.Rate(l.o.LeakM3S))
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
	d := l.site.Display
	if r == nil || len(r.Dots) < 3 {
		if l.elapsed() > 5*time.Minute {
			return failed("The supply pressure gives no good reading.")
		}
		return watching("", "Reading the pressure.")
	}
	from, _ := r.mean(r.Dots[0].T, r.Dots[0].T+30_000)
	low, _, _ := l.band()
	lost := 1 - r.newest()/from
	var v Verdict
	switch {
	case from < low/4:
		v = failed("There are only %s in the line: nothing is locked in. Was it opened somewhere? Open the supply, then shut it again.", d.Press(from))
	case lost > mostDecay:
		v = failed("The pressure fell from %s to %s in %s: the line loses water. Look at the drain, the fittings and the valves.", d.Press(from), d.Press(r.newest()), span(l.elapsed()))
	case l.elapsed() < decayFor:
		v = watching("", "%s, %s at the beginning; another %s.", d.Press(r.newest()), d.Press(from), span(decayFor-l.elapsed()))
	default:
		v = passed("The pressure held: %s, %s at the beginning.", d.Press(r.newest()), d.Press(from))
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
			ask: confirm("Sensors and overflows are out"), judge: (*look).allStill},
		{id: "line", title: "Flush the line before the meters", expect: h.o.Flush + 3*time.Minute, caution: []string{cautionPressure},
			do:  []string{"Open the line's end before the meters: what the trench left in the pipe must not reach a meter.", fmt.Sprintf("Open the supply. Let it run for %s.", span(h.o.Flush)), "Shut both again."},
			ask: confirm("The line ran clear")},
	}
	for _, id := range ids {
		steps = append(steps, step{id: "bay " + id, title: "Flush " + h.name(id), bays: []string{id}, expect: h.o.Flush + h.o.Drain + 2*time.Minute, caution: []string{cautionWater},
			do: []string{fmt.Sprintf("Open the valve of %s. The tool counts %s from when its meter moves.", id, span(h.o.Flush)),
				"Shut it when you are told.", fmt.Sprintf("Let the bay drain for %s.", span(h.o.Drain))},
			judge: func(l *look) Verdict { return l.flushed(id) }})
	}
	return append(steps, step{id: "refit", title: "Refit", bays: ids, expect: 10 * time.Minute, caution: []string{cautionWater},
		do:    []string{"Put the overflows back at their height.", "Hang the sensors back at their marks.", "Close the lids."},
		ask:   confirm("Everything is back in place"),
		judge: (*look).refitted})
}

// flushed runs a bay's flush by what its meter sees.
func (l *look) flushed(id string) Verdict {
	m := l.meterOf(id)
	if m == nil {
		// Without a meter the clock is all there is.
		if left := l.o.Flush + l.o.Drain - l.elapsed(); left > 0 {
			return watching("", "%s has no meter: flush for %s, drain for %s; another %s.", id, span(l.o.Flush), span(l.o.Drain), span(left))
		}
		return passed("Flushed by the clock.")
	}
	lines := l.lines(id)
	say := func(v Verdict) Verdict { v.Lines = lines; return v }
	if other := slices.DeleteFunc(l.running(), func(k string) bool { return k == id }); len(other) > 0 {
		return say(failed("Water runs through the meter of %s, not only %s.", l.list(other), id))
	}
	if !l.moved(id) {
		if l.elapsed() > l.o.FirstSigns {
			return say(failed("The meter of %s has not moved in %s. Is the supply on and the valve open?", id, span(l.elapsed())))
		}
		return say(watching("wait", "Waiting for the meter of %s to move.", id))
	}
	r := l.trace(m)
	ran := time.UnixMilli(r.MoveLast).Sub(time.UnixMilli(r.MoveFirst))
	stopped := l.quietFor(id) >= l.patience(id)
	switch {
	case stopped && ran < l.o.Flush*9/10:
		return say(failed("It ran for %s only, where %s are wanted.", span(ran), span(l.o.Flush)))
	case !stopped && ran < l.o.Flush:
		return say(watching("run", "Running: %s so far, another %s.", l.site.Display.Water(r.Moved), span(l.o.Flush-ran)))
	case !stopped:
		return say(watching("shut", "Long enough (%s): shut the valve of %s.", span(ran), id))
	case l.quietFor(id) < l.o.Drain:
		return say(watching("drain", "Draining for another %s.", span(l.o.Drain-l.quietFor(id))))
	}
	v := passed("%s in %s, then drained.", l.site.Display.Water(r.Moved), span(ran))
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
		return watching("dark", "No good reading yet from the sensor of %s.", l.list(dark))
	}
	return passed("Every sensor reads.")
}
