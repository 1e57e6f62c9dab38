package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sync/errgroup"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// fieldCmd serves the virtual pump house alone.
type fieldCmd struct {
	Config  string    `type:"existingfile" help:"JSON of what differs from the default pump house."`
	Listen  string    `default:"127.0.0.1:1502" placeholder:"HOST:PORT" help:"Modbus TCP address, 127.0.0.1:1502 if not given; empty for none."`
	Rtu     string    `name:"rtu-listen" placeholder:"HOST:PORT" help:"Address for RTU frames over TCP."`
	Serial  string    `placeholder:"DEVICE" help:"Serial device or pty for Modbus RTU, in place of --listen unless that is given."`
	Baud    int       `default:"19200" help:"Speed of the serial line."`
	Parity  string    `default:"even" enum:"none,even,odd" help:"Parity of the serial line: none, even or odd."`
	Control string    `placeholder:"HOST:PORT" help:"Loopback address of the control line, for faults while it runs. Send it the line: help."`
	Seed    uint64    `help:"Seed of weather and noise."`
	Speed   float64   `default:"1" help:"How many times faster than real time the model runs."`
	Start   time.Time `placeholder:"TIME" help:"RFC 3339 moment at which it begins; now if neither this nor --config gives one."`
	Step    string    `placeholder:"DURATION" help:"Internal step; 1s if neither this nor --config gives one."`
	Fault   []string  `sep:"none" placeholder:"KIND:PLACE:FROM:TO[:SIZE]" help:"A fault by schedule, repeatable. FROM and TO are durations after the start or moments such as 20260715T014000Z, empty for start and never."`
	Witness string    `type:"path" placeholder:"FILE" help:"Append every point served to this file: time, point, count, value."`

	Registers bool `help:"Print the register map and leave."`
	SiteFile  bool `help:"Print the site file that goes with it and leave."`
	Kinds     bool `help:"Print the kinds of fault and leave."`
}

// config is the pump house the flags ask for.
func (c *fieldCmd) config() (virtual.Config, error) {
	cfg := virtual.Default()
	cfg.Start = time.Time{}
	if c.Config != "" {
		file, err := os.Open(c.Config)
		if err != nil {
			return cfg, badInput(err)
		}
		defer file.Close()
		if cfg, err = virtual.ReadConfig(file, cfg); err != nil {
			return cfg, badInput(fmt.Errorf("%s: %w", c.Config, err))
		}
	}
	switch {
	case !c.Start.IsZero():
		cfg.Start = c.Start.UTC()
	case cfg.Start.IsZero():
		cfg.Start = time.Now().UTC().Truncate(time.Second)
	default:
		c.Start = cfg.Start
	}
	if c.Seed != 0 {
		cfg.Seed = c.Seed
	}
	if c.Step != "" {
		if err := cfg.Step.UnmarshalText([]byte(c.Step)); err != nil {
			return cfg, badInput(fmt.Errorf("--step: %w", err))
		}
	}
	for _, text := range c.Fault {
		f, err := virtual.ParseFault(text, cfg.Start)
		if err != nil {
			return cfg, badInput(err)
		}
		cfg.Faults = append(cfg.Faults, f)
	}
	if !(c.Speed > 0) {
		return cfg, badInput(fmt.Errorf("--speed: %v is not possible; give a number above 0", c.Speed))
	}
	return cfg, nil
}

// faultsByFlag names a fault that came by --fault by what was typed: its place in the list of all
// faults is nothing anybody wrote.
func (c *fieldCmd) faultsByFlag(err error, cfg virtual.Config) error {
	problems, ok := errors.AsType[site.Problems](err)
	if !ok {
		return err
	}
	for i := range problems {
		for j, text := range c.Fault {
			if strings.HasPrefix(problems[i].Path, fmt.Sprintf("faults[%d].", len(cfg.Faults)-len(c.Fault)+j)) {
				problems[i].Path = "--fault " + text
			}
		}
	}
	return problems
}

// line is how the site file reaches what is served.
func (c *fieldCmd) line() virtual.Line {
	switch {
	case c.Serial != "":
		return virtual.Line{Kind: "serial", Address: c.Serial, Baud: c.Baud, Parity: c.Parity}
	case c.Rtu != "" && c.Listen == "":
		return virtual.Line{Kind: "rtu-over-tcp", Address: c.Rtu}
	}
	return virtual.TCPLine(c.Listen)
}

// Run implements the command.
func (c *fieldCmd) Run(env *environment) error {
	if c.Kinds {
		_, err := fmt.Fprint(env.Stdout, virtual.FaultHelp())
		return err
	}
	cfg, err := c.config()
	if err != nil {
		return err
	}
	if c.SiteFile {
		text, err := virtual.SiteYAML(cfg, c.line())
		if err != nil {
			return c.faultsByFlag(err, cfg)
		}
		_, err = fmt.Fprint(env.Stdout, text)
		return err
	}
	f, err := virtual.New(cfg)
	if err != nil {
		return c.faultsByFlag(err, cfg)
	}
	if c.Registers {
		return f.WriteRegisters(env.Stdout)
	}
	return c.serve(env, f)
}

// serve runs every way in until one of them fails or the context ends.
func (c *fieldCmd) serve(env *environment, f *virtual.Field) (err error) {
	log := slog.New(slog.NewTextHandler(env.Stderr, nil))
	var witness *os.File
	if c.Witness != "" {
		if witness, err = os.OpenFile(c.Witness, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644); err != nil {
			return badInput(err)
		}
		defer func() { err = errors.Join(err, witness.Close()) }()
	}
	start := f.Config().Start
	var clk clock.Clock = clock.Real{}
	if c.Speed != 1 || !c.Start.IsZero() {
		clk = clock.NewScaled(start, c.Speed)
	}
	slave := virtual.NewSlave(f, clk, log, nil)
	if witness != nil {
		slave = virtual.NewSlave(f, clk, log, witness)
	}
	g, ctx := errgroup.WithContext(env.Ctx)
	type way struct {
		what, address string
		serve         func(context.Context, net.Listener) error
	}
	var ways []way
	if c.Listen != "" && (c.Serial == "" || c.Listen != "127.0.0.1:1502") {
		ways = append(ways, way{"Modbus TCP", c.Listen, slave.ServeTCP})
	}
	if c.Rtu != "" {
		ways = append(ways, way{"RTU over TCP", c.Rtu, slave.ServeRTUOverTCP})
	}
	if c.Control != "" {
		ways = append(ways, way{"control line", c.Control, slave.ServeControl})
	}
	var open []net.Listener
	for _, w := range ways {
		l, err := net.Listen("tcp", w.address)
		if err != nil {
			for _, o := range open {
				o.Close()
			}
			return fmt.Errorf("field: %s: %w", w.what, err)
		}
		open = append(open, l)
	}
	var port serial.Port
	if c.Serial != "" {
		mode := &serial.Mode{BaudRate: c.Baud, DataBits: 8, Parity: map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}[c.Parity]}
		if port, err = serial.Open(c.Serial, mode); err != nil {
			for _, o := range open {
				o.Close()
			}
			return fmt.Errorf("field: open %s: %w", c.Serial, err)
		}
		fmt.Fprintf(env.Stderr, "Modbus RTU on %s, %d baud, parity %s\n", c.Serial, c.Baud, c.Parity)
		g.Go(func() error { return slave.ServeRTU(ctx, port) })
	}
	for i, w := range ways {
		fmt.Fprintf(env.Stderr, "%s on %s\n", w.what, open[i].Addr())
		g.Go(func() error { return w.serve(ctx, open[i]) })
	}
	fmt.Fprintf(env.Stderr, "%s from %s, %g times real time\n", f.Config().Name, start.Format(time.RFC3339), c.Speed)
	return g.Wait()
}
