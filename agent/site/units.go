package site

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Exact conversions to SI. Sources: the international inch and foot (1959), the US gallon of
// 231 cubic inches, the standard acceleration 9.80665 m/s2 and the conventional metre of water
// (ISO 80000-4; NIST SP 811, appendix B).
const (
	metrePerInch    = 0.0254
	metrePerFoot    = 0.3048
	m3PerLitre      = 1e-3
	m3PerGallon     = 3.785411784e-3
	paPerPSI        = 4.4482216152605 / (metrePerInch * metrePerInch)
	paPerMetreWater = 9806.65
	m2PerSquareFoot = metrePerFoot * metrePerFoot
)

// Dimension is a physical dimension in which people write numbers with units.
type Dimension string

// The dimensions of the site file.
const (
	Length      Dimension = "length"      // m
	Area        Dimension = "area"        // m2
	Cubic       Dimension = "volume"      // m3
	Discharge   Dimension = "flow"        // m3/s
	Stress      Dimension = "pressure"    // Pa
	Temperature Dimension = "temperature" // degC
	Speed       Dimension = "speed"       // m/s
	Irradiance  Dimension = "irradiance"  // W/m2
	Ratio       Dimension = "ratio"       // 1
)

// unit converts to SI by value*scale + offset.
type unit struct {
	name          string
	scale, offset float64
}

var unitsOf = map[Dimension][]unit{
	Length:      {{"mm", 1e-3, 0}, {"cm", 1e-2, 0}, {"m", 1, 0}, {"in", metrePerInch, 0}, {"ft", metrePerFoot, 0}, {"mmH2O", 1e-3, 0}},
	Area:        {{"m2", 1, 0}, {"ft2", m2PerSquareFoot, 0}},
	Cubic:       {{"L", m3PerLitre, 0}, {"mL", 1e-6, 0}, {"m3", 1, 0}, {"gal", m3PerGallon, 0}, {"ft3", metrePerFoot * metrePerFoot * metrePerFoot, 0}},
	Discharge:   {{"L/min", m3PerLitre / 60, 0}, {"L/h", m3PerLitre / 3600, 0}, {"L/s", m3PerLitre, 0}, {"m3/h", 1.0 / 3600, 0}, {"m3/s", 1, 0}, {"gal/min", m3PerGallon / 60, 0}, {"gpm", m3PerGallon / 60, 0}, {"gal/h", m3PerGallon / 3600, 0}},
	Stress:      {{"Pa", 1, 0}, {"hPa", 100, 0}, {"mbar", 100, 0}, {"kPa", 1000, 0}, {"bar", 1e5, 0}, {"psi", paPerPSI, 0}, {"mH2O", paPerMetreWater, 0}},
	Temperature: {{"degC", 1, 0}, {"°C", 1, 0}, {"C", 1, 0}, {"degF", 5.0 / 9, -160.0 / 9}, {"°F", 5.0 / 9, -160.0 / 9}, {"F", 5.0 / 9, -160.0 / 9}},
	Speed:       {{"m/s", 1, 0}, {"km/h", 1 / 3.6, 0}, {"mph", 0.44704, 0}, {"kn", 1852.0 / 3600, 0}},
	Irradiance:  {{"W/m2", 1, 0}},
	Ratio:       {{"%", 0.01, 0}, {"", 1, 0}},
}

// UnitNames lists the units a dimension may be written in.
func UnitNames(d Dimension) []string {
	var names []string
	for _, u := range unitsOf[d] {
		if u.name != "" {
			names = append(names, u.name)
		}
	}
	return names
}

// UnitScale returns the factor and the offset with which a number in that unit becomes SI:
// si = value*scale + offset.
func UnitScale(d Dimension, name string) (scale, offset float64, err error) {
	for _, u := range unitsOf[d] {
		if u.name == name {
			return u.scale, u.offset, nil
		}
	}
	return 0, 0, fmt.Errorf("%q is not a unit of %s; use one of %s", name, d, strings.Join(UnitNames(d), ", "))
}

// DimensionOf returns the dimension in which a quantity's readings are written.
func DimensionOf(q Quantity) Dimension {
	switch q {
	case Level, SetPoint, Rain:
		return Length
	case Flow:
		return Discharge
	case Volume:
		return Cubic
	case AirTemperature, WaterTemp:
		return Temperature
	case Wind:
		return Speed
	case Solar:
		return Irradiance
	case Pressure, AirPressure:
		return Stress
	default:
		return Ratio
	}
}

// Parse reads a number with its unit, such as "63.5 mm" or "2.5in", and returns it in SI. A
// number without a unit is an error except for ratios and for 0, which is 0 in every unit that
// has no offset.
func Parse(d Dimension, text string) (float64, error) {
	t := strings.TrimSpace(text)
	cut := len(t)
	for i, r := range t {
		if (r >= '0' && r <= '9') || strings.ContainsRune("+-.", r) {
			continue
		}
		if (r == 'e' || r == 'E') && i > 0 && i+1 < len(t) && strings.ContainsRune("+-0123456789", rune(t[i+1])) {
			continue
		}
		cut = i
		break
	}
	num, name := strings.TrimSpace(t[:cut]), strings.TrimSpace(t[cut:])
	v, err := strconv.ParseFloat(num, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a number with a unit; write for example %s", text, example(d))
	}
	if name == "" && v == 0 && d != Temperature {
		return 0, nil
	}
	if name == "" && d != Ratio {
		return 0, fmt.Errorf("%q has no unit; write for example %s", text, example(d))
	}
	scale, offset, err := UnitScale(d, name)
	if err != nil {
		return 0, err
	}
	return float64(v*scale) + offset, nil
}

func example(d Dimension) string {
	switch d {
	case Length:
		return `"25 mm" or "1 in"`
	case Area:
		return `"96 m2" or "1033 ft2"`
	case Cubic:
		return `"10 L" or "1 gal"`
	case Discharge:
		return `"20 L/min" or "5 gal/min"`
	case Stress:
		return `"200 kPa" or "30 psi"`
	case Temperature:
		return `"20 degC" or "68 degF"`
	case Speed:
		return `"3 m/s"`
	case Irradiance:
		return `"800 W/m2"`
	}
	return `"0.25" or "25 %"`
}

// Display is how this site's people read depths and volumes.
type Display struct {
	// Inches and Gallons choose US units in place of millimetres and litres.
	Inches, Gallons bool
}

// MetricDisplay and USDisplay are the two choices of the site file: "mm/L" and "in/gal".
var (
	MetricDisplay = Display{}
	USDisplay     = Display{Inches: true, Gallons: true}
)

func (d Display) String() string {
	if d.Inches {
		return "in/gal"
	}
	return "mm/L"
}

// Depth formats a level or a difference of levels given in metres.
func (d Display) Depth(m float64) string { return d.length(m, 0) }

// Close formats a level or a difference of levels that is measured more closely than a bay is held.
func (d Display) Close(m float64) string { return d.length(m, 1) }

// length formats metres to so many decimals of a millimetre, and two more of an inch.
func (d Display) length(m float64, decimals int) string {
	v, unit := m*1000, " mm"
	if d.Inches {
		v, unit, decimals = m/metrePerInch, " in", decimals+2
	}
	if !Known(m) {
		return "unknown"
	}
	return strconv.FormatFloat(zero(v, decimals), 'f', decimals, 64) + unit
}

// Water formats a volume given in cubic metres.
func (d Display) Water(m3 float64) string {
	v, name := m3/m3PerLitre, " L"
	if d.Gallons {
		v, name = m3/m3PerGallon, " gal"
	}
	if !Known(v) {
		return "unknown"
	}
	return significant(v) + name
}

// Rate formats a flow given in cubic metres a second: by the hour when it is small, by the
// minute when it is a valve's.
func (d Display) Rate(m3s float64) string { return d.RateNear(m3s, m3s) }

// RateNear formats a flow by the hour or the minute as another is.
func (d Display) RateNear(m3s, other float64) string {
	per, name := m3PerLitre, " L"
	if d.Gallons {
		per, name = m3PerGallon, " gal"
	}
	if !Known(m3s) {
		return "unknown"
	}
	if math.Abs(other*60/per) >= 3 {
		return significant(m3s*60/per) + name + "/min"
	}
	return significant(m3s*3600/per) + name + "/h"
}

// Press formats a pressure given in pascals.
func (d Display) Press(pa float64) string {
	switch {
	case !Known(pa):
		return "unknown"
	case d.Inches:
		return strconv.FormatFloat(zero(pa/paPerPSI, 0), 'f', 0, 64) + " psi"
	}
	return strconv.FormatFloat(zero(pa/1000, 0), 'f', 0, 64) + " kPa"
}

// DepthUnit, WaterUnit and RateUnit give the unit's name and its size in SI.
func (d Display) DepthUnit() (string, float64) {
	if d.Inches {
		return "in", metrePerInch
	}
	return "mm", 1e-3
}

// DepthStep is the finest that Depth shows, m.
func (d Display) DepthStep() float64 {
	if d.Inches {
		return metrePerInch / 100
	}
	return 1e-3
}

// WaterUnit is the volume unit of the site.
func (d Display) WaterUnit() (string, float64) {
	if d.Gallons {
		return "gal", m3PerGallon
	}
	return "L", m3PerLitre
}

// RateUnit is the flow unit of an open valve.
func (d Display) RateUnit() (string, float64) {
	if d.Gallons {
		return "gal/min", m3PerGallon / 60
	}
	return "L/min", m3PerLitre / 60
}

// significant writes a number so that a person reads no more digits than matter: whole above
// 10, one decimal below.
func significant(v float64) string {
	if math.Abs(v) >= 10 {
		return strconv.FormatFloat(zero(v, 0), 'f', 0, 64)
	}
	return strconv.FormatFloat(zero(v, 1), 'f', 1, 64)
}

// zero keeps a value that rounds to nothing from being written as "-0".
func zero(v float64, decimals int) float64 {
	if math.Abs(v) < 0.5*math.Pow10(-decimals) {
		return 0
	}
	return v
}

// FormatDuration writes a duration in the largest unit that divides it, as a site file takes it:
// 200 ms, 5 s, 1 min.
func FormatDuration(d time.Duration) string {
	for _, u := range []struct {
		name string
		size time.Duration
	}{{"d", 24 * time.Hour}, {"h", time.Hour}, {"min", time.Minute}, {"s", time.Second}} {
		if d >= u.size && d%u.size == 0 {
			return fmt.Sprintf("%d %s", d/u.size, u.name)
		}
	}
	if d == 0 {
		return "0 s"
	}
	return strconv.FormatFloat(float64(d)/float64(time.Millisecond), 'f', -1, 64) + " ms"
}
