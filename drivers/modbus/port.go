package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// port is what a line needs of a socket or a serial device. Read returns what is there, at
// least one byte, or os.ErrDeadlineExceeded; a deadline in the past reads nothing, or what is
// already there.
type port interface {
	Read(b []byte) (int, error)
	Write(b []byte) (int, error)
	SetReadDeadline(t time.Time) error
	SetWriteDeadline(t time.Time) error
	Close() error
}

// opener makes the connection of a link. Tests put one end of a net.Pipe here.
type opener func(ctx context.Context, l Link) (port, error)

// open is the opener of the real world.
func open(ctx context.Context, l Link) (port, error) {
	if l.Kind == Serial {
		return openSerial(l)
	}
	ctx, cancel := context.WithTimeout(ctx, l.Dial)
	defer cancel()
	c, err := new(net.Dialer).DialContext(ctx, "tcp", l.Address)
	if err != nil {
		return nil, err // net.OpError says "dial" and the address itself
	}
	return c, nil
}

// serialPort is a serial device with a read deadline.
//
// The device is opened twice: once by the serial library and once here, because the library
// hands its descriptor to nobody. The second one carries the advisory lock that tells other
// programs of good will that the line is taken (TIOCEXCL, which the library sets, does not
// stop root), and the request for RS-485 direction control, which belongs to the device and not
// to the descriptor. Both are closed together: a descriptor kept after a hangup makes the kernel
// give the adapter another name when it comes back.
type serialPort struct {
	serial.Port
	lock     int
	deadline time.Time
	once     sync.Once
}

func openSerial(l Link) (port, error) {
	mode := &serial.Mode{BaudRate: l.Baud, DataBits: l.DataBits,
		// Both lines are raised, as the library does by default: some adapters are powered by them.
		InitialStatusBits: nil}
	switch l.Parity {
	case ParityEven:
		mode.Parity = serial.EvenParity
	case ParityOdd:
		mode.Parity = serial.OddParity
	case ParityNone:
		mode.Parity = serial.NoParity
	}
	if l.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	lock, err := unix.Open(l.Path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", l.Path, err)
	}
	fail := func(err error) (port, error) {
		return nil, errors.Join(err, unix.Close(lock))
	}
	if err := unix.Flock(lock, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return fail(fmt.Errorf("open %s: another program has the line: %w", l.Path, err))
	}
	if l.RS485 != nil {
		if err := setRS485(lock, *l.RS485, tiocsrs485); err != nil {
			return fail(fmt.Errorf("open %s: %w", l.Path, err))
		}
	}
	p, err := serial.Open(l.Path, mode)
	if err != nil {
		return fail(fmt.Errorf("open %s: %w", l.Path, err))
	}
	return &serialPort{Port: p, lock: lock}, nil
}

// SetReadDeadline implements port.
func (s *serialPort) SetReadDeadline(t time.Time) error {
	s.deadline = t
	return nil
}

// SetWriteDeadline implements port. A write of one frame goes into the kernel's buffer and does
// not wait: flush keeps that buffer from filling up.
func (s *serialPort) SetWriteDeadline(time.Time) error { return nil }

// Read implements port.
func (s *serialPort) Read(b []byte) (int, error) {
	d := max(time.Until(s.deadline), 0)
	if err := s.SetReadTimeout(d); err != nil {
		return 0, err
	}
	n, err := s.Port.Read(b)
	if n == 0 && err == nil {
		return 0, os.ErrDeadlineExceeded
	}
	return n, err
}

// flush forgets what was written and not yet sent, so that a line that takes nothing cannot
// fill the buffer and block the next write for ever.
func (s *serialPort) flush() error { return s.ResetOutputBuffer() }

// Close implements port. It ends a Read under way, and may be called more than once.
func (s *serialPort) Close() error {
	var err error
	s.once.Do(func() { err = errors.Join(s.Port.Close(), unix.Close(s.lock)) })
	return err
}

// serialRS485 is struct serial_rs485 of linux/serial.h: flags, two delays in milliseconds and
// room for what came later.
type serialRS485 struct {
	flags, delayBefore, delayAfter uint32
	_                              [5]uint32
}

// Flags of serialRS485 (linux/serial.h).
const (
	rs485Enabled      = 1 << 0
	rs485RTSOnSend    = 1 << 1
	rs485RTSAfterSend = 1 << 2
	rs485RxDuringTx   = 1 << 4
)

// settings are what the kernel is asked for.
func (r RS485) settings() serialRS485 {
	s := serialRS485{flags: rs485Enabled,
		delayBefore: uint32(r.DelayBefore.Milliseconds()), delayAfter: uint32(r.DelayAfter.Milliseconds())}
	for _, f := range []struct {
		on   bool
		flag uint32
	}{{r.RTSOnSend, rs485RTSOnSend}, {r.RTSAfterSend, rs485RTSAfterSend}, {r.ReceiveWhileSending, rs485RxDuringTx}} {
		if f.on {
			s.flags |= f.flag
		}
	}
	return s
}

// setRS485 asks the driver of an open device for direction control. A driver that has none
// (every USB adapter and every pseudo terminal) refuses, which is an error: without it the
// transceiver would never send.
func setRS485(fd int, r RS485, ioctl func(fd int, s *serialRS485) error) error {
	s := r.settings()
	if err := ioctl(fd, &s); err != nil {
		return fmt.Errorf("the device's driver has no RS-485 direction control; if the adapter turns round by itself, remove rs485: %w", err)
	}
	return nil
}
