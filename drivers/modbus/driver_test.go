package modbus

import (
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

const fast = 100 * time.Millisecond

func TestReadsEveryTableOverTCP(t *testing.T) {
	f := newField(t)
	f.set(0, 635)
	f.set(10, 0x42F7, 0x3333) // 123.6 as float32
	f.bit[3] = true
	points := []site.Point{
		level("lv", fast), {ID: "valve", Bay: "A1", Quantity: site.ValveOpen, Interval: fast},
		{ID: "temp", Quantity: site.AirTemperature, Interval: 2 * fast, Min: -60, Max: 200},
		{ID: "fb", Bay: "A2", Quantity: site.ValveOpen, Interval: fast},
	}
	d := dev("io", 7, mm("lv", 0),
		PointMap{Point: "valve", Table: Coils, Address: 3, Decode: Decode{Type: Bit}},
		PointMap{Point: "fb", Table: Discrete, Address: 4, Decode: Decode{Type: Bit, Invert: true}},
		PointMap{Point: "temp", Table: Input, Address: 10, Decode: Decode{Type: Float32}})
	drv, c := play(t, Options{Links: []Link{tcpLink(f.listen(), d)}}, siteOf(points...))
	for point, want := range map[string]float64{"lv": 0.635, "valve": 1, "fb": 1, "temp": 123.6} {
		got := c.until(t, point, goods(2))
		require.InDelta(t, want, got[0].Value, 1e-5, point)
		require.Zero(t, countQ(got, site.Bad), point)
	}
	links, devices := drv.Stats()
	require.True(t, links[0].Up)
	require.True(t, devices[0].Up)
	require.Positive(t, devices[0].ReplyP50)
	require.EqualValues(t, 1, links[0].Connects)
}

func TestPointsOfAMomentShareARequest(t *testing.T) {
	f := newField(t)
	var points []site.Point
	var maps []PointMap
	for i, id := range []string{"a", "b", "c", "d"} {
		points = append(points, level(id, fast))
		maps = append(maps, mm(id, 3*i))
		f.set(uint16(3*i), uint16(100+i))
	}
	_, c := play(t, Options{Links: []Link{tcpLink(f.listen(), dev("io", 1, maps...))}}, siteOf(points...))
	for i, p := range points {
		require.InDelta(t, 0.1+float64(i)/1000, c.until(t, p.ID, goods(3))[2].Value, 1e-9)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, pdu := range f.seen {
		require.Equal(t, []byte{3, 0, 0, 0, 10}, pdu)
	}
}
