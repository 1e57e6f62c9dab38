package modbus

import (
	"fmt"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Options says which lines there are, which devices answer on them and which register of which
// device is which point. Points that are not of the site, or have no interval there, are
// reported by New.
type Options struct {
	Links []Link
}

// LinkKind is how frames travel.
type LinkKind string

// The kinds of link.
const (
	TCP        LinkKind = "tcp"          // Modbus TCP
	Serial     LinkKind = "serial"       // Modbus RTU on a serial line
	RTUOverTCP LinkKind = "rtu-over-tcp" // RTU frames through a transparent serial server
)

// Parity of a serial line.
type Parity string

// The parities.
const (
	ParityNone Parity = "none"
	ParityEven Parity = "even"
	ParityOdd  Parity = "odd"
)

// Link is one line or one TCP connection with the devices behind it. Exactly one request is
// under way on a link at any time.
type Link struct {
	ID   string
	Kind LinkKind
	// Address is host:port of a TCP or RTU-over-TCP link.
	Address string
	// Path is the serial device, best under /dev/serial/by-id, so that an adapter plugged in
	// again is found.
	Path string
	// Baud, DataBits, Parity and StopBits of a serial line have no default: a line whose
	// settings nobody looked up works by luck. Baud may be given for an RTU-over-TCP link too:
	// it is then the speed of the line behind the serial server and keeps its silent interval.
	Baud, DataBits int
	Parity         Parity
	StopBits       int
	// RS485 asks the kernel's driver to turn the transceiver round. nil where the adapter does
	// it by itself, as almost every USB adapter does.
	RS485 *RS485
	// Listen is how long the line is listened to before the first request and after every sign
	// of another master. Serial and RTU-over-TCP only. 0 does not listen, which is for a line
	// that is known to have no other master.
	Listen time.Duration
	// ListenOnly never transmits: points are taken from another master's traffic.
	ListenOnly bool
	// Echo is true when the adapter hands back what it sends.
	Echo bool
	// FrameGap is the silence kept between frames, longer than the specification's 3.5
	// characters for a line that needs it. 0 is the specification's.
	FrameGap time.Duration
	// Late is how long after a time-out an answer may still arrive: for so long the unit is not
	// asked again, so that its answer cannot be taken for the next one (an RTU frame does not
	// say which request it answers). RTU only.
	Late time.Duration
	// Dial bounds making the connection.
	Dial    time.Duration
	Devices []Device
}

// RS485 is the kernel's direction control (linux/serial.h, struct serial_rs485).
type RS485 struct {
	// RTSOnSend and RTSAfterSend are the level of RTS while sending and after it. They must
	// differ.
	RTSOnSend, RTSAfterSend bool
	// DelayBefore and DelayAfter are whole milliseconds, at most 100.
	DelayBefore, DelayAfter time.Duration
	// ReceiveWhileSending leaves the receiver on, which is a local echo.
	ReceiveWhileSending bool
}

// Device is one unit on a link.
type Device struct {
	ID string
	// Unit is the unit id, 1 to 247; on a TCP link 0 and 255 too, which devices without a line
	// behind them use.
	Unit int
	// AnyUnit accepts an answer that carries another unit id, as some TCP devices send. TCP
	// only: on a line the unit id is all that tells one device's answer from another's.
	AnyUnit bool
	// Timeout is how long the device may take to answer, beyond the time its frames need on a
	// serial line.
	Timeout time.Duration
	// Turnaround is a pause the device needs between its answer and the next request to it.
	Turnaround time.Duration
	// MaxRegisters and MaxBits are the most it answers in one reply, at most 125 and 2000.
	MaxRegisters, MaxBits int
	// MaxGap is how many registers nobody asked for may be read between two that somebody did,
	// to save a request. For bits it counts sixteen to a register.
	MaxGap int
	// GiveUp is after how many time-outs in a row the unit is left alone for a while.
	GiveUp int
	Points []PointMap
}

// Table is one of the four tables of the Modbus data model.
type Table string

// The tables, with the function code that reads each.
const (
	Coils    Table = "coil"     // 01
	Discrete Table = "discrete" // 02
	Holding  Table = "holding"  // 03
	Input    Table = "input"    // 04
)

// PointMap says where a point's value stands and what it means.
type PointMap struct {
	// Point is the id of the site's point.
	Point string
	Table Table
	// Address is the address as it travels in the request, 0 to 65535: the first register is 0.
	Address int
	Decode  Decode
}

// Type is the form of a number in registers.
type Type string

// The forms.
const (
	Bit     Type = "bit"    // one coil or discrete input
	BitOf   Type = "bit-of" // one bit of a register
	Int16   Type = "int16"
	Uint16  Type = "uint16"
	Int32   Type = "int32"
	Uint32  Type = "uint32"
	Int64   Type = "int64"
	Uint64  Type = "uint64"
	Float32 Type = "float32"
	Float64 Type = "float64"
	BCD16   Type = "bcd16" // four decimal digits in one register
	BCD32   Type = "bcd32" // eight decimal digits in two registers
)

// Types in the order in which people are shown them.
var Types = []Type{Bit, BitOf, Int16, Uint16, Int32, Uint32, Int64, Uint64, Float32, Float64, BCD16, BCD32}

// Registers is how many registers (or bits, for Bit) the form takes, 0 for an unknown one.
func (t Type) Registers() int {
	switch t {
	case Bit, BitOf, Int16, Uint16, BCD16:
		return 1
	case Int32, Uint32, Float32, BCD32:
		return 2
	case Int64, Uint64, Float64:
		return 4
	}
	return 0
}

// Order is the order of a number's bytes as they travel, A being the most significant of four.
// The letters stand for the pattern: a 64-bit number in CDAB is sent with its least significant
// word first, a 16-bit one in BADC with its two bytes swapped.
type Order string

// The orders.
const (
	ABCD Order = "ABCD" // most significant word and byte first; the specification's within a register
	CDAB Order = "CDAB" // words swapped
	BADC Order = "BADC" // bytes of each word swapped
	DCBA Order = "DCBA" // both
)

// Orders in the order in which they are met.
var Orders = []Order{ABCD, CDAB, BADC, DCBA}

// Decode turns registers into the point's value in SI. The steps, each optional after the
// first: number, Loop (a current, judged by NAMUR NE 43) or Span, Head or Distance.
type Decode struct {
	Type Type
	// Bit of a BitOf, 0 the least significant, 15 the most.
	Bit int
	// Invert swaps 0 and 1 of Bit and BitOf.
	Invert bool
	// Order of the bytes; empty is ABCD.
	Order Order
	// Sentinels are numbers with which the device says that it has no value. For whole-number
	// forms a bit pattern may be given too: 0x8000 is met by an int16 of -32768.
	Sentinels []float64
	// Span maps the number linearly to SI. nil leaves it as it is.
	Span *Span
	// Loop maps the number to a current and the current to SI. Not together with Span.
	Loop *Loop
	// Head makes a level of a pressure in Pa, Distance one of a distance in m. At most one.
	Head     *Head
	Distance *Distance
}

// Span is a linear map: RawLow is Low, RawHigh is High. Nothing is clipped outside. Low and High
// are in the SI unit of the step that follows: Pa before a Head, m before a Distance, otherwise
// the unit of the quantity. A plain factor is the span 0..1 -> 0..factor.
type Span struct{ RawLow, RawHigh, Low, High float64 }

// Loop is a 4-20 mA current loop: RawLow and RawHigh are what the register shows at MALow and
// MAHigh milliampere (a card that shows 0..27648 for 4..20 mA, one that shows microampere as
// 4000..20000), Low and High the SI values at 4 and 20 mA.
type Loop struct {
	RawLow, RawHigh, MALow, MAHigh float64
	Low, High                      float64
}

// Head makes a level of the pressure of the water over a sensor:
// level = MountM + p / (Density * Gravity).
type Head struct {
	Density float64 // kg/m3
	Gravity float64 // m/s2
	// MountM is the height of the sensor's diaphragm above the liner.
	MountM float64
	// Absolute is true for a sensor that measures the air's pressure too; Barometer is then the
	// id of the point with the air pressure that is taken off. A barometer silent for longer
	// than BarometerAge makes the level bad.
	Absolute     bool
	Barometer    string
	BarometerAge time.Duration
}

// Distance makes a level of the distance from an ultrasonic or radar sensor down to the water:
// level = MountM - distance.
type Distance struct {
	// MountM is the height of the sensor's reference face above the liner.
	MountM float64
}

// Usual constants of a Head.
const (
	// WaterDensity is that of water at 15 degC, kg/m3 (from memory: 999.1).
	WaterDensity = 999.1
	// StandardGravity in m/s2 (ISO 80000-4).
	StandardGravity = 9.80665
)

// DefaultLink returns a link of that kind with everything set that has a usual value.
func DefaultLink(kind LinkKind) Link {
	l := Link{Kind: kind, Dial: 3 * time.Second}
	if kind == Serial || kind == RTUOverTCP {
		l.Listen = 60 * time.Second
		l.Late = time.Second
	}
	if kind == TCP {
		l.Listen, l.Late = 0, 0
	}
	return l
}

// DefaultDevice returns a device with everything set that has a usual value; ID and Unit have
// none.
func DefaultDevice() Device {
	return Device{Timeout: time.Second, MaxRegisters: 125, MaxBits: 2000, MaxGap: 8, GiveUp: 2}
}

// DefaultHead returns a vented pressure sensor on the liner in water at 15 degC.
func DefaultHead() Head {
	return Head{Density: WaterDensity, Gravity: StandardGravity, BarometerAge: 15 * time.Minute}
}

// Validate returns everything that is wrong, with paths such as
// links[0].devices[1].points[2].address.
func (o Options) Validate() site.Problems {
	var ps site.Problems
	ids := map[string]string{}
	where := map[string]string{} // host:port or device path -> link
	points := map[string]string{}
	for i, l := range o.Links {
		at := fmt.Sprintf("links[%d]", i)
		checkID(&ps, at+".id", "link", l.ID, ids)
		l.validate(&ps, at, where)
		for j, d := range l.Devices {
			dat := fmt.Sprintf("%s.devices[%d]", at, j)
			checkID(&ps, dat+".id", "device", d.ID, ids)
			d.validate(&ps, dat, l.Kind)
			for k := range j {
				if o := l.Devices[k]; o.Unit == d.Unit {
					ps.Add(dat+".unit", "give each device its own unit id, or put the points of both into one device",
						"unit %d is already the unit of device %s on this link", d.Unit, o.ID)
				}
			}
			for k, p := range d.Points {
				pat := fmt.Sprintf("%s.points[%d]", dat, k)
				if first, twice := points[p.Point]; twice {
					ps.Add(pat+".point", "read each point from one place", "point %s is already read by %s", p.Point, first)
				} else {
					points[p.Point] = pat
				}
				p.validate(&ps, pat)
			}
		}
	}
	return ps
}

func checkID(ps *site.Problems, path, what, id string, ids map[string]string) {
	if wrong := site.CheckID(id); wrong != "" {
		ps.Add(path, "choose another id", "%s", wrong)
		return
	}
	if first, twice := ids[id]; twice {
		ps.Add(path, "choose another id", "the id %s of this %s is already used by %s", id, what, first)
		return
	}
	ids[id] = path
}

func (l Link) validate(ps *site.Problems, at string, where map[string]string) {
	place := ""
	switch l.Kind {
	case TCP, RTUOverTCP:
		place = l.Address
		if host, port, err := net.SplitHostPort(l.Address); err != nil || host == "" {
			ps.Add(at+".address", `write host and port, for example "192.0.2.10:502"`, "%q is not host:port", l.Address)
		} else if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
			ps.Add(at+".address", "the usual port of Modbus TCP is 502", "%q is not a port number", port)
		}
		if l.Path != "" {
			ps.Add(at+".path", "remove it, or make the link a serial one", "a %s link has no serial device", l.Kind)
		}
		if l.RS485 != nil {
			ps.Add(at+".rs485", "remove it", "a %s link has no direction to control here", l.Kind)
		}
	case Serial:
		place = l.Path
		if l.Path == "" {
			ps.Add(at+".path", "name the device, best under /dev/serial/by-id", "a serial link needs its device")
		}
		if l.Address != "" {
			ps.Add(at+".address", "remove it, or make the link tcp or rtu-over-tcp", "a serial link has no address")
		}
		if l.Baud == 0 {
			ps.Add(at+".baud", "look it up in the devices' manuals; 9600 and 19200 are usual", "a serial link needs its baud rate")
		}
		if l.DataBits != 8 {
			ps.Add(at+".data_bits", "use 8: Modbus RTU has no other (serial line specification 2.5.1)", "%d data bits cannot carry RTU frames", l.DataBits)
		}
		if !slices.Contains([]Parity{ParityNone, ParityEven, ParityOdd}, l.Parity) {
			ps.Add(at+".parity", "use none, even or odd; even is the specification's", "%q is not a parity", l.Parity)
		}
		if l.StopBits != 1 && l.StopBits != 2 {
			ps.Add(at+".stop_bits", "use 1, or 2 with parity none", "%d is not a number of stop bits", l.StopBits)
		}
		if r := l.RS485; r != nil {
			if r.RTSOnSend == r.RTSAfterSend {
				ps.Add(at+".rs485", "one level sends, the other listens", "RTS has the same level while sending and after it")
			}
			for _, d := range []time.Duration{r.DelayBefore, r.DelayAfter} {
				if d < 0 || d > 100*time.Millisecond || d%time.Millisecond != 0 {
					ps.Add(at+".rs485", "use whole milliseconds from 0 to 100", "a delay of %v cannot be set", d)
				}
			}
		}
	default:
		ps.Add(at+".kind", "use tcp, serial or rtu-over-tcp", "%q is not a kind of link", l.Kind)
	}
	if l.Kind == TCP && (l.Listen != 0 || l.ListenOnly || l.Echo) {
		ps.Add(at, "remove listen, listen_only and echo", "on Modbus TCP no other master can be heard and nothing is echoed")
	}
	if l.Baud != 0 && (l.Baud < 300 || l.Baud > 4000000) {
		ps.Add(at+".baud", "9600 and 19200 are usual", "%d is not a usable baud rate", l.Baud)
	}
	if place != "" {
		if first, twice := where[place]; twice {
			ps.Add(at, "put the devices of both under one link: only one request may be under way on a line", "%s is already used by link %s", place, first)
		}
		where[place] = l.ID
	}
	between(ps, at+".listen", l.Listen, 0, time.Hour)
	between(ps, at+".frame_gap", l.FrameGap, 0, time.Second)
	between(ps, at+".dial_timeout", l.Dial, 10*time.Millisecond, time.Minute)
	if l.Kind != TCP {
		between(ps, at+".late", l.Late, 0, time.Minute)
	}
	if len(l.Devices) == 0 {
		ps.Add(at+".devices", "add a device or remove the link", "nothing is read on this link")
	}
}

func between(ps *site.Problems, at string, d, lo, hi time.Duration) {
	if d < lo || d > hi {
		ps.Add(at, fmt.Sprintf("use %v to %v", lo, hi), "%v is outside the possible", d)
	}
}

func (d Device) validate(ps *site.Problems, at string, kind LinkKind) {
	switch {
	case d.Unit >= 1 && d.Unit <= 247:
	case kind == TCP && (d.Unit == 0 || d.Unit == 255):
	case d.Unit == 0:
		ps.Add(at+".unit", "use 1 to 247", "unit 0 is the broadcast address, which nobody answers")
	default:
		ps.Add(at+".unit", "use 1 to 247", "%d is not a unit id", d.Unit)
	}
	if d.AnyUnit && kind != TCP {
		ps.Add(at+".any_unit", "remove it", "on a line the unit id is all that tells two devices' answers apart")
	}
	between(ps, at+".timeout", d.Timeout, 10*time.Millisecond, time.Minute)
	between(ps, at+".turnaround", d.Turnaround, 0, 10*time.Second)
	if d.MaxRegisters < 1 || d.MaxRegisters > maxRegisters {
		ps.Add(at+".max_registers", "use 1 to 125, the protocol's limit", "%d registers cannot be asked for at once", d.MaxRegisters)
	}
	if d.MaxBits < 1 || d.MaxBits > maxBits {
		ps.Add(at+".max_bits", "use 1 to 2000, the protocol's limit", "%d bits cannot be asked for at once", d.MaxBits)
	}
	if d.MaxGap < 0 || d.MaxGap > maxRegisters {
		ps.Add(at+".max_gap", "use 0 to 125; 0 reads only what is asked for", "%d is not a number of registers", d.MaxGap)
	}
	if d.GiveUp < 1 || d.GiveUp > 100 {
		ps.Add(at+".give_up", "use 1 to 100; 2 is usual", "%d is not a number of time-outs", d.GiveUp)
	}
	if len(d.Points) == 0 {
		ps.Add(at+".points", "add a point or remove the device", "nothing is read from this device")
	}
	for k, p := range d.Points {
		if n := p.Decode.Type.Registers(); d.MaxRegisters >= 1 && n > d.MaxRegisters {
			ps.Add(fmt.Sprintf("%s.points[%d].type", at, k), "raise max_registers", "a %s needs %d registers at once and the device gives %d", p.Decode.Type, n, d.MaxRegisters)
		}
	}
}

// The protocol's limits for one read (application protocol V1.1b3, 6.1 to 6.4).
const (
	maxRegisters = 125
	maxBits      = 2000
)

func (p PointMap) validate(ps *site.Problems, at string) {
	if p.Point == "" {
		ps.Add(at+".point", "name the point", "the point's id is empty")
	}
	bits := p.Table == Coils || p.Table == Discrete
	if !bits && p.Table != Holding && p.Table != Input {
		ps.Add(at+".table", "use coil, discrete, holding or input", "%q is not a table", p.Table)
	}
	d := p.Decode
	n := d.Type.Registers()
	switch {
	case n == 0:
		names := make([]string, len(Types))
		for i, t := range Types {
			names[i] = string(t)
		}
		ps.Add(at+".type", "use one of "+strings.Join(names, ", "), "%q is not a form of number", d.Type)
	case bits && d.Type != Bit:
		ps.Add(at+".type", "use bit, or table holding or input", "a %s is one bit and cannot hold a %s", p.Table, d.Type)
	case !bits && d.Type == Bit:
		ps.Add(at+".type", "use bit-of with the number of the bit, or table coil or discrete", "a register has sixteen bits")
	}
	if p.Address < 0 || p.Address+max(n, 1) > 65536 {
		fix := "addresses run from 0 to 65535 and count from 0"
		if a, table, ok := Reference(p.Address); ok {
			fix = fmt.Sprintf("if the manual writes %d it means table %s, address %d", p.Address, table, a)
		}
		ps.Add(at+".address", fix, "%d is beyond the last address", p.Address)
	}
	d.validate(ps, at)
}

// Reference explains a number in the 4xxxx notation of manuals (40001 and 400001 are the first
// holding register): the address that travels, and the table. ok is false for a number that is
// none, such as 40000.
func Reference(n int) (address int, table Table, ok bool) {
	tables := map[int]Table{0: Coils, 1: Discrete, 3: Input, 4: Holding}
	for _, base := range []int{10000, 100000} {
		t, known := tables[n/base]
		if a := n % base; known && n/base != 0 && a >= 1 && a <= 65536 {
			return a - 1, t, true
		}
	}
	return 0, "", false
}

func (d Decode) validate(ps *site.Problems, at string) {
	if d.Bit < 0 || d.Bit > 15 {
		ps.Add(at+".bit", "use 0 for the least significant bit to 15 for the most", "bit %d is not in a register", d.Bit)
	} else if d.Bit != 0 && d.Type != BitOf {
		ps.Add(at+".bit", "remove it, or use type bit-of", "a %s has no bit to choose", d.Type)
	}
	bit := d.Type == Bit || d.Type == BitOf
	if d.Invert && !bit {
		ps.Add(at+".invert", "remove it", "only a bit can be inverted")
	}
	if d.Order != "" && !slices.Contains(Orders, d.Order) {
		ps.Add(at+".order", "use ABCD, CDAB, BADC or DCBA", "%q is not an order of bytes", d.Order)
	}
	if bit && (d.Span != nil || d.Loop != nil || d.Head != nil || d.Distance != nil) {
		ps.Add(at, "remove the scaling", "a bit has no scale")
	}
	for _, v := range d.Sentinels {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			ps.Add(at+".sentinels", "remove it: a NaN is never taken for a value", "%v cannot be a sentinel", v)
		}
	}
	if d.Span != nil && d.Loop != nil {
		ps.Add(at, "use one of them", "a number is scaled by a span or by a current loop, not both")
	}
	if s := d.Span; s != nil {
		checkSpan(ps, at+".span", s.RawLow, s.RawHigh, s.Low, s.High)
	}
	if l := d.Loop; l != nil {
		checkSpan(ps, at+".loop", l.RawLow, l.RawHigh, l.MALow, l.MAHigh)
		checkSpan(ps, at+".loop", 4, 20, l.Low, l.High)
	}
	if d.Head != nil && d.Distance != nil {
		ps.Add(at, "use one of them", "a level is made of a pressure or of a distance, not both")
	}
	if h := d.Head; h != nil {
		if !(h.Density >= 900 && h.Density <= 1300) {
			ps.Add(at+".density", "fresh water has 999", "%v kg/m3 is not the density of water", h.Density)
		}
		if !(h.Gravity >= 9.7 && h.Gravity <= 9.9) {
			ps.Add(at+".gravity", "use 9.80665, or the place's own figure", "%v m/s2 is not the gravity of any place on earth", h.Gravity)
		}
		checkMount(ps, at+".mount", h.MountM)
		switch {
		case h.Absolute && h.Barometer == "":
			ps.Add(at+".barometer", "name the point that measures air pressure", "an absolute sensor shows the weather without a barometer")
		case !h.Absolute && h.Barometer != "":
			ps.Add(at+".barometer", "remove it, or say that the sensor is absolute", "a vented sensor needs no barometer")
		}
		if h.Absolute {
			between(ps, at+".barometer_age", h.BarometerAge, time.Second, 24*time.Hour)
		}
	}
	if s := d.Distance; s != nil {
		checkMount(ps, at+".mount", s.MountM)
	}
}

func checkMount(ps *site.Problems, at string, m float64) {
	if !(m >= -10 && m <= 20) {
		ps.Add(at, "give the height above the liner, between -10 m and 20 m", "a sensor %v m above the liner is not possible", m)
	}
}

func checkSpan(ps *site.Problems, at string, rawLow, rawHigh, low, high float64) {
	for _, v := range []float64{rawLow, rawHigh, low, high} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			ps.Add(at, "give four numbers", "%v is not a number", v)
			return
		}
	}
	if rawLow == rawHigh {
		ps.Add(at, "give two different raw numbers", "the raw span from %v to %v is empty", rawLow, rawHigh)
	}
	if low == high {
		ps.Add(at, "give two different values", "the span from %v to %v is empty, so every reading would be the same", low, high)
	}
}
