package procedure

import (
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

func figuresOf(x *Result) *Figures { return &Figures{Time: x.Ended, Values: x.Values} }

// winterClose empties everything that could freeze and then watches for days that it stays so.
func winterClose(h *house, r *run) []step {
	ids := h.bayIDs()
	yes := func(id, title string, minutes int, label string, caution []string, do ...string) step {
		return step{id: id, title: title, do: do, caution: caution, ask: confirm(label), expect: time.Duration(minutes) * time.Minute}
	}
	steps := []step{
		yes("codes", "Who may do what", 2, "Read", []string{cautionCodes, cautionDrinking, cautionMains, cautionFrost},
			"Call whoever is licensed for the backflow preventer and the mains cabinet. Have them there today."),
		{id: "figures", title: "This autumn's figures", bays: ids, expect: 3 * time.Minute,
			do: []string{"Wait. The tool writes down pressure, flows and noise for the spring."}, judge: (*look).figures},
		{id: "off", title: "System off", bays: ids, expect: 3 * time.Minute, caution: []string{cautionMains},
			do: []string{"Shut every valve.", "Switch the controller off, or to its winter setting."}, ask: confirm("It is off"), judge: (*look).allStill},
		{id: "sensors", title: "Sensors out", bays: ids, expect: 15 * time.Minute, caution: []string{cautionWater},
			do:  []string{"Lift every level sensor out. Leave its cable on.", "Wait until the tool has seen them all.", "Rinse them. Cap their vent tubes.", "Store them dry, above freezing."},
			ask: confirm("They are out and stored dry"), judge: (*look).lifted},
		yes("drain", "Overflows out, drains open", 10, "Bays drain", []string{cautionWater}, "Take the overflow pipes out.", "Open every bay's drain.", "Watch that water leaves."),
		{id: "upstream", title: "Shut off upstream and relieve", expect: 5 * time.Minute, caution: []string{cautionPressure},
			do:  []string{"Shut the supply upstream, where the pipe cannot freeze.", "Open one bay's valve by hand until nothing comes."},
			ask: confirm("It is shut and relieved"), judge: (*look).relieved},
		{id: "how", title: "How the line is emptied", expect: 2 * time.Minute, caution: []string{cautionAir, cautionPressure, cautionDrinking, cautionCodes},
			do: []string{
				"Where the line lies to fall: drain it by its plugs.",
				"Elsewhere: have it blown out with air. Let no air in yet.",
			},
			ask: &Ask{Kind: AskChoice, Label: "The line is", Choices: []Choice{{"drained", words.Key("drained by its plugs")}, {"blown-out", words.Key("blown out with air")}}}},
	}
	// No air goes in before its pressure is known to be below what every part bears.
	if x := resultOf(r, "how"); x != nil && x.Answer == "blown-out" {
		steps = append(steps,
			step{id: "rating", title: "Lowest rating", expect: 2 * time.Minute, caution: []string{cautionAir},
				do:  []string{"Read the pressure rating of every part from the compressor to the last valve.", "Type the lowest."},
				ask: &Ask{Kind: AskNumber, Label: "Lowest rating of any part", Dim: site.Stress, Unit: pressUnit(h.site.Display), Min: 50e3, Max: 2e6}, judge: (*look).rating},
			step{id: "air", title: "Air pressure", expect: 2 * time.Minute, caution: []string{cautionAir},
				do:  []string{"Set the compressor's regulator below the lowest rating.", "Type what it is set to."},
				ask: &Ask{Kind: AskNumber, Label: "Regulated air pressure", Dim: site.Stress, Unit: pressUnit(h.site.Display), Min: 10e3, Max: 2e6}, judge: (*look).airPressure},
			yes("blow", "Blow the line out", 30, "It is blown out", []string{cautionAir, cautionPressure, cautionDrinking},
				"Supply line, meters, strainer, regulator and backflow preventer: open ends first.",
				"Blow out one bay after the other, the far end first. Nobody stands over a fitting.",
				"Let the air off."))
	} else {
		steps = append(steps, yes("plugs", "Drain the line", 30, "It is drained", []string{cautionPressure, cautionDrinking},
			"Drain line, meters, strainer, regulator and backflow preventer by their plugs.", "Leave the plugs out."))
	}
	steps = append(steps,
		yes("half", "Valves, lids, spare power", 10, "Done", []string{cautionMains, cautionWater},
			"Set every ball valve half open: a shut one keeps water in its ball.", "See that every chamber is empty. Close its lid.",
			"Leave the cabinet powered: the tool watches through the winter.", "Charge the spare supply."),
		yes("closed", "Close the season", 1, "The season is closed", []string{cautionFrost},
			"Close the season. Levels and fills raise no alarm from then on.", "Frost does where a reading still shows water, and so does a watch in trouble."),
		step{id: "verify", title: "Does it stay empty?", bays: ids, alone: true, expect: h.o.WinterWatch,
			do: []string{h.say("Go. The tool watches for %s with what is left to see by: meters and pressure.", Span(h.o.WinterWatch))}, judge: (*look).stays})
	return steps
}

// figures writes down what the site is like.
func (l *look) figures() Verdict {
	if left := 2*time.Minute - l.elapsed(); left > 0 {
		return l.watching("", "Reading for another %s.", Span(left))
	}
	v := l.passed("Written down.")
	v.Values = l.readNow()
	return v
}

// lifted judges that every level sensor shows air: what a dry sensor shows lies below the liner,
// or it gives no reading at all. A step that has only begun has none yet.
func (l *look) lifted() Verdict {
	var wet, early, lines []string
	for _, id := range l.bayIDs() {
		p := l.site.Find(id, site.Level)
		if p == nil {
			continue
		}
		r := l.trace(p)
		switch {
		case l.blind(p) && l.elapsed() < max(time.Minute, 3*p.Interval):
			early = append(early, id)
			lines = append(lines, l.say("%s: no reading yet", id))
		case l.blind(p):
			lines = append(lines, l.say("%s: no reading, taken as out", id))
		case r.newest() < dryM:
			lines = append(lines, l.say("%s: out (%s)", id, site.Depth(r.newest())))
		default:
			wet = append(wet, id)
			lines = append(lines, l.say("%s: still shows %s of water", id, site.Depth(r.newest())))
		}
	}
	v := l.passed("Every sensor is out.")
	switch {
	case len(wet) > 0:
		v = l.watching("wet "+strings.Join(wet, " "), "Still in the water: %s.", l.voice.List(wet))
	case len(early) > 0:
		v = l.watching("", "Waiting for a reading.")
	}
	v.Lines = lines
	return v
}

// dryM is the level below which a sensor hangs in the air.
const dryM = 0.005

// relieved judges that the pressure is gone from the line.
func (l *look) relieved() Verdict {
	p := l.site.Find("", site.Pressure)
	if p == nil {
		return l.passed("No pressure sensor: by the person's word.")
	}
	r := l.trace(p)
	low, _, _ := l.band()
	var v Verdict
	switch {
	case r == nil || r.LastT == 0:
		v = l.watching("blind", "No good reading of the pressure.")
	case r.newest() > low/10:
		v = l.watching("pressed", "There are still %s in the line.", site.Press(r.newest()))
		if l.answered && l.now.Sub(l.answeredAt) > 10*time.Minute {
			v = l.failed("There are still %s in the line: the upstream valve does not shut, or nothing was opened to relieve it. Do not open a fitting.", site.Press(r.newest()))
		}
	default:
		v = l.passed("The line is relieved (%s).", site.Press(r.newest()))
	}
	v.Lines = l.lines()
	return v
}

// rating notes the lowest rating of any part.
func (l *look) rating() Verdict {
	if !l.answered {
		return l.watching("", "Waiting for the rating.")
	}
	v := l.passed("Lowest rating %s.", site.Press(l.value))
	v.Values = map[string]float64{"rating_pa": l.value}
	return v
}

// airPressure refuses air that is not below the lowest rating.
func (l *look) airPressure() Verdict {
	if !l.answered {
		return l.watching("", "Waiting for the pressure.")
	}
	x := l.result("rating")
	if x == nil || x.Values == nil {
		return l.failed("The lowest rating is not known: look it up before any air is let in.")
	}
	if l.value >= x.Values["rating_pa"] {
		return l.failed("%s is not below the lowest rating of %s. Let no air in: turn the compressor's regulator down, then do this step again.", site.Press(l.value), site.Press(x.Values["rating_pa"]))
	}
	return l.passed("%s, below the lowest rating of %s.", site.Press(l.value), site.Press(x.Values["rating_pa"]))
}

// stays watches a closed system, with what is left to see by: it claims no more than that has seen.
func (l *look) stays() Verdict {
	var wrong []string
	for _, id := range append(l.bayIDs(), "") {
		if l.moved(id) {
			if id == "" {
				wrong = append(wrong, l.say("%s went through the main meter", site.Water(l.passedM3(id))))
			} else {
				wrong = append(wrong, l.say("%s went through the meter of %s", site.Water(l.passedM3(id)), id))
			}
		}
	}
	low, _, _ := l.band()
	if r := l.trace(l.site.Find("", site.Pressure)); r != nil && len(r.Dots) > 3 && r.newest() > low/4 {
		wrong = append(wrong, l.say("the line is under pressure again (%s)", site.Press(r.newest())))
	}
	for _, id := range l.bayIDs() {
		r := l.trace(l.site.Find(id, site.Level))
		if r != nil && len(r.Dots) > 3 && r.newest() > dryM+2*riseM && r.newest()-r.First > 2*riseM {
			wrong = append(wrong, l.say("the chamber of %s has filled to %s", id, site.Depth(r.newest())))
		}
	}
	var v Verdict
	by, unseen := l.eyes()
	left := l.o.WinterWatch - l.elapsed()
	switch {
	case len(wrong) > 0:
		v = l.failed("It does not stay empty: %s. The upstream valve passes, or a drain is shut. Put it right before frost, then do this step again.", strings.Join(wrong, "; "))
	case len(by) == 0 && left > 0:
		v, unseen = l.watching("", "Nothing gives a reading now. Another %s.", Span(left)), ""
	case len(by) == 0:
		v = l.watching("blind", "There is nothing to see water by.")
		v.State, unseen = Undecided, unseen+l.say(" Look by yourself after some days, and pass this step over with what you saw.")
	case left > 0:
		v = l.watching("", "For %s nothing has shown water; another %s. Watching by: %s.", Span(l.elapsed()), Span(left), l.voice.List(by))
	default:
		v = l.passed("For %s nothing showed water. Watched by: %s.", Span(l.elapsed()), l.voice.List(by))
	}
	if v.State != Failed {
		v.Says += unseen
	}
	v.Lines = l.lines(l.bayIDs()...)
	return v
}

// eyes are what a closed system can still be watched by, and a sentence about what nobody sees. A total that
// reads has counted what went through while it did not; a sensor that was taken out sees no chamber.
func (l *look) eyes() (by []string, unseen string) {
	if p := l.meterOf(""); p != nil && !l.silent(p, hiccup) {
		by = append(by, l.say("the main meter"))
	}
	if p := l.site.Find("", site.Pressure); p != nil && !l.silent(p, hiccup) {
		by = append(by, l.say("the line's pressure"))
	}
	out := l.result("sensors")
	isOut := out != nil && out.Outcome == Confirmed
	var dark, meters []string
	for _, id := range l.bayIDs() {
		if m := l.meterOf(id); m != nil && !l.silent(m, hiccup) {
			by = append(by, l.say("meter %s", id))
		} else {
			meters = append(meters, id)
		}
		if p := l.site.Find(id, site.Level); isOut || p == nil || l.silent(p, hiccup) {
			dark = append(dark, id)
		} else {
			by = append(by, l.say("level %s", id))
		}
	}
	if len(dark) > 0 {
		unseen += l.say(" Not seen: whether the chambers of %s fill, for no sensor reads in them. Open their lids after heavy rain and before hard frost.", l.voice.List(dark))
	}
	if len(meters) > 0 {
		unseen += l.say(" No meter reads at %s.", l.voice.List(meters))
	}
	return by, unseen
}

// springOpening brings the site back and holds its first start against last autumn.
func springOpening(h *house, r *run) []step {
	ids := h.bayIDs()
	steps := []step{
		{id: "codes", title: "Who may do what", expect: 2 * time.Minute, caution: []string{cautionCodes, cautionDrinking, cautionMains, cautionFrost},
			do: []string{"Wait until no frost is in the ground or forecast.", "Have the backflow preventer tested by whoever is licensed.", "Put the controller in manual."}, ask: confirm("It is so")},
		backflow(),
		{id: "refit", title: "Put back what was taken out", bays: ids, expect: 20 * time.Minute, caution: []string{cautionWater},
			do:  []string{"Put plugs and strainer back.", "Shut the drains and every valve.", "Put the overflows back at their height.", "Hang the sensors at their marks. Open their vent tubes."},
			ask: confirm("Everything is back"), judge: (*look).refitted},
		links(ids),
		idle(ids),
		{id: "pressure", title: "Supply pressure", expect: 5 * time.Minute, caution: []string{cautionPressure},
			do:  []string{"Open the supply slowly, a quarter turn at a time.", "Walk the line. Listen for what the frost has burst."},
			ask: confirm("The supply is open and the line is dry"), judge: (*look).pressure},
	}
	if h.site.Find("", site.Pressure) == nil {
		steps[len(steps)-1].judge = nil
	}
	if h.meterOf("") != nil {
		steps = append(steps, step{id: "hold", title: "Static hold, supply open", alone: true, must: true, expect: h.holdFor(),
			do: []string{"Leave every valve shut.", "Go. The main meter must stand still."}, judge: (*look).hold})
	}
	for _, id := range ids {
		if h.meterOf(id) == nil {
			continue
		}
		steps = append(steps, step{id: "start " + id, title: h.say("First start of %s", h.name(id)), bays: []string{id}, expect: h.startTime(id) + 2*time.Minute, caution: []string{cautionPressure},
			do:    []string{h.say("Open the valve of %s.", id), "Shut it when you are told."},
			judge: func(l *look) Verdict { return l.firstStart(id) }})
	}
	steps = append(steps,
		step{id: "compare", title: "Against last autumn", bays: ids, expect: 3 * time.Minute,
			do: []string{"Wait. The tool reads once more and compares."}, judge: (*look).compare},
		step{id: "opened", title: "Open the season", expect: time.Minute, do: []string{"Put the controller in automatic.", "Open the season. From then on every alarm counts."},
			ask: confirm("The season is open")})
	if slices.ContainsFunc(ids, h.learns) {
		steps = append(steps, weeks(ids, (*look).everyWeeks))
	}
	return steps
}

// everyWeeks tells of every bay what its first weeks teach, as soon as they are over for all. Where they
// teach nothing that is said: a comparison is not failed by what could not be measured.
func (l *look) everyWeeks() Verdict {
	v := l.passed("")
	v.Values = map[string]float64{}
	var said []string
	watching := false
	for _, id := range l.bayIDs() {
		if !l.learns(id) {
			continue
		}
		x := l.weeks(id)
		watching = watching || x.State == Watching
		v.Lines = append(v.Lines, id+": "+x.Says)
		said = append(said, id+": "+x.Says)
		v.Fix = append(v.Fix, x.Fix...)
		for key, f := range x.Values {
			v.Values[keyOf(key, id)] = f
		}
	}
	if watching {
		lines := v.Lines
		v = l.watching("", "Watching what the fills raise each bay by; another %s at the most.", Span(2*firstWeeks-l.elapsed()))
		v.Lines = lines
		return v
	}
	v.Says, v.Lines = strings.Join(said, " "), nil
	return v
}

// fell is how long something lasted that fell short, rounded down.
func fell(d time.Duration) site.Phrase {
	if d < 90*time.Second {
		return Span(d.Truncate(time.Second))
	}
	return Span(d.Truncate(time.Minute))
}

// rose is how far a chamber has risen in this step; 0 without a reading.
func (l *look) rose(bay string) float64 {
	if r := l.trace(l.site.Find(bay, site.Level)); r != nil && len(r.Dots) > 3 {
		return r.Max - r.First
	}
	return 0
}

// highest is the bay other than one whose chamber has risen most; empty when none has.
func (l *look) highest(but string) (bay string) {
	for _, k := range l.bayIDs() {
		if k != but && l.rose(k) > l.rose(bay) {
			bay = k
		}
	}
	return bay
}

// startTime is how long a valve must run for its flow to be known to a few per cent: three minutes,
// and thirty counts.
func (h *house) startTime(id string) time.Duration {
	q := pulse(h.meterOf(id))
	return max(3*time.Minute, time.Duration(30*q/h.fillM3S(id)*float64(time.Second)))
}

// firstStart measures a bay's flow and sees its chamber rise.
func (l *look) firstStart(id string) Verdict {
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	m := l.trace(l.meterOf(id))
	if other := slices.DeleteFunc(l.running(), func(k string) bool { return k == id }); len(other) > 0 {
		return say(l.failed("Water runs through the meter of %s, not only %s.", l.voice.List(other), id))
	}
	if !l.moved(id) {
		if l.elapsed() > l.o.FirstSigns+l.o.Away {
			return say(l.failed("The meter of %s has not moved in %s. Is the valve open and powered?", id, Span(l.elapsed())))
		}
		return say(l.watching("wait", "Waiting for the meter of %s to move.", id))
	}
	ran := time.UnixMilli(m.MoveLast).Sub(time.UnixMilli(m.MoveFirst))
	runs := l.quietFor(id) < l.patience(id)
	switch {
	case runs && ran < l.startTime(id):
		return say(l.watching("run", "Running: another %s.", Span(l.startTime(id)-ran)))
	case runs:
		return say(l.watching("shut", "Shut the valve of %s.", id))
	case ran < l.startTime(id)*8/10:
		return say(l.failed("It ran for %s only; %s are needed to know its flow.", fell(ran), Span(l.startTime(id))))
	}
	// Sensors that were stored together are easily hung into each other's chambers.
	if up, other := l.rose(id), l.highest(id); other != "" && l.rose(other) >= riseM && up < l.rose(other)/2 {
		return say(l.failed("The chamber of %s rises, and not that of %s: their sensors were put back into each other's chambers, or the valve feeds the wrong bay. Put it right, then do this step again; the wiring proof finds what is mixed up.", other, id))
	}
	flow := m.rate()
	v := l.passed("%s.", site.Rate(flow))
	v.Values = map[string]float64{"fill_m3s": flow}
	if r := l.trace(l.site.Find(id, site.Level)); r != nil && len(r.Dots) > 3 {
		v.Values["rise_m"] = r.Max - r.First
		if r.Max-r.First < riseM/2 {
			v.Says += l.say(" The chamber rose by %s only: look whether it is joined to its bay.", site.Depth(r.Max-r.First))
		}
	}
	return say(v)
}
