package procedure

import (
	"time"
)

func needsIsolation(h *house) string {
	if h.site.Isolation == nil || !h.site.Isolation.Enabled {
		return h.say("the site file enables no isolation valve")
	}
	if h.meterOf("") == nil {
		return h.say("without a main meter nobody could see that the valve shuts")
	}
	return ""
}

// isolationProof has the daemon shut the main once, with a person beside it, and sees that the
// water stops. Without it the daemon never shuts it.
func isolationProof(h *house, r *run) []step {
	if needsIsolation(h) != "" {
		return []step{{id: "none", title: "No isolation valve", ask: confirm("Read")}}
	}
	i := h.site.Isolation
	return []step{
		{id: "master", title: "One master", expect: 3 * time.Minute, caution: []string{cautionMains, cautionCodes}, must: true,
			do: []string{
				h.say("Make sure that device %s drives the main valve by its coil %d, and that no other controller writes to it.", i.Device, i.Address),
				"Make sure that no fire line and no drinking water hangs on this main.",
				"Stand somebody beside the valve who can open it by hand.",
			},
			ask: confirm("It is so")},
		{id: "running", title: "Let water run", expect: 3 * time.Minute, caution: []string{cautionPressure},
			do: []string{"Open one bay's valve.", "Leave it open."}, judge: (*look).mainRuns},
		{id: "order", title: "Shut the main", expect: time.Minute, must: true, caution: []string{cautionPressure},
			do: []string{"Stand clear of the valve.", "Listen to the pipe: it must not bang.", "Say so, and the daemon shuts it, once."}, ask: confirm("Shut it now")},
		{id: "seen", title: "The water stops", expect: 5*time.Minute + i.Travel, must: true,
			do: []string{"Wait. The main meter must stop."}, judge: (*look).mainStops},
		{id: "reopen", title: "Open it again by hand", expect: 2 * time.Minute, caution: []string{cautionPressure},
			do: []string{"Open the main by hand, slowly. The daemon never opens it.", "Wait until the main meter moves. Then shut the bay's valve."}, judge: (*look).mainRuns,
			ask: confirm("It is open, and the pipe did not bang")},
	}
}

// mainRuns judges that water runs through the main.
func (l *look) mainRuns() Verdict {
	v := l.watching("wait", "Waiting for the main meter to move.")
	if l.moved("") {
		v = l.passed("The main meter moves.")
	}
	v.Lines = l.lines()
	return v
}

// mainStops judges that the main meter stops within the valve's travel and what its counts need.
func (l *look) mainStops() Verdict {
	travel := l.site.Isolation.Travel
	need := l.patience("") + 30*time.Second
	r := l.trace(l.meterOf(""))
	// What came before the valve can have shut says nothing.
	shut := l.since.Add(travel + need)
	var v Verdict
	switch {
	case r == nil || r.LastT == 0:
		v = l.watching("", "Waiting for the main meter.")
		if l.elapsed() > travel+5*time.Minute {
			v = l.failed("The main meter gives no reading.")
		}
	case l.now.Before(shut):
		v = l.watching("", "Watching the main meter for another %s.", Span(shut.Sub(l.now)))
	case l.quietFor("") < need && l.elapsed() < travel+4*need:
		v = l.watching("", "The main meter still moves.")
	case l.quietFor("") < need:
		v = l.failed("The main meter still moves %s after the order: the valve did not shut. It stays disabled.", Span(l.elapsed()))
	case time.UnixMilli(r.MoveLast).Add(l.mainRoom()).Before(l.since.Add(travel / 2)):
		v = l.failed("The main meter stopped within %s, and the site file says that the valve travels for %s: one that shuts faster makes the pipe hammer. Fit an actuator that shuts slowly; a coil cannot slow it.",
			Span(max(time.Second, time.UnixMilli(r.MoveLast).Add(l.mainRoom()).Sub(l.since))), Span(travel))
	default:
		v = l.passed("The main meter stopped.")
	}
	v.Lines = l.lines()
	return v
}

// mainRoom is by how much later than it was seen the main may have moved last: a reading, and what
// two counts take at a usual fill.
func (l *look) mainRoom() time.Duration {
	p := l.meterOf("")
	return p.Interval + time.Duration(2*pulse(p)/l.fillM3S(l.bayIDs()[0])*float64(time.Second))
}
