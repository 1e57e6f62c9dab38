package watch

import (
	"math"

	"bayledger/agent/site"
)

// frostState is what the frost rule remembers.
type frostState struct {
	Risk  bool // frost is foretold, and
	Noted bool // the coming night may freeze
	Since int64
	// Thawed is when the last frost was over by day, ms.
	Thawed int64
	T      float64 // degC, and
	Fall   float64 // K/h: level and slope of the air, smoothed with airTau
	At     int64
	RH     float64 // relative humidity read last, 0 to 1
	RHAt   int64
	Wind   float64 // m/s, smoothed over half an hour
	WndAt  int64
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
	// Course is the air at the beginning of the last half hours, degC, Halves which half hours since 1970 they are: a day
	// and an hour of them, Blew the logarithm of the wind then, NaN where it was not read, Skies Clear. Clear is how
	// clear the sky was when the sun last told, 0 to 1, NaN unknown.
	Course, Blew, Skies [50]float64
	Halves              [50]int64
	Clear               float64
	Nights              nights
}

const (
	// frostAhead is how far ahead frost is foretold: a person can still drain a line by daylight
	// or cover it before the night.
	frostAhead = 6 * hour
	aheadH     = float64(frostAhead) / float64(hour)
	// stepH is the step, h, in which it is looked ahead.
	stepH = 0.25
	// frostC is the temperature at which water freezes, groundC by how much what lies open on the
	// ground is colder than the air in a weather screen on a clear calm night: two to five degrees, as
	// grass is (a screen at 4 to 5 degrees over a ground frost; Brugge 2011, Weather 66:54). groundU is
	// its uncertainty, a rectangle of that width.
	frostC, groundC, groundU = 0.0, 3.5, 0.87
	// cloudyFall and clearFall are the air's fall, K for the root of an hour since sunset, under cloud and,
	// in the middle, of the handbook's radiation frosts (2 to 3).
	cloudyFall, clearFall = 0.5, 2.5
	// clearByFall, clearBySun and clearUnknown are how well the clearness of the night is known by the
	// air's fall, by the day's sun, and not at all (a rectangle from none to all).
	clearByFall, clearBySun, clearUnknown = 0.2, 0.3, 0.29
	// A trend knows the lowest to come to half a degree and, under a sky that changes, to three tenths of
	// what is still to fall; on the handbook's ten clear nights it is 0.7 degrees beside their own
	// regression with seven to fall. The day before knows it to four tenths: on a station's 173 nights at 2
	// degrees and under, the fall from highest to lowest was 7 and another than the day before's by 2.7
	// (testdata/days.csv).
	trendC, trendShare, yesterdayShare = 0.5, 0.3, 0.4
	// told is the probability from which frost is foretold; the message has it, and the desk asks for
	// more before it wakes somebody.
	told = 0.75
	// underDew is how far below the dew point of the evening a night's air can fall: what
	// condenses gives its warmth back, and the dew point falls with it.
	underDew = 4.0
)

// frost foretells that standing water will freeze: the air is at the freezing point, or its fall
// leads there, or to where the ground freezes, within six hours or by the end of a night under way, more
// likely than not by a good deal.
// The fall stops at sunrise, or when it stopped in the last two nights, and short of the dew point.
// Where nothing holds water there is nothing to freeze.
func (w *Watch) frost(now int64) {
	st := &w.st.Frost
	if t := w.l.TempC(); !math.IsNaN(t) && now-st.At >= 5*minute {
		w.air(t, now)
	}
	if !st.Risk && !st.Noted {
		return
	}
	what := w.wet(now)
	if what.Words == "" {
		return
	}
	if !st.Risk {
		w.say(st.note(now, what))
		return
	}
	n := site.NewFinding(site.FreezeRisk, "", "", at(st.Since))
	n.Confidence = st.likely(now)
	var ground site.Phrase
	lowest, h := st.lowest(now)
	if c, _, ok := st.rest(now); ok && c < lowest {
		lowest = c
	}
	if st.frozen(now) {
		h = 0
	}
	if g, _ := st.ground(now, h); g >= 0.5 {
		ground = site.Say(", the ground on a clear night like this %s lower", site.Kelvin(g))
	}
	switch {
	case st.frozen(now):
		n.ToSoft = 0
		n.Because = site.Say("The air is at %s%s: %s will freeze.", site.Celsius(st.T), ground, what)
	default:
		in := st.freezesIn(now)
		if math.IsNaN(in) { // some time of the night, or the air is next to freezing, and nothing says when
			in = aheadH
			if st.Dark && st.Sunrise > 0 {
				in = st.toSunrise(now)
			}
			n.Confidence = min(n.Confidence, max(told, st.byMorning(now)))
		}
		n.ToSoft = left(in * 3600)
		n.Because = site.Say("The air is at %s and falls by %s an hour: it can be expected to reach %s%s, and %s will freeze.",
			site.Celsius(st.T), site.Kelvin(st.fall()), site.Celsius(lowest), ground, what)
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
	if n := now / halfHour; st.Halves[n%50] != n {
		st.Halves[n%50], st.Course[n%50], st.Blew[n%50], st.Skies[n%50] = n, st.T, math.NaN(), st.Clear
		if st.WndAt > 0 && now-st.WndAt < hour {
			st.Blew[n%50] = math.Log(max(leastMS, st.Wind))
		}
	}
	if c := w.l.ClearShare(); !st.Dark || math.IsNaN(st.Clear) {
		st.Clear = min(1, max(0, 1.35*c-0.35)) // FAO-56, the cloudiness of equation 39
	}
	switch dark := !w.l.Day(); {
	case dark && !st.Dark:
		st.Dark, st.Sunset, st.DuskC = true, now, st.T
		st.LowC, st.LowAt = st.T, now
	case !dark && st.Dark:
		st.Dark, st.Sunrise = false, now
		st.Lows = [2]int64{st.Lows[1], st.LowAt - st.Sunset}
		st.Nights.learn(st, now)
	case dark && st.T < st.LowC:
		st.LowC, st.LowAt = st.T, now
	}
	had := st.Risk || st.Noted
	switch p := st.likely(now); {
	case p >= told:
		st.Risk = true
	case p < 1-told && !st.frozen(now):
		if st.Risk && !st.Dark {
			st.Thawed = now
		}
		st.Risk = false
	}
	switch p := st.maybe(now); {
	case p < noted/2 || now-st.Thawed < between:
		st.Noted = false
	case p >= noted:
		st.Noted = true
	}
	if !had {
		st.Since = now
	}
}

// blows takes a reading of the wind, at two metres.
func (s *frostState) blows(ms float64, t int64) {
	if s.WndAt == 0 || t-s.WndAt > hour {
		s.Wind = ms
	}
	s.Wind += (ms - s.Wind) * min(1, float64(t-s.WndAt)/float64(hour/2))
	s.WndAt = t
}

// frozen is true while it freezes: the air, or at night more likely than not the ground.
func (s *frostState) frozen(now int64) bool {
	g, _ := s.ground(now, 0)
	return s.T-g <= frostC
}

// ground is by how much what lies open on the ground is colder than the air h hours on, and its
// uncertainty, K. By day there is none. A clear calm night shows itself by its fall: by the root of
// the hours since sunset (Brunt 1932, and the frost trend of the FAO's handbook, from two hours on), and
// before by the day's sun, where that is measured. Wind brings it the air's warmth.
func (s *frostState) ground(now int64, h float64) (k, u float64) {
	if !s.darkAt(now + int64(h*float64(hour))) {
		return 0, 0
	}
	return s.margin(now)
}

// darkAt is whether it is night at t, within a day from now: the sun rises and sets as it did last.
func (s *frostState) darkAt(t int64) bool {
	if s.Dark {
		return s.Sunrise == 0 || t < s.Sunrise+day
	}
	return s.Sunset > 0 && t >= s.Sunset+day
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

// trend is the air h hours on, degC, while it falls: by how fast it falls now, as an exponential of the
// night's length (Parton and Logan 1981, Agricultural Meteorology 23:205), and from two hours after
// sunset the mean of that and of what it has fallen, by the root of the hours (Brunt 1932; FAO's
// handbook). The one follows a change, the other is steadier.
func (s *frostState) trend(now int64, h float64) float64 {
	z := s.night()
	c := s.T - s.fall()*z/nightFall*(1-math.Exp(-nightFall*h/z))
	if since := float64(now-s.Sunset) / float64(hour); s.Dark && s.Sunset > 0 && since >= 2 {
		c = (c + s.T - max(0, s.DuskC-s.T)*(math.Sqrt(1+h/since)-1)) / 2
	}
	return c
}

// halfHour is the step of the course that is kept.
const halfHour = hour / 2

// yesterday is the air h hours on if it goes as it went the day before, degC; NaN where that was not
// read.
func (s *frostState) yesterday(now int64, h float64) float64 {
	at := func(t int64) float64 {
		n := t / halfHour
		if s.Halves[n%50] != n || s.Halves[(n+1)%50] != n+1 {
			return math.NaN()
		}
		return s.Course[n%50] + (s.Course[(n+1)%50]-s.Course[n%50])*float64(t%halfHour)/float64(halfHour)
	}
	return s.T + at(now-day+int64(h*float64(hour))) - at(now-day)
}

// ahead is the air that can be expected h hours on and its uncertainty, degC: what the trend and the
// day before say, each by what it knows. ok is false where neither reaches so far.
func (s *frostState) ahead(now int64, h float64) (c, u float64, ok bool) {
	var sum, weight float64
	add := func(c, share float64) {
		u := math.Hypot(trendC, share*(s.T-c))
		sum, weight = sum+c/(u*u), weight+1/(u*u)
	}
	y := s.yesterday(now, h)
	if !math.IsNaN(y) {
		add(y, yesterdayShare)
	}
	// How the afternoon falls says little of the night.
	if h <= s.left(now) && (math.IsNaN(y) || s.Dark || !s.darkAt(now+int64(h*float64(hour)))) {
		add(s.trend(now, h), s.share(now))
	}
	if weight == 0 {
		return math.NaN(), math.NaN(), false
	}
	c, u = s.Nights.usual(s.damp(sum/weight, now), 1/math.Sqrt(weight))
	return c, u, true
}

// lowest is the lowest the air can be expected to be within frostAhead, degC, and in how many hours.
func (s *frostState) lowest(now int64) (c, h float64) {
	c = s.T
	for x := stepH; x <= aheadH; x += stepH {
		if y, _, ok := s.ahead(now, x); ok && y < c {
			c, h = y, x
		}
	}
	return c, h
}

// likely is the probability that water freezes within frostAhead, and once it is dark by the end of the night:
// certain for practical purposes when the air itself is there, by a normal error of air and ground before.
func (s *frostState) likely(now int64) float64 {
	if s.T <= frostC+trendC {
		return surely
	}
	p := s.byMorning(now)
	for h := 0.0; h <= aheadH; h += stepH {
		p = max(p, s.freezing(now, h))
	}
	return min(surely, p)
}

// surely is as likely as a foretold frost is said to be at most.
const surely = 0.98

// freezing is the probability that it freezes at the ground h hours on.
func (s *frostState) freezing(now int64, h float64) float64 {
	c, u, ok := s.ahead(now, h)
	if !ok {
		return 0
	}
	g, gU := s.ground(now, h)
	return freezes(c-g, math.Hypot(u, gU))
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

// freezesIn is in how many hours it is as likely as not that it freezes; NaN when it is not.
func (s *frostState) freezesIn(now int64) float64 {
	for h := 0.0; h <= aheadH; h += stepH {
		if s.freezing(now, h) >= 0.5 {
			return h
		}
	}
	return math.NaN()
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
