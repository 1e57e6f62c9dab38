package procedure

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// rests collects, over the first weeks, by how much the bay's fills raised it from one rest to the
// next. A chamber leads its bay for hours where water spreads slowly, so nothing sooner tells what
// the stone has taken; and what evaporated meanwhile is known by its shape only.
type rests struct {
	// Bins are the level's means over ten minutes since the last water, the newest last.
	Bins []bin `json:"bins,omitempty"`
	// Sum and N are of the bin under way, which ends at End, Unix ms.
	Sum float64 `json:"sum,omitempty"`
	N   int     `json:"n,omitempty"`
	End int64   `json:"end,omitempty"`
	// Other is when water last came that no meter sees, Unix ms: rain, or watering by hand.
	Other int64 `json:"other,omitempty"`
	// From is the rest before the water under way, To the newest after it; nil while there is none.
	From *rest `json:"from,omitempty"`
	To   *rest `json:"to,omitempty"`
	// ET is the sum of the bins' evaporation since From, and ETs how many they are.
	ET  float64 `json:"et,omitempty"`
	ETs int     `json:"ets,omitempty"`

	Rises []rise `json:"rises,omitempty"`

	// RainM is the rain taken so far, m, and Ceiling what becomes of it and of the fills.
	RainM   float64 `json:"rain,omitempty"`
	Ceiling ceiling `json:"ceiling,omitzero"`
}

// moment is a bay at a tick.
type moment struct {
	now    int64   // Unix ms
	levelM float64 // NaN without a good reading
	inM3   float64 // what the meter has let in since the step began
	ran    int64   // when it last moved, Unix ms; 0 never
	rainM  float64 // what has fallen since then, where a gauge shows it
	et     float64 // the reference evaporation of the moment, in any unit
}

// bin is ten minutes: T its middle, Unix ms; V the mean level, m; ET the reference evaporation of
// the moment, in any unit.
type bin struct {
	T  int64   `json:"t"`
	V  float64 `json:"v"`
	ET float64 `json:"et"`
}

// rest is a bay at rest.
type rest struct {
	T        int64   `json:"t"`
	LevelM   float64 `json:"level"`
	UStd     float64 `json:"u"`    // of the level, m
	RateU    float64 `json:"-"`    // of by how much the rate changed from one half to the other, m/h
	MPerHour float64 `json:"rate"` // how fast the level moves by itself, below 0 while it falls
	InM3     float64 `json:"in"`   // what the meter had let in
	ET       float64 `json:"et"`   // mean of the rest's bins
	// Sum and Sums are ET and ETs of the rests at that moment.
	Sum  float64 `json:"sum,omitempty"`
	Sums int     `json:"sums,omitempty"`
}

// rise is what a fill, or some, did between two rests: metres of level for each metre of water over
// the area, were nothing lost meanwhile. Var is its variance, UShape the part of its standard
// uncertainty that all rises share.
type rise struct {
	Up     float64 `json:"up"`
	Var    float64 `json:"var"`
	UShape float64 `json:"u_shape"`
}

const (
	binFor   = 10 * time.Minute
	unevenM  = 0.0002 // m/h by which the rates of a rest's halves may differ beyond their scatter
	restBins = 12     // two hours: the stretch over which a level must move evenly to be at rest
	// restAfter is how long after the last water that stretch begins at the earliest.
	restAfter = 90 * time.Minute
	// longestRest is how long after the last water a rest still belongs to it, longestRise how long
	// a rise may take: over more, what was lost is not known.
	longestRest = 7 * time.Hour
	longestRise = 16 * time.Hour
	// soakFor is how long water on the surface takes to come down at the most.
	soakFor = 4 * time.Hour
)

// look takes the bay as it is at a tick. clayM is the depth of its surface.
func (s *rests) look(m moment, areaM2, clayM float64) {
	now, in, ran := m.now, m.inM3, m.ran
	if s.End == 0 {
		s.End = now + binFor.Milliseconds()
	}
	if site.Known(m.levelM) {
		s.Sum, s.N = s.Sum+m.levelM, s.N+1
	}
	if now < s.End {
		return
	}
	begin := s.End - binFor.Milliseconds()
	b := bin{begin + binFor.Milliseconds()/2, s.Sum / float64(s.N), m.et}
	n := s.N
	s.Ceiling.look(b, n > 0, in, ran > begin, m.rainM-s.RainM, areaM2, clayM)
	s.RainM = m.rainM
	s.End, s.Sum, s.N = now+binFor.Milliseconds(), 0, 0
	s.ET, s.ETs = s.ET+m.et, s.ETs+1
	switch {
	case n == 0: // a gap
		s.Bins = nil
		return
	case ran > begin:
		s.Bins = nil
		s.close(areaM2)
		return
	}
	if s.Bins = append(s.Bins, b); len(s.Bins) > restBins {
		s.Bins = s.Bins[len(s.Bins)-restBins:]
	}
	dry := time.Duration(now-ran) * time.Millisecond
	if dry < restAfter+restBins*binFor {
		return
	}
	r, ok := resting(s.Bins)
	if !ok {
		return
	}
	r.InM3, r.Sum, r.Sums = in, s.ET, s.ETs
	if s.From != nil && in > s.From.InM3 {
		if dry < longestRest {
			s.To = &r // the longer it rests, the less the chamber leads
			return
		}
		s.close(areaM2)
	}
	s.From, s.To, s.ET, s.ETs = &r, nil, 0, 0
}

// close ends the rise under way, if there is one: its last rest is the next one's first.
func (s *rests) close(areaM2 float64) {
	if s.To == nil {
		return
	}
	s.rise(*s.To, areaM2)
	s.ET, s.ETs = s.ET-s.To.Sum, s.ETs-s.To.Sums
	s.From, s.To = s.To, nil
}

// resting reports whether the level has moved evenly over the bins: in their second half as in the
// first. The rest is that of the newest bin.
func resting(bins []bin) (r rest, ok bool) {
	n := len(bins)
	if n < restBins || bins[n-1].T-bins[0].T > int64(n)*binFor.Milliseconds() {
		return r, false
	}
	_, early, _ := line(bins[:n/2])
	_, late, _ := line(bins[n/2:])
	mid, rate, scatter := line(bins)
	// A slope over six bins is sure to 1.43 times the scatter of one, an hour; the difference of
	// two to 2.02 times.
	if math.Abs(late-early) > unevenM+2*2.02*scatter {
		return r, false
	}
	for _, b := range bins {
		r.ET += b.ET / float64(n)
	}
	r.T, r.MPerHour, r.RateU = bins[n-1].T, rate, math.Hypot(unevenM/math.Sqrt(3), 2.02*scatter)
	r.LevelM = mid + rate*float64(r.T-bins[0].T)/2/3.6e6
	r.UStd = math.Hypot(2*scatter/math.Sqrt(float64(n)), 1e-4) // a line is half as sure at its end
	return r, true
}

// line is the straight line through bins by least squares: the value at their mean time, the slope
// an hour, and the scatter of one bin about it.
func line(bins []bin) (mid, perHour, scatter float64) {
	n := float64(len(bins))
	hour := func(b bin) float64 { return float64(b.T-bins[0].T) / 3.6e6 }
	mt := 0.0
	for _, b := range bins {
		mt, mid = mt+hour(b)/n, mid+b.V/n
	}
	tt, tv, vv := 0.0, 0.0, 0.0
	for _, b := range bins {
		dt, dv := hour(b)-mt, b.V-mid
		tt, tv, vv = tt+float64(dt*dt), tv+float64(dt*dv), vv+float64(dv*dv)
	}
	perHour = tv / tt
	return mid, perHour, math.Sqrt(max(0, vv-float64(perHour*tv)) / max(1, n-2))
}

// rise takes what happened from the rest before to r. What was lost meanwhile goes by how the level
// fell by itself at both ends, and that in one of two ways: as an evening's fall dies away, or by
// the sun. Half of what a level still falls by in the night is loss, the other half the last of the
// spreading. The middle of the two is taken, and half of what they differ by is its uncertainty; half
// as much again, for neither bounds it.
func (s *rests) rise(r rest, areaM2 float64) {
	a := s.From
	hours := float64(r.T-a.T) / 3.6e6
	if hours > longestRise.Hours() || s.Other > a.T-soakFor.Milliseconds() {
		return
	}
	night := -r.MPerHour / 2
	fades := hours * fading(-a.MPerHour, night)
	sun := fades
	if d := a.ET - r.ET; d > 0 && r.Sums > 0 {
		perET := max(0, r.MPerHour-a.MPerHour) / d
		sun = hours * (night + perET*max(0, r.Sum/float64(r.Sums)-r.ET))
	}
	lost := (fades + sun) / 2
	up := r.LevelM - a.LevelM + lost
	if !(up > 0.001) || lost > up/2 {
		return
	}
	uShape := 1.5 * math.Hypot(lost/10, math.Hypot((fades-sun)/2, night*hours/2))
	water := (r.InM3 - a.InM3) / areaM2
	s.Rises = append(s.Rises, rise{Up: up / water, Var: (sq(a.UStd) + sq(r.UStd) + sq(uShape)) / sq(water), UShape: uShape / water})
}

// fading is the mean of a rate that goes from a to b as an exponential does. A rate that cannot be
// seen counts as a fiftieth of a millimetre an hour.
func fading(a, b float64) float64 {
	const least = 0.00002
	if a, b = max(a, least), max(b, least); math.Abs(a-b) < 0.01*a {
		return (a + b) / 2
	}
	return (a - b) / math.Log(a/b)
}

// leastRises is how many rises a porosity is told from.
const leastRises = 4

// porosity is the drainable porosity at the level the bay is held, as its fills have it: the water
// over the area that raises the level by one; u is the half width of its 95 % interval. How far the
// rises differ says how sure their mean is (Student's t on one less than their number); what they
// have lost is wrong in all of them alike.
func (s *rests) porosity() (phi, u float64, ok bool) {
	n := len(s.Rises)
	if n < leastRises {
		return 0, 0, false
	}
	typical := 0.0
	for _, r := range s.Rises {
		typical += r.Up / float64(n)
	}
	var sum, up, shape float64
	weight := func(r rise) float64 {
		// Rises differ by a twentieth beyond what is known of each: stone that has just drained
		// takes less.
		return 1 / (r.Var + sq(typical/20))
	}
	for _, r := range s.Rises {
		w := weight(r)
		sum, up, shape = sum+w, up+w*r.Up, shape+w*r.UShape
	}
	up, shape = up/sum, shape/sum
	scatter := 0.0
	for _, r := range s.Rises {
		scatter += sq(weight(r) / sum * (r.Up - up))
	}
	own := math.Sqrt(scatter * float64(n) / float64(n-1))
	return 1 / up, math.Hypot(student95(n-1)*own, 1.959964*shape) / sq(up), true
}

// student95 is the quantile 0.975 of Student's t with n degrees of freedom (Abramowitz and Stegun
// 26.7.5), within 0.024 of the tables from three on.
func student95(n int) float64 {
	const z = 1.959964
	v, z3, z5, z7 := float64(n), math.Pow(z, 3), math.Pow(z, 5), math.Pow(z, 7)
	return z + (z3+z)/(4*v) + (5*z5+16*z3+3*z)/(96*v*v) + (3*z7+19*z5+17*z3-15*z)/(384*v*v*v)
}
