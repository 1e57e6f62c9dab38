package alarm

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// GoneM3 is the loss before people next look that makes an alarm urgent.
const GoneM3 = 0.5

// frostSure is how likely a frost must be to wake somebody. A weak one seldom does harm and the trend
// firms up by the hour; what is likely enough to be told but not that likely waits, and grows.
const frostSure = 0.95

// frostTold is how likely a frost must be to be more than a note.
const frostTold = 0.75

// attendedLook is how soon somebody looks inside the attended part of the day.
const attendedLook = time.Hour

// gravity orders severities; an empty one is below all.
func gravity(s site.Severity) int {
	switch s {
	case site.Urgent:
		return 3
	case site.Warning:
		return 2
	case site.Info:
		return 1
	}
	return 0
}

// NextLook returns how long it is from t until somebody looks of their own accord: inside the
// site's attended hours one hour, outside them until they begin.
func NextLook(s *site.Site, t time.Time) time.Duration {
	if s.Attended.Contains(t, s.Zone) {
		return attendedLook
	}
	return s.Attended.Next(t, s.Zone).Sub(t)
}

// Severity of a finding at t is its consequence weighed against the time to respond (design of
// ANSI/ISA-18.2 clause 8): urgent only if, before people next look, the overflow would run, the
// surface would go soft or turn to dust, GoneM3 of water would be gone, or a pipe would freeze. A
// night that may freeze, nobody knows when, is information.
func Severity(s *site.Site, f site.Finding, t time.Time) site.Severity {
	row := info(f.Kind)
	look := NextLook(s, t)
	soon := min(f.ToCrest, f.ToSoft) < look
	switch row.Severity {
	case site.LogOnly:
		return site.Info
	case site.ByWater:
		if soon || (known(f.RateM3S) && math.Abs(f.RateM3S)*look.Seconds() >= GoneM3) {
			return site.Urgent
		}
	case site.ByFrost:
		switch {
		case soon && !(f.Confidence < frostSure):
			return site.Urgent
		case f.Confidence < frostTold || f.ToCrest == site.NoTimeLeft && f.ToSoft == site.NoTimeLeft:
			return site.Info
		}
	}
	return site.Warning
}

func (d *Desk) severity(f site.Finding, t time.Time) site.Severity { return Severity(d.site, f, t) }

// weigh returns the severity of an entry at t. Within one life it only rises: an alarm that was
// urgent once stays so until it is over, for somebody was woken by it. Once answered it rises only
// if it has become worse than what was answered: that the last one goes home does not ask again
// who has said that he knows.
func (d *Desk) weigh(e *entry, p *part, t time.Time) site.Severity {
	s := d.severity(p.merged, t)
	for _, other := range []site.Severity{p.least, e.level} {
		if gravity(other) > gravity(s) {
			s = other
		}
	}
	if e.open && e.acked && gravity(s) > gravity(e.level) && !worse(e.answered, p.merged, t) {
		return e.level
	}
	return s
}

// worse reports whether a finding at t is worse than what was answered had foreseen: half as fast
// again, GoneM3 more than that rate makes, a limit nearer by more than a quarter of the time that was
// left, a number that was not known, or a limit that was still ahead and is reached, which the answer
// should have kept from coming.
func worse(answered site.Event, f site.Finding, t time.Time) bool {
	since := t.Sub(answered.Time.Time)
	if known(f.RateM3S) && (answered.RateLPH == nil || math.Abs(f.RateM3S)*3.6e6 >= 1.5*math.Abs(*answered.RateLPH)) {
		return true
	}
	if known(f.VolumeM3) {
		foreseen := 0.0
		if answered.Litres != nil {
			foreseen = math.Abs(*answered.Litres) / 1000
		}
		if answered.RateLPH != nil {
			foreseen += math.Abs(*answered.RateLPH) / 1000 * since.Hours()
		}
		if math.Abs(f.VolumeM3)-foreseen >= GoneM3 {
			return true
		}
	}
	for _, limit := range []struct {
		was *float64
		is  time.Duration
	}{{answered.ToCrestS, f.ToCrest}, {answered.ToSoftS, f.ToSoft}} {
		if limit.is == site.NoTimeLeft {
			continue
		}
		if limit.was == nil {
			return true
		}
		was := duration(*limit.was)
		if was-since-limit.is > was/4 || limit.is < time.Minute && was >= time.Minute {
			return true
		}
	}
	return false
}
