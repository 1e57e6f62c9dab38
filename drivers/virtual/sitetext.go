package virtual

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Line is how the pump house is reached, for SiteYAML.
type Line struct {
	// Kind is "tcp", "serial" or "rtu-over-tcp".
	Kind string
	// Address is host:port, or the path of a serial device.
	Address string
	Baud    int    // serial only
	Parity  string // serial only: none, even, odd
}

// TCPLine is the line of a pump house served as Modbus TCP at host:port.
func TCPLine(address string) Line { return Line{Kind: "tcp", Address: address} }

// SiteYAML returns the site file of a club that has this pump house: the nominal figures
// (surveyed areas, book porosities), the register map, and nothing of the truth. It holds the
// sections site, supply, weather, courts, neighbours and links; a caller adds where the data
// goes.
func SiteYAML(c Config, line Line) (string, error) {
	f, err := New(c)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("# %s, as its integrator would write it down: surveyed areas and porosities from a book.", c.Name)
	p("site:")
	p("  id: %s", c.Site)
	p("  name: %q", c.Name)
	p("  zone: %s", c.Zone)
	p("  latitude: %s", num(c.LatitudeDeg))
	p("  longitude: %s", num(c.LongitudeDeg))
	p("  elevation: %s m", num(c.ElevationM))
	p("  attended: 07:00-19:00")
	p("  tariff: { per_m3: 3.40, currency: EUR }")
	p("")
	p("supply:")
	p("  shut_off: the red lever by the pump house door")
	p("  pressure_low: %s kPa", num(c.Supply.LowPa/1e3))
	p("  pressure_high: %s kPa", num(c.Supply.HighPa/1e3))
	p("  points:")
	f.pointLines(p, "    ", -1, map[site.Quantity]string{site.Volume: "meter", site.Flow: "flow", site.Pressure: "pressure"})
	if c.Supply.Master {
		p("  isolation: { enabled: yes, device: pump-io, address: 0, travel: %s }", time.Duration(max(5, c.Supply.MasterS)*float64(time.Second)))
	}
	p("")
	p("weather:")
	p("  points:")
	f.pointLines(p, "    ", -1, map[site.Quantity]string{site.AirTemperature: "temperature", site.Humidity: "humidity", site.Wind: "wind",
		site.Solar: "solar", site.Rain: "rain", site.AirPressure: "air_pressure"})
	p("")
	p("defaults:")
	p("  fill_policy:")
	p("    one_at_a_time: %s", yesNo(c.Controller.OneAtATime))
	if w := c.Controller.Windows; len(w) > 0 {
		var all []string
		for _, x := range w {
			all = append(all, fmt.Sprintf("\"%02d:%02d-%02d:%02d\"", x.From/60, x.From%60, x.To/60, x.To%60))
		}
		p("    windows: [%s]", strings.Join(all, ", "))
	}
	p("")
	p("courts:")
	n := 0
	for i, k := range c.Courts {
		p("  - id: %s", k.ID)
		p("    name: %q", k.Name)
		p("    defaults: { device: %s }", deviceOf(k.ID))
		p("    bays:")
		south := 0.0 // the edge of the bay before: bays of a court lie liner to liner
		for _, bc := range k.Bays {
			p("      - id: %s", bc.ID)
			p("        name: %q", bc.Name)
			p("        area: %s m2", num(bc.Nominal.AreaM2))
			p("        layers:")
			for m, l := range bc.Layers {
				p("          - { name: %s, depth: %s mm, porosity: %s, surface: %s }", l.Name, mm(l.DepthM), num(bc.Nominal.Porosity[m]), yesNo(l.Surface))
			}
			p("        floor_uneven: %s mm", mm(bc.FloorUnevenM))
			p("        overflow: { crest: %s mm, carries: %s L/min }", mm(bc.CrestM), num(bc.OverflowM3S/lpm))
			p("        set_point: %s mm", mm(bc.SetPointM))
			p("        band: %s mm", mm(bc.BandM))
			p("        fill_rate: %s L/min", num(bc.FillM3S/lpm))
			const width = 11.0
			length := bc.Nominal.AreaM2 / width
			p("        plan: { x: %s m, y: %s m, width: %s m, length: %s m }", num(float64(i)*18), num(south), num(width), num(length))
			south += length
			p("        points:")
			f.pointLines(p, "          ", n, map[site.Quantity]string{site.Level: "level", site.Flow: "flow", site.Volume: "meter", site.ValveOpen: "valve",
				site.SetPoint: "set_point", site.WaterTemp: "water_temperature"})
			n++
		}
	}
	if len(c.Neighbours) > 0 {
		var all []string
		for _, x := range c.Neighbours {
			all = append(all, fmt.Sprintf("[%s, %s]", x[0], x[1]))
		}
		p("")
		p("neighbours: [%s]", strings.Join(all, ", "))
	}
	p("")
	p("links:")
	p("  - id: field")
	p("    kind: %s", line.Kind)
	switch line.Kind {
	case "serial":
		p("    path: %q", line.Address)
		p("    baud: %d", line.Baud)
		p("    parity: %s", line.Parity)
		p("    stop_bits: 1")
		p("    listen: 5s")
	case "rtu-over-tcp":
		p("    address: %q", line.Address)
		p("    listen: 5s")
	default:
		p("    address: %q", line.Address)
	}
	p("    devices:")
	for _, k := range c.Courts {
		p("      - { id: %s, unit: %d }", deviceOf(k.ID), k.Unit)
	}
	p("      - { id: pump-io, unit: %d }", c.Instruments.SupplyUnit)
	p("      - { id: weather-station, unit: %d }", c.Instruments.WeatherUnit)
	return b.String(), nil
}

func deviceOf(court string) string { return "court-" + strings.ToLower(court) }

// pointLines prints the points of one bay (or of the site, -1) that have a key.
func (f *Field) pointLines(p func(string, ...any), indent string, bay int, keys map[site.Quantity]string) {
	for _, r := range f.points {
		key := keys[r.Quantity]
		if r.bay != bay || key == "" {
			continue
		}
		var parts []string
		add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
		if bay < 0 {
			device := "weather-station"
			if r.Unit == f.cfg.Instruments.SupplyUnit {
				device = "pump-io"
			}
			add("device: %s", device)
		}
		add("table: %s", r.Table)
		add("address: %d", r.Address)
		if r.Coding != Bit {
			kind, swapped := strings.CutSuffix(string(r.Coding), " swapped")
			add("type: %s", kind)
			if swapped {
				add("order: CDAB")
			}
		}
		switch r.Quantity {
		case site.Level:
			add("min: -40 mm")
			add("max: 300 mm")
			add("uncertainty: 2 mm")
			if q := f.bays[bay].cfg.Level.QuantumM; q > 0 {
				add("resolution: %s mm", mm(q))
			}
			if f.bays[bay].cfg.Level.Unvented {
				add("vented: no")
			}
		case site.Volume:
			m := f.main.cfg
			if bay >= 0 {
				m = &f.bays[bay].cfg.Meter
			}
			add("start_flow: %s L/h", num(m.StartM3S/lph))
			if r.Modulus < 1<<32 {
				add("rolls_over: %s m3", num(r.Modulus*r.Scale))
			}
		case site.ValveOpen:
			if r.Table == Discrete {
				add("means: feedback")
			}
			add("travel: %s", time.Duration(f.bays[bay].cfg.TravelS*float64(time.Second)))
		}
		switch {
		case r.Quantity == site.ValveOpen:
		case r.Loop:
			add("loop: { raw: [4000, 20000], value: [0 mm, %s mm] }", mm(f.bays[bay].cfg.Level.LoopTopM))
		default:
			add("unit: %s", r.unit())
		}
		switch {
		case r.Quantity == site.Level && r.Coding == Int16:
			add("sentinels: [32767]")
		case r.Quantity == site.Level && r.Coding == Float32:
			add("sentinels: [9999]")
		}
		p("%s%s: { %s }", indent, key, strings.Join(parts, ", "))
	}
}

// unit is what one count is worth, in a unit people write.
func (r *Register) unit() string {
	per := func(scale float64, name string) string {
		if n := r.Scale / scale; math.Abs(n-1) > 1e-9 {
			return num(n) + " " + name
		}
		return "1 " + name
	}
	switch r.Quantity {
	case site.Level, site.SetPoint, site.Rain:
		return per(1e-3, "mm")
	case site.Flow:
		return per(lpm, "L/min")
	case site.Volume:
		return per(1e-3, "L")
	case site.Humidity:
		return per(0.01, "%")
	case site.Pressure:
		return per(1e3, "kPa")
	case site.AirPressure:
		return per(100, "hPa")
	case site.AirTemperature, site.WaterTemp:
		return per(1, "degC")
	case site.Wind:
		return per(1, "m/s")
	}
	return per(1, "W/m2")
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// num writes a number for people: six significant digits, no exponent.
func num(x float64) string {
	s, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	if err != nil {
		s = x
	}
	return strconv.FormatFloat(s, 'f', -1, 64)
}

func mm(m float64) string { return num(m * 1000) }
