package modbus

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"bayledger/agent/site"
)

// The function codes that may be sent. There is no other way to a device than through a request
// built of these, and send refuses a frame with any other code.
const (
	fcCoils          byte = 0x01
	fcDiscrete       byte = 0x02
	fcHolding        byte = 0x03
	fcInput          byte = 0x04
	fcIdentification byte = 0x2B // with MEI type 0Eh
	meiIdentify      byte = 0x0E
	exceptionBit     byte = 0x80
)

// mayRead reports whether a function code only reads.
func mayRead(fc byte) bool {
	return fc >= fcCoils && fc <= fcInput || fc == fcIdentification
}

// Sizes (application protocol V1.1b3, 4.1; serial line V1.02, 2.5.1; messaging guide V1.0b, 3.1.3).
const (
	mbapSize = 7
	maxPDU   = 253
	maxRTU   = 256
	maxTCP   = 260
)

// Reasons for which a request has no answer. All are found with errors.Is; the text says what
// was seen.
var (
	ErrTimeout     = errors.New("no answer")
	ErrFrame       = errors.New("the answer is damaged or not to the question")
	ErrEcho        = errors.New("the adapter hands back what it sends: set echo for this link")
	ErrOtherMaster = errors.New("another master speaks on this line, so nothing is sent: " +
		"give the devices to be read a line of their own, put a gateway with two sides between, " +
		"or read the controller itself as a Modbus TCP device")
	ErrWrite = errors.New("only the functions that read are ever sent")
	ErrDown  = errors.New("the link is down")
)

// ExceptionError is a device's refusal.
type ExceptionError struct {
	Function, Code byte
}

var exceptionNames = map[byte]string{
	1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server device failure",
	5: "acknowledge", 6: "server device busy", 7: "negative acknowledge", 8: "memory parity error",
	10: "gateway path unavailable", 11: "gateway target device failed to respond",
}

func (e *ExceptionError) Error() string {
	name := exceptionNames[e.Code]
	if name == "" {
		name = "not in the specification"
	}
	return fmt.Sprintf("refused function %d with exception %d, %s", e.Function, e.Code, name)
}

// whyOf classifies an error for the sample.
func whyOf(err error) site.Why {
	if err == nil {
		return site.WhyNone
	}
	x, refused := errors.AsType[*ExceptionError](err)
	switch {
	case refused:
		switch x.Code {
		case 10:
			return site.WhyLinkDown
		case 11:
			return site.WhyTimeout
		}
		return site.WhyException
	case errors.Is(err, ErrTimeout):
		return site.WhyTimeout
	case errors.Is(err, ErrFrame), errors.Is(err, ErrEcho):
		return site.WhyBadFrame
	case errors.Is(err, ErrOtherMaster):
		return site.WhyOtherMaster
	}
	return site.WhyLinkDown
}

// crcTable is for the polynomial A001h (serial line V1.02, 6.2.2).
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 == 1 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc16 of a frame without its check. It travels low byte first.
func crc16(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, x := range b {
		c = c>>8 ^ crcTable[byte(c)^x]
	}
	return c
}

// sound reports whether the last two bytes of an RTU frame are its check.
func sound(frame []byte) bool {
	n := len(frame) - 2
	return n >= 2 && binary.LittleEndian.Uint16(frame[n:]) == crc16(frame[:n])
}

// answerSize is the length of the PDU that answers a request PDU. For an identification, whose
// answer says its own length, have is the answer's PDU as far as it is here: the result is
// exact when have is long enough and a lower bound otherwise.
func answerSize(request, have []byte) (size int, exact bool) {
	switch request[0] {
	case fcCoils, fcDiscrete:
		return 2 + (int(binary.BigEndian.Uint16(request[3:]))+7)/8, true
	case fcHolding, fcInput:
		return 2 + 2*int(binary.BigEndian.Uint16(request[3:])), true
	case fcWriteCoil:
		return 5, true
	}
	// 2B 0E code conformity more next count, then count times id, length, bytes.
	if len(have) < 7 {
		return 7, false
	}
	size = 7
	for range int(have[6]) {
		if len(have) < size+2 {
			return size + 2, false
		}
		size += 2 + int(have[size+1])
	}
	return size, true
}

// checkAnswer compares the PDU of an answer with the PDU of its request: function, byte count
// and length (traps 6, 8 and 9 of the library). An exception to this very function passes.
func checkAnswer(request, answer []byte) error {
	if len(answer) < 2 {
		return fmt.Errorf("%w: %d bytes", ErrFrame, len(answer))
	}
	if answer[0] == request[0]|exceptionBit {
		if len(answer) != 2 {
			return fmt.Errorf("%w: an exception of %d bytes", ErrFrame, len(answer))
		}
		return nil
	}
	if answer[0] != request[0] {
		return fmt.Errorf("%w: function %d where %d was asked", ErrFrame, answer[0], request[0])
	}
	size, exact := answerSize(request, answer)
	if len(answer) != size || !exact {
		return fmt.Errorf("%w: %d bytes where %d were due", ErrFrame, len(answer), size)
	}
	if request[0] == fcWriteCoil {
		// The answer is the request again (6.5).
		if !bytes.Equal(request, answer) {
			return fmt.Errorf("%w: another coil or value than was written", ErrFrame)
		}
		return nil
	}
	if request[0] == fcIdentification {
		if answer[1] != meiIdentify {
			return fmt.Errorf("%w: interface type %02X", ErrFrame, answer[1])
		}
		return nil
	}
	if int(answer[1]) != size-2 {
		return fmt.Errorf("%w: byte count %d where %d was due", ErrFrame, answer[1], size-2)
	}
	return nil
}

// scan looks for the answer to the request frame in what an RTU line has brought since it was
// sent: it returns the answer's frame, whole and with a sound check, or nil with what else was
// seen. Noise before and after the answer is passed over, and so are sound frames that are
// something else: another unit's, another function's, an answer of another length.
//
// What equals the request byte for byte is an echo and never the answer, although it can have
// the form of one: an echoed request for 17 to 24 coils at addresses 0300h to 03FFh is the
// frame of a good answer.
func scan(request, got []byte) (frame []byte, seen string) {
	unit, pdu := request[0], request[1:len(request)-2]
	if len(got) < len(request) && bytes.HasPrefix(request, got) {
		return nil, ""
	}
	for i := 0; i < len(got); {
		rest := got[i:]
		if bytes.HasPrefix(rest, request) {
			seen = "only its own echo"
			i += len(request)
			continue
		}
		n, _ := frameLength(rest)
		if n == 0 {
			if answered(unit, pdu, rest) {
				seen = "a wrong check"
			} else if seen == "" {
				seen = "noise"
			}
			i++
			continue
		}
		f := rest[:n]
		i += n
		switch {
		case f[0] != unit:
			seen = fmt.Sprintf("an answer of unit %d", f[0])
		default:
			err := checkAnswer(pdu, f[1:n-2])
			if err == nil {
				return f, ""
			}
			seen = fmt.Sprintf("function %d of %d bytes", f[1], n)
		}
	}
	return nil, seen
}

// answered reports whether b begins with an answer of the right unit, function and length, so
// that what came is this answer even if its check is wrong, and no other is still to come.
func answered(unit byte, pdu, b []byte) bool {
	if len(b) < 3 || b[0] != unit || b[1] != pdu[0] {
		return false
	}
	size, exact := answerSize(pdu, b[1:])
	return exact && len(b) >= size+3 && (pdu[0] == fcIdentification || int(b[2]) == size-2)
}

// frameLength returns the length of the sound RTU frame with which b begins, request or answer
// of any function met on a line, or 0. more is true when b is too short to tell: it may yet
// become one. It allocates nothing.
func frameLength(b []byte) (n int, more bool) {
	if len(b) < 2 {
		return 0, true
	}
	for _, want := range lengths(b) {
		switch {
		case want == 0 || want > maxRTU:
		case want > len(b):
			more = true
		case sound(b[:want]):
			return want, false
		}
	}
	return 0, more
}

// lengths returns the lengths a frame may have that begins with b, at least two bytes; 0 stands
// for none. Where the frame itself says its length and b does not reach so far, it is what b
// must reach to tell.
func lengths(b []byte) [2]int {
	at := func(i, base int) int { // base plus the count at byte i
		if len(b) <= i {
			return len(b) + 1
		}
		return base + int(b[i])
	}
	switch fc := b[1]; {
	case b[0] > 247:
		return [2]int{}
	case fc&exceptionBit != 0:
		return [2]int{5, 0}
	case fc >= fcCoils && fc <= fcInput:
		return [2]int{at(2, 5), 8}
	case fc == 0x05, fc == 0x06:
		return [2]int{8, 0}
	case fc == 0x07:
		return [2]int{4, 5}
	case fc == 0x0F, fc == 0x10:
		return [2]int{8, at(6, 9)}
	case fc == 0x11:
		return [2]int{4, at(2, 5)}
	case fc == 0x16:
		return [2]int{10, 0}
	case fc == 0x17:
		return [2]int{at(2, 5), at(10, 13)}
	case fc == fcIdentification:
		n, _ := answerSize(b[1:2], b[1:])
		return [2]int{7, n + 3}
	}
	return [2]int{}
}
