package agent_test

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// world is a pump house the scorecard looks at. The account and the watch get facts, samples and
// records; truth is for the judge and the oracle alone.
type world interface {
	// facts is the site as its club knows it: surveyed areas, book porosities, nothing learned.
	facts() *site.Site

	// advance moves the model to t, a whole number of its steps ahead.
	advance(t time.Time)
	// samples are the readings that fall due now, records what people put on record since the
	// last call; both are valid until the next call.
	samples() []site.Sample
	records() []site.Record
	truth(bay string) truth
	// ground is how cold it is now at the ground, degC.
	ground() float64
}

// truth is what only the model knows of a bay. Volumes are m3 since the start.
type truth struct {
	levelM, chamberM, crestM, setM, bandM      float64
	inM3, registeredM3, evapM3, rainM3, handM3 float64
	overM3, lostM3, weepM3                     float64 // lost is leaked, seeped away or drained below the crest
	heldM3, unsettledM3                        float64
	perMetreM2                                 float64 // water a metre of level holds
	flowM3S, opening                           float64
	noiseM, pulseM3                            float64 // of the level sensor and the meter
	asks                                       bool
}

// fault is the one trouble of a run.
type fault struct {
	kind       virtual.FaultKind
	bay, other string
	from       time.Time
	size       float64 // in the unit of the kind's row in virtual.FaultKinds
}

// instruments are what a site has: quantities of every bay, and of the site itself.
type instruments struct {
	name       string
	bays, club []site.Quantity
}

var (
	fullSet = instruments{"full", []site.Quantity{site.Level, site.Flow, site.Volume, site.ValveOpen, site.SetPoint},
		[]site.Quantity{site.AirTemperature, site.Humidity, site.Wind, site.Solar, site.Rain, site.Pressure, site.Volume}}
	noWeather   = instruments{"no weather", fullSet.bays, []site.Quantity{site.Pressure, site.Volume}}
	noMain      = instruments{"no main meter", fullSet.bays, []site.Quantity{site.AirTemperature, site.Humidity, site.Wind, site.Solar, site.Rain, site.Pressure}}
	noValve     = instruments{"no valve, no set point", []site.Quantity{site.Level, site.Flow, site.Volume}, fullSet.club}
	baysOnly    = instruments{"bays only", fullSet.bays, nil}
	levelFlow   = instruments{"level, flow and meter", []site.Quantity{site.Level, site.Flow, site.Volume}, nil}
	mainAlone   = instruments{"level, and the main meter alone", []site.Quantity{site.Level}, []site.Quantity{site.Volume}}
	levelAlone  = instruments{"level alone", []site.Quantity{site.Level}, nil}
	degradedAll = []instruments{noWeather, noMain, noValve, baysOnly, levelFlow, mainAlone, levelAlone}
)

// plan is all that is decided of a run before its model is drawn.
type plan struct {
	seed  uint64
	model string // "virtual" or "lumped"
	days  int
	start time.Time
	poll  time.Duration
	set   instruments
	fault *fault
	// acts are added to the habits drawn from the seed.
	acts []act
	// apart are two bays of which the first is held 20 mm over the second; their set points are
	// not moved.
	apart [2]string
	// showers come to drivers/virtual beside its own; the lumped model draws its storms.
	showers []virtual.Shower
	// coolC is by how much the weather is colder than the model's own, K.
	coolC float64
	// mainStartLPH is the main meter's starting flow.
	mainStartLPH float64
}

func (p plan) has(q site.Quantity, bay bool) bool {
	if bay {
		return slices.Contains(p.set.bays, q)
	}
	return slices.Contains(p.set.club, q)
}

// build draws the model of a plan.
func (p plan) build() world {
	if p.model == "lumped" {
		return newLumped(p)
	}
	return newVirtual(p)
}

// act is something a person does; told is whether it was put on record.
type act struct {
	kind      virtual.ActKind
	bay       string
	at, until time.Time
	value     float64
	told      bool
}

// habits draws what people do in an ordinary fortnight: set points moved, bays watered by hand,
// sometimes a record of it.
func habits(rng *rand.Rand, p plan, st *site.Site) []act {
	acts := slices.Clone(p.acts)
	var bays []*site.Bay
	for b := range st.Bays() {
		bays = append(bays, b)
	}
	moved := map[string]float64{}
	set := func(b *site.Bay) float64 {
		if v, ok := moved[b.ID]; ok {
			return v
		}
		return b.SetPointM
	}
	when := func() time.Time {
		day := p.start.AddDate(0, 0, rng.IntN(p.days)).Truncate(24 * time.Hour)
		return day.Add(time.Duration(5*60+rng.IntN(14*60)) * time.Minute)
	}
	var times []time.Time
	for range rng.IntN(1 + p.days/3) {
		times = append(times, when())
	}
	slices.SortFunc(times, time.Time.Compare)
	for _, at := range times {
		b := bays[rng.IntN(len(bays))]
		if !site.Known(b.SetPointM) || b.ID == p.apart[0] || b.ID == p.apart[1] {
			continue
		}
		v := min(set(b)+(0.5+rng.Float64())*[]float64{-0.01, -0.005, 0.005, 0.01}[rng.IntN(4)], b.CrestM-0.012)
		v = math.Round(v/0.0025) * 0.0025
		moved[b.ID] = v
		acts = append(acts, act{kind: virtual.MoveSetPoint, bay: b.ID, at: at, value: v})
	}
	for range rng.IntN(1 + p.days/4) {
		b := bays[rng.IntN(len(bays))]
		at := when()
		acts = append(acts, act{kind: virtual.HandWater, bay: b.ID, at: at, until: at.Add(time.Duration(5+rng.IntN(15)) * time.Minute),
			value: (0.5 + 1.5*rng.Float64()) * 1e-3 * b.AreaM2, told: rng.IntN(2) == 0})
	}
	slices.SortStableFunc(acts, func(a, b act) int { return a.at.Compare(b.at) })
	return acts
}

// dueRecords appends the records of acts that were told and ended in the step that ends at t.
func dueRecords(dst []site.Record, acts []act, t time.Time, step time.Duration) []site.Record {
	for _, a := range acts {
		if a.told && a.kind == virtual.HandWater && !t.Before(a.until) && t.Add(-step).Before(a.until) {
			dst = append(dst, site.Record{Time: t, Kind: site.RecHandWatering, Bay: a.bay, Who: "keeper", Value: a.value, Value2: math.NaN()})
		}
	}
	return dst
}

// points are the points of the plan's instruments, with what a data sheet says of them.
func points(p plan, st *site.Site, meter func(bay string) (pulseM3, startM3S float64)) []site.Point {
	var out []site.Point
	add := func(bay string, q site.Quantity, every time.Duration) {
		info, _ := q.Info()
		nan := math.NaN()
		pt := site.Point{ID: info.Short, Bay: bay, Quantity: q, Interval: every, Min: nan, Max: nan, UStd: nan,
			Resolution: nan, PulseM3: nan, ModulusM3: nan, StartM3S: nan, MeterU: nan, HeightM: 2}
		switch {
		case bay != "":
			pt.ID = bay + "-" + info.Short
		case q == site.Volume:
			pt.ID = "main-" + info.Short
		}
		switch q {
		case site.Level:
			pt.Min, pt.Max, pt.Resolution = -0.02, 0.25, 1e-4
		case site.Volume:
			pt.PulseM3, pt.StartM3S = meter(bay)
		}
		out = append(out, pt)
	}
	for b := range st.Bays() {
		for _, q := range p.set.bays {
			add(b.ID, q, p.poll)
		}
	}
	for _, q := range p.set.club {
		every := 5 * time.Minute
		if q == site.Pressure || q == site.Volume {
			every = max(p.poll, 30*time.Second)
		}
		add("", q, every)
	}
	slices.SortFunc(out, func(a, b site.Point) int { return cmp.Compare(a.ID, b.ID) })
	return out
}

// virtualWorld is drivers/virtual with its parameters drawn from the seed.
type virtualWorld struct {
	conf        virtual.Config
	f           *virtual.Field
	st          *site.Site
	acts        []act
	out         []site.Sample
	recs        []site.Record
	start, last time.Time
	own         map[string]ownFacts
	flows       map[string]lastFlow
}

func newVirtual(p plan) *virtualWorld {
	rng := rand.New(rand.NewPCG(p.seed, 0x77aa))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	logBetween := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	c := virtual.Default()
	c.Site, c.Seed, c.Start, c.Step = "virtual", p.seed, p.start, virtual.Span(10*time.Second)
	c.TruthEvery = virtual.Span(240 * time.Hour)
	c.LatitudeDeg, c.LongitudeDeg, c.ElevationM = between(44, 56), between(5, 20), between(0, 500)
	c.Weather.MeanC, c.Weather.DailyC, c.Weather.DewBelowC = between(8, 13), between(4, 9), between(3, 10)
	c.Weather.MeanC -= p.coolC
	c.Weather.WindMS, c.Weather.Cloud = logBetween(1, 4), between(0.15, 0.6)
	c.Weather.Showers = append(c.Weather.Showers, p.showers...)
	c.Supply.PressurePa = between(230e3, 380e3)
	c.Supply.SagPa, c.Supply.WanderPa = between(5e3, 35e3), between(0, 12e3)
	c.Supply.LowPa, c.Supply.HighPa = 0.66*c.Supply.PressurePa, 1.25*c.Supply.PressurePa
	switch rng.IntN(4) {
	case 0:
		c.Controller.Windows = []site.DayWindow{{From: 20 * 60, To: 8 * 60}}
	case 1:
		c.Controller.Windows = []site.DayWindow{{From: 19 * 60, To: 9 * 60}}
	}
	c.Controller.OneAtATime = rng.IntN(3) > 0
	if !c.Controller.OneAtATime {
		c.Supply.SagPa = between(0.3e3, 1.5e3) // a main that feeds six valves at once: the sag goes by the square
	}
	c.Controller.Confirm = virtual.Span(time.Duration(between(10, 120) * float64(time.Second)))
	c.Controller.Pause = virtual.Span(time.Duration(between(5, 40)) * time.Minute)
	c.Controller.MaxRun = virtual.Span(time.Duration(between(20, 90)) * time.Minute)
	c.Instruments.Main.Error = 0.005 * rng.NormFloat64()
	c.Instruments.Main.StartM3S = p.mainStartLPH * 1e-3 / 3600
	c.Instruments.RainCatch = between(0.85, 1.03)
	c.Instruments.TempBiasC, c.Instruments.WindBias = 0.3*rng.NormFloat64(), 0.1*rng.NormFloat64()
	pulse := []float64{0.1e-3, 0.25e-3, 0.5e-3, 1e-3}[rng.IntN(4)]
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		panic(err)
	}
	st := &site.Site{ID: c.Site, Name: c.Site, Zone: zone, LatitudeDeg: c.LatitudeDeg, LongitudeDeg: c.LongitudeDeg, ElevationM: c.ElevationM,
		Attended: site.DayWindow{From: 7 * 60, To: 19 * 60}, FalsePagesPerSeason: 0.03, SupplyLowPa: c.Supply.LowPa, SupplyHighPa: c.Supply.HighPa,
		Neighbours: c.Neighbours, Revision: fmt.Sprintf("virtual-%d", p.seed)}
	for i := range st.MonthlyET {
		st.MonthlyET[i] = 1e-3 * (2.4 - 2*math.Cos(2*math.Pi*float64(i)/12))
	}
	first := math.NaN()
	for i := range c.Courts {
		k := &c.Courts[i]
		court := site.Court{ID: k.ID, Name: k.Name}
		for j := range k.Bays {
			b := &k.Bays[j]
			b.AreaM2 = logBetween(60, 150)
			b.Layers[0].DepthM = between(0.085, 0.12)
			b.Layers[0].DrainablePorosity = logBetween(0.15, 0.36)
			b.Layers[1].DepthM = between(0.02, 0.03)
			b.Layers[1].DrainablePorosity = b.Layers[0].DrainablePorosity * between(0.25, 0.5)
			b.FringeM, b.FloorUnevenM = between(0.004, 0.02), between(0.001, 0.005)
			b.HysteresisM, b.Turn = between(0.001, 0.006), between(0, 0.8)
			b.SpreadS, b.ChamberS = logBetween(500, 3000), logBetween(30, 240)
			b.Factor, b.Catch = between(0.6, 1.2), between(0.7, 1)
			b.ClayWaterM, b.RewetS = b.Layers[1].DepthM*between(0.05, 0.15), logBetween(1, 6)*3600
			b.CrestM = b.Layers[0].DepthM + between(-0.004, 0.006)
			b.FillM3S = logBetween(14, 42) * 1e-3 / 60
			b.OverflowM3S = b.FillM3S * between(1.2, 3)
			b.BandM = between(3, 6) * 1e-3
			b.TravelS = between(2, 25)
			b.SetPointM = math.Round((b.CrestM-between(0.018, 0.045))/0.0025) * 0.0025
			if b.ID == p.apart[0] {
				first = b.SetPointM
			}
			if b.ID == p.apart[1] {
				b.SetPointM = max(0.03, first-0.020)
			}
			b.LevelM = b.SetPointM - b.BandM*rng.Float64()
			b.Level = virtual.LevelSensor{NoiseM: logBetween(0.1e-3, 0.8e-3), QuantumM: 1e-4, OffsetM: 0.5e-3 * rng.NormFloat64(), PerDegM: 0.04e-3 * rng.NormFloat64()}
			b.Meter = virtual.MeterConfig{PulseM3: pulse, StartM3S: logBetween(10, 60) * 1e-3 / 3600, Error: 0.01 * rng.NormFloat64(),
				TotalM3: float64(rng.IntN(400000)) * pulse}
			b.Nominal = virtual.NominalFacts{AreaM2: b.AreaM2 * (1 + 0.03*(2*rng.Float64()-1)),
				Porosity: []float64{b.Layers[0].DrainablePorosity * between(0.7, 1.3), b.Layers[1].DrainablePorosity * between(0.7, 1.3)}}
			nb := site.Bay{ID: b.ID, Name: b.Name, Court: k.ID, AreaM2: b.Nominal.AreaM2, FloorUnevenM: 0.003, CrestM: b.CrestM, OverflowM3S: b.OverflowM3S,
				SetPointM: b.SetPointM, BandM: b.BandM, FillM3S: b.FillM3S, Fill: site.FillPolicy{Windows: c.Controller.Windows, OneAtATime: c.Controller.OneAtATime},
				Valve: site.Valve{Travel: 30 * time.Second}}
			for n, l := range b.Layers {
				nb.Layers = append(nb.Layers, site.Layer{Name: l.Name, DepthM: l.DepthM, DrainablePorosity: b.Nominal.Porosity[n], Surface: l.Surface})
			}
			court.Bays = append(court.Bays, nb)
		}
		k.Form = virtual.FormInput // the command, not a feedback, in every bay
		st.Courts = append(st.Courts, court)
	}
	w := &virtualWorld{conf: c, st: st, start: p.start, last: p.start}
	w.acts = habits(rng, p, st)
	for _, a := range w.acts {
		c.Acts = append(c.Acts, virtual.Act{Kind: a.kind, Bay: a.bay, At: a.at, Until: a.until, Value: a.value})
	}
	if f := p.fault; f != nil {
		c.Faults = append(c.Faults, virtual.Fault{Kind: f.kind, Bay: f.bay, Other: f.other, From: f.from, Size: f.size})
	}
	st.Points = points(p, st, func(bay string) (float64, float64) {
		for _, k := range c.Courts {
			for _, b := range k.Bays {
				if b.ID == bay {
					return b.Meter.PulseM3, b.Meter.StartM3S
				}
			}
		}
		return c.Instruments.Main.PulseM3, c.Instruments.Main.StartM3S
	})
	if !p.has(site.SetPoint, true) && !p.has(site.ValveOpen, true) {
		for i := range st.Courts {
			for j := range st.Courts[i].Bays {
				st.Courts[i].Bays[j].SetPointM = math.NaN()
			}
		}
	}
	w.own, w.flows = map[string]ownFacts{}, map[string]lastFlow{}
	for _, k := range c.Courts {
		for _, b := range k.Bays {
			w.own[b.ID] = ownFacts{b.Level.NoiseM, b.Meter.PulseM3, b.AreaM2 * b.Layers[0].DrainablePorosity}
		}
	}
	w.f, err = virtual.New(c)
	if err != nil {
		panic(fmt.Sprintf("seed %d: %v", p.seed, err))
	}
	return w
}

func (w *virtualWorld) facts() *site.Site   { return w.st }
func (w *virtualWorld) advance(t time.Time) { w.f.Advance(t) }
func (w *virtualWorld) ground() float64     { return w.f.Air().GroundC }

func (w *virtualWorld) samples() []site.Sample {
	w.out = w.out[:0]
	now := w.f.Now()
	for i := range w.st.Points {
		p := &w.st.Points[i]
		if now.Sub(w.start)%p.Interval != 0 {
			continue
		}
		v, q, why := w.f.Read(p.ID)
		w.out = append(w.out, site.Sample{Point: p.ID, Time: now, Value: v, Quality: q, Why: why})
	}
	return w.out
}

func (w *virtualWorld) records() []site.Record {
	now := w.f.Now()
	w.recs = dueRecords(w.recs[:0], w.acts, now, now.Sub(w.last))
	w.last = now
	return w.recs
}

// flow is what has run into the bay since truth was last asked for, as a mean; less than half a
// litre a minute is a weeping valve and no fill.
func (w *virtualWorld) flow(bay string, at time.Time, filled float64) float64 {
	f, ok := w.flows[bay]
	if ok && at.After(f.at) {
		f.m3s = (filled - f.filled) / at.Sub(f.at).Seconds()
		if f.m3s < 0.5e-3/60 {
			f.m3s = 0
		}
	}
	f.at, f.filled = at, filled
	w.flows[bay] = f
	return f.m3s
}

// ownFacts are what the site file does not know of a bay.
type ownFacts struct{ noiseM, pulseM3, perMetreM2 float64 }

type lastFlow struct {
	at          time.Time
	filled, m3s float64
}

func (w *virtualWorld) truth(bay string) truth {
	a, err := w.f.Truth(bay)
	if err != nil {
		panic(err)
	}
	b := w.st.Bay(bay)
	t := truth{levelM: a.BayM, chamberM: a.ChamberM, crestM: b.CrestM, inM3: a.Filled, registeredM3: a.Registered, evapM3: a.Evaporated,
		rainM3: a.Rain, handM3: a.Hand, overM3: a.Overflowed, lostM3: a.Leaked + a.Seeped + a.Displaced, heldM3: a.Held,
		perMetreM2: w.own[bay].perMetreM2, bandM: b.BandM}
	// Water that has not spread stands over the mean level in the chamber's part of the bay.
	t.unsettledM3 = math.Abs(a.ChamberM-a.BayM) * t.perMetreM2 / 3
	v, _, _ := w.f.Read(bay + "-valve")
	t.asks = v > 0
	t.setM, _, _ = w.f.Read(bay + "-setpoint")
	t.noiseM, t.pulseM3 = w.own[bay].noiseM, w.own[bay].pulseM3
	t.flowM3S = w.flow(bay, a.Time, a.Filled)
	return t
}
