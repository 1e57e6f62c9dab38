package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/virtual"
)

// The site file that field prints is one that run accepts, names every point of the register
// map, and holds the club's beliefs, not the truth: areas up to 3 % and porosities up to 30 % off.
func TestFieldPrintsASiteFileThatLoads(t *testing.T) {
	truth := virtual.Default()
	f, err := virtual.New(truth)
	require.NoError(t, err)
	for _, args := range [][]string{
		{"field", "--site-file"},
		{"field", "--site-file", "--serial", "/dev/ttyUSB0", "--baud", "19200"},
		{"field", "--site-file", "--listen", "", "--rtu-listen", "127.0.0.1:1504"},
	} {
		var out, errs bytes.Buffer
		require.Equal(t, exitDone, run(t.Context(), args, nil, &out, &errs), errs.String())
		cfg, problems := sitefile.Load(out.Bytes(), "printed.yaml")
		require.Empty(t, problems, "%v\n%s", args, out.String())
		require.Empty(t, cfg.Runnable())
		require.Len(t, cfg.Site.Points, len(f.Registers()))
		for _, r := range f.Registers() {
			p := cfg.Site.Point(r.Point)
			require.NotNil(t, p, r.Point)
			require.Equal(t, []any{r.Bay, r.Quantity}, []any{p.Bay, p.Quantity}, r.Point)
			if r.Quantity == site.Volume {
				require.InEpsilon(t, r.Scale, p.PulseM3, 1e-9, r.Point)
				require.InEpsilon(t, r.Scale*r.Modulus, p.ModulusM3, 1e-9, r.Point)
			}
		}
		for _, court := range truth.Courts {
			for _, b := range court.Bays {
				believed := cfg.Site.Bay(b.ID)
				require.NotEqual(t, b.AreaM2, believed.AreaM2)
				require.InEpsilon(t, b.AreaM2, believed.AreaM2, 0.03, b.ID)
				for i, l := range b.Layers {
					require.InEpsilon(t, l.DrainablePorosity, believed.Layers[i].DrainablePorosity, 0.30, b.ID)
				}
				require.InDelta(t, b.SetPointM, believed.SetPointM, 1e-9)
				require.InDelta(t, b.CrestM, believed.CrestM, 1e-9)
			}
		}
	}
}

// The command serves what it says on the ports it prints, takes faults over its control line,
// and stops when it is told to.
func TestFieldServes(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	witness := filepath.Join(t.TempDir(), "witness.csv")
	reader, writer, err := os.Pipe()
	require.NoError(t, err)
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"field", "--listen", "127.0.0.1:0", "--control", "127.0.0.1:0", "--start", "2026-07-15T22:00:00Z", "--witness", witness}, nil, &bytes.Buffer{}, writer)
		writer.Close()
	}()
	said := make([]byte, 0, 4096)
	for !bytes.Contains(said, []byte("times real time")) {
		chunk := make([]byte, 512)
		n, err := reader.Read(chunk)
		require.NoError(t, err)
		said = append(said, chunk[:n]...)
	}
	at := regexp.MustCompile(`127\.0\.0\.1:\d+`).FindAllString(string(said), -1)
	require.Len(t, at, 2, string(said))

	h := modbus.NewTCPClientHandler(at[0])
	h.SlaveId, h.Timeout = 1, 20*time.Second
	c := modbus.NewClient(h)
	registers, err := c.ReadHoldingRegisters(0, 3)
	require.NoError(t, err)
	require.Equal(t, []byte{0x03, 0x20, 0x02, 0xd0, 0x03, 0x5c}, registers, "set points 80, 72, 86 mm")

	line, err := net.Dial("tcp", at[1])
	require.NoError(t, err)
	require.NoError(t, line.SetDeadline(time.Now().Add(20*time.Second)))
	_, err = line.Write([]byte("fault unit-silent 1\n"))
	require.NoError(t, err)
	ok := make([]byte, 3)
	_, err = line.Read(ok)
	require.NoError(t, err)
	require.Equal(t, "ok\n", string(ok))
	require.NoError(t, h.Close())
	require.NoError(t, line.Close())

	cancel()
	require.Equal(t, exitDone, <-code)
	text, err := os.ReadFile(witness)
	require.NoError(t, err)
	require.Equal(t, 3, strings.Count(string(text), "-setpoint,1,"))
	require.NoError(t, reader.Close())
}

// A file of what differs leaves the rest as it is without one: such a pump house begins now, with steps
// of a second, unless the file or a flag says otherwise. One that began months ago would have to catch up.
func TestFieldByAFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "house.json")
	summer, spring := time.Date(2026, 7, 15, 22, 0, 0, 0, time.UTC), time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC)
	for text, want := range map[string]struct {
		start time.Time
		step  time.Duration
		flags fieldCmd
	}{
		`{"supply": {"master": true}}`:                       {time.Time{}, time.Second, fieldCmd{}},
		`{"start": "2026-04-01T06:00:00Z", "step": "500ms"}`: {spring, time.Second / 2, fieldCmd{}},
		`{"start": "2026-04-01T06:00:00Z", "step": "200ms"}`: {summer, 2 * time.Second, fieldCmd{Start: summer, Step: "2s"}},
	} {
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		c := want.flags
		c.Config, c.Speed = file, 1
		before := time.Now().Truncate(time.Second)
		cfg, err := c.config()
		require.NoError(t, err)
		require.Equal(t, want.step, time.Duration(cfg.Step), text)
		if want.start.IsZero() {
			require.WithinRange(t, cfg.Start, before, time.Now(), text)
			require.Zero(t, c.Start, "it goes by the machine's clock")
			continue
		}
		require.Equal(t, want.start, cfg.Start, text)
		require.Equal(t, want.start, c.Start, "its clock begins there")
	}
}

// What the user got wrong ends with exit code 2 and says what would be right.
func TestFieldRefuses(t *testing.T) {
	config := filepath.Join(t.TempDir(), "house.json")
	require.NoError(t, os.WriteFile(config, []byte(`{"pumps": 3}`), 0o600))
	for says, args := range map[string][]string{
		"--kinds lists them": {"--fault", "gremlin:A1"},
		"--fault leak:Z1: there is no bay \"Z1\"; its bays are A1, A2, A3, B1, B2, B3": {"--fault", "leak:Z1", "--site-file"},
		"above 0":             {"--speed", "0"},
		"not a duration":      {"--step", "long"},
		"between 100ms":       {"--step", "1m"},
		"unknown field":       {"--config", config},
		"write them as A1+A2": {"--fault", "seepage:A1"},
	} {
		var out, errs bytes.Buffer
		require.Equal(t, exitInput, run(t.Context(), append([]string{"field"}, args...), nil, &out, &errs), says)
		require.Contains(t, errs.String(), says)
		require.Empty(t, out.String())
	}
}
