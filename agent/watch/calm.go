package watch

import "math"

// learned is a mean with its scatter over the last nights.
type learned struct {
	N, Mean float64 // nights, at most nightsKept
	Sum     float64 // of squared departures from the mean; forgets as the mean does
}

func (m *learned) take(x float64) {
	keep := min(1, (nightsKept-1)/max(1, m.N))
	off := x - m.Mean
	m.Mean += off / (m.N*keep + 1)
	m.Sum = keep*m.Sum + off*(x-m.Mean)
	m.N = m.N*keep + 1
}

// spread is the variance of the next about the mean; one is its scatter before anything is learned, and
// counts as fallNights.
func (m *learned) spread(one float64) float64 {
	return (fallNights*one*one + m.Sum) / (fallNights + m.N) * (1 + 1/max(1, m.N))
}

// about is the mean and the variance of the next; before anything is learned they are mean and one squared, which count
// as fallNights.
func (m *learned) about(mean, one float64) (float64, float64) {
	n := fallNights + m.N
	return mean + (m.Mean-mean)*m.N/n, (fallNights*one*one + m.Sum) / n
}

// winds is what the site has taught of the lulls of its nights, in which what stands at the ground freezes: by how much
// the calmest half hour still to come is less windy than each half hour (UTC), and how windy the night's calmest is,
// both as logarithms.
type winds struct {
	Drop  [halvesADay]learned
	Usual learned
}

const (
	// leastMS is the wind below which an anemometer hardly turns and the air at the ground still stirs.
	leastMS = 0.5
	// dayToNight is the wind of the day over that of the night before the site has taught it how far its lulls
	// go (FAO Irrigation and Drainage Paper 24 takes two where nothing is known; from memory for the page), windScatter
	// how a night departs from it, as a logarithm: a factor of 1.6.
	dayToNight, windScatter = math.Ln2, 0.5
	// stirred is the heat the air brings to the ground, W/m2 K in a metre a second (FAO-56, equation 4: 208/u s/m
	// over grass; a cubic metre of air takes 1210 J/K), radiated what radiation brings near freezing.
	stirred, radiated = 1210.0 / 208, 4.6
)

// learn takes the winds of the day and night that end with a sunrise.
func (s *winds) learn(f *frostState, now int64) {
	lull, read := math.Inf(1), 0
	for n := now / halfHour; n > (now-day)/halfHour; n-- {
		i := n % int64(len(f.Halves))
		if f.Halves[i] != n || math.IsNaN(f.Blew[i]) {
			continue
		}
		if n*halfHour >= f.Sunset {
			lull, read = min(lull, f.Blew[i]), read+1
		}
		if read > 0 {
			s.Drop[n%int64(halvesADay)].take(f.Blew[i] - lull)
		}
	}
	if read >= 4 {
		s.Usual.take(lull)
	}
}

// tonight is the logarithm of the wind in the night's lull and its variance, by the wind that blows now: what was
// left of it in the last nights, beside how calm those were.
func (s *winds) tonight(ms float64, dark bool, now int64) (ln, v float64) {
	drop := s.Drop[now/halfHour%int64(halvesADay)]
	if drop.N < 1 && !dark {
		drop.Mean = dayToNight
	}
	ln, v = math.Log(max(leastMS, ms))-drop.Mean, drop.spread(windScatter)
	if s.Usual.N >= 1 {
		w := v / (v + s.Usual.spread(windScatter))
		ln, v = ln+(s.Usual.Mean-ln)*w, v*(1-w)
	}
	return ln, v
}

// calm is what the night's wind, in its lull, leaves of the ground's cold in a metre a second, and its uncertainty:
// what the ground radiates is brought back to it by the air, the sooner the more wind, and by radiation.
// The two to five degrees of the observers are two and half a metre a second; without a wind
// that is read they are all that is known.
func (s *frostState) calm(now int64) (k, u float64) {
	if s.WndAt == 0 || now-s.WndAt >= hour {
		return 1, 0
	}
	ln, v := s.Nights.Winds.tonight(s.Wind, s.Dark, now)
	air := stirred * math.Exp(max(math.Log(leastMS), ln))
	k = (stirred + radiated) / (air + radiated)
	return k, k * air / (air + radiated) * math.Sqrt(v)
}
