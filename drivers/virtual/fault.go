package virtual

import (
	"fmt"
	"strings"
	"time"

	"bayledger/agent/site"
)

// FaultKind is a kind of trouble the pump house can have.
type FaultKind string

// The faults. What each does, and the unit of its size, stands in FaultKinds.
const (
	StuckOpen         FaultKind = "valve-stuck-open"
	StuckShut         FaultKind = "valve-stuck-shut"
	Weeping           FaultKind = "valve-weeping"
	LowFlow           FaultKind = "low-flow"
	LinerLeak         FaultKind = "leak"
	Seepage           FaultKind = "seepage"
	SupplyLost        FaultKind = "supply-lost"
	PressureLow       FaultKind = "pressure-low"
	PressureHigh      FaultKind = "pressure-high"
	LineLeak          FaultKind = "supply-line-leak"
	MeterDead         FaultKind = "meter-dead"
	MeterWrong        FaultKind = "meter-misregister"
	MeterCreep        FaultKind = "meter-creep"
	MainDead          FaultKind = "main-meter-dead"
	MainWrong         FaultKind = "main-meter-misregister"
	SensorFrozen      FaultKind = "sensor-frozen"
	SensorOut         FaultKind = "sensor-out-of-range"
	SensorDrift       FaultKind = "sensor-drift"
	SensorSpikes      FaultKind = "sensor-spikes"
	SensorNoisy       FaultKind = "sensor-noisy"
	ChamberClogged    FaultKind = "chamber-clogged"
	OverflowBlocked   FaultKind = "overflow-blocked"
	OverflowDisplaced FaultKind = "overflow-displaced"
	UnitSilent        FaultKind = "unit-silent"
	SwapLevels        FaultKind = "swap-levels"
	SwapMeters        FaultKind = "swap-meters"
	SwapValves        FaultKind = "swap-valves"
)

// scope says what a fault befalls.
type scope uint8

const (
	ofBay scope = iota
	ofPair
	ofSite
	ofUnit
)

// FaultInfo is a row of the table of faults.
type FaultInfo struct {
	Kind FaultKind
	// Where is what to write in place of a bay: "bay", "bay+bay", "site" or "unit".
	Where string
	scope scope
	// Size is the unit of Fault.Size, empty when the kind has none, and Default what 0 means.
	Size    string
	Default float64
	Says    string
	// Finding is the kind of trouble the watch should name.
	Finding site.Kind
}

// FaultKinds is the table of faults.
var FaultKinds = []FaultInfo{
	{StuckOpen, "bay", ofBay, "% open", 100, "the valve opens and does not shut, whatever it is told", site.ValveStuckOpen},
	{StuckShut, "bay", ofBay, "", 0, "the valve shuts and does not open", site.ValveStuckClosed},
	{Weeping, "bay", ofBay, "L/h", 10, "the shut valve lets water through", site.ValveWeeping},
	{LowFlow, "bay", ofBay, "% less", 60, "the strainer clogs: fills run slower", site.LowFlow},
	{LinerLeak, "bay", ofBay, "L/h at the set point", 40, "a hole in the liner, its flow by the head over it", site.Leak},
	{Seepage, "bay+bay", ofPair, "L/h at 20 mm of difference", 10, "the edge between two bays lets water through", site.SeepageBetweenBays},
	{SupplyLost, "site", ofSite, "", 0, "the supply is shut off", site.NoSupply},
	{PressureLow, "site", ofSite, "% of usual", 40, "the supply pressure falls", site.PressureOutOfBand},
	{PressureHigh, "site", ofSite, "% of usual", 180, "the regulator fails and the pressure rises", site.PressureOutOfBand},
	{LineLeak, "site", ofSite, "L/h", 60, "the supply line leaks after the main meter", site.SupplyLineLeak},
	{MeterDead, "bay", ofBay, "", 0, "the bay's meter does not turn", site.MeterFault},
	{MeterWrong, "bay", ofBay, "% off", -20, "the bay's meter registers wrongly", site.MeterFault},
	{MeterCreep, "bay", ofBay, "L/h", 8, "the bay's meter counts water that does not flow", site.MeterFault},
	{MainDead, "site", ofSite, "", 0, "the main meter does not turn", site.MainMeterFault},
	{MainWrong, "site", ofSite, "% off", -20, "the main meter registers wrongly", site.MainMeterFault},
	{SensorFrozen, "bay", ofBay, "", 0, "the level sensor stays at its last reading", site.LevelSensorFault},
	{SensorOut, "bay", ofBay, "", 0, "the level sensor shows no possible level", site.LevelSensorFault},
	{SensorDrift, "bay", ofBay, "mm/day", 4, "the level sensor drifts", site.LevelSensorFault},
	{SensorSpikes, "bay", ofBay, "mm", 60, "now and then a reading is far off", site.LevelSensorFault},
	{SensorNoisy, "bay", ofBay, "mm", 6, "the level sensor is restless", site.LevelSensorFault},
	{ChamberClogged, "bay", ofBay, "times slower", 40, "the pipe between chamber and bay clogs", site.SlowChamber},
	{OverflowBlocked, "bay", ofBay, "", 0, "the overflow carries nothing", site.OverflowFault},
	{OverflowDisplaced, "bay", ofBay, "mm lower", 40, "the overflow's crest has slipped", site.OverflowFault},
	{UnitSilent, "unit", ofUnit, "", 0, "a Modbus unit does not answer", site.NoData},
	{SwapLevels, "bay+bay", ofPair, "", 0, "the level sensors are on each other's terminals", site.WiringMismatch},
	{SwapMeters, "bay+bay", ofPair, "", 0, "the meters are on each other's terminals", site.WiringMismatch},
	{SwapValves, "bay+bay", ofPair, "", 0, "the valves are on each other's terminals", site.WiringMismatch},
}

// Info returns the fault's row; ok is false for a kind that is not in the table.
func (k FaultKind) Info() (info FaultInfo, ok bool) {
	for _, i := range FaultKinds {
		if i.Kind == k {
			return i, true
		}
	}
	return FaultInfo{}, false
}

// Fault is a trouble with a start and an end.
type Fault struct {
	Kind FaultKind `json:"kind"`
	// Bay it befalls, and Other for a pair; empty for the site and for a unit.
	Bay   string `json:"bay,omitempty"`
	Other string `json:"other,omitempty"`
	Unit  uint8  `json:"unit,omitempty"`
	// From and To bound it; a zero From is the start of the model, a zero To never comes.
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
	// Size is in the unit of the kind's row; 0 means the row's default.
	Size float64 `json:"size,omitempty"`
}

// size returns the fault's size with the default filled in.
func (f Fault) size() float64 {
	if f.Size != 0 {
		return f.Size
	}
	i, _ := f.Kind.Info()
	return i.Default
}

// Place is what the fault befalls, as ParseFault reads it.
func (f Fault) Place() string {
	switch {
	case f.Unit != 0:
		return fmt.Sprint(f.Unit)
	case f.Other != "":
		return f.Bay + "+" + f.Other
	case f.Bay == "":
		return "site"
	}
	return f.Bay
}

// at reports whether the fault holds at t.
func (f Fault) at(t time.Time) bool {
	return !t.Before(f.From) && (f.To.IsZero() || t.Before(f.To))
}

// SetPlace fills in what a fault befalls from text: a bay, two bays joined by "+", "site", or
// the number of a unit, as its kind wants.
func (f *Fault) SetPlace(text string) error {
	info, ok := f.Kind.Info()
	if !ok {
		return fmt.Errorf("%q is not a fault; bayledger field --kinds lists them", f.Kind)
	}
	switch info.scope {
	case ofBay:
		f.Bay = text
	case ofPair:
		a, b, ok := strings.Cut(text, "+")
		if !ok {
			return fmt.Errorf("%s befalls two bays, write them as A1+A2 in place of %q", f.Kind, text)
		}
		f.Bay, f.Other = a, b
	case ofUnit:
		if _, err := fmt.Sscanf(text, "%d", &f.Unit); err != nil || f.Unit == 0 || fmt.Sprint(f.Unit) != text {
			return fmt.Errorf("%s befalls a Modbus unit, write its number in place of %q", f.Kind, text)
		}
	case ofSite:
		if text != "" && text != "site" {
			return fmt.Errorf("%s befalls the whole site, write site in place of %q", f.Kind, text)
		}
	}
	return nil
}

// checkFault adds what is wrong with a fault of this pump house.
func (c *Config) checkFault(p *site.Problems, path string, f Fault) {
	info, ok := f.Kind.Info()
	if !ok {
		p.Add(path+".kind", "one of those bayledger field --kinds lists", "%q is not a fault", f.Kind)
		return
	}
	known := map[string]bool{}
	var ids []string
	for _, b := range c.bays() {
		known[b.ID] = true
		ids = append(ids, b.ID)
	}
	theseBays := "its bays are " + strings.Join(ids, ", ")
	switch info.scope {
	case ofBay:
		if !known[f.Bay] {
			p.Add(path+".bay", theseBays, "there is no bay %q", f.Bay)
		}
	case ofPair:
		if !known[f.Bay] || !known[f.Other] || f.Bay == f.Other {
			p.Add(path+".bay", theseBays, "%q and %q are not two bays", f.Bay, f.Other)
		}
	case ofUnit:
		if !c.hasUnit(f.Unit) {
			p.Add(path+".unit", "a unit of the register map", "there is no unit %d", f.Unit)
		}
	}
	if !f.To.IsZero() && !f.To.After(f.From) {
		p.Add(path+".to", "a time after from", "it ends before it begins")
	}
	s := f.size()
	if !(s > -1e6 && s < 1e6) {
		p.Add(path+".size", "a number in "+info.Size, "%v is not a size", s)
		return
	}
	signed := f.Kind == MeterWrong || f.Kind == MainWrong || f.Kind == SensorDrift || f.Kind == SensorSpikes || f.Kind == OverflowDisplaced
	if s < 0 && !signed {
		p.Add(path+".size", "a number of "+info.Size+" above 0", "%v is not a size of this fault", s)
	}
	if (f.Kind == MeterWrong || f.Kind == MainWrong) && s <= -100 {
		p.Add(path+".size", "above -100 %", "a meter cannot count backwards; meter-dead is its own fault")
	}
	if (f.Kind == StuckOpen || f.Kind == LowFlow) && s > 100 {
		p.Add(path+".size", "up to 100 %", "%v %% is not possible", s)
	}
	if f.Kind == ChamberClogged && s < 1 {
		p.Add(path+".size", "1 or more times slower", "%v would make it faster", s)
	}
}

func (c *Config) hasUnit(u uint8) bool {
	for _, k := range c.Courts {
		if k.Unit == u {
			return true
		}
	}
	return u == c.Instruments.SupplyUnit || u == c.Instruments.WeatherUnit
}

// Onset tells of one fault what the ledger of truth knows.
type Onset struct {
	Fault Fault
	// Begun is when it was switched on and Effect when it first did anything that could be
	// felt: water that ran, a reading that was wrong. Both are zero until then.
	Begun, Effect time.Time
}

// faultRun is a fault and what has come of it.
type faultRun struct {
	Onset
	active bool
	// leakM2 is the hole of a liner leak, m2, worked out at its begin; seepG the conductance
	// of an edge, m2/s.
	leakM2, seepG float64
}

// effects are the active faults of one bay, in the form the physics wants them.
type effects struct {
	stuckOpen       float64 // 0 or the opening it is held at
	stuckShut       bool
	weepM3S         float64
	flowFactor      float64
	leakM2          float64
	meterDead       bool
	meterFactor     float64
	creepM3S        float64
	frozen, out     bool
	driftMS         float64 // m/s of all drifting together
	spikeM          float64
	noiseM          float64
	clog            float64 // 1 or more
	overflowBlocked bool
	crestDownM      float64
	// What people do is no fault but acts the same way.
	lifted, noOverflow bool
	drainM2            float64
}

func noEffects() effects { return effects{flowFactor: 1, meterFactor: 1, clog: 1} }

// siteEffects are the active faults of the site.
type siteEffects struct {
	pressure   float64 // factor
	lineLeak   float64 // m3/s at usual pressure
	mainDead   bool
	mainFactor float64
}
