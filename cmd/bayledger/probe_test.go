package main

import (
	"bytes"
	"encoding/json"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	theirs "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/modbus"
)

// bench is a device on simonvetter/modbus' server, which shares no code with ours: unit 5 has
// sixteen holding registers, of which number 3 is a hole and number 9 counts.
type bench struct {
	reads  atomic.Uint32
	writes atomic.Uint32
}

func (b *bench) HandleCoils(r *theirs.CoilsRequest) ([]bool, error) {
	if r.IsWrite {
		b.writes.Add(1)
	}
	return nil, theirs.ErrIllegalFunction
}

func (b *bench) HandleDiscreteInputs(*theirs.DiscreteInputsRequest) ([]bool, error) {
	return nil, theirs.ErrIllegalFunction
}

func (b *bench) HandleInputRegisters(*theirs.InputRegistersRequest) ([]uint16, error) {
	return nil, theirs.ErrIllegalFunction
}

func (b *bench) HandleHoldingRegisters(r *theirs.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		b.writes.Add(1)
		return nil, theirs.ErrIllegalFunction
	}
	if r.UnitId != 5 {
		return nil, theirs.ErrGWTargetFailedToRespond
	}
	var out []uint16
	for a := int(r.Addr); a < int(r.Addr)+int(r.Quantity); a++ {
		switch {
		case a == 3 || a > 15:
			return nil, theirs.ErrIllegalDataAddress
		case a == 9:
			out = append(out, uint16(b.reads.Add(1)))
		case a == 6:
			out = append(out, 635)
		default:
			out = append(out, uint16(a))
		}
	}
	return out, nil
}

func probeArgs(t *testing.T, args ...string) *probeCmd {
	t.Helper()
	var c struct {
		Probe probeCmd `cmd:""`
	}
	parser, err := kong.New(&c)
	require.NoError(t, err)
	_, err = parser.Parse(append([]string{"probe"}, args...))
	require.NoError(t, err)
	return &c.Probe
}

func TestProbeFindsTheReadingOnTheDisplay(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	at := ln.Addr().String()
	require.NoError(t, ln.Close())
	b := &bench{}
	server, err := theirs.NewServer(&theirs.ServerConfiguration{URL: "tcp://" + at, Timeout: time.Minute, MaxClients: 4}, b)
	require.NoError(t, err)
	require.NoError(t, server.Start())
	t.Cleanup(func() { server.Stop() })

	var stdout, stderr bytes.Buffer
	c := probeArgs(t, "--tcp", at, "--units", "4-6", "--count", "24", "--shows", "63.5 mm", "--every", "1ms", "--pause", "0s", "--json")
	require.NoError(t, c.Run(&environment{Ctx: t.Context(), Stdout: &stdout, Stderr: &stderr}))
	var got probed
	require.NoError(t, json.Unmarshal(stdout.Bytes(), &got))
	require.Len(t, got.Units, 1)
	u := got.Units[0]
	require.Equal(t, 5, u.Unit)
	require.Len(t, u.Tables, 4)
	for _, x := range u.Tables {
		if x.Table != "holding" {
			require.Empty(t, x.Registers)
			require.Contains(t, x.Note, "refuses every address")
			continue
		}
		require.Len(t, x.Registers, 15, "all but the hole")
		for _, r := range x.Registers {
			require.Equal(t, r.Address == 9, r.Changed, "register %d", r.Address)
		}
	}
	require.Equal(t, 6, u.Guesses[0].Address)
	require.Equal(t, "level: { device: unit-5, table: holding, address: 6, type: int16, unit: 0.1 mm }", u.Guesses[0].Line)

	stdout.Reset()
	c = probeArgs(t, "--tcp", at, "--units", "5", "--count", "16", "--shows", "63.5 mm", "--every", "1ms", "--pause", "0s")
	require.NoError(t, c.Run(&environment{Ctx: t.Context(), Stdout: &stdout, Stderr: &stderr}))
	require.Contains(t, stdout.String(), "9*")
	require.Contains(t, stdout.String(), "int16 635")
	require.Contains(t, stdout.String(), u.Guesses[0].Line)
	require.Contains(t, stdout.String(), got.Links)
	require.Zero(t, b.writes.Load())

	// The lines stand in a site file as they are, and mean what was found.
	text := `site: { id: club, zone: UTC }
courts:
  - id: A
    bays:
      - id: A1
        area: 92 m2
        layers: [{ name: stone, depth: 115 mm, porosity: 0.30 }]
        overflow: none
        set_point: 82 mm
        points:
          ` + u.Guesses[0].Line + "\n" + got.Links
	cfg, problems := sitefile.Load([]byte(text), "probed.yaml")
	require.Empty(t, problems)
	require.Equal(t, at, cfg.Modbus.Links[0].Address)
	d := cfg.Modbus.Links[0].Devices[0]
	require.Equal(t, 5, d.Unit)
	require.Equal(t, "A1-level", d.Points[0].Point)
	level, _ := d.Points[0].Decode.Value([]byte{0x02, 0x7B}, 0) // 635
	require.InDelta(t, 0.0635, level, 1e-12)
}

// TestProbeLinesOfEachKind: what is printed for each dimension and each kind of line loads in the
// part of the site file that is named with it.
func TestProbeLinesOfEachKind(t *testing.T) {
	shows := map[site.Dimension]string{site.Length: "63.5 mm", site.Cubic: "63.5 L", site.Discharge: "63.5 L/min", site.Temperature: "63.5 degC",
		site.Stress: "63.5 kPa", site.Speed: "63.5 m/s", site.Irradiance: "63.5 W/m2", site.Ratio: "63.5 %"}
	require.Len(t, places, len(shows))
	serial := modbus.DefaultLink(modbus.Serial)
	serial.Path, serial.Baud, serial.Parity, serial.StopBits = "/dev/serial/by-id/usb-adapter", 9600, modbus.ParityEven, 1
	converter := modbus.DefaultLink(modbus.RTUOverTCP)
	converter.Address, converter.Baud = "192.0.2.20:4001", 19200
	for _, l := range []modbus.Link{serial, converter} {
		under, address := map[string]string{}, 0
		for d, text := range shows {
			u := &probedUnit{Unit: 7, Device: "unit-7", Tables: []*probedTable{{Table: modbus.Input, now: map[int]uint16{address: 635}}}}
			c := &probeCmd{Shows: []string{text}}
			dimension, err := dimensionOf(text)
			require.NoError(t, err)
			require.Equal(t, d, dimension)
			require.NoError(t, c.guess(u, []site.Dimension{d}))
			require.NotEmpty(t, u.Guesses, text)
			g := u.Guesses[0]
			indent := "    "
			if g.Under == "points: of a bay" {
				indent = "          "
			}
			under[g.Under] += indent + g.Line + "\n"
			address += 10
		}
		text := "site: { id: club, zone: UTC, latitude: 48, longitude: 14 }\nsupply:\n  points:\n" + under["points: of supply:"] +
			"weather:\n  points:\n" + under["points: of weather:"] + `courts:
  - id: A
    bays:
      - id: A1
        area: 92 m2
        layers: [{ name: stone, depth: 115 mm, porosity: 0.30 }]
        overflow: none
        set_point: 82 mm
        points:
` + under["points: of a bay"] + linkLines(l, []*probedUnit{{Unit: 7, Device: "unit-7"}})
		cfg, problems := sitefile.Load([]byte(text), "probed.yaml")
		require.Empty(t, problems, text)
		require.Len(t, cfg.Site.Points, len(shows))
		require.Equal(t, l.Kind, cfg.Modbus.Links[0].Kind)
		require.Equal(t, l.Baud, cfg.Modbus.Links[0].Baud)
	}
}

// TestProbeOfADeviceThatAnswersToAnyUnit: it is one device, and is shown once.
func TestProbeOfADeviceThatAnswersToAnyUnit(t *testing.T) {
	a := &probedUnit{Tables: []*probedTable{{Table: modbus.Holding, now: map[int]uint16{1: 2}}}}
	b := &probedUnit{Tables: []*probedTable{{Table: modbus.Holding, now: map[int]uint16{1: 2}}}}
	require.True(t, a.same(b))
	b.Tables[0].now[1] = 3
	require.False(t, a.same(b))
	a.Tables[0].now, b.Tables[0].now = nil, nil
	require.False(t, a.same(b), "two that refuse everything may still be two")
}

func TestProbeSaysWhatIsWrongWithItsArguments(t *testing.T) {
	for name, args := range map[string][]string{
		"a range backwards":          {"--tcp", "127.0.0.1:502", "--units", "9-1"},
		"a manual's address":         {"--tcp", "127.0.0.1:502", "--from", "40001"},
		"a reading without its unit": {"--tcp", "127.0.0.1:502", "--shows", "63.5 furlongs"},
		"a line without its speed":   {"--serial", "/dev/ttyUSB0", "--parity", "even"},
		"a line without its parity":  {"--serial", "/dev/ttyUSB0", "--baud", "9600"},
	} {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			err := probeArgs(t, args...).Run(&environment{Ctx: t.Context(), Stdout: &out, Stderr: &out})
			require.Error(t, err)
			require.Equal(t, exitInput, exitCode(err, &out))
		})
	}
}
