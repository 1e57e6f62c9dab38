package sitefile

import (
	"fmt"
	"math"
	"strings"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/modbus"
)

// Point is one instrument: where it is read and what the number means. Min, max, resolution,
// uncertainty and offset are written in a unit of the point's own quantity.
type Point struct {
	ID          string        `yaml:"id" eg:"A1-level" doc:"Permanent id of the point. Made of the bay's id and the quantity when it is not given: A1-level, A1-flow, A1-meter, A1-valve, A1-setpoint, A1-watertemp; for the site main-meter, main-flow, pressure, temp, rh, wind, solar, rain, baro."`
	Device      string        `yaml:"device" eg:"io-a" doc:"Device that is read. The bay's own device when it is not given."`
	Table       string        `yaml:"table" enum:"coil,discrete,holding,input" doc:"Modbus table the address is in: coil (read by function 1), discrete (2), holding (3) or input (4). The device's when it is not given."`
	Address     register      `yaml:"address" eg:"0" doc:"Address as it travels in the request, counted from 0. A manual's 40011 is table holding, address 10; 30001 is input, 0. Hexadecimal is written 0x000A."`
	Type        string        `yaml:"type" enum:"bit,bit-of,int16,uint16,int32,uint32,int64,uint64,float32,float64,bcd16,bcd32" doc:"Form of the number. Not given: bit in a coil or discrete input, bit-of where bit is given, otherwise uint16."`
	Bit         int           `yaml:"bit" min:"0" max:"15" default:"0" doc:"Bit of the register, 0 the least significant; for type bit-of."`
	Invert      bool          `yaml:"invert" default:"no" doc:"Swap 0 and 1 of a bit."`
	Order       string        `yaml:"order" enum:"ABCD,CDAB,BADC,DCBA" doc:"Order of the bytes of a number as they travel, A the most significant: ABCD, CDAB with the words swapped, BADC with the bytes of each word swapped, DCBA with both. The device's when it is not given, else ABCD."`
	Unit        string        `yaml:"unit" eg:"0.1 mm" doc:"What one count of the register is worth. A bare unit is a count of one: mm."`
	Span        *Span         `yaml:"span" doc:"Two numbers of the register and what they mean, in place of unit."`
	Loop        *Loop         `yaml:"loop" doc:"A 4-20 mA loop behind the register, judged by NAMUR NE 43, in place of unit."`
	Sentinels   []float64     `yaml:"sentinels" eg:"[65535]" doc:"Numbers with which the device says that it has no value."`
	Interval    time.Duration `yaml:"interval" min:"100 ms" max:"1 h" eg:"5 s" doc:"How often it is read. Not given: 5 s; weather 60 s; set point 30 s."`
	Min         string        `yaml:"min" eg:"-20 mm" doc:"Least the instrument can truly show here; a reading below is bad."`
	Max         string        `yaml:"max" eg:"250 mm" doc:"Most it can truly show here."`
	Resolution  string        `yaml:"resolution" eg:"1 mm" doc:"Step of the instrument. What one count is worth when it is not given."`
	Uncertainty string        `yaml:"uncertainty" eg:"2 mm" doc:"Standard uncertainty (k=1) of what the instrument is always wrong by: its zero and slope."`
	Gain        float64       `yaml:"gain" min:"0.2" max:"5" default:"1" doc:"Calibration: the reading is multiplied by it. For a meter, true volume by registered volume."`
	Offset      string        `yaml:"offset" eg:"-4 mm" doc:"Calibration: then this is added. For a level use zero."`
}

// LevelPoint is a level sensor in its chamber.
type LevelPoint struct {
	Point
	ZeroM    float64   `yaml:"zero" dim:"length" min:"-500 mm" max:"500 mm" default:"0 mm" why:"the sensor was set to the liner" eg:"12 mm" doc:"Calibration: height of the sensor's own zero above the liner's lowest point; negative when it is below."`
	Vented   bool      `yaml:"vented" default:"yes" doc:"No for a sensor without a vent tube whose reading follows the barometer, 10 mm per hPa."`
	Head     *Head     `yaml:"head" doc:"The number is the pressure of the water over the sensor. Unit, span or loop are then pressures."`
	Distance *Distance `yaml:"distance" doc:"The number is the distance from the sensor down to the water."`
}

// Head is a pressure sensor under water.
type Head struct {
	MountM       float64       `yaml:"mount" dim:"length" default:"0 mm" eg:"15 mm" doc:"Height of the sensor's diaphragm above the liner's lowest point."`
	Density      float64       `yaml:"density" default:"999.1" min:"900" max:"1300" why:"water at 15 degC" doc:"Density of the water in kg/m3."`
	Gravity      float64       `yaml:"gravity" default:"9.80665" min:"9.7" max:"9.9" doc:"Gravity of the place in m/s2."`
	Absolute     bool          `yaml:"absolute" default:"no" doc:"The sensor measures the air's pressure too, which is taken off by the weather station's air_pressure."`
	BarometerAge time.Duration `yaml:"barometer_age" default:"15 min" min:"1 s" max:"24 h" doc:"How old the air pressure may be before the level is bad."`
}

// Distance is an ultrasonic or radar sensor over the water.
type Distance struct {
	MountM float64 `yaml:"mount" dim:"length" required:"yes" eg:"800 mm" doc:"Height of the sensor's reference face above the liner's lowest point."`
}

// MeterPoint is a running total.
type MeterPoint struct {
	Point
	Pulse     float64 `yaml:"pulse" dim:"volume" min:"1 mL" max:"1 m3" eg:"1 L" doc:"Volume of one pulse of the meter. What one count is worth when it is not given and the register counts."`
	RollsOver string  `yaml:"rolls_over" eg:"100000 m3" doc:"Total at which the register starts again at zero; the word never for one that does not. Not given: what the register's type can hold."`
	StartFlow float64 `yaml:"start_flow" dim:"flow" min:"0 L/h" max:"500 L/min" eg:"15 L/h" doc:"Flow below which the meter does not turn, from its data sheet. It decides how slow a weeping valve the meter can show."`
	Accuracy  float64 `yaml:"accuracy" dim:"ratio" min:"0.0005" max:"0.3" eg:"2 %" doc:"Relative standard uncertainty of the registered volume. ISO 4064 class 2 when it is not given."`
}

// ValvePoint is what is known of the fill valve.
type ValvePoint struct {
	Point
	Means  string        `yaml:"means" default:"command" enum:"command,feedback" doc:"command when the point is what the controller orders, feedback when it is where the valve stands."`
	Travel time.Duration `yaml:"travel" default:"10 s" min:"0 s" max:"5 min" doc:"How long the valve takes to open or shut."`
}

// WindPoint is an anemometer.
type WindPoint struct {
	Point
	HeightM float64 `yaml:"height" dim:"length" default:"2 m" min:"0.5 m" max:"50 m" why:"the height evaporation formulas are for" doc:"Height of the instrument above ground."`
}

// Span maps a number linearly.
type Span struct {
	Raw   []float64 `yaml:"raw" required:"yes" eg:"[0, 27648]" doc:"Two numbers of the register."`
	Value []string  `yaml:"value" required:"yes" eg:"[0 mm, 250 mm]" doc:"What they mean."`
}

// Loop maps a number to a current and the current to a value.
type Loop struct {
	Raw     []float64 `yaml:"raw" required:"yes" eg:"[4000, 20000]" doc:"What the register shows at the two currents."`
	Current []float64 `yaml:"current" eg:"[4, 20]" doc:"The two currents in mA. 4 and 20 when they are not given."`
	Value   []string  `yaml:"value" required:"yes" eg:"[0 mm, 500 mm]" doc:"What 4 mA and 20 mA mean."`
}

// given is a point of any quantity as the file gives it.
type given struct {
	*Point
	level *LevelPoint
	meter *MeterPoint
	valve *ValvePoint
	wind  *WindPoint
}

func pointOf(p any) *given {
	switch p := p.(type) {
	case *Point:
		if p != nil {
			return &given{Point: p}
		}
	case *LevelPoint:
		if p != nil {
			return &given{Point: &p.Point, level: p}
		}
	case *MeterPoint:
		if p != nil {
			return &given{Point: &p.Point, meter: p}
		}
	case *ValvePoint:
		if p != nil {
			return &given{Point: &p.Point, valve: p}
		}
	case *WindPoint:
		if p != nil {
			return &given{Point: &p.Point, wind: p}
		}
	}
	return nil
}

// siteIDs are the default ids of the site's own points; the others take their quantity's Short.
var siteIDs = map[site.Quantity]string{site.Volume: "main-meter", site.Flow: "main-flow"}

// defaultID is the id of a point that names none.
func defaultID(bay string, q site.Quantity) string {
	info, _ := q.Info()
	switch {
	case bay != "":
		return bay + "-" + info.Short
	case siteIDs[q] != "":
		return siteIDs[q]
	}
	return info.Short
}

// intervals in which a quantity is read when the file does not say: water in seconds, weather by
// the minute.
func defaultInterval(q site.Quantity) time.Duration {
	switch q {
	case site.SetPoint:
		return 30 * time.Second
	case site.AirTemperature, site.Humidity, site.Wind, site.Solar, site.Rain, site.AirPressure, site.WaterTemp:
		return time.Minute
	}
	return 5 * time.Second
}

// reading is a point whose register has been understood; links attaches it to its device.
type reading struct {
	path   string
	device string
	// devicePath is where the device is named, at the point or at its bay.
	devicePath string
	q          site.Quantity
	m          modbus.PointMap
}

// point builds one point of the site, and its reading where the file says how it is read.
// deviceAt is the path of the bay's device, "" for the site's own points.
func (l *loader) point(path, bay string, q site.Quantity, p *given) {
	if p == nil {
		return
	}
	id := p.ID
	if id == "" {
		id = defaultID(bay, q)
	} else {
		l.id(path+".id", id, "a point")
	}
	if bay != "" && p.ID == "" && site.CheckID(bay) == "" && site.CheckID(id) != "" {
		l.bad(path, "give the bay a shorter id, or the point an id: of its own", "the id %s made of the bay's id and the quantity is too long", id)
	}
	if first, twice := l.pointPaths[id]; twice {
		l.bad(path, "give one of them an id: of its own", "the point id %s is already used on line %d", id, l.line(first))
		return
	}
	l.pointPaths[id] = path
	d := site.DimensionOf(q)
	sp := site.Point{
		ID: id, Bay: bay, Quantity: q, Interval: p.Interval,
		Min: l.amount(path+".min", p.Min, d), Max: l.amount(path+".max", p.Max, d),
		UStd: l.step(path+".uncertainty", p.Uncertainty, d), Resolution: l.step(path+".resolution", p.Resolution, d),
		PulseM3: math.NaN(), ModulusM3: math.NaN(), StartM3S: math.NaN(), MeterU: math.NaN(),
	}
	if sp.Interval == 0 {
		sp.Interval = defaultInterval(q)
		l.derived(path+".interval", site.FormatDuration(sp.Interval), builtIn)
	}
	info, _ := q.Info()
	l.within(path+".min", sp.Min, info)
	l.within(path+".max", sp.Max, info)
	if sp.Min >= sp.Max && !l.said(path+".max") {
		l.bad(path+".max", "make it larger than min", "the point %s can show nothing between %s and %s", id, p.Min, p.Max)
	}
	if p.wind != nil {
		sp.HeightM = p.wind.HeightM
	}
	if p.level != nil {
		sp.Unvented = !p.level.Vented
	}
	count := l.register(path, bay, &sp, p)
	if p.meter != nil {
		l.meter(path, &sp, p.meter, count)
	}
	if !site.Known(sp.Resolution) && count > 0 {
		sp.Resolution = count
		l.derived(path+".resolution", p.Unit, fromUnit)
	}
	if site.Known(sp.Resolution) && sp.Resolution <= 0 {
		l.bad(path+".resolution", "give the step of the instrument", "a resolution of %s is not possible", p.Resolution)
	}
	if sp.UStd < 0 {
		l.bad(path+".uncertainty", "give a positive figure", "an uncertainty of %s is not possible", p.Uncertainty)
	}
	l.calibration(path, &sp, p, d)
	l.cfg.Site.Points = append(l.cfg.Site.Points, sp)
}

// meter fills in what only a running total has. count is the volume of one count of its
// register, 0 when the register does not count.
func (l *loader) meter(path string, sp *site.Point, m *MeterPoint, count float64) {
	sp.PulseM3, sp.StartM3S, sp.MeterU = m.Pulse, m.StartFlow, m.Accuracy
	if !site.Known(sp.PulseM3) && count > 0 {
		sp.PulseM3 = count
		l.derived(path+".pulse", m.Unit, fromUnit)
	}
	switch {
	case m.RollsOver == "never":
	case m.RollsOver != "":
		sp.ModulusM3 = l.amount(path+".rolls_over", m.RollsOver, site.Cubic)
		if sp.ModulusM3 <= 0 {
			l.bad(path+".rolls_over", "give the total at which the register starts again, or never", "a register cannot roll over at %s", m.RollsOver)
		}
		if sp.ModulusM3 < 10*sp.PulseM3 {
			l.bad(path+".rolls_over", "give the total at which the register starts again, or never", "the meter rolls over at %s, before it has counted ten pulses", m.RollsOver)
		}
	case count > 0:
		sp.ModulusM3 = count * holds(m.Type)
		if site.Known(sp.ModulusM3) {
			l.derived(path+".rolls_over", formatAmount(sp.ModulusM3, "m3"), "from type and unit")
		}
	}
}

// holds is how many counts a register of that type can show, NaN when it never rolls over in
// practice.
func holds(typ string) float64 {
	switch modbus.Type(typ) {
	case modbus.Uint16, modbus.Int16, "":
		return 1 << 16
	case modbus.Uint32, modbus.Int32:
		return 1 << 32
	case modbus.BCD16:
		return 1e4
	case modbus.BCD32:
		return 1e8
	}
	return math.NaN()
}

// amount reads a text in the quantity's dimension, NaN for none.
func (l *loader) amount(path, text string, d site.Dimension) float64 {
	if text == "" {
		return math.NaN()
	}
	v, err := parseNumber(d, text)
	if err != nil {
		m := asMistake(err, "use a unit of the point's own quantity: "+strings.Join(site.UnitNames(d), ", "))
		l.bad(path, m.fix, "%s: %s", last(path), m.what)
		return math.NaN()
	}
	return v
}

// step reads a difference: 1 degF is 5/9 K, whatever zero the scale has.
func (l *loader) step(path, text string, d site.Dimension) float64 {
	v := l.amount(path, text, d)
	if !site.Known(v) || d != site.Temperature {
		return v
	}
	_, zero, err := countOf(d, text)
	if err != nil {
		return v
	}
	return v - zero
}

// countOf reads what one count is worth, "0.1 mm" or "mm", and the value at zero counts, which
// is not 0 for a temperature in Fahrenheit.
func countOf(d site.Dimension, text string) (size, zero float64, err error) {
	name := strings.TrimLeft(strings.TrimSpace(text), "+-.0123456789eE ")
	if strings.TrimSpace(text) == name && name != "" {
		scale, offset, err := site.UnitScale(d, name)
		return scale, offset, err
	}
	v, err := parseNumber(d, text)
	if err != nil {
		return 0, 0, err
	}
	_, zero, err = site.UnitScale(d, name)
	return v - zero, zero, err
}

// within refuses bounds that are wider than what is physically possible anywhere.
func (l *loader) within(path string, v float64, info site.QuantityInfo) {
	if v < info.Min || v > info.Max {
		l.bad(path, "give what this instrument can truly show", "%s %s is beyond what is possible anywhere", last(path), l.text(path))
	}
}

// calibration makes the point's correction a dated one of the site file's own.
func (l *loader) calibration(path string, sp *site.Point, p *given, d site.Dimension) {
	offset := l.step(path+".offset", p.Offset, d)
	if !site.Known(offset) {
		offset = 0
	}
	if p.level != nil {
		if p.Offset != "" {
			l.bad(path+".offset", "write zero: and the height of the sensor's zero above the liner's lowest point", "the correction of a level is its zero")
		}
		offset = p.level.ZeroM
	}
	if sp.Quantity == site.ValveOpen && (p.Gain != 1 || offset != 0) {
		l.bad(path, "remove gain and offset", "a valve is open or shut; it has no calibration")
		return
	}
	if (sp.Quantity == site.Volume || sp.Quantity == site.Rain) && offset != 0 {
		l.bad(path+".offset", "remove it; use gain for a meter that registers too little or too much", "a running total has no offset")
		return
	}
	if p.Gain == 1 && offset == 0 || !site.Known(p.Gain) || !site.Known(offset) {
		return
	}
	c := site.Calibration{ID: calibrationID(sp.ID, p.Gain, offset), Point: sp.ID, Gain: p.Gain, Offset: offset, Origin: Origin}
	for other, taken := l.cfg.Calibrations[c.ID]; taken && other.Point != sp.ID; other, taken = l.cfg.Calibrations[c.ID] {
		c.ID++ // two of a club's few dozen sharing 32 bits will not be met, but must not mix readings
	}
	l.cfg.Calibrations[c.ID] = c
	l.cfg.CalibrationOf[sp.ID] = c.ID
}

// register turns the file's words into the driver's, and returns what one count is worth in SI,
// 0 when the register does not count in equal steps from zero.
func (l *loader) register(path, bay string, sp *site.Point, p *given) (count float64) {
	r := reading{path: path, q: sp.Quantity, device: p.Device, devicePath: path + ".device"}
	if r.device == "" && bay != "" {
		r.device, r.devicePath = l.bayDevice(bay)
	}
	r.m = modbus.PointMap{Point: sp.ID, Table: modbus.Table(p.Table), Address: p.Address.n}
	sp.Device = r.device
	dec := &r.m.Decode
	dec.Type, dec.Order, dec.Sentinels = modbus.Type(p.Type), modbus.Order(p.Order), p.Sentinels
	dec.Invert, dec.Bit = p.Invert, p.Bit
	d := site.DimensionOf(sp.Quantity)
	if p.level != nil {
		if h := p.level.Head; h != nil {
			d = site.Stress
			dec.Head = &modbus.Head{Density: h.Density, Gravity: h.Gravity, MountM: h.MountM, Absolute: h.Absolute, BarometerAge: h.BarometerAge}
			if h.Absolute {
				dec.Head.Barometer = defaultID("", site.AirPressure)
				if b := l.file.Weather.Points.AirPressure; b != nil {
					dec.Head.Barometer = nameOr(b.ID, dec.Head.Barometer)
				} else {
					l.bad(path+".head.absolute", "add air_pressure: under weather: points:, or use a vented sensor", "the absolute sensor %s needs a barometer, or it shows the weather", sp.ID)
				}
			}
		}
		if dist := p.level.Distance; dist != nil {
			dec.Distance = &modbus.Distance{MountM: dist.MountM}
		}
	}
	ways := 0
	for _, given := range []bool{p.Unit != "", p.Span != nil, p.Loop != nil} {
		if given {
			ways++
		}
	}
	switch {
	case sp.Quantity == site.ValveOpen && ways > 0:
		l.bad(path, "remove unit, span and loop", "a valve is open or shut and has no unit")
	case ways > 1:
		l.bad(path, "keep one of unit, span and loop", "the number of %s is given a meaning in %d ways", sp.ID, ways)
	case dec.Head != nil && dec.Distance != nil:
		// The driver's options say what is wrong; which unit is meant cannot be known.
	case p.Unit != "":
		size, zero, err := countOf(d, p.Unit)
		switch {
		case err != nil:
			m := asMistake(err, "use one of "+strings.Join(site.UnitNames(d), ", "))
			l.bad(path+".unit", m.fix, "unit: %s", m.what)
		case size <= 0:
			l.bad(path+".unit", "write what one count is worth, for example 0.1 mm", "a count of %s is not possible", p.Unit)
		default:
			dec.Span = &modbus.Span{RawLow: 0, RawHigh: 1, Low: zero, High: zero + size}
			whole := !strings.HasPrefix(p.Type, "float")
			if whole && dec.Head == nil && dec.Distance == nil {
				count = size
			}
		}
	case p.Span != nil:
		s := &modbus.Span{}
		s.RawLow, s.RawHigh, s.Low, s.High = l.span(path+".span", p.Span.Raw, p.Span.Value, d)
		dec.Span = s
	case p.Loop != nil:
		s := &modbus.Loop{MALow: 4, MAHigh: 20}
		s.RawLow, s.RawHigh, s.Low, s.High = l.span(path+".loop", p.Loop.Raw, p.Loop.Value, d)
		if l.has(path + ".loop.current") {
			if len(p.Loop.Current) != 2 {
				l.bad(path+".loop.current", "write [4, 20]", "current should be two numbers, not %d", len(p.Loop.Current))
			} else {
				s.MALow, s.MAHigh = p.Loop.Current[0], p.Loop.Current[1]
			}
		}
		dec.Loop = s
	}
	switch {
	case l.said(path + ".address"):
	case r.device == "" && !p.Address.given:
		l.unread = append(l.unread, r)
	case r.device == "":
		l.bad(path+".address", "add device: here, at the bay, or in defaults", "the point %s has an address but no device to read it from", sp.ID)
	case !p.Address.given:
		l.bad(path, "add address: and its number, or write the point's key with the word none if the bay does not have it", "the point %s is to be read from %s but has no address", sp.ID, r.device)
	default:
		if sp.Quantity != site.ValveOpen && ways == 0 {
			l.bad(path, "add unit: with what one count is worth, for example unit: "+unitExample(d), "the point %s does not say what its number means", sp.ID)
		}
		l.looksLikeReference(path, p)
		l.readings = append(l.readings, r)
		return count
	}
	l.incomplete[r.device] = true
	return count
}

func unitExample(d site.Dimension) string {
	switch d {
	case site.Length:
		return "0.1 mm"
	case site.Cubic:
		return "1 L"
	case site.Discharge:
		return "0.1 L/min"
	case site.Ratio:
		return "0.1 %"
	case site.Temperature:
		return "0.1 degC"
	}
	return "1 " + site.UnitNames(d)[0]
}

// span reads two raw numbers and their two meanings.
func (l *loader) span(path string, raw []float64, value []string, d site.Dimension) (rawLow, rawHigh, low, high float64) {
	if len(raw) != 2 {
		if l.has(path + ".raw") {
			l.bad(path+".raw", "give two, for example [0, 27648]", "raw should be two numbers, not %d", len(raw))
		}
		raw = []float64{0, 1}
	}
	if len(value) != 2 {
		if l.has(path + ".value") {
			l.bad(path+".value", "give two, for example [0 mm, 250 mm]", "value should be two values, not %d", len(value))
		}
		return raw[0], raw[1], 0, 1
	}
	low, high = l.amount(path+".value[0]", value[0], d), l.amount(path+".value[1]", value[1], d)
	if !site.Known(low) || !site.Known(high) {
		low, high = 0, 1
	}
	return raw[0], raw[1], low, high
}

// looksLikeReference refuses the numbers of manuals that count tables in: 40011 is holding
// register 10. A device that truly has address 40011 is written in hexadecimal.
func (l *loader) looksLikeReference(path string, p *given) {
	n := p.Address.n
	if !p.Address.decimal {
		return
	}
	address, table, ok := modbus.Reference(n)
	if !ok || table == modbus.Coils || (table == modbus.Discrete && p.Table != string(modbus.Discrete)) {
		return
	}
	fix := fmt.Sprintf("write table: %s, address: %d", table, address)
	if n <= 65535 {
		fix += fmt.Sprintf("; if the device truly has address %d, write it as 0x%04X", n, n)
	}
	l.bad(path+".address", fix, "%d looks like a manual's number for %s register %d", n, table, address+1)
	l.referenced[path] = true
}
