package agent_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// lumped is the second pump house of the scorecard, made to be wrong in other ways than
// drivers/virtual: a bay is one store with one smooth curve (no layers, no hysteresis), a fill
// stands as a mound that drains into it, evaporation follows Priestley and Taylor (1972) with an
// extinction depth instead of a resistance, there is no moisture store in the clay, and nothing
// at all happens at night. It lives in the tests of the scorecard and nowhere else.
type lumped struct {
	st    *site.Site
	rng   *rand.Rand
	start time.Time
	at    time.Time
	poll  time.Duration
	bays  []*lumpedBay
	sky   lumpedSky
	fault *fault

	windows    []site.DayWindow
	oneAtATime bool

	staticPa, sagPa, pressurePa float64
	supplied                    bool
	mainM3, mainStartM3S        float64
	lineLeakM3S                 float64
	mainTicks                   register
	rainTicks                   float64
	acts                        []act
	out                         []site.Sample
	recs                        []site.Record
}

// step of the model. The flows are slow against it: the fastest time constant drawn is a minute.
const lumpedStep = 10 * time.Second

type lumpedBay struct {
	id string
	areaM2, depthM, porosity,
	sharp, knee float64 // storage: porosity falls towards the clay
	crestM, crestWidth   float64
	factor, extinctionM  float64
	catch                float64
	moundS, chamberS     float64
	moundShare           float64
	sensor               struct{ noiseM, perDegM, offsetM float64 }
	pulseM3, startM3S    float64
	meterErr             float64
	fillM3S, travelS     float64
	band                 float64
	confirmS, pauseS     float64
	maxRunS              float64
	curveV               []float64 // held water at level i*curveStep
	nominalA, nominalPhi float64

	set                   float64 // set point now
	heldM3, moundM3       float64
	levelM, chamberM      float64
	seenM                 float64 // what the controller believes
	command               bool
	commandFor            float64 // seconds since the command changed
	belowFor              float64
	opening               float64 // 0 to 1
	flowM3S               float64
	total                 register
	pulsesNow, pulsesLast int // of this step and the one before
	frozenM               float64
	lateM3                float64 // water put on by hand that has not gone down yet
	t                     truth
}

const curveStep = 0.0005

// register counts pulses.
type register struct{ m3, shownM3, pulseM3 float64 }

func (r *register) add(m3 float64) (pulses int) {
	r.m3 += m3
	n := math.Floor((r.m3 - r.shownM3) / r.pulseM3)
	if n > 0 {
		r.shownM3 += n * r.pulseM3
	}
	return int(n)
}

// newLumped draws a pump house. Everything about it comes from the seed.
func newLumped(p plan) *lumped {
	rng := rand.New(rand.NewPCG(p.seed, 0x1a3b))
	l := &lumped{rng: rng, start: p.start, at: p.start, poll: p.poll, fault: p.fault, supplied: true}
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	logBetween := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	st := &site.Site{ID: "lumped", Name: "lumped", Zone: zone, LatitudeDeg: between(44, 56), LongitudeDeg: between(5, 20),
		ElevationM: between(0, 500), Attended: site.DayWindow{From: 7 * 60, To: 19 * 60}, FalsePagesPerSeason: 0.03,
		Revision: fmt.Sprintf("lumped-%d", p.seed)}
	for i := range st.MonthlyET {
		st.MonthlyET[i] = 1e-3 * (2.4 - 2*math.Cos(2*math.Pi*float64(i)/12))
	}
	l.staticPa = between(230e3, 380e3)
	l.sagPa = between(0.005, 0.035) * l.staticPa // six valves at once stay inside the band
	st.SupplyLowPa, st.SupplyHighPa = l.staticPa*0.72, l.staticPa*1.2
	switch rng.IntN(4) {
	case 0:
		l.windows = []site.DayWindow{{From: 20 * 60, To: 8 * 60}}
	case 1:
		l.windows = []site.DayWindow{{From: 19 * 60, To: 9 * 60}}
	}
	l.oneAtATime = rng.IntN(3) == 0
	pulse := []float64{0.1e-3, 0.25e-3, 0.5e-3, 1e-3}[rng.IntN(4)]
	first := math.NaN()
	for i, id := range []string{"A1", "A2", "A3", "B1", "B2", "B3"} {
		if i%3 == 0 {
			st.Courts = append(st.Courts, site.Court{ID: id[:1], Name: id[:1]})
		} else {
			st.Neighbours = append(st.Neighbours, [2]string{st.Courts[i/3].Bays[i%3-1].ID, id})
		}
		clay := between(0.02, 0.03)
		b := &lumpedBay{id: id, areaM2: logBetween(60, 150), depthM: between(0.115, 0.155), porosity: logBetween(0.15, 0.36),
			sharp: between(0.004, 0.012), factor: between(0.55, 1.15), catch: between(0.7, 1), moundS: logBetween(400, 2400),
			chamberS: logBetween(60, 300), moundShare: between(0.1, 0.3), pulseM3: pulse, startM3S: logBetween(10e-3, 60e-3) / 3600,
			meterErr: 0.01 * rng.NormFloat64(), fillM3S: logBetween(14, 42) * 1e-3 / 60, travelS: between(2, 25), band: between(3, 6) * 1e-3,
			confirmS: between(20, 120), pauseS: between(300, 1800), maxRunS: between(20, 60) * 60}
		b.knee = b.depthM - clay*between(0.2, 0.6)
		b.extinctionM = between(0.15, 0.4)
		b.crestM = b.depthM - clay + between(-0.004, 0.004)
		b.crestWidth = between(0.1, 0.4)
		b.sensor.noiseM = logBetween(0.1e-3, 0.8e-3)
		b.sensor.perDegM = 0.04e-3 * rng.NormFloat64()
		b.sensor.offsetM = 0.5e-3 * rng.NormFloat64()
		b.set = math.Round((b.crestM-between(0.018, 0.045))/0.0025) * 0.0025
		if id == p.apart[0] {
			first = b.set
		}
		if id == p.apart[1] {
			b.set = max(0.03, first-0.020)
		}
		b.nominalA = b.areaM2 * (1 + 0.03*min(1.7, max(-1.7, rng.NormFloat64()))/1.7)
		b.nominalPhi = b.porosity * between(0.7, 1.3)
		b.tabulate()
		b.levelM = b.set - b.band*rng.Float64()
		b.heldM3 = b.held(b.levelM)
		b.chamberM, b.seenM, b.frozenM = b.levelM, b.levelM, math.NaN()
		b.total = register{pulseM3: pulse}
		b.total.m3 = float64(rng.IntN(400000)) * pulse
		b.total.shownM3 = b.total.m3
		b.t.crestM, b.t.noiseM, b.t.pulseM3 = b.crestM, b.sensor.noiseM, pulse
		b.show()
		l.bays = append(l.bays, b)
		// The clay's porosity in the site file is a book's figure; the model has no clay of its own.
		court := &st.Courts[i/3]
		court.Bays = append(court.Bays, site.Bay{ID: id, Name: id, Court: court.ID, AreaM2: b.nominalA, FloorUnevenM: 0.003,
			Layers: []site.Layer{{Name: "stone", DepthM: b.depthM - clay, DrainablePorosity: b.nominalPhi},
				{Name: "clay", DepthM: clay, DrainablePorosity: b.nominalPhi * between(0.25, 0.5), Surface: true}},
			CrestM: b.crestM, OverflowM3S: 2 * b.fillM3S, SetPointM: b.set, BandM: b.band, FillM3S: b.fillM3S,
			Fill: site.FillPolicy{Windows: l.windows, OneAtATime: l.oneAtATime}, Valve: site.Valve{Travel: 30 * time.Second}})
		if !p.has(site.SetPoint, true) && !p.has(site.ValveOpen, true) {
			court.Bays[i%3].SetPointM = math.NaN()
		}
	}
	l.mainTicks = register{pulseM3: max(1e-3, pulse)}
	l.mainStartM3S = p.mainStartLPH * 1e-3 / 3600
	st.Points = points(p, st, func(bay string) (pulseM3, startM3S float64) {
		for _, b := range l.bays {
			if b.id == bay {
				return b.pulseM3, b.startM3S
			}
		}
		return l.mainTicks.pulseM3, p.mainStartLPH * 1e-3 / 3600
	})
	l.st = st
	l.acts = habits(rng, p, st)
	l.sky = newLumpedSky(rng, p, st.LatitudeDeg)
	return l
}

// tabulate integrates the drainable porosity, which falls on a logistic slope from the stone's
// to a fifth of it.
func (b *lumpedBay) tabulate() {
	n := int(b.depthM/curveStep) + 80
	b.curveV = make([]float64, n+1)
	for i := 1; i <= n; i++ {
		z := (float64(i) - 0.5) * curveStep
		phi := b.porosity * (0.2 + 0.8/(1+math.Exp((z-b.knee)/b.sharp)))
		b.curveV[i] = b.curveV[i-1] + b.areaM2*phi*curveStep
	}
}

func (b *lumpedBay) held(h float64) float64 {
	x := max(0, h/curveStep)
	i := min(int(x), len(b.curveV)-2)
	return b.curveV[i] + (x-float64(i))*(b.curveV[i+1]-b.curveV[i])
}

// perMetre is the water a metre of level holds, m2.
func (b *lumpedBay) perMetre(h float64) float64 {
	i := min(max(int(h/curveStep), 0), len(b.curveV)-2)
	return (b.curveV[i+1] - b.curveV[i]) / curveStep
}

func (b *lumpedBay) levelOf(v float64) float64 {
	i, found := slices.BinarySearch(b.curveV, v)
	switch {
	case found:
		return float64(i) * curveStep
	case i == 0:
		return 0
	case i >= len(b.curveV):
		i = len(b.curveV) - 1
	}
	return (float64(i-1) + (v-b.curveV[i-1])/(b.curveV[i]-b.curveV[i-1])) * curveStep
}

// faulty reports whether this bay suffers from that fault now.
func (l *lumped) faulty(b *lumpedBay, kind virtual.FaultKind) bool {
	f := l.fault
	return f != nil && f.kind == kind && !l.at.Before(f.from) && (f.bay == b.id || (f.other != "" && f.other == b.id))
}

func (l *lumped) siteFault(kind virtual.FaultKind) bool {
	return l.fault != nil && l.fault.kind == kind && !l.at.Before(l.fault.from)
}

func (l *lumped) facts() *site.Site { return l.st }
func (l *lumped) ground() float64   { return l.sky.at(l.at).groundC }

func (l *lumped) truth(bay string) truth {
	for _, b := range l.bays {
		if b.id == bay {
			return b.t
		}
	}
	panic("no bay " + bay)
}

// advance moves the model to t, which lies a whole number of steps ahead.
func (l *lumped) advance(t time.Time) {
	for l.at.Before(t) {
		l.at = l.at.Add(lumpedStep)
		l.step(lumpedStep.Seconds())
	}
}

func (l *lumped) step(dt float64) {
	air := l.sky.at(l.at)
	l.supplied = !l.siteFault(virtual.SupplyLost)
	flowing := 0
	for _, b := range l.bays {
		if b.flowM3S > 0 {
			flowing++
		}
	}
	target := l.staticPa - l.sagPa*float64(flowing)
	if !l.supplied {
		target = 0
	}
	l.pressurePa += (target - l.pressurePa) * min(1, dt/20)
	l.control(dt)
	drawn := 0.0
	for _, b := range l.bays {
		l.water(b, air, dt)
		drawn += b.flowM3S * dt
	}
	l.lineLeakM3S = 0
	if l.siteFault(virtual.LineLeak) {
		l.lineLeakM3S = l.fault.size * 1e-3 / 3600 * math.Sqrt(max(0, l.pressurePa)/l.staticPa)
	}
	l.mainM3 += drawn + l.lineLeakM3S*dt
	if (drawn+l.lineLeakM3S*dt)/dt >= l.mainStartM3S {
		l.mainTicks.add(drawn + l.lineLeakM3S*dt)
	}
	l.rainTicks += air.rainM3S * dt
	l.seep(dt)
}

// control is the club's controller: it believes the chamber.
func (l *lumped) control(dt float64) {
	open := slices.ContainsFunc(l.windows, func(w site.DayWindow) bool { return w.Contains(l.at, l.st.Zone) }) || len(l.windows) == 0
	busy := slices.ContainsFunc(l.bays, func(b *lumpedBay) bool { return b.command })
	for _, b := range l.bays {
		for _, a := range l.acts {
			if a.kind == virtual.MoveSetPoint && a.bay == b.id && fallsIn(a.at, l.at, dt) {
				b.set = a.value
			}
		}
		b.seenM += (b.reading(l, false) - b.seenM) * min(1, dt/20)
		b.commandFor += dt
		if b.seenM < b.set-b.band {
			b.belowFor += dt
		} else {
			b.belowFor = 0
		}
		switch {
		case b.command && (b.seenM >= b.set || b.commandFor > b.maxRunS):
			b.command, b.commandFor = false, 0
		case !b.command && b.belowFor > b.confirmS && b.commandFor > b.pauseS && open && (!l.oneAtATime || !busy):
			b.command, b.commandFor, busy = true, 0, true
		}
	}
}

// reading is what the level sensor would show without noise.
func (b *lumpedBay) reading(l *lumped, noisy bool) float64 {
	h := b.chamberM + b.sensor.offsetM + b.sensor.perDegM*(l.sky.tempC-15)
	if noisy {
		h += b.sensor.noiseM * l.rng.NormFloat64()
	}
	if l.faulty(b, virtual.SensorDrift) {
		h += l.fault.size * 1e-3 * l.at.Sub(l.fault.from).Hours() / 24
	}
	if l.faulty(b, virtual.SensorFrozen) {
		if math.IsNaN(b.frozenM) {
			b.frozenM = h
		}
		h = b.frozenM
	}
	return h
}

func (l *lumped) water(b *lumpedBay, air lumpedAir, dt float64) {
	want := 0.0
	if b.command {
		want = 1
	}
	if l.faulty(b, virtual.StuckShut) {
		want = 0
	}
	if l.faulty(b, virtual.StuckOpen) && b.opening > 0.5 {
		want = 1
	}
	if want == 0 && l.held(b.id, virtual.ManualOpen) {
		want = 1
	}
	most := min(1, dt/max(b.travelS, dt))
	b.opening += min(most, max(-most, want-b.opening))
	head := math.Sqrt(max(0, l.pressurePa) / l.staticPa)
	b.flowM3S = b.opening * b.fillM3S * head
	if l.faulty(b, virtual.LowFlow) {
		b.flowM3S *= 1 - l.fault.size/100
	}
	weep := 0.0
	if l.faulty(b, virtual.Weeping) && b.opening == 0 {
		weep = l.fault.size * 1e-3 / 3600 * head
	}
	in := (b.flowM3S + weep) * dt
	b.meter(l, (b.flowM3S+weep)*dt, dt)

	// The fill stands as a mound and drains into the bay.
	b.moundM3 += in
	drained := b.moundM3 * (1 - math.Exp(-dt/b.moundS))
	b.moundM3 -= drained

	rain := air.rainM3S * b.areaM2 * b.catch * dt
	hand := l.handM3(b, dt)
	b.lateM3 += hand
	down := b.lateM3 * (1 - math.Exp(-dt/1800))
	b.lateM3 -= down
	evap := air.priestleyM3S * b.areaM2 * b.factor * min(1, max(0, 1-(b.depthM-b.levelM)/b.extinctionM)) * dt
	b.heldM3 += drained + rain + down - evap

	leak := 0.0
	if l.faulty(b, virtual.LinerLeak) {
		leak = l.fault.size * 1e-3 / 3600 * math.Sqrt(max(0, b.levelM)/max(b.set, 0.01)) * dt
		b.heldM3 -= leak
	}
	b.levelM = b.levelOf(b.heldM3)
	over, away := 0.0, 0.0
	crest := b.crestM
	if l.faulty(b, virtual.OverflowDisplaced) {
		crest -= l.fault.size * 1e-3
	}
	if b.levelM > crest && !l.faulty(b, virtual.OverflowBlocked) {
		// A weir whose drain carries twice the valve's flow, and never more than stands over it.
		q := min(2*b.fillM3S, 1.7*b.crestWidth*math.Pow(b.levelM-crest, 1.5))
		out := min(q*dt, b.heldM3-b.held(crest))
		b.heldM3 -= out
		if crest == b.crestM {
			over = out
		} else {
			away = out
		}
		b.levelM = b.levelOf(b.heldM3)
	}
	if top := b.depthM + 0.02; b.levelM > top { // off the surface
		over += b.heldM3 - b.held(top)
		b.heldM3, b.levelM = b.held(top), top
	}
	stands := b.levelM + b.moundM3/(b.moundShare*b.perMetre(b.levelM)+1e-9)
	tau := b.chamberS
	if l.faulty(b, virtual.ChamberClogged) {
		tau *= l.fault.size
	}
	b.chamberM += (min(stands, b.levelM+0.06) - b.chamberM) * (1 - math.Exp(-dt/tau))

	b.show()
	b.t.inM3 += in
	b.t.evapM3 += evap
	b.t.rainM3 += rain
	b.t.handM3 += hand
	b.t.overM3 += over
	b.t.lostM3 += leak + away
	b.t.weepM3 += weep * dt
}

// show puts the bay's present state into its truth.
func (b *lumpedBay) show() {
	b.t.levelM, b.t.chamberM, b.t.setM, b.t.bandM = b.levelM, b.chamberM, b.set, b.band
	b.t.perMetreM2 = b.perMetre(b.levelM)
	b.t.asks, b.t.flowM3S, b.t.opening = b.command, b.flowM3S, b.opening
	b.t.heldM3 = b.heldM3 + b.moundM3 + b.lateM3
	b.t.unsettledM3 = b.moundM3
	b.t.registeredM3 = b.total.shownM3
}

// seep moves water between the two bays of a seepage fault.
func (l *lumped) seep(dt float64) {
	if !l.siteFault(virtual.Seepage) {
		return
	}
	var a, b *lumpedBay
	for _, x := range l.bays {
		if x.id == l.fault.bay {
			a = x
		}
		if x.id == l.fault.other {
			b = x
		}
	}
	q := l.fault.size * 1e-3 / 3600 * (a.levelM - b.levelM) / 0.020 * dt
	a.heldM3 -= q
	b.heldM3 += q
	a.t.lostM3 += q
	b.t.lostM3 -= q
	a.t.heldM3, b.t.heldM3 = a.t.heldM3-q, b.t.heldM3+q
}

func (b *lumpedBay) meter(l *lumped, m3, dt float64) {
	b.pulsesNow, b.pulsesLast = 0, b.pulsesNow
	if l.faulty(b, virtual.MeterDead) || m3/dt < b.startM3S {
		return
	}
	m3 *= 1 + b.meterErr
	if l.faulty(b, virtual.MeterWrong) {
		m3 *= 1 + l.fault.size/100
	}
	b.pulsesNow = b.total.add(m3)
}

func (l *lumped) handM3(b *lumpedBay, dt float64) float64 {
	m3 := 0.0
	for i := range l.acts {
		a := &l.acts[i]
		if a.kind != virtual.HandWater || a.bay != b.id {
			continue
		}
		if !l.at.Before(a.at) && l.at.Before(a.until) {
			m3 += a.value * dt / a.until.Sub(a.at).Seconds()
		}
	}
	return m3
}

func (l *lumped) held(bay string, kind virtual.ActKind) bool {
	return slices.ContainsFunc(l.acts, func(a act) bool {
		return a.kind == kind && a.bay == bay && !l.at.Before(a.at) && l.at.Before(a.until)
	})
}

// fallsIn reports whether t is the first step at or after at.
func fallsIn(at, t time.Time, dt float64) bool {
	return !t.Before(at) && t.Add(-time.Duration(dt*float64(time.Second))).Before(at)
}

// samples returns the readings that fall due now, valid until the next call.
func (l *lumped) samples() []site.Sample {
	l.out = l.out[:0]
	put := func(p *site.Point, v float64) {
		l.out = append(l.out, site.Sample{Point: p.ID, Time: l.at, Value: v})
	}
	for i := range l.st.Points {
		p := &l.st.Points[i]
		if l.at.Sub(l.start)%p.Interval != 0 {
			continue
		}
		if p.Bay == "" {
			put(p, l.siteReading(p))
			continue
		}
		for _, b := range l.bays {
			if b.id != p.Bay {
				continue
			}
			v := 0.0
			switch p.Quantity {
			case site.Level:
				if l.faulty(b, virtual.SensorOut) {
					l.out = append(l.out, site.Sample{Point: p.ID, Time: l.at, Value: math.NaN(), Quality: site.Bad, Why: site.WhyOutOfRange})
					continue
				}
				v = math.Round(b.reading(l, true)/1e-4) * 1e-4
			case site.Flow:
				// Pulses of the last two steps: it lags a shut valve by as much.
				v = float64(b.pulsesNow+b.pulsesLast) * b.pulseM3 / (2 * lumpedStep.Seconds())
			case site.Volume:
				v = b.total.shownM3
			case site.ValveOpen:
				if b.command {
					v = 1
				}
			case site.SetPoint:
				v = b.set
			}
			put(p, v)
		}
	}
	return l.out
}

func (l *lumped) siteReading(p *site.Point) float64 {
	noise := l.rng.NormFloat64()
	a := l.sky.at(l.at)
	switch p.Quantity {
	case site.AirTemperature:
		return a.tempC + 0.2*noise
	case site.Humidity:
		return min(1, max(0.1, a.rh+0.02*noise))
	case site.Wind:
		return max(0, a.windMS*(1+0.1*noise))
	case site.Solar:
		return max(0, a.solarWM2*(1+0.03*noise))
	case site.Rain:
		return math.Floor(l.rainTicks/0.2e-3) * 0.2e-3
	case site.Pressure:
		return l.pressurePa + 1500*noise
	case site.Volume:
		return l.mainTicks.shownM3
	}
	return math.NaN()
}

// records returns what people put on record since the last call.
func (l *lumped) records() []site.Record {
	l.recs = dueRecords(l.recs[:0], l.acts, l.at, lumpedStep)
	return l.recs
}

// lumpedSky is weather by the day: a cloudiness that wanders, a temperature wave, showers drawn
// ahead.
type lumpedSky struct {
	start     time.Time
	latitude  float64
	cloud     []float64 // by day, 0 clear to 1
	mean, amp []float64 // temperature by day
	wind, dew []float64
	storms    []storm
	tempC     float64
	cached    time.Time
	air       lumpedAir
}

type storm struct {
	from, to time.Time
	rate     float64 // m/s
}

type lumpedAir struct {
	tempC, rh, windMS, solarWM2, rainM3S float64 // rain per m2
	groundC                              float64 // of what lies open on the ground
	priestleyM3S                         float64 // evaporation per m2, m/s
}

func newLumpedSky(rng *rand.Rand, p plan, latitude float64) lumpedSky {
	s := lumpedSky{start: p.start, latitude: latitude}
	cloud, mean := rng.Float64(), 12+12*rng.Float64()
	for range p.days + 2 {
		cloud = min(1, max(0, 0.6*cloud+0.4*rng.Float64()+0.1*rng.NormFloat64()))
		mean += 0.3*(18-mean) + 2.5*rng.NormFloat64()
		s.cloud = append(s.cloud, cloud)
		s.mean = append(s.mean, mean-p.coolC)
		s.amp = append(s.amp, 3+6*(1-cloud))
		s.wind = append(s.wind, math.Exp(0.6+0.6*rng.NormFloat64()))
		s.dew = append(s.dew, mean-p.coolC-4-5*rng.Float64())
	}
	for t := p.start; t.Before(p.start.AddDate(0, 0, p.days)); {
		t = t.Add(time.Duration(rng.ExpFloat64() * 72 * float64(time.Hour)))
		lasts := time.Duration((0.4 + 5*rng.Float64()) * float64(time.Hour))
		mm := min(40, 1+6*rng.ExpFloat64())
		s.storms = append(s.storms, storm{t, t.Add(lasts), mm * 1e-3 / lasts.Seconds()})
	}
	return s
}

func (s *lumpedSky) at(t time.Time) lumpedAir {
	for _, st := range s.storms {
		if fallsIn(st.from, t, 10) || fallsIn(st.to, t, 10) {
			s.cached = time.Time{}
		}
	}
	if !s.cached.IsZero() && t.Sub(s.cached) < time.Minute && !t.Before(s.cached) {
		return s.air
	}
	s.cached = t
	day := min(int(t.Sub(s.start).Hours()/24), len(s.cloud)-1)
	hour := float64(t.Hour()) + float64(t.Minute())/60 + 0.8 // solar time, about
	phase := 2 * math.Pi * (hour - 15) / 24
	var a lumpedAir
	// Air changes over a day, not at midnight.
	frac := float64(t.Hour())/24 + float64(t.Minute())/1440
	blend := func(v []float64) float64 { return v[day] + (v[min(day+1, len(v)-1)]-v[day])*frac }
	// Sun's height from latitude and day of the year (Cooper 1969, declination).
	decl := 23.45 * math.Pi / 180 * math.Sin(2*math.Pi*float64(284+t.YearDay())/365)
	lat := s.latitude * math.Pi / 180
	sinh := math.Sin(lat)*math.Sin(decl) + math.Cos(lat)*math.Cos(decl)*math.Cos(math.Pi*(hour-12)/12)
	half := 12 / math.Pi * math.Acos(-math.Tan(lat)*math.Tan(decl))
	a.tempC = blend(s.mean) + blend(s.amp)*sineRoot(hour, 12-half, 12+half, -1, 1, -1)
	a.solarWM2 = max(0, sinh) * 1000 * (1 - 0.75*s.cloud[day])
	sat := func(c float64) float64 { return 0.6108 * math.Exp(17.27*c/(c+237.3)) } // kPa, Tetens
	a.rh = min(1, max(0.2, sat(blend(s.dew))/sat(a.tempC)))
	a.windMS = s.wind[day] * (0.5 + 0.5*max(0, math.Cos(phase)))
	for _, st := range s.storms {
		if !t.Before(st.from) && t.Before(st.to) {
			a.rainM3S = st.rate
			a.solarWM2 *= 0.2
			a.rh = 0.95
		}
	}
	// On clear calm nights the ground is several degrees colder than a weather screen (Brugge 2011,
	// Weather 66:54, from memory for the page); 4 here, none under cloud or in 4 m/s.
	a.groundC = a.tempC
	if sinh <= 0 {
		a.groundC -= 4 * (1 - s.cloud[day]) * max(0, 1-a.windMS/4)
	}
	// Priestley and Taylor (1972): 1.26 * slope/(slope+gamma) * net radiation / latent heat.
	slope := 4098 * sat(a.tempC) / math.Pow(a.tempC+237.3, 2)
	net := 0.70*a.solarWM2 - 35*(1-0.7*s.cloud[day])
	a.priestleyM3S = max(0, 1.26*slope/(slope+0.066)*net/2.45e6/1000)
	s.tempC, s.air = a.tempC, a
	return a
}

// sineRoot is the temperature at an hour after Cesaraccio, Spano, Duce and Snyder (2001,
// International Journal of Biometeorology 45:161): a sine from the lowest at sunrise to the highest
// four hours before sunset, a sine down to sunset, and from there the root of the hours to the
// lowest of the next sunrise. Before sunrise the night is the last day's.
func sineRoot(hour, rise, set, lowest, highest, next float64) float64 {
	if hour < rise {
		hour += 24
	}
	evening := highest - 0.39*(highest-next)
	warmest := set - 4
	switch {
	case hour <= warmest:
		return lowest + (highest-lowest)*math.Sin(math.Pi/2*(hour-rise)/(warmest-rise))
	case hour < set:
		return evening + (highest-evening)*math.Cos(math.Pi/2*(hour-warmest)/4)
	}
	return evening + (next-evening)*math.Sqrt((hour-set)/(24+rise-set))
}
