package modbus

import (
	"context"
	"io"
	"log/slog"
	"testing"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/drivers/drivertest"

	"github.com/stretchr/testify/require"
)

// plainDriver is the Driver with the function type of the contract in place of Sink.
type plainDriver struct{ *Driver }

func (p plainDriver) Run(ctx context.Context, sink func([]site.Sample, func())) error {
	return p.Driver.Run(ctx, sink)
}

func (p plainDriver) Start(ctx context.Context, sink func([]site.Sample, func())) {
	p.Driver.Start(ctx, sink)
}

func TestContract(t *testing.T) {
	points := []site.Point{level("a", fast), level("b", 2*fast), level("c", fast)}
	for _, kind := range []LinkKind{TCP, RTUOverTCP, Serial} {
		t.Run(string(kind), func(t *testing.T) {
			build := func(act func(f *field) func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool) func(*testing.T, clock.Clock) drivertest.Driver {
				return func(t *testing.T, clk clock.Clock) drivertest.Driver {
					f := numbered(t)
					f.rtu = kind != TCP
					if act != nil {
						f.act = act(f)
					}
					devices := []Device{dev("one", 1, mm("a", 0), mm("b", 60)), dev("two", 2, mm("c", 3))}
					var l Link
					switch kind {
					case TCP:
						l = tcpLink(f.listen(), devices...)
					case RTUOverTCP:
						l = rtuLink(f.listen(), devices...)
					case Serial:
						l = serialLink(f.serial(), devices...)
					}
					d, err := New(Options{Links: []Link{l}}, siteOf(points...), clk, slog.New(slog.DiscardHandler))
					require.NoError(t, err)
					return plainDriver{d}
				}
			}
			drivertest.Run(t, drivertest.Suite{
				Points:    points,
				Answering: build(nil),
				Silent: build(func(*field) func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool {
					return func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool { return true }
				}),
				Short: build(func(f *field) func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool {
					return func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
						c.Write(f.frame(head, []byte{pdu[0], 0}))
						return true
					}
				}),
			})
		})
	}
}
