package watch

import (
	"math"

	"bayledger/agent/site"
)

// frostState is what the frost rule remembers.
type frostState struct {
	Risk  bool
	Since int64
	T     float64 // degC, and
	Fall  float64 // K/h: level and slope of the air, smoothed with airTau
	At    int64
	RH    float64 // relative humidity read last, 0 to 1
	RHAt  int64
	Wind  float64 // m/s, smoothed over half an hour
	WndAt int64
	// Dark is true at night; Sunset and Sunrise are when it last began and ended, ms, 0 never.
	// DuskC is the air at that sunset.
	Dark            bool
	Sunset, Sunrise int64
	DuskC           float64
	// LowC and LowAt are the lowest of the night under way and when it was, Lows how long after
	// sunset that of the last two nights came, ms.
	LowC  float64
	LowAt int64
	Lows  [2]int64
}

const (
	// frostAhead is how far ahead frost is foretold: a person can still drain a line by daylight
	// or cover it before the night.
	frostAhead = 6 * hour
	// frostC is the temperature at which water freezes, groundC by how much the ground and what
	// stands on it are colder than the air in a weather screen on a clear calm night. Grass is two to
	// five degrees colder then; stone and clay hold more warmth and stay at the lower end.
	frostC  = 0.0
	groundC = 2.0
	// mixedMS is the wind, m/s, that mixes the air: the ground is then no colder than the screen
	// (radiation frosts come with less than 2 m/s; FAO Environment and Natural Resources 10, 2005).
	mixedMS = 3.0
	// A trend knows the lowest to come to half a degree and, under a sky that changes, to three tenths of
	// what is still to fall; on the handbook's ten clear nights it is 0.7 degrees beside their own
	// regression with seven to fall. How much colder the ground is, is known to half of it.
	trendC, trendShare, groundShare = 0.5, 0.3, 0.5
	// told is the probability from which frost is foretold; the message has it, and the desk asks for
	// more before it wakes somebody.
	told = 0.75
	// underDew is how far below the dew point of the evening a night's air can fall: what
	// condenses gives its warmth back, and the dew point falls with it.
	underDew = 4.0
)

// frost foretells that standing water will freeze: the air is at the freezing point, or its fall
// leads there, or to where the ground freezes, within six hours, more likely than not by a good deal.
// The fall stops at sunrise, or when it stopped in the last two nights, and short of the dew point.
// Where nothing holds water there is nothing to freeze.
func (w *Watch) frost(now int64) {
	st := &w.st.Frost
	if t := w.l.TempC(); !math.IsNaN(t) && now-st.At >= 5*minute {
		w.air(t, now)
	}
	if !st.Risk {
		return
	}
	what := w.wet(now)
	if what.Words == "" {
		return
	}
	n := site.NewFinding(site.FreezeRisk, "", "", at(st.Since))
	n.Confidence = st.likely(now)
	var ground site.Phrase
	if g := st.ground(now); g >= 0.5 {
		ground = site.Say(", the ground on a clear night like this %.0f degrees lower", g)
	}
	switch {
	case st.T <= st.freezes(now):
		n.ToSoft = 0
		n.Because = site.Say("The air is at %.1f degrees C%s: %s will freeze.", st.T, ground, what)
	default:
		n.ToSoft = left(st.freezesIn(now) * 3600)
		n.Because = site.Say("The air is at %.1f degrees C and falls by %.1f an hour: it can be expected to reach %.1f%s, and %s will freeze.",
			st.T, st.fall(), st.lowest(now), ground, what)
	}
	w.say(n)
}

// wet names what holds water: everything while the season is open; once it is closed, and so
// drained, what a reading of the last hour still shows. It has no words where nothing does.
func (w *Watch) wet(now int64) site.Phrase {
	if !w.l.Closed() {
		return site.Say("chambers and pipes with water in them")
	}
	var what site.List
	for _, y := range w.bays {
		if k := &y.look; k.LevelAt > 0 && now-k.LevelAt < hour && k.SmoothM > emptyM {
			what = append(what, site.Say("the chamber of %s", y.name()))
		}
	}
	if pa, at := w.l.Pressure(); at > 0 && now-at < hour && pa > emptyPa {
		what = append(what, site.Say("the supply line"))
	}
	if len(what) == 0 {
		return site.Phrase{}
	}
	return site.Say("%s (not drained)", what)
}

// emptyM and emptyPa are what an empty chamber and an empty line may still show.
const (
	emptyM  = 0.015
	emptyPa = 20e3
)

// air takes the temperature of the last minutes.
func (w *Watch) air(t float64, now int64) {
	st := &w.st.Frost
	if st.At == 0 || now-st.At > 2*hour {
		st.T, st.Fall = t, 0
	} else {
		// Level and slope together, critically damped (Brown 1963): a steady fall is followed
		// without a lag.
		h := float64(now-st.At) / float64(hour)
		theta := math.Exp(-h / airTau)
		ahead := st.T - st.Fall*h
		off := t - ahead
		st.T = ahead + (1-theta*theta)*off
		st.Fall -= (1 - theta) * (1 - theta) * off / h
	}
	st.At = now
	switch dark := !w.l.Day(); {
	case dark && !st.Dark:
		st.Dark, st.Sunset, st.DuskC = true, now, st.T
		st.LowC, st.LowAt = st.T, now
	case !dark && st.Dark:
		st.Dark, st.Sunrise = false, now
		st.Lows = [2]int64{st.Lows[1], st.LowAt - st.Sunset}
	case dark && st.T < st.LowC:
		st.LowC, st.LowAt = st.T, now
	}
	switch {
	case st.likely(now) >= told:
		if !st.Risk {
			st.Risk, st.Since = true, now
		}
	case st.T > st.freezes(now)+2 && st.lowest(now) > st.freezes(now)+1:
		st.Risk = false
	}
}

// blows takes a reading of the wind.
func (s *frostState) blows(ms float64, t int64) {
	if s.WndAt == 0 || t-s.WndAt > hour {
		s.Wind = ms
	}
	s.Wind += (ms - s.Wind) * min(1, float64(t-s.WndAt)/float64(hour/2))
	s.WndAt = t
}

// freezes is the air temperature at which standing water freezes, degC.
func (s *frostState) freezes(now int64) float64 { return frostC + s.ground(now) }

// ground is by how much the ground is colder than the air, K. A clear calm night shows itself by
// its fall: by the root of the hours since sunset (Brunt 1932, and the frost trend of the FAO's
// handbook), 2 to 3 K for each on the radiation frosts published there, half of one under cloud.
// By day there is none; a measured wind that mixes the air takes it away.
func (s *frostState) ground(now int64) float64 {
	if !s.Dark || s.Sunset == 0 || s.WndAt > 0 && now-s.WndAt < hour && s.Wind > mixedMS {
		return 0
	}
	since := max(1, float64(now-s.Sunset)/float64(hour))
	return groundC * min(1, max(0, (s.DuskC-s.T)/math.Sqrt(since)-0.5))
}

// airTau is the time constant of what is known of the air, h: gusts and a sensor's noise are gone
// in it, and half the hours in which a night's fall fades are not.
const airTau = 0.5

// nightFall is the coefficient of Parton and Logan's night for the air at 1.5 m.
const nightFall = 2.2

// night is the length of the night, in hours: that of the last one, or ten.
func (s *frostState) night() float64 {
	if s.Sunset > 0 && s.Sunrise > s.Sunset {
		return min(20, max(2, float64(s.Sunrise-s.Sunset)/float64(hour)))
	}
	return 10
}

// fall is how fast the air falls now, K/h. What is smoothed is behind: a fall that fades by
// exp(-k t), as a night's does, is shown greater by 1/(1-k tau)^2.
func (s *frostState) fall() float64 {
	f := max(0, s.Fall)
	if s.Dark {
		f *= math.Pow(1-airTau*nightFall/s.night(), 2)
	}
	return f
}

// left is how long the air can be expected to fall, within frostAhead, hours. In the morning a fall is
// the night's last, or a front's, of which nothing more is known than the next hour.
func (s *frostState) left(now int64) float64 {
	h := frostAhead
	if !s.Dark && now-s.Sunrise < 4*hour {
		h = hour
	}
	if s.Dark && s.Sunrise > 0 {
		h = min(h, max(0, s.Sunrise+day-now))
		if s.Lows[0] > 0 {
			h = min(h, max(hour/2, s.Sunset+max(s.Lows[0], s.Lows[1])-now))
		}
	}
	return float64(h) / float64(hour)
}

// ahead is the air h hours on, degC, while it falls: by how fast it falls now, as an exponential of the
// night's length (Parton and Logan 1981, Agricultural Meteorology 23:205), and from two hours after
// sunset the mean of that and of what it has fallen, by the root of the hours (Brunt 1932; FAO's
// handbook). The one follows a change, the other is steadier.
func (s *frostState) ahead(now int64, h float64) float64 {
	z := s.night()
	c := s.T - s.fall()*z/nightFall*(1-math.Exp(-nightFall*h/z))
	if since := float64(now-s.Sunset) / float64(hour); s.Dark && s.Sunset > 0 && since >= 2 {
		c = (c + s.T - max(0, s.DuskC-s.T)*(math.Sqrt(1+h/since)-1)) / 2
	}
	if dew := s.dewC(now); !math.IsNaN(dew) {
		c = max(c, min(s.T, dew-underDew))
	}
	return c
}

// lowest is the lowest the air can be expected to be within frostAhead, degC.
func (s *frostState) lowest(now int64) float64 { return s.ahead(now, s.left(now)) }

// likely is the probability that water freezes within frostAhead: certain for practical purposes when
// the air itself is there, by a normal error of trend and ground before.
func (s *frostState) likely(now int64) float64 {
	if s.T <= frostC+trendC {
		return 0.98
	}
	low := s.lowest(now)
	u := math.Hypot(math.Hypot(trendC, s.share(now)*(s.T-low)), groundShare*s.ground(now))
	return min(0.98, 0.5*math.Erfc((low-s.freezes(now))/u/math.Sqrt2))
}

// share is how well a trend knows what is still to fall. Until two hours after sunset, when the
// handbook's begins, the fall is steep and says little of the night's.
func (s *frostState) share(now int64) float64 {
	since := 1.0
	if s.Dark && s.Sunset > 0 {
		since = max(1, float64(now-s.Sunset)/float64(hour))
	}
	return trendShare * max(1, 2/since)
}

// freezesIn is when the fall reaches freezing, in hours; NaN when it does not.
func (s *frostState) freezesIn(now int64) float64 {
	a, b := 0.0, s.left(now)
	if s.ahead(now, b) > s.freezes(now) {
		return math.NaN()
	}
	for b-a > 1.0/60 {
		if m := (a + b) / 2; s.ahead(now, m) > s.freezes(now) {
			a = m
		} else {
			b = m
		}
	}
	return b
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
