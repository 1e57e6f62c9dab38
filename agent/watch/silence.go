package watch

import (
	"slices"
	"strings"
	"time"

	"bayledger/agent/site"
)

// feed is one point as the watch hears it.
type feed struct {
	p   *site.Point
	bay int // -1 for the site
	st  feedState
}

type feedState struct {
	At     int64 // last sample of any quality
	Good   int64 // last good one
	Why    site.Why
	First  int64
	Every  float64 // ms between samples, as they come
	Back   int64   // first good one after it had been silent
	Silent bool
}

func (f *feed) heard(t int64, good bool, why site.Why) {
	if f.st.First == 0 {
		f.st.First = t
	} else if gap := float64(t - f.st.At); gap > f.st.Every {
		f.st.Every = min(gap, float64(10*minute))
	} else {
		f.st.Every += (gap - f.st.Every) / 20
	}
	f.st.At = t
	if good {
		if gap := t - f.lastGood(0); gap > leastPatience && gap > f.patience() {
			f.st.Back = t
		}
		f.st.Good, f.st.Why = t, ""
		return
	}
	f.st.Why = why
}

// patience is how long a point may be without a good reading: three of the intervals at which it
// is read or, where that is longer, at which it has been heard; two minutes at least where the
// driver says that it does not answer, and thirty where nothing is said (a recorder left out some
// samples).
func (f *feed) patience() int64 {
	p := 3 * max(int64(f.p.Interval/time.Millisecond), int64(f.st.Every))
	if f.st.Why == site.WhyNoReading || f.st.Why == "" {
		return max(p, 30*minute)
	}
	return max(p, leastPatience)
}

// leastPatience is the least that patience gives.
const leastPatience = 2 * minute

// sensorsWord is true for reasons that speak of the sensor and not of the way to it.
func sensorsWord(y site.Why) bool {
	switch y {
	case site.WhyLoopFault, site.WhyOutOfRange, site.WhySentinel, site.WhyNotFinite:
		return true
	}
	return false
}

// unitsWord is true for reasons that speak of the whole unit, or of the way to it.
func unitsWord(y site.Why) bool {
	switch y {
	case site.WhyTimeout, site.WhyGaveUp, site.WhyLinkDown, site.WhyOtherMaster, site.WhyListening:
		return true
	}
	return false
}

// silence finds the points and units that no longer say anything. A unit all of whose points are
// silent is one finding, not one for each; so is one that is said to be silent while points that
// are seldom read have not had their turn to say so, or have it still to come after its return.
// Otherwise a unit that dies would be told point by point, by how often each is read. That a line is down is told by whoever drives it, and
// explains the silence of what is read through it.
func (w *Watch) silence(now int64) {
	type group struct {
		silent, all int
		since       int64
		why         site.Why
		points      []string
		bays        []string
		whole       bool  // every silent point's reason speaks of the unit
		failed      int64 // when the first of the silent points should have been read again
		heard, back int64 // newest good reading of the others, and first one after a silence
	}
	dead := func(g *group) bool {
		return g.all > 1 && (g.silent == g.all || g.silent > 0 && g.whole && g.heard < g.failed)
	}
	any := false
	for i := range w.feeds {
		f := &w.feeds[i]
		last := f.st.Good
		if last == 0 {
			last = max(f.st.First, w.st.Started)
		}
		// Silence while nobody watched is not the point's.
		gap := now - max(last, w.st.Resumed)
		f.st.Silent = gap > leastPatience && gap > f.patience()
		any = any || f.st.Silent
	}
	if !any {
		return
	}
	units := map[string]*group{}
	for i := range w.feeds {
		f := &w.feeds[i]
		name := f.unit()
		g := units[name]
		if g == nil {
			g = &group{since: now, whole: true, failed: now}
			units[name] = g
		}
		g.all++
		g.points = append(g.points, f.p.ID)
		if f.p.Bay != "" && !slices.Contains(g.bays, f.p.Bay) {
			g.bays = append(g.bays, f.p.Bay)
		}
		if !f.st.Silent {
			g.heard, g.back = max(g.heard, f.st.Good), max(g.back, f.st.Back)
			continue
		}
		g.silent++
		g.since = min(g.since, f.lastGood(w.st.Started))
		g.why = f.st.Why
		g.whole = g.whole && unitsWord(f.st.Why)
		g.failed = min(g.failed, f.lastGood(w.st.Started)+int64(f.p.Interval/time.Millisecond))
	}
	for i := range w.feeds {
		f := &w.feeds[i]
		if !f.st.Silent {
			continue
		}
		if g := units[f.unit()]; dead(g) || g.back > 0 && now-g.back <= f.patience() && unitsWord(f.st.Why) {
			continue
		}
		if f.p.Quantity == site.Level && sensorsWord(f.st.Why) {
			continue // the sensor itself says it has failed: a level-sensor-fault
		}
		since := f.lastGood(w.st.Started)
		n := site.NewFinding(site.NoData, f.p.Bay, f.p.ID, at(since))
		n.Because = site.Say("No good reading of %s for %s.", f.p.ID, lasted(now-since))
		if f.st.Why != "" {
			n.Because = site.Say("No good reading of %s for %s (%s).", f.p.ID, lasted(now-since), f.st.Why)
		}
		w.say(n)
	}
	var names []string
	for d, g := range units {
		if dead(g) {
			names = append(names, d)
		}
	}
	slices.Sort(names)
	for _, d := range names {
		g := units[d]
		bay := ""
		if len(g.bays) == 1 {
			bay = g.bays[0]
		}
		n := site.NewFinding(site.NoData, bay, d, at(g.since))
		if len(g.bays) > 1 {
			n.Bays = g.bays
		}
		points := strings.Join(g.points, ", ")
		n.Because = site.Say("Nothing good from %s for %s; it carries %s.", d, lasted(now-g.since), points)
		if g.why != "" {
			n.Because = site.Say("Nothing good from %s for %s (%s); it carries %s.", d, lasted(now-g.since), g.why, points)
		}
		w.say(n)
	}
}

func (f *feed) lastGood(started int64) int64 {
	if f.st.Good > 0 {
		return f.st.Good
	}
	return max(f.st.First, started)
}

// unit names what a point is read through: its device or, in recorded data, its bay or the site.
func (f *feed) unit() string {
	switch {
	case f.p.Device != "":
		return f.p.Device
	case f.p.Bay != "":
		return f.p.Bay
	}
	return "site"
}

// lasted is a time in milliseconds as a phrase takes it.
func lasted(ms int64) site.Lasted { return site.Lasted(time.Duration(ms) * time.Millisecond) }
