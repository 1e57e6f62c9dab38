package procedure

import "math"

// ISO 4064-1:2014 / OIML R 49-1:2013, cold water: maximum permissible error of a meter, relative.
// Class 2: 2 % from Q2 to Q4, 5 % from Q1 to below Q2. Class 1: 1 % and 3 %. Q2 is 1.6 Q1, Q4 is
// 1.25 Q3, R is Q3/Q1. Above 30 degC other figures hold; a club's water is colder.
//
// The zone is unknown, and taken to be the upper one, when q3 or ratio is 0. Outside Q1 to Q4
// nothing is claimed for the meter and ok is false.
func permissible(class int, flow, q3, ratio float64) (mpe float64, ok bool) {
	upper, lower := 0.02, 0.05
	if class == 1 {
		upper, lower = 0.01, 0.03
	}
	if !(q3 > 0) || !(ratio > 0) {
		return upper, true
	}
	q1 := q3 / ratio
	switch {
	case !(flow >= q1) || flow > 1.25*q3:
		return 0, false
	case flow < 1.6*q1:
		return lower, true
	}
	return upper, true
}

// leastVolume is the least volume, m3, that a bucket test needs with counts of pulse m3: the
// expanded uncertainty of 95 % that the counts alone leave must not exceed a third of the
// permissible error (the share ISO 4064-2 allows a test bench in verification, from memory).
func leastVolume(pulse, mpe float64) float64 {
	return 3 * half95(pulse, 0) / mpe
}

// half95 is the half width of the symmetric interval that holds 95 % of the sum of a triangular
// error within plus or minus triangle (a difference of two readings of a counter whose counts are
// not in step with them) and a normal one of standard deviation std. With std 0 it is
// triangle*(1 - sqrt 0.05).
func half95(triangle, std float64) float64 {
	if !(triangle > 0) {
		return 1.959964 * std
	}
	if !(std > 1e-9*triangle) {
		return triangle * (1 - math.Sqrt(0.05))
	}
	lo, hi := 0.0, triangle+6*std
	for range 60 {
		if mid := (lo + hi) / 2; within95(mid, triangle, std) < 0.95 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// within95 is the probability that the sum stays within plus or minus z: the normal distribution
// function averaged over the triangle by Simpson's rule on each of its sides.
func within95(z, triangle, std float64) float64 {
	normal := func(x float64) float64 { return 0.5 * math.Erfc(-x/(std*math.Sqrt2)) }
	f := func(t float64) float64 {
		return (normal(z-t) - normal(-z-t)) * (triangle - t) / (triangle * triangle)
	}
	// Both sides of the triangle give the same by symmetry. The steps are finer than std.
	n := 2 * int(math.Ceil(min(max(20, 8*triangle/std), 4000)))
	h := triangle / float64(n)
	sum := f(0) + f(triangle)
	for i := 1; i < n; i++ {
		w := 2.0
		if i%2 == 1 {
			w = 4
		}
		sum += w * f(float64(i)*h)
	}
	return 2 * sum * h / 3
}

// ends95 is the half width of the symmetric interval that holds 95 % of the sum of an error within plus or
// minus half, likelier near the ends than between (the arc sine distribution, JCGM 101:2008, 6.4.6), and a
// normal one of standard deviation std > 0.
func ends95(half, std float64) float64 {
	if !(half > 1e-9*std) {
		return 1.959964 * std
	}
	const n = 400 // equal shares of the arc sine's probability
	within := func(z float64) float64 {
		sum := 0.0
		for i := range n {
			x := half * math.Cos(math.Pi*(float64(i)+0.5)/n)
			sum += 0.5 * (math.Erf((z-x)/(std*math.Sqrt2)) + math.Erf((z+x)/(std*math.Sqrt2)))
		}
		return sum / n
	}
	lo, hi := 0.0, half+6*std
	for range 40 {
		if mid := (lo + hi) / 2; within(mid) < 0.95 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// judged is a measured error against a limit with a guard band as wide as its uncertainty: pass
// and fail are both sure to 95 %, and what is neither is undecided (JCGM 106:2012, 8.3.2, guarded
// acceptance and guarded rejection).
func judged(err, u, limit float64) State {
	switch {
	case math.Abs(err)+u <= limit:
		return Passed
	case math.Abs(err)-u > limit:
		return Failed
	}
	return Undecided
}

// twoDips is the line true = gain*shown + offset through two dips, with 95 % half widths. Each dip
// has the standard uncertainty uDip, each mean of the sensor uShown. The uncertainties are those
// of a line through two points (GUM 5.1.2): the gain's is that of both differences over the
// distance, and the offset is told at the shown value 0, where the gain's takes part with all its
// distance.
func twoDips(shown1, dip1, shown2, dip2, uDip, uShown float64) (gain, gainU, offset, offsetU float64) {
	ds := shown2 - shown1
	gain = (dip2 - dip1) / ds
	offset = dip1 - gain*shown1
	u := math.Hypot(uDip, gain*uShown) // of one point of the line, across it
	gainU = 1.959964 * u * math.Sqrt2 / math.Abs(ds)
	// offset = (dip1*shown2 - dip2*shown1)/ds: each point enters with the other's share.
	offsetU = 1.959964 * u * math.Hypot(shown2, shown1) / math.Abs(ds)
	return gain, gainU, offset, offsetU
}
