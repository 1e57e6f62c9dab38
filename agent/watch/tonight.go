package watch

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// nights is what the site has taught of its nights: from each half hour of the day (UTC), how far the
// air falls to the lowest that is still to come before sunrise.
type nights struct {
	N    [halvesADay]float64 // nights learned from, at most nightsKept
	Fall [halvesADay]float64 // mean, K
	Sum  [halvesADay]float64 // of squared errors of what was foretold by it, K2; forgets as the mean does
	Lean [halvesADay]lean
	// Seen, Low and LowSum are the same of the lowest itself, degC.
	Seen, Low, LowSum float64
	Winds             winds
	Clears            clears
}

const (
	halvesADay = int(day / halfHour)
	// nightsKept is how many nights the mean remembers: what the weather of a week is like.
	nightsKept = 10
	// fallShare is the scatter of one night's fall about the mean, as a share of it, and fallNights how many
	// nights that is worth beside the site's own: two days running differ by yesterdayShare, which is
	// the root of two such scatters.
	fallShare, fallNights = yesterdayShare / math.Sqrt2, 4
	// wakeful is when a night's forecast begins, after sunrise: the frost of the night before is
	// over, and the day's air is on its way up.
	wakeful = 4 * hour
	// between is how long after a frost is over by day the next night is not spoken of: its alarm ends
	// (an hour; site.Kinds), and the next night has one of its own.
	between = 5 * hour / 4
	// lowScatter is the scatter, K, of a month's lowest airs about their mean: 1.5 in August to 3.9 in November
	// on the station of testdata/days.csv.
	lowScatter = 2.5
	// noted is the probability from which the coming night is spoken of; under half of it no more. To
	// cover a chamber costs little beside what bursts in it, and a note wakes nobody.
	noted = 0.2
	// atMost is how likely a frost is said to be at most while no hour is known of it.
	atMost = 0.9
)

// learn takes the course of the day and night that end with a sunrise.
func (s *nights) learn(f *frostState, now int64) {
	low := f.T
	for n := now / halfHour; n > (now-day)/halfHour; n-- {
		if f.Halves[n%int64(len(f.Halves))] != n {
			continue
		}
		t := f.Course[n%int64(len(f.Course))]
		low = min(low, t)
		if n*halfHour < now-day+wakeful {
			break
		}
		i := n % int64(halvesADay)
		k := s.N[i]
		keep := min(1, (nightsKept-1)/max(1, k))
		off := t - low - s.Fall[i]
		if k >= 1 && s.Seen >= 1 {
			clear, short := f.Skies[n%int64(len(f.Skies))], s.Low-t+s.Fall[i]
			e := -off - s.Lean[i].of(clear, short)
			s.Lean[i].take(clear, short, -off)
			s.Sum[i] = keep*s.Sum[i] + e*e
		}
		s.Fall[i] += off / (k*keep + 1)
		s.N[i] = k*keep + 1
	}
	s.Winds.learn(f, now)
	s.Clears.learn(f, now)
	keep := min(1, (nightsKept-1)/max(1, s.Seen))
	off := low - s.Low
	s.Low += off / (s.Seen*keep + 1)
	s.LowSum = keep*s.LowSum + off*(low-s.Low)
	s.Seen = s.Seen*keep + 1
}

// usual is what an air of c, foretold with an uncertainty of u for the night, is believed to be beside the
// lowest of the last nights, and how surely, degC: a night far colder than all of them takes more to be believed.
func (s *nights) usual(c, u float64) (float64, float64) {
	if s.Seen < 1 || c >= s.Low {
		return c, u
	}
	scatter := (fallNights*lowScatter*lowScatter + s.LowSum) / (fallNights + s.Seen) * (1 + 1/s.Seen)
	w := u * u / (u*u + scatter)
	return c + (s.Low-c)*w, u * math.Sqrt(1-w)
}

// lowest is what the air of now comes down to by sunrise as the last nights went and under so clear a sky, and its
// uncertainty, degC; ok is false before the first.
func (s *nights) lowest(c, clear float64, now int64) (low, u float64, ok bool) {
	i := now / halfHour % int64(halvesADay)
	n, fall := s.N[i], s.Fall[i]
	if n < 1 {
		return math.NaN(), math.NaN(), false
	}
	prior := fallShare * fall
	scatter := (fallNights*prior*prior + s.Sum[i]) / (fallNights + n)
	low = c - fall
	return low + s.Lean[i].of(clear, s.Low-low), math.Hypot(trendC, math.Sqrt(scatter)), true
}

// tonight is the lowest the air can be expected to have in the coming night, or the rest of this one, and
// its uncertainty, degC, by how the last nights went; ok is false in the morning.
func (s *frostState) tonight(now int64) (c, u float64, ok bool) {
	if !s.Dark && (s.Sunrise == 0 || now-s.Sunrise < wakeful) {
		return math.NaN(), math.NaN(), false
	}
	if c, u, ok = s.Nights.lowest(s.T, s.Clear, now); !ok {
		return c, u, false
	}
	return s.damp(c, now), u, true
}

// damp is an air of c as the dew point lets it be.
func (s *frostState) damp(c float64, now int64) float64 {
	if dew := s.dewC(now); !math.IsNaN(dew) {
		return max(c, min(s.T, dew-underDew))
	}
	return c
}

// toSunrise is how long the night under way still lasts, h.
func (s *frostState) toSunrise(now int64) float64 {
	return max(0, float64(s.Sunrise+day-now)/float64(hour))
}

// rest is the lowest the air can be expected to have in the rest of the night, and its uncertainty, degC: as the
// last nights went from this hour on and, two hours after sunset, where the trend leads by sunrise, each by
// what it knows; ok is false by day.
func (s *frostState) rest(now int64) (c, u float64, ok bool) {
	if !s.Dark || s.Sunrise == 0 {
		return math.NaN(), math.NaN(), false
	}
	if c, u, ok = s.Nights.lowest(s.T, s.Clear, now); !ok {
		return c, u, false
	}
	if now-s.Sunset >= 2*hour {
		t := s.trend(now, s.toSunrise(now))
		v := math.Hypot(trendC, s.share(now)*(s.T-t))
		w := u * u / (u*u + v*v)
		c, u = c+(t-c)*w, u*math.Sqrt(1-w)
	}
	c, u = s.Nights.usual(s.damp(c, now), u)
	return c, u, true
}

// byMorning is the probability that the night under way still freezes at the ground, 0 by day. It knows no hour, so
// it wakes nobody (agent/alarm) until the trend gives one.
func (s *frostState) byMorning(now int64) float64 {
	c, u, ok := s.rest(now)
	if !ok {
		return 0
	}
	g, gU := s.margin(now)
	return min(atMost, freezes(c-g, math.Hypot(u, gU)))
}

// maybe is the probability that the coming night freezes at the ground, 0 in the morning.
func (s *frostState) maybe(now int64) float64 {
	c, u, ok := s.tonight(now)
	if !ok {
		return 0
	}
	g, gU := s.margin(now)
	return freezes(c-g, math.Hypot(u, gU))
}

// freezes is the probability that what is expected at c degC with a normal error of u freezes.
func freezes(c, u float64) float64 { return 0.5 * math.Erfc((c-frostC)/u/math.Sqrt2) }

// note is the finding of a night that may freeze: how likely, while there is light to drain or to cover
// by. It knows no hour, so it is no more than information (agent/alarm) until the trend gives one.
func (s *frostState) note(now int64, what site.Phrase) site.Finding {
	n := site.NewFinding(site.FreezeRisk, "", "", at(s.Since))
	lowest, _, _ := s.tonight(now)
	n.Confidence = s.maybe(now)
	var ground site.Phrase
	if g, _ := s.margin(now); g >= 0.5 {
		ground = site.Say(", the ground on a clear night like this %s lower", site.Kelvin(g))
	}
	sunrise := s.Sunrise // the last one; a night was seen, or nothing could be said of this one
	for sunrise <= now {
		sunrise += 24 * hour
	}
	n.Because = site.Say("Tonight may freeze, %d in 10: the air is at %s and can be expected to reach %s by sunrise, about %s%s. Then %s would freeze.",
		min(9, max(1, int(math.Round(10*n.Confidence)))), site.Celsius(s.T), site.Celsius(lowest), site.Clock(at(sunrise).Round(10*time.Minute)), ground, what)
	return n
}
