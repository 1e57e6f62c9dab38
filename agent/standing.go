package agent

import (
	"time"

	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/agent/water"
)

// watchStanding is what the status topic tells of the watch. It may be called from any goroutine.
func (a *Agent) watchStanding() site.Standing {
	if v := a.View(); v != nil {
		return a.standingOf(v)
	}
	return site.Standing{}
}

// standingOf is how the watch stands, for the status topic and for /metrics.
func (a *Agent) standingOf(v *page.View) site.Standing {
	c := a.Counters()
	w := site.Standing{DataTime: site.Stamp{Time: v.Time}, LastReading: site.Stamp{Time: v.Watch.LastReading},
		ClockSure: v.Watch.ClockSure, JournalOK: v.Watch.Journal.OK, SiteFileRefused: a.reloadFailed.Load(), SeasonClosed: v.Closed,
		Samples: c.Samples, Bad: c.Bad, Unjournaled: c.Unjournaled}
	for _, x := range v.Work {
		w.Work = append(w.Work, site.WorkState{Bay: x.Bay, Until: site.Stamp{Time: x.Until}})
	}
	links, devices := a.parts.Load().driver.Stats()
	for _, l := range links {
		w.Links = append(w.Links, site.LinkState{Link: l.Link, Up: l.Up && l.OtherMaster == "", OtherMaster: l.OtherMaster != ""})
	}
	for _, d := range devices {
		u := site.UnitState{Link: d.Link, Unit: d.Device, Up: d.Up, Requests: d.Requests, Timeouts: d.Timeouts,
			BadFrames: d.BadFrames, Exceptions: d.Exceptions, Missed: d.Missed}
		if d.ReplyP50 > 0 { // it has answered
			u.ReplyMS = map[string]float64{"50": milliseconds(d.ReplyP50), "90": milliseconds(d.ReplyP90), "99": milliseconds(d.ReplyP99)}
		}
		w.Units = append(w.Units, u)
	}
	for _, k := range v.Watch.Sinks {
		w.Sinks = append(w.Sinks, site.SinkState{Sink: k.ID, Up: k.Up, Behind: k.Behind, LagS: k.Lag.Seconds()})
	}
	for i := range v.Bays {
		b := &v.Bays[i]
		n := site.BayAccounts{Bay: b.Bay, Settled: b.Settled, CrestMM: site.Num(v.Site.Bay(b.Bay).CrestM * 1000), Today: wireTerms(b.Today)}
		if last := len(b.Days); last > 0 {
			n.Yesterday = wireTerms(b.Days[last-1])
		}
		w.Accounts = append(w.Accounts, n)
	}
	return w
}

func milliseconds(d time.Duration) float64 { return d.Seconds() * 1000 }

func wireTerms(a water.Account) (out []site.Term) {
	for _, t := range termsOf(a) {
		if site.Known(t.m3) {
			out = append(out, site.Term{Term: t.name, L: t.m3 * 1000, UL: site.Num(t.u * 1000)})
		}
	}
	return out
}

// term is one term of an account with its expanded uncertainty; NaN is not known.
type term struct {
	name  string
	m3, u float64
}

// termsOf are the terms that can be told: none of an account that has not begun, and nothing
// unexplained while the overflow, which is not metered, has run.
func termsOf(a water.Account) []term {
	if a.From.IsZero() {
		return nil
	}
	list := []term{
		{"metered", a.MeteredM3, a.MeteredU}, {"by_hand", a.ByHandM3, a.ByHandU}, {"rain", a.RainM3, a.RainU},
		{"evaporated", a.EvaporatedM3, a.EvaporatedU}, {"overflow", a.OverflowM3, a.OverflowU}, {"held", a.HeldM3, a.HeldU},
	}
	if !a.OverflowRan {
		list = append(list, term{"unexplained", a.UnexplainedM3, a.UnexplainedU})
	}
	return list
}
