package watch

import (
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// vagueM is the uncertainty of a level beyond which its figure tells a person nothing, m.
const vagueM = 0.020

// Explain says, line by line, what the watch knows of a bay at the last tick: the
// evidence behind what holds, or why nothing does. ok is false for a bay the site does not have.
func (w *Watch) Explain(id string) (lines []site.Phrase, ok bool) {
	var y *bay
	for _, b := range w.bays {
		if b.b.ID == id {
			y = b
		}
	}
	if y == nil {
		return nil, false
	}
	say := func(words string, with ...any) { lines = append(lines, site.Say(words, with...)) }
	n, _ := w.l.Now(id)
	le := n.Learned
	doing := map[water.Doing]site.Phrase{water.Filling: site.Say("filling"), water.Settling: site.Say("settling"), water.Settled: site.Say("settled")}
	learning := site.Say("held")
	if le.Learning {
		learning = site.Say("goes on")
	}
	say("Bay %s at %s.", y.name(), at(w.st.Now).In(w.s.Zone).Format("2006-01-02 15:04:05 MST"))
	itself := site.Say("the bay itself %s ± %s", site.Depth(n.BayLevelM), site.Depth(n.BayLevelU))
	if !(n.BayLevelU < vagueM) {
		itself = site.Say("the bay's own level not known well enough yet")
	}
	say("Level %s (%s, %s), set point %s, flow %s.", site.Depth(n.LevelM), itself, doing[n.Doing], site.Depth(n.SetPointM), site.Rate(n.FlowM3S))
	say("Learned: storage %.2f ± %.2f of nominal, evaporation factor %.2f ± %.2f, constant loss %s ± %s, settling %s, learning %s.",
		le.Scale.Value, le.Scale.U, le.Factor.Value, le.Factor.U, site.Rate(le.ConstantM3S.Value), site.Rate(le.ConstantM3S.U), lasted(int64(le.SettleS*1000)), learning)
	if !le.OldLeakExcluded {
		say("A leak older than the watch cannot be excluded yet: the constant loss is known to %s, %s is asked for.", site.Rate(le.ConstantM3S.U), site.Rate(5e-3/3600))
	}
	if le.WhiteDays > 0 {
		say("Second opinion, by level and meter alone (White 1932), still nights %d: evaporation factor %.2f ± %.2f; in the last the level %s by %s (± %s) a day.",
			le.WhiteDays, le.White.Value, le.White.U, oneWay(le.NightRise.Value, site.Say("rose"), site.Say("fell")), site.Close(24*math.Abs(le.NightRise.Value)), site.Close(24*le.NightRise.U))
	}
	held := 0
	for _, f := range w.out {
		if f.Bay == id || f.Bay == "" {
			held++
			say("Holds: %s, confidence %.2f. %s", f.Kind, f.Confidence, f.Because)
			if f.OrKind != "" {
				say("Or %s. %s", f.OrKind, f.WouldDecide)
			}
		}
	}
	if held == 0 {
		say("Nothing holds.")
	}
	s := &y.st.Bank
	known := leastKnown + w.l.Known()
	if len(s.Onsets) == 0 {
		say("No balance of a day or a night has closed yet to judge a slow loss or gain by; a large loss is judged by the hour.")
	}
	for _, sign := range [2]float64{1, -1} {
		if len(s.Onsets) == 0 {
			break
		}
		what := site.Say("loss")
		if sign < 0 {
			what = site.Say("gain without metered water")
		}
		o, llr := likeliest(s.Onsets, tRate, 0, sign)
		if o == nil {
			say("No sign of a %s.", what)
			continue
		}
		size, u, _ := o.Sig[tRate].Best()
		jump, et := w.harmless(y, s.Onsets)
		say("Likeliest %s: %s ± %s since %s; log-likelihood %.1f against none, %.1f for a single jump, %.1f for the weather; the test stands at %.1f and raises at %.1f (%.1f for what may page).",
			what, site.Rate(math.Abs(size)/3.6e6), site.Rate(2*u/3.6e6), w.when(o.From), llr, jump, et, sum(s.Onsets, tRate, sign, sizes[:], known), w.budget.morning, w.budget.page)
	}
	_, besides := w.besideWide(y)
	for _, way := range [2]float64{1, -1} {
		if i, trouble, says := y.st.Beside.likeliest(way, besides); i >= 0 {
			o := &y.st.Beside.Onsets[i]
			share, u := y.st.Beside.share(o.sig(trouble, y.st.Beside.Wide), trouble)
			say("Beside the other bays' days: likeliest %.0f %% (± %.0f %%) %s a day since %s; the test stands at %.1f and raises at %.1f.",
				100*math.Abs(share), 200*u, moreOrLess(way), w.when(o.From), says, w.budget.daily)
		}
	}
	if c := &y.st.Crest; s.Open == site.Leak && c.GoesOn {
		say("The loss went on as the water sank, so it is not the overflow's.")
	} else if s.Open == site.Leak && math.IsNaN(c.LipM) {
		say("Whether the loss ends as the water sinks, as an overflow's would, has not shown itself yet.")
	}
	if f, ok := w.lastHours(y); ok {
		litres := func(l float64) site.Water { return site.Water(math.Abs(l) / 1000) }
		say("The last %s: %s let in; the bay holds %s %s, so %s %s; its habit asks for a loss of %s; %s (± %s) %s.",
			lasted(f.To-f.From), litres(f.Metered), litres(f.Held), oneWay(f.Held, site.Say("more"), site.Say("less")), litres(f.Loss), oneWay(f.Loss, site.Say("left it"), site.Say("came in besides")),
			site.Water(f.Expected/1000), litres(f.Nu), litres(2*math.Sqrt(f.S)), oneWay(f.Nu, site.Say("are missing"), site.Say("are there that nothing explains")))
	}
	v := &y.st.Valve
	k := &y.look
	switch {
	case v.Open:
		say("The valve rule holds since %s.", w.when(v.Since))
	case !math.IsNaN(v.Base):
		say("Since the valve shut %s have been counted; two pulses are %s.", site.Water(k.TotalM3-v.Base), site.Water(2*k.PulseM3))
	case v.Asked > 0:
		say("The bay has asked for water since %s and been free to get it for %s.", w.when(v.Asked), lasted(v.AskFor.Milliseconds()))
	}
	return lines, true
}

// oneWay are the words for a figure that is told without its sign.
func oneWay(x float64, up, down site.Phrase) site.Phrase {
	if x < 0 {
		return down
	}
	return up
}
