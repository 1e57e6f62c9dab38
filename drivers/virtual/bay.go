package virtual

import "math"

// The chain of zones from the inlet to the far end: their shares of the area, and how much
// quicker water crosses the first border than the second.
var zoneShares = [3]float64{0.12, 0.33, 0.55}

const (
	near, middle, far = 0, 1, 2
	nearQuicker       = 6
	// weirCd is the coefficient of a broad edge: Q = weirCd * length * head^1.5, m3/s.
	weirCd = 1.7
	// sumpM is how far the chamber reaches below the liner, so that its sensor stays wet.
	sumpM = 0.05
	// percS is the time water needs to seep down through saturated clay.
	percS = 900
	// upwardMS is the most water that rises by capillary force with the table upwardAtM below
	// the surface; it falls with the square of that depth.
	upwardMS  = 1.5e-3 / 3600
	upwardAtM = 0.05
)

// bay is the state of one bay.
type bay struct {
	cfg   *BayConfig
	curve *curve
	zones [3]zone
	// cross are the conductances between the zones at the usual level, m2/s.
	cross                [2]float64
	clayM3, clayMaxM3    float64
	percM3, soakedM3     float64
	chamberM3, chamberM  float64
	pipe                 float64 // m2/s, chamber to the near zone
	usualM               float64
	fx                   effects
	book                 book
	valve                valve
	ctl                  fillState
	sensor               sensor
	meter                meter
	handM3S              float64
	leaking, seeping     float64 // m3/s of the last step, to know the onset
	overflowing, slipped float64 // m3 of the last step
}

// valve is the fill valve: where it stands, between 0 shut and 1 open, and what runs through.
type valve struct {
	position float64
	coef     float64 // m3/s per square root of Pa, wide open
	flow     float64 // m3/s of the last step
	// settled counts the seconds since the command last changed.
	settled float64
}

func newBay(c *BayConfig, s *Supply) *bay {
	b := &bay{cfg: c, curve: newCurve(c), fx: noEffects()}
	// Settling times are stated for a bay that is two thirds full.
	b.usualM = b.curve.topM * 2 / 3
	usual := b.curve.porosityAt(b.usualM)
	for i := range b.zones {
		z := &b.zones[i]
		z.areaM2 = c.AreaM2 * zoneShares[i]
		z.meanM = c.LevelM
		z.volM3 = b.curve.volume(c.LevelM) * z.areaM2
		z.settle(b.curve, c)
		z.wetM = c.LevelM
	}
	pair := func(i int, tau float64) float64 {
		a, d := b.zones[i].areaM2*usual, b.zones[i+1].areaM2*usual
		return a * d / (a + d) / tau
	}
	b.cross[0], b.cross[1] = pair(near, c.SpreadS/nearQuicker), pair(middle, c.SpreadS)
	b.pipe = c.ChamberM2 / c.ChamberS
	b.chamberM = b.zones[near].levelM
	b.chamberM3 = c.ChamberM2 * (b.chamberM + sumpM)
	b.clayMaxM3 = c.ClayWaterM * c.AreaM2
	b.clayM3 = b.clayMaxM3 * moist(b.curve.topM-c.LevelM)
	b.valve.coef = c.FillM3S / math.Sqrt(s.PressurePa-s.SagPa)
	b.valve.settled = 1e9
	return b
}

// moist is the part of the clay's water that capillary rise can hold up with the water table
// depth m below the surface.
// (near exp(-depth/0.25 m), without its cost).
func moist(depth float64) float64 {
	x := max(0, depth) / 0.25
	return 1 / (1 + x + 0.5*x*x)
}

// porosityAt is the porosity of the mean curve at level h.
func (c *curve) porosityAt(h float64) float64 {
	hint := 0
	_, p := c.level(c.volume(h), &hint)
	return p
}

// step moves the bay's water by dt seconds. Every volume that moves is added to one side and
// taken from the other and entered in the book, so mass closes whatever the fluxes are.
func (b *bay) step(dt float64, a *Air) {
	c := b.cfg
	zn, zm, zf := &b.zones[near], &b.zones[middle], &b.zones[far]

	// Fill water comes in at the near end.
	if in := b.valve.flow * dt; in > 0 {
		zn.volM3 += in
		b.book.filled.add(in)
	}
	if b.handM3S > 0 {
		v := b.handM3S * dt
		b.wet(v)
		b.book.hand.add(v)
	}
	if a.RainMS > 0 {
		v := a.RainMS * dt * c.AreaM2 * c.Catch
		b.wet(v)
		b.book.rain.add(v)
	}
	if b.percM3 > 0 {
		v := b.percM3 * dt / (percS + dt)
		if b.percM3 < 1e-9 {
			v = b.percM3
		}
		b.percM3 -= v
		for i := range b.zones[:far] {
			z := &b.zones[i]
			z.volM3 += v * zoneShares[i]
		}
		zf.volM3 += v - v*zoneShares[near] - v*zoneShares[middle]
	}

	b.surface(dt, a)

	// Water spreads; the stone carries more the higher it is filled.
	flow := func(p, q *zone, g float64) {
		wet := 0.5 * (p.levelM + q.levelM) / b.usualM
		v := exchange(p.levelM, q.levelM, p.capacity(), q.capacity(), g*min(max(wet, 0.05), 3), dt)
		v = within(v, p.volM3, q.volM3)
		p.volM3 -= v
		q.volM3 += v
	}
	flow(zn, zm, b.cross[0])
	flow(zm, zf, b.cross[1])

	v := exchange(b.chamberM, zn.levelM, c.ChamberM2, zn.capacity(), b.pipe/b.fx.clog, dt)
	v = within(v, b.chamberM3, zn.volM3)
	b.chamberM3 -= v
	zn.volM3 += v

	b.overflow(dt)

	b.leaking = 0
	if hole := c.LeakM2 + b.fx.leakM2; hole > 0 {
		// The hole is under the middle of the bay.
		v := min(Orifice(sharpEdge, hole, zm.levelM)*dt, zm.volM3)
		zm.volM3 -= v
		b.book.leaked.add(v)
		b.leaking = v / dt
	}

	for i := range b.zones {
		b.zones[i].settle(b.curve, c)
		if c.Retention > 0 {
			b.soak(&b.zones[i])
		}
	}
	b.chamberM = b.chamberM3/c.ChamberM2 - sumpM
}

// soak lets stone that has been dry until now keep what it will never drain again.
func (b *bay) soak(z *zone) {
	rise := min(z.levelM, b.curve.topM) - z.wetM
	if rise <= 0 {
		return
	}
	v := min(rise*z.areaM2*b.cfg.Retention, 0.5*z.volM3)
	z.wetM += v / (z.areaM2 * b.cfg.Retention)
	z.volM3 -= v
	b.soakedM3 += v
	z.settle(b.curve, b.cfg)
}

// within bounds a volume that goes from a to b, or back when it is negative, by what is there.
func within(v, a, b float64) float64 { return min(max(v, -b), a) }

// wet puts water on the surface: the clay takes what it lacks, the rest seeps down.
func (b *bay) wet(v float64) {
	take := min(v, b.clayMaxM3-b.clayM3)
	if take < 0 {
		take = 0
	}
	b.clayM3 += take
	b.percM3 += v - take
}

// surface dries the clay into the air and wets it from below.
func (b *bay) surface(dt float64, a *Air) {
	c := b.cfg
	// Clay gives freely until half its water is gone, then less and less.
	part := min(1, b.clayM3/(0.5*b.clayMaxM3))
	if v := min(a.EvaporationMS*c.Factor*part*dt*c.AreaM2, b.clayM3); v > 0 {
		b.clayM3 -= v
		b.book.evaporated.add(v)
	}
	for i := range b.zones {
		z := &b.zones[i]
		depth := max(b.curve.topM-z.levelM, 0.005)
		lack := b.clayMaxM3*moist(depth) - b.clayM3
		if lack <= 0 {
			continue
		}
		most := upwardMS * upwardAtM * upwardAtM / (depth * depth) * c.AreaM2
		v := min(lack/c.RewetS, most) * dt * zoneShares[i]
		v = min(v, z.volM3)
		z.volM3 -= v
		b.clayM3 += v
	}
}

// overflow lets run what stands above the crest, what an open drain takes, and what stands
// above the kerb.
func (b *bay) overflow(dt float64) {
	c, z := b.cfg, &b.zones[near]
	b.overflowing, b.slipped = 0, 0
	if b.fx.drainM2 > 0 {
		v := min(Orifice(sharpEdge, b.fx.drainM2, z.levelM)*dt, 0.5*max(z.levelM, 0)*z.capacity(), z.volM3)
		z.volM3 -= v
		b.book.displaced.add(v)
	}
	crest := c.CrestM - b.fx.crestDownM
	if b.fx.noOverflow {
		crest = 0
	}
	if head := z.levelM - crest; head > 0 && !b.fx.overflowBlocked {
		v := min(weirCd*c.OverflowM*head*math.Sqrt(head), c.OverflowM3S) * dt
		v = min(v, 0.5*head*z.capacity(), z.volM3)
		z.volM3 -= v
		if z.levelM > c.CrestM {
			b.book.overflowed.add(v)
			b.overflowing = v
		} else {
			b.book.displaced.add(v)
			b.slipped = v
		}
	}
	for i := range b.zones {
		z := &b.zones[i]
		if stand := z.levelM - b.curve.topM - c.KerbM; stand > 0 {
			v := min(stand*z.areaM2*dt/(30+dt), z.volM3)
			z.volM3 -= v
			b.book.overflowed.add(v)
			b.overflowing += v
		}
	}
}

// seep lets water cross the edge between two bays' far ends by the difference of their levels.
func seep(a, b *bay, g, dt float64) float64 {
	p, q := &a.zones[far], &b.zones[far]
	v := within(exchange(p.levelM, q.levelM, p.capacity(), q.capacity(), g, dt), p.volM3, q.volM3)
	p.volM3 -= v
	q.volM3 += v
	a.book.seeped.add(v)
	b.book.seeped.add(-v)
	return v
}
