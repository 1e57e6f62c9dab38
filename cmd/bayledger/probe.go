package main

import (
	"cmp"
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

	Units   string        `placeholder:"RANGE" help:"Units to look for, such as 1-16 or 1,5,247; 1-16 if not given, on TCP 255 and 0 too."`
	Tables  []string      `name:"table" enum:"coil,discrete,holding,input" default:"input,holding,discrete,coil" help:"Table to read: coil, discrete, holding or input; all four if not given. Repeatable."`
	From    string        `default:"0" placeholder:"ADDRESS" help:"First address, counted from 0; 0x9C41 for one in hexadecimal."`
	Count   int           `default:"128" help:"How many registers or bits of each table."`
	Looks   int           `default:"2" help:"How often the registers are looked at; what changes is marked. 0 goes on until interrupted, which ends with the same account."`
	Every   time.Duration `default:"1s" help:"Time between two looks."`
	Shows   []string      `sep:"none" placeholder:"READING" help:"What a display shows, such as '63.5 mm': ranks the readings that fit. Repeatable."`
	Timeout time.Duration `default:"1s" help:"How long a unit may take to answer."`
	Pause   time.Duration `default:"20ms" help:"Pause kept between requests."`
	JSON    bool          `name:"json" help:"One JSON object on stdout in place of the tables."`
}

// probed is what there is to say; its JSON is for scripts.
type probed struct {
	Units []*probedUnit `json:"units"`
	// Links are lines for the site file: the line and the devices found on it.
	Links string `json:"links"`
}

// probedUnit is what was found at one unit id.
type probedUnit struct {
	Unit           int             `json:"unit"`
	Device         string          `json:"device"` // its id in Links
	Identification []modbus.Object `json:"identification,omitempty"`
	Tables         []*probedTable  `json:"tables,omitempty"`
	Guesses        []probedGuess   `json:"guesses,omitempty"`
	// SameAs is the unit that showed the same in everything, on a connection where many devices
	// answer to any unit id.
	SameAs *int `json:"same_as,omitempty"`
}

type probedTable struct {
	Table     modbus.Table     `json:"table"`
	Registers []probedRegister `json:"registers,omitempty"`
	Note      string           `json:"note,omitempty"`
	now       map[int]uint16   // as read at the last look
	changed   map[int]bool     // between any two looks
}

func (t *probedTable) bits() bool { return t.Table == modbus.Coils || t.Table == modbus.Discrete }

type probedRegister struct {
	Address  int              `json:"address"`
	Raw      uint16           `json:"raw"`
	Changed  bool             `json:"changed"`
	Readings []modbus.Reading `json:"readings,omitempty"`
}

// probedGuess is a reading that fits what a display shows, with its line for the site file and
// the part of the file it belongs under.
type probedGuess struct {
	Shows string       `json:"shows"`
	Table modbus.Table `json:"table"`
	modbus.Guess
	Line  string `json:"line"`
	Under string `json:"under"`
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
		return nobody(link, units)
	}
	for _, u := range found {
		u.judge()
		if err := c.guess(u, dimensions); err != nil {
			return badInput(err)
		}
	}
	out := probed{found, linkLines(link, found)}
	if c.JSON {
		return json.NewEncoder(env.Stdout).Encode(out)
	}
	return c.print(env.Stdout, out)
}

// nobody says what to try when no unit answers.
func nobody(l modbus.Link, units []int) error {
	tried := fmt.Sprintf("none of the %d units asked answers", len(units))
	if l.Kind == modbus.TCP {
		return errors.New(tried + "; look the unit id up, or try --units 1-247")
	}
	return errors.New(tried + "; try --units 1-247, another --baud or --parity, or the two wires of the line the other way round")
}

// linkLines are the lines of a site file for the line and the units on it.
func linkLines(l modbus.Link, found []*probedUnit) string {
	var b strings.Builder
	fmt.Fprintf(&b, "links:\n  - id: line-1\n    kind: %s\n", l.Kind)
	if l.Kind == modbus.Serial {
		fmt.Fprintf(&b, "    path: %s\n    baud: %d\n    parity: %s\n    stop_bits: %d\n", l.Path, l.Baud, l.Parity, l.StopBits)
	} else {
		fmt.Fprintf(&b, "    address: %s\n", l.Address)
		if l.Baud != 0 {
			fmt.Fprintf(&b, "    baud: %d\n", l.Baud)
		}
	}
	b.WriteString("    devices:\n")
	for _, u := range found {
		if u.SameAs == nil {
			fmt.Fprintf(&b, "      - { id: %s, unit: %d }\n", u.Device, u.Unit)
		}
	}
	return b.String()
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
	asked := c.Units
	if asked == "" {
		asked = "1-16"
		if link.Kind == modbus.TCP {
			asked = "1-16,255,0"
		}
	}
	if units, err = parseUnits(asked); err != nil {
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
		flag := strings.ReplaceAll(strings.TrimPrefix(p.Path, "links[0]."), "_", "-")
		switch {
		case flag == "address" && link.Kind == modbus.TCP:
			flag = "tcp"
		case flag == "address":
			flag = "rtu-over-tcp"
		case flag == "path":
			flag = "serial"
		}
		problems = append(problems, fmt.Errorf("--%s: %s; %s", flag, p.What, p.Fix))
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
	fmt.Fprintf(env.Stderr, "looking for %s; one that does not answer takes %v\n", count(len(units), "unit"), c.Timeout)
	var found []*probedUnit
	for _, id := range units {
		alive, err := p.Alive(id)
		if err != nil {
			return found, err
		}
		if !alive {
			continue
		}
		u := &probedUnit{Unit: id, Device: fmt.Sprintf("unit-%d", id)}
		if u.Identification, err = p.Identify(id); err != nil {
			return found, err
		}
		for _, t := range c.Tables {
			u.Tables = append(u.Tables, &probedTable{Table: modbus.Table(t), changed: map[int]bool{}})
		}
		found = append(found, u)
		fmt.Fprintf(env.Stderr, "unit %d answers; reading it\n", id)
		if err := c.read(p, u, from); err != nil {
			return found, err
		}
		if i := slices.IndexFunc(found[:len(found)-1], u.same); c.TCP != "" && i >= 0 {
			u.SameAs, u.Tables = &found[i].Unit, nil
		}
	}
	out, terminal := env.Stdout.(*os.File)
	terminal = terminal && !c.JSON && term.IsTerminal(int(out.Fd()))
	for n := 1; len(found) > 0 && (c.Looks == 0 || n < c.Looks); n++ {
		if terminal {
			fmt.Fprint(env.Stdout, "\x1b[H\x1b[2J")
			for _, u := range found {
				u.judge()
			}
			if err := c.print(env.Stdout, probed{Units: found}); err != nil {
				return found, err
			}
		}
		pause := time.NewTimer(c.Every)
		select {
		case <-env.Ctx.Done():
			pause.Stop()
			return found, env.Ctx.Err()
		case <-pause.C:
		}
		for _, u := range found {
			if err := c.read(p, u, from); err != nil {
				return found, err
			}
		}
	}
	return found, nil
}

// read looks at the registers of a unit once.
func (c *probeCmd) read(p *modbus.Probe, u *probedUnit, from int) error {
	for _, t := range u.Tables {
		now, err := p.Registers(u.Unit, t.Table, from, c.Count)
		t.Note = ""
		switch {
		case errors.Is(err, modbus.ErrTimeout), errors.Is(err, modbus.ErrFrame):
			t.Note = err.Error()
		case err != nil:
			return err
		case len(now) == 0:
			t.Note = fmt.Sprintf("refuses every address from %d to %d", from, from+c.Count-1)
		}
		for a, v := range now {
			if before, ok := t.now[a]; ok && before != v {
				t.changed[a] = true
			}
		}
		t.now = now
	}
	return nil
}

// same reports whether two units show the same in everything.
func (u *probedUnit) same(o *probedUnit) bool {
	any := false
	equal := slices.EqualFunc(u.Tables, o.Tables, func(a, b *probedTable) bool {
		any = any || len(a.now) > 0
		return a.Table == b.Table && maps.Equal(a.now, b.now)
	})
	return equal && any && slices.Equal(u.Identification, o.Identification)
}

// judge makes readings of what was read.
func (u *probedUnit) judge() {
	for _, t := range u.Tables {
		t.Registers = nil
		for _, a := range slices.Sorted(maps.Keys(t.now)) {
			r := probedRegister{Address: a, Raw: t.now[a], Changed: t.changed[a]}
			if !t.bits() {
				r.Readings = modbus.Readings(t.now, a)
			}
			t.Registers = append(t.Registers, r)
		}
	}
}

// places are the key of a point that measures such a thing, and the part of the site file it is
// under. A person moves the line where it is another's: a level from a pressure, the main meter.
var places = map[site.Dimension]struct{ key, under string }{
	site.Length: {"level", "points: of a bay"}, site.Cubic: {"meter", "points: of a bay"}, site.Discharge: {"flow", "points: of a bay"},
	site.Temperature: {"water_temperature", "points: of a bay"}, site.Stress: {"pressure", "points: of supply:"},
	site.Speed: {"wind", "points: of weather:"}, site.Irradiance: {"solar", "points: of weather:"}, site.Ratio: {"humidity", "points: of weather:"},
}

// mostGuesses is how many guesses are shown for one reading of one unit.
const mostGuesses = 5

// guess ranks what the displays show among the registers of a unit.
func (c *probeCmd) guess(u *probedUnit, dimensions []site.Dimension) error {
	for i, d := range dimensions {
		var all []probedGuess
		for _, t := range u.Tables {
			if t.bits() {
				continue
			}
			guesses, err := modbus.Rank(t.now, c.Shows[i], d, t.changed)
			if err != nil {
				return err
			}
			for _, g := range guesses {
				all = append(all, probedGuess{c.Shows[i], t.Table, g, g.Line(places[d].key, u.Device, t.Table), places[d].under})
			}
		}
		slices.SortStableFunc(all, func(a, b probedGuess) int { return cmp.Compare(b.Score, a.Score) })
		u.Guesses = append(u.Guesses, all[:min(mostGuesses, len(all))]...)
	}
	return nil
}

// print writes the tables for people.
func (c *probeCmd) print(out io.Writer, all probed) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, u := range all.Units {
		fmt.Fprintf(w, "unit %d\n", u.Unit)
		if u.SameAs != nil {
			fmt.Fprintf(w, "  shows the same as unit %d in everything: the device answers to any unit id\n\n", *u.SameAs)
			continue
		}
		for _, o := range u.Identification {
			fmt.Fprintf(w, "  %s: %q\n", o.Name, o.Text)
		}
		for _, t := range u.Tables {
			t.print(w)
		}
		for _, s := range c.Shows {
			if all.Links == "" {
				break // the live table
			}
			fmt.Fprintf(w, "shows %s\n", s)
			n := 0
			for _, g := range u.Guesses {
				if g.Shows == s {
					n++
					fmt.Fprintf(w, "  %d. %s %d: %s\n     %s\n", n, g.Table, g.Address, g.Reason, g.Line)
				}
			}
			if n == 0 {
				fmt.Fprintln(w, "  no reading of these registers fits; try another --from or --count, or another unit")
			}
		}
		fmt.Fprintln(w)
	}
	if slices.ContainsFunc(all.Units, func(u *probedUnit) bool { return len(u.Guesses) > 0 }) {
		fmt.Fprintf(w, "the line and its devices for the site file; the lines above belong under the points: of a bay, of supply: or of weather:\n%s", all.Links)
	}
	return w.Flush()
}

// mostWide is how many readings of several registers are printed, the most usual; --json has all.
const mostWide = 5

// print writes one table; registers that stay 0 are drawn together.
func (t *probedTable) print(w io.Writer) {
	if t.Note != "" {
		fmt.Fprintf(w, "%s\t%s\n", t.Table, t.Note)
	}
	if len(t.Registers) == 0 {
		return
	}
	if t.bits() {
		fmt.Fprintf(w, "%s\tsixteen in a line\n", t.Table)
		for row := range slices.Chunk(t.Registers, 16) {
			fmt.Fprintf(w, "%d\t", row[0].Address)
			for _, r := range row {
				fmt.Fprintf(w, "%d%s", r.Raw, r.mark())
			}
			fmt.Fprintln(w)
		}
		return
	}
	fmt.Fprintf(w, "%s\traw\tone register\ttwo or four, by order\n", t.Table)
	for i := 0; i < len(t.Registers); i++ {
		r := t.Registers[i]
		last := i
		for last+1 < len(t.Registers) && t.Registers[last].still() && t.Registers[last+1].still() && t.Registers[last+1].Address == t.Registers[last].Address+1 {
			last++
		}
		if last-i >= 3 {
			fmt.Fprintf(w, "%d-%d\t0000\t\t\n", r.Address, t.Registers[last].Address)
			i = last
			continue
		}
		var one, more []string
		for _, x := range r.Readings {
			text := fmt.Sprintf("%s %s", x.Type, strconv.FormatFloat(x.Number, 'g', 7, 64))
			if x.Order != modbus.ABCD {
				text += " " + string(x.Order)
			}
			if x.Type.Registers() == 1 {
				one = append(one, text)
			} else if x.Number < 1e7 && x.Number > -1e7 && len(more) < mostWide {
				more = append(more, text)
			}
		}
		fmt.Fprintf(w, "%d%s\t%04X\t%s\t%s\n", r.Address, r.mark(), r.Raw, strings.Join(one, ", "), strings.Join(more, ", "))
	}
	if len(t.changed) > 0 {
		fmt.Fprintln(w, "* changed between two looks")
	}
}

func (r probedRegister) still() bool { return r.Raw == 0 && !r.Changed }

func (r probedRegister) mark() string {
	if r.Changed {
		return "*"
	}
	return " "
}
