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
	// Falling is since when the air has cooled without a break, ms; 0 while it does not.
	Falling int64
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
// leads there within six hours. A clear night's air cools with the root of the time since it
// began to (Brunt 1932, the law every frost forecast starts from), so a fall that is fast now
// slows down; and it stops short of the dew point.
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
	if st.T <= frostC+0.5 {
		n.Confidence, n.ToSoft = 0.95, 0
		n.Because = fmt.Sprintf("The air is at %.1f degrees C: chambers and pipes with water in them will freeze.", st.T)
	} else {
		n.ToSoft = left(st.freezesIn(now) * 3600)
		n.Because = fmt.Sprintf("The air is at %.1f degrees C and has fallen for %s, now by %.1f an hour: at that it is at %.1f within six hours, and chambers and pipes with water in them will freeze.",
			st.T, lasted(now-st.Falling), st.Fall, st.ahead(now))
	}
	w.say(n)
}

// air takes the temperature of the last minutes.
func (w *Watch) air(t float64, now int64) {
	st := &w.st.Frost
	if st.At == 0 || now-st.At > 2*hour {
		st.T, st.Fall, st.Falling = t, 0, 0
	} else {
		h := float64(now-st.At) / float64(hour)
		was := st.T
		st.T += (t - st.T) * min(1, h/0.5)
		st.Fall += ((was-st.T)/h - st.Fall) * min(1, h/3)
	}
	st.At = now
	switch {
	case st.Fall < 0.1:
		st.Falling = 0
	case st.Falling == 0:
		st.Falling = now - hour // a mean over three hours shows a fall an hour late
	}
	ahead := st.ahead(now)
	switch {
	case st.T <= frostC+0.5 || st.T < 5 && ahead <= frostC-0.5:
		if !st.Risk {
			st.Risk, st.Since = true, now
		}
	case st.T > frostC+2 && ahead > frostC+1:
		st.Risk = false
	}
}

// ahead is the lowest the air can be expected to be within frostAhead, degC.
func (s *frostState) ahead(now int64) float64 {
	if s.Falling == 0 {
		return s.T
	}
	x, h := max(1, float64(now-s.Falling)/float64(hour)), float64(frostAhead)/float64(hour)
	low := s.T - 2*s.Fall*x*(math.Sqrt((x+h)/x)-1)
	if dew := s.dewC(now); !math.IsNaN(dew) {
		low = max(low, min(s.T, dew-underDew))
	}
	return low
}

// freezesIn is when the fall reaches freezing, in hours; NaN when it does not.
func (s *frostState) freezesIn(now int64) float64 {
	if s.Falling == 0 || !(s.Fall > 0) {
		return math.NaN()
	}
	x := max(1, float64(now-s.Falling)/float64(hour))
	r := 1 + (s.T-frostC)/(2*s.Fall*x)
	return x * (r*r - 1)
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
