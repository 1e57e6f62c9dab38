package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"time"
)

// line sends one request and reads its answer. It is used by one goroutine.
type line interface {
	// ask sends a frame and returns the frame of its answer, whole and checked against the
	// request, valid until the next call. The answer may take think beyond the time the frames
	// need on the wire. The deadline is absolute and real.
	ask(request []byte, think time.Duration) ([]byte, error)
	// pending is until when the answer to a failed ask may still come and be taken for another's;
	// zero when it cannot.
	pending() time.Time
	// broken reports whether the line must be closed and made anew.
	broken() bool
	close() error
}

// tcpLine is a Modbus TCP connection. The transaction id tells answers apart, so that a late
// one is passed over; what puts the stream out of step closes it.
type tcpLine struct {
	p       port
	release func() bool // ends the watch over ctx
	any     bool        // accept another unit id in the next answer
	buf     [2 * maxTCP]byte
	n       int // bytes in buf
	used    int // of them, those of the answer handed out last
	silent  int // time-outs in a row
	bad     bool
}

func newTCPLine(ctx context.Context, p port) *tcpLine {
	return &tcpLine{p: p, release: context.AfterFunc(ctx, func() { p.Close() })}
}

func (l *tcpLine) close() error {
	l.bad = true
	l.release()
	return l.p.Close()
}

func (l *tcpLine) pending() time.Time { return time.Time{} }

// silentLimit is after how many time-outs in a row, of whatever units, the connection is not
// believed any more: a half-dead gateway accepts and never answers.
const silentLimit = 2

func (l *tcpLine) broken() bool { return l.bad }

func (l *tcpLine) ask(request []byte, think time.Duration) ([]byte, error) {
	deadline := time.Now().Add(think)
	copy(l.buf[:], l.buf[l.used:l.n])
	l.n -= l.used
	l.used = 0
	fail := func(err error) ([]byte, error) {
		l.bad = true
		return nil, err
	}
	if err := l.p.SetWriteDeadline(deadline); err != nil {
		return fail(fmt.Errorf("%w: %w", ErrDown, err))
	}
	if n, err := l.p.Write(request); err != nil || n != len(request) {
		return fail(fmt.Errorf("%w: sent %d of %d bytes: %w", ErrDown, n, len(request), err))
	}
	if err := l.p.SetReadDeadline(deadline); err != nil {
		return fail(fmt.Errorf("%w: %w", ErrDown, err))
	}
	other := ""
	for {
		// Room for a whole frame behind what is there: size never exceeds maxTCP.
		for l.n >= mbapSize {
			size, err := frameSizeTCP(l.buf[:l.n])
			if err != nil {
				return fail(err)
			}
			if l.n < size {
				break
			}
			frame := l.buf[:size]
			if id, mine := binary.BigEndian.Uint16(frame), binary.BigEndian.Uint16(request); id != mine {
				other = fmt.Sprintf("only transaction %d where %d was due", id, mine)
				l.n = copy(l.buf[:], l.buf[size:l.n])
				continue
			}
			if frame[6] != request[6] && !l.any {
				return fail(fmt.Errorf("%w: unit %d where %d was asked", ErrFrame, frame[6], request[6]))
			}
			if err := checkAnswer(request[mbapSize:], frame[mbapSize:]); err != nil {
				return fail(err)
			}
			l.used, l.silent = size, 0
			if l.n >= size+mbapSize {
				// Garbage behind a good answer spoils only what comes next.
				if _, err := frameSizeTCP(l.buf[size:l.n]); err != nil {
					l.bad = true
				}
			}
			return frame, nil
		}
		n, err := l.p.Read(l.buf[l.n:])
		l.n += n
		if err == nil {
			continue
		}
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			return fail(fmt.Errorf("%w: %w", ErrDown, err))
		}
		// A half frame, or somebody's answer without ours: the stream cannot be trusted.
		if l.silent++; l.n > 0 || other != "" || l.silent >= silentLimit {
			l.bad = true
		}
		switch {
		case l.n > 0:
			return nil, fmt.Errorf("%w: %d bytes of it", ErrFrame, l.n)
		case other != "":
			return nil, fmt.Errorf("%w: %s", ErrFrame, other)
		}
		return nil, fmt.Errorf("%w within %v", ErrTimeout, think)
	}
}

// frameSizeTCP returns the length of the frame with which b, at least a header, begins.
func frameSizeTCP(b []byte) (int, error) {
	protocol, length := binary.BigEndian.Uint16(b[2:]), int(binary.BigEndian.Uint16(b[4:]))
	if protocol != 0 {
		return 0, fmt.Errorf("%w: protocol %d where 0 is Modbus", ErrFrame, protocol)
	}
	// The length counts the unit id and a PDU of 2 to 253 bytes.
	if length < 3 || length > maxPDU+1 {
		return 0, fmt.Errorf("%w: length %d in its header", ErrFrame, length)
	}
	return mbapSize - 1 + length, nil
}
