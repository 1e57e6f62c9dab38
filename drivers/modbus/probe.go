package modbus

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Probe asks an unknown device gently: one request at a time, a pause between them, and only
// functions that read. It belongs to one goroutine.
type Probe struct {
	ctx         context.Context // of the one command it serves; the library's client takes none
	o           Link
	line        line
	open        opener
	heard       *sniffer
	pause       time.Duration
	timeout     time.Duration
	next        time.Time
	transaction uint16
	refused     map[place]bool // is not asked for again
}

// place is one address of one table of one unit.
type place struct {
	unit    int
	table   Table
	address int
}

// ProbeOptions are the link to look at and how gently. Devices of the link are not looked at.
type ProbeOptions struct {
	Link Link
	// Timeout is how long a unit may take to answer, Pause what is kept between requests.
	Timeout, Pause time.Duration
}

// NewProbe connects and, on a line, listens for Link.Listen before anything may be sent. It
// returns ErrOtherMaster, with what was heard, when somebody else is master there.
func NewProbe(ctx context.Context, o ProbeOptions) (*Probe, error) {
	return newProbe(ctx, o, open)
}

func newProbe(ctx context.Context, o ProbeOptions, open opener) (*Probe, error) {
	p := &Probe{ctx: ctx, o: o.Link, open: open, heard: &sniffer{}, pause: o.Pause, timeout: o.Timeout, refused: map[place]bool{}}
	if err := p.connect(); err != nil {
		return nil, err
	}
	r, ok := p.line.(*rtuLine)
	if !ok || p.o.Listen == 0 {
		return p, nil
	}
	p.heard.begin(true)
	for until := time.Now().Add(p.o.Listen); time.Now().Before(until); {
		if err := r.listen(earlier(until, time.Now().Add(time.Second))); err != nil {
			return nil, errors.Join(err, p.Close())
		}
		if evidence := p.heard.evidence(); evidence != "" {
			return nil, errors.Join(fmt.Errorf("%w; heard: %s", ErrOtherMaster, evidence), p.Close())
		}
	}
	p.heard.begin(false)
	return p, nil
}

func (p *Probe) connect() error {
	c, err := p.open(p.ctx, p.o)
	if err != nil {
		return fmt.Errorf("modbus: probe: %w", err)
	}
	if p.o.Kind == TCP {
		p.line = newTCPLine(p.ctx, c)
	} else {
		p.line = newRTULine(p.ctx, c, p.o, p.heard)
	}
	return nil
}

// Close hangs up.
func (p *Probe) Close() error { return p.line.close() }

// carry implements the unit's way to the line. A unit that failed to answer is waited for, as
// long as its answer could be taken for the next one.
func (p *Probe) carry(u *unit, frame []byte) ([]byte, error) {
	if d := time.Until(p.next); d > 0 {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-p.ctx.Done():
		case <-t.C:
		}
	}
	if err := p.ctx.Err(); err != nil {
		return nil, err
	}
	if p.line.broken() {
		// What closing says of a line that is already broken is of no use.
		_ = p.line.close()
		if err := p.connect(); err != nil {
			return nil, err
		}
	}
	if t, ok := p.line.(*tcpLine); ok {
		t.any = u.any
	}
	answer, err := p.line.ask(frame, p.timeout)
	p.next = later(time.Now().Add(p.pause), p.line.pending())
	return answer, err
}

func (p *Probe) unit(id int) *unit {
	p.heard.own[byte(id)] = true
	u := newUnit(p.o.Kind, byte(id), &p.transaction)
	u.via, u.timeout = p, p.timeout
	return u
}

// Alive reports whether a unit answers at all: with a value or with a refusal. The error is of
// the line, ErrOtherMaster among them, and ends a scan.
func (p *Probe) Alive(id int) (bool, error) {
	_, err := p.unit(id).read(Holding, 0, 1)
	x, refused := errors.AsType[*ExceptionError](err)
	switch {
	case err == nil, refused && x.Code != 10 && x.Code != 11:
		return true, nil
	case refused, errors.Is(err, ErrTimeout), errors.Is(err, ErrFrame):
		return false, nil
	}
	return false, err
}

// Object is one entry of a device's identification.
type Object struct {
	ID   byte   `json:"id"`
	Name string `json:"name"`
	Text string `json:"text"`
}

// objectNames of device identification (application protocol V1.1b3, 6.21).
var objectNames = [...]string{"vendor name", "product code", "revision", "vendor URL", "product name", "model name", "user application name"}

// Identify returns what the unit says of itself by function 43/14, nothing where it has no such
// function.
func (p *Probe) Identify(id int) ([]Object, error) {
	u := p.unit(id)
	var all []Object
	next := byte(0)
	for range 16 { // a device that always has more to tell is left
		pdu, err := u.identify(1, next)
		if _, refused := errors.AsType[*ExceptionError](err); refused || errors.Is(err, ErrTimeout) || errors.Is(err, ErrFrame) {
			return all, nil
		}
		if err != nil {
			return all, err
		}
		objects, more, after := parseIdentification(pdu)
		all = append(all, objects...)
		if !more || after <= next {
			break
		}
		next = after
	}
	return all, nil
}

// parseIdentification reads the PDU of an answer that answerSize has measured.
func parseIdentification(pdu []byte) (objects []Object, more bool, next byte) {
	if size, exact := answerSize([]byte{fcIdentification}, pdu); !exact || size != len(pdu) {
		return nil, false, 0
	}
	at := 7
	for range int(pdu[6]) {
		o := Object{ID: pdu[at], Text: strings.ToValidUTF8(string(pdu[at+2:at+2+int(pdu[at+1])]), "?")}
		o.Name = fmt.Sprintf("object %d", o.ID)
		if int(o.ID) < len(objectNames) {
			o.Name = objectNames[o.ID]
		}
		objects = append(objects, o)
		at += 2 + int(pdu[at+1])
	}
	return objects, pdu[4] == 0xFF, pdu[5]
}

// piece is how many registers are asked for at once: small devices refuse more, and a hole in the
// map is found in a few steps.
const piece = 32

// Registers reads n registers or bits of a table from an address onwards, each as it came; a bit
// is 0 or 1. What the device refuses is absent, and is not asked for a second time: a refused
// piece is divided until the refusal stands alone. The error is of the line, or that the unit
// does not answer.
func (p *Probe) Registers(id int, t Table, from, n int) (map[int]uint16, error) {
	got := map[int]uint16{}
	u := p.unit(id)
	refuse := func(from, n int) {
		for i := range n {
			p.refused[place{id, t, from + i}] = true
		}
	}
	var fetch func(from, n int) error
	fetch = func(from, n int) error {
		b, err := u.read(t, from, n)
		if x, refused := errors.AsType[*ExceptionError](err); refused {
			switch {
			case x.Code == 1: // the whole table
				refuse(0, 65536)
				return nil
			case n == 1:
				refuse(from, 1)
				return nil
			}
			// Where everything is refused each half would be for nothing, so small pieces are not halved.
			part := n / 2
			if n <= 8 {
				part = 1
			}
			for at := from; at < from+n; at += part {
				if err := fetch(at, min(part, from+n-at)); err != nil {
					return err
				}
			}
			return nil
		}
		if err != nil {
			return err
		}
		for i := range n {
			if t == Coils || t == Discrete {
				got[from+i] = uint16(b[i/8] >> (i % 8) & 1)
			} else {
				got[from+i] = binary.BigEndian.Uint16(b[2*i:])
			}
		}
		return nil
	}
	for at := from; at < from+n; {
		run := 0
		for run < piece && at+run < from+n && !p.refused[place{id, t, at + run}] {
			run++
		}
		if run == 0 {
			at++
			continue
		}
		if err := fetch(at, run); err != nil {
			return got, fmt.Errorf("unit %d, %s from %d: %w", id, t, at, err)
		}
		at += run
	}
	return got, nil
}

// Reading is one way to read the registers at an address.
type Reading struct {
	Address int     `json:"address"`
	Type    Type    `json:"type"`
	Order   Order   `json:"order"`
	Number  float64 `json:"number"`
}

// Readings returns every plausible way to read the registers at an address: every form and order
// whose registers are there and whose number a field instrument could show, the most usual first.
// Equal numbers of one width are shown once, in the plainest form.
func Readings(registers map[int]uint16, address int) []Reading {
	var all []Reading
	for _, t := range Types[2:] {
		n := t.Registers()
		data := make([]byte, 0, 8)
		for i := range n {
			r, ok := registers[address+i]
			if !ok {
				break
			}
			data = binary.BigEndian.AppendUint16(data, r)
		}
		if len(data) < 2*n {
			continue
		}
		for _, o := range Orders {
			if n == 1 && o != ABCD && o != BADC {
				continue
			}
			d := Decode{Type: t, Order: o}
			v, why := d.Number(data)
			if why != site.WhyNone || !plausible(t, v) {
				continue
			}
			if slices.ContainsFunc(all, func(r Reading) bool { return r.Number == v && r.Type.Registers() == n }) {
				continue
			}
			all = append(all, Reading{address, t, o, v})
		}
	}
	slices.SortStableFunc(all, func(a, b Reading) int {
		return cmp.Compare(forms[b.Type]+orders[b.Order], forms[a.Type]+orders[a.Order])
	})
	return all
}

// plausible reports whether a field instrument could show the number. Registers that hold
// something else make floats of any size, so those are judged more strictly.
func plausible(t Type, v float64) bool {
	size := math.Abs(v)
	if t == Float32 || t == Float64 {
		return v == 0 || size >= 1e-4 && size <= 1e8
	}
	return size <= 1e12
}

// Guess is a reading that fits what a person sees on the device's display.
type Guess struct {
	Reading
	// Unit is what one count is, in a form the site file takes ("0.1 mm").
	Unit string `json:"unit"`
	// Score is higher for a likelier guess; only the order means something.
	Score float64 `json:"score"`
	// Reason says in words why.
	Reason string `json:"reason"`
}

// forms says how usual a form is for a measured value in field instruments; from memory.
var forms = map[Type]float64{Uint16: 4, Int16: 4, Float32: 3.5, Int32: 2.5, Uint32: 2.5, Float64: 1, Uint64: 0.5, Int64: 0.5, BCD16: 0.5, BCD32: 0.5}

// orders says the same of the orders.
var orders = map[Order]float64{ABCD: 1, CDAB: 0.7, BADC: 0.2, DCBA: 0.2}

// Rank returns the readings of the registers that can be what a display shows, likeliest first:
// shown is what a person typed, such as "63.5 mm". Registers that changed between two looks are
// given in changed, and count for a guess, since what a person watches moves.
//
// A reading fits when its number times a power of ten in that unit is what is shown, within one
// step of its last digit. The finer the register resolves what is shown, the less is its fit an
// accident.
func Rank(registers map[int]uint16, shown string, d site.Dimension, changed map[int]bool) ([]Guess, error) {
	want, err := site.Parse(d, shown)
	if err != nil {
		return nil, err
	}
	digits, unit := splitShown(shown)
	value, err := strconv.ParseFloat(digits, 64)
	if err != nil {
		return nil, fmt.Errorf("%q is not a number with a unit", shown)
	}
	if value == 0 || want == 0 {
		return nil, errors.New("a display that shows 0 tells no register from another; wait until it shows something")
	}
	step := 1.0
	if _, decimals, ok := strings.Cut(digits, "."); ok {
		step = math.Pow10(-len(decimals))
	}
	addresses := make([]int, 0, len(registers))
	for a := range registers {
		addresses = append(addresses, a)
	}
	slices.Sort(addresses)
	var all []Guess
	for _, a := range addresses {
		for _, r := range Readings(registers, a) {
			if r.Number == 0 {
				continue
			}
			for power := 3; power >= -6; power-- {
				scale := math.Pow10(power)
				off := math.Abs(r.Number*scale - value)
				if off > step*(1+1e-9) {
					continue
				}
				// How many other numbers the register could show within the same step.
				chance := step / math.Abs(value)
				r, sign := signed(r, d)
				g := Guess{Reading: r, Unit: strings.TrimSpace(strconv.FormatFloat(scale, 'f', -1, 64) + " " + unit)}
				g.Score = forms[r.Type] + orders[r.Order] - math.Log10(chance) - 2*off/step - 0.4*math.Abs(float64(power))
				if r.Type == Float32 || r.Type == Float64 {
					// A float carries its unit as it is; a power of ten beside it is strange.
					g.Score -= 0.6 * math.Abs(float64(power))
				}
				moved := false
				for i := range r.Type.Registers() {
					moved = moved || changed[a+i]
				}
				g.Reason = fmt.Sprintf("%s in order %s is %s", r.Type, r.Order, short(r.Number))
				if power != 0 {
					g.Reason += fmt.Sprintf(", times %s %s", short(scale), short(r.Number*scale))
				}
				g.Reason += fmt.Sprintf(" %s, %s shown", unit, nearness(off, step))
				g.Reason += sign
				if moved {
					g.Score += 1.5
					g.Reason += ", and it moves"
				}
				all = append(all, g)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Guess) int { return cmp.Compare(b.Score, a.Score) })
	return all, nil
}

// signed chooses between the two forms of a whole number that has the same value in both, and
// says so: a total does not go below zero, everything else may.
func signed(r Reading, d site.Dimension) (Reading, string) {
	pairs := map[Type]Type{Int16: Uint16, Int32: Uint32, Int64: Uint64}
	unsigned, whole := pairs[r.Type]
	if !whole || r.Number < 0 {
		return r, ""
	}
	was := r.Type
	other := unsigned
	if d == site.Cubic {
		r.Type, other = unsigned, was
	}
	return r, fmt.Sprintf(" (%s would be the same here)", other)
}

func nearness(off, step float64) string {
	if off < step/100 {
		return "exactly what is"
	}
	if off <= step/2 {
		return "which rounds to what is"
	}
	return "within one digit of what is"
}

func short(v float64) string { return strconv.FormatFloat(v, 'g', 7, 64) }

// splitShown divides "63.5 mm" into its number and its unit.
func splitShown(s string) (number, unit string) {
	s = strings.TrimSpace(s)
	i := strings.IndexFunc(s, func(r rune) bool { return (r < '0' || r > '9') && !strings.ContainsRune("+-.", r) })
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimSpace(s[i:])
}

// Line is the line of a site file for a guess: the key of the point, the device with its table,
// and how the number is read.
func (g Guess) Line(key, device string, t Table) string {
	order := ""
	if g.Order != ABCD {
		order = ", order: " + string(g.Order)
	}
	return fmt.Sprintf("%s: { device: %s, table: %s, address: %d, type: %s%s, unit: %s }", key, device, t, g.Address, g.Type, order, g.Unit)
}
