package modbus

import (
	"context"
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// paced serves the field over a pipe as a line of that speed would: the answer is there when
// request, silence and answer would have been on the wire. Units in dead never answer.
type paced struct {
	*field
	char, gap time.Duration
	lock      sync.Mutex
	dead      map[byte]bool
}

func newPaced(t *testing.T, l Link) *paced {
	p := &paced{field: numbered(t), char: charTime(l), gap: frameGap(l), dead: map[byte]bool{}}
	p.rtu = true
	p.act = func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
		p.lock.Lock()
		dead := p.dead[head[0]]
		p.lock.Unlock()
		if dead {
			return true
		}
		b := p.frame(head, answer)
		tick := time.NewTimer(time.Duration(8+len(b))*p.char + p.gap)
		<-tick.C
		c.Write(b)
		return true
	}
	return p
}

func (p *paced) die(unit byte, dead bool) {
	p.lock.Lock()
	defer p.lock.Unlock()
	p.dead[unit] = dead
}

// bubble runs a driver in fake time against serve, which gets the far end of each connection,
// for that long or until judge says so.
func bubble(t *testing.T, opts Options, s *site.Site, serve func(c net.Conn), during func(d *Driver, c *catch)) {
	t.Helper()
	bubbleWith(t, opts, s, serve, func(*Driver) {}, during)
}

// bubbleWith also does something to the driver before it starts.
func bubbleWith(t *testing.T, opts Options, s *site.Site, serve func(c net.Conn), before func(d *Driver), during func(d *Driver, c *catch)) {
	t.Helper()
	var wg sync.WaitGroup
	dial := func(context.Context, Link) (port, error) {
		near, far := net.Pipe()
		wg.Go(func() { serve(far) })
		return near, nil
	}
	d, err := newDriver(opts, s, clock.Real{}, slog.New(slog.DiscardHandler), dial)
	require.NoError(t, err)
	before(d)
	c := newCatch()
	ctx, cancel := context.WithCancel(t.Context())
	d.Start(ctx, c.sink)
	during(d, c)
	cancel()
	require.NoError(t, d.Wait())
	wg.Wait()
	require.Empty(t, c.wrong)
}

func pass(d time.Duration) {
	t := time.NewTimer(d)
	<-t.C
	synctest.Wait()
}

func TestOneDeadUnitOfEightAt9600Baud(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := rtuLink("127.0.0.1:1")
		l.Baud = 9600
		var points []site.Point
		for i := range 8 {
			id := "lv" + string(rune('1'+i))
			points = append(points, level(id, time.Second))
			d := dev("unit-"+id, i+1, mm(id, i))
			d.Timeout = 200 * time.Millisecond
			l.Devices = append(l.Devices, d)
		}
		f := newPaced(t, l)
		f.die(4, true)
		bubble(t, Options{Links: []Link{l}}, siteOf(points...), func(c net.Conn) { f.serve(c) }, func(d *Driver, c *catch) {
			pass(10*time.Minute + 500*time.Millisecond)
			_, devices := d.Stats()
			for i, s := range devices {
				if s.Unit == 4 {
					require.False(t, s.Up)
					// 2 to give up, then after 2, 4, 8, 16, 32, 60, 60 ... s: 4 trials in the first
					// half minute and one a minute after that.
					require.LessOrEqual(t, s.Requests, int64(2+5+10))
					require.Equal(t, s.Requests, s.Timeouts)
					continue
				}
				got := c.of(points[i].ID)
				require.Zero(t, s.Missed, "unit %d", s.Unit)
				require.Zero(t, s.Late, "unit %d", s.Unit)
				require.Zero(t, countQ(got, site.Bad), "unit %d", s.Unit)
				require.InDelta(t, 601, len(got), 1, "unit %d", s.Unit)
			}
			// The dead one's points say so at each interval all the same.
			require.InDelta(t, 601, len(c.of("lv4")), 1)
			require.Equal(t, len(c.of("lv4")), countQ(c.of("lv4"), site.Bad))

			// It comes back: within one retry.
			f.die(4, false)
			pass(lastTrial + 2*time.Second)
			require.Positive(t, countQ(c.of("lv4"), site.Good))
			pass(3 * time.Second)
			tail := c.of("lv4")[len(c.of("lv4"))-3:]
			require.Equal(t, 3, countQ(tail, site.Good))
		})
	})
}

// TestOneDeadUnitOfEightOnASerialLine is the same on the kernel's serial layer and in real time,
// whose far end takes the time that the frames would.
func TestOneDeadUnitOfEightOnASerialLine(t *testing.T) {
	l := serialLink("")
	l.Baud = 9600
	var points []site.Point
	for i := range 8 {
		id := "lv" + string(rune('1'+i))
		points = append(points, level(id, time.Second))
		d := dev("unit-"+id, i+1, mm(id, i))
		d.Timeout = 200 * time.Millisecond
		l.Devices = append(l.Devices, d)
	}
	f := newPaced(t, l)
	f.die(4, true)
	l.Path = f.serial()
	d, c := play(t, Options{Links: []Link{l}}, siteOf(points...))
	c.until(t, "lv8", goods(8))
	_, devices := d.Stats()
	for i, s := range devices {
		got := c.of(points[i].ID)
		if s.Unit == 4 {
			require.False(t, s.Up)
			// 2 to give up, then trials after 2, 4 and 8 s.
			require.LessOrEqual(t, s.Requests, int64(2+3))
			require.Equal(t, s.Requests, s.Timeouts)
			require.Equal(t, len(got), countQ(got, site.Bad))
			require.InDelta(t, 8, len(got), 1, "it says at each interval that it has nothing")
			continue
		}
		require.Zero(t, s.Missed, "unit %d", s.Unit)
		require.Zero(t, countQ(got, site.Bad), "unit %d", s.Unit)
		require.InDelta(t, 8, len(got), 1, "unit %d", s.Unit)
	}
}

func TestDueMomentsAreAlignedAndSkippedNotHeapedUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		points := []site.Point{level("level", 5*time.Second), {ID: "valve", Bay: "A1", Quantity: site.ValveOpen, Interval: time.Second},
			{ID: "temp", Quantity: site.AirTemperature, Interval: time.Minute}}
		l := tcpLink("127.0.0.1:1", dev("io", 1, mm("level", 2),
			PointMap{Point: "valve", Table: Holding, Address: 0, Decode: Decode{Type: BitOf, Bit: 0}},
			PointMap{Point: "temp", Table: Holding, Address: 4, Decode: Decode{Type: Int16, Span: &Span{0, 1000, 0, 10}}}))
		f := numbered(t)
		stall := time.Duration(0)
		f.act = func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool {
			if stall > 0 {
				pass := time.NewTimer(stall)
				<-pass.C
			}
			return false
		}
		l.Devices[0].Timeout = 10 * time.Second
		bubble(t, Options{Links: []Link{l}}, siteOf(points...), func(c net.Conn) { f.serve(c) }, func(d *Driver, c *catch) {
			pass(5 * time.Minute)
			for _, p := range points {
				got := c.of(p.ID)
				require.Len(t, got, int(5*time.Minute/p.Interval)+1)
				for _, s := range got {
					require.Zero(t, s.Time.Sub(s.Time.Truncate(p.Interval)), "%s at %v", p.ID, s.Time)
				}
			}
			// Three registers lie together, so each second has one request, whatever is due.
			require.Equal(t, 301, f.count())
			_, devices := d.Stats()
			require.Zero(t, devices[0].JitterP99)

			// An answer that takes 3.5 s: the moments meanwhile are missed, counted, and not made up.
			f.mu.Lock()
			stall = 3500 * time.Millisecond
			before := f.requests
			f.mu.Unlock()
			pass(35 * time.Second)
			_, devices = d.Stats()
			require.LessOrEqual(t, f.count()-before, 11, "one request at a time and no burst")
			require.Positive(t, devices[0].Missed)
			require.GreaterOrEqual(t, devices[0].Late, devices[0].Missed)
		})
	})
}

// TestLateAnswerBound: an RTU answer may come as late as the time-out and Link.Late together and
// is never taken for another's. One nanosecond of the test's time further lies the limit that the
// protocol sets: the frame then is, to the last bit, an answer to the next question, and the
// test shows that it would be believed.
func TestLateAnswerBound(t *testing.T) {
	for _, r := range []struct {
		name  string
		after time.Duration // after the end of the bound at which the old answer comes
		wrong bool
	}{
		{"just before the bound", -time.Millisecond, false},
		{"at the bound", 0, false},
		{"just behind the bound", 2 * time.Millisecond, true},
	} {
		t.Run(r.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := rtuLink("127.0.0.1:1")
				d := dev("io", 1, mm("a", 0), mm("b", 100))
				d.Timeout, d.GiveUp, d.Turnaround = 100*time.Millisecond, 100, 0
				l.Late = 250 * time.Millisecond
				l.Devices = []Device{d}
				f := numbered(t)
				f.rtu = true
				var held []byte
				serve := func(c net.Conn) {
					defer c.Close()
					for n := 1; ; n++ {
						head, pdu, err := f.readRequest(c)
						if err != nil {
							return
						}
						answer := f.frame(head, f.answer(pdu))
						switch n {
						case 1:
							// The whole of it 350 ms after the request was sent: time-out and bound.
							held = answer
							wait := time.NewTimer(d.Timeout + l.Late + r.after)
							<-wait.C
							if !r.wrong {
								c.Write(held)
							}
						case 2:
							if r.wrong {
								c.Write(held)
							}
							c.Write(answer)
						default:
							c.Write(answer)
						}
					}
				}
				s := siteOf(level("a", time.Second), level("b", time.Second))
				bubble(t, Options{Links: []Link{l}}, s, serve, func(_ *Driver, c *catch) {
					pass(4 * time.Second)
					wrong := 0
					for _, x := range c.of("") {
						want := map[string]float64{"a": 1, "b": 1.1}[x.Point]
						if x.Quality != site.Bad && x.Value != want {
							wrong++
						}
					}
					require.Equal(t, r.wrong, wrong > 0, "%v", c.of(""))
				})
			})
		})
	}
}

// TestOtherMasterIsHeardAndNothingIsSent: a master of somebody else's polls our units. Not one
// byte of ours is on the line, and what the other is told serves our points too.
func TestOtherMasterIsHeardAndNothingIsSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 5), mm("b", 50)))
		l.Baud, l.Listen = 9600, 60*time.Second
		var ours []byte
		serve := func(c net.Conn) {
			var wg sync.WaitGroup
			wg.Go(func() {
				b := make([]byte, 64)
				for {
					n, err := c.Read(b)
					ours = append(ours, b[:n]...)
					if err != nil {
						return
					}
				}
			})
			defer wg.Wait()
			defer c.Close()
			start := time.NewTimer(3 * time.Second) // between our moments
			<-start.C
			tick := time.NewTicker(10 * time.Second)
			defer tick.Stop()
			for range tick.C {
				for _, part := range [][]byte{rtuFrame(1, 3, 0, 4, 0, 2), rtuFrame(1, 3, 4, 0, 7, 0x02, 0x2B)} {
					if _, err := c.Write(part); err != nil {
						return
					}
				}
			}
		}
		s := siteOf(level("a", 10*time.Second), level("b", 10*time.Second))
		bubble(t, Options{Links: []Link{l}}, s, serve, func(d *Driver, c *catch) {
			pass(5 * time.Minute)
			links, _ := d.Stats()
			require.Contains(t, links[0].OtherMaster, "01 03 00 04 00 02")
			require.Contains(t, links[0].Last, "Modbus TCP device")
			require.Empty(t, ours)
			require.Greater(t, countQ(c.of("a"), site.Good), 25)
			for _, x := range c.of("a") {
				if x.Quality == site.Good {
					require.InDelta(t, 0.555, x.Value, 1e-9) // 022Bh
				}
			}
			for _, x := range c.of("b")[3:] {
				require.Equal(t, site.WhyOtherMaster, x.Why, "nobody asks for b")
			}
		})
	})
}

// TestLineThatIsOnlyListenedTo is up while somebody asks for what is to be read, and down when
// nobody does; not a byte is sent.
func TestLineThatIsOnlyListenedTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 5)))
		l.Baud, l.ListenOnly = 9600, true
		line := make(chan net.Conn, 1)
		sent := 0
		serve := func(c net.Conn) {
			line <- c
			n, _ := io.Copy(io.Discard, c)
			sent = int(n)
		}
		bubble(t, Options{Links: []Link{l}}, siteOf(level("a", 5*time.Second)), serve, func(d *Driver, c *catch) {
			pass(time.Second)
			far := <-line
			state := func() LinkStats { links, _ := d.Stats(); return links[0] }
			require.False(t, state().Up)
			require.Equal(t, nothingHeard, state().Last)
			for range 2 {
				for range 10 {
					far.Write(rtuFrame(1, 3, 0, 4, 0, 2))
					far.Write(rtuFrame(1, 3, 4, 0, 7, 0x02, 0x2B))
					pass(5 * time.Second)
				}
				require.True(t, state().Up)
				require.Equal(t, site.Good, c.of("a")[len(c.of("a"))-1].Quality)
				pass(90 * time.Second)
				require.False(t, state().Up)
				require.Equal(t, nothingHeard, state().Last)
			}
		})
		require.Zero(t, sent)
	})
}

// TestListensFirst: nothing is sent before the time is over, then the line is ours.
func TestListensFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 5)))
		l.Listen = 60 * time.Second
		f := numbered(t)
		f.rtu = true
		bubble(t, Options{Links: []Link{l}}, siteOf(level("a", time.Second)), func(c net.Conn) { f.serve(c) }, func(d *Driver, c *catch) {
			pass(59 * time.Second)
			require.Zero(t, f.count())
			for _, x := range c.of("a") {
				require.Equal(t, site.WhyListening, x.Why)
			}
			pass(3 * time.Second)
			require.Positive(t, f.count())
			require.Positive(t, countQ(c.of("a"), site.Good))
		})
	})
}

// TestMasterThatComesLaterIsHeardToo: another master begins after we did, and goes away. The line
// is used again when it has been silent for a minute, and the second time for two.
func TestMasterThatComesLaterIsHeardToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 5)))
		l.Listen = 10 * time.Second
		f := numbered(t)
		f.rtu = true
		line := make(chan net.Conn, 1)
		serve := func(c net.Conn) {
			line <- c
			f.serve(c)
		}
		bubble(t, Options{Links: []Link{l}}, siteOf(level("a", time.Second)), serve, func(d *Driver, c *catch) {
			pass(20 * time.Second)
			require.Positive(t, countQ(c.of("a"), site.Good))
			far := <-line
			for _, silence := range []time.Duration{time.Minute, 2 * time.Minute} {
				far.Write(rtuFrame(9, 3, 0, 0, 0, 1)) // blocks until it is read before our next request
				pass(time.Second)
				sent := f.count()
				for range 20 {
					far.Write(rtuFrame(9, 3, 0, 0, 0, 1))
					pass(3 * time.Second)
				}
				require.Equal(t, sent, f.count(), "a request of ours between another master's")
				links, _ := d.Stats()
				require.NotEmpty(t, links[0].OtherMaster)
				require.Equal(t, site.WhyOtherMaster, c.of("a")[len(c.of("a"))-1].Why)
				pass(silence - 4*time.Second) // 3 s have gone by already
				require.Equal(t, sent, f.count(), "not silent for %v yet", silence)
				pass(4 * time.Second)
				require.Greater(t, f.count(), sent)
				links, _ = d.Stats()
				require.Empty(t, links[0].OtherMaster)
				require.Equal(t, site.Good, c.of("a")[len(c.of("a"))-1].Quality)
			}
		})
	})
}

// TestSteppedClockGivesTheSameTwice: on a clock that stands while requests are under way, a run
// is the same to the millisecond, however long the requests take.
func TestSteppedClockGivesTheSameTwice(t *testing.T) {
	run := func() []site.Sample {
		f := numbered(t)
		at := f.listen()
		clk := clock.NewStepped(time.Date(2026, 7, 1, 18, 0, 0, 0, time.UTC), nil)
		s := siteOf(level("a", time.Second), level("b", 5*time.Second), level("c", 60*time.Second))
		d, err := New(Options{Links: []Link{tcpLink(at, dev("io", 1, mm("a", 0), mm("b", 60), mm("c", 120)))}}, s, clk, slog.New(slog.DiscardHandler))
		require.NoError(t, err)
		c := newCatch()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		hold := clk.Work()
		d.Start(ctx, c.sink)
		require.NoError(t, clk.Wait(t.Context(), clk.Now().Add(10*time.Minute)))
		cancel()
		require.NoError(t, d.Wait())
		hold()
		require.Len(t, c.of("a"), 600)
		return c.of("")
	}
	require.Equal(t, run(), run())
}

// TestRefusedRegisterIsFoundAndLeftAlone: a hole in a device's registers makes it refuse the
// joined request; the others are read all the same, and the hole is seldom asked for.
func TestRefusedRegisterIsFoundAndLeftAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
			from, n := int(pdu[2]), int(pdu[4])
			if from <= 3 && 3 < from+n {
				c.Write(f.frame(head, []byte{pdu[0] | 0x80, 2}))
				return true
			}
			return false
		}
		var points []site.Point
		var maps []PointMap
		for i := range 8 {
			id := "p" + string(rune('0'+i))
			points = append(points, level(id, time.Second))
			maps = append(maps, mm(id, i))
		}
		l := tcpLink("127.0.0.1:1", dev("io", 1, maps...))
		bubble(t, Options{Links: []Link{l}}, siteOf(points...), func(c net.Conn) { f.serve(c) }, func(d *Driver, c *catch) {
			pass(60 * time.Second)
			for i, p := range points {
				if i == 3 {
					require.Equal(t, len(c.of(p.ID)), countQ(c.of(p.ID), site.Bad))
					require.Equal(t, site.WhyException, c.of(p.ID)[0].Why)
				} else {
					require.Zero(t, countQ(c.of(p.ID), site.Bad), p.ID)
				}
				require.InDelta(t, 60, len(c.of(p.ID)), 1)
			}
			_, devices := d.Stats()
			require.EqualValues(t, 3, devices[0].Splits)
			before := f.count()
			pass(100 * time.Second)
			// The parts before and behind the hole, and the hole once in a while.
			require.LessOrEqual(t, f.count()-before, 3*100+4)
		})
	})
}

// serveAll serves the paced field on each connection.
func serveAll(p *paced) func(net.Conn) { return func(c net.Conn) { p.serve(c) } }
