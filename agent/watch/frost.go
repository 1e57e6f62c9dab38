package watch

import (
	"fmt"
	"math"

	"bayledger/agent/site"
)

// frostState is what the frost rule remembers.
type frostState struct {
	Risk  bool
	Since int64
	T     float64 // degC, smoothed over half an hour
	Fall  float64 // K/h, smoothed over three hours
	At    int64
	RH    float64 // relative humidity read last, 0 to 1
	RHAt  int64
	// Dark is true at night; Sunset and Sunrise are when it last began and ended, ms, 0 never.
	Dark            bool
	Sunset, Sunrise int64
}

const (
	// frostAhead is how far ahead frost is foretold: a person can still drain a line by daylight
	// or cover it before the night.
	frostAhead = 6 * hour
	// frostC is the air temperature in the weather screen at which thin pipes and the chamber's
	// neck begin to freeze. On a clear night the ground is two or three degrees colder than the
	// air in the screen, and water and soil hold warmth for hours after the air has reached
	// freezing: the two are taken to cancel.
	frostC = 0.0
	// underDew is how far below the dew point of the evening a night's air can fall: what
	// condenses gives its warmth back.
	underDew = 2.0
)

// frost foretells that standing water will freeze: the air is at the freezing point, or its fall
// leads there within six hours. At night the air falls towards its lowest like an exponential of
// the night's length (Parton and Logan 1981, Agricultural Meteorology 23:205), so the fall that
// is measured says what is left of it; and it stops at sunrise, and short of the dew point.
func (w *Watch) frost(now int64) {
	st := &w.st.Frost
	if t := w.l.TempC(); !math.IsNaN(t) && now-st.At >= 5*minute {
		w.air(t, now)
	}
	if !st.Risk {
		return
	}
	n := site.NewFinding(site.FreezeRisk, "", "", at(st.Since))
	n.Confidence = 0.8
	switch {
	case st.T <= frostC+0.5:
		n.Confidence, n.ToSoft = 0.95, 0
		n.Because = fmt.Sprintf("The air is at %.1f degrees C: chambers and pipes with water in them will freeze.", st.T)
	default:
		n.ToSoft = left(st.freezesIn() * 3600)
		n.Because = fmt.Sprintf("The air is at %.1f degrees C and falls by %.1f an hour: it can be expected to reach %.1f, and chambers and pipes with water in them will freeze.",
			st.T, max(0, st.Fall), st.lowest(now))
	}
	w.say(n)
}

// air takes the temperature of the last minutes.
func (w *Watch) air(t float64, now int64) {
	st := &w.st.Frost
	if st.At == 0 || now-st.At > 2*hour {
		st.T, st.Fall = t, 0
	} else {
		h := float64(now-st.At) / float64(hour)
		was := st.T
		st.T += (t - st.T) * min(1, h/0.5)
		st.Fall += ((was-st.T)/h - st.Fall) * min(1, h/2)
	}
	st.At = now
	switch dark := !w.l.Day(); {
	case dark && !st.Dark:
		st.Dark, st.Sunset = true, now
	case !dark && st.Dark:
		st.Dark, st.Sunrise = false, now
	}
	low := st.lowest(now)
	switch {
	case st.T <= frostC+0.5 || st.T < 5 && low <= frostC-0.5:
		if !st.Risk {
			st.Risk, st.Since = true, now
		}
	case st.T > frostC+2 && low > frostC+1:
		st.Risk = false
	}
}

// nightFall is the coefficient of Parton and Logan's night for the air at 1.5 m.
const nightFall = 2.2

// night is the length of the night, in hours: that of the last one, or ten.
func (s *frostState) night() float64 {
	if s.Sunset > 0 && s.Sunrise > s.Sunset {
		return min(20, max(2, float64(s.Sunrise-s.Sunset)/float64(hour)))
	}
	return 10
}

// lowest is the lowest the air can be expected to be within frostAhead, degC.
func (s *frostState) lowest(now int64) float64 {
	h := frostAhead
	if s.Dark && s.Sunrise > 0 {
		h = min(h, max(0, s.Sunrise+day-now))
	}
	z := s.night()
	low := s.T - max(0, s.Fall)*z/nightFall*(1-math.Exp(-nightFall*float64(h)/float64(hour)/z))
	if dew := s.dewC(now); !math.IsNaN(dew) {
		low = max(low, min(s.T, dew-underDew))
	}
	return low
}

// freezesIn is when the fall reaches freezing, in hours; NaN when it does not.
func (s *frostState) freezesIn() float64 {
	z := s.night()
	return -z / nightFall * math.Log(1-(s.T-frostC)*nightFall/(max(0, s.Fall)*z))
}

// dewC is the dew point, degC, by the Magnus formula of FAO-56 (equation 11 solved for the
// temperature); NaN without a humidity of the last hour.
func (s *frostState) dewC(now int64) float64 {
	if s.RHAt == 0 || now-s.RHAt > hour || !(s.RH > 0) {
		return math.NaN()
	}
	g := math.Log(min(1, s.RH)) + 17.27*s.T/(s.T+237.3)
	return 237.3 * g / (17.27 - g)
}
