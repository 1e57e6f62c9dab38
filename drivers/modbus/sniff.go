package modbus

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"sync"
	"time"
)

// sniffer follows what is said on an RTU line by others: it tells whether another master is
// there and, where one is, pairs its requests with their answers.
//
// Frames are told from noise by their check alone, since adapters and serial servers lose the
// silences that separate them. A check of 16 bits lets one in 65,536 pieces of noise through, so
// a frame is looked for only where one can begin: behind the one before it, or after silence.
type sniffer struct {
	mu sync.Mutex
	// own are the units this link asks: on a line we are master of, a late answer of one of them
	// is no sign of another master.
	own [256]bool
	// any takes every sound frame for another master's, for the time in which we say nothing.
	any bool
	buf []byte
	// bursts counts pieces of four bytes and more that held no frame at all.
	bursts int
	burst  int
	master string // what showed that there is another master; empty when nothing did
	// spoke is when another master last showed itself, in real time.
	spoke time.Time
	// wrote is the isolation valve's order, which may be confirmed until wroteUntil by the same bytes.
	wrote      []byte
	wroteUntil time.Time
	// asked is the last request heard, until it is answered.
	asked []byte
	// answer, if set, is called with what another master was told: unit, function, address,
	// quantity and the data bytes, valid during the call.
	answer func(unit, fc byte, address, n int, data []byte)
}

// noiseBursts is how many pieces of undecodable traffic, while we say nothing, mean that
// somebody speaks in a way that is not understood.
const noiseBursts = 3

// feed hands over bytes in the order in which they were heard. own is the request of ours they
// followed, whose echo and whose answer mean nothing; nil when there is none.
func (s *sniffer) feed(b, own []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if own != nil {
		// What follows our own request is seen whole: noise in it, such as the broken beginning of
		// an answer, hides nothing behind it.
		for i := 0; i < len(b); {
			n, _ := frameLength(b[i:])
			if n == 0 {
				i++
				continue
			}
			if f := b[i : i+n]; !bytes.Equal(f, own) && checkAnswer(own[1:len(own)-2], f[1:n-2]) != nil {
				s.frame(f)
			}
			i += n
		}
		return
	}
	s.buf = append(s.buf, b...)
	s.parse(false)
}

// pause says that the line has been silent for a while, so that what has not become a frame
// never will.
func (s *sniffer) pause() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.parse(true)
	if s.burst >= 4 {
		s.bursts++
		if s.any && s.bursts >= noiseBursts {
			s.spoke = time.Now()
			if s.master == "" {
				s.master = "traffic that holds no frame: another speed or parity, or another protocol"
			}
		}
	}
	s.burst = 0
}

func (s *sniffer) parse(silent bool) {
	i := 0
	for i < len(s.buf) {
		n, more := frameLength(s.buf[i:])
		if n > 0 {
			s.frame(s.buf[i : i+n])
			s.burst = 0
			i += n
			continue
		}
		if more && !silent && len(s.buf)-i < maxRTU {
			break
		}
		s.burst++
		i++
	}
	s.buf = append(s.buf[:0], s.buf[i:]...)
}

// frame judges one sound frame. It is called with the lock held.
func (s *sniffer) frame(f []byte) {
	unit, pdu := f[0], f[1:len(f)-2]
	if a := s.asked; a != nil && a[0] == unit && checkAnswer(a[1:len(a)-2], pdu) == nil {
		s.asked = nil
		s.note(f, "the answer of unit %d to another master", unit)
		if pdu[0]&exceptionBit == 0 && pdu[0] <= fcInput && s.answer != nil {
			s.answer(unit, pdu[0], int(binary.BigEndian.Uint16(a[2:])), int(binary.BigEndian.Uint16(a[4:])), pdu[2:])
		}
		return
	}
	switch fc := pdu[0]; {
	case fc >= fcCoils && fc <= fcInput && len(f) == 8 && (fc >= fcHolding || pdu[1] != 3 || s.any):
		// A request. Among coils and inputs an answer of three bytes has the same length, and is
		// taken for one only where it answers the request before it.
		if q := int(binary.BigEndian.Uint16(f[4:])); q == 0 || fc >= fcHolding && q > maxRegisters || q > maxBits {
			return
		}
		s.asked = append(s.asked[:0:0], f...)
		s.note(f, "a request to unit %d that is not ours", unit)
	case bytes.Equal(f, s.wrote) && time.Now().Before(s.wroteUntil):
	case fc&exceptionBit == 0 && (fc == 0x05 || fc == 0x06 || fc == 0x0F || fc == 0x10 || fc == 0x16 || fc == 0x17):
		s.note(f, "function %d to unit %d, which we never send", fc, unit)
	case !s.own[unit]:
		s.note(f, "an answer of unit %d, which we never ask", unit)
	case s.any:
		s.note(f, "an answer of unit %d to somebody else", unit)
	}
}

func (s *sniffer) note(f []byte, format string, args ...any) {
	s.spoke = time.Now()
	if s.master == "" {
		s.master = fmt.Sprintf(format, args...) + fmt.Sprintf(" (% X)", f)
	}
}

// written says that a frame of ours that writes goes out, and until when its answer may come.
func (s *sniffer) written(frame []byte, until time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wrote, s.wroteUntil = append(s.wrote[:0], frame...), until
}

// foreign reports whether another master was heard.
func (s *sniffer) foreign() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.master != ""
}

// spoken is when another master last showed itself; heard is false when none did.
func (s *sniffer) spoken() (at time.Time, heard bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.spoke, s.master != ""
}

// evidence is what showed another master.
func (s *sniffer) evidence() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.master
}

// begin forgets what was heard and starts again, with or without any.
func (s *sniffer) begin(any bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.buf, s.bursts, s.burst, s.master, s.asked, s.any = s.buf[:0], 0, 0, "", nil, any
}

// quieten ends the time in which answers to our own last requests were expected.
func (s *sniffer) quieten() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.any = true
	s.bursts, s.burst = 0, 0
}
