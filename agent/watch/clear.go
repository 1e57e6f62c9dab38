package watch

import "math"

// clears is what the site has taught of how clear its nights are, 0 to 1: by its days' sun, and by how much clearer
// than that the fall of the air since sunset shows each half hour (UTC).
type clears struct {
	Days   learned
	Excess [halvesADay]learned
}

// learn takes the night that ends with a sunrise.
func (s *clears) learn(f *frostState, now int64) {
	if math.IsNaN(f.Clear) {
		return
	}
	s.Days.take(f.Clear)
	for n := now / halfHour; n*halfHour >= f.Sunset+fallTells; n-- {
		if i := n % int64(len(f.Halves)); f.Halves[i] == n {
			s.Excess[n%int64(halvesADay)].take(byFall(f.DuskC-f.Course[i], n*halfHour-f.Sunset) - f.Clear)
		}
	}
}

// fallTells is how long after sunset the air's fall begins to tell how clear the night is.
const fallTells = 2 * hour

// excessU is how far a site's falls may show its nights clearer, or cloudier, than they are, before it has taught by how
// much: the clear nights of one in three fall by a quarter more or less than the handbook's. An assumption.
const excessU = 0.3

// byFall is how clear a night is in which the air has fallen by k since sunset.
func byFall(k float64, since int64) float64 {
	return (k/math.Sqrt(float64(since)/float64(hour)) - cloudyFall) / (clearFall - cloudyFall)
}

// margin is by how much the ground is colder in the night, under way or to come, and its uncertainty, K.
func (s *frostState) margin(now int64) (k, u float64) {
	calm, calmU := s.calm(now)
	clear, v := s.Nights.Clears.Days.about(0.5, clearUnknown)
	weight := 1 / v
	learn := func(c, u float64) {
		w := 1 / (u * u)
		clear += (min(1, max(0, c)) - clear) * w / (w + weight)
		weight += w
	}
	if !math.IsNaN(s.Clear) {
		learn(s.Clear, clearBySun)
	}
	if since := now - s.Sunset; s.Dark && since >= fallTells {
		x := &s.Nights.Clears.Excess[now/halfHour%int64(halvesADay)]
		known := x.N / (x.N + (clearByFall*clearByFall+clearBySun*clearBySun)/(excessU*excessU))
		learn(byFall(s.DuskC-s.T, since)-x.Mean*known, math.Hypot(clearByFall, excessU*math.Sqrt(1-known)))
	}
	return groundC * clear * calm, math.Hypot(calm*math.Hypot(groundU*clear, groundC/math.Sqrt(weight)), groundC*clear*calmU)
}
