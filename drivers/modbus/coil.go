package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/goburrow/modbus"

	"bayledger/agent/site"
)

// This file is all that can ever write. Without a call of Allow nothing in the package can make a
// frame that writes, and unit.Send lets none pass; with it, ShutValve sends one frame of function
// 5 for the one coil that was allowed, with the one value that shuts the valve.

// fcWriteCoil is the function that sets one coil (application protocol V1.1b3, 6.5).
const fcWriteCoil byte = 0x05

// Reasons for which the isolation valve was not seen to shut.
var (
	ErrNoOutput    = errors.New("no output: the site file enables none, or nobody has proved it")
	ErrUnconfirmed = errors.New("the device did not confirm that the coil is set")
)

// valve is the permission to shut the isolation valve, and the way an order for it takes to the
// goroutine that owns the line.
type valve struct {
	dev     *device
	address uint16
	level   bool
	orders  chan *order
	wake    chan struct{} // an order has come
}

type order struct{ done chan error }

// Allow lets ShutValve write the coil of i, which must be enabled and no dry run. It is called
// before Start.
func (d *Driver) Allow(i *site.Isolation) error {
	if i == nil || !i.Enabled || i.DryRun {
		return ErrNoOutput
	}
	for _, l := range d.links {
		for _, dev := range l.devices {
			if dev.o.ID != i.Device {
				continue
			}
			if l.o.ListenOnly {
				return fmt.Errorf("isolation valve: %w", ErrOtherMaster)
			}
			l.valve = &valve{dev: dev, address: uint16(i.Address), level: i.ShutLevel, orders: make(chan *order, 1), wake: make(chan struct{}, 1)}
			return nil
		}
	}
	return fmt.Errorf("isolation valve: no device %q is read", i.Device)
}

// ShutValve sets the coil that shuts the isolation valve and returns when the device shows it set,
// or with an error that says what was seen. There is no function that opens it. ctx bounds the
// wait; the line's own requests go first.
func (d *Driver) ShutValve(ctx context.Context) error {
	for _, l := range d.links {
		if l.valve == nil {
			continue
		}
		o := &order{done: make(chan error, 1)}
		select {
		case l.valve.orders <- o:
		case <-ctx.Done():
			return fmt.Errorf("isolation valve: line %s takes no order: %w", l.o.ID, ctx.Err())
		}
		select {
		case l.valve.wake <- struct{}{}:
		default:
		}
		select {
		case err := <-o.done:
			return err
		case <-ctx.Done():
			select {
			case <-l.valve.orders: // not begun: taken back
			default:
			}
			return fmt.Errorf("isolation valve: %w: %w", ErrUnconfirmed, ctx.Err())
		}
	}
	return ErrNoOutput
}

// ordered reports whether an order waits.
func (l *link) ordered() bool { return l.valve != nil && len(l.valve.orders) > 0 }

// woken has a value when an order has come; nil where none can.
func (l *link) woken() <-chan struct{} {
	if l.valve == nil {
		return nil
	}
	return l.valve.wake
}

// carryOut does an order that waits. It reports whether there was one.
func (l *link) carryOut(ctx context.Context) bool {
	if l.valve == nil {
		return false
	}
	select {
	case o := <-l.valve.orders:
		o.done <- l.valve.shut(ctx, l)
		if l.line != nil && l.line.broken() {
			l.hangUp()
		}
		return true
	default:
		return false
	}
}

// shut writes the coil and reads it back. What comes back of the write itself is only believed
// where it is a refusal: on a serial line it cannot be told from an echo, and it may be lost. The
// coil as it is read says whether it is set.
func (v *valve) shut(ctx context.Context, l *link) error {
	data := make([]byte, 4)
	binary.BigEndian.PutUint16(data, v.address)
	if v.level {
		data[2] = 0xFF
	}
	frame, err := v.dev.unit.Encode(&modbus.ProtocolDataUnit{FunctionCode: fcWriteCoil, Data: data})
	if err != nil {
		return err
	}
	// A late confirmation is the one frame with a writing function that is no other master's.
	l.heard.written(frame, time.Now().Add(v.dev.o.Timeout+l.o.Late+babble))
	answer, err := l.carry(v.dev.unit, frame)
	if err == nil {
		if pdu, e := v.dev.unit.Decode(answer); e == nil && pdu.FunctionCode == fcWriteCoil|exceptionBit {
			return fmt.Errorf("isolation valve: %w", &ExceptionError{Function: fcWriteCoil, Code: pdu.Data[0]})
		}
	}
	if errors.Is(err, ErrDown) || errors.Is(err, ErrOtherMaster) {
		return fmt.Errorf("isolation valve: %w", err)
	}
	if l.line != nil {
		if until := l.line.pending(); !until.IsZero() {
			l.rest(ctx, time.Until(until), nil) // an answer on its way must not be taken for the next one
			if ctx.Err() != nil {
				return fmt.Errorf("isolation valve: %w: %w", ErrUnconfirmed, ctx.Err())
			}
		}
	}
	bits, back := v.dev.unit.read(Coils, int(v.address), 1)
	if back != nil {
		return fmt.Errorf("isolation valve: %w: %w", ErrUnconfirmed, errors.Join(back, err))
	}
	if set := bits[0]&1 == 1; set != v.level {
		return fmt.Errorf("isolation valve: %w", ErrUnconfirmed)
	}
	return nil
}
