package virtual

import "math"

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood 2014): a bijection of 64 bits that
// leaves no visible relation between neighbouring inputs.
func mix(x uint64) uint64 {
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

// hash is a counter-based random number: a function of seed, stream and n and of nothing else,
// so noise does not depend on the order in which points are read.
func hash(seed, stream, n uint64) uint64 {
	return mix(mix(mix(seed+0x9e3779b97f4a7c15)+stream*0xd1342543de82ef95+1) + n*0x9e3779b97f4a7c15)
}

// stream turns a name into a stream number (FNV-1a), so that adding a bay moves no other bay's
// noise.
func stream(name string) uint64 {
	h := uint64(0xcbf29ce484222325)
	for i := range len(name) {
		h = (h ^ uint64(name[i])) * 0x100000001b3
	}
	return h
}

// uniform returns a number in (0, 1), never an end.
func uniform(seed, stream, n uint64) float64 {
	return (float64(hash(seed, stream, n)>>12) + 0.5) / (1 << 52)
}

// gauss returns a standard normal number (Box and Muller 1958), made of the two halves of one
// hash: 32 bits each reach out to 6.6 standard deviations.
func gauss(seed, stream, n uint64) float64 {
	h := hash(seed, stream, n)
	u := (float64(h>>32) + 0.5) / (1 << 32)
	v := float64(h&0xffffffff) / (1 << 32)
	return math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*v)
}

// wander is a smooth random course of time with unit variance: normal values at whole multiples
// of period, joined by a cubic whose weights are normalised so that it does not calm down
// between them. x is time in seconds from any fixed origin.
func wander(seed, stream uint64, x, period float64) float64 {
	var w wanderer
	return w.at(seed, stream, x, period)
}

// wanderer is a wander that is asked often: it keeps the two values it lies between, which only
// saves time.
type wanderer struct {
	known bool
	n     uint64
	a, b  float64
}

func (w *wanderer) at(seed, stream uint64, x, period float64) float64 {
	p := math.Floor(x / period)
	f := x/period - p
	if n := uint64(int64(p)); !w.known || n != w.n {
		w.known, w.n = true, n
		w.a, w.b = gauss(seed, stream, n), gauss(seed, stream, n+1)
	}
	k := f * f * (3 - 2*f)
	return ((1-k)*w.a + k*w.b) / math.Sqrt((1-k)*(1-k)+k*k)
}
