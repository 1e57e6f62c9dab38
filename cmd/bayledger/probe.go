package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"bayledger/agent/site"
	"bayledger/drivers/modbus"
)

// probeCmd looks at a device whose manual is missing or wrong. It never writes.
type probeCmd struct {
	TCP      string        `name:"tcp" xor:"link" required:"" placeholder:"HOST:PORT" help:"Device or gateway that speaks Modbus TCP."`
	RTU      string        `name:"rtu-over-tcp" xor:"link" required:"" placeholder:"HOST:PORT" help:"Transparent serial server with RTU frames."`
	Serial   string        `name:"serial" xor:"link" required:"" placeholder:"DEVICE" help:"Serial device with RTU frames."`
	Baud     int           `help:"Speed of the serial line; has no default."`
	Parity   string        `enum:"none,even,odd," default:"" help:"Parity of the serial line: none, even or odd; has no default."`
	StopBits int           `default:"1" help:"Stop bits of the serial line."`
	Listen   time.Duration `default:"60s" help:"How long a line is listened to for another master before anything is sent."`

	Units   string        `default:"1-16" placeholder:"RANGE" help:"Units to look for, such as 1-16 or 1,5,247. On TCP 0 and 255 too."`
	Table   string        `enum:"coil,discrete,holding,input" default:"holding" help:"Table to read: coil, discrete, holding or input."`
	From    string        `default:"0" placeholder:"ADDRESS" help:"First address, counted from 0; 0x9C41 for one in hexadecimal."`
	Count   int           `default:"32" help:"How many registers or bits."`
	Looks   int           `default:"2" help:"How often the registers are looked at; what changes is marked. 0 goes on until interrupted."`
	Every   time.Duration `default:"1s" help:"Time between two looks."`
	Shows   []string      `sep:"none" placeholder:"READING" help:"What a display shows, such as '63.5 mm': ranks the readings that fit. Repeatable."`
	Timeout time.Duration `default:"1s" help:"How long a unit may take to answer."`
	Pause   time.Duration `default:"50ms" help:"Pause kept between requests."`
	JSON    bool          `name:"json" help:"One JSON object on stdout in place of the tables."`
}

// probedUnit is what was found at one unit id.
type probedUnit struct {
	Unit           int              `json:"unit"`
	Identification []modbus.Object  `json:"identification,omitempty"`
	Registers      []probedRegister `json:"registers,omitempty"`
	Guesses        []probedGuess    `json:"guesses,omitempty"`
	Note           string           `json:"note,omitempty"`
	first, now     map[int]uint16   // as read at the first look and at the last
	changed        map[int]bool     // between any two looks
}

type probedRegister struct {
	Address  int              `json:"address"`
	Raw      uint16           `json:"raw"`
	Changed  bool             `json:"changed"`
	Readings []modbus.Reading `json:"readings,omitempty"`
}

type probedGuess struct {
	Shows string `json:"shows"`
	modbus.Guess
	Lines string `json:"lines"`
}

// Run implements the command.
func (c *probeCmd) Run(env *environment) error {
	link, units, from, err := c.plan()
	if err != nil {
		return badInput(err)
	}
	dimensions := make([]site.Dimension, len(c.Shows))
	for i, s := range c.Shows {
		if dimensions[i], err = dimensionOf(s); err != nil {
			return badInput(err)
		}
	}
	if link.Kind != modbus.TCP && link.Listen > 0 {
		fmt.Fprintf(env.Stderr, "listening for another master for %v; nothing is sent meanwhile\n", link.Listen)
	}
	p, err := modbus.NewProbe(env.Ctx, modbus.ProbeOptions{Link: link, Timeout: c.Timeout, Pause: c.Pause})
	if err != nil {
		return err
	}
	found, err := c.look(env, p, units, from)
	err = errors.Join(err, p.Close())
	if err != nil && env.Ctx.Err() == nil {
		return err
	}
	if len(found) == 0 {
		return fmt.Errorf("none of the units %s answers; try other units, or another speed and parity", c.Units)
	}
	for _, u := range found {
		if err := c.judge(u, dimensions); err != nil {
			return badInput(err)
		}
	}
	if c.JSON {
		return json.NewEncoder(env.Stdout).Encode(struct {
			Table string        `json:"table"`
			Units []*probedUnit `json:"units"`
		}{c.Table, found})
	}
	return c.print(env.Stdout, found)
}

// plan checks what was asked for.
func (c *probeCmd) plan() (link modbus.Link, units []int, from int, err error) {
	var problems []error
	switch {
	case c.TCP != "":
		link = modbus.DefaultLink(modbus.TCP)
		link.Address = c.TCP
	case c.RTU != "":
		link = modbus.DefaultLink(modbus.RTUOverTCP)
		link.Address, link.Baud, link.Listen = c.RTU, c.Baud, c.Listen
	default:
		link = modbus.DefaultLink(modbus.Serial)
		link.Path, link.Baud, link.DataBits, link.Parity, link.StopBits = c.Serial, c.Baud, 8, modbus.Parity(c.Parity), c.StopBits
		link.Listen = c.Listen
	}
	if units, err = parseUnits(c.Units); err != nil {
		problems = append(problems, err)
	}
	if from, err = modbus.ParseAddress(c.From); err != nil {
		problems = append(problems, fmt.Errorf("--from: %w", err))
	}
	if c.Count < 1 || from+c.Count > 65536 {
		problems = append(problems, fmt.Errorf("--count: %d from address %d is not within 0 to 65535", c.Count, from))
	}
	if c.Timeout <= 0 || c.Pause < 0 || c.Every < 0 || c.Looks < 0 {
		problems = append(problems, errors.New("--timeout must be above 0, --pause, --every and --looks not below"))
	}
	// The link is checked as in a site file, with a device that stands for what is looked for.
	check := link
	check.ID = "probe"
	d := modbus.DefaultDevice()
	d.ID, d.Unit = "device", 1
	d.Points = []modbus.PointMap{{Point: "p", Table: modbus.Holding, Decode: modbus.Decode{Type: modbus.Uint16}}}
	check.Devices = []modbus.Device{d}
	for _, p := range (modbus.Options{Links: []modbus.Link{check}}).Validate() {
		problems = append(problems, fmt.Errorf("--%s: %s; %s", strings.ReplaceAll(strings.TrimPrefix(p.Path, "links[0]."), "_", "-"), p.What, p.Fix))
	}
	return link, units, from, errors.Join(problems...)
}

// parseUnits reads "1-16" and "1,5,247".
func parseUnits(text string) ([]int, error) {
	var units []int
	for part := range strings.SplitSeq(text, ",") {
		lo, hi, isRange := strings.Cut(strings.TrimSpace(part), "-")
		a, err1 := strconv.Atoi(lo)
		b, err2 := a, error(nil)
		if isRange {
			b, err2 = strconv.Atoi(hi)
		}
		if err1 != nil || err2 != nil || a < 0 || b > 255 || a > b {
			return nil, fmt.Errorf("--units: %q is not a range of units such as 1-16 or 1,5,247", text)
		}
		for u := a; u <= b; u++ {
			units = append(units, u)
		}
	}
	return units, nil
}

// dimensionOf finds what a typed reading measures by its unit.
func dimensionOf(text string) (site.Dimension, error) {
	for _, d := range []site.Dimension{site.Length, site.Cubic, site.Discharge, site.Stress, site.Temperature, site.Speed, site.Irradiance, site.Ratio} {
		if _, err := site.Parse(d, text); err == nil {
			return d, nil
		}
	}
	return "", fmt.Errorf("--shows: %q is not a number with a unit such as '63.5 mm', '20 L/min' or '18.2 degC'", text)
}

// look finds the units and reads their registers as often as was asked.
func (c *probeCmd) look(env *environment, p *modbus.Probe, units []int, from int) ([]*probedUnit, error) {
	var found []*probedUnit
	for _, id := range units {
		alive, err := p.Alive(id)
		if err != nil {
			return found, err
		}
		if !alive {
			continue
		}
		u := &probedUnit{Unit: id, changed: map[int]bool{}}
		if u.Identification, err = p.Identify(id); err != nil {
			return found, err
		}
		found = append(found, u)
		fmt.Fprintf(env.Stderr, "unit %d answers\n", id)
	}
	out, terminal := env.Stdout.(*os.File)
	terminal = terminal && !c.JSON && term.IsTerminal(int(out.Fd()))
	for n := 0; len(found) > 0 && (c.Looks == 0 || n < c.Looks); n++ {
		if n > 0 {
			pause := time.NewTimer(c.Every)
			select {
			case <-env.Ctx.Done():
				pause.Stop()
				return found, env.Ctx.Err()
			case <-pause.C:
			}
		}
		for _, u := range found {
			now, err := p.Registers(u.Unit, modbus.Table(c.Table), from, c.Count)
			if errors.Is(err, modbus.ErrTimeout) || errors.Is(err, modbus.ErrFrame) {
				u.Note = err.Error()
			} else if err != nil {
				return found, err
			}
			for a, v := range now {
				if before, ok := u.now[a]; ok && before != v {
					u.changed[a] = true
				}
			}
			if u.first == nil {
				u.first = now
			}
			u.now = now
		}
		if terminal && (c.Looks == 0 || n+1 < c.Looks) {
			fmt.Fprint(env.Stdout, "\x1b[H\x1b[2J")
			for _, u := range found {
				if err := c.judge(u, nil); err != nil {
					return found, err
				}
			}
			if err := c.print(env.Stdout, found); err != nil {
				return found, err
			}
		}
	}
	return found, nil
}

// judge makes readings and guesses of what was read.
func (c *probeCmd) judge(u *probedUnit, dimensions []site.Dimension) error {
	u.Registers = nil
	bits := c.Table == string(modbus.Coils) || c.Table == string(modbus.Discrete)
	for _, a := range slices.Sorted(maps.Keys(u.now)) {
		r := probedRegister{Address: a, Raw: u.now[a], Changed: u.changed[a]}
		if !bits {
			r.Readings = modbus.Readings(u.now, a)
		}
		u.Registers = append(u.Registers, r)
	}
	if len(u.Registers) == 0 && u.Note == "" {
		u.Note = "refuses every address of this table; try --table or --from"
	}
	if bits {
		return nil
	}
	for i, d := range dimensions {
		guesses, err := modbus.Rank(u.now, c.Shows[i], d, u.changed)
		if err != nil {
			return err
		}
		for _, g := range guesses[:min(5, len(guesses))] {
			u.Guesses = append(u.Guesses, probedGuess{c.Shows[i], g, g.Lines(modbus.Table(c.Table))})
		}
	}
	return nil
}

// print writes the tables for people.
func (c *probeCmd) print(out io.Writer, found []*probedUnit) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, u := range found {
		fmt.Fprintf(w, "unit %d\n", u.Unit)
		for _, o := range u.Identification {
			fmt.Fprintf(w, "  %s: %q\n", o.Name, o.Text)
		}
		if u.Note != "" {
			fmt.Fprintf(w, "  %s\n", u.Note)
		}
		fmt.Fprintf(w, "%s\traw\tone register\ttwo or four, by order\n", c.Table)
		for _, r := range u.Registers {
			mark := " "
			if r.Changed {
				mark = "*"
			}
			var one, more []string
			for _, x := range r.Readings {
				text := fmt.Sprintf("%s %s", x.Type, strconv.FormatFloat(x.Number, 'g', 7, 64))
				if x.Order != modbus.ABCD {
					text += " " + string(x.Order)
				}
				if x.Type.Registers() == 1 {
					one = append(one, text)
				} else if x.Type == modbus.Float32 || x.Type == modbus.Float64 || x.Number < 1e7 && x.Number > -1e7 {
					more = append(more, text)
				}
			}
			fmt.Fprintf(w, "%d%s\t%04X\t%s\t%s\n", r.Address, mark, r.Raw, strings.Join(one, ", "), strings.Join(more, ", "))
		}
		if len(u.changed) > 0 {
			fmt.Fprintln(w, "* changed between two looks")
		}
		for _, g := range u.Guesses {
			fmt.Fprintf(w, "shows %s: address %d, %s\n    %s\n", g.Shows, g.Address, g.Reason, g.Lines)
		}
		for _, s := range c.Shows {
			if !slices.ContainsFunc(u.Guesses, func(g probedGuess) bool { return g.Shows == s }) {
				fmt.Fprintf(w, "shows %s: no reading of these registers fits; try another --table, --from or --count\n", s)
			}
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
