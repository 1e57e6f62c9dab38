package modbus

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"
)

// rtuLine is a serial line, or one behind a transparent serial server. A frame says neither
// where it ends nor which request it answers, so the answer is found by its unit, function,
// length and check, and a unit that failed to answer is left alone until its answer can no
// longer come (Link.Late, kept by the loop).
type rtuLine struct {
	p       port
	release func() bool
	o       Link
	char    time.Duration // one character on the wire; 0 when the speed is not known
	gap     time.Duration // silence between frames
	quietAt time.Time     // when the line last became silent, as far as is known
	buf     [3 * maxRTU]byte
	// lateUntil is until when the answer to a request that failed may still come; zero when the
	// last one was answered.
	lateUntil time.Time
	bad       atomic.Bool // set by whoever closes the line, too
	echo      bool        // the adapter hands back what it sends
	// heard is given what was on the line and is not the answer to anything asked.
	heard *sniffer
}

func newRTULine(ctx context.Context, p port, o Link, heard *sniffer) *rtuLine {
	l := &rtuLine{p: p, o: o, char: charTime(o), gap: frameGap(o), quietAt: time.Now(), heard: heard}
	l.release = context.AfterFunc(ctx, func() { p.Close() })
	return l
}

// charTime is how long one character takes on a line: start, data, parity, stop bits. An
// RTU-over-TCP link gives the baud rate only and is taken for 11 bits.
func charTime(o Link) time.Duration {
	if o.Baud == 0 {
		return 0
	}
	bits := 11
	if o.Kind == Serial {
		bits = 1 + o.DataBits + o.StopBits
		if o.Parity != ParityNone {
			bits++
		}
	}
	return time.Duration(bits) * time.Second / time.Duration(o.Baud)
}

// frameGap is the silence between frames: 3.5 characters of 11 bits, above 19200 baud a fixed
// 1.75 ms (serial line V1.02, 2.5.1.1), or longer where the site file says so. Where the speed
// is not known a millisecond lets what is in the socket be seen.
func frameGap(o Link) time.Duration {
	gap := time.Millisecond
	switch {
	case o.Baud > 19200:
		gap = 1750 * time.Microsecond
	case o.Baud > 0:
		gap = 35 * 11 * time.Second / 10 / time.Duration(o.Baud)
	}
	return max(gap, o.FrameGap)
}

func (l *rtuLine) close() error {
	l.bad.Store(true)
	l.release()
	return l.p.Close()
}

func (l *rtuLine) pending() time.Time { return l.lateUntil }
func (l *rtuLine) broken() bool       { return l.bad.Load() }

// babble is how long a line may go on talking before the request is given up.
const babble = time.Second

// settle is how long after the last byte of what should have been an answer the next one is
// waited for: serial adapters and servers deliver in lumps of up to 16 ms.
const settle = 50 * time.Millisecond

func (l *rtuLine) ask(request []byte, think time.Duration) ([]byte, error) {
	l.lateUntil = time.Time{}
	if err := l.drain(); err != nil {
		return nil, err
	}
	pdu := request[1 : len(request)-2]
	size, exact := answerSize(pdu, nil)
	size += 3
	if !exact {
		size = maxRTU
	}
	wire := time.Duration(len(request)+size) * l.char
	start := time.Now()
	deadline := start.Add(wire + think)
	if err := l.p.SetWriteDeadline(deadline); err != nil {
		return nil, l.fail(err)
	}
	if n, err := l.p.Write(request); err != nil || n != len(request) {
		return nil, l.fail(fmt.Errorf("sent %d of %d bytes: %w", n, len(request), err))
	}
	l.lateUntil = deadline.Add(l.o.Late)
	until := deadline
	n, skip := 0, 0
	seen := ""
	if l.o.Echo {
		skip = len(request)
	}
	for {
		if err := l.p.SetReadDeadline(until); err != nil {
			return nil, l.fail(err)
		}
		m, err := l.p.Read(l.buf[n:])
		if m > 0 {
			n += m
			l.quietAt = time.Now()
			if frame, s := scan(request, l.buf[:n]); frame != nil {
				l.lateUntil = time.Time{}
				l.echo = l.echo || n >= len(request)+len(frame) && bytes.HasPrefix(l.buf[:n], request)
				if n > len(frame)+skip {
					l.heard.feed(l.buf[:n], request)
				}
				return frame, nil
			} else {
				seen = s
			}
			if n == len(l.buf) {
				l.heard.feed(l.buf[:n], request)
				return nil, fmt.Errorf("%w: %d bytes without end", ErrFrame, n)
			}
			// The whole of an answer is here and it is not one: what follows it, follows soon.
			if got := l.buf[min(skip, n):n]; exact && len(got) >= size && answered(request[0], pdu, got) {
				l.lateUntil = time.Time{}
				until = earlier(deadline, l.quietAt.Add(l.gap+settle))
			}
		}
		switch {
		case err == nil:
			continue
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return nil, l.fail(err)
		}
		l.heard.feed(l.buf[:n], request)
		switch {
		case n == 0 || l.o.Echo && n == skip:
			l.flush()
			return nil, fmt.Errorf("%w within %v", ErrTimeout, think)
		case !l.o.Echo && n == len(request) && seen == "only its own echo":
			return nil, fmt.Errorf("%w: %w", ErrFrame, ErrEcho)
		}
		return nil, fmt.Errorf("%w: %s in %d bytes", ErrFrame, seen, n)
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// drain waits until the line has been silent for the gap and throws away what comes meanwhile,
// after the sniffer has seen it.
func (l *rtuLine) drain() error {
	start, drained := time.Now(), false
	for {
		until := l.quietAt.Add(l.gap)
		if _, tty := l.p.(flusher); !tty {
			// A socket whose deadline has passed gives nothing, not even what is there.
			until = later(until, time.Now().Add(time.Millisecond))
		}
		if time.Since(start) > babble {
			return fmt.Errorf("%w: the line is never silent", ErrFrame)
		}
		if err := l.p.SetReadDeadline(until); err != nil {
			return l.fail(err)
		}
		n, err := l.p.Read(l.buf[:])
		if n > 0 {
			l.quietAt, drained = time.Now(), true
			l.heard.feed(l.buf[:n], nil)
			continue
		}
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			if drained {
				l.heard.pause()
			}
			if l.heard.foreign() {
				return ErrOtherMaster
			}
			return nil
		case err != nil:
			return l.fail(err)
		}
	}
}

// listen reads until the real moment until, or for ever when it is zero, and lets the sniffer
// see everything.
func (l *rtuLine) listen(until time.Time) error {
	for {
		slice := time.Now().Add(settle)
		if !until.IsZero() {
			slice = earlier(slice, until)
		}
		if err := l.p.SetReadDeadline(slice); err != nil {
			return l.fail(err)
		}
		n, err := l.p.Read(l.buf[:])
		switch {
		case n > 0:
			l.quietAt = time.Now()
			l.heard.feed(l.buf[:n], nil)
		case errors.Is(err, os.ErrDeadlineExceeded):
			l.heard.pause()
			if !until.IsZero() && !time.Now().Before(until) {
				return nil
			}
		case err != nil:
			return l.fail(err)
		}
	}
}

func (l *rtuLine) fail(err error) error {
	l.bad.Store(true)
	return fmt.Errorf("%w: %w", ErrDown, err)
}

// flusher is a serial device; a socket is none.
type flusher interface{ flush() error }

// flush throws away what a serial device has not yet sent.
func (l *rtuLine) flush() {
	if s, ok := l.p.(flusher); ok {
		if err := s.flush(); err != nil {
			l.bad.Store(true)
		}
	}
}
