package procedure

import (
	"math"
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

func needsTwo(h *house) string {
	if len(h.bayIDs()) < 2 {
		return h.say("with one bay nothing can be mixed up")
	}
	return ""
}

// wiringProof opens one valve after the other by hand. Which meter moves, which chamber rises and
// where the water is heard give, from one pass, where every meter, sensor and valve belongs.
func wiringProof(h *house, r *run) []step {
	ids := h.bayIDs()
	steps := []step{{
		id: "ready", title: "Ready for the wiring proof", bays: ids, expect: 2 * time.Minute,
		do: []string{
			"Put the controller in manual.",
			"Shut every valve.",
			"Take a telephone or a second person: one opens valves, one walks to the bays.",
		},
		caution: []string{cautionMains, cautionCodes},
		ask:     confirm("All valves are shut and the controller is in manual"),
		judge:   (*look).allStill,
	}}
	for _, id := range ids {
		steps = append(steps, step{
			id: "valve " + id, title: h.say("Open the valve of %s", h.name(id)), bays: ids,
			expect: h.proofTime(id), caution: []string{cautionWater},
			do: []string{
				h.say("Open the valve of %s at the controller, and no other.", id),
				"Walk to the bays. Look and listen where water really arrives.",
				"Shut the valve when you are told.",
				"Say at which bay water arrived.",
			},
			ask:   h.whichBay("Water arrives at bay"),
			judge: func(l *look) Verdict { return l.oneValve(id) },
		})
	}
	return append(steps, step{
		id: "wiring", title: "What belongs to what", bays: ids, expect: 10 * time.Second, must: true,
		do:    []string{"Wait. The tool puts the passes together."},
		judge: (*look).wiring,
	})
}

// whichBay asks for one of the bays, or none.
func (h *house) whichBay(label string) *Ask {
	a := &Ask{Kind: AskChoice, Label: label}
	for _, id := range h.bayIDs() {
		a.Choices = append(a.Choices, Choice{id, h.name(id)})
	}
	a.Choices = append(a.Choices, Choice{"none", words.Key("no water anywhere")})
	return a
}

// riseM is the rise of a chamber that shows which bay a valve feeds: well above the noise of a
// reading and the chamber's own unrest.
const riseM = 0.004

// proofM3 is the most water one pass of the wiring proof may take: a rise of the whole bay by
// three times riseM, and at least ten counts of the meter.
func (h *house) proofM3(bay string) float64 {
	b := h.site.Bay(bay)
	v := b.AreaM2 * porosityOf(b) * 3 * riseM
	for _, id := range h.bayIDs() {
		v = max(v, 10*pulse(h.meterOf(id)))
	}
	return v
}

// proofTime is how long one pass takes: half of its most water at the usual fill, and a walk.
func (h *house) proofTime(bay string) time.Duration {
	return time.Duration(h.proofM3(bay)/2/h.fillM3S(bay)*float64(time.Second)).Round(time.Minute) + 2*time.Minute
}

// porosityOf is the nominal drainable porosity of the lowest layer.
func porosityOf(b *site.Bay) float64 {
	if len(b.Layers) > 0 && b.Layers[0].DrainablePorosity > 0 {
		return b.Layers[0].DrainablePorosity
	}
	return 0.3
}

// rise is how far a bay's chamber stands above where it stood before water ran; NaN when it is not
// known.
func (l *look) rise(bay string, flowFrom int64) float64 {
	r := l.trace(l.site.Find(bay, site.Level))
	if r == nil || len(r.Dots) < 2 {
		return math.NaN()
	}
	before, n := r.mean(flowFrom-90_000, flowFrom)
	if flowFrom == 0 || n == 0 {
		before = r.First
	}
	return r.newest() - before
}

// oneValve judges the pass of one valve.
func (l *look) oneValve(id string) Verdict {
	ids := l.bayIDs()
	var metersMoved []string
	flowFrom, most := int64(0), 0.0
	for _, k := range ids {
		if !l.moved(k) {
			continue
		}
		metersMoved = append(metersMoved, k)
		t := l.trace(l.meterOf(k))
		most = max(most, t.Moved)
		if flowFrom == 0 || t.MoveFirst < flowFrom {
			flowFrom = t.MoveFirst
		}
	}
	// A count can come late: the water began up to one count before it was seen.
	if flowFrom != 0 {
		flowFrom -= 30_000
	}
	highest, second, top := 0.0, 0.0, ""
	blind := 0
	for _, k := range ids {
		up := l.rise(k, flowFrom)
		switch {
		case !site.Known(up):
			blind++
		case up > highest:
			highest, second, top = up, highest, k
		case up > second:
			second = up
		}
	}
	rose := ""
	if highest >= riseM && second < highest/2 {
		rose = top
	}
	lines := l.proofLines(ids, flowFrom)
	say := func(v Verdict) Verdict { v.Lines = lines; return v }

	dead := len(metersMoved) == 0 && rose != "" && highest >= 2*riseM
	enough := rose != "" && (len(metersMoved) > 0 || dead)
	capped := most >= l.proofM3(id)
	running := l.running()
	switch {
	case len(metersMoved) > 1 && most > 3*pulse(l.meterOf(metersMoved[0])):
		return say(l.failed("The meters of %s move together: another valve is open, or one does not shut. Shut all, then do this valve again.", l.voice.List(metersMoved)))
	case !enough && !capped && len(metersMoved) == 0:
		if l.elapsed() > l.proofTime(id)+l.o.FirstSigns {
			return say(l.failed("Nothing has moved in %s: no meter, no chamber. Is the supply on, the hand valve open, and the valve of %s powered?", Span(l.elapsed()), id))
		}
		return say(l.watching("wait", "Waiting for the valve of %s to open.", id))
	case !enough && !capped:
		return say(l.watching("flow", "The meter of %s moves: %s so far. Waiting for a chamber to rise.", metersMoved[0], site.Water(most)))
	case len(running) > 0:
		return say(l.watching("shut", "%s Shut the valve of %s now.", l.passWords(id, metersMoved, rose, blind), id))
	case !l.answered:
		return say(l.watching("tell", "%s Say at which bay water arrived.", l.passWords(id, metersMoved, rose, blind)))
	}
	v := l.passed("%s Water arrived at %s.", l.passWords(id, metersMoved, rose, blind), l.word)
	if l.word == "none" {
		v = l.passed("%s Water arrived nowhere.", l.passWords(id, metersMoved, rose, blind))
	}
	v.Notes = map[string]string{"level": rose, "at": l.word, "meter": ""}
	v.Values = map[string]float64{"m3": most, "rise_m": highest}
	if len(metersMoved) > 0 {
		v.Notes["meter"] = metersMoved[0]
	}
	return say(v)
}

// passWords say what one pass showed.
func (l *look) passWords(id string, meters []string, rose string, blind int) string {
	meter := site.Say("no meter")
	if len(meters) > 0 {
		meter = site.Say("meter %s", meters[0])
	}
	chamber := site.Say("no chamber rises")
	switch {
	case rose != "":
		chamber = site.Say("chamber %s rises", rose)
	case blind == 1:
		chamber = site.Say("no chamber rises (%d sensor gives no reading)", blind)
	case blind > 0:
		chamber = site.Say("no chamber rises (%d sensors give no reading)", blind)
	}
	return l.say("Valve %s moves %s and %s.", id, meter, chamber)
}

// proofLines shows, for every bay, what its meter and its chamber do.
func (l *look) proofLines(ids []string, flowFrom int64) []string {
	var out []string
	for _, k := range ids {
		meter, chamber := site.Say("none"), site.Say("no reading")
		if v := l.passedM3(k); site.Known(v) {
			meter = site.Say("%s", site.Water(v))
		}
		if up := l.rise(k, flowFrom); site.Known(up) {
			chamber = site.Say("%+s", site.Depth(up))
		}
		out = append(out, l.say("%s: meter %s, chamber %s", k, meter, chamber))
	}
	return out
}

// wiring puts the passes together. A pass of valve v says at which bay the water arrived, which
// meter it moved and which chamber rose; so bay = valve's wire, and the meter and the sensor that
// belong to that bay are the ones that moved.
func (l *look) wiring() Verdict {
	var found, unsure, fix []string
	valveOf := map[string]string{} // bay -> the valve that feeds it
	meterAt := map[string]string{} // bay -> whose meter point shows its water
	levelAt := map[string]string{}
	for _, id := range l.bayIDs() {
		res := l.result("valve " + id)
		if res == nil || res.Notes == nil {
			unsure = append(unsure, l.say("valve %s was not proved", id))
			continue
		}
		at, meter, level := res.Notes["at"], res.Notes["meter"], res.Notes["level"]
		if at == "none" {
			unsure = append(unsure, l.say("valve %s: nobody saw where its water went", id))
			continue
		}
		if at != id {
			found = append(found, l.say("valve %s feeds bay %s", id, at))
		}
		valveOf[at] = id
		switch {
		case meter == "" && l.meterOf(at) != nil:
			unsure = append(unsure, l.say("bay %s: no meter moved; its meter is dead or not connected", at))
		case meter != "":
			meterAt[at] = meter
			if meter != at {
				found = append(found, l.say("valve %s moves meter %s: the meter of bay %s is read as that of %s", id, meter, at, meter))
			}
		}
		if level == "" {
			unsure = append(unsure, l.say("bay %s: no chamber rose; its sensor is frozen, not connected, or its chamber cut off", at))
		} else {
			levelAt[at] = level
			if level != at {
				found = append(found, l.say("valve %s raises level %s: the sensor of bay %s is read as that of %s", id, level, at, level))
			}
		}
	}
	fix = append(fix, l.exchange(meterAt, site.Volume, "meter")...)
	fix = append(fix, l.exchange(meterAt, site.Flow, "flow")...)
	fix = append(fix, l.exchange(levelAt, site.Level, "level")...)
	fix = append(fix, l.exchangeValves(valveOf)...)
	notes := map[string]string{}
	for what, m := range map[string]map[string]string{"valve": valveOf, "meter": meterAt, "level": levelAt} {
		for _, at := range sortedKeys(m) {
			notes[what+" of "+at] = m[at]
		}
	}
	var v Verdict
	switch {
	case len(found) > 0:
		v = l.failed("Mixed up: %s.", strings.Join(append(found, unsure...), "; "))
	case len(unsure) > 0:
		v = l.failed("Not proved: %s.", strings.Join(unsure, "; "))
	default:
		v = l.passed("Every valve, meter and sensor belongs to the bay it claims.")
	}
	if v.State == Failed {
		v.Says += l.say(" Change the wires, or load the site file with the lines below; then do it again, from the first valve concerned on.")
		v.Back = l.firstUnproved()
	}
	v.Notes, v.Fix, v.Lines = notes, fix, fix
	return v
}

// firstUnproved is the step of the first valve whose pass did not show its own bay, meter and sensor: what is
// put right is proved again from there on.
func (l *look) firstUnproved() string {
	for _, id := range l.bayIDs() {
		x := l.result("valve " + id)
		if x == nil || x.Notes == nil || x.Notes["at"] != id || x.Notes["level"] != id || x.Notes["meter"] != id && l.meterOf(id) != nil {
			return "valve " + id
		}
	}
	return ""
}

// exchange returns the lines of the site file that give each bay the register its own instrument
// is on. at maps a bay to the bay whose point showed its water.
func (l *look) exchange(at map[string]string, q site.Quantity, key string) []string {
	var out []string
	for _, bay := range l.bayIDs() {
		shown, ok := at[bay]
		mine, there := l.site.Find(bay, q), l.site.Find(shown, q)
		if !ok || shown == bay || mine == nil || there == nil {
			continue
		}
		out = append(out, siteLine("bay %s: points: %s: { %s }", bay, key, l.orRegister(there)))
	}
	return out
}

func (h *house) orRegister(p *site.Point) string {
	if p.Register != "" {
		return p.Register
	}
	return h.say("what now stands at %s", p.ID)
}

// exchangeValves tells what to do about valves that feed another bay: the wires, because the
// controller too fills the wrong bay; the lines only where the wires cannot be moved.
func (l *look) exchangeValves(valveOf map[string]string) []string {
	var out, lines []string
	for _, bay := range l.bayIDs() {
		valve, ok := valveOf[bay]
		if !ok || valve == bay {
			continue
		}
		out = append(out, l.say("at the controller: move the wire of the valve that feeds bay %s from output %s to output %s", bay, valve, bay))
		if p := l.site.Find(valve, site.ValveOpen); p != nil && l.site.Find(bay, site.ValveOpen) != nil {
			lines = append(lines, siteLine("bay %s: points: valve: { %s }", bay, l.orRegister(p)))
		}
	}
	if len(lines) > 0 {
		out = append(out, l.say("only where the wires cannot be moved (the controller then still fills the wrong bay):"))
		out = append(out, lines...)
	}
	return slices.Clip(out)
}

// allStill judges that no water goes anywhere.
func (l *look) allStill() Verdict {
	need := 30 * time.Second
	for _, id := range l.bayIDs() {
		need = max(need, min(l.patience(id), 5*time.Minute))
	}
	running := l.running()
	if len(running) > 0 {
		v := l.watching("flow", "Water still runs through the meter of %s.", l.voice.List(running))
		v.Lines = l.lines(running...)
		return v
	}
	if left := need - l.elapsed(); left > 0 {
		v := l.watching("still", "Nothing runs; watching for another %s.", Span(left))
		v.Lines = l.lines()
		return v
	}
	v := l.passed("Nothing runs through any bay's meter.")
	if blind := l.blindMeters(l.bayIDs()...); len(blind) > 0 {
		v = l.passed("Nothing runs that a meter shows. Those of %s give no reading: look whether their valves are shut.", l.voice.List(blind))
	} else if !slices.ContainsFunc(l.bayIDs(), func(id string) bool { return l.meterOf(id) != nil }) {
		v = l.passed("No bay has a meter: by the person's word.")
	}
	v.Lines = l.lines()
	return v
}
