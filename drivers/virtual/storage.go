package virtual

import "math"

// curve is the relation between the water table and the drainable water below it for one bay,
// per square metre of plan: the mean of the filling and the draining branch.
//
// Drainable porosity is the layer's, times the part of the floor that lies below the level, times
// 1 - exp(-(D-z)/fringe), which lets it vanish towards the top D of the clay because the
// capillary fringe already holds the pores near the surface full. Above D water stands free.
type curve struct {
	stepM float64
	// sumM[i] is the water below level i*stepM, m3 per m2. Strictly rising.
	sumM []float64
	topM float64
}

// curveStepM is the grid of the storage curve. Between grid points it is straight, so volume and
// level map to each other exactly and both ways.
const curveStepM = 0.25e-3

// leastPorosity keeps the curve strictly rising where hardly anything drains.
const leastPorosity = 2e-3

func newCurve(b *BayConfig) *curve {
	d := 0.0
	for _, l := range b.Layers {
		d += l.DepthM
	}
	n := int(math.Ceil(d/curveStepM)) + 1
	c := &curve{stepM: curveStepM, sumM: make([]float64, n+1), topM: d}
	for i := range n {
		c.sumM[i+1] = c.sumM[i] + b.porosity((float64(i)+0.5)*curveStepM, d)*curveStepM
	}
	return c
}

// porosity is the drainable porosity at z above the lowest point of the liner, under a fill of
// depth d.
func (b *BayConfig) porosity(z, d float64) float64 {
	if z >= d {
		return 1
	}
	p, at := 0.0, 0.0
	for _, l := range b.Layers {
		if z < at+l.DepthM {
			p = l.DrainablePorosity
			break
		}
		at += l.DepthM
	}
	if b.FringeM > 0 {
		p *= 1 - math.Exp(-(d-z)/b.FringeM)
	}
	if s := b.FloorUnevenM; s > 0 {
		// A floor with normally distributed heights whose lowest point is two and a half
		// standard deviations under its mean.
		p *= 0.5 * math.Erfc(-(z-2.5*s)/(s*math.Sqrt2))
	}
	return max(p, leastPorosity)
}

// level returns the level that belongs to v m3 per m2 and the porosity there. hint is where the
// last search ended; it only saves time.
func (c *curve) level(v float64, hint *int) (h, porosity float64) {
	last := len(c.sumM) - 2
	i := min(max(*hint, 0), last)
	for i < last && v >= c.sumM[i+1] {
		i++
	}
	for i > 0 && v < c.sumM[i] {
		i--
	}
	*hint = i
	d := c.sumM[i+1] - c.sumM[i]
	if i == last && v > c.sumM[i+1] { // free water above the fill
		return float64(last+1)*c.stepM + (v - c.sumM[last+1]), 1
	}
	return (float64(i) + (v-c.sumM[i])/d) * c.stepM, d / c.stepM
}

// volume returns the water below level h on the mean branch, m3 per m2. h below 0 counts as 0;
// above the fill water stands free.
func (c *curve) volume(h float64) float64 {
	if !(h > 0) {
		return 0
	}
	last := len(c.sumM) - 1
	x := h / c.stepM
	i := int(x)
	if i >= last {
		return c.sumM[last] + (h - float64(last)*c.stepM)
	}
	return c.sumM[i] + (x-float64(i))*(c.sumM[i+1]-c.sumM[i])
}

// zone is a part of a bay within which the water table is level. A bay is a short chain of
// zones from its inlet to its far end, because water needs tens of minutes to spread.
//
// The state is the volume, so mass is exact by construction. The level is that of the mean
// curve plus lag, a play operator (Prandtl, Ishlinskii): it runs ahead while filling, because
// air is trapped, and behind while draining, because pores drain late, and turns over within a
// band when the direction turns. Within the turn the level moves 1+turn times as far for the
// same water.
type zone struct {
	areaM2 float64
	volM3  float64
	lagM   float64
	meanM  float64 // level of the mean curve
	poros  float64 // porosity of the mean curve at the level
	levelM float64
	// wetM is how high the stone has ever been wet.
	wetM float64
	hint int
}

// settle works out the level from the volume after it changed.
func (z *zone) settle(c *curve, b *BayConfig) {
	h, p := c.level(z.volM3/z.areaM2, &z.hint)
	if b.HysteresisM > 0 {
		// The two branches meet where the bay is dry and where it is full.
		half := 0.5 * b.HysteresisM * min(1, h/0.02, max(0, (c.topM-h)/0.02))
		z.lagM = min(max(z.lagM+b.Turn*(h-z.meanM), -half), half)
	}
	z.meanM, z.poros = h, p
	z.levelM = h + z.lagM
}

// capacity is the storage coefficient times area, m2: the volume that lifts the level by a
// metre.
func (z *zone) capacity() float64 { return z.areaM2 * z.poros }

// exchange returns the volume that flows from a to b in dt seconds through a conductance g
// (m2/s), by the backward Euler rule, which never overshoots equal levels whatever the step.
func exchange(ha, hb, capA, capB, g, dt float64) float64 {
	gdt := g * dt
	return (ha - hb) * gdt / (1 + gdt*(1/capA+1/capB))
}

// Orifice returns the flow through a hole of area areaM2 under a head of headM metres:
// Q = Cd a sqrt(2 g h), m3/s, with g 9.80665 m/s2 (Torricelli; any hydraulics handbook). A
// head or an area of 0 or less gives 0; NaN gives NaN. Cd is 0.62 for a sharp edge.
func Orifice(cd, areaM2, headM float64) float64 {
	switch {
	case math.IsNaN(cd) || math.IsNaN(areaM2) || math.IsNaN(headM):
		return math.NaN()
	case headM <= 0 || areaM2 <= 0:
		return 0
	}
	return cd * areaM2 * math.Sqrt(2*gravity*headM)
}

const (
	gravity = 9.80665
	// sharpEdge is the discharge coefficient of a hole in a liner.
	sharpEdge = 0.62
)
