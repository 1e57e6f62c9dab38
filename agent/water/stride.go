package water

import "math"

// stride closes the balance from the last stride to now.
func (y *bay) stride(from, now int64, k *sky) {
	st := &y.st
	f, s := &st.F, &y.step
	y.fades(now, 0)
	hand := st.ByHandM3 * 1000
	y.expect(from, now, hand, k)
	y.warm(s.DT, k.TempC)
	m := y.meanLevel()
	if math.IsNaN(f.Ref) {
		if m.n > 0 {
			y.firstLevel(m, now)
		}
		y.endStride(now, s, k, hand)
		return
	}
	y.holdLearning(m.mm, now)
	lost := f.predict(s, hand, y.b.AreaM2) - s.Metered
	st.Overflowed = false
	after := 0.0
	if m.n > 0 {
		after = y.observe(m, now)
	}
	y.settledSpan(s, m.mm, -lost-hand, now)
	if y.st.Span.N == spanMean && y.astray() {
		y.findTheWay(y.st.Span.Mean)
	}
	y.endStride(now, s, k, hand)
	y.rest(s, m.mm, m.x, after, -lost-hand, now)
}

// expect sets up the step with what the stride's weather, clay and meter let expect, and how uncertain that is.
func (y *bay) expect(from, now int64, hand float64, k *sky) {
	st := &y.st
	f, s := &st.F, &y.step
	area := y.b.AreaM2
	*s = step{DT: float64(now-from) / 3.6e6, Metered: st.IncM3 * 1000, Rain: k.RainMM * area, ET: k.ETmm * area, Base: k.Base, ETU: k.U, Quiet: st.Quiet}
	y.clay(s, k.Day)
	// Within an hour a cloud or a gust, and in an evening the clay, depart from their learned
	// shares by a good part: an hour is twelve strides that err together.
	wet := f.X[sWet1]*s.Wet[0] + f.X[sWet2]*s.Wet[1]
	// Rain soaks through the clay for hours after it fell; half of what is on its way may come
	// at any time, or never.
	const tauSoak = 3.0
	st.Soak += s.Rain
	soak := st.Soak * (1 - math.Exp(-s.DT/tauSoak))
	st.Soak -= soak
	s.NoiseW = y.offHome(s.DT)
	s.NoiseW += (sq(0.8*k.U*s.ET) + sq(0.3*wet) + sq(0.5*soak)) * float64(hour) / float64(now-from)
	if hand > 0 {
		st.LastHandT = now
		s.NoiseW += sq(0.2*hand) + sq(0.2*area)
	}
	if k.RainMM > 0 {
		st.LastRainT = now
		if k.RainMM > 0.1 {
			// A wet surface drinks first from itself: for some hours evaporation is not the bay's.
			f.P[sE][sE] = max(f.P[sE][sE], 0.25)
		}
	}
	if !y.metered && st.ValveKnow && (st.ValveOpen || now-st.ValveChangeT < 10*minute) {
		s.NoiseW += sq(2 * st.HabitFlow * s.DT * 3.6e6)
	}
}

// warm follows how warm the level sensor is: as the water is where that is read, else as the air was hours ago.
func (y *bay) warm(dt, airC float64) {
	st := &y.st
	switch {
	case y.waterTemp != nil:
		st.SensorC = st.WaterTempC
	case math.IsNaN(st.SensorC):
		st.SensorC = airC
	case !math.IsNaN(airC):
		st.SensorC += (airC - st.SensorC) * dt / (tauWarm + dt)
		st.SensorLagC = airC - st.SensorC
	}
}

// clay dries while the sun evaporates and wets again from below when it has set.
func (y *bay) clay(s *step, day bool) {
	st := &y.st
	for n, tau := range clayTau {
		if day {
			st.ClayL[n] += s.ET
			continue
		}
		s.Wet[n] = st.ClayL[n] * (1 - math.Exp(-s.DT/tau))
		st.ClayL[n] -= s.Wet[n]
	}
	late := (st.LateL + s.ET/2) * (1 - math.Exp(-s.DT/clayLate))
	st.LateL += s.ET - late
	st.Cum.Late += late
}

// offHome follows where the level lives and returns the variance, L2, that a move beyond it adds in dt hours.
// There the shape of the curve is not learned but guessed: a sixth of the slope, or what the filter's own
// scale and that of the settled spans differ by, alike over about ten millimetres.
func (y *bay) offHome(dt float64) (v float64) {
	st := &y.st
	f := &st.F
	if d := math.Abs(f.H - st.HomeMM); d > 3+2*st.RoamMM {
		moved := math.Abs(f.H - st.WasMM)
		scale, _ := y.curveScale()
		rel := max(0.15, math.Abs(f.X[sScale]-scale)/f.X[sScale])
		v = sq(rel*f.slope(y.curve, f.H)) * min(moved, 5) * 10
	}
	if math.IsNaN(f.H) {
		return v
	}
	a := dt / (48 + dt)
	if math.IsNaN(st.HomeMM) {
		st.HomeMM = f.H
	}
	st.RoamMM += a * (math.Abs(f.H-st.HomeMM) - st.RoamMM)
	st.HomeMM += a * (f.H - st.HomeMM)
	st.WasMM = f.H
	return v
}

// meanLevel is what the level's good readings of a stride come to.
type meanLevel struct {
	n  int
	mm float64    // NaN for none
	v  float64    // its variance by the readings' own noise and resolution, mm2
	x  [3]float64 // the chamber's lead at their mean moment
}

func (y *bay) meanLevel() meanLevel {
	st := &y.st
	if st.SumN == 0 {
		return meanLevel{mm: math.NaN()}
	}
	m := meanLevel{n: st.SumN, mm: st.SumH / float64(st.SumN), v: st.NoiseMM2 / float64(st.SumN)}
	for i := range m.x {
		m.x[i] = st.SumX[i] / float64(m.n)
	}
	if y.level != nil && y.level.Resolution > 0 {
		// A step that the noise does not shake out does not average out either.
		if res := y.level.Resolution * 1000; st.NoiseMM2 < sq(res/2) {
			m.v = max(m.v, res*res/12)
		}
	}
	return m
}

// firstLevel begins the account.
func (y *bay) firstLevel(m meanLevel, now int64) {
	st := &y.st
	f := &st.F
	f.Ref, f.H = m.mm, m.mm
	f.P[sW][sW] = sq(2*slopeMM(y.curve, m.mm)) + m.v
	st.Started = now
	st.Dry = m.mm < 0.25*y.curve.StoneTopM*1000
	f.Hold = true
}

// holdLearning lets learning rest during a first fill, because dry stone takes more than drains from it, in
// maintenance, and while watch has a finding open here.
func (y *bay) holdLearning(mm float64, now int64) {
	st := &y.st
	if st.Dry && !math.IsNaN(mm) && mm > 0.8*min(y.curve.StoneTopM*1000, nanOr(st.SetMM, math.Inf(1))) && !st.Runs {
		st.Dry = false
	}
	st.F.Hold = st.Dry || st.LearnHold || st.Maintain > now
}

// observe holds the step against the level that was read, and returns the litres that came in after the
// readings' mean moment.
func (y *bay) observe(m meanLevel, now int64) (after float64) {
	st := &y.st
	f, s := &st.F, &y.step
	r := y.levelVariance(m, now)
	s.Poor = s.Poor || m.mm > y.curve.StoneTopM*1000-10
	if y.b.CrestM > 0 && m.mm >= y.b.CrestM*1000-1 {
		st.Overflowed, s.Poor = true, true
		f.P[sW][sW] += sq(30 * s.DT * 60)
	}
	if !y.metered && !st.ValveKnow && m.mm-(f.H+f.X[sB]) > 4 {
		f.P[sW][sW] += sq((m.mm - f.H) * f.slope(y.curve, f.H)) // an unseen fill
	}
	wBefore := f.X[sW]
	// The mean level is that of a moment when part of the water had not come in yet.
	after = (st.IncM3 - st.SumInc/float64(m.n)) * 1000
	f.observe(s, m.mm, r, after, m.x, y.curve)
	if st.Overflowed {
		st.Cum.OverflowRan = true
		st.Cum.Overflow += max(0, wBefore-f.X[sW])
	}
	s.Slip = s.Out && st.WasNu*s.Nu < s.Nu*s.Nu/3
	st.WasNu = s.Nu
	st.Wet = 0.75*st.Wet + 0.66*s.Nu/math.Sqrt(s.S)
	y.judgeNoise(s, now)
	y.outOfLine(s, m.mm, now)
	return after
}

// levelVariance is by how much the mean level may differ from the water that stands in the bay, mm2.
func (y *bay) levelVariance(m meanLevel, now int64) float64 {
	st := &y.st
	f := &st.F
	r := m.v
	lead, _, _ := y.lead(m.x) // its uncertainty is carried by the filter, through the learned heights
	r += sq(0.15 * lead)
	if st.Runs || now-st.RunT < 5*minute {
		r += sq(0.25*lead) + sq(0.3)
	}
	if y.meter != nil && y.meter.PulseM3 > 0 {
		r += sq(y.meter.PulseM3*1000/f.slope(y.curve, f.H)) / 12
	}
	if top := y.curve.StoneTopM * 1000; m.mm > top-10 {
		// What the clay and the stone just under it hold is known to a third at best.
		r += sq(0.3 * (volumeMM(y.curve, m.mm) - volumeMM(y.curve, top-10)) / f.slope(y.curve, m.mm-lead))
	}
	// Nobody saw what came in before the start; a chamber may still be sinking from it.
	if age := now - st.Started; age < 4*hour {
		r += sq(6 * math.Exp(-float64(age)/float64(40*minute)))
	}
	if y.level.Unvented {
		// Air pressure moves by about a third of a hectopascal an hour: three millimetres.
		r += sq(3.0)
	}
	return st.RScale*r + sq(0.02)
}

// judgeNoise learns how noisy the mean level of a stride truly is.
func (y *bay) judgeNoise(s *step, now int64) {
	st := &y.st
	if st.F.Hold || s.Poor || s.Out || now-st.Started < 6*hour {
		return
	}
	z2 := min(9, s.Nu*s.Nu/s.S)
	st.ZN++
	st.RScale *= math.Exp((z2 - 1) / max(100, min(st.ZN, 600)) * 0.5)
	st.RScale = max(0.3, min(20, st.RScale))
}

// outOfLine sees to a level that stays far from what the balance expects: after three strides it
// has truly jumped.
func (y *bay) outOfLine(s *step, h float64, now int64) {
	st := &y.st
	z := s.Nu / math.Sqrt(s.S)
	switch {
	case s.Out && z > 0:
		st.OutRun = max(1, st.OutRun+1)
	case s.Out:
		st.OutRun = min(-1, st.OutRun-1)
	default:
		st.OutRun = 0
		return
	}
	if st.OutRun >= 3 || st.OutRun <= -3 {
		l := s.Nu
		st.F.P[sW][sW] += l * l
		st.Jumps = append(st.Jumps, jump{now, l})
		if len(st.Jumps) > 32 {
			st.Jumps = st.Jumps[1:]
		}
		st.OutRun = 0
	}
}

// endStride books the stride and clears what it summed.
func (y *bay) endStride(now int64, s *step, k *sky, hand float64) {
	st := &y.st
	c := &st.Cum
	dh := 0.0
	if !math.IsNaN(st.F.Ref) && !math.IsNaN(st.F.H) {
		dh = st.F.H - st.F.Ref
	}
	c.T = now
	c.Metered += s.Metered
	c.Hand += hand
	c.Rain += rainCatch * s.Rain
	if k.RainMM > 0 {
		c.RainU += sq(0.35 * s.Rain)
	}
	c.ET += s.ET
	c.Over += (k.ETmm - k.UsualMM) * y.b.AreaM2
	c.ETdh += s.ET * dh
	c.Wet[0] += s.Wet[0]
	c.Wet[1] += s.Wet[1]
	c.ETmm += k.ETmm
	c.Method = max(c.Method, k.Method)
	if !k.Day {
		c.Dark += s.DT
	}
	if st.Maintain > now || st.Dry || st.Blind || !s.Obs && y.meter == nil {
		c.Spoils++
	}
	for i, b := range s.Base {
		c.Base[i] += b * s.DT
	}
	c.H, c.Ref = st.F.H, st.F.Ref
	lead, uLead, _ := y.lead(st.X)
	u := math.Sqrt(st.NoiseMM2/8 + st.F.P[sB][sB] + uLead*uLead + sq(0.15*lead))
	c.UH = u
	c.Settled = !st.Runs && math.Abs(lead) < 1 && u < 1.5
	st.IncM3, st.ByHandM3 = 0, 0
	st.SumH, st.SumInc, st.SumX, st.SumN = 0, 0, [3]float64{}, 0
	st.Seq++
}
