package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"sync"
	"testing"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// field is a Modbus device of our own for the tests: an image of registers and bits behind as
// many unit ids as are asked, and a hook for every kind of misbehaviour. What it answers is
// computed here from the specification, not by the code under test.
type field struct {
	t   *testing.T
	mu  sync.Mutex
	reg map[uint16]uint16
	bit map[uint16]bool
	// act, if set, answers in place of the field: it is given the connection, the request's
	// header (7 bytes of MBAP, or the unit id) and PDU, and what the field would answer. Return
	// false to let the field answer.
	act      func(c io.ReadWriteCloser, n int, head, pdu, answer []byte) bool
	requests int
	seen     [][]byte // PDUs
	conns    int
	open     int
	rtu      bool
	wg       sync.WaitGroup
}

func newField(t *testing.T) *field {
	t.Helper()
	f := &field{t: t, reg: map[uint16]uint16{}, bit: map[uint16]bool{}}
	return f
}

// listen serves on loopback until the test ends.
func (f *field) listen() string {
	f.t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(f.t, err)
	f.serveOn(ln)
	return ln.Addr().String()
}

func (f *field) serveOn(ln net.Listener) {
	var mu sync.Mutex
	conns := map[net.Conn]bool{}
	f.wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			conns[c] = true
			mu.Unlock()
			f.wg.Go(func() {
				f.serve(c)
				mu.Lock()
				delete(conns, c)
				mu.Unlock()
			})
		}
	})
	f.t.Cleanup(func() {
		ln.Close()
		mu.Lock()
		for c := range conns {
			c.Close()
		}
		mu.Unlock()
		f.wg.Wait()
	})
}

// serve answers on one connection until it is closed.
func (f *field) serve(c io.ReadWriteCloser) {
	f.mu.Lock()
	f.conns++
	f.open++
	f.mu.Unlock()
	defer func() {
		c.Close()
		f.mu.Lock()
		f.open--
		f.mu.Unlock()
	}()
	for {
		head, pdu, err := f.readRequest(c)
		if err != nil {
			return
		}
		f.mu.Lock()
		f.requests++
		n := f.requests
		f.seen = append(f.seen, pdu)
		answer := f.answer(pdu)
		act := f.act
		f.mu.Unlock()
		if act != nil && act(c, n, head, pdu, answer) {
			continue
		}
		if _, err := c.Write(f.frame(head, answer)); err != nil {
			return
		}
	}
}

func (f *field) readRequest(c io.Reader) (head, pdu []byte, err error) {
	if f.rtu {
		b := make([]byte, 8) // reads are eight bytes, and identification seven
		if _, err := io.ReadFull(c, b[:7]); err != nil {
			return nil, nil, err
		}
		if b[1] == 0x2B {
			return b[:1], b[1:5], nil
		}
		if _, err := io.ReadFull(c, b[7:]); err != nil {
			return nil, nil, err
		}
		return b[:1], b[1:6], nil
	}
	head = make([]byte, 7)
	if _, err := io.ReadFull(c, head); err != nil {
		return nil, nil, err
	}
	pdu = make([]byte, int(binary.BigEndian.Uint16(head[4:]))-1)
	_, err = io.ReadFull(c, pdu)
	return head, pdu, err
}

// frame wraps a PDU for the request's header.
func (f *field) frame(head, pdu []byte) []byte {
	if f.rtu {
		return rtuFrame(append(head[:1:1], pdu...)...)
	}
	out := append([]byte{}, head...)
	binary.BigEndian.PutUint16(out[4:], uint16(len(pdu)+1))
	return append(out, pdu...)
}

// rtuFrame appends the check, computed bit by bit as the specification's flow chart does
// (serial line V1.02, 6.2.2).
func rtuFrame(b ...byte) []byte {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			odd := crc&1 == 1
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return append(b[:len(b):len(b)], byte(crc), byte(crc>>8))
}

func (f *field) answer(pdu []byte) []byte {
	if len(pdu) == 4 && pdu[0] == 0x2B {
		return []byte{0xAB, 1}
	}
	if len(pdu) != 5 || pdu[0] < 1 || pdu[0] > 4 {
		return []byte{pdu[0] | 0x80, 1}
	}
	from, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	if pdu[0] <= 2 {
		out := append([]byte{pdu[0], byte((n + 7) / 8)}, make([]byte, (n+7)/8)...)
		for i := range n {
			if f.bit[uint16(from+i)] {
				out[2+i/8] |= 1 << (i % 8)
			}
		}
		return out
	}
	out := []byte{pdu[0], byte(2 * n)}
	for i := range n {
		out = binary.BigEndian.AppendUint16(out, f.reg[uint16(from+i)])
	}
	return out
}

func (f *field) set(address uint16, values ...uint16) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, v := range values {
		f.reg[address+uint16(i)] = v
	}
}

func (f *field) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.requests
}

// siteOf makes a site with the points, sorted by id.
func siteOf(points ...site.Point) *site.Site {
	s := &site.Site{ID: "club", Zone: time.UTC, Points: points}
	for i := range s.Points {
		if s.Points[i].Min == 0 && s.Points[i].Max == 0 {
			s.Points[i].Min, s.Points[i].Max = math.NaN(), math.NaN()
		}
	}
	for i := range s.Points {
		for j := i; j > 0 && s.Points[j].ID < s.Points[j-1].ID; j-- {
			s.Points[j], s.Points[j-1] = s.Points[j-1], s.Points[j]
		}
	}
	return s
}

func level(id string, every time.Duration) site.Point {
	return site.Point{ID: id, Bay: "A1", Quantity: site.Level, Interval: every}
}

// mm is a level in whole millimetres in one register.
func mm(point string, address int) PointMap {
	return PointMap{Point: point, Table: Holding, Address: address, Decode: Decode{Type: Uint16, Span: &Span{0, 1, 0, 1e-3}}}
}

func dev(id string, unit int, points ...PointMap) Device {
	d := DefaultDevice()
	d.ID, d.Unit, d.Points = id, unit, points
	d.Timeout = 500 * time.Millisecond
	return d
}

func tcpLink(at string, devices ...Device) Link {
	l := DefaultLink(TCP)
	l.ID, l.Address, l.Devices = "lan", at, devices
	return l
}

func rtuLink(at string, devices ...Device) Link {
	l := DefaultLink(RTUOverTCP)
	l.ID, l.Address, l.Devices, l.Listen, l.Late = "converter", at, devices, 0, 300*time.Millisecond
	return l
}

// catch is a sink that keeps everything and checks what every batch must keep.
type catch struct {
	mu    sync.Mutex
	cond  *sync.Cond
	all   []site.Sample
	by    map[string][]site.Sample
	wrong []string
}

func newCatch() *catch {
	c := &catch{by: map[string][]site.Sample{}}
	c.cond = sync.NewCond(&c.mu)
	return c
}

func (c *catch) sink(samples []site.Sample, done func()) {
	c.mu.Lock()
	for _, s := range samples {
		if before := c.by[s.Point]; len(before) > 0 && !s.Time.After(before[len(before)-1].Time) {
			c.wrong = append(c.wrong, fmt.Sprintf("%s at %v after %v", s.Point, s.Time, before[len(before)-1].Time))
		}
		if s.Time.Nanosecond()%1e6 != 0 || s.Time.Location() != time.UTC {
			c.wrong = append(c.wrong, fmt.Sprintf("%s at %v", s.Point, s.Time))
		}
		if (s.Quality == site.Bad) != math.IsNaN(s.Value) || (s.Quality == site.Good) != (s.Why == site.WhyNone) {
			c.wrong = append(c.wrong, fmt.Sprintf("%+v", s))
		}
		c.by[s.Point] = append(c.by[s.Point], s)
		c.all = append(c.all, s)
	}
	c.mu.Unlock()
	c.cond.Broadcast()
	done()
}

// of returns the samples of a point so far, or all of them for "".
func (c *catch) of(point string) []site.Sample {
	c.mu.Lock()
	defer c.mu.Unlock()
	if point == "" {
		return append([]site.Sample{}, c.all...)
	}
	return append([]site.Sample{}, c.by[point]...)
}

// until waits until ok holds of the samples of a point; the test fails when ctx ends first.
func (c *catch) until(t *testing.T, point string, ok func([]site.Sample) bool) []site.Sample {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	stop := context.AfterFunc(ctx, c.cond.Broadcast)
	defer stop()
	c.mu.Lock()
	defer c.mu.Unlock()
	for !ok(c.by[point]) {
		if ctx.Err() != nil {
			t.Fatalf("waited in vain for %s; it has %v", point, c.by[point])
		}
		c.cond.Wait()
	}
	return append([]site.Sample{}, c.by[point]...)
}

func goods(n int) func([]site.Sample) bool {
	return func(s []site.Sample) bool { return countQ(s, site.Good) >= n }
}

func bads(n int, why site.Why) func([]site.Sample) bool {
	return func(all []site.Sample) bool {
		k := 0
		for _, s := range all {
			if s.Why == why {
				k++
			}
		}
		return k >= n
	}
}

func countQ(all []site.Sample, q site.Quality) int {
	n := 0
	for _, s := range all {
		if s.Quality == q {
			n++
		}
	}
	return n
}

// play starts a driver on the clock of the machine and stops it when the test ends.
func play(t *testing.T, opts Options, s *site.Site) (*Driver, *catch) {
	t.Helper()
	d, err := New(opts, s, clock.Real{}, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	c := newCatch()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx, c.sink) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil && !errors.Is(err, context.Canceled) {
				t.Error(err)
			}
		case <-time.After(20 * time.Second):
			t.Error("the driver does not stop")
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		for _, w := range c.wrong {
			t.Error("sample breaks the contract: ", w)
		}
	})
	return d, c
}
