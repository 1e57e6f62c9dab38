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

// winds is what the site has taught of the wind of its nights: by how much it is less than that of each
// half hour (UTC), and how strong it is, both as logarithms.
type winds struct {
	Drop  [halvesADay]learned
	Usual learned
}

const (
	// leastMS is the wind below which an anemometer hardly turns and the air at the ground still stirs.
	leastMS = 0.5
	// dayToNight is the wind of the day over that of the night before the site has taught it (FAO
	// Irrigation and Drainage Paper 24 takes two where nothing is known; from memory for the page), windScatter
	// how a night departs from it, as a logarithm: a factor of 1.6.
	dayToNight, windScatter = math.Ln2, 0.5
	// stirred is the heat the air brings to the ground, W/m2 K in a metre a second (FAO-56, equation 4: 208/u s/m
	// over grass; a cubic metre of air takes 1210 J/K), radiated what radiation brings near freezing.
	stirred, radiated = 1210.0 / 208, 4.6
)

// learn takes the winds of the day and night that end with a sunrise.
func (s *winds) learn(f *frostState, now int64) {
	each := func(do func(n int64, ln float64)) {
		for n := now / halfHour; n > (now-day)/halfHour; n-- {
			if i := n % int64(len(f.Halves)); f.Halves[i] == n && !math.IsNaN(f.Blew[i]) {
				do(n, f.Blew[i])
			}
		}
	}
	sum, k := 0.0, 0.0
	each(func(n int64, ln float64) {
		if n*halfHour >= f.Sunset {
			sum, k = sum+ln, k+1
		}
	})
	if k < 4 {
		return
	}
	each(func(n int64, ln float64) { s.Drop[n%int64(halvesADay)].take(ln - sum/k) })
	s.Usual.take(sum / k)
}

// tonight is the logarithm of the night's wind and its variance, by the wind that blows now: what is left of
// it as the last nights went, beside how those were.
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

// calm is what the wind of the night leaves of the ground's cold in a metre a second, and its uncertainty:
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
