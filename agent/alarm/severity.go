package alarm

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// GoneM3 is the loss before people next look that makes an alarm urgent.
const GoneM3 = 0.5

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
// surface would go soft or turn to dust, GoneM3 of water would be gone, or a pipe would freeze.
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
		if soon {
			return site.Urgent
		}
	}
	return site.Warning
}

func (d *Desk) severity(f site.Finding, t time.Time) site.Severity { return Severity(d.site, f, t) }

// weigh returns the severity of an entry at t. Within one life it only rises: an alarm that was
// urgent once stays so until it is over, for somebody was woken by it.
func (d *Desk) weigh(e *entry, p *part, t time.Time) site.Severity {
	s := d.severity(p.merged, t)
	for _, other := range []site.Severity{p.least, e.level} {
		if gravity(other) > gravity(s) {
			s = other
		}
	}
	return s
}
