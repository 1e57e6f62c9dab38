package procedure

import (
	"fmt"
	"time"
)

func needsIsolation(h *house) string {
	if h.site.Isolation == nil || !h.site.Isolation.Enabled {
		return "the site file enables no isolation valve"
	}
	if h.meterOf("") == nil {
		return "without a main meter nobody could see that the valve shuts"
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
				fmt.Sprintf("Device %s drives the main valve by its coil %d, and no other controller writes to it.", i.Device, i.Address),
				"The valve can be opened by hand, and somebody who can do so stands beside it. No fire line or drinking water hangs on this main.",
			},
			ask: confirm("It is so")},
		{id: "running", title: "Let water run", expect: 3 * time.Minute, caution: []string{cautionPressure},
			do: []string{"Open one bay's valve and leave it open."}, judge: (*look).mainRuns},
		{id: "order", title: "Shut the main", expect: time.Minute, must: true, caution: []string{cautionPressure},
			do: []string{"Stand clear of the valve. When you say so the daemon shuts it, once."}, ask: confirm("Shut it now")},
		{id: "seen", title: "The water stops", expect: 5*time.Minute + i.Travel, must: true,
			do: []string{"Nothing: the main meter must stop."}, judge: (*look).mainStops},
		{id: "reopen", title: "Open it again by hand", expect: 2 * time.Minute,
			do: []string{"Open the main by hand and shut the bay's valve. The daemon never opens it."}, ask: confirm("It is open")},
	}
}

// mainRuns judges that water runs through the main.
func (l *look) mainRuns() Verdict {
	v := watching("wait", "Waiting for the main meter to move.")
	if l.moved("") {
		v = passed("The main meter moves.")
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
		v = watching("", "Waiting for the main meter.")
		if l.elapsed() > travel+5*time.Minute {
			v = failed("The main meter gives no reading.")
		}
	case l.now.Before(shut):
		v = watching("", "Watching the main meter for another %s.", span(shut.Sub(l.now)))
	case l.quietFor("") < need && l.elapsed() < travel+4*need:
		v = watching("", "The main meter still moves.")
	case l.quietFor("") < need:
		v = failed("The main meter still moves %s after the order: the valve did not shut. It stays disabled.", span(l.elapsed()))
	default:
		v = passed("The main meter stopped.")
	}
	v.Lines = l.lines()
	return v
}
