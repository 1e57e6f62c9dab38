package water

import (
	"math"

	"bayledger/agent/site"
)

// Curve is what a bay holds at a level: volume and its slope, from the layers of the site file.
// It is the nominal curve; the account learns a scale and a tilt beside it.
type Curve struct {
	step   float64   // m between two entries
	slope  []float64 // m2, dV/dh at i*step
	volume []float64 // m3, integral of slope
	moment []float64 // m4, integral of z times slope
	// StoneTopM is the underside of the surface layer, TopM the top of the fill.
	StoneTopM, TopM float64
}

// curveStep is fine enough for a taper of some millimetres and keeps a bay at a few hundred
// entries.
const curveStep = 0.0005

// leastPorosity keeps the slope above zero where the clay takes next to nothing: below it a
// level would say nothing about water, and above it the level is still a level.
const leastPorosity = 0.004

// NewCurve builds the nominal storage curve of a bay:
//
//	V(h) = A * integral from 0 to h of phi(z) F(z) dz
//
// phi is the layer's drainable porosity. In the surface layer it falls in a straight line from
// the layer's own figure to nearly nothing at the top, because clay near the surface gives its
// water to the air and not to the table (design: 1 mm of rain may lift the level 10). Over the
// ten millimetres under the surface layer it passes from the stone's figure to the clay's, the
// height over which capillary water stands in the stone. F is the share of the floor that lies
// below z when the liner's height varies normally with the stated unevenness about a mean of
// twice that above its lowest point; 1 for an even floor.
func NewCurve(b *site.Bay) *Curve {
	top := b.DepthM()
	if top <= 0 {
		top = 0.1
	}
	n := int(math.Ceil(top/curveStep)) + 1
	c := &Curve{step: curveStep, slope: make([]float64, n), volume: make([]float64, n), moment: make([]float64, n), StoneTopM: b.SurfaceBottomM(), TopM: top}
	for i := range c.slope {
		z := float64(i) * curveStep
		c.slope[i] = b.AreaM2 * max(leastPorosity, porosityAt(b, z)) * wetted(z, b.FloorUnevenM)
		if i > 0 {
			strip := (c.slope[i] + c.slope[i-1]) / 2 * curveStep
			c.volume[i] = c.volume[i-1] + strip
			c.moment[i] = c.moment[i-1] + strip*(z-curveStep/2)
		}
	}
	return c
}

func porosityAt(b *site.Bay, z float64) float64 {
	const blend = 0.010
	from := 0.0
	below := math.NaN()
	for _, l := range b.Layers {
		to := from + l.DepthM
		if z < to || l == b.Layers[len(b.Layers)-1] {
			phi := l.DrainablePorosity
			if l.Surface && l.DepthM > 0 {
				return phi * max(0, 1-(z-from)/l.DepthM)
			}
			// The stone just under the surface layer.
			if next := nextLayer(b, to); next != nil && next.Surface && z > to-blend {
				return phi + (next.DrainablePorosity-phi)*(z-(to-blend))/blend
			}
			return phi
		}
		below, from = l.DrainablePorosity, to
	}
	if math.IsNaN(below) {
		return 0.3 // a bay without layers: the middle of the span expected of stone
	}
	return below
}

func nextLayer(b *site.Bay, from float64) *site.Layer {
	z := 0.0
	for i := range b.Layers {
		if math.Abs(z-from) < 1e-9 && i > 0 {
			return &b.Layers[i]
		}
		z += b.Layers[i].DepthM
	}
	return nil
}

func wetted(z, uneven float64) float64 {
	if !(uneven > 0) {
		return 1
	}
	// At least a little is wet, or the slope would vanish at the lowest point.
	return max(0.02, 0.5*math.Erfc(-(z-2*uneven)/(uneven*math.Sqrt2)))
}

// Volume returns the water held at mean level h metres above the liner, in cubic metres. h below
// 0 counts as 0. Above the top of the fill the curve goes on with its last slope and the result
// is marked extrapolated. NaN gives NaN.
func (c *Curve) Volume(h float64) (m3 float64, extrapolated bool) {
	if math.IsNaN(h) {
		return h, true
	}
	last := len(c.volume) - 1
	x := h / c.step
	switch {
	case x <= 0:
		return 0, h < 0
	case x >= float64(last):
		return c.volume[last] + (h-float64(last)*c.step)*c.slope[last], h > c.TopM
	}
	i := int(x)
	f := x - float64(i)
	// Exact integral of the straight line between two entries of the slope.
	s := c.slope[i] + (c.slope[i+1]-c.slope[i])*f/2
	return c.volume[i] + s*f*c.step, false
}

// Slope returns dV/dh at level h, m2; the end values hold beyond the ends. NaN gives NaN.
func (c *Curve) Slope(h float64) float64 {
	if math.IsNaN(h) {
		return h
	}
	last := len(c.slope) - 1
	x := h / c.step
	switch {
	case x <= 0:
		return c.slope[0]
	case x >= float64(last):
		return c.slope[last]
	}
	i := int(x)
	return c.slope[i] + (c.slope[i+1]-c.slope[i])*(x-float64(i))
}

// tilted returns the integral of slope(z) * clamp(z-ref, -reach, reach) from ref to h, m4: what a
// unit of tilt adds to the water between two levels. Beyond reach the tilt is held, so that a
// shape learned near the set point does not run away far from it.
func (c *Curve) tilted(ref, h float64) float64 {
	inside := max(ref-tiltReach, min(ref+tiltReach, h))
	v0, _ := c.Volume(ref)
	v1, _ := c.Volume(inside)
	t := c.momentAt(inside) - c.momentAt(ref) - ref*(v1-v0)
	if h != inside {
		v2, _ := c.Volume(h)
		t += (inside - ref) * (v2 - v1)
	}
	return t
}

// tiltReach is how far from the reference level the learned tilt is believed, m.
const tiltReach = 0.030

func (c *Curve) momentAt(h float64) float64 {
	last := len(c.moment) - 1
	x := h / c.step
	switch {
	case x <= 0:
		return 0
	case x >= float64(last):
		d := h - float64(last)*c.step
		return c.moment[last] + c.slope[last]*d*(float64(last)*c.step+d/2)
	}
	i := int(x)
	return c.moment[i] + (c.moment[i+1]-c.moment[i])*(x-float64(i))
}
