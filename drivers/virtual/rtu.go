package virtual

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// crc is the check of an RTU frame (Modbus over Serial Line V1.02, 6.2.2): polynomial A001
// reflected, preset FFFF. It travels low byte first.
func crc(b []byte) uint16 {
	c := uint16(0xffff)
	for _, x := range b {
		c ^= uint16(x)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xa001
			} else {
				c >>= 1
			}
		}
	}
	return c
}

// ServeRTU answers Modbus RTU on an open serial line or pty until ctx ends, then closes the
// port. It returns nil when ctx ended it, and an error when the line is gone.
func (s *Slave) ServeRTU(ctx context.Context, port io.ReadWriteCloser) error {
	stop := context.AfterFunc(ctx, func() { port.Close() })
	err := s.talkRTU(port)
	if stop() {
		port.Close()
	}
	if ctx.Err() != nil {
		return nil
	}
	if err == nil {
		err = io.EOF
	}
	return fmt.Errorf("virtual pump house: serial line: %w", err)
}

// talkRTU reads requests and writes replies. Frames are found by length and check, not by
// silence, so the line's speed and the machine's load do not matter: bytes that cannot begin a
// right frame are dropped one at a time until the rest can.
func (s *Slave) talkRTU(port io.ReadWriter) error {
	var have []byte
	chunk := make([]byte, 256)
	for {
		n, err := port.Read(chunk)
		have = append(have, chunk[:n]...)
		for {
			frame, rest := nextFrame(have)
			have = rest
			if frame == nil {
				break
			}
			if err := s.replyRTU(port, frame); err != nil {
				return err
			}
		}
		if err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("read: %w", err)
		}
	}
}

func (s *Slave) replyRTU(port io.Writer, frame []byte) error {
	unit := frame[0]
	if unit == 0 {
		return nil // a broadcast is never answered, and there is nothing to write here
	}
	pdu := s.answer(unit, frame[1:len(frame)-2])
	if pdu == nil {
		return nil
	}
	out := append([]byte{unit}, pdu...)
	c := crc(out)
	if _, err := port.Write(append(out, byte(c), byte(c>>8))); err != nil {
		return fmt.Errorf("write reply: %w", err)
	}
	return nil
}

// nextFrame cuts the first right request frame from what has been read, and drops what stands
// before it. It returns nil, and what may still become a frame, when there is none.
func nextFrame(b []byte) (frame, rest []byte) {
	rest = b[len(b):]
	for i := range b {
		tail := b[i:]
		n, known := 4, true
		if len(tail) >= 2 {
			n, known = requestLength(tail)
		}
		switch {
		case !known:
		case len(tail) < n:
			if len(rest) == 0 {
				rest = tail
			}
		case crc(tail[:n-2]) == uint16(tail[n-2])|uint16(tail[n-1])<<8:
			return tail[:n], tail[n:]
		}
	}
	return nil, rest
}

// requestLength is the length of the request that begins with b, known from its function and,
// for the long ones, its byte count.
func requestLength(b []byte) (int, bool) {
	switch b[1] {
	case 1, 2, 3, 4, 5, 6, 8:
		return 8, true
	case 7, 11, 12, 17:
		return 4, true
	case 15, 16:
		if len(b) < 7 {
			return 9, true // not yet told: wait for the count
		}
		return 9 + int(b[6]), true
	case 22:
		return 10, true
	case 23:
		if len(b) < 11 {
			return 13, true
		}
		return 13 + int(b[10]), true
	case 0x2b:
		return 7, true
	}
	return 0, false
}
