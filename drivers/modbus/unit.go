package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/goburrow/modbus"
)

// reader is the part of the library's client that is used. The functions that write are out of
// reach of everything behind it.
type reader interface {
	ReadCoils(address, quantity uint16) ([]byte, error)
	ReadDiscreteInputs(address, quantity uint16) ([]byte, error)
	ReadHoldingRegisters(address, quantity uint16) ([]byte, error)
	ReadInputRegisters(address, quantity uint16) ([]byte, error)
}

// unit is one address on a line: the library's client between a packager of the library with
// strict checks and a transporter of ours. It is used by one goroutine.
type unit struct {
	reader
	strict
	via interface {
		// carry sends one frame over the link and returns its answer.
		carry(u *unit, frame []byte) ([]byte, error)
	}
	id      byte
	any     bool
	timeout time.Duration
}

// newUnit returns a unit of a link of that kind. serial counts the transactions of the whole
// link: the library counts for each unit anew, so that the late answer of one unit could carry
// the transaction that another has just begun.
func newUnit(kind LinkKind, id byte, transaction *uint16) *unit {
	u := &unit{id: id}
	if kind == TCP {
		h := &modbus.TCPClientHandler{}
		h.SlaveId = id
		u.strict = strict{Packager: h, transaction: transaction}
	} else {
		h := &modbus.RTUClientHandler{}
		h.SlaveId = id
		u.strict = strict{Packager: h}
	}
	u.reader = modbus.NewClient2(&u.strict, u)
	return u
}

// Send implements the library's Transporter. It is the only way to a line, and lets nothing
// pass that is not a read.
func (u *unit) Send(frame []byte) ([]byte, error) {
	if fc := u.function(frame); !mayRead(fc) {
		return nil, fmt.Errorf("%w: function %d is not one of them", ErrWrite, fc)
	}
	return u.via.carry(u, frame)
}

func (u *unit) function(frame []byte) byte {
	at := 1
	if u.transaction != nil {
		at = mbapSize
	}
	if len(frame) <= at {
		return 0
	}
	return frame[at]
}

// read asks for n registers or bits of a table and returns their bytes: two a register, high
// byte first, or one bit each, low bit first. They are valid until the next read.
func (u *unit) read(t Table, address, n int) ([]byte, error) {
	var b []byte
	var err error
	// Called one by one: a method value of an interface is an allocation.
	switch a, q := uint16(address), uint16(n); t {
	case Coils:
		b, err = u.ReadCoils(a, q)
	case Discrete:
		b, err = u.ReadDiscreteInputs(a, q)
	case Input:
		b, err = u.ReadInputRegisters(a, q)
	default:
		b, err = u.ReadHoldingRegisters(a, q)
	}
	if err == nil {
		return b, nil
	}
	if x, ok := errors.AsType[*modbus.ModbusError](err); ok {
		return nil, &ExceptionError{Function: x.FunctionCode &^ exceptionBit, Code: x.ExceptionCode}
	}
	return nil, err
}

// identify asks for one step of the basic device identification (43/14, read code 1) from an
// object onwards and returns the answer's PDU.
func (u *unit) identify(code, object byte) ([]byte, error) {
	frame, err := u.Encode(&modbus.ProtocolDataUnit{FunctionCode: fcIdentification, Data: []byte{meiIdentify, code, object}})
	if err != nil {
		return nil, err
	}
	answer, err := u.Send(frame)
	if err != nil {
		return nil, err
	}
	pdu, err := u.Decode(answer)
	if err != nil {
		return nil, err
	}
	if pdu.FunctionCode == fcIdentification|exceptionBit {
		return nil, &ExceptionError{Function: fcIdentification, Code: pdu.Data[0]}
	}
	return append([]byte{pdu.FunctionCode}, pdu.Data...), nil
}

// strict is a packager of the library whose Verify is the line's: the frame it is given was
// checked as a whole before it came here. The library's own compares the unit id only, panics
// on short frames, and would refuse a device that answers with another unit id.
type strict struct {
	modbus.Packager
	transaction *uint16 // nil on RTU
}

// Encode implements the library's Packager.
func (s *strict) Encode(pdu *modbus.ProtocolDataUnit) ([]byte, error) {
	frame, err := s.Packager.Encode(pdu)
	if err == nil && s.transaction != nil {
		*s.transaction++
		binary.BigEndian.PutUint16(frame, *s.transaction)
	}
	return frame, err
}

// Verify implements the library's Packager.
func (s *strict) Verify(request, answer []byte) error {
	if s.transaction != nil {
		if len(answer) < mbapSize+2 {
			return fmt.Errorf("%w: %d bytes", ErrFrame, len(answer))
		}
		return checkAnswer(request[mbapSize:], answer[mbapSize:])
	}
	if len(answer) < 5 {
		return fmt.Errorf("%w: %d bytes", ErrFrame, len(answer))
	}
	return checkAnswer(request[1:len(request)-2], answer[1:len(answer)-2])
}
