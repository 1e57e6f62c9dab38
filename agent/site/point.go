package site

import (
	"fmt"
	"time"
)

// Quantity is what a point measures. The value is the name of its historian measurement.
type Quantity string

// The quantities, with the SI unit their values have.
const (
	Level          Quantity = "water_level"       // m above the liner at the bay's lowest point
	Flow           Quantity = "flow_rate"         // m3/s
	Volume         Quantity = "metered_volume"    // m3, running total as the device shows it
	ValveOpen      Quantity = "valve_open"        // 0 or 1
	SetPoint       Quantity = "set_point"         // m, as Level
	AirTemperature Quantity = "air_temperature"   // degC
	Humidity       Quantity = "relative_humidity" // ratio, 0 to 1
	Wind           Quantity = "wind_speed"        // m/s
	Solar          Quantity = "solar_irradiance"  // W/m2
	Rain           Quantity = "rain_depth"        // m, running total
	Pressure       Quantity = "supply_pressure"   // Pa, gauge
	AirPressure    Quantity = "air_pressure"      // Pa, absolute
	WaterTemp      Quantity = "water_temperature" // degC, in the chamber
)

// QuantityInfo is what the edges need to know of a quantity.
type QuantityInfo struct {
	Quantity Quantity
	// SIUnit is the unit of the journal and the historian, WireUnit that of MQTT, and
	// WireScale the factor from SI to WireUnit.
	SIUnit, WireUnit string
	WireScale        float64
	// Min and Max bound what is physically possible anywhere, in SI. A reading outside is bad.
	Min, Max float64
	// PerBay is true when the quantity may belong to a bay, PerSite when to the site itself.
	PerBay, PerSite bool
	// Short is the last part of a default point id.
	Short string
}

// Quantities in a fixed order.
var Quantities = []QuantityInfo{
	{Level, "m", "mm", 1000, -1, 5, true, false, "level"},
	{Flow, "m3/s", "L/min", 60000, -0.1, 0.1, true, true, "flow"},
	{Volume, "m3", "L", 1000, -1e9, 1e9, true, true, "meter"},
	{ValveOpen, "1", "1", 1, 0, 1, true, false, "valve"},
	{SetPoint, "m", "mm", 1000, -1, 5, true, false, "setpoint"},
	{AirTemperature, "degC", "degC", 1, -60, 70, false, true, "temp"},
	{Humidity, "1", "%", 100, 0, 1.05, false, true, "rh"},
	{Wind, "m/s", "m/s", 1, 0, 100, false, true, "wind"},
	{Solar, "W/m2", "W/m2", 1, -20, 2000, false, true, "solar"},
	{Rain, "m", "mm", 1000, 0, 1e6, false, true, "rain"},
	{Pressure, "Pa", "kPa", 1e-3, -1e5, 5e6, false, true, "pressure"},
	{AirPressure, "Pa", "kPa", 1e-3, 5e4, 1.2e5, false, true, "baro"},
	{WaterTemp, "degC", "degC", 1, -30, 70, true, false, "watertemp"},
}

// Info returns the row of a quantity; ok is false for one that is not in the table.
func (q Quantity) Info() (info QuantityInfo, ok bool) {
	for _, i := range Quantities {
		if i.Quantity == q {
			return i, true
		}
	}
	return QuantityInfo{}, false
}

// Point is one measured quantity at one place.
type Point struct {
	ID string
	// Bay is the id of the bay it belongs to, empty for the site's own points (weather, main
	// meter, supply pressure).
	Bay      string
	Quantity Quantity
	// Interval is how often it is read.
	Interval time.Duration
	// Min and Max bound what this instrument at this place can truly show, in SI; a reading
	// outside is bad. NaN means the quantity's own bound.
	Min, Max float64
	// UStd is the standard uncertainty of one reading's systematic part (zero, slope), and
	// ResolutionM the step of the instrument, both in the quantity's SI unit; NaN when not given.
	UStd, Resolution float64
	// PulseM3 is the volume of one count of a meter, ModulusM3 the total at which its register
	// rolls over (NaN: never), StartM3S the flow below which it does not turn (NaN: not known).
	PulseM3, ModulusM3, StartM3S float64
	// MeterU is the relative standard uncertainty of a meter's registered volume; NaN when not
	// given (ISO 4064 class 2 is then taken).
	MeterU float64
	// HeightM is how high above ground a wind instrument stands.
	HeightM float64
	// Unvented is true for a level sensor that feels the air's pressure too.
	Unvented bool
	// Device is the id of the device that is read, for people; empty in recorded data. Link is
	// the id of the line or gateway it is read through: an alarm on it explains the silence of
	// everything behind it.
	Device, Link string
	// Register says in the words of the site file where the point is read, such as
	// "device: court-a, table: input, address: 4"; empty in recorded data. The wiring proof
	// prints it.
	Register string
	// Gain and Offset are the correction the site file gives the point, so that a procedure can say
	// what it becomes; a Gain of 0 is none.
	Gain, Offset float64
}

// Quality says how far a sample may be trusted.
type Quality uint8

// The three qualities. Their numbers are those of the historian's quality field.
const (
	Good      Quality = 0
	Uncertain Quality = 1
	Bad       Quality = 2
)

var qualityNames = [...]string{"good", "uncertain", "bad"}

func (q Quality) String() string {
	if int(q) < len(qualityNames) {
		return qualityNames[q]
	}
	return fmt.Sprintf("quality(%d)", uint8(q))
}

// Why is the reason for a quality that is not good: a short constant, the same wherever it is
// shown.
type Why string

// Reasons a sample is not good.
const (
	WhyNone         Why = ""
	WhyTimeout      Why = "no-reply"       // the unit did not answer
	WhyGaveUp       Why = "unit-silent"    // not asked: the unit is being left alone for a while
	WhyLinkDown     Why = "link-down"      // the line or socket cannot be used
	WhyException    Why = "refused"        // the unit answered with an exception
	WhyBadFrame     Why = "bad-frame"      // the answer was damaged or not to our question
	WhyDecode       Why = "undecodable"    // the registers hold no number of the stated form
	WhySentinel     Why = "marked-invalid" // the device's own word for no value
	WhyOutOfRange   Why = "impossible"     // outside what the point can physically show
	WhyLoopFault    Why = "loop-fault"     // 4-20 mA outside NAMUR NE 43's valid range
	WhyLoopGap      Why = "loop-unsure"    // 4-20 mA between valid and failure
	WhyStale        Why = "stale"          // the device says the value is old
	WhyClock        Why = "clock-unsure"   // dated by a clock nobody vouches for
	WhyOtherMaster  Why = "other-master"   // somebody else is master of the line, so nothing is asked
	WhyNoReading    Why = "no-reading"     // recorded data has an empty cell
	WhyNotFinite    Why = "not-a-number"   // the device sent NaN or an infinity
	WhyBarometerOut Why = "no-barometer"   // an absolute level sensor without its barometer
	WhyListening    Why = "listening"      // the line is listened to before the first request
)

// Sample is one reading: (point, time, value, quality).
type Sample struct {
	// Point is the id of the point.
	Point string
	// Time is UTC, to the millisecond, unique per point.
	Time time.Time
	// Value in SI. From a driver and in the journal it is the decoded value before the site's
	// calibration; Calibrations.Apply turns it into the value everybody else sees. NaN when
	// Quality is Bad.
	Value   float64
	Quality Quality
	Why     Why
	// Calibration is the id of the calibration that belongs to this value, 0 for none.
	Calibration uint32
}

// Calibration is a dated correction of one point: calibrated = Gain*value + Offset.
type Calibration struct {
	ID     uint32
	Point  string
	From   time.Time
	Gain   float64
	Offset float64 // in the quantity's SI unit
	// Origin says where it came from: the site file or an operator record.
	Origin string
}

// Calibrations maps a calibration's id to it.
type Calibrations map[uint32]Calibration

// Apply returns the sample with its calibration applied and Calibration set to 0, so that
// applying twice changes nothing. An id that is not in the map makes the sample uncertain
// rather than silently wrong.
func (c Calibrations) Apply(s Sample) Sample {
	if s.Calibration == 0 {
		return s
	}
	k, ok := c[s.Calibration]
	if !ok {
		if s.Quality == Good {
			s.Quality, s.Why = Uncertain, "calibration-lost"
		}
		return s
	}
	// The conversion keeps arm64 from fusing the two roundings into one, so that every machine
	// journals and sends the same figure.
	s.Value = float64(k.Gain*s.Value) + k.Offset
	s.Calibration = 0
	return s
}
