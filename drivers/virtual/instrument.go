package virtual

import (
	"math"
	"time"

	"bayledger/agent/site"
)

// sensor is a bay's level sensor.
type sensor struct {
	stream  uint64
	readM   float64 // what it shows, metres
	dark    bool    // it shows that it has no reading
	driftM  float64
	wouldM  float64 // what it would show without a fault
	spiking bool
	slow    wanderer
}

// read works out what the sensor in chamber level h shows at step k. air gives its temperature
// effect and, unvented, the barometer's; x is the seconds since start.
func (s *sensor) read(c *LevelSensor, fx *effects, seed, k uint64, x, h, waterC, airPa float64) {
	if fx.lifted {
		h = inAirM
	}
	v := h + c.OffsetM + c.PerDegM*(waterC-15)
	if c.Unvented {
		v += (airPa - standardPa) / (waterDensity * gravity)
	}
	v += c.DriftMDay * x / 86400
	n := c.NoiseM
	v += 0.8*n*gauss(seed, s.stream, k) + 0.6*n*s.slow.at(seed, s.stream+1, x, 300)
	s.wouldM = v
	v += s.driftM
	if fx.noiseM > 0 {
		v += fx.noiseM * gauss(seed, s.stream+2, k)
	}
	s.spiking = false
	if fx.spikeM != 0 && uniform(seed, s.stream+3, k) < 1.0/120 {
		v += fx.spikeM
		s.spiking = true
	}
	s.dark = fx.out
	if !fx.frozen {
		if c.QuantumM > 0 {
			v = math.Round(v/c.QuantumM) * c.QuantumM
		}
		s.readM = v
	}
}

const (
	// inAirM is what a sensor shows that hangs in the air: its own depth below the liner.
	inAirM       = -0.03
	standardPa   = 101325.0
	waterDensity = 998.2
)

// meter is a water meter: it counts whole pulses.
type meter struct {
	cfg    *MeterConfig
	stream uint64
	total  sum // m3 registered since start
	flow   float64
}

// register lets flow m3/s pass for dt seconds and returns what was registered.
func (m *meter) register(flow, dt, factor, creep float64, dead bool) float64 {
	m.flow = 0
	if dead {
		return 0
	}
	if flow > 0 && flow >= m.cfg.StartM3S {
		m.flow = flow * (1 + m.cfg.Error) * factor
	}
	m.flow += creep
	v := m.flow * dt
	if v != 0 {
		m.total.add(v)
	}
	return v
}

// counts is the number of pulses it shows.
func (m *meter) counts() float64 {
	return math.Floor((m.cfg.TotalM3+m.total.value())/m.cfg.PulseM3 + 1e-6)
}

// fillState is what the controller keeps of one bay.
type fillState struct {
	setPointM float64
	filterM   float64
	command   bool
	under     float64 // seconds the level has stood under the band
	asked     float64 // the moment it asked, seconds since start; 0 or less when it does not ask
	ran       float64 // seconds of the running fill
	idle      float64 // seconds since the last fill
	manual    int8    // -1 held shut, +1 held open by a person
}

// control is one scan of the controller: it reads the levels the terminals show and sets the
// commands. x is the seconds since start.
func (f *Field) control(dt, x float64) {
	c := &f.cfg.Controller
	running := -1
	for i, b := range f.bays {
		s := &b.ctl
		read := &f.bays[f.levelOf[i]].sensor
		if !read.dark {
			s.filterM += (read.readM - s.filterM) * dt / (time.Duration(c.Filter).Seconds() + dt)
		}
		if s.command {
			s.ran += dt
			done := s.filterM >= s.setPointM+0.5*b.cfg.BandM && s.ran >= time.Duration(c.MinRun).Seconds()
			if done || read.dark || s.ran >= time.Duration(c.MaxRun).Seconds() {
				s.command, s.idle = false, 0
			} else if s.manual == 0 {
				running = i
			}
		} else {
			s.idle += dt
		}
		switch {
		case read.dark || s.filterM >= s.setPointM-b.cfg.BandM:
			s.under, s.asked = 0, 0
		default:
			s.under += dt
			if s.asked == 0 && s.under >= time.Duration(c.Confirm).Seconds() && s.idle >= time.Duration(c.Pause).Seconds() {
				s.asked = x
			}
		}
	}
	if f.windowOpen {
		for {
			next := -1
			for i, b := range f.bays {
				s := &b.ctl
				if s.asked > 0 && !s.command && s.manual == 0 && (next < 0 || s.asked < f.bays[next].ctl.asked) {
					next = i
				}
			}
			if next < 0 || (c.OneAtATime && running >= 0) {
				break
			}
			s := &f.bays[next].ctl
			s.command, s.ran, s.asked, s.under = true, 0, 0, 0
			running = next
		}
	}
	for _, b := range f.bays {
		switch b.ctl.manual {
		case 1:
			b.ctl.command = true
		case -1:
			b.ctl.command = false
		}
	}
}

// valves moves every valve towards what it is told and lets the supply's pressure find the
// flows.
func (f *Field) valves(dt float64, t time.Time, x float64) {
	open := 0.0 // sum of all coefficients: flow = coefficient * sqrt(pressure)
	for i, b := range f.bays {
		told := f.bays[f.valveOf[i]].ctl.command // the terminal that drives this valve
		want := 0.0
		if told {
			want = 1
		}
		if b.fx.stuckOpen > 0 {
			want = max(want, b.fx.stuckOpen)
		}
		if b.fx.stuckShut {
			want = 0
		}
		v := &b.valve
		if v.position != want {
			move := 1.0
			if b.cfg.TravelS > 0 {
				move = dt / b.cfg.TravelS
			}
			v.position += min(max(want-v.position, -move), move)
		}
		if told != f.wasTold[i] {
			f.wasTold[i], v.settled = told, 0
		} else {
			v.settled += dt
		}
		k := v.coef * v.position * b.fx.flowFactor
		if b.fx.weepM3S > 0 && v.position < 1 {
			k += b.fx.weepM3S / f.rootUsual * (1 - v.position)
		}
		v.flow = k // the coefficient for now
		open += k
	}
	f.master(dt)
	if f.shut || f.masterShut >= 1 {
		f.drainLine(dt, open)
		return
	}
	s := &f.cfg.Supply
	line := (s.LeakM3S + f.sfx.lineLeak) / f.rootUsual
	used := 0.0
	for _, d := range s.Draws {
		if !t.Before(d.From) && t.Before(d.To) {
			used += d.M3S
		}
	}
	static := 0.0
	if f.sfx.pressure > 0 {
		static = max(0, f.staticPa*f.sfx.pressure) * (1 - f.masterShut)
	}
	// p = static - drag*Q^2 with Q = k*sqrt(p) + used: a quadratic in sqrt(p). Where the other
	// uses ask for more than there is, they take it all.
	k, drag := open+line, f.drag
	root := 0.0
	if most := math.Sqrt(static / drag); used > most {
		used = most
	}
	if static > 0 {
		a, h, c := 1+drag*k*k, drag*k*used, drag*used*used-static
		root = max(0, (-h+math.Sqrt(max(0, h*h-a*c)))/a)
	}
	f.pressurePa = root * root
	total := used
	for _, b := range f.bays {
		b.valve.flow *= root
		total += b.valve.flow
	}
	leak := line * root
	total += leak
	f.mainFlow = total
	if total > 0 {
		f.drawn.add(total * dt)
		f.lineLeaked.add(leak * dt)
		f.used.add(used * dt)
	}
}

// master moves the master valve towards what its coil says.
func (f *Field) master(dt float64) {
	want := 0.0
	if f.masterCoil {
		want = 1
	}
	if f.masterStuck || f.masterShut == want {
		return
	}
	move := 1.0
	if f.cfg.Supply.MasterS > 0 {
		move = dt / f.cfg.Supply.MasterS
	}
	f.masterShut += min(max(want-f.masterShut, -move), move)
}

// MasterShut reports whether the master valve's coil says shut.
func (f *Field) MasterShut() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.masterCoil
}

// OpenMaster is a person who opens the master valve by hand and sets its coil back; with stuck the
// valve does not follow its coil from then on.
func (f *Field) OpenMaster(stuck bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.masterCoil, f.masterShut, f.masterStuck = false, 0, stuck
}

// linePerPa is how much water the supply line gives up for each pascal it falls: the stretch of
// some sixty metres of polyethylene pipe of 32 mm, and the air that is always in it.
const linePerPa = 5e-9

// drainLine lets the valves (open, the sum of their coefficients) and the leaks of the line run on
// what the line itself holds, the supply being shut upstream.
func (f *Field) drainLine(dt, open float64) {
	line := (f.cfg.Supply.LeakM3S + f.sfx.lineLeak) / f.rootUsual
	root := math.Sqrt(max(f.pressurePa, 0))
	total := (open + line) * root
	if most := f.pressurePa * linePerPa / dt; total > most {
		root *= most / total
		total = most
	}
	f.pressurePa -= total * dt / linePerPa
	for _, b := range f.bays {
		b.valve.flow *= root
	}
	f.mainFlow = 0
	f.drawn.add(total * dt)
	f.lineLeaked.add(line * root * dt)
}

// stationNoise adds what a weather station's instruments add.
func (f *Field) station(q site.Quantity) float64 {
	k := uint64(f.k) / f.stationEvery
	a := &f.air
	noise := func(n uint64) float64 { return gauss(f.cfg.Seed, streamStation+n, k) }
	switch q {
	case site.AirTemperature:
		return a.TempC + f.cfg.Instruments.TempBiasC + 0.05*noise(0)
	case site.Humidity:
		return min(1, a.RH+0.004*noise(1))
	case site.Wind:
		return max(0, a.WindMS*(1+f.cfg.Instruments.WindBias)*(1+0.12*noise(2)))
	case site.Solar:
		return max(0, a.SolarWM2*(1+0.01*noise(3)))
	case site.AirPressure:
		return a.PressurePa + 8*noise(4)
	}
	return math.NaN()
}

var streamStation = stream("station")
