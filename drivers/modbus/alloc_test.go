package modbus

import (
	"log/slog"
	"os"
	"testing"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/require"
)

// instant is a device in memory: what is asked is answered at once, from a frame made before.
type instant struct {
	answer []byte
	ready  bool
}

func (i *instant) Write(b []byte) (int, error) {
	copy(i.answer, b[:2]) // the transaction
	i.ready = true
	return len(b), nil
}

func (i *instant) Read(b []byte) (int, error) {
	if !i.ready {
		return 0, os.ErrDeadlineExceeded
	}
	i.ready = false
	return copy(b, i.answer), nil
}
func (i *instant) SetReadDeadline(time.Time) error  { return nil }
func (i *instant) SetWriteDeadline(time.Time) error { return nil }
func (i *instant) Close() error                     { return nil }

// Send is the same device for the bare library.
func (i *instant) Send(b []byte) ([]byte, error) {
	copy(i.answer, b[:2])
	return i.answer, nil
}

const benchPoints = 40

func newInstant() *instant {
	a := append([]byte{0, 0, 0, 0, 0, 3 + 2*benchPoints, 1, 3, 2 * benchPoints}, make([]byte, 2*benchPoints)...)
	return &instant{answer: a}
}

// benchLink is a link before an instant device with its one request, as the loop has them.
func benchLink(tb testing.TB) (*link, *request) {
	var points []site.Point
	var maps []PointMap
	for i := range benchPoints {
		id := "p" + string(rune('A'+i/26)) + string(rune('A'+i%26))
		points = append(points, level(id, time.Second))
		maps = append(maps, mm(id, i))
	}
	d, err := New(Options{Links: []Link{tcpLink("127.0.0.1:1", dev("io", 1, maps...))}}, siteOf(points...), clock.Real{}, slog.New(slog.DiscardHandler))
	require.NoError(tb, err)
	l := d.links[0]
	l.sink = func(_ []site.Sample, done func()) { done() }
	l.line = newTCPLine(tb.Context(), newInstant())
	return l, l.devices[0].requests(1)[0]
}

// TestNoAllocationOnOurSide: sending a request, judging its answer, decoding forty points and
// handing them on allocates no more than the library alone does for the same request.
func TestNoAllocationOnOurSide(t *testing.T) {
	h := &modbus.TCPClientHandler{}
	h.SlaveId = 1
	bare := modbus.NewClient2(h, newInstant())
	theirs := testing.AllocsPerRun(500, func() {
		if _, err := bare.ReadHoldingRegisters(0, benchPoints); err != nil {
			t.Fatal(err)
		}
	})
	l, r := benchLink(t)
	samples := 0
	l.sink = func(s []site.Sample, done func()) {
		samples += len(s)
		done()
	}
	ours := testing.AllocsPerRun(500, func() {
		l.queue(r, time.Now())
		l.serve(t.Context(), r)
	})
	require.Equal(t, 501*benchPoints, samples)
	require.LessOrEqual(t, ours, theirs)
}
