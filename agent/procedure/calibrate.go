package procedure

import (
	"fmt"
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"
)

// calibrate holds a bay's sensor against two dips and its meter against a bucket, finds the crest
// of its overflow, and waits for what the first weeks teach of its porosity.
func calibrate(h *house, r *run) []step {
	id := r.Bay
	b, level, meter := h.site.Bay(id), h.site.Find(id, site.Level), h.site.Find(id, site.Volume)
	if b == nil {
		return []step{{id: "gone", title: "The bay is not in the site file any more", ask: confirm("Read")}}
	}
	bays := []string{id}
	dip := func(n int, do ...string) step {
		caution := []string{cautionWater}
		if n == 1 {
			caution = []string{cautionCodes, cautionWater}
		}
		return step{id: fmt.Sprintf("dip %d", n), title: h.say("Dip %d", n), bays: bays, expect: h.settled() + 3*time.Minute,
			caution: caution, do: append(do, "Wait until the tool says that the level is at rest.", "Dip the chamber twice: the height of the water above the liner.", "Type it.", "Close the lid."),
			ask:   h.askDepth("Height of the water above the liner", b.DepthM()+0.1),
			judge: func(l *look) Verdict { return l.dip(n, id) }}
	}
	var steps []step
	if level != nil {
		move := step{id: "move", title: "Another level", bays: bays, expect: h.moveTime(id),
			do:    []string{h.say("Open the valve, or the drain: the level must move by %s.", site.Depth(h.o.DipApartM)), "Shut it when you are told."},
			judge: func(l *look) Verdict { return l.movedLevel(id) }}
		steps = append(steps, dip(1, "Shut the valve and the drain."), move, dip(2),
			step{id: "sensor", title: "Zero and slope of the sensor", bays: bays, expect: time.Minute,
				do: []string{"Wait. The tool puts the two dips together."}, judge: func(l *look) Verdict { return l.zeroAndSlope(id) }})
		// Without a dip there is nothing to put together.
		switch over := func(id string) bool { x := resultOf(r, id); return x != nil && x.Outcome == PassedOver }; {
		case over("dip 1"):
			steps = steps[:1]
		case over("dip 2"):
			steps = steps[:3]
		}
	}
	if meter != nil {
		mpe, _ := permissible(h.o.MeterClass, h.fillM3S(id), h.o.MeterQ3M3S, h.o.MeterRatio)
		least := leastVolume(pulse(meter), mpe)
		steps = append(steps, step{id: "bucket", title: "Meter against a bucket", bays: bays, expect: time.Duration(least/h.fillM3S(id)*float64(time.Second)) + 10*time.Minute,
			caution: []string{cautionPressure},
			do: []string{
				h.say("Lead the valve's water into a measure that holds %s or more: the meter counts in steps of %s.", h.atLeast(least), site.Water(pulse(meter))),
				"Open the valve fully.",
				"Shut it when the measure holds enough.",
				h.weigh(),
				"Type how much it was.",
			},
			ask:   h.askWater("Water in the measure"),
			judge: func(l *look) Verdict { return l.bucket(id) }})
	}
	if level != nil && site.Known(b.CrestM) {
		steps = append(steps, step{id: "crest", title: "Crest of the overflow", bays: bays, expect: h.moveTime(id), caution: []string{cautionWater},
			do:  []string{"Open the valve until the overflow just runs.", "Shut it.", "Wait at the overflow. When it only drips, say so at once."},
			ask: confirm("It only drips now"), judge: func(l *look) Verdict { return l.crest(id) }})
	}
	if found := corrections(r); len(found) > 0 {
		steps = append(steps, step{id: "accept", title: "Take the corrections over", bays: bays, expect: 2 * time.Minute,
			do:  append([]string{"Take them over, and they hold from the next reading on. Leave them, and the lines for the site file stand in the record."}, h.correctionWords(found)...),
			ask: &Ask{Kind: AskChoice, Label: "The corrections", Choices: []Choice{{"take", words.Key("hold from now on")}, {"leave", words.Key("are left for the site file")}}}})
	}
	if h.learns(id) {
		steps = append(steps, weeks(bays, func(l *look) Verdict { return l.weeks(id) }))
	}
	return steps
}

// weeks is the step that learns bays' porosity and crest.
func weeks(bays []string, judge func(l *look) Verdict) step {
	return step{id: "weeks", title: "Porosity and crest from the first two weeks", bays: bays, alone: true, expect: firstWeeks,
		do: []string{"Go, and play. The tool watches what a bay's fills raise it by, and how high it can stand."}, judge: judge}
}

// learns reports whether the first weeks can tell anything of a bay.
func (h *house) learns(bay string) bool {
	return h.ledger != nil && h.site.Find(bay, site.Level) != nil && h.meterOf(bay) != nil
}

// firstWeeks is how long the account learns before the record is final.
const firstWeeks = 14 * 24 * time.Hour

// nominalU is how well a tabled porosity is known, as a share: a calibration that is no surer is none. (Our
// own choice; the account begins with as much for one standard deviation.)
const nominalU = 0.3

// settled is how long after the last water a level counts as at rest: five time constants.
func (h *house) settled() time.Duration { return 5 * h.o.Settle }

func (h *house) askDepth(label string, most float64) *Ask {
	unit, _ := h.site.Display.DepthUnit()
	return &Ask{Kind: AskNumber, Label: label, Dim: site.Length, Unit: unit, Max: most}
}

func (h *house) askWater(label string) *Ask {
	unit, size := h.site.Display.WaterUnit()
	return &Ask{Kind: AskNumber, Label: label, Dim: site.Cubic, Unit: unit, Min: size / 10, Max: 5}
}

// weigh is how to measure water best. A gallon of it weighs 8.33 lb at what a club's water has, in air.
func (h *house) weigh() string {
	if h.site.Display.Gallons {
		return words.Key("Weigh the water where you can: 8.33 pounds are a gallon.")
	}
	return words.Key("Weigh the water where you can: a kilogram is a litre.")
}

// atLeast writes a least volume rounded up.
func (h *house) atLeast(m3 float64) string {
	unit, size := h.site.Display.WaterUnit()
	v := m3 / size
	if v >= 10 {
		return h.say("%.0f %s", math.Ceil(v), unit)
	}
	return h.say("%.1f %s", math.Ceil(v*10)/10, unit)
}

// moveTime is how long a bay needs to move its level by as much as two dips must lie apart.
func (h *house) moveTime(id string) time.Duration {
	b := h.site.Bay(id)
	v := b.AreaM2 * porosityOf(b) * h.o.DipApartM
	return time.Duration(1.25 * v / h.fillM3S(id) * float64(time.Second)).Round(time.Minute)
}

// atRest reports whether the level of a bay has settled: no water for five time constants, and
// what it moved over the last one is within a millimetre and what its noise allows. left is how
// long that still takes at least.
func (l *look) atRest(id string) (ok bool, left time.Duration) {
	r := l.trace(l.site.Find(id, site.Level))
	if r == nil || len(r.Dots) < 4 {
		return false, l.settled()
	}
	quiet := l.elapsed()
	if m := l.trace(l.meterOf(id)); m != nil && m.MoveLast != 0 {
		quiet = l.now.Sub(time.UnixMilli(m.MoveLast))
	}
	if quiet < l.settled() {
		return false, l.settled() - quiet
	}
	now, tau := ms(l.now), l.o.Settle.Milliseconds()
	late, n := r.mean(now-tau/2, now)
	early, m := r.mean(now-3*tau/2, now-tau)
	if n == 0 || m == 0 {
		return false, l.o.Settle
	}
	noise := r.spread(now-2*tau, now)
	if !site.Known(noise) {
		noise = 0
	}
	if math.Abs(late-early) > 0.001+2*noise/math.Sqrt(float64(min(n, m))) {
		return false, l.o.Settle
	}
	return true, 0
}

// dip judges one dip: taken at rest, with the sensor's mean over the time constant before it.
func (l *look) dip(n int, id string) Verdict {
	rest, left := l.atRest(id)
	lines := l.lines(id)
	say := func(v Verdict) Verdict { v.Lines = lines; return v }
	switch {
	case !rest && l.answered:
		return say(l.failed("The level is not at rest yet, so this dip says nothing. Do the step again and wait for the word."))
	case !rest && l.elapsed() > l.settled()+6*time.Hour:
		return say(l.failed("The level has not come to rest in %s: water still arrives or leaves.", Span(l.elapsed())))
	case !rest:
		v := l.watching("rest", "Not at rest yet; about another %s.", Span(left))
		v.Early = true
		return say(v)
	case !l.answered:
		return say(l.watching("dip", "The level is at rest: dip now."))
	}
	shown, u := l.shown(id, l.answeredAt)
	v := l.passed("Dip %s, the sensor showed %s.", site.Close(l.value), site.Close(shown))
	v.Values = map[string]float64{"dip_m": l.value, "shown_m": shown, "shown_u": u}
	if first := l.result("dip 1"); n == 2 && first != nil && first.Values != nil {
		if apart := math.Abs(shown - first.Values["shown_m"]); apart < l.o.DipApartM {
			v = l.failed("The two levels lie only %s apart where %s are wanted: the slope would be worth nothing. Say again, and move the level further.",
				site.Depth(apart), site.Depth(l.o.DipApartM))
			v.Back = "move"
			return say(v)
		}
	}
	return say(v)
}

// shown is what the sensor showed at a dip: its mean over the time constant before, and the
// standard uncertainty of that mean. The readings' slow unrest hangs together over minutes, so the
// mean is as sure as two of its readings, not as all of them.
func (l *look) shown(id string, at time.Time) (m, u float64) {
	r := l.trace(l.site.Find(id, site.Level))
	from, to := ms(at)-l.o.Settle.Milliseconds(), ms(at)
	m, n := r.mean(from, to)
	if n == 0 {
		return r.newest(), 0.001
	}
	u = r.spread(from, to)
	if !site.Known(u) {
		u = 0
	}
	if p := l.site.Find(id, site.Level); p.Resolution > 0 {
		u = math.Hypot(u, p.Resolution/math.Sqrt(12))
	}
	return m, u / math.Sqrt2
}

// movedLevel judges that the level has gone far enough from the first dip.
func (l *look) movedLevel(id string) Verdict {
	r := l.trace(l.site.Find(id, site.Level))
	first := l.result("dip 1")
	if r == nil || len(r.Dots) == 0 || first == nil || first.Values == nil {
		return l.watching("", "Waiting for a reading.")
	}
	apart := math.Abs(r.newest() - first.Values["shown_m"])
	b := l.site.Bay(id)
	var v Verdict
	// A chamber leads its bay while water runs and sinks back when it spreads: what the meter let in
	// counts too, and some room is asked for beyond the least.
	if v := l.passedM3(id); r.newest() > first.Values["shown_m"] && v > 0 {
		apart = min(apart, v/(b.AreaM2*porosityOf(b)))
	}
	high := site.Known(b.CrestM) && r.newest() > b.CrestM-riseM
	switch runs := l.moved(id) && l.quietFor(id) < l.patience(id); {
	case runs && high:
		v = l.watching("shut", "The chamber stands at the crest: shut the valve and let the water spread before you go on.")
	case high:
		v = l.watching("spread", "The water spreads; go on when the chamber has sunk, or let the bay drain instead.")
	case runs && apart < 1.25*l.o.DipApartM, apart < 1.15*l.o.DipApartM:
		v = l.watching("move", "%s from the first dip, the water spread out; %s are wanted.", site.Depth(apart), site.Depth(1.25*l.o.DipApartM))
	case runs:
		v = l.watching("shut", "%s from the first dip: shut the valve.", site.Depth(apart))
	default:
		v = l.passed("The level stands %s from the first dip.", site.Depth(apart))
	}
	v.Lines = l.lines(id)
	return v
}

// zeroAndSlope puts the two dips together.
func (l *look) zeroAndSlope(id string) Verdict {
	a, b := l.result("dip 1"), l.result("dip 2")
	if a == nil || b == nil || a.Values == nil || b.Values == nil || a.Outcome != Seen || b.Outcome != Seen {
		v := l.failed("Both dips are needed.")
		return v
	}
	p := l.site.Find(id, site.Level)
	u := math.Sqrt((sq(a.Values["shown_u"]) + sq(b.Values["shown_u"])) / 2)
	gain, gainU, offset, offsetU := twoDips(a.Values["shown_m"], a.Values["dip_m"], b.Values["shown_m"], b.Values["dip_m"], l.o.DipStdM, u)
	v := l.passed("True level = %.3f (± %.3f) x shown %+s (± %s).", gain, gainU, site.Close(offset), site.Close(offsetU))
	v.Values = map[string]float64{"gain": gain, "gain_u": gainU, "offset_m": offset, "offset_u": offsetU}
	v.Calibrations = []Correction{{Point: p.ID, Gain: gain, GainU: gainU, Offset: offset, OffsetU: offsetU}}
	switch {
	case math.Abs(gain-1) <= gainU && math.Abs(offset) <= offsetU:
		v.Says += l.say(" Both are what the sensor says itself: leave it as it is.")
		v.Calibrations = nil
	case math.Abs(gain-1) > 0.1+gainU:
		v.State, v.Phase = Failed, "failed"
		v.Says += l.say(" A slope a tenth off is a wrong range in the site file, a wrong liquid, or a dip read wrongly; correct that before you correct the sensor.")
		v.Calibrations = nil
	default:
		g, o := l.compose(p, gain, offset)
		v.Fix = []string{siteLine("bay %s: points: level: { gain: %.4f, zero: %s }", id, g, l.site.Display.Close(o))}
	}
	return v
}

// corrections are those the run's steps came to, each point's newest.
func corrections(r *run) []Correction {
	var out []Correction
	for _, id := range []string{"sensor", "bucket"} {
		if x := resultOf(r, id); x != nil {
			out = append(out, x.Calibrations...)
		}
	}
	return out
}

func (h *house) correctionWords(found []Correction) []string {
	var out []string
	for _, c := range found {
		if p := h.site.Point(c.Point); p != nil {
			g, o := h.compose(p, c.Gain, c.Offset)
			out = append(out, h.say("%s: gain %.4f, offset %s.", c.Point, g, h.offsetWords(p, o)))
		}
	}
	return out
}

func (h *house) offsetWords(p *site.Point, o float64) string {
	if p.Quantity == site.Level {
		return h.say("%+s", site.Close(o))
	}
	return h.say("none")
}

// compose is the whole correction of a point when what it shows, corrected as it is now, is to be
// corrected further.
func (h *house) compose(p *site.Point, gain, offset float64) (g, o float64) {
	now := h.inForce(p)
	return gain * now.Gain, gain*now.Offset + offset
}

// force is a correction that holds, and the site file's when it was accepted: a later edit of the
// file wins.
type force struct {
	Gain       float64 `json:"gain"`
	Offset     float64 `json:"offset"`
	FileGain   float64 `json:"file_gain"`
	FileOffset float64 `json:"file_offset"`
}

func (h *house) inForce(p *site.Point) force {
	if c, ok := h.accepted[p.ID]; ok && c.FileGain == p.Gain && c.FileOffset == p.Offset {
		return c
	}
	if p.Gain == 0 {
		return force{Gain: 1}
	}
	return force{Gain: p.Gain, Offset: p.Offset}
}

func sq(x float64) float64 { return x * x }

// bucket judges the meter against what a measure held.
func (l *look) bucket(id string) Verdict {
	p := l.site.Find(id, site.Volume)
	r := l.trace(p)
	say := func(v Verdict) Verdict { v.Lines = l.lines(id); return v }
	if r == nil || r.Moves == 0 {
		if l.answered {
			return say(l.failed("The meter did not move at all while the measure was filled: it is dead, or another bay's."))
		}
		return say(l.watching("wait", "Waiting for the meter to move."))
	}
	flow := r.rate()
	mpe, ok := permissible(l.o.MeterClass, flow, l.o.MeterQ3M3S, l.o.MeterRatio)
	switch {
	case l.quietFor(id) < l.patience(id):
		return say(l.watching("run", "%s so far.", site.Water(r.Moved)))
	case !l.answered:
		return say(l.watching("tell", "The meter registered %s. How much did the measure hold?", site.Water(r.Moved)))
	case !ok:
		return say(l.failed("%s is outside Q1 to Q4 of this meter: nothing is claimed for it there. Open the valve further and do it again.", site.Rate(flow)))
	}
	least := leastVolume(pulse(p), mpe)
	if l.value < least {
		return say(l.failed("%s is too little: with counts of %s at least %s are needed to judge %.0f %%. Do it again with more.", site.Water(l.value), site.Water(pulse(p)), l.atLeast(least), 100*mpe))
	}
	e := (r.Moved - l.value) / l.value
	u := half95(pulse(p)/l.value, l.o.BucketStd*(1+e))
	v := Verdict{State: judged(e, u, mpe)}
	what := site.Say("The meter registered %s of %s: %+.1f %% (± %.1f %%), where class %d allows ± %.0f %%", site.Water(r.Moved), site.Water(l.value), 100*e, 100*u, l.o.MeterClass, 100*mpe)
	switch v.State {
	case Passed:
		v.Says = l.say("%s.", what)
	case Failed:
		v.Says = l.say("%s: it does not keep its class. Repeat once; if it stays so, correct it by the factor below or replace it.", what)
	default:
		v.Says = l.say("%s: too close to decide. Repeat with more water, or weigh it.", what)
	}
	// True = registered / (1 + e).
	gain := 1 / (1 + e)
	gainU := gain * gain * u
	v.Phase = string(v.State)
	v.Values = map[string]float64{"error": e, "error_u": u, "limit": mpe, "least_m3": least, "registered_m3": r.Moved, "measured_m3": l.value, "flow_m3s": flow, "gain": gain, "gain_u": gainU}
	if math.Abs(e) > u {
		v.Calibrations = []Correction{{Point: p.ID, Gain: gain, GainU: gainU}}
		g, _ := l.compose(p, gain, 0)
		v.Fix = []string{siteLine("bay %s: points: meter: { gain: %.4f }", id, g)}
	}
	return say(v)
}

// crest takes the level at which the overflow only drips.
func (l *look) crest(id string) Verdict {
	r := l.trace(l.site.Find(id, site.Level))
	b := l.site.Bay(id)
	if r == nil || len(r.Dots) == 0 {
		return l.watching("", "Waiting for a reading.")
	}
	if !l.answered {
		v := l.watching("wait", "The chamber stands at %s, the crest in the site file at %s.", site.Depth(r.newest()), site.Depth(b.CrestM))
		v.Lines = l.lines(id)
		return v
	}
	if l.quietFor(id) < l.patience(id) {
		return l.failed("Water still runs into the bay: shut the valve, wait until the overflow only drips, and do the step again.")
	}
	shown, uShown := l.shown(id, l.answeredAt)
	level, u := l.corrected(id, shown, uShown)
	u = math.Hypot(u, crestDripM)
	u95 := 1.959964 * u
	v := l.passed("The crest stands at %s (± %s).", site.Depth(level), l.up(u95))
	v.Values = map[string]float64{"crest_m": level, "crest_u": u95}
	if math.Abs(level-b.CrestM) > u95 {
		v.Says += l.say(" The site file says %s.", site.Depth(b.CrestM))
		v.Fix = []string{l.crestLine(id, level)}
	}
	v.Lines = l.lines(id)
	return v
}

// corrected is the level where the sensor shows that, with its standard uncertainty: by the run's dips,
// else with what the site file says of the sensor.
func (l *look) corrected(id string, shown, uShown float64) (level, u float64) {
	if s := l.result("sensor"); s != nil && s.Values != nil {
		a, c := l.result("dip 1").Values, l.result("dip 2").Values
		return s.Values["gain"]*shown + s.Values["offset_m"], lineStd(shown, a["shown_m"], c["shown_m"], math.Hypot(l.o.DipStdM, uShown))
	}
	if p := l.site.Find(id, site.Level); site.Known(p.UStd) {
		uShown = math.Hypot(uShown, p.UStd)
	}
	return shown, uShown
}

// crestDripM is the standard uncertainty of the moment somebody calls dripping: a film of a
// millimetre or two still stands over the edge (our own choice; no source).
const crestDripM = 0.0015

// lineStd is the standard uncertainty of the line through two dips at a shown value x, each point
// with the standard uncertainty u.
func lineStd(x, x1, x2, u float64) float64 {
	t := (x - x1) / (x2 - x1)
	return u * math.Hypot(1-t, t)
}

// weeks waits for the first two weeks and tells what the bay's fills say of its stone, and where it
// overflowed; where rain or play left too few fills, as many weeks again.
func (l *look) weeks(id string) Verdict {
	b := l.site.Bay(id)
	if l.run.Rests == nil {
		l.run.Rests = map[string]*rests{}
	}
	if l.run.Rests[id] == nil {
		l.run.Rests[id] = &rests{}
	}
	s, level := l.run.Rests[id], math.NaN()
	if p := l.site.Find(id, site.Level); l.trace(p) != nil && l.now.Sub(time.UnixMilli(l.trace(p).LastT)) < max(time.Minute, 2*p.Interval) {
		level = l.trace(p).Last
	}
	if m := l.trace(l.meterOf(id)); m != nil {
		_, et := l.ledger.Weather()
		var k water.Look
		l.ledger.Look(slices.Index(l.bayIDs(), id), &k)
		s.Other = max(s.Other, k.RainAt)
		rain := 0.0
		if r := l.trace(l.site.Find("", site.Rain)); r != nil {
			rain = r.Moved
		}
		settle := 3 * l.o.Settle.Seconds()
		if now, ok := l.ledger.Now(id); ok && now.Learned.SettleS > 0 {
			settle = now.Learned.SettleS
		}
		s.look(moment{ms(l.now), level, m.Moved, m.MoveLast, rain, et, settle}, b.AreaM2, b.DepthM()-b.SurfaceBottomM())
	}
	got, told := s.porosity(porosityOf(b), b.DepthM())
	phi, u, n := got.Porosity, got.U, got.Rises
	sure := told && u <= nominalU*phi
	worth := l.say("not known yet")
	if told {
		worth = l.say("%.1f %% (± %.1f %%)", 100*phi, 100*u)
	}
	switch left := firstWeeks - l.elapsed(); {
	case left > 0:
		return l.watching("", "Drainable porosity: %s. Fills between two rests: %d. Another %s.", worth, n, Span(left))
	case !told && -left < firstWeeks:
		return l.watching("", "Only %s between two rests so far, %d are needed. Waiting for another %s at the most.", fills(n), leastRises, Span(left+firstWeeks))
	case !sure && -left < firstWeeks:
		return l.watching("", "Drainable porosity: %s, from %s between two rests: not yet surer than a tabled value, ± %.0f %% of it. Waiting for another %s at the most.", worth, fills(n), 100*nominalU, Span(left+firstWeeks))
	}
	v := l.passed("Drainable porosity at the level the bay is held: %s, from %s.", worth, fills(n))
	v.Values = map[string]float64{}
	if !sure {
		v.State, v.Phase = Undecided, "undecided"
	}
	if !told {
		v.Says = l.say("In four weeks only %s stood between two rests; %d are needed. The site file's porosity stands.", fills(n), leastRises)
	} else if !sure {
		v.Says = l.say("In four weeks %s between two rests tell the porosity no surer than %s; a tabled value is as good. The site file's stands. What is missing: fills of a centimetre and more by night, with some hours without water before and after.", fills(n), worth)
	} else {
		v.Values["porosity"], v.Values["porosity_u"], v.Values["rises"] = phi, u, float64(n)
		// The curve keeps the site file's shape.
		if now, ok := l.ledger.Now(id); ok && now.Learned.Porosity.Value > 0 {
			scale := phi * now.Learned.Scale.Value / now.Learned.Porosity.Value
			for _, layer := range b.Layers {
				v.Values["porosity of "+layer.Name] = layer.DrainablePorosity * scale
				if math.Abs(scale-1) > u/phi {
					v.Fix = append(v.Fix, siteLine("bay %s: layers: - { name: %s, porosity: %.1f %% }", id, layer.Name, 100*layer.DrainablePorosity*scale))
				}
			}
		}
	}
	l.overflowed(id, &v)
	return v
}

func fills(n int) site.Phrase {
	if n == 1 {
		return site.Say("%d fill", n)
	}
	return site.Say("%d fills", n)
}

func times(n int) site.Phrase {
	if n == 1 {
		return site.Say("once")
	}
	return site.Say("%d times", n)
}

// overflowed adds to a verdict what the weeks say of the crest.
func (l *look) overflowed(id string, v *Verdict) {
	b, c := l.site.Bay(id), &l.run.Rests[id].Ceiling
	at, n, ok := c.crest()
	if !ok {
		if c.High.UStd == 0 {
			return
		}
		level, u := l.corrected(id, c.High.LevelM, c.High.UStd)
		least := level - 1.644854*u // one-sided, 95 %
		v.Says += l.say(" Crest: at least %s; the bay was not seen to overflow.", l.down(least))
		v.Values["crest_least_m"] = least
		if least > b.CrestM {
			v.Says += l.say(" The site file says %s, which is too low.", site.Depth(b.CrestM))
		}
		return
	}
	level, u := l.corrected(id, at.LevelM, at.UStd)
	u95 := ends95(at.HalfM, u)
	v.Says += l.say(" Crest: %s (± %s), where the bay stopped rising while water came (%s).", site.Depth(level), l.up(u95), times(n))
	v.Values["crest_m"], v.Values["crest_u"], v.Values["spills"] = level, u95, float64(n)
	called := l.result("crest") // what a person called dripping is in the record already
	if called != nil && called.Values != nil && math.Abs(level-called.Values["crest_m"]) <= u95+called.Values["crest_u"] || math.Abs(level-b.CrestM) <= u95 {
		return
	}
	v.Says += l.say(" The site file says %s.", l.crestWords(b))
	v.Fix = append(v.Fix, l.crestLine(id, level))
}

func (h *house) crestLine(bay string, m float64) string {
	return siteLine("bay %s: overflow: { crest: %s }", bay, h.site.Display.Depth(m))
}

// up and down round to what is shown of a depth, so that a limit says no more than is known.
func (h *house) up(m float64) site.Depth {
	step := h.site.Display.DepthStep()
	return site.Depth(math.Ceil(m/step) * step)
}

func (h *house) down(m float64) site.Depth {
	step := h.site.Display.DepthStep()
	return site.Depth(math.Floor(m/step) * step)
}

func (h *house) crestWords(b *site.Bay) string {
	if !site.Known(b.CrestM) {
		return h.say("nothing of it")
	}
	return h.say("%s", site.Depth(b.CrestM))
}
