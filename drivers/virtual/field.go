package virtual

import (
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"bayledger/agent/site"
)

// Field is a pump house: bays, controller, supply, weather, instruments, faults. It is safe
// for use by several goroutines; what it shows depends on the model's time alone.
type Field struct {
	mu   sync.Mutex
	cfg  Config
	zone *time.Location
	step time.Duration
	dt   float64
	k    int64 // steps done; the model stands at Start + k*step

	sky   *sky
	air   Air
	airAt int64 // the minute the air belongs to

	bays  []*bay
	index map[string]int
	edges [][2]int // neighbours
	// edgeG are the conductances of the edges under the active faults, m2/s.
	edgeG []float64
	// levelOf, meterOf, valveOf: whose instrument is on bay i's terminals, and whose terminals
	// drive bay i's valve.
	levelOf, meterOf, valveOf []int
	wasTold                   []bool

	faults     []*faultRun
	acts       []Act
	sfx        siteEffects
	silent     map[uint8]bool
	nextChange int64 // step at which faults or acts must be looked at again

	windowOpen bool
	staticPa   float64
	drag       float64
	rootUsual  float64 // square root of the pressure at which usual flows are stated
	pressurePa float64
	// shut is true while the supply is shut upstream: what runs then comes out of the line, whose
	// pressure falls.
	shut bool
	// masterCoil is what the master valve's coil says, masterShut how far it has shut, 0 to 1;
	// masterStuck is a valve that does not follow.
	masterCoil, masterStuck bool
	masterShut              float64
	mainFlow                float64
	main                    meter

	drawn, lineLeaked, used, mainRegistered, gauge sum
	waterC                                         float64
	stationEvery                                   uint64

	truthEvery int64
	history    [][]Account

	points  []Register
	pointOf map[string]int
	blocks  []block
	units   map[uint8]string
}

// never is a step that does not come.
const never = math.MaxInt64

// New makes a pump house that stands at Config.Start.
func New(c Config) (*Field, error) {
	if p := c.Validate(); len(p) > 0 {
		return nil, p
	}
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return nil, fmt.Errorf("virtual pump house: %w", err)
	}
	c.Start = c.Start.UTC()
	f := &Field{cfg: c, zone: zone, step: time.Duration(c.Step), dt: time.Duration(c.Step).Seconds(),
		index: map[string]int{}, airAt: -1, sfx: siteEffects{pressure: 1, mainFactor: 1},
		silent: map[uint8]bool{}, sky: newSky(&c)}
	f.stationEvery = uint64(max(1, int64(10*time.Second/f.step)))
	f.rootUsual = math.Sqrt(c.Supply.PressurePa - c.Supply.SagPa)
	mean := 0.0
	all := f.cfg.bays()
	for i, bc := range all {
		b := newBay(bc, &f.cfg.Supply)
		b.ctl.setPointM, b.ctl.filterM, b.ctl.idle = bc.SetPointM, bc.LevelM, 1e9
		b.sensor.stream = stream(bc.ID + "/level")
		b.meter = meter{cfg: &bc.Meter, stream: stream(bc.ID + "/meter")}
		f.bays = append(f.bays, b)
		f.index[bc.ID] = i
		mean += bc.FillM3S / float64(len(all))
		f.levelOf, f.meterOf, f.valveOf = append(f.levelOf, i), append(f.meterOf, i), append(f.valveOf, i)
	}
	f.wasTold = make([]bool, len(f.bays))
	// A drag of 0 would leave the other uses unbounded; a pascal of sag is as good as none.
	f.drag = max(c.Supply.SagPa, 1) / (mean * mean)
	f.main = meter{cfg: &f.cfg.Instruments.Main, stream: stream("main/meter")}
	for _, n := range c.Neighbours {
		f.edges = append(f.edges, [2]int{f.index[n[0]], f.index[n[1]]})
	}
	f.edgeG = make([]float64, len(f.edges))
	for _, fault := range c.Faults {
		f.addFault(fault)
	}
	f.acts = slices.Clone(c.Acts)
	every := time.Duration(c.TruthEvery)
	if every == 0 {
		every = 10 * time.Minute
	}
	f.truthEvery = max(1, int64(every/f.step))
	f.history = make([][]Account, len(f.bays))
	f.waterC = math.NaN()
	f.makePoints()
	f.breathe(c.Start)
	f.change()
	f.sense()
	f.note()
	return f, nil
}

// Config returns what the pump house was made of.
func (f *Field) Config() Config { return f.cfg }

// Now returns the moment the model has come to.
func (f *Field) Now() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now()
}

func (f *Field) now() time.Time { return f.at(f.k) }

func (f *Field) at(k int64) time.Time { return f.cfg.Start.Add(time.Duration(k) * f.step) }

// Advance brings the model to the last grid moment at or before t. Time never goes back: an
// earlier t changes nothing.
func (f *Field) Advance(t time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.advance(t)
}

func (f *Field) advance(t time.Time) {
	for until := int64(t.Sub(f.cfg.Start) / f.step); f.k < until; {
		f.once()
	}
}

// once does one step.
func (f *Field) once() {
	t := f.now()
	x := float64(f.k) * f.dt
	if f.k >= f.nextChange {
		f.change()
	}
	if m := f.k * int64(f.step) / int64(time.Minute); m != f.airAt {
		f.breathe(t)
	}
	f.control(f.dt, x)
	f.valves(f.dt, t, x)
	for _, b := range f.bays {
		b.step(f.dt, &f.air)
		if b.valve.flow > 0 || b.fx.creepM3S > 0 || b.meter.flow != 0 {
			v := b.meter.register(b.valve.flow, f.dt, b.fx.meterFactor, b.fx.creepM3S, b.fx.meterDead)
			if v != 0 {
				b.book.registered.add(v)
			}
		}
		if b.fx.driftMS != 0 {
			b.sensor.driftM += b.fx.driftMS * f.dt
		}
	}
	for i, e := range f.edges {
		if f.edgeG[i] > 0 {
			a, b := f.bays[e[0]], f.bays[e[1]]
			v := seep(a, b, f.edgeG[i], f.dt)
			a.seeping, b.seeping = v, -v
			a.zones[far].settle(a.curve, a.cfg)
			b.zones[far].settle(b.curve, b.cfg)
		}
	}
	if v := f.main.register(f.mainFlow, f.dt, f.sfx.mainFactor, 0, f.sfx.mainDead); v != 0 {
		f.mainRegistered.add(v)
	}
	if f.air.RainMS > 0 {
		f.gauge.add(f.air.RainMS * f.dt * f.cfg.Instruments.RainCatch)
	}
	f.k++
	f.sense()
	f.watchOnsets()
	if f.k%f.truthEvery == 0 {
		f.note()
	}
}

// breathe takes the weather of the minute that begins, and what changes no faster.
func (f *Field) breathe(t time.Time) {
	f.airAt = f.k * int64(f.step) / int64(time.Minute)
	f.air = f.sky.at(t)
	if math.IsNaN(f.waterC) {
		f.waterC = f.air.TempC
	}
	// Chambers follow the air with three hours' delay.
	f.waterC += (f.air.TempC - f.waterC) * 60 / (3 * 3600)
	x := t.Sub(f.sky.origin).Seconds()
	f.staticPa = f.cfg.Supply.PressurePa + f.cfg.Supply.WanderPa*wander(f.cfg.Seed, streamPressure, x, 2*3600)
	f.windowOpen = len(f.cfg.Controller.Windows) == 0
	for _, w := range f.cfg.Controller.Windows {
		f.windowOpen = f.windowOpen || w.Contains(t, f.zone)
	}
}

var streamPressure = stream("supply/pressure")

// sense lets every level sensor take its reading.
func (f *Field) sense() {
	x := float64(f.k) * f.dt
	for _, b := range f.bays {
		b.sensor.read(&b.cfg.Level, &b.fx, f.cfg.Seed, uint64(f.k), x, b.chamberM, f.waterC, f.air.PressurePa)
	}
}

// note keeps the true accounts of this moment.
func (f *Field) note() {
	for i := range f.bays {
		f.history[i] = append(f.history[i], f.account(i))
	}
}

// SetFault adds a fault while the model runs. A zero From means from the present moment on.
func (f *Field) SetFault(fault Fault) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if fault.From.IsZero() {
		fault.From = f.now()
	}
	var p site.Problems
	f.cfg.checkFault(&p, "fault", fault)
	if len(p) > 0 {
		return p
	}
	f.addFault(fault)
	f.nextChange = f.k
	return nil
}

// Clear ends every fault that is active at the place now (a bay, "site", or a unit's number;
// empty means everywhere) and returns how many that were.
func (f *Field) Clear(place string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := 0
	now := f.now()
	for _, r := range f.faults {
		if !r.Fault.at(now) || (place != "" && place != r.Fault.Place() && place != r.Fault.Bay && place != r.Fault.Other) {
			continue
		}
		r.Fault.To = now
		n++
	}
	f.nextChange = f.k
	return n
}

// Do has a person act while the model runs. A zero At means now.
func (f *Field) Do(a Act) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if a.At.IsZero() {
		a.At = f.now()
	}
	try := f.cfg
	try.Acts, try.Faults = []Act{a}, nil
	if p := try.Validate(); len(p) > 0 {
		return p
	}
	f.acts = append(f.acts, a)
	f.nextChange = f.k
	return nil
}

func (f *Field) addFault(fault Fault) {
	f.faults = append(f.faults, &faultRun{Onset: Onset{Fault: fault}})
}

// change works out which faults and acts hold from this step on, and when that must be looked
// at again.
func (f *Field) change() {
	t := f.now()
	f.nextChange = never
	again := func(at time.Time) {
		if at.After(t) {
			f.nextChange = min(f.nextChange, int64((at.Sub(f.cfg.Start)+f.step-1)/f.step))
		}
	}
	for _, b := range f.bays {
		b.fx = noEffects()
		b.handM3S = 0
		b.ctl.manual = 0
	}
	f.sfx = siteEffects{pressure: 1, mainFactor: 1}
	f.shut = false
	clear(f.edgeG)
	clear(f.silent)
	for i := range f.bays {
		f.levelOf[i], f.meterOf[i], f.valveOf[i] = i, i, i
	}
	for _, r := range f.faults {
		again(r.Fault.From)
		if !r.Fault.To.IsZero() {
			again(r.Fault.To)
		}
		if r.active = r.Fault.at(t); !r.active {
			continue
		}
		if r.Begun.IsZero() {
			r.Begun = t
		}
		f.apply(r)
	}
	for _, b := range f.bays {
		if b.fx.driftMS == 0 { // mended: a new sensor
			b.sensor.driftM = 0
		}
	}
	for _, a := range f.acts {
		again(a.At)
		if !a.Until.IsZero() {
			again(a.Until)
		}
		b := f.bays[f.index[a.Bay]] // bay 0 for an act that has none
		holds := !t.Before(a.At) && t.Before(a.Until)
		switch a.Kind {
		case HandWater:
			if holds {
				b.handM3S += a.Value / a.Until.Sub(a.At).Seconds()
			}
		case MoveSetPoint:
			if !t.Before(a.At) {
				b.ctl.setPointM = a.Value
			}
		case ManualOpen:
			if holds {
				b.ctl.manual = 1
			}
		case ManualShut:
			if holds {
				b.ctl.manual = -1
			}
		case LiftSensor:
			b.fx.lifted = b.fx.lifted || holds
		case TakeOverflow:
			b.fx.noOverflow = b.fx.noOverflow || holds
		case OpenDrain:
			if holds {
				b.fx.drainM2 = drainM2
			}
		case ShutSupply:
			f.shut = f.shut || holds
		}
	}
}

const (
	lph = 1e-3 / 3600 // L/h in m3/s
	// drainM2 is the opening of a bay's drain, a pipe of 40 mm.
	drainM2 = 1.26e-3
)

// apply enters an active fault into the effects.
func (f *Field) apply(r *faultRun) {
	size := r.Fault.size()
	fx := &effects{}
	if i, ok := f.index[r.Fault.Bay]; ok {
		fx = &f.bays[i].fx
	}
	switch r.Fault.Kind {
	case StuckOpen:
		fx.stuckOpen = max(fx.stuckOpen, size/100)
	case StuckShut:
		fx.stuckShut = true
	case Weeping:
		fx.weepM3S += size * lph
	case LowFlow:
		fx.flowFactor *= 1 - size/100
	case LinerLeak:
		if r.leakM2 == 0 {
			// The hole that lets out that much at the bay's own set point.
			r.leakM2 = size * lph / Orifice(sharpEdge, 1, f.bays[f.index[r.Fault.Bay]].cfg.SetPointM)
		}
		fx.leakM2 += r.leakM2
	case Seepage:
		a, b := f.index[r.Fault.Bay], f.index[r.Fault.Other]
		r.seepG = size * lph / 0.02
		f.edgeG[f.edge(a, b)] += r.seepG
	case SupplyLost:
		f.sfx.pressure = 0
	case PressureLow, PressureHigh:
		f.sfx.pressure *= size / 100
	case LineLeak:
		f.sfx.lineLeak += size * lph
	case MeterDead:
		fx.meterDead = true
	case MeterWrong:
		fx.meterFactor *= 1 + size/100
	case MeterCreep:
		fx.creepM3S += size * lph
	case MainDead:
		f.sfx.mainDead = true
	case MainWrong:
		f.sfx.mainFactor *= 1 + size/100
	case SensorFrozen:
		fx.frozen = true
	case SensorOut:
		fx.out = true
	case SensorDrift:
		fx.driftMS += size * 1e-3 / 86400
	case SensorSpikes:
		fx.spikeM += size * 1e-3
	case SensorNoisy:
		fx.noiseM += size * 1e-3
	case ChamberClogged:
		fx.clog *= size
	case OverflowBlocked:
		fx.overflowBlocked = true
	case OverflowDisplaced:
		fx.crestDownM += size * 1e-3
	case UnitSilent:
		f.silent[r.Fault.Unit] = true
	case SwapLevels:
		swap(f.levelOf, f.index[r.Fault.Bay], f.index[r.Fault.Other])
	case SwapMeters:
		swap(f.meterOf, f.index[r.Fault.Bay], f.index[r.Fault.Other])
	case SwapValves:
		swap(f.valveOf, f.index[r.Fault.Bay], f.index[r.Fault.Other])
	}
}

func swap(of []int, a, b int) { of[a], of[b] = of[b], of[a] }

// edge returns the number of the edge between two bays, adding one if they had none: a fault
// may open an edge nobody put on the plan.
func (f *Field) edge(a, b int) int {
	for i, e := range f.edges {
		if (e[0] == a && e[1] == b) || (e[0] == b && e[1] == a) {
			return i
		}
	}
	f.edges = append(f.edges, [2]int{a, b})
	f.edgeG = append(f.edgeG, 0)
	return len(f.edges) - 1
}

// watchOnsets notes for each active fault the first step at which it did something.
func (f *Field) watchOnsets() {
	for _, r := range f.faults {
		if r.active && r.Effect.IsZero() && f.felt(r) {
			r.Effect = f.now()
		}
	}
}

// felt reports whether an active fault shows anywhere outside itself in this step.
func (f *Field) felt(r *faultRun) bool {
	var b *bay
	other := -1
	i, isBay := f.index[r.Fault.Bay]
	if isBay {
		b = f.bays[i]
	}
	if r.Fault.Other != "" {
		other = f.index[r.Fault.Other]
	}
	differ := func(x, y float64) bool { return math.Abs(x-y) > 0.002 }
	switch r.Fault.Kind {
	case StuckOpen:
		return !f.wasTold[i] && b.valve.settled > b.cfg.TravelS && b.valve.flow > 0
	case StuckShut:
		return f.wasTold[i] && b.valve.settled > b.cfg.TravelS
	case Weeping:
		return b.valve.flow > 0 && b.valve.position == 0
	case LowFlow, MeterWrong:
		return b.valve.flow > 0
	case MeterDead:
		return b.valve.flow >= b.cfg.Meter.StartM3S && b.valve.flow > 0
	case LinerLeak:
		return b.leaking > 0
	case Seepage:
		return b.seeping != 0
	case MainDead, MainWrong:
		return f.mainFlow > 0
	case LineLeak:
		return f.pressurePa > 0
	case SensorFrozen:
		return differ(b.sensor.readM, b.sensor.wouldM)
	case SensorDrift:
		return math.Abs(b.sensor.driftM) > 0.001
	case SensorSpikes:
		return b.sensor.spiking
	case ChamberClogged:
		return differ(b.chamberM, b.zones[near].levelM)
	case OverflowBlocked:
		return b.zones[near].levelM > b.cfg.CrestM
	case OverflowDisplaced:
		return b.slipped > 0
	case SwapLevels:
		return differ(b.chamberM, f.bays[other].chamberM)
	case SwapMeters, SwapValves:
		return b.valve.flow > 0 || f.bays[other].valve.flow > 0
	}
	return true // the rest is felt at once
}
