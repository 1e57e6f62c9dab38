package virtual

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"strconv"
	"sync"
	"time"

	"bayledger/agent/clock"
)

// Slave serves a Field's registers. Before every answer the field is brought up to the clock.
//
// It answers functions 01 to 04 and 43/14; everything else, all writes included, is refused
// with exception 01. The one exception is the coil of a master valve, where there is one. A unit that is silent or does not exist gives no answer.
type Slave struct {
	field *Field
	clk   clock.Clock
	log   *slog.Logger
	// witness, if set, gets a line for every point whose every word was in an answer.
	witnessMu sync.Mutex
	witness   io.Writer
	served    map[string]int64
}

// NewSlave returns a slave for the field. witness may be nil; otherwise every point served is
// written to it as a line "time,point,count,value": the model's moment (RFC 3339), the point,
// how often it has been served, and the decoded SI value in the shortest form that reads back
// the same. A line is written before the answer goes out, so what a reader has, the witness
// has.
func NewSlave(f *Field, clk clock.Clock, log *slog.Logger, witness io.Writer) *Slave {
	return &Slave{field: f, clk: clk, log: log, witness: witness, served: map[string]int64{}}
}

// Exception codes of the Modbus Application Protocol V1.1b3, section 7.
const (
	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3
	deviceFailure   = 4
)

func exception(function, code byte) []byte { return []byte{function | 0x80, code} }

// answer returns the reply to a request PDU, or nil when the unit keeps silent or does not
// exist.
func (s *Slave) answer(unit uint8, pdu []byte) []byte {
	f := s.field
	f.mu.Lock()
	defer f.mu.Unlock()
	f.advance(s.clk.Now())
	if _, ok := f.units[unit]; !ok || f.silent[unit] || len(pdu) == 0 {
		return nil
	}
	function := pdu[0]
	if out := f.masterCoilPDU(unit, pdu); out != nil {
		return out
	}
	var table Table
	most := 125
	switch function {
	case 1:
		table, most = Coils, 2000
	case 2:
		table, most = Discrete, 2000
	case 3:
		table = Holding
	case 4:
		table = Input
	case 0x2b:
		return f.identify(unit, pdu)
	default:
		return exception(function, illegalFunction)
	}
	if len(pdu) != 5 {
		return exception(function, illegalValue)
	}
	a, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	if n < 1 || n > most {
		return exception(function, illegalValue)
	}
	words, ok := f.words(unit, table, a, n)
	if !ok {
		return exception(function, illegalAddress)
	}
	if err := s.testify(unit, table, a, words); err != nil {
		s.log.Error("the witness cannot be written, so nothing is answered", "error", err)
		return exception(function, deviceFailure)
	}
	if table == Coils || table == Discrete {
		out := make([]byte, 2+(n+7)/8)
		out[0], out[1] = function, byte((n+7)/8)
		for i, w := range words {
			if w != 0 {
				out[2+i/8] |= 1 << (i % 8)
			}
		}
		return out
	}
	return appendWords([]byte{function, byte(2 * n)}, words)
}

// masterCoilPDU answers a request about the master valve's coil, nil where it is about something
// else.
func (f *Field) masterCoilPDU(unit uint8, pdu []byte) []byte {
	if !f.cfg.Supply.Master || unit != f.cfg.Instruments.SupplyUnit || len(pdu) != 5 || pdu[1] != 0 || pdu[2] != 0 {
		return nil
	}
	switch {
	case pdu[0] == 5 && (pdu[3] == 0xFF || pdu[3] == 0) && pdu[4] == 0:
		f.masterCoil = pdu[3] == 0xFF
		return slices.Clone(pdu)
	case pdu[0] == 5:
		return exception(5, illegalValue)
	case pdu[0] == 1 && pdu[3] == 0 && pdu[4] == 1:
		bit := byte(0)
		if f.masterCoil {
			bit = 1
		}
		return []byte{1, 1, bit}
	}
	return nil
}

// testify writes the witness lines of an answer. The field's lock is held, so lines are in the
// order of the answers.
func (s *Slave) testify(unit uint8, table Table, a int, words []uint16) error {
	if s.witness == nil {
		return nil
	}
	var lines []byte
	now := s.clk.Now() // the moment of the answer; the model's own goes by its step
	for i := range s.field.points {
		r := &s.field.points[i]
		from := int(r.Address) - a
		if r.Unit != unit || r.Table != table || from < 0 || from+r.Coding.words() > len(words) {
			continue
		}
		var w [2]uint16
		copy(w[:r.Coding.words()], words[from:])
		v, _, _ := r.Decode(w)
		s.served[r.Point]++
		lines = now.AppendFormat(lines, time.RFC3339Nano)
		lines = append(append(append(lines, ','), r.Point...), ',')
		lines = append(strconv.AppendInt(lines, s.served[r.Point], 10), ',')
		lines = append(strconv.AppendFloat(lines, v, 'g', -1, 64), '\n')
	}
	s.witnessMu.Lock()
	defer s.witnessMu.Unlock()
	_, err := s.witness.Write(lines)
	return err
}

// identification objects of function 43/14 (V1.1b3, section 6.21): the three basic ones and
// the unit's own name.
func (f *Field) objects(unit uint8) []string {
	return []string{"bayledger", "virtual pump house", "1.0", "", f.units[unit]}
}

// identify answers function 43/14.
func (f *Field) identify(unit uint8, pdu []byte) []byte {
	if len(pdu) < 2 || pdu[1] != 0x0e {
		return exception(0x2b, illegalFunction)
	}
	if len(pdu) != 4 {
		return exception(0x2b, illegalValue)
	}
	code, object := pdu[2], int(pdu[3])
	all := f.objects(unit)
	out := []byte{0x2b, 0x0e, code, 0x82, 0, 0, 0}
	put := func(i int) {
		out[6]++
		out = append(append(out, byte(i), byte(len(all[i]))), all[i]...)
	}
	last := len(all) - 1
	switch code {
	case 1:
		last = 2
	case 2, 3:
	case 4:
		if object > last || all[object] == "" {
			return exception(0x2b, illegalAddress)
		}
		put(object)
		return out
	default:
		return exception(0x2b, illegalValue)
	}
	if object > last {
		object = 0 // an unknown object in a stream starts again at the beginning
	}
	for i := object; i <= last; i++ {
		if all[i] != "" {
			put(i)
		}
	}
	return out
}

// ServeTCP answers Modbus TCP on the listener until ctx ends, then closes it and waits for
// every connection to be done. It returns nil when ctx ended it.
func (s *Slave) ServeTCP(ctx context.Context, l net.Listener) error {
	return s.accept(ctx, l, s.talkTCP)
}

// ServeRTUOverTCP answers RTU frames that travel over plain TCP, as transparent serial servers
// send them.
func (s *Slave) ServeRTUOverTCP(ctx context.Context, l net.Listener) error {
	return s.accept(ctx, l, func(c net.Conn) error { return s.talkRTU(c) })
}

func (s *Slave) accept(ctx context.Context, l net.Listener, talk func(net.Conn) error) error {
	var wg sync.WaitGroup
	var mu sync.Mutex
	open := map[net.Conn]bool{}
	ended := false
	stop := context.AfterFunc(ctx, func() {
		l.Close()
		mu.Lock()
		defer mu.Unlock()
		ended = true
		for c := range open {
			c.Close()
		}
	})
	defer wg.Wait()
	defer stop()
	for {
		c, err := l.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			l.Close()
			mu.Lock()
			for c := range open {
				c.Close()
			}
			mu.Unlock()
			return fmt.Errorf("virtual pump house: accept on %s: %w", l.Addr(), err)
		}
		mu.Lock()
		if ended {
			mu.Unlock()
			c.Close()
			continue
		}
		open[c] = true
		mu.Unlock()
		wg.Go(func() {
			err := talk(c)
			c.Close()
			mu.Lock()
			delete(open, c)
			mu.Unlock()
			if err != nil && ctx.Err() == nil {
				s.log.Info("a connection to the virtual pump house ended", "peer", c.RemoteAddr().String(), "error", err)
			}
		})
	}
}

// talkTCP answers one connection. It returns nil when the peer closed it between requests.
func (s *Slave) talkTCP(c net.Conn) error {
	var head [7]byte
	body := make([]byte, 253)
	for {
		if _, err := io.ReadFull(c, head[:]); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("read header: %w", err)
		}
		n := int(binary.BigEndian.Uint16(head[4:])) - 1
		if binary.BigEndian.Uint16(head[2:]) != 0 || n < 1 || n > len(body) {
			return fmt.Errorf("%x is no Modbus TCP header", head)
		}
		if _, err := io.ReadFull(c, body[:n]); err != nil {
			return fmt.Errorf("read request: %w", err)
		}
		reply := s.answer(head[6], body[:n])
		if reply == nil {
			continue
		}
		out := append(head[:4:4], byte((len(reply)+1)>>8), byte(len(reply)+1), head[6])
		if _, err := c.Write(append(out, reply...)); err != nil {
			return fmt.Errorf("write reply: %w", err)
		}
	}
}
