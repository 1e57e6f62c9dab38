package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The twenty traps of goburrow/modbus v0.1.0 with goburrow/serial v0.1.0, in the order in which
// they were found. Where the library by itself can be put before the same device, the test shows
// first that it falls into the trap: without that the second half would prove nothing.

// patience is a time-out that only a test that fails waits for.
const patience = 20 * time.Second

// theirsTCP and theirsRTU are the library as its README uses it.
func theirsTCP(t *testing.T, at string, timeout time.Duration) (modbus.Client, *modbus.TCPClientHandler) {
	h := modbus.NewTCPClientHandler(at)
	h.Timeout, h.SlaveId, h.IdleTimeout = timeout, 1, time.Minute
	t.Cleanup(func() { h.Close() })
	return modbus.NewClient(h), h
}

func theirsRTU(t *testing.T, path string, timeout time.Duration) (modbus.Client, *modbus.RTUClientHandler) {
	h := modbus.NewRTUClientHandler(path)
	h.BaudRate, h.DataBits, h.Parity, h.StopBits = 115200, 8, "N", 1
	h.Timeout, h.SlaveId, h.IdleTimeout = timeout, 1, 0
	t.Cleanup(func() { h.Close() })
	return modbus.NewClient(h), h
}

// ours is a unit on a line of ours that nothing else uses.
func ours(t *testing.T, o Link, timeout time.Duration) *unit {
	t.Helper()
	p, err := open(t.Context(), o)
	require.NoError(t, err)
	return oursOn(t, o, p, timeout)
}

func oursOn(t *testing.T, o Link, p port, timeout time.Duration) *unit {
	u := newUnit(o.Kind, 1, new(uint16))
	u.timeout = timeout
	w := &wireTo{ctx: t.Context(), o: o, p: p}
	w.connect()
	t.Cleanup(func() { w.line.close() })
	u.via = w
	return u
}

// wireTo carries frames over one line and makes a broken TCP connection anew.
type wireTo struct {
	ctx  context.Context
	o    Link
	p    port
	line line
}

func (w *wireTo) connect() {
	if w.o.Kind == TCP {
		w.line = newTCPLine(w.ctx, w.p)
		return
	}
	w.line = newRTULine(w.ctx, w.p, w.o, &sniffer{own: [256]bool{1: true}})
}

func (w *wireTo) carry(u *unit, frame []byte) ([]byte, error) {
	if w.line.broken() {
		w.line.close()
		p, err := open(w.ctx, w.o)
		if err != nil {
			return nil, err
		}
		w.p = p
		w.connect()
	}
	if t, ok := w.line.(*tcpLine); ok {
		t.any = u.any
	}
	return w.line.ask(frame, u.timeout)
}

// later answers after d.
func delayed(d time.Duration, f *field) func(c io.ReadWriteCloser, n int, head, pdu, answer []byte) bool {
	return func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
		t := time.NewTimer(d)
		defer t.Stop()
		<-t.C
		c.Write(f.frame(head, answer))
		return true
	}
}

func numbered(t *testing.T) *field {
	f := newField(t)
	for a := range uint16(200) {
		f.set(a, 1000+a)
	}
	return f
}

func TestTrap01LateAnswerOnALine(t *testing.T) {
	// The device needs 200 ms and is asked with 20 ms of patience once: the library then gives
	// every answer to the question after, without an error.
	f := numbered(t)
	f.act = delayed(200*time.Millisecond, f)
	c, h := theirsRTU(t, f.serial(), 20*time.Millisecond)
	_, err := c.ReadHoldingRegisters(100, 1)
	require.Error(t, err)
	h.Timeout = time.Second
	h.Close()
	wrong := 0
	// Its port keeps the first time-out, so it is opened anew; what is in the line stays there.
	for a := uint16(101); a < 106; a++ {
		if b, err := c.ReadHoldingRegisters(a, 1); err == nil && binary.BigEndian.Uint16(b) != 1000+a {
			wrong++
		}
	}
	require.Positive(t, wrong, "the library has mended the trap: this test proves nothing any more")

	// Ours: the same device under the whole driver, with a time-out shorter than its answer, in fake
	// time: how late an answer is must not hang on the machine's load.
	synctest.Test(t, func(t *testing.T) {
		f := numbered(t)
		f.rtu = true
		f.act = delayed(200*time.Millisecond, f)
		d := dev("slow", 1, mm("a", 0), mm("b", 60), mm("c", 120))
		d.Timeout, d.GiveUp = 20*time.Millisecond, 100
		l := rtuLink("127.0.0.1:1", d)
		l.Late = 500 * time.Millisecond
		points := []site.Point{level("a", fast), level("b", fast), level("c", fast)}
		bubble(t, Options{Links: []Link{l}}, siteOf(points...), func(c net.Conn) { f.serve(c) }, func(_ *Driver, got *catch) {
			pass(30 * time.Second)
			require.Greater(t, f.count(), 50, "the unit is asked again and again")
			require.Len(t, got.of("c"), 301)
			for _, s := range got.of("") {
				require.Equal(t, site.Bad, s.Quality, "an answer was believed that came late: %+v", s)
			}
		})
	})
}

func TestTrap02LateAnswerOverTCP(t *testing.T) {
	slow := func() (string, *field) {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, n int, head, _, answer []byte) bool {
			if n != 1 {
				return false
			}
			// The first answer comes in front of the second.
			head2, _, err := f.readRequest(c)
			if err != nil {
				return true
			}
			c.Write(f.frame(head, answer))
			c.Write(f.frame(head2, []byte{3, 2, 0x03, 0xED})) // 1005
			return true
		}
		return f.listen(), f
	}
	at, _ := slow()
	c, h := theirsTCP(t, at, 100*time.Millisecond)
	_, err := c.ReadHoldingRegisters(1, 1)
	require.Error(t, err)
	h.Timeout = patience
	for range 4 {
		_, err = c.ReadHoldingRegisters(5, 1)
		require.ErrorContains(t, err, "transaction id", "the library has mended the trap")
	}

	at, _ = slow()
	u := ours(t, tcpLink(at), 100*time.Millisecond)
	_, err = u.read(Holding, 1, 1)
	require.ErrorIs(t, err, ErrTimeout)
	u.timeout = patience
	for range 4 {
		b, err := u.read(Holding, 5, 1)
		require.NoError(t, err)
		require.EqualValues(t, 1005, binary.BigEndian.Uint16(b))
	}
}

func TestTrap03BrokenConnectionIsReplaced(t *testing.T) {
	broken := func() string {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, n int, _, _, _ []byte) bool {
			if n == 2 {
				c.Close()
			}
			return n == 2
		}
		return f.listen()
	}
	c, _ := theirsTCP(t, broken(), patience)
	_, err := c.ReadHoldingRegisters(1, 1)
	require.NoError(t, err)
	for range 5 {
		_, err = c.ReadHoldingRegisters(1, 1)
		require.Error(t, err, "the library has mended the trap")
	}

	drv, got := play(t, Options{Links: []Link{tcpLink(broken(), dev("io", 1, mm("a", 1)))}}, siteOf(level("a", fast)))
	all := got.until(t, "a", goods(4))
	require.Zero(t, countQ(all, site.Bad), "a closed connection costs a retry and no sample")
	links, _ := drv.Stats()
	require.EqualValues(t, 2, links[0].Connects)
}

func TestTrap04OneRequestAtATime(t *testing.T) {
	f := numbered(t)
	f.rtu = true
	var under, most atomic.Int32
	f.act = func(c io.ReadWriteCloser, n int, head, pdu, answer []byte) bool {
		most.Store(max(most.Load(), under.Add(1)))
		// While this answer is held back, a second request would already be in the socket.
		if tcp, ok := c.(*net.TCPConn); ok && n > 3 {
			var b [1]byte
			tcp.SetReadDeadline(time.Now().Add(2 * time.Millisecond))
			if k, _ := tcp.Read(b[:]); k > 0 {
				most.Store(99)
			}
			tcp.SetReadDeadline(time.Time{})
		}
		under.Add(-1)
		return false
	}
	var points []site.Point
	var devices []Device
	for i, id := range []string{"a", "b", "c", "d"} {
		points = append(points, level(id, fast))
		devices = append(devices, dev("unit-"+id, i+1, mm(id, i)))
	}
	_, got := play(t, Options{Links: []Link{rtuLink(f.listen(), devices...)}}, siteOf(points...))
	for i, p := range points {
		require.InDelta(t, 1+float64(i)/1000, got.until(t, p.ID, goods(5))[4].Value, 1e-9)
	}
	require.EqualValues(t, 1, most.Load())
	f.mu.Lock()
	defer f.mu.Unlock()
	require.Equal(t, 1, f.conns)
}

func TestTrap05NoIdleTimerUnderARequest(t *testing.T) {
	f := numbered(t)
	if !raceDetector { // the library's idle timer and its request race for the port
		gaveUp := make(chan bool)
		f.act = func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool { <-gaveUp; return true }
		c, h := theirsRTU(t, f.serial(), patience)
		h.IdleTimeout = 20 * time.Millisecond
		_, err := c.ReadHoldingRegisters(1, 1)
		close(gaveUp)
		require.Error(t, err, "the library has mended the trap")
		require.NotContains(t, err.Error(), "timeout", "it did not wait for the answer")
	}

	f = numbered(t)
	f.act = delayed(80*time.Millisecond, f)
	b, err := ours(t, serialLink(f.serial()), patience).read(Holding, 1, 1)
	require.NoError(t, err)
	require.EqualValues(t, 1001, binary.BigEndian.Uint16(b))
}

func TestTrap06ExceptionThatDribblesIn(t *testing.T) {
	// The last byte of the exception is held back until the library has given its answer: the four
	// before it are all it looks at.
	f := numbered(t)
	answered := make(chan bool)
	f.act = func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
		frame := f.frame(head, []byte{pdu[0] | 0x80, 6})
		c.Write(frame[:4])
		<-answered
		c.Write(frame[4:])
		return true
	}
	c, _ := theirsRTU(t, f.serial(), patience)
	_, err := c.ReadHoldingRegisters(1, 1)
	close(answered)
	require.Error(t, err)
	_, known := errors.AsType[*modbus.ModbusError](err)
	require.False(t, known, "the library has mended the trap")

	// Ours gets it cut at each place.
	frame := rtuFrame(1, 0x83, 6)
	for cut := 1; cut < len(frame); cut++ {
		u := oursOn(t, rtuLink(""), &pieces{answer: [][]byte{frame[:cut], frame[cut:]}}, patience)
		_, err = u.read(Holding, 1, 1)
		x, ok := errors.AsType[*ExceptionError](err)
		require.True(t, ok, "cut at %d: %v", cut, err)
		require.Equal(t, &ExceptionError{Function: 3, Code: 6}, x)
	}
}

// pieces answers what is sent with one piece a read.
type pieces struct {
	shortWriter
	answer [][]byte
	asked  bool
}

func (p *pieces) Write(b []byte) (int, error) { p.asked = true; return len(b), nil }

func (p *pieces) Read(b []byte) (int, error) {
	if !p.asked || len(p.answer) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, p.answer[0])
	p.answer = p.answer[1:]
	return n, nil
}

func TestTrap07TheTimeOutIsOfTheWholeAnswer(t *testing.T) {
	// One byte every 200 ms, of 25: the library takes 5 s with a time-out of 300 ms. In fake time
	// both ends are exact.
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		f := numbered(t)
		f.rtu = true
		f.act = func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
			for _, b := range f.frame(head, answer) {
				tick := time.NewTimer(200 * time.Millisecond)
				<-tick.C
				if _, err := c.Write([]byte{b}); err != nil {
					return true
				}
			}
			return true
		}
		f.wg.Go(func() { f.serve(far) })
		u := oursOn(t, rtuLink(""), near, 300*time.Millisecond)
		start := time.Now()
		_, err := u.read(Holding, 0, 10)
		require.ErrorIs(t, err, ErrFrame)
		require.Equal(t, 301*time.Millisecond, time.Since(start)) // and 1 ms of listening before
		near.Close()
		far.Close()
		f.wg.Wait()
	})
}

func TestTrap08LengthIsThatOfTheQuestion(t *testing.T) {
	short := func(pdu []byte) string {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, _ int, head, _, _ []byte) bool {
			c.Write(f.frame(head, pdu))
			return true
		}
		return f.listen()
	}
	for _, answer := range [][]byte{{3, 2, 0, 7}, {3, 0}, {3, 10, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5}} {
		c, _ := theirsTCP(t, short(answer), patience)
		b, err := c.ReadHoldingRegisters(0, 4)
		require.NoError(t, err, "the library has mended the trap")
		require.NotEqual(t, 8, len(b))

		_, err = ours(t, tcpLink(short(answer)), patience).read(Holding, 0, 4)
		require.ErrorIs(t, err, ErrFrame)
	}
}

func TestTrap09OtherFunctionIsNoException(t *testing.T) {
	other := func() string {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, _ int, head, _, _ []byte) bool {
			c.Write(f.frame(head, []byte{4, 2, 0, 7}))
			return true
		}
		return f.listen()
	}
	c, _ := theirsTCP(t, other(), patience)
	_, err := c.ReadHoldingRegisters(0, 1)
	_, exception := errors.AsType[*modbus.ModbusError](err)
	require.True(t, exception, "the library has mended the trap")

	_, err = ours(t, tcpLink(other()), patience).read(Holding, 0, 1)
	require.ErrorIs(t, err, ErrFrame)
	_, exception = errors.AsType[*ExceptionError](err)
	require.False(t, exception)
}

func TestTrap10NoiseBehindAGoodFrame(t *testing.T) {
	f := numbered(t)
	f.act = func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
		c.Write(append(f.frame(head, answer), 0xFF))
		return true
	}
	// One register: the library reads seven bytes at least four at a time, and all that is there.
	c, _ := theirsRTU(t, f.serial(), 200*time.Millisecond)
	failed := 0
	for range 5 {
		if _, err := c.ReadHoldingRegisters(0, 1); err != nil {
			failed++
		}
	}
	require.Positive(t, failed, "the library has mended the trap")

	for _, l := range []Link{rtuLink(""), tcpLink("")} {
		f := numbered(t)
		f.rtu = l.Kind == RTUOverTCP
		f.act = func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
			c.Write(append(f.frame(head, answer), 0xFF))
			return true
		}
		l.Address = f.listen()
		l.Devices = []Device{dev("io", 1, mm("a", 0), mm("b", 50))}
		_, got := play(t, Options{Links: []Link{l}}, siteOf(level("a", fast), level("b", fast)))
		require.Zero(t, countQ(got.until(t, "a", goods(4)), site.Bad), l.Kind)
		require.Zero(t, countQ(got.until(t, "b", goods(4)), site.Bad), l.Kind)
	}
}

func TestTrap11SerialSettingsAreThoseOfTheFile(t *testing.T) {
	require.NotEmpty(t, Options{Links: []Link{serialLinkWithout()}}.Validate(), "nothing is taken for granted")
	rows := []struct {
		parity Parity
		stop   int
		want   uint32
	}{
		{ParityNone, 1, 0},
		{ParityNone, 2, unix.CSTOPB},
		{ParityEven, 1, unix.PARENB},
		{ParityOdd, 1, unix.PARENB | unix.PARODD},
	}
	for _, r := range rows {
		path, _ := serialPair(t)
		l := serialLink(path)
		l.Parity, l.StopBits, l.Baud = r.parity, r.stop, 19200
		p, err := openSerial(l)
		require.NoError(t, err)
		is, err := unix.IoctlGetTermios(p.(*serialPort).lock, unix.TCGETS)
		require.NoError(t, err)
		// A pseudo terminal clears PARENB in its driver, so what can be seen is PARODD, CSTOPB and
		// the speed.
		require.Equal(t, r.want&^unix.PARENB, is.Cflag&(unix.CSTOPB|unix.PARODD), "%s %d", r.parity, r.stop)
		require.EqualValues(t, unix.B19200, is.Cflag&unix.CBAUD)
		require.NoError(t, p.Close())
	}
}

func serialLinkWithout() Link {
	l := serialLink("/dev/ttyS0", dev("io", 1, mm("a", 0)))
	l.Parity = ""
	return l
}

func TestTrap12LineIsTakenAndTimeIsBounded(t *testing.T) {
	d := dev("io", 1, mm("a", 0))
	d.Timeout = 0
	require.NotEmpty(t, Options{Links: []Link{tcpLink("127.0.0.1:502", d)}}.Validate())

	path, _ := serialPair(t)
	p, err := openSerial(serialLink(path))
	require.NoError(t, err)
	_, err = openSerial(serialLink(path))
	require.ErrorContains(t, err, "another program has the line")
	require.NoError(t, p.Close())
	p, err = openSerial(serialLink(path))
	require.NoError(t, err, "a line that was closed can be had again")
	require.NoError(t, p.Close())

	_, err = (&unit{strict: strict{}}).Send([]byte{1})
	require.ErrorIs(t, err, ErrWrite)
	// A write that takes only part of the frame.
	u := oursOn(t, rtuLink(""), &shortWriter{}, 50*time.Millisecond)
	_, err = u.read(Holding, 0, 1)
	require.ErrorIs(t, err, ErrDown)
}

type shortWriter struct{}

func (shortWriter) Read([]byte) (int, error)         { return 0, os.ErrDeadlineExceeded }
func (shortWriter) Write(b []byte) (int, error)      { return len(b) - 1, nil }
func (shortWriter) SetReadDeadline(time.Time) error  { return nil }
func (shortWriter) SetWriteDeadline(time.Time) error { return nil }
func (shortWriter) Close() error                     { return nil }

func TestTrap13AdapterUnplugged(t *testing.T) {
	f := numbered(t)
	f.rtu = true
	path, far := serialPair(t)
	asked := make(chan bool, 1000)
	f.act = func(c io.ReadWriteCloser, n int, _, _, _ []byte) bool {
		asked <- true
		return n > 2 // then the device is silent, so that the driver waits inside a read
	}
	f.wg.Go(func() { f.serve(far) })
	l := serialLink(path, dev("io", 1, mm("a", 1)))
	l.Devices[0].Timeout = time.Second
	drv, got := play(t, Options{Links: []Link{l}}, siteOf(level("a", fast)))
	for range 3 {
		<-asked
	}
	before := cpuTime(t)
	far.Close() // hangs up under the waiting read
	got.until(t, "a", bads(5, site.WhyLinkDown))
	require.Less(t, cpuTime(t)-before, 300*time.Millisecond, "the hangup is spinning")
	links, _ := drv.Stats()
	require.False(t, links[0].Up)
	require.NotEmpty(t, links[0].Last)

	// Plugged in again it is another device under the same name.
	path2, far2 := serialPair(t)
	g := numbered(t)
	g.rtu = true
	g.wg.Go(func() { g.serve(far2) })
	target, err := os.Readlink(path2)
	require.NoError(t, err)
	require.NoError(t, os.Remove(path))
	require.NoError(t, os.Symlink(target, path))
	n := len(got.until(t, "a", goods(3)))
	require.Positive(t, n)
	far2.Close()
	g.wg.Wait()
	f.wg.Wait()
}

func cpuTime(t *testing.T) time.Duration {
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func TestTrap14StopDoesNotWaitForAnAnswer(t *testing.T) {
	for _, kind := range []LinkKind{TCP, RTUOverTCP, Serial} {
		f := numbered(t)
		f.rtu = kind != TCP
		asked := make(chan bool, 10)
		f.act = func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool {
			asked <- true
			return true
		}
		var l Link
		d := dev("io", 1, mm("a", 1))
		d.Timeout = time.Minute
		switch kind {
		case TCP:
			l = tcpLink(f.listen(), d)
		case RTUOverTCP:
			l = rtuLink(f.listen(), d)
		case Serial:
			l = serialLink(f.serial(), d)
		}
		drv, err := New(Options{Links: []Link{l}}, siteOf(level("a", fast)), clock.Real{}, slog.New(slog.DiscardHandler))
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		drv.Start(ctx, newCatch().sink)
		<-asked
		cancel()
		ended := make(chan error, 1)
		go func() { ended <- drv.Wait() }()
		select {
		case err := <-ended:
			require.NoError(t, err)
		case <-time.After(5 * time.Second):
			t.Fatalf("%s: the minute of the time-out is waited out", kind)
		}
	}
}

func TestTrap15UnitsDoNotShareAHandler(t *testing.T) {
	// Eight units on one connection, each with its own number in its register.
	f := newField(t)
	f.act = func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
		c.Write(f.frame(head, []byte{pdu[0], 2, 0, head[6]}))
		return true
	}
	var points []site.Point
	var devices []Device
	for i := range 8 {
		id := "u" + string(rune('1'+i))
		points = append(points, level(id, fast))
		devices = append(devices, dev("dev-"+id, i+1, mm(id, 0)))
	}
	_, got := play(t, Options{Links: []Link{tcpLink(f.listen(), devices...)}}, siteOf(points...))
	for i, p := range points {
		for _, s := range got.until(t, p.ID, goods(5)) {
			require.InDelta(t, float64(i+1)/1000, s.Value, 1e-9)
		}
	}
}

func TestTrap16NothingIsWaitedForButTheSilence(t *testing.T) {
	// A device that answers at once, in fake time: what passes is the silence between frames of
	// 4.01 ms at 9600 baud and not a microsecond of computed frame time.
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		f := numbered(t)
		f.rtu = true
		f.wg.Go(func() { f.serve(far) })
		l := rtuLink("")
		l.Baud = 9600
		u := oursOn(t, l, near, time.Second)
		_, err := u.read(Holding, 0, 60)
		require.NoError(t, err)
		start := time.Now()
		for range 10 {
			_, err := u.read(Holding, 0, 60)
			require.NoError(t, err)
		}
		// 3.5 characters of 11 bits: 4010.4 us (serial line V1.02, 2.5.1.1).
		require.InDelta(t, 10*4010.4, float64(time.Since(start).Microseconds()), 10)
		near.Close()
		far.Close()
		f.wg.Wait()
	})
}

func TestTrap17StreamOutOfStep(t *testing.T) {
	// A header of length zero in front of the second answer.
	bent := func() string {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, n int, head, _, answer []byte) bool {
			if n == 2 {
				c.Write(append([]byte{0, 2, 0, 0, 0, 0, 1}, f.frame(head, answer)...))
			}
			return n == 2
		}
		return f.listen()
	}
	c, h := theirsTCP(t, bent(), patience)
	_, err := c.ReadHoldingRegisters(1, 1)
	require.NoError(t, err)
	h.Timeout = 100 * time.Millisecond
	for range 3 {
		_, err = c.ReadHoldingRegisters(1, 1)
		require.Error(t, err, "the library has mended the trap")
	}

	_, got := play(t, Options{Links: []Link{tcpLink(bent(), dev("io", 1, mm("a", 1)))}}, siteOf(level("a", fast)))
	require.Zero(t, countQ(got.until(t, "a", goods(4)), site.Bad))
}

func TestTrap18LocalEcho(t *testing.T) {
	echo := func() *field {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, _ int, head, pdu, answer []byte) bool {
			c.Write(append(rtuFrame(append(head[:1:1], pdu...)...), f.frame(head, answer)...))
			return true
		}
		return f
	}
	c, _ := theirsRTU(t, echo().serial(), 200*time.Millisecond)
	_, err := c.ReadHoldingRegisters(1, 1)
	require.Error(t, err, "the library has mended the trap")

	for _, told := range []bool{false, true} {
		l := serialLink(echo().serial(), dev("io", 1, mm("a", 1)))
		l.Echo = told
		drv, got := play(t, Options{Links: []Link{l}}, siteOf(level("a", fast)))
		all := got.until(t, "a", goods(3))
		require.Zero(t, countQ(all, site.Bad))
		require.InDelta(t, 1.001, all[0].Value, 1e-9)
		links, _ := drv.Stats()
		require.True(t, links[0].Echo, "an echo is seen and told")
	}

	// An echo alone is named, also where it has the form of a good answer: the request for 19
	// coils from 0300h is, byte for byte, an answer of three bytes to itself.
	for _, ask := range []struct{ address, n int }{{0x0300, 19}, {0x0013, 19}} {
		request := rtuFrame(1, 1, byte(ask.address>>8), byte(ask.address), 0, byte(ask.n))
		_, err := oursOn(t, rtuLink(""), &canned{answer: request}, patience).read(Coils, ask.address, ask.n)
		require.ErrorIs(t, err, ErrEcho)
	}
}

func TestTrap19UnitIdOfTheAnswer(t *testing.T) {
	other := func() string {
		f := numbered(t)
		f.act = func(c io.ReadWriteCloser, _ int, head, _, answer []byte) bool {
			b := f.frame(head, answer)
			b[6] = 255
			c.Write(b)
			return true
		}
		return f.listen()
	}
	c, _ := theirsTCP(t, other(), patience)
	_, err := c.ReadHoldingRegisters(1, 1)
	require.Error(t, err)

	u := ours(t, tcpLink(other()), patience)
	_, err = u.read(Holding, 1, 1)
	require.ErrorIs(t, err, ErrFrame, "strict where nothing was said")
	u.any = true
	b, err := u.read(Holding, 1, 1)
	require.NoError(t, err, "accepted where the site file says so")
	require.EqualValues(t, 1001, binary.BigEndian.Uint16(b))
}

func TestTrap20OneConnectionForAllUnits(t *testing.T) {
	f := numbered(t)
	var open, most atomic.Int32
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	f.serveOn(ln)
	f.act = func(io.ReadWriteCloser, int, []byte, []byte, []byte) bool {
		f.mu.Lock()
		open.Store(int32(f.open))
		f.mu.Unlock()
		most.Store(max(most.Load(), open.Load()))
		return false
	}
	drv, err := New(Options{Links: []Link{tcpLink(ln.Addr().String(), dev("one", 1, mm("a", 1)), dev("two", 2, mm("b", 2)))}},
		siteOf(level("a", fast), level("b", fast)), clock.Real{}, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	got := newCatch()
	drv.Start(ctx, got.sink)
	got.until(t, "b", goods(5))
	require.EqualValues(t, 1, most.Load())
	cancel()
	require.NoError(t, drv.Wait())
	// The device sees the connection closed as soon as the driver has stopped.
	require.Eventually(t, func() bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.open == 0
	}, patience, time.Millisecond)
}

func TestTransactionsOfAllUnitsDiffer(t *testing.T) {
	// Not of the twenty: the library counts transactions for each unit anew, so that the late
	// answer of one unit carries the number of another's request, and a device that answers with
	// any unit id cannot be told by that either.
	f := numbered(t)
	seen := map[string]bool{}
	f.act = func(c io.ReadWriteCloser, _ int, head, _, _ []byte) bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		require.False(t, seen[string(head[:2])], "transaction % X twice", head[:2])
		seen[string(bytes.Clone(head[:2]))] = true
		return false
	}
	_, got := play(t, Options{Links: []Link{tcpLink(f.listen(), dev("one", 1, mm("a", 1)), dev("two", 2, mm("b", 2)))}},
		siteOf(level("a", fast), level("b", fast)))
	got.until(t, "b", goods(6))
}
