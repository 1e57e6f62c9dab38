package water

import (
	"math"
	"slices"

	"bayledger/agent/site"
)

// Curve is what a bay holds at a level: volume and its slope, from the layers of the site file.
// It is the nominal curve; the account learns a scale and a tilt beside it.
type Curve struct {
	step   float64   // m between two entries
	slope  []float64 // m2, dV/dh at i*step
	volume []float64 // m3, integral of slope
	moment []float64 // m4, integral of z times slope
	gap    []float64 // m3 that the draining branch holds more than the filling one; nil where they are one
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
// twice that above its lowest point; 1 for an even floor. Up to the last level of a table of what the
// bay was measured to hold, the table takes the layers' place.
//
// Stone that has drained and is filled again takes up less than it gave, for air is caught in it
// (Fayer and Hillel 1986, Soil Sci. Soc. Am. J. 50:572; Nachabe 2002, Water Resources Research 38:
// 1193; from memory). Where layers or table tell a filling branch from the draining one, the curve
// lies in the middle, and branchU is how far what is held may lie beside it.
func NewCurve(b *site.Bay) *Curve {
	top := b.DepthM()
	if top <= 0 {
		top = 0.1
	}
	n := int(math.Ceil(top/curveStep)) + 1
	gap := make([]float64, n) // its slope, to begin with
	c := &Curve{step: curveStep, slope: make([]float64, n), volume: make([]float64, n), moment: make([]float64, n), StoneTopM: b.SurfaceBottomM(), TopM: top}
	for i := range c.slope {
		z := float64(i) * curveStep
		drains, fills := slopesAt(b, z)
		c.slope[i] = (drains + fills) / 2
		gap[i] = drains - fills
		if i > 0 {
			strip := (c.slope[i] + c.slope[i-1]) / 2 * curveStep
			c.volume[i] = c.volume[i-1] + strip
			c.moment[i] = c.moment[i-1] + strip*(z-curveStep/2)
		}
	}
	most, slope := 0.0, gap[0]
	gap[0] = 0
	for i := 1; i < n; i++ {
		here := gap[i]
		gap[i] = max(0, gap[i-1]+(here+slope)/2*curveStep)
		slope, most = here, max(most, gap[i])
	}
	if most > 0 {
		c.gap = gap
	}
	return c
}

// branchU is the standard uncertainty, m3, of the water between two levels that comes of not knowing
// where between the branches the bay stands at either: at each a rectangle from one to the other (GUM
// 4.3.7), as far as the way between the levels is long enough to go over. That takes about twice the
// height by which they lie apart, for after a turn the first water moves the level about twice as far.
func (c *Curve) branchU(low, high float64) float64 {
	if c.gap == nil {
		return 0
	}
	at := max(0, min((low+high)/2, c.TopM))
	gap := c.gap[min(int(at/c.step), len(c.gap)-1)]
	if gap == 0 {
		return 0
	}
	return gap / math.Sqrt(6) * min(1, math.Abs(high-low)*c.Slope(at)/(2*gap))
}

// slopesAt is how much the bay gives and takes for each metre of level at z, m2: draining, and filling.
func slopesAt(b *site.Bay, z float64) (drains, fills float64) {
	if drains, fills, ok := tableSlopes(b.Storage, z); ok {
		least := b.AreaM2 * leastPorosity
		return max(least, drains), max(least, fills)
	}
	wet := b.AreaM2 * wetted(z, b.FloorUnevenM)
	drains = wet * max(leastPorosity, porosityAt(b, z, drainable))
	if !slices.ContainsFunc(b.Layers, func(l site.Layer) bool { return l.FillablePorosity > 0 }) {
		return drains, drains
	}
	return drains, wet * max(leastPorosity, porosityAt(b, z, fillable))
}

// tableSlopes are the mean slopes of a storage table over one step of the curve about z; ok is false
// beyond its last level.
func tableSlopes(table []site.StoragePoint, z float64) (drains, fills float64, ok bool) {
	if len(table) == 0 || z > table[len(table)-1].LevelM {
		return 0, 0, false
	}
	at := func(h float64) (holds, filled float64) {
		var a site.StoragePoint // empty at the liner
		for i, b := range table {
			if h <= b.LevelM || i == len(table)-1 {
				f := (h - a.LevelM) / (b.LevelM - a.LevelM)
				return a.HoldsM3 + f*(b.HoldsM3-a.HoldsM3), a.FilledM3 + f*(b.FilledM3-a.FilledM3)
			}
			a = b
		}
		return 0, 0
	}
	from, to := max(0, z-curveStep/2), z+curveStep/2
	h0, f0 := at(from)
	h1, f1 := at(to)
	return (h1 - h0) / (to - from), (f1 - f0) / (to - from), true
}

func drainable(l *site.Layer) float64 { return l.DrainablePorosity }

func fillable(l *site.Layer) float64 {
	if l.FillablePorosity > 0 {
		return l.FillablePorosity
	}
	return l.DrainablePorosity
}

// blendM is the height of capillary water in stone.
const blendM = 0.010

func porosityAt(b *site.Bay, z float64, of func(*site.Layer) float64) float64 {
	from := 0.0
	below := math.NaN()
	for i := range b.Layers {
		l := &b.Layers[i]
		to := from + l.DepthM
		if z < to || i == len(b.Layers)-1 {
			phi := of(l)
			if l.Surface && l.DepthM > 0 {
				return phi * max(0, 1-(z-from)/l.DepthM)
			}
			// The stone just under the surface layer.
			if next := nextLayer(b, to); next != nil && next.Surface && z > to-blendM {
				return phi + (of(next)-phi)*(z-(to-blendM))/blendM
			}
			return phi
		}
		below, from = of(l), to
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
