package virtual

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"

	"bayledger/agent/site"
)

// Table is one of Modbus's four tables of data.
type Table string

// The tables, in the order of the function codes that read them.
const (
	Coils    Table = "coil"     // function 01
	Discrete Table = "discrete" // function 02
	Holding  Table = "holding"  // function 03
	Input    Table = "input"    // function 04
)

// Coding is how a number lies in registers.
type Coding string

// The codings. Multi-register numbers are big-endian within each register; "swapped" puts the
// low register first.
const (
	Bit            Coding = "bit"
	Uint16         Coding = "uint16"
	Int16          Coding = "int16"
	Uint32         Coding = "uint32"
	Uint32Swapped  Coding = "uint32 swapped"
	Float32        Coding = "float32"
	Float32Swapped Coding = "float32 swapped"
)

func (c Coding) words() int {
	switch c {
	case Bit, Uint16, Int16:
		return 1
	}
	return 2
}

// Register is where a point lies: a row of the register map.
type Register struct {
	Point    string
	Bay      string // empty for the site's own
	Quantity site.Quantity
	Unit     uint8
	Table    Table
	Address  uint16 // as it travels in the frame, from 0
	Coding   Coding
	// Scale is the SI value of one count (Offset is that of count 0): si = count*Scale + Offset.
	Scale, Offset float64
	// Modulus is the count at which a total rolls over; 0 when it has none.
	Modulus float64
	// Loop is true for the raw current of a 4-20 mA loop in microampere: Scale and Offset
	// belong to the valid range.
	Loop bool
	// Note says it in words.
	Note string

	bay int // index, -1 for the site's own
}

const (
	maxBaysOfUnit = 8
	lpm           = 1e-3 / 60 // L/min in m3/s
)

// block is a range of addresses a unit answers for; what is not a point in it reads as 0.
type block struct {
	unit     uint8
	table    Table
	from, to int // to is outside
	// at holds for each address the point and the word of it, or -1.
	at []place
}

type place struct{ point, word int }

// makePoints lays out the register map.
func (f *Field) makePoints() {
	f.units = map[uint8]string{}
	n := 0
	for _, k := range f.cfg.Courts {
		f.units[k.Unit] = "court " + k.ID
		for j := range k.Bays {
			f.bayPoints(&k, j, n)
			n++
		}
	}
	in := &f.cfg.Instruments
	f.units[in.SupplyUnit], f.units[in.WeatherUnit] = "supply", "weather station"
	u := in.SupplyUnit
	f.add(-1, Register{Quantity: site.Flow, Unit: u, Table: Input, Address: 0, Coding: Float32, Scale: lpm, Note: "L/min"})
	f.add(-1, Register{Quantity: site.Volume, Unit: u, Table: Input, Address: 2, Coding: Uint32, Scale: in.Main.PulseM3, Modulus: 1 << 32, Note: "pulses"})
	f.add(-1, Register{Quantity: site.Pressure, Unit: u, Table: Input, Address: 4, Coding: Uint16, Scale: 100, Note: "0.1 kPa"})
	u = in.WeatherUnit
	f.add(-1, Register{Quantity: site.AirTemperature, Unit: u, Table: Input, Address: 0, Coding: Int16, Scale: 0.1, Note: "0.1 degC"})
	f.add(-1, Register{Quantity: site.Humidity, Unit: u, Table: Input, Address: 1, Coding: Uint16, Scale: 0.001, Note: "0.1 %"})
	f.add(-1, Register{Quantity: site.Wind, Unit: u, Table: Input, Address: 2, Coding: Uint16, Scale: 0.01, Note: "0.01 m/s"})
	f.add(-1, Register{Quantity: site.Solar, Unit: u, Table: Input, Address: 3, Coding: Uint16, Scale: 1, Note: "W/m2"})
	f.add(-1, Register{Quantity: site.Rain, Unit: u, Table: Input, Address: 4, Coding: Uint16, Scale: in.RainTipM, Modulus: 1 << 16, Note: "tips"})
	f.add(-1, Register{Quantity: site.AirPressure, Unit: u, Table: Input, Address: 6, Coding: Float32Swapped, Scale: 100, Note: "hPa"})
	f.pointOf = map[string]int{}
	for i, r := range f.points {
		f.pointOf[r.Point] = i
	}
	f.makeBlocks()
}

func (f *Field) bayPoints(k *CourtConfig, j, n int) {
	b := &k.Bays[j]
	a := uint16(j)
	level := Register{Quantity: site.Level, Unit: k.Unit}
	if k.Form == FormHolding {
		level.Table, level.Address = Holding, 100+20*a
		level.Coding, level.Scale, level.Note = Int16, 1e-4, "0.1 mm, 32767 = no reading"
		if b.Level.LoopTopM > 0 {
			level.Coding, level.Loop, level.Note = Uint16, true, "4-20 mA in uA"
			level.Scale = b.Level.LoopTopM / 16000
			level.Offset = -4000 * level.Scale
		}
		f.add(n, level)
		f.add(n, Register{Quantity: site.Flow, Unit: k.Unit, Table: Holding, Address: 101 + 20*a, Coding: Float32Swapped, Scale: lpm, Note: "L/min"})
		f.add(n, Register{Quantity: site.Volume, Unit: k.Unit, Table: Holding, Address: 103 + 20*a, Coding: Uint32Swapped, Scale: b.Meter.PulseM3, Modulus: 1e7, Note: "pulses, seven digits"})
		f.add(n, Register{Quantity: site.SetPoint, Unit: k.Unit, Table: Holding, Address: 105 + 20*a, Coding: Float32Swapped, Scale: 1e-3, Note: "mm"})
		f.add(n, Register{Quantity: site.WaterTemp, Unit: k.Unit, Table: Holding, Address: 107 + 20*a, Coding: Int16, Scale: 0.01, Note: "0.01 degC"})
		f.add(n, Register{Quantity: site.ValveOpen, Unit: k.Unit, Table: Discrete, Address: a, Coding: Bit, Scale: 1, Note: "feedback: not shut"})
		return
	}
	level.Table, level.Address, level.Coding, level.Scale, level.Note = Input, 10*a, Float32, 1e-3, "mm, 9999 = no reading"
	f.add(n, level)
	f.add(n, Register{Quantity: site.Flow, Unit: k.Unit, Table: Input, Address: 2 + 10*a, Coding: Uint16, Scale: 0.01 * lpm, Note: "0.01 L/min"})
	f.add(n, Register{Quantity: site.Volume, Unit: k.Unit, Table: Input, Address: 4 + 10*a, Coding: Uint32, Scale: b.Meter.PulseM3, Modulus: 1 << 32, Note: "pulses"})
	f.add(n, Register{Quantity: site.WaterTemp, Unit: k.Unit, Table: Input, Address: 6 + 10*a, Coding: Int16, Scale: 0.1, Note: "0.1 degC"})
	f.add(n, Register{Quantity: site.SetPoint, Unit: k.Unit, Table: Holding, Address: a, Coding: Uint16, Scale: 1e-4, Note: "0.1 mm"})
	f.add(n, Register{Quantity: site.ValveOpen, Unit: k.Unit, Table: Coils, Address: a, Coding: Bit, Scale: 1, Note: "command"})
}

// add gives a register its point's id, the bay's (or nothing) and the quantity's short name.
func (f *Field) add(bay int, r Register) {
	info, _ := r.Quantity.Info()
	r.bay = bay
	r.Point = info.Short
	if bay >= 0 {
		r.Bay = f.bays[bay].cfg.ID
		r.Point = r.Bay + "-" + info.Short
	} else if r.Quantity == site.Flow || r.Quantity == site.Volume {
		r.Point = "main-" + info.Short
	}
	f.points = append(f.points, r)
}

func (f *Field) makeBlocks() {
	type key struct {
		unit  uint8
		table Table
	}
	ends := map[key][2]int{}
	for _, r := range f.points {
		k := key{r.Unit, r.Table}
		from, to := int(r.Address), int(r.Address)+r.Coding.words()
		if e, ok := ends[k]; ok {
			from, to = min(from, e[0]), max(to, e[1])
		}
		ends[k] = [2]int{from, to}
	}
	for k, e := range ends {
		b := block{unit: k.unit, table: k.table, from: e[0], to: e[1], at: make([]place, e[1]-e[0])}
		for i := range b.at {
			b.at[i].point = -1
		}
		for i, r := range f.points {
			if r.Unit == k.unit && r.Table == k.table {
				for w := range r.Coding.words() {
					b.at[int(r.Address)+w-b.from] = place{i, w}
				}
			}
		}
		f.blocks = append(f.blocks, b)
	}
	slices.SortFunc(f.blocks, func(a, b block) int {
		return cmp.Or(cmp.Compare(a.unit, b.unit), cmp.Compare(a.table, b.table))
	})
}

// Registers returns the register map in the order of units and bays.
func (f *Field) Registers() []Register { return slices.Clone(f.points) }

// show returns what a point's instrument shows now, in SI; dark when it shows that it has no
// reading.
func (f *Field) show(r *Register) (v float64, dark bool) {
	switch r.Quantity {
	case site.Level:
		s := &f.bays[f.levelOf[r.bay]].sensor
		return s.readM, s.dark
	case site.Flow:
		if r.bay < 0 {
			return f.rate(&f.main), false
		}
		return f.rate(&f.bays[f.meterOf[r.bay]].meter), false
	case site.Volume:
		m := &f.main
		if r.bay >= 0 {
			m = &f.bays[f.meterOf[r.bay]].meter
		}
		// The register has the pulses of the terminal's own meter; a swapped meter of another
		// pulse counts wrongly by the ratio, as it would.
		return m.counts() * r.Scale, false
	case site.ValveOpen:
		b := f.bays[r.bay]
		open := b.ctl.command
		if r.Table == Discrete {
			open = f.bays[f.valveOf[r.bay]].valve.position > 0
		}
		if open {
			return 1, false
		}
		return 0, false
	case site.SetPoint:
		return f.bays[r.bay].ctl.setPointM, false
	case site.WaterTemp:
		return f.waterC + 0.3*wander(f.cfg.Seed, f.bays[r.bay].sensor.stream+7, float64(f.k)*f.dt, 7200), false
	case site.Rain:
		return (math.Floor(f.gauge.value()/f.cfg.Instruments.RainTipM + 1e-9)) * r.Scale, false
	case site.Pressure:
		k := uint64(f.k)
		return max(0, f.pressurePa+300*gauss(f.cfg.Seed, streamPressure+1, k)), false
	}
	return f.station(r.Quantity), false
}

// rate is a meter's flow register: it lags by nothing, and trembles by half a per cent.
func (f *Field) rate(m *meter) float64 {
	if m.flow == 0 {
		return 0
	}
	return m.flow * (1 + 0.005*gauss(f.cfg.Seed, m.stream+1, uint64(f.k)))
}

// encode puts what the point shows now into words, the first at the lower address.
func (f *Field) encode(r *Register) [2]uint16 {
	v, dark := f.show(r)
	count := (v - r.Offset) / r.Scale
	if r.Modulus > 0 {
		count = math.Mod(math.Round(count), r.Modulus)
	}
	switch r.Coding {
	case Bit:
		return [2]uint16{uint16(v)}
	case Uint16:
		if dark && r.Loop {
			return [2]uint16{0} // a broken wire
		}
		return [2]uint16{uint16(min(max(math.Round(count), 0), 65535))}
	case Int16:
		if dark {
			return [2]uint16{32767}
		}
		return [2]uint16{uint16(int16(min(max(math.Round(count), -32768), 32766)))}
	case Uint32, Uint32Swapped:
		return order(r.Coding == Uint32Swapped, uint32(count))
	}
	if dark {
		count = 9999
	}
	return order(r.Coding == Float32Swapped, math.Float32bits(float32(count)))
}

func order(swapped bool, v uint32) [2]uint16 {
	hi, lo := uint16(v>>16), uint16(v)
	if swapped {
		return [2]uint16{lo, hi}
	}
	return [2]uint16{hi, lo}
}

// Decode returns the SI value that words hold by the row's coding, and site.Bad with the
// reason where the device says that it has no reading. Raw counts beyond a loop's valid range
// are bad too (NAMUR NE 43: valid is 3.8 to 20.5 mA).
func (r *Register) Decode(w [2]uint16) (float64, site.Quality, site.Why) {
	var count float64
	switch r.Coding {
	case Bit:
		return float64(w[0]), site.Good, site.WhyNone
	case Uint16:
		count = float64(w[0])
		if r.Loop && (count < 3800 || count > 20500) {
			return math.NaN(), site.Bad, site.WhyLoopFault
		}
	case Int16:
		if w[0] == 32767 {
			return math.NaN(), site.Bad, site.WhySentinel
		}
		count = float64(int16(w[0]))
	default:
		hi, lo := w[0], w[1]
		if r.Coding == Uint32Swapped || r.Coding == Float32Swapped {
			hi, lo = lo, hi
		}
		bits := uint32(hi)<<16 | uint32(lo)
		if r.Coding == Uint32 || r.Coding == Uint32Swapped {
			count = float64(bits)
			break
		}
		count = float64(math.Float32frombits(bits))
		if r.Quantity == site.Level && count == 9999 {
			return math.NaN(), site.Bad, site.WhySentinel
		}
	}
	return float64(count*r.Scale) + r.Offset, site.Good, site.WhyNone
}

// Read returns what the point's register holds at the model's present moment, decoded: what a
// perfect driver would read, without a wire. A silent unit gives site.WhyTimeout.
func (f *Field) Read(point string) (float64, site.Quality, site.Why) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.read(point)
}

func (f *Field) read(point string) (float64, site.Quality, site.Why) {
	i, ok := f.pointOf[point]
	if !ok {
		return math.NaN(), site.Bad, site.WhyException
	}
	r := &f.points[i]
	if f.silent[r.Unit] {
		return math.NaN(), site.Bad, site.WhyTimeout
	}
	return r.Decode(f.encode(r))
}

// words answers a read of n registers or bits from a: the words, and false when the unit has no
// such address.
func (f *Field) words(unit uint8, table Table, a, n int) ([]uint16, bool) {
	for i := range f.blocks {
		b := &f.blocks[i]
		if b.unit != unit || b.table != table {
			continue
		}
		if a < b.from || a+n > b.to {
			return nil, false
		}
		out := make([]uint16, n)
		for j := range out {
			if p := b.at[a-b.from+j]; p.point >= 0 {
				out[j] = f.encode(&f.points[p.point])[p.word]
			}
		}
		return out, true
	}
	return nil, false
}

// WriteRegisters prints the register map as a table for people.
func (f *Field) WriteRegisters(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "UNIT\tTABLE\tADDRESS\tPOINT\tCODING\tCOUNTS")
	rows := f.Registers()
	slices.SortStableFunc(rows, func(a, b Register) int {
		return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Table, b.Table), cmp.Compare(a.Address, b.Address))
	})
	for _, r := range rows {
		fmt.Fprintf(t, "%d\t%s\t%d\t%s\t%s\t%s\n", r.Unit, r.Table, r.Address, r.Point, r.Coding, r.Note)
	}
	return t.Flush()
}

// appendWords puts words on the wire, high byte first.
func appendWords(b []byte, w []uint16) []byte {
	for _, x := range w {
		b = binary.BigEndian.AppendUint16(b, x)
	}
	return b
}
