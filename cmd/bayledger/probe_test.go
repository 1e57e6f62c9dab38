package main

import (
	"bytes"
	"encoding/json"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// bench is a device on simonvetter/modbus' server, which shares no code with ours: unit 5 has
// sixteen holding registers, of which number 3 is a hole and number 9 counts.
type bench struct {
	reads  atomic.Uint32
	writes atomic.Uint32
}

func (b *bench) HandleCoils(r *modbus.CoilsRequest) ([]bool, error) {
	if r.IsWrite {
		b.writes.Add(1)
	}
	return nil, modbus.ErrIllegalFunction
}

func (b *bench) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}

func (b *bench) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}

func (b *bench) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		b.writes.Add(1)
		return nil, modbus.ErrIllegalFunction
	}
	if r.UnitId != 5 {
		return nil, modbus.ErrGWTargetFailedToRespond
	}
	var out []uint16
	for a := int(r.Addr); a < int(r.Addr)+int(r.Quantity); a++ {
		switch {
		case a == 3 || a > 15:
			return nil, modbus.ErrIllegalDataAddress
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
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + at, Timeout: time.Minute, MaxClients: 4}, b)
	require.NoError(t, err)
	require.NoError(t, server.Start())
	t.Cleanup(func() { server.Stop() })

	var stdout, stderr bytes.Buffer
	c := probeArgs(t, "--tcp", at, "--units", "4-6", "--count", "24", "--shows", "63.5 mm", "--every", "1ms", "--pause", "0s", "--json")
	require.NoError(t, c.Run(&environment{Ctx: t.Context(), Stdout: &stdout, Stderr: &stderr}))
	var got struct {
		Units []struct {
			Unit      int
			Registers []struct {
				Address int
				Changed bool
			}
			Guesses []struct {
				Address int
				Lines   string
				Reason  string
			}
		}
	}
	require.NoError(t, json.Unmarshal(stdout.Bytes(), &got))
	require.Len(t, got.Units, 1)
	u := got.Units[0]
	require.Equal(t, 5, u.Unit)
	require.Len(t, u.Registers, 15, "all but the hole")
	for _, r := range u.Registers {
		require.Equal(t, r.Address == 9, r.Changed, "register %d", r.Address)
	}
	require.Equal(t, 6, u.Guesses[0].Address)
	require.Equal(t, "{ table: holding, address: 6, type: int16, unit: 0.1 mm }", u.Guesses[0].Lines)

	stdout.Reset()
	c = probeArgs(t, "--tcp", at, "--units", "5", "--count", "16", "--shows", "63.5 mm", "--every", "1ms", "--pause", "0s")
	require.NoError(t, c.Run(&environment{Ctx: t.Context(), Stdout: &stdout, Stderr: &stderr}))
	require.Contains(t, stdout.String(), "9*")
	require.Contains(t, stdout.String(), "int16 635")
	require.Zero(t, b.writes.Load())
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
