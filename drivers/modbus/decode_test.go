package modbus

import (
	"encoding/binary"
	"math"
	"testing"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

func TestDecode(t *testing.T) {
	head := func(edit func(*Head)) *Head {
		h := DefaultHead()
		h.Density = 1000
		edit(&h)
		return &h
	}
	nan := math.NaN()
	rows := []struct {
		name   string
		decode Decode
		data   []byte
		air    float64
		want   float64
		tol    float64
		why    site.Why
	}{
		// IEEE 754: 123.456 as float32 is 42F6E979h, -1.5 is BFC00000h; pi as float64 is
		// 400921FB54442D18h (computed with Python's struct).
		{name: "float32 ABCD", decode: Decode{Type: Float32}, data: []byte{0x42, 0xF6, 0xE9, 0x79}, want: 123.456, tol: 4e-6},
		{name: "float32 CDAB", decode: Decode{Type: Float32, Order: CDAB}, data: []byte{0xE9, 0x79, 0x42, 0xF6}, want: 123.456, tol: 4e-6},
		{name: "float32 BADC", decode: Decode{Type: Float32, Order: BADC}, data: []byte{0xF6, 0x42, 0x79, 0xE9}, want: 123.456, tol: 4e-6},
		{name: "float32 DCBA", decode: Decode{Type: Float32, Order: DCBA}, data: []byte{0x79, 0xE9, 0xF6, 0x42}, want: 123.456, tol: 4e-6},
		{name: "float64", decode: Decode{Type: Float64}, data: []byte{0x40, 0x09, 0x21, 0xFB, 0x54, 0x44, 0x2D, 0x18}, want: math.Pi},
		{name: "float64 least word first", decode: Decode{Type: Float64, Order: CDAB}, data: []byte{0x2D, 0x18, 0x54, 0x44, 0x21, 0xFB, 0x40, 0x09}, want: math.Pi},
		{name: "float64 all backwards", decode: Decode{Type: Float64, Order: DCBA}, data: []byte{0x18, 0x2D, 0x44, 0x54, 0xFB, 0x21, 0x09, 0x40}, want: math.Pi},
		{name: "NaN", decode: Decode{Type: Float32}, data: []byte{0x7F, 0xC0, 0, 0}, why: site.WhyNotFinite},
		{name: "infinity", decode: Decode{Type: Float32}, data: []byte{0x7F, 0x80, 0, 0}, why: site.WhyNotFinite},
		// V1.1b3, 6.3: registers 555, 0, 100; 6.4: 10.
		{name: "uint16 of the specification", decode: Decode{Type: Uint16}, data: []byte{0x02, 0x2B}, want: 555},
		{name: "uint16 with its bytes swapped", decode: Decode{Type: Uint16, Order: BADC}, data: []byte{0x2B, 0x02}, want: 555},
		{name: "int16 below nothing", decode: Decode{Type: Int16}, data: []byte{0xFF, 0xFE}, want: -2},
		{name: "int32", decode: Decode{Type: Int32}, data: []byte{0xFF, 0xFF, 0xFF, 0xFE}, want: -2},
		{name: "uint32 least word first", decode: Decode{Type: Uint32, Order: CDAB}, data: []byte{0x00, 0x01, 0x00, 0x02}, want: 131073},
		{name: "int64", decode: Decode{Type: Int64}, data: []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFD}, want: -3},
		{name: "uint64", decode: Decode{Type: Uint64}, data: []byte{0, 0, 0, 1, 0, 0, 0, 0}, want: 4294967296},
		{name: "BCD", decode: Decode{Type: BCD16}, data: []byte{0x12, 0x34}, want: 1234},
		{name: "BCD of eight digits", decode: Decode{Type: BCD32}, data: []byte{0x12, 0x34, 0x56, 0x78}, want: 12345678},
		{name: "BCD with words swapped", decode: Decode{Type: BCD32, Order: CDAB}, data: []byte{0x56, 0x78, 0x12, 0x34}, want: 12345678},
		{name: "a digit that is none", decode: Decode{Type: BCD16}, data: []byte{0x12, 0x3A}, why: site.WhyDecode},
		{name: "too few registers", decode: Decode{Type: Float32}, data: []byte{1, 2, 3}, why: site.WhyDecode},
		// V1.1b3, 6.1: CDh is outputs 27..20, the least significant bit is 20.
		{name: "bit 0 of CD", decode: Decode{Type: BitOf, Bit: 0}, data: []byte{0x00, 0xCD}, want: 1},
		{name: "bit 1 of CD", decode: Decode{Type: BitOf, Bit: 1}, data: []byte{0x00, 0xCD}, want: 0},
		{name: "bit 15", decode: Decode{Type: BitOf, Bit: 15}, data: []byte{0x80, 0x00}, want: 1},
		{name: "bit inverted", decode: Decode{Type: Bit, Invert: true}, data: []byte{1}, want: 0},
		{name: "sentinel as a pattern", decode: Decode{Type: Int16, Sentinels: []float64{0x8000}}, data: []byte{0x80, 0x00}, why: site.WhySentinel},
		{name: "sentinel as a number", decode: Decode{Type: Int16, Sentinels: []float64{-32768}}, data: []byte{0x80, 0x00}, why: site.WhySentinel},
		{name: "sentinel of a float", decode: Decode{Type: Float32, Sentinels: []float64{1e38}}, data: binary.BigEndian.AppendUint32(nil, math.Float32bits(1e38)), why: site.WhySentinel},
		{name: "sentinel that is no decimal digit", decode: Decode{Type: BCD16, Sentinels: []float64{0xFFFF}}, data: []byte{0xFF, 0xFF}, why: site.WhySentinel},
		{name: "beside the sentinel", decode: Decode{Type: Uint16, Sentinels: []float64{0xFFFF}}, data: []byte{0xFF, 0xFE}, want: 65534},
		{name: "span", decode: Decode{Type: Uint16, Span: &Span{0, 27648, 0, 0.25}}, data: []byte{0x36, 0x00}, want: 0.125, tol: 1e-15},
		{name: "span that falls", decode: Decode{Type: Int16, Span: &Span{0, 100, 1, 0}}, data: []byte{0, 25}, want: 0.75, tol: 1e-15},
		{name: "not clipped beyond the span", decode: Decode{Type: Int16, Span: &Span{0, 100, 0, 1}}, data: []byte{0, 150}, want: 1.5, tol: 1e-15},
		// p = rho g h with 1000 kg/m3 and 9.80665 m/s2: 9806.65 Pa is one metre of water.
		{name: "head, vented", decode: Decode{Type: Uint32, Span: &Span{0, 1, 0, 0.01}, Head: head(func(h *Head) { h.MountM = 0.02 })}, data: []byte{0, 0x0E, 0xF6, 0xB9}, want: 1.02, tol: 1e-9},
		{name: "head, absolute", decode: Decode{Type: Uint32, Head: head(func(h *Head) { h.Absolute, h.Barometer = true, "baro" })}, data: binary.BigEndian.AppendUint32(nil, 101325+9807), air: 101325, want: 9807 / 9806.65, tol: 1e-12},
		{name: "head, absolute, no barometer", decode: Decode{Type: Uint32, Head: head(func(h *Head) { h.Absolute, h.Barometer = true, "baro" })}, data: []byte{0, 1, 0xB2, 0}, air: nan, why: site.WhyBarometerOut},
		{name: "distance to the water", decode: Decode{Type: Uint16, Span: &Span{0, 1, 0, 1e-3}, Distance: &Distance{MountM: 0.5}}, data: []byte{0x01, 0x90}, want: 0.1, tol: 1e-12},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			v, why := r.decode.Value(r.data, r.air)
			require.Equal(t, r.why, why)
			if r.why != "" {
				require.True(t, math.IsNaN(v))
				return
			}
			require.InDelta(t, r.want, v, r.tol)
		})
	}
}

// TestLoopByNAMUR holds the decoder against the table of NE 43 as two manufacturers' pages quote
// it (valid 3.8 to 20.5 mA, failure below 3.6 and above 21, no value between), scaling x = lo + (I-4)/16 (hi-lo).
func TestLoopByNAMUR(t *testing.T) {
	d := Decode{Type: Uint16, Loop: &Loop{0, 22000, 0, 22, 0, 1}} // microampere, 4-20 mA is 0-1000 mm
	rows := []struct {
		uA   uint16
		want float64 // mm
		why  site.Why
	}{
		{0, 0, site.WhyLoopFault}, // a broken wire
		{3599, 0, site.WhyLoopFault},
		{3600, 0, site.WhyLoopFault},
		{3601, 0, site.WhyLoopGap},
		{3799, 0, site.WhyLoopGap},
		{3800, -12.5, ""},
		{4000, 0, ""},
		{12000, 500, ""},
		{20000, 1000, ""},
		{20500, 1031.25, ""},
		{20501, 0, site.WhyLoopGap},
		{20999, 0, site.WhyLoopGap},
		{21000, 0, site.WhyLoopFault},
		{22000, 0, site.WhyLoopFault},
	}
	for _, r := range rows {
		v, why := d.Value(binary.BigEndian.AppendUint16(nil, r.uA), math.NaN())
		require.Equal(t, r.why, why, "%d uA", r.uA)
		require.Equal(t, why != "", math.IsNaN(v), "%d uA", r.uA)
		if why == "" {
			require.InDelta(t, r.want/1000, v, 1e-12, "%d uA", r.uA)
		}
	}
}

// TestOrdersAreTheirOwnInverse: applied twice, every order gives back what it was given.
func TestOrdersAreTheirOwnInverse(t *testing.T) {
	for _, o := range Orders {
		for _, n := range []int{2, 4, 8} {
			src := []byte{1, 2, 3, 4, 5, 6, 7, 8}[:n]
			once, twice := make([]byte, n), make([]byte, n)
			o.put(once, src)
			o.put(twice, once)
			require.Equal(t, src, twice, "%s %d", o, n)
		}
	}
}

// FuzzDecode: every form, order and scaling gives a finite value within what the numbers allow, or
// none with its reason. Named seeds are in testdata/fuzz.
func FuzzDecode(f *testing.F) {
	f.Fuzz(func(t *testing.T, form, order, scale uint8, data []byte, rawLow, rawHigh, low, high float64) {
		d := Decode{Type: Types[int(form)%len(Types)], Order: Orders[int(order)%4]}
		p := PointMap{Point: "p", Table: Holding}
		switch {
		case d.Type == Bit:
			p.Table = Coils
		case d.Type == BitOf:
			d.Bit = int(scale) % 16
		case scale%4 == 0:
			d.Span = &Span{rawLow, rawHigh, low, high}
		case scale%4 == 1:
			d.Loop = &Loop{rawLow, rawHigh, 4, 20, low, high}
		case scale%4 == 2:
			h := DefaultHead()
			h.MountM, h.Absolute, h.Barometer = low, true, "air"
			d.Head = &h
		default:
			d.Distance = &Distance{low}
		}
		p.Decode = d
		l := soundOptions()
		l.Links[0].Devices[0].Points = []PointMap{p}
		if len(l.Validate()) > 0 {
			return
		}
		v, why := p.Decode.Value(data, 101325)
		require.Equal(t, why != site.WhyNone, math.IsNaN(v))
		require.False(t, math.IsInf(v, 0))
		if why == "" && d.Loop != nil {
			// A measurement lies between 3.8 and 20.5 mA, so within 1.25 % below and 3.125 % above.
			share := (v - low) / (high - low)
			require.True(t, !(share < -0.0126 || share > 1.0313) || math.Abs(high-low) < 1e-9*math.Abs(low), "%v of the span", share)
		}
	})
}
