package modbus

import (
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// TestWhatCannotBeIsBadAndNotClipped: a reading beyond what is possible for its point, by the point's
// own bounds or by its quantity's, is bad with no value; at the bounds it is good.
func TestWhatCannotBeIsBadAndNotClipped(t *testing.T) {
	bounded := site.Point{ID: "bounded", Bay: "A1", Quantity: site.Level, Interval: time.Second, Min: 0.05, Max: 0.2}
	info, ok := site.Level.Info()
	require.True(t, ok)
	for _, r := range []struct {
		name string
		p    site.Point
		mm   int16
		good bool
	}{
		{"below the point's bounds", bounded, 49, false},
		{"at the lower", bounded, 50, true},
		{"at the upper", bounded, 200, true},
		{"above the point's bounds", bounded, 201, false},
		{"above what any level can be", level("free", time.Second), int16(info.Max*1000) + 1, false},
		{"as high as a level can be", level("free", time.Second), int16(info.Max * 1000), true},
		{"below what any level can be", level("free", time.Second), int16(info.Min*1000) - 1, false},
	} {
		t.Run(r.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newField(t)
				f.set(0, uint16(r.mm))
				m := PointMap{Point: r.p.ID, Table: Holding, Address: 0, Decode: Decode{Type: Int16, Span: &Span{0, 1000, 0, 1}}}
				bubble(t, Options{Links: []Link{tcpLink("127.0.0.1:1", dev("io", 1, m))}}, siteOf(r.p), func(c net.Conn) { f.serve(c) }, func(_ *Driver, c *catch) {
					pass(3 * time.Second)
					for _, s := range c.of(r.p.ID) { // the catch checks that bad ones have no value
						if r.good {
							require.Equal(t, site.Good, s.Quality)
							require.InDelta(t, float64(r.mm)/1000, s.Value, 1e-9)
						} else {
							require.Equal(t, site.WhyOutOfRange, s.Why)
						}
					}
					require.NotEmpty(t, c.of(r.p.ID))
				})
			})
		})
	}
}

// TestTurnaroundPauseIsKept: a device that needs a pause after its answer gets it, and the pause is
// of its own: the other on the line is asked meanwhile.
func TestTurnaroundPauseIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, quick := dev("slow", 1, mm("a", 0), mm("b", 60), mm("c", 120)), dev("quick", 2, mm("d", 0))
		slow.Turnaround = 100 * time.Millisecond
		f := numbered(t)
		f.rtu = true
		var asked, other []time.Time
		f.act = func(_ io.ReadWriteCloser, _ int, head, _, _ []byte) bool {
			if head[0] == 1 {
				asked = append(asked, time.Now())
			} else {
				other = append(other, time.Now())
			}
			return false
		}
		var points []site.Point
		for _, id := range []string{"a", "b", "c", "d"} {
			points = append(points, level(id, time.Second))
		}
		bubble(t, Options{Links: []Link{rtuLink("127.0.0.1:1", slow, quick)}}, siteOf(points...), func(c net.Conn) { f.serve(c) }, func(_ *Driver, c *catch) {
			pass(10 * time.Second)
			require.Zero(t, countQ(c.of(""), site.Bad))
		})
		require.Greater(t, len(asked), 25)
		for i := range asked[1:] {
			require.GreaterOrEqual(t, asked[i+1].Sub(asked[i]), slow.Turnaround)
		}
		between := 0
		for _, o := range other {
			for i := range asked[1:] {
				if asked[i].Before(o) && o.Before(asked[i].Add(slow.Turnaround)) {
					between++
				}
			}
		}
		require.Greater(t, between, 5, "the line is used in the pause")
	})
}

// TestBarometerOnAnotherLink: an absolute sensor's level is what is left of its pressure without the
// air's; a barometer that falls silent makes it bad after a while, and not at once.
func TestBarometerOnAnotherLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.set(0, 1, 0xB2C4) // 111300 Pa
		f.set(100, 10133)   // tens of Pa
		var mu sync.Mutex
		silent := false
		f.act = func(_ io.ReadWriteCloser, _ int, _, pdu, _ []byte) bool {
			mu.Lock()
			defer mu.Unlock()
			return silent && binary.BigEndian.Uint16(pdu[1:]) == 100
		}
		h := DefaultHead()
		h.Density, h.Absolute, h.Barometer, h.BarometerAge = 1000, true, "air", time.Minute
		sensor := dev("sensor", 1, PointMap{Point: "a", Table: Holding, Address: 0, Decode: Decode{Type: Uint32, Head: &h}})
		station := dev("station", 1, PointMap{Point: "air", Table: Holding, Address: 100, Decode: Decode{Type: Uint16, Span: &Span{0, 1, 0, 10}}})
		wet, dry := tcpLink("127.0.0.1:1", sensor), tcpLink("127.0.0.1:2", station)
		dry.ID = "weather"
		points := siteOf(level("a", time.Second), site.Point{ID: "air", Quantity: site.AirPressure, Interval: time.Second})
		bubble(t, Options{Links: []Link{wet, dry}}, points, func(c net.Conn) { f.serve(c) }, func(_ *Driver, c *catch) {
			last := func() site.Sample { all := c.of("a"); return all[len(all)-1] }
			pass(5*time.Second + 500*time.Millisecond)
			// (111300 - 101330) Pa / (1000 kg/m3 * 9.80665 m/s2), by hand: 1.016657 m.
			require.InDelta(t, 1.016657, last().Value, 1e-6)
			mu.Lock()
			silent = true
			mu.Unlock()
			pass(55 * time.Second)
			require.Equal(t, site.Good, last().Quality)
			pass(10 * time.Second)
			require.Equal(t, site.WhyBarometerOut, last().Why)
		})
	})
}
