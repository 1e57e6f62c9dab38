package modbus

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// loadLine is a 9600 8E1 line (11 bits a character) with n units of one register each.
func loadLine(n int, every time.Duration) (Options, *site.Site) {
	l := serialLink("/dev/ttyS0")
	l.Baud, l.Parity = 9600, ParityEven
	var points []site.Point
	for i := range n {
		id := "p" + string(rune('A'+i/26)) + string(rune('A'+i%26))
		points = append(points, level(id, every))
		l.Devices = append(l.Devices, dev("d-"+id, i+1, mm(id, 0)))
	}
	return Options{Links: []Link{l}}, siteOf(points...)
}

// TestTimesOnTheWire: serial line V1.02, 2.5.1: an 8-byte request takes 9.167 ms at 9600 baud and
// 4.583 ms at 19200, a reply of 255 bytes 292.19 and 146.09 ms; t3.5 is 32083, 16042, 8021, 4010
// and 2005 us at 1200 to 19200 baud, 1750 us above.
func TestTimesOnTheWire(t *testing.T) {
	l := serialLink("/dev/ttyS0")
	l.Parity = ParityEven
	for baud, want := range map[int][3]float64{
		1200: {73333.3, 2337500, 32083.3}, 2400: {36666.7, 1168750, 16041.7}, 4800: {18333.3, 584375, 8020.8},
		9600: {9166.7, 292187.5, 4010.4}, 19200: {4583.3, 146093.75, 2005.2}, 38400: {2291.7, 73046.9, 1750}, 115200: {763.9, 24349, 1750},
	} {
		l.Baud = baud
		us := func(d time.Duration) float64 { return float64(d) / 1000 }
		// charTime is cut to whole nanoseconds: a quarter of a microsecond in 255 characters.
		require.InDelta(t, want[0], us(8*charTime(l)), 0.3, "%d", baud)
		require.InDelta(t, want[1], us(255*charTime(l)), 0.3, "%d", baud)
		require.InDelta(t, want[2], us(frameGap(l)), 0.1, "%d", baud)
	}
	require.Equal(t, 7, answerChars(Holding, 1))
	require.Equal(t, 255, answerChars(Holding, 125))
	require.Equal(t, 8, answerChars(Coils, 19))
}

func TestLoadOfALine(t *testing.T) {
	o, s := loadLine(8, time.Second)
	load := Loads(o, s)[0]
	require.True(t, load.OK, "%+v", load)
	// By hand: (8 + 7) characters of 11 bits at 9600 baud and two silences of 4.0104 ms are
	// 25.2083 ms; eight of them a second.
	require.InDelta(t, 8*0.0252083, load.Share, 1e-4)
	require.InDelta(t, 8, load.RequestsPerS, 1e-9)
	require.InDelta(t, 0.0252083, load.Longest.Seconds(), 1e-5)
	require.InDelta(t, 7*0.0252083, load.Wait.Seconds(), 1e-4)

	// 60 units at 1 s need 1.5 s: refused, with what to slow down; done so, the line keeps up.
	o, s = loadLine(60, time.Second)
	load = Loads(o, s)[0]
	require.False(t, load.OK)
	require.Contains(t, load.What, "line line cannot keep up")
	require.Contains(t, load.Fix, "raise the interval of all 60 devices read so often from 1 s to 3 s (the line is then busy 50 %")
	ps := Check(o, s)
	require.Len(t, ps, 1)
	require.Equal(t, "links[0]", ps[0].Path)

	// The turnaround of a single device counts though the line is free meanwhile.
	o, s = loadLine(1, 200*time.Millisecond)
	require.True(t, Loads(o, s)[0].OK)
	o.Links[0].Devices[0].Turnaround = 250 * time.Millisecond
	require.False(t, Loads(o, s)[0].OK)

	// Nothing is known of a link without a speed.
	tcp, s2 := Options{Links: []Link{tcpLink("127.0.0.1:502", dev("io", 1, mm("a", 0)))}}, siteOf(level("a", time.Second))
	require.False(t, Loads(tcp, s2)[0].Known)
	require.True(t, Loads(tcp, s2)[0].OK)
}

// TestLineThatIsAcceptedKeepsUp: the load's verdict against the driver itself in fake time, on a
// line that is just accepted and on one that is just refused.
func TestLineThatIsAcceptedKeepsUp(t *testing.T) {
	for _, r := range []struct {
		units int
		ok    bool
	}{{19, true}, {42, false}} {
		synctest.Test(t, func(t *testing.T) {
			o, s := loadLine(r.units, time.Second)
			l := &o.Links[0]
			l.Kind, l.Path, l.Address = RTUOverTCP, "", "127.0.0.1:1"
			load := loadOf(*l, s)
			require.Equal(t, r.ok, load.OK, "%+v", load)
			if !r.ok {
				return
			}
			f := newPaced(t, *l)
			bubble(t, o, s, serveAll(f), func(d *Driver, _ *catch) {
				pass(2 * time.Minute)
				_, devices := d.Stats()
				for _, x := range devices {
					require.Zero(t, x.Late, "%+v", x)
					require.LessOrEqual(t, x.JitterP99, load.Wait+time.Millisecond)
				}
			})
		})
	}
}

func TestRS485IsAskedForAsTheFileSays(t *testing.T) {
	// struct serial_rs485 and its flags: linux/serial.h; a pseudo terminal has no direction, so
	// what is tested is what the kernel is given, and that its refusal is an error.
	var got serialRS485
	take := func(_ int, s *serialRS485) error { got = *s; return nil }
	r := RS485{RTSOnSend: true, DelayBefore: 3 * time.Millisecond, DelayAfter: 1 * time.Millisecond}
	require.NoError(t, setRS485(7, r, take))
	require.Equal(t, serialRS485{flags: 0x1 | 0x2, delayBefore: 3, delayAfter: 1}, got)
	require.NoError(t, setRS485(7, RS485{RTSAfterSend: true, ReceiveWhileSending: true}, take))
	require.Equal(t, serialRS485{flags: 0x1 | 0x4 | 0x10}, got)
	require.ErrorContains(t, setRS485(7, r, func(int, *serialRS485) error { return errors.New("inappropriate ioctl") }), "remove rs485")

	path, _ := serialPair(t)
	l := serialLink(path)
	l.RS485 = &r
	_, err := openSerial(l)
	require.ErrorContains(t, err, "no RS-485 direction control")
	l.RS485 = nil
	p, err := openSerial(l)
	require.NoError(t, err, "the refused attempt left the line taken")
	require.NoError(t, p.Close())
}

func TestRatesAndPercentiles(t *testing.T) {
	ta := &tally{}
	for i := range 1500 {
		o := outcome{reply: time.Duration(i) * time.Millisecond, jitter: time.Duration(i%10) * time.Millisecond}
		switch {
		case i%100 == 0:
			o.why = site.WhyTimeout
		case i%50 == 0:
			o.why = site.WhyBadFrame
		}
		ta.add(o)
	}
	s := ta.read()
	require.EqualValues(t, 1500, s.Requests)
	require.EqualValues(t, 15, s.Timeouts)
	require.EqualValues(t, 15, s.BadFrames)
	require.InDelta(t, 10, s.TimeoutsPer1000, 1e-9)
	require.InDelta(t, 20, s.ErrorsPer1000, 1e-9)
	// The last thousand are 500 to 1499 without every fiftieth: 980 answers, the 490th is
	// 500 + 489 + the ten left out up to there.
	require.InDelta(t, 999, s.ReplyP50.Milliseconds(), 1)
	require.Equal(t, 9*time.Millisecond, s.JitterP99)
	require.Equal(t, 2*time.Millisecond, percentile([]time.Duration{3e6, 1e6, 2e6, 4e6}, 0.5), "nearest rank")
}
