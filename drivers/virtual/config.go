package virtual

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"bayledger/agent/site"
)

// Config describes a pump house and all that will happen to it. Lengths are metres, flows m3/s,
// pressures Pa.
type Config struct {
	// Site is the permanent id and Name the free name of the club.
	Site string `json:"site"`
	Name string `json:"name"`
	Seed uint64 `json:"seed"`
	// Start is the moment at which the model begins.
	Start time.Time `json:"start"`
	// Step is the internal step: 1 s, or up to 10 s for long runs without a wire.
	Step Span `json:"step"`
	// Zone is the IANA name of the club's time zone; fill windows are in its local time.
	Zone         string          `json:"zone"`
	LatitudeDeg  float64         `json:"latitude_deg"`
	LongitudeDeg float64         `json:"longitude_deg"`
	ElevationM   float64         `json:"elevation_m"`
	Weather      Weather         `json:"weather"`
	Supply       Supply          `json:"supply"`
	Controller   Controller      `json:"controller"`
	Instruments  SiteInstruments `json:"instruments"`
	Courts       []CourtConfig   `json:"courts"`
	// Neighbours are pairs of bays that share an edge; only these can seep into each other.
	Neighbours [][2]string `json:"neighbours"`
	Faults     []Fault     `json:"faults,omitempty"`
	Acts       []Act       `json:"acts,omitempty"`
	// TruthEvery is how often the true account is noted for Between. 0 means every 10 minutes.
	TruthEvery Span `json:"truth_every,omitempty"`
}

// Span is a duration that is written as "90s" or "5m" in JSON.
type Span time.Duration

// MarshalText implements encoding.TextMarshaler.
func (s Span) MarshalText() ([]byte, error) { return []byte(time.Duration(s).String()), nil }

// UnmarshalText implements encoding.TextUnmarshaler.
func (s *Span) UnmarshalText(b []byte) error {
	d, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is not a duration such as 90s or 5m", b)
	}
	*s = Span(d)
	return nil
}

// CourtConfig is a court and the Modbus unit that answers for its bays.
type CourtConfig struct {
	ID   string      `json:"id"`
	Name string      `json:"name"`
	Unit uint8       `json:"unit"`
	Form Form        `json:"form"`
	Bays []BayConfig `json:"bays"`
}

// Form is how a court's unit lays out its registers: two makers, two habits.
type Form string

// The two forms.
const (
	// FormInput: float32 levels and plain big-endian totals in input registers, the valve's
	// command as a coil.
	FormInput Form = "input"
	// FormHolding: scaled 16-bit levels and word-swapped 32-bit numbers in holding registers,
	// the valve's feedback as a discrete input.
	FormHolding Form = "holding"
)

// BayConfig is one bay as it truly is. Nominal is what its club believes.
type BayConfig struct {
	ID           string        `json:"id"`
	Name         string        `json:"name"`
	AreaM2       float64       `json:"area_m2"`
	Layers       []LayerConfig `json:"layers"` // from the liner upwards
	FringeM      float64       `json:"fringe_m"`
	FloorUnevenM float64       `json:"floor_uneven_m"`
	// HysteresisM is the width of the band between the filling and the draining branch, Turn
	// how much further the level moves within a turn for the same water.
	HysteresisM float64 `json:"hysteresis_m"`
	Turn        float64 `json:"turn"`
	// SpreadS is how long the water of a fill needs to even out over the bay, seconds.
	SpreadS float64 `json:"spread_s"`
	// ChamberM2 is the plan of the level chamber, ChamberS its time constant behind its pipe.
	ChamberM2 float64 `json:"chamber_m2"`
	ChamberS  float64 `json:"chamber_s"`
	// CrestM, OverflowM and OverflowM3S: the overflow's crest, the length of its edge, and the
	// most its drain carries.
	CrestM      float64 `json:"crest_m"`
	OverflowM   float64 `json:"overflow_m"`
	OverflowM3S float64 `json:"overflow_m3s"`
	// KerbM is how high water can stand on the surface before it runs off the court.
	KerbM float64 `json:"kerb_m"`
	// Factor scales the air's demand to this bay's evaporation; Catch is the part of the rain
	// that stays.
	Factor float64 `json:"factor"`
	Catch  float64 `json:"catch"`
	// ClayWaterM is the water the clay can give up to the air, RewetS the time constant with
	// which it takes it up again from below.
	ClayWaterM float64 `json:"clay_water_m"`
	RewetS     float64 `json:"rewet_s"`
	// LeakM2 is a hole in the liner that has always been there.
	LeakM2 float64 `json:"leak_m2,omitempty"`
	// Retention is the water per volume that stone which has never been wet keeps for good, on
	// top of what it drains: a first fill takes that much more. Only above LevelM.
	Retention float64 `json:"retention,omitempty"`
	// LevelM is where the water stands at Start.
	LevelM float64 `json:"level_m"`

	SetPointM float64      `json:"set_point_m"`
	BandM     float64      `json:"band_m"`
	FillM3S   float64      `json:"fill_m3s"` // at the supply's usual pressure
	TravelS   float64      `json:"travel_s"`
	Level     LevelSensor  `json:"level"`
	Meter     MeterConfig  `json:"meter"`
	Nominal   NominalFacts `json:"nominal"`
}

// LayerConfig is one fill material as it truly is.
type LayerConfig struct {
	Name              string  `json:"name"`
	DepthM            float64 `json:"depth_m"`
	DrainablePorosity float64 `json:"drainable_porosity"`
	Surface           bool    `json:"surface,omitempty"`
}

// NominalFacts are the figures of the site file: surveyed area and book porosities, wrong by a
// few and by some tens of per cent.
type NominalFacts struct {
	AreaM2   float64   `json:"area_m2"`
	Porosity []float64 `json:"porosity"` // one for each layer
}

// LevelSensor is a bay's level instrument.
type LevelSensor struct {
	NoiseM    float64 `json:"noise_m"` // standard deviation of one reading
	QuantumM  float64 `json:"quantum_m"`
	OffsetM   float64 `json:"offset_m,omitempty"`
	PerDegM   float64 `json:"per_deg_m,omitempty"` // temperature effect about 15 degC
	Unvented  bool    `json:"unvented,omitempty"`  // feels the air: about 10 mm a hPa
	LoopTopM  float64 `json:"loop_top_m,omitempty"`
	DriftMDay float64 `json:"drift_m_day,omitempty"`
}

// MeterConfig is a water meter.
type MeterConfig struct {
	PulseM3  float64 `json:"pulse_m3"`
	StartM3S float64 `json:"start_m3s"`
	Error    float64 `json:"error"` // relative: registered = true * (1 + Error)
	// TotalM3 is what it shows at Start.
	TotalM3 float64 `json:"total_m3"`
}

// SiteInstruments are the instruments of the site itself.
type SiteInstruments struct {
	Main     MeterConfig `json:"main"`
	RainTipM float64     `json:"rain_tip_m"`
	// RainCatch scales what the gauge catches of the rain that falls.
	RainCatch float64 `json:"rain_catch"`
	TempBiasC float64 `json:"temp_bias_c,omitempty"`
	WindBias  float64 `json:"wind_bias,omitempty"` // relative
	// SupplyUnit and WeatherUnit are the Modbus units that answer for them.
	SupplyUnit  uint8 `json:"supply_unit"`
	WeatherUnit uint8 `json:"weather_unit"`
}

// Supply is the water that comes in.
type Supply struct {
	// PressurePa is the static pressure after the regulator; it sags by SagPa when the whole
	// usual fill flow of one bay runs, and by itself wanders by WanderPa.
	PressurePa float64 `json:"pressure_pa"`
	SagPa      float64 `json:"sag_pa"`
	WanderPa   float64 `json:"wander_pa"`
	LowPa      float64 `json:"low_pa"` // the band the club wants
	HighPa     float64 `json:"high_pa"`
	// LeakM3S is a leak in the line that has always been there, at the usual pressure.
	LeakM3S float64 `json:"leak_m3s,omitempty"`
	// Master is a motor valve on the main: coil 0 of the supply's unit shuts it, within MasterS
	// seconds. Without it that coil does not exist and every write is refused.
	Master  bool    `json:"master,omitempty"`
	MasterS float64 `json:"master_s,omitempty"`
	// Draws are other uses of the line: a hose, a fountain.
	Draws []Draw `json:"draws,omitempty"`
}

// Draw is water taken from the supply line for something that is no bay.
type Draw struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	M3S  float64   `json:"m3s"`
}

// Controller is somebody else's fill controller.
type Controller struct {
	// Windows of the local day in which fills may start, in minutes after midnight; none means
	// any time. A fill that runs is finished.
	Windows    []site.DayWindow `json:"windows,omitempty"`
	OneAtATime bool             `json:"one_at_a_time"`
	// Confirm is how long the level must stand under the band before it asks, MinRun and
	// MaxRun bound one fill, Pause is the least time between two fills of a bay.
	Confirm Span `json:"confirm"`
	MinRun  Span `json:"min_run"`
	MaxRun  Span `json:"max_run"`
	Pause   Span `json:"pause"`
	// Filter is the time constant with which it smooths the level.
	Filter Span `json:"filter"`
}

// ActKind is something a person does.
type ActKind string

// The acts.
const (
	HandWater    ActKind = "hand-water"    // Value m3 over the time from At to Until
	MoveSetPoint ActKind = "move-setpoint" // Value m
	ManualOpen   ActKind = "manual-open"   // the valve is held open from At to Until
	ManualShut   ActKind = "manual-shut"   // the valve is held shut from At to Until
	LiftSensor   ActKind = "lift-sensor"   // the level sensor hangs in the air from At to Until
	TakeOverflow ActKind = "take-overflow" // the overflow pipe is out from At to Until
	OpenDrain    ActKind = "open-drain"    // the bay's drain is open from At to Until
	ShutSupply   ActKind = "shut-supply"   // the supply is shut upstream from At to Until; no bay
)

// Act is something a person does to a bay at a stated time.
type Act struct {
	Kind  ActKind   `json:"kind"`
	Bay   string    `json:"bay"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"`
	Value float64   `json:"value,omitempty"`
}

// ReadConfig reads a Config as JSON over another, so that a file need hold only what differs.
// Unknown keys are refused.
func ReadConfig(r io.Reader, over Config) (Config, error) {
	c := over
	d := json.NewDecoder(r)
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		return Config{}, fmt.Errorf("virtual pump house: read configuration: %w", err)
	}
	return c, nil
}

// bays returns all bays in order.
func (c *Config) bays() []*BayConfig {
	var out []*BayConfig
	for i := range c.Courts {
		for j := range c.Courts[i].Bays {
			out = append(out, &c.Courts[i].Bays[j])
		}
	}
	return out
}

// Validate returns every mistake of the configuration.
func (c *Config) Validate() site.Problems {
	var p site.Problems
	positive := func(path string, x float64) {
		if !(x > 0) || math.IsInf(x, 0) {
			p.Add(path, "give a number above 0", "%v is not possible here", x)
		}
	}
	notNegative := func(path string, x float64) {
		if !(x >= 0) || math.IsInf(x, 0) {
			p.Add(path, "give 0 or more", "%v is not possible here", x)
		}
	}
	if bad := site.CheckID(c.Site); bad != "" {
		p.Add("site", "choose another id", "%q: %s", c.Site, bad)
	}
	if c.Start.IsZero() {
		p.Add("start", "give an RFC 3339 time", "no start is given")
	}
	if s := time.Duration(c.Step); s < 100*time.Millisecond || s > 10*time.Second {
		p.Add("step", "between 100ms and 10s", "a step of %v is not possible", s)
	}
	if _, err := time.LoadLocation(c.Zone); err != nil {
		p.Add("zone", "an IANA name such as Europe/Berlin", "%v", err)
	}
	if !(c.LatitudeDeg >= -66 && c.LatitudeDeg <= 66) {
		p.Add("latitude_deg", "between -66 and 66", "%v has days without a sunrise", c.LatitudeDeg)
	}
	if !(c.LongitudeDeg >= -180 && c.LongitudeDeg <= 180) {
		p.Add("longitude_deg", "between -180 and 180", "%v is no longitude", c.LongitudeDeg)
	}
	if c.TruthEvery < 0 {
		p.Add("truth_every", "give 0s or more", "%v is not possible", time.Duration(c.TruthEvery))
	}
	positive("supply.pressure_pa", c.Supply.PressurePa)
	notNegative("supply.sag_pa", c.Supply.SagPa)
	if c.Supply.SagPa >= c.Supply.PressurePa {
		p.Add("supply.sag_pa", "less than pressure_pa", "one fill would use up the whole pressure")
	}
	notNegative("supply.leak_m3s", c.Supply.LeakM3S)
	notNegative("supply.master_s", c.Supply.MasterS)
	for i, d := range c.Supply.Draws {
		notNegative(fmt.Sprintf("supply.draws[%d].m3s", i), d.M3S)
	}
	checkMeter(&p, "instruments.main", c.Instruments.Main)
	positive("instruments.rain_tip_m", c.Instruments.RainTipM)
	c.checkUnits(&p)

	seen := map[string]bool{}
	if len(c.Courts) == 0 {
		p.Add("courts", "give at least one", "there is no court")
	}
	for i := range c.Courts {
		k := &c.Courts[i]
		if bad := site.CheckID(k.ID); bad != "" {
			p.Add(fmt.Sprintf("courts[%d].id", i), "choose another id", "%q: %s", k.ID, bad)
		}
		if len(k.Bays) == 0 || len(k.Bays) > maxBaysOfUnit {
			p.Add(fmt.Sprintf("courts[%d].bays", i), fmt.Sprintf("1 to %d bays", maxBaysOfUnit), "%d bays cannot be served by one unit", len(k.Bays))
		}
		for j := range k.Bays {
			path := fmt.Sprintf("courts[%d].bays[%d]", i, j)
			b := &k.Bays[j]
			if bad := site.CheckID(b.ID); bad != "" {
				p.Add(path+".id", "choose another id", "%q: %s", b.ID, bad)
			} else if seen[b.ID] {
				p.Add(path+".id", "give each bay its own", "%q is there twice", b.ID)
			}
			seen[b.ID] = true
			b.validate(&p, path)
		}
	}
	for i, n := range c.Neighbours {
		if !seen[n[0]] || !seen[n[1]] || n[0] == n[1] {
			p.Add(fmt.Sprintf("neighbours[%d]", i), "two ids of bays", "%q and %q are not two bays of this site", n[0], n[1])
		}
	}
	for i, f := range c.Faults {
		c.checkFault(&p, fmt.Sprintf("faults[%d]", i), f)
	}
	for i, a := range c.Acts {
		path := fmt.Sprintf("acts[%d]", i)
		if !seen[a.Bay] && a.Kind != ShutSupply {
			p.Add(path+".bay", "the id of a bay", "there is no bay %q", a.Bay)
		}
		switch a.Kind {
		case HandWater, ManualOpen, ManualShut, LiftSensor, TakeOverflow, OpenDrain, ShutSupply:
			if !a.Until.After(a.At) {
				p.Add(path+".until", "a time after at", "it ends before it begins")
			}
			notNegative(path+".value", a.Value)
		case MoveSetPoint:
			positive(path+".value", a.Value)
		default:
			p.Add(path+".kind", "hand-water, move-setpoint, manual-open, manual-shut, lift-sensor, take-overflow, open-drain or shut-supply", "%q is not an act", a.Kind)
		}
	}
	return p
}

func (c *Config) checkUnits(p *site.Problems) {
	used := map[uint8]string{}
	claim := func(path string, u uint8) {
		switch other, taken := used[u]; {
		case u < 1 || u > 247:
			p.Add(path, "1 to 247", "%d is not a unit a slave can have", u)
		case taken:
			p.Add(path, "give each its own", "unit %d is also %s", u, other)
		}
		used[u] = path
	}
	for i, k := range c.Courts {
		claim(fmt.Sprintf("courts[%d].unit", i), k.Unit)
		if k.Form != FormInput && k.Form != FormHolding {
			p.Add(fmt.Sprintf("courts[%d].form", i), "input or holding", "%q is not a form", k.Form)
		}
	}
	claim("instruments.supply_unit", c.Instruments.SupplyUnit)
	claim("instruments.weather_unit", c.Instruments.WeatherUnit)
}

func checkMeter(p *site.Problems, path string, m MeterConfig) {
	if !(m.PulseM3 > 0) {
		p.Add(path+".pulse_m3", "give the volume of a count", "%v is not possible", m.PulseM3)
	}
	if !(m.StartM3S >= 0) || !(m.TotalM3 >= 0) || !(m.Error > -1) {
		p.Add(path, "start_m3s and total_m3 of 0 or more, error above -1", "the meter is not possible")
	}
}

func (b *BayConfig) validate(p *site.Problems, path string) {
	for _, f := range []struct {
		key string
		x   float64
	}{
		{"area_m2", b.AreaM2}, {"spread_s", b.SpreadS}, {"chamber_m2", b.ChamberM2}, {"chamber_s", b.ChamberS},
		{"crest_m", b.CrestM}, {"overflow_m", b.OverflowM}, {"overflow_m3s", b.OverflowM3S},
		{"clay_water_m", b.ClayWaterM}, {"rewet_s", b.RewetS}, {"set_point_m", b.SetPointM}, {"band_m", b.BandM}, {"fill_m3s", b.FillM3S},
	} {
		if !(f.x > 0) || math.IsInf(f.x, 0) {
			p.Add(path+"."+f.key, "give a number above 0", "%v is not possible here", f.x)
		}
	}
	for _, f := range []struct {
		key string
		x   float64
	}{
		{"fringe_m", b.FringeM}, {"floor_uneven_m", b.FloorUnevenM}, {"hysteresis_m", b.HysteresisM}, {"turn", b.Turn}, {"kerb_m", b.KerbM},
		{"factor", b.Factor}, {"leak_m2", b.LeakM2}, {"retention", b.Retention}, {"level_m", b.LevelM}, {"travel_s", b.TravelS},
		{"level.noise_m", b.Level.NoiseM}, {"level.quantum_m", b.Level.QuantumM}, {"level.loop_top_m", b.Level.LoopTopM},
	} {
		if !(f.x >= 0) || math.IsInf(f.x, 0) {
			p.Add(path+"."+f.key, "give 0 or more", "%v is not possible here", f.x)
		}
	}
	if !(b.Catch >= 0 && b.Catch <= 1) {
		p.Add(path+".catch", "between 0 and 1", "%v of the rain cannot stay", b.Catch)
	}
	depth := 0.0
	for i, l := range b.Layers {
		depth += l.DepthM
		if !(l.DepthM > 0) || !(l.DrainablePorosity > 0 && l.DrainablePorosity < 0.6) {
			p.Add(fmt.Sprintf("%s.layers[%d]", path, i), "a depth above 0 and a porosity between 0 and 0.6", "the layer is not possible")
		}
	}
	if !(depth >= 0.02 && depth <= 2) {
		p.Add(path+".layers", "a fill of 20 mm to 2 m", "%v m of fill is not possible", depth)
	}
	if len(b.Nominal.Porosity) != len(b.Layers) {
		p.Add(path+".nominal.porosity", "one for each layer", "%d porosities for %d layers", len(b.Nominal.Porosity), len(b.Layers))
	}
	if b.LevelM > depth {
		p.Add(path+".level_m", "within the fill", "the water would stand above the surface")
	}
	checkMeter(p, path+".meter", b.Meter)
}
