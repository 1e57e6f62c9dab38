package modbus

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// soundOptions returns options with nothing wrong.
func soundOptions() Options {
	tcp := DefaultLink(TCP)
	tcp.ID, tcp.Address = "pump-house", "192.0.2.10:502"
	d := DefaultDevice()
	d.ID, d.Unit = "io", 1
	d.Points = []PointMap{
		{Point: "A1-level", Table: Holding, Address: 0, Decode: Decode{Type: Uint16, Span: &Span{0, 1, 0, 1e-4}}},
		{Point: "A1-valve", Table: Coils, Address: 3, Decode: Decode{Type: Bit}},
	}
	tcp.Devices = []Device{d}
	line := DefaultLink(Serial)
	line.ID, line.Path, line.Baud, line.DataBits, line.Parity, line.StopBits = "rs485", "/dev/ttyUSB0", 9600, 8, ParityEven, 1
	e := DefaultDevice()
	e.ID, e.Unit = "level", 7
	h := DefaultHead()
	e.Points = []PointMap{{Point: "B1-level", Table: Input, Address: 10, Decode: Decode{Type: Float32, Order: CDAB, Head: &h}}}
	line.Devices = []Device{e}
	return Options{Links: []Link{tcp, line}}
}

func TestValidateAcceptsASoundFile(t *testing.T) {
	require.Empty(t, soundOptions().Validate())
}

func TestValidateNamesEachMistake(t *testing.T) {
	rows := []struct {
		name string
		edit func(*Options)
		path string
		what string
	}{
		{"id twice", func(o *Options) { o.Links[1].ID = "io" }, "links[1].id", "already used"},
		{"reserved id", func(o *Options) { o.Links[0].ID = "events" }, "links[0].id", "reserved"},
		{"no port", func(o *Options) { o.Links[0].Address = "pump" }, "links[0].address", "host:port"},
		{"port zero", func(o *Options) { o.Links[0].Address = "pump:0" }, "links[0].address", "port"},
		{"unknown kind", func(o *Options) { o.Links[0].Kind = "udp" }, "links[0].kind", "kind of link"},
		{"same line twice", func(o *Options) { o.Links[0].Kind, o.Links[0].Path, o.Links[0].Address = Serial, "/dev/ttyUSB0", "" }, "links[1]", "already used"},
		{"parity left out", func(o *Options) { o.Links[1].Parity = "" }, "links[1].parity", "not a parity"},
		{"baud left out", func(o *Options) { o.Links[1].Baud = 0 }, "links[1].baud", "needs its baud"},
		{"stop bits left out", func(o *Options) { o.Links[1].StopBits = 0 }, "links[1].stop_bits", "stop bits"},
		{"seven data bits", func(o *Options) { o.Links[1].DataBits = 7 }, "links[1].data_bits", "RTU"},
		{"RTS the same", func(o *Options) { o.Links[1].RS485 = &RS485{} }, "links[1].rs485", "same level"},
		{"listen on TCP", func(o *Options) { o.Links[0].Listen = time.Second }, "links[0]", "no other master"},
		{"unit zero on a line", func(o *Options) { o.Links[1].Devices[0].Unit = 0 }, "links[1].devices[0].unit", "broadcast"},
		{"unit 248", func(o *Options) { o.Links[0].Devices[0].Unit = 248 }, "links[0].devices[0].unit", "not a unit id"},
		{"any unit on a line", func(o *Options) { o.Links[1].Devices[0].AnyUnit = true }, "links[1].devices[0].any_unit", "apart"},
		{"time-out of nothing", func(o *Options) { o.Links[0].Devices[0].Timeout = 0 }, "links[0].devices[0].timeout", "outside"},
		{"126 registers", func(o *Options) { o.Links[0].Devices[0].MaxRegisters = 126 }, "links[0].devices[0].max_registers", "cannot be asked"},
		{"a form wider than the device gives", func(o *Options) { o.Links[1].Devices[0].MaxRegisters = 1 }, "links[1].devices[0].points[0].type", "at once"},
		{"point twice", func(o *Options) { o.Links[1].Devices[0].Points[0].Point = "A1-level" }, "links[1].devices[0].points[0].point", "already read"},
		{"4xxxx address of six digits", func(o *Options) { o.Links[0].Devices[0].Points[0].Address = 400006 }, "links[0].devices[0].points[0].address", "beyond"},
		{"last register of a float", func(o *Options) { o.Links[1].Devices[0].Points[0].Address = 65535 }, "links[1].devices[0].points[0].address", "beyond"},
		{"number in a coil", func(o *Options) { o.Links[0].Devices[0].Points[1].Decode.Type = Uint16 }, "links[0].devices[0].points[1].type", "one bit"},
		{"bit in a register", func(o *Options) { o.Links[0].Devices[0].Points[0].Decode = Decode{Type: Bit} }, "links[0].devices[0].points[0].type", "sixteen"},
		{"unknown order", func(o *Options) { o.Links[1].Devices[0].Points[0].Decode.Order = "ACBD" }, "links[1].devices[0].points[0].order", "order"},
		{"empty span", func(o *Options) { o.Links[0].Devices[0].Points[0].Decode.Span = &Span{4, 4, 0, 1} }, "links[0].devices[0].points[0].span", "empty"},
		{"span and loop", func(o *Options) { o.Links[0].Devices[0].Points[0].Decode.Loop = &Loop{4000, 20000, 4, 20, 0, 1} }, "links[0].devices[0].points[0]", "not both"},
		{"sea of mercury", func(o *Options) { o.Links[1].Devices[0].Points[0].Decode.Head.Density = 13600 }, "links[1].devices[0].points[0].density", "density"},
		{"absolute without barometer", func(o *Options) { o.Links[1].Devices[0].Points[0].Decode.Head.Absolute = true }, "links[1].devices[0].points[0].barometer", "weather"},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			o := soundOptions()
			r.edit(&o)
			ps := o.Validate()
			require.NotEmpty(t, ps)
			found := false
			for _, p := range ps {
				found = found || p.Path == r.path && strings.Contains(p.What, r.what)
				require.NotEmpty(t, p.Fix)
			}
			require.True(t, found, "%v", ps)
		})
	}
}

func TestReferenceExplainsManuals(t *testing.T) {
	rows := []struct {
		n       int
		address int
		table   Table
		ok      bool
	}{
		{40001, 0, Holding, true}, // V1.1b3, 4.4: data numbered X is addressed X-1
		{400001, 0, Holding, true},
		{40108, 107, Holding, true}, // V1.1b3, 6.3: registers 108-110 are addressed from 6Bh = 107
		{30009, 8, Input, true},     // V1.1b3, 6.4: input register 9 is address 8
		{465536, 65535, Holding, true},
		{40000, 0, "", false},
		{70001, 0, "", false},
		{107, 0, "", false},
	}
	for _, r := range rows {
		a, table, ok := Reference(r.n)
		require.Equal(t, r.ok, ok, "%d", r.n)
		require.Equal(t, r.address, a, "%d", r.n)
		require.Equal(t, r.table, table, "%d", r.n)
	}
}
