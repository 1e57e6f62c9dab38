package modbus

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The figures this driver is held to, each beside what bounds it and in the same run. Devices
// are in a process of their own, so is each side of a comparison, and what is compared takes turns:
//
//	go test -run '^$' -bench BenchmarkFigure -benchtime 1x -timeout 30m ./drivers/modbus
//
// The newest output is kept in testdata/figures.txt.

// roles are what this test binary does when it is started as a child.
var roles = map[string]func(given figureTask) (any, error){
	"devices": serveDevices, "driver": driveDevices, "library": pollDevices, "line": paceLine,
}

const roleVariable = "MODBUS_FIGURE"

func TestMain(m *testing.M) {
	role, child := os.LookupEnv(roleVariable)
	if !child {
		os.Exit(m.Run())
	}
	var given figureTask
	err := json.Unmarshal([]byte(os.Getenv(roleVariable+"_TASK")), &given)
	var result any
	if err == nil {
		result, err = roles[role](given)
	}
	if err == nil {
		err = json.NewEncoder(os.Stdout).Encode(result)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// figureTask is what a child is given.
type figureTask struct {
	Addresses []string      // of the devices, for driver and library
	Devices   int           // how many devices there are
	OneLink   bool          // all of them behind one connection, as units from 1
	Points    int           // neighbouring registers of each that are read together
	Every     time.Duration // interval
	For       time.Duration // how long it is measured, after a warm-up
	Char, Gap time.Duration // of the line that is paced
}

// figureUse is what a child used between two moments.
type figureUse struct {
	Samples, Requests  int64
	Missed, Bad        int64 // moments, and samples that are not good
	CPU, Wall          time.Duration
	Mallocs            int64
	PeakKB             int64
	Jitter50, Jitter99 time.Duration
	JitterMost         time.Duration
}

// child is this binary in a role. It ends by itself, or when its standard input does.
type child struct {
	cmd *exec.Cmd
	in  io.Closer
	out *bufio.Reader
}

func startChild(b *testing.B, role string, task figureTask, extra ...*os.File) child {
	b.Helper()
	text, err := json.Marshal(task)
	require.NoError(b, err)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), roleVariable+"="+role, roleVariable+"_TASK="+string(text))
	cmd.Stderr, cmd.ExtraFiles = os.Stderr, extra
	in, err := cmd.StdinPipe()
	require.NoError(b, err)
	out, err := cmd.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, cmd.Start())
	return child{cmd, in, bufio.NewReader(out)}
}

// result ends the child and takes what it has to say.
func (c child) result(b *testing.B, result any) {
	b.Helper()
	c.in.Close()
	err := json.NewDecoder(c.out).Decode(result)
	require.NoError(b, c.cmd.Wait())
	require.NoError(b, err)
}

// measured runs a child to its end and returns what it used.
func measured(b *testing.B, role string, task figureTask) figureUse {
	b.Helper()
	var use figureUse
	startChild(b, role, task).result(b, &use)
	require.Positive(b, use.Samples)
	return use
}

// devicesOf starts a process with devices on ports of their own.
func devicesOf(b *testing.B, n int) (addresses []string, stop func()) {
	b.Helper()
	c := startChild(b, "devices", figureTask{Devices: n})
	for range n {
		line, err := c.out.ReadString('\n')
		require.NoError(b, err)
		addresses = append(addresses, line[:len(line)-1])
	}
	return addresses, func() { c.result(b, new(any)) }
}

// serveDevices answers reads of registers until standard input ends.
func serveDevices(given figureTask) (any, error) {
	for range given.Devices {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		fmt.Println(l.Addr())
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				go answerRegisters(c)
			}
		}()
	}
	io.Copy(io.Discard, os.Stdin)
	return nil, nil
}

func answerRegisters(c net.Conn) {
	defer c.Close()
	in, out := make([]byte, 12), make([]byte, maxTCP)
	for {
		if _, err := io.ReadFull(c, in); err != nil {
			return
		}
		n := 2 * int(binary.BigEndian.Uint16(in[10:]))
		copy(out, in[:8])
		binary.BigEndian.PutUint16(out[4:], uint16(n+3))
		out[8] = byte(n)
		if _, err := c.Write(out[:9+n]); err != nil {
			return
		}
	}
}

// meter is what the process has used so far.
type meter struct {
	at, cpu time.Duration
	mallocs uint64
}

var meterStart = time.Now()

func readMeter() meter {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return meter{time.Since(meterStart), time.Duration(u.Utime.Nano() + u.Stime.Nano()), m.Mallocs}
}

func (m meter) since(before meter) figureUse {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return figureUse{Wall: m.at - before.at, CPU: m.cpu - before.cpu, Mallocs: int64(m.mallocs - before.mallocs), PeakKB: u.Maxrss}
}

// warmUp is how long a child runs before it is measured.
const warmUp = 2 * time.Second

// figureOptions are the driver's options for the task's devices.
func figureOptions(given figureTask) (Options, *site.Site) {
	var o Options
	var points []site.Point
	for i := range given.Devices {
		var maps []PointMap
		for k := range given.Points {
			id := fmt.Sprintf("p%d-%d", i, k)
			points = append(points, site.Point{ID: id, Bay: "A1", Quantity: site.Level, Interval: given.Every, Min: -1, Max: 100})
			maps = append(maps, mm(id, k))
		}
		d := DefaultDevice()
		d.ID, d.Unit, d.Points = fmt.Sprintf("unit-%d", i), 1, maps
		if given.OneLink && i > 0 {
			d.Unit = i + 1
			o.Links[0].Devices = append(o.Links[0].Devices, d)
			continue
		}
		l := DefaultLink(TCP)
		l.ID, l.Address, l.Devices = fmt.Sprintf("link-%d", i), given.Addresses[i], []Device{d}
		o.Links = append(o.Links, l)
	}
	slices.SortFunc(points, func(a, b site.Point) int { return slices.Compare([]byte(a.ID), []byte(b.ID)) })
	return o, &site.Site{ID: "club", Zone: time.UTC, Points: points}
}

// driveDevices reads the devices with the driver.
func driveDevices(given figureTask) (any, error) {
	o, s := figureOptions(given)
	d, err := New(o, s, clock.Real{}, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, err
	}
	var samples, bad atomic.Int64
	ctx, cancel := context.WithCancel(context.Background())
	d.Start(ctx, func(all []site.Sample, done func()) {
		for i := range all {
			if all[i].Quality != site.Good {
				bad.Add(1)
			}
		}
		samples.Add(int64(len(all)))
		done()
	})
	elapse(warmUp)
	requests, missed := countRequests(d)
	n, before := samples.Load(), readMeter()
	elapse(given.For)
	after := readMeter()
	use := after.since(before)
	use.Samples = samples.Load() - n
	use.Requests, use.Missed = countRequests(d)
	use.Requests -= requests
	use.Missed -= missed
	cancel()
	if err := d.Wait(); err != nil {
		return nil, err
	}
	use.Bad = bad.Load()
	var jitter []time.Duration
	for _, l := range d.links {
		for _, dev := range l.devices {
			for _, x := range dev.tally.ring[:dev.tally.count] {
				jitter = append(jitter, x.jitter)
			}
		}
	}
	use.Jitter50, use.Jitter99, use.JitterMost = percentile(jitter, 0.5), percentile(jitter, 0.99), percentile(jitter, 1)
	return use, nil
}

func countRequests(d *Driver) (requests, late int64) {
	_, devices := d.Stats()
	for _, s := range devices {
		requests += s.Requests
		late += s.Late
	}
	return requests, late
}

// pollDevices is the bare loop: the library as its README uses it, sending the same requests at
// the same moments and making numbers of the answers.
func pollDevices(given figureTask) (any, error) {
	handlers := make([]*modbus.TCPClientHandler, given.Devices)
	clients := make([]modbus.Client, given.Devices)
	for i := range given.Devices {
		if given.OneLink && i > 0 {
			handlers[i], clients[i] = handlers[0], clients[0]
			continue
		}
		handlers[i] = modbus.NewTCPClientHandler(given.Addresses[i])
		handlers[i].Timeout, handlers[i].SlaveId, handlers[i].IdleTimeout = time.Second, 1, time.Minute
		clients[i] = modbus.NewClient(handlers[i])
	}
	var use figureUse
	var values, stamps float64
	poll := func() error {
		for i, c := range clients {
			handlers[i].SlaveId = byte(i + 1)
			data, err := c.ReadHoldingRegisters(0, uint16(given.Points))
			if err != nil {
				return err
			}
			stamps += float64(time.Now().UnixMilli())
			for k := range given.Points {
				values += float64(binary.BigEndian.Uint16(data[2*k:])) * 1e-3
			}
			use.Samples += int64(given.Points)
			use.Requests++
		}
		return nil
	}
	tick := time.NewTicker(given.Every)
	defer tick.Stop()
	loop := func(d time.Duration) error {
		for until := time.Now().Add(d); time.Now().Before(until); {
			<-tick.C
			if err := poll(); err != nil {
				return err
			}
		}
		return nil
	}
	if err := loop(warmUp); err != nil {
		return nil, err
	}
	use = figureUse{}
	before := readMeter()
	if err := loop(given.For); err != nil {
		return nil, err
	}
	samples, requests := use.Samples, use.Requests
	use = readMeter().since(before)
	use.Samples, use.Requests = samples, requests
	if values < 0 || stamps < 0 {
		return nil, fmt.Errorf("what was read is not used")
	}
	return use, nil
}

// BenchmarkFigureCPU: user and system time per decoded sample, beside the bare library's loop.
func BenchmarkFigureCPU(b *testing.B) {
	const pairs = 5
	for _, points := range []int{4, 20, 60} {
		b.Run(fmt.Sprintf("%d points a request", points), func(b *testing.B) {
			loaded(b)
			addresses, stop := devicesOf(b, 1)
			defer stop()
			task := figureTask{Addresses: addresses, Devices: 10, OneLink: true, Points: points, Every: 100 * time.Millisecond, For: 4 * time.Second}
			for range b.N {
				var ours, theirs, ratio, allocs, libAllocs []float64
				for i := range pairs {
					var o, t figureUse
					if i%2 == 0 {
						o, t = measured(b, "driver", task), measured(b, "library", task)
					} else {
						t, o = measured(b, "library", task), measured(b, "driver", task)
					}
					require.Zero(b, o.Bad)
					per := func(u figureUse) float64 { return float64(u.CPU.Nanoseconds()) / float64(u.Samples) }
					ours, theirs, ratio = append(ours, per(o)), append(theirs, per(t)), append(ratio, per(o)/per(t))
					allocs = append(allocs, float64(o.Mallocs)/float64(o.Requests))
					libAllocs = append(libAllocs, float64(t.Mallocs)/float64(t.Requests))
				}
				report(b, "ns/sample", ours)
				report(b, "library-ns/sample", theirs)
				report(b, "ratio", ratio)
				report(b, "allocs/request", allocs)
				report(b, "library-allocs/request", libAllocs)
			}
		})
	}
}

// loaded prints how busy the machine is with other things: a figure means little without it.
func loaded(b *testing.B) {
	b.Helper()
	load, err := os.ReadFile("/proc/loadavg")
	require.NoError(b, err)
	b.Logf("%s, %d cores, load average %s", runtime.Version(), runtime.NumCPU(), load)
}

// report gives the median as the benchmark's figure and prints it with its range.
func report(b *testing.B, unit string, all []float64) {
	b.Helper()
	slices.Sort(all)
	median := all[len(all)/2]
	b.ReportMetric(median, unit)
	b.Logf("%-24s median %8.3g, range %.3g to %.3g of %d", unit, median, all[0], all[len(all)-1], len(all))
}

// BenchmarkFigureManyDevices: devices read at 1 s by one process, and how far it goes: twice as
// many each time, until a moment is missed (started over half an interval late) or a reading is not
// good.
func BenchmarkFigureManyDevices(b *testing.B) {
	for n, enough := 200, false; !enough; n *= 2 {
		b.Run(fmt.Sprintf("%d devices", n), func(b *testing.B) {
			loaded(b)
			addresses, stop := devicesOf(b, n)
			defer stop()
			task := figureTask{Addresses: addresses, Devices: n, Points: 10, Every: time.Second, For: 30 * time.Second}
			if n == 200 {
				task.For = time.Minute
			}
			for range b.N {
				u := measured(b, "driver", task)
				enough = u.Missed+u.Bad > 0
				b.ReportMetric(float64(u.Missed), "missed")
				b.ReportMetric(float64(u.Bad), "not-good")
				b.ReportMetric(100*float64(u.CPU)/float64(u.Wall), "%cpu")
				b.ReportMetric(float64(u.PeakKB)/1024, "MB")
				b.ReportMetric(u.Jitter50.Seconds()*1e3, "ms-jitter-p50")
				b.ReportMetric(u.Jitter99.Seconds()*1e3, "ms-jitter-p99")
				b.ReportMetric(u.JitterMost.Seconds()*1e3, "ms-jitter-most")
				b.ReportMetric(float64(u.Requests)/u.Wall.Seconds(), "requests/s")
			}
		})
	}
}

// turn is one request on the paced line. Times are those of the machine's monotonic clock, which
// both processes share.
type turn struct {
	Read, Due, Wrote, Occupied time.Duration
}

// paceLine is the far end of a pseudo terminal and answers when request, silence and answer would
// have been on a wire of that speed.
func paceLine(given figureTask) (any, error) {
	if err := unix.SetNonblock(3, true); err != nil {
		return nil, err
	}
	far := os.NewFile(3, "line")
	go func() {
		io.Copy(io.Discard, os.Stdin)
		far.Close() // which ends a read
	}()
	in := make([]byte, 8)
	turns := []turn{}
	for {
		if _, err := io.ReadFull(far, in); err != nil {
			return turns, nil
		}
		read := monotonic()
		n := int(binary.BigEndian.Uint16(in[4:]))
		size := answerChars(Holding, n)
		if in[1] <= fcDiscrete {
			size = answerChars(Coils, n)
		}
		wire := time.Duration(requestChars+size)*given.Char + given.Gap
		answer := make([]byte, size-2)
		answer[0], answer[1], answer[2] = in[0], in[1], byte(size-5)
		due := read + wire
		elapse(due - monotonic())
		if _, err := far.Write(rtuFrame(answer...)); err != nil {
			return turns, nil // ended in the middle of one, which does not count
		}
		turns = append(turns, turn{read, due, monotonic(), wire + given.Gap})
	}
}

func monotonic() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		panic(err)
	}
	return time.Duration(t.Nano())
}

// elapse lets time pass.
func elapse(d time.Duration) {
	t := time.NewTimer(d)
	<-t.C
}

// timedPort notes when each request was written.
type timedPort struct {
	*serialPort
	wrote []time.Duration
}

func (p *timedPort) Write(b []byte) (int, error) {
	p.wrote = append(p.wrote, monotonic())
	return p.serialPort.Write(b)
}

// BenchmarkFigureLine: a line of 9600 baud, 8N1, with eight units asked flat out: which share of
// the time the two frames of each request and a silence behind each occupy it. What the process
// that plays the wire oversleeps is no fault of the master's, and is taken off beside the raw
// figure. Beside the driver a bare loop sends the same requests, reads and sleeps the silence:
// nothing can be faster on this machine. The requests must be as few as trying every plan finds.
func BenchmarkFigureLine(b *testing.B) {
	const pairs, lasts = 3, 20 * time.Second
	loaded(b)
	l := serialLink("")
	l.Baud = 9600
	var points []site.Point
	for u := 1; u <= 8; u++ {
		var maps []PointMap
		for k, m := range []PointMap{{Table: Holding, Address: 0}, {Table: Holding, Address: 1}, {Table: Holding, Address: 2},
			{Table: Holding, Address: 7}, {Table: Holding, Address: 40}, {Table: Coils, Address: 0}, {Table: Coils, Address: 3}} {
			m.Point, m.Decode.Type = fmt.Sprintf("p%d-%d", u, k), Uint16
			p := site.Point{ID: m.Point, Bay: "A1", Quantity: site.Level, Interval: shortestInterval, Min: -1, Max: 1e6}
			if m.Table == Coils {
				m.Decode.Type, p.Quantity = Bit, site.ValveOpen
			}
			points, maps = append(points, p), append(maps, m)
		}
		l.Devices = append(l.Devices, dev(fmt.Sprintf("unit-%d", u), u, maps...))
	}
	// onWire lets a master use the line and returns the shares of it that were occupied.
	onWire := func(master func(open opener)) (share, raw float64) {
		path, far := serialPairOf(b)
		l.Path = path
		wire := startChild(b, "line", figureTask{Char: charTime(l), Gap: frameGap(l)}, far)
		far.Close()
		var near *timedPort
		master(func(_ context.Context, _ Link) (port, error) {
			p, err := openSerial(l)
			require.NoError(b, err)
			near = &timedPort{serialPort: p.(*serialPort)}
			return near, nil
		})
		var turns []turn
		wire.result(b, &turns)
		n := min(len(turns), len(near.wrote)) - 1
		require.Greater(b, n, 100)
		var occupied, overslept time.Duration
		for i, t := range turns[:n] {
			occupied += t.Occupied
			overslept += t.Read - near.wrote[i] + t.Wrote - t.Due
		}
		elapsed := near.wrote[n] - near.wrote[0]
		return 100 * float64(occupied) / float64(elapsed-overslept), 100 * float64(occupied) / float64(elapsed)
	}
	driver := func(open opener) {
		// Built without the check that refuses a line asked for more than it can carry.
		d := build(Options{Links: []Link{l}}, siteOf(points...), clock.Real{}, slog.New(slog.DiscardHandler), open)
		ctx, cancel := context.WithCancel(b.Context())
		d.Start(ctx, func(_ []site.Sample, done func()) { done() })
		elapse(lasts)
		cancel()
		require.NoError(b, d.Wait())
		_, devices := d.Stats()
		for i, s := range devices {
			require.Zero(b, s.Timeouts+s.BadFrames+s.Exceptions+s.Retries)
			var spans []span
			for _, p := range d.links[0].devices[i].points {
				spans = append(spans, p.span)
			}
			o := l.Devices[i]
			optimum, _ := exhaustive(spans, limits{registers: o.MaxRegisters, bits: o.MaxBits, gap: o.MaxGap})
			rounds := float64(s.Samples) / float64(len(spans))
			require.InDelta(b, rounds*float64(optimum), s.Requests, float64(optimum), "unit %d", s.Unit)
			b.ReportMetric(float64(s.Requests)/rounds, "requests/round")
			b.ReportMetric(float64(optimum), "optimum")
		}
	}
	bare := func(open opener) {
		p, err := open(b.Context(), l)
		require.NoError(b, err)
		d := build(Options{Links: []Link{l}}, siteOf(points...), clock.Real{}, slog.New(slog.DiscardHandler), open)
		var requests [][]byte
		var sizes []int
		for _, dev := range d.links[0].devices {
			for _, r := range dev.requests(dev.groups[0].bit) {
				fc := fcHolding
				if r.block.table == Coils {
					fc = fcCoils
				}
				requests = append(requests, rtuFrame(byte(dev.o.Unit), fc, 0, byte(r.block.start), 0, byte(r.block.n)))
				sizes = append(sizes, answerChars(r.block.table, r.block.n))
			}
		}
		buf := make([]byte, maxRTU)
		for i, until := 0, time.Now().Add(lasts); time.Now().Before(until); i = (i + 1) % len(requests) {
			require.NoError(b, p.SetReadDeadline(time.Now().Add(time.Minute)))
			_, err := p.Write(requests[i])
			require.NoError(b, err)
			for n := 0; n < sizes[i]; {
				m, err := p.Read(buf[n:])
				require.NoError(b, err)
				n += m
			}
			elapse(frameGap(l))
		}
		require.NoError(b, p.Close())
	}
	for range b.N {
		var ours, raw, bares, bareRaw []float64
		for range pairs {
			share, all := onWire(driver)
			ours, raw = append(ours, share), append(raw, all)
			share, all = onWire(bare)
			bares, bareRaw = append(bares, share), append(bareRaw, all)
		}
		report(b, "%line", ours)
		report(b, "bare-%line", bares)
		report(b, "%line-raw", raw)
		report(b, "bare-%line-raw", bareRaw)
	}
}
