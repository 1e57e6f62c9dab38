package recorded

import (
	"math"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Column is one column of the format after time and bay.
type Column uint8

// The columns, in the order in which they are written.
const (
	Level Column = iota
	Flow
	Meter
	ValveOpen
	SetPoint
	Temp
	Humidity
	Wind
	Solar
	Rain
	Supply
	MainMeter
	// NumColumns is the number of columns after time and bay.
	NumColumns
)

type columnInfo struct {
	name     string
	quantity site.Quantity
	perBay   bool
	// scale is the factor from SI to the column's unit, decimals the places Writer keeps.
	scale    float64
	decimals int
}

// The decimals are those of the finest field instrument in common use, so that a reading that
// came in its own unit is written as it was shown: 0.01 mm, 0.01 L/min, 0.001 L.
var columns = [NumColumns]columnInfo{
	Level:     {"level_mm", site.Level, true, 1000, 2},
	Flow:      {"flow_lpm", site.Flow, true, 60000, 3},
	Meter:     {"meter_l", site.Volume, true, 1000, 3},
	ValveOpen: {"valve_open", site.ValveOpen, true, 1, 0},
	SetPoint:  {"setpoint_mm", site.SetPoint, true, 1000, 2},
	Temp:      {"temp_c", site.AirTemperature, false, 1, 2},
	Humidity:  {"rh_pct", site.Humidity, false, 100, 2},
	Wind:      {"wind_ms", site.Wind, false, 1, 2},
	Solar:     {"solar_wm2", site.Solar, false, 1, 1},
	Rain:      {"rain_mm", site.Rain, false, 1000, 3},
	Supply:    {"supply_kpa", site.Pressure, false, 1e-3, 2},
	MainMeter: {"main_meter_l", site.Volume, false, 1000, 3},
}

func (c Column) String() string {
	if c < NumColumns {
		return columns[c].name
	}
	return "column(" + strconv.Itoa(int(c)) + ")"
}

// Quantity is what the column measures.
func (c Column) Quantity() site.Quantity { return columns[c].quantity }

// PerBay reports whether the column stands on a bay's rows; the others stand on the site's.
func (c Column) PerBay() bool { return columns[c].perBay }

// si converts a cell to SI.
func (c Column) si(v float64) float64 { return v / columns[c].scale }

// ColumnOf returns the column in which a point of that quantity is recorded; ok is false for a
// quantity that the format has no column for (water temperature, air pressure).
func ColumnOf(q site.Quantity, bay bool) (c Column, ok bool) {
	for c := range NumColumns {
		if columns[c].quantity == q && columns[c].perBay == bay {
			return c, true
		}
	}
	return 0, false
}

// Row is one line of recorded data.
type Row struct {
	// Time is UTC, whole milliseconds.
	Time time.Time
	// Bay is empty on a site row.
	Bay string
	// Cells in the units of the columns. NaN is a cell without a good reading.
	Cells [NumColumns]float64
	// Has says which columns the row's file has: bit 1<<Column. A cell of a column it has not is NaN.
	Has uint16
}

// header is the first line of a file, understood.
type header struct {
	// cell[i] is the column of field i; -1 is time, -2 is bay.
	cell []int8
	has  uint16
}

const (
	fieldTime = -1
	fieldBay  = -2
)

// parseHeader understands a header row. It returns what is wrong and what would be right.
func parseHeader(line string) (h header, what, fix string) {
	const example = "the first line is a header such as time,bay,level_mm,flow_lpm,meter_l"
	if strings.TrimSpace(line) == "" {
		return h, "the file has no header row", example
	}
	if strings.Count(line, ";") > strings.Count(line, ",") {
		return h, "the fields are separated by semicolons", "separate them by commas and write decimals with a point"
	}
	fields, err := splitQuoted(line)
	if err != nil {
		return h, err.Error(), example
	}
	var unknown, doubled []string
	seen := map[string]bool{}
	for _, name := range fields {
		if seen[name] {
			doubled = append(doubled, strconv.Quote(name))
		}
		seen[name] = true
		code := int8(math.MinInt8)
		switch name {
		case "time":
			code = fieldTime
		case "bay":
			code = fieldBay
		default:
			for c := range NumColumns {
				if columns[c].name == name {
					code = int8(c)
					h.has |= 1 << c
				}
			}
		}
		if code == math.MinInt8 {
			unknown = append(unknown, strconv.Quote(name))
		}
		h.cell = append(h.cell, code)
	}
	switch {
	case len(unknown) > 0:
		return h, "unknown column " + strings.Join(unknown, ", "), "the columns are " + allColumns()
	case len(doubled) > 0:
		return h, "column " + strings.Join(doubled, ", ") + " stands there twice", "keep one of them"
	case !seen["time"]:
		return h, "there is no column time", example
	case !seen["bay"]:
		return h, "there is no column bay", example
	}
	return h, "", ""
}

func allColumns() string {
	var b strings.Builder
	b.WriteString("time, bay")
	for c := range NumColumns {
		b.WriteString(", " + columns[c].name)
	}
	return b.String()
}
