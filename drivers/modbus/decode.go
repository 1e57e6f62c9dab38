package modbus

import (
	"encoding/binary"
	"math"

	"bayledger/agent/site"
)

// NAMUR NE 43 limits in milliampere: a current in [loopValidLow, loopValidHigh] is a
// measurement, one at or beyond loopFailLow or loopFailHigh a failed transmitter or a broken
// wire. What lies between says neither, so it has no value either.
const (
	loopFailLow   = 3.6
	loopValidLow  = 3.8
	loopValidHigh = 20.5
	loopFailHigh  = 21.0
)

// Value turns registers (or, for Bit, one byte that is 0 or 1) as they came into the point's
// value in SI. data holds at least Type.Registers() registers of two bytes, high byte first as
// the specification sends them; what follows is not looked at, and too little of it is
// undecodable. airPa is the air pressure for an absolute Head, NaN when it is not known.
//
// Where there is no value it is NaN, with the reason. A current of a Loop between NE 43's valid
// range and its failure limits has none either, but a reason of its own: a loop that passes
// through it for a moment has not failed. Bounds of the point are not looked at here.
func (d *Decode) Value(data []byte, airPa float64) (float64, site.Why) {
	raw, why := d.Number(data)
	if why != site.WhyNone {
		return math.NaN(), why
	}
	v := raw
	switch {
	case d.Span != nil:
		s := d.Span
		v = linear(raw, s.RawLow, s.RawHigh, s.Low, s.High)
	case d.Loop != nil:
		l := d.Loop
		mA := linear(raw, l.RawLow, l.RawHigh, l.MALow, l.MAHigh)
		switch {
		case !(mA > loopFailLow && mA < loopFailHigh):
			return math.NaN(), site.WhyLoopFault
		case mA < loopValidLow || mA > loopValidHigh:
			return math.NaN(), site.WhyLoopGap
		}
		v = linear(mA, 4, 20, l.Low, l.High)
	}
	switch {
	case d.Head != nil:
		h := d.Head
		if h.Absolute {
			if !site.Known(airPa) {
				return math.NaN(), site.WhyBarometerOut
			}
			v -= airPa
		}
		v = h.MountM + v/(h.Density*h.Gravity)
	case d.Distance != nil:
		v = d.Distance.MountM - v
	}
	if !site.Known(v) {
		return math.NaN(), site.WhyNotFinite
	}
	return v, site.WhyNone
}

// linear maps rawLow to low and rawHigh to high. The conversions keep arm64 from fusing the
// product and the sum, so that every machine journals the same figure.
func linear(raw, rawLow, rawHigh, low, high float64) float64 {
	if rawLow == 0 && rawHigh == 1 {
		return low + float64(raw*(high-low))
	}
	return low + float64((raw-rawLow)/(rawHigh-rawLow)*(high-low))
}

// Number returns the number in the registers before any scaling, or why there is none: a
// sentinel, a float that is not finite, a digit that is not decimal, too little data. Whole
// numbers beyond 2^53 are rounded to the nearest float64.
func (d *Decode) Number(data []byte) (float64, site.Why) {
	if d.Type == Bit {
		if len(data) < 1 {
			return math.NaN(), site.WhyDecode
		}
		return d.bit(uint16(data[0])), site.WhyNone
	}
	n := 2 * d.Type.Registers()
	if n == 0 || len(data) < n {
		return math.NaN(), site.WhyDecode
	}
	var b [8]byte
	d.Order.put(b[:n], data[:n])
	if d.Type == BitOf {
		return d.bit(binary.BigEndian.Uint16(b[:]) >> d.Bit), site.WhyNone
	}
	var pattern uint64
	for _, x := range b[:n] {
		pattern = pattern<<8 | uint64(x)
	}
	whole := true
	var v float64
	ok := true
	switch d.Type {
	case Int16:
		v = float64(int16(pattern))
	case Int32:
		v = float64(int32(pattern))
	case Int64:
		v = float64(int64(pattern))
	case Uint16, Uint32, Uint64:
		v = float64(pattern)
	case Float32:
		v, whole = float64(math.Float32frombits(uint32(pattern))), false
	case Float64:
		v, whole = math.Float64frombits(pattern), false
	case BCD16, BCD32:
		v, ok = decimal(pattern)
	}
	for _, s := range d.Sentinels {
		if v == s || whole && s >= 0 && float64(pattern) == s || d.Type == Float32 && v == float64(float32(s)) {
			return math.NaN(), site.WhySentinel
		}
	}
	switch {
	case !ok:
		return math.NaN(), site.WhyDecode
	case !site.Known(v):
		return math.NaN(), site.WhyNotFinite
	}
	return v, site.WhyNone
}

func (d *Decode) bit(x uint16) float64 {
	if (x&1 == 1) != d.Invert {
		return 1
	}
	return 0
}

// decimal reads a nibble per digit, most significant first.
func decimal(pattern uint64) (float64, bool) {
	var n uint64
	for shift := 60; shift >= 0; shift -= 4 {
		digit := pattern >> shift & 0xF
		if digit > 9 {
			return math.NaN(), false
		}
		n = n*10 + digit
	}
	return float64(n), true
}

// put copies src to dst, both of the same even length, so that the most significant byte comes
// first.
func (o Order) put(dst, src []byte) {
	n := len(src)
	for i := range n {
		j := i
		switch o {
		case CDAB:
			j = n - 2 - i + 2*(i%2) // words backwards, bytes of a word as they are
		case BADC:
			j = i ^ 1
		case DCBA:
			j = n - 1 - i
		}
		dst[i] = src[j]
	}
}
