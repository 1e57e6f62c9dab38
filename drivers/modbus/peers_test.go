package modbus

import (
	"bufio"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"bayledger/agent/site"

	theirs "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// tool finds a program the peers need.
func tool(t *testing.T, name string) string {
	t.Helper()
	if name == "python3" {
		// Debian's pymodbus is seen by Debian's interpreter only.
		if _, err := os.Stat("/usr/bin/python3"); err == nil {
			return "/usr/bin/python3"
		}
	}
	path, err := exec.LookPath(name)
	require.NoError(t, err, "%s is missing: run sh deploy/test.sh, which installs what the tests need", name)
	return path
}

// background starts a program, waits until it prints ready (when it is to), and ends it with the
// test. Its output is given line by line to each, if that is set.
func background(t *testing.T, ready bool, each func(line string), name string, args ...string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var errs strings.Builder
	cmd.Stderr = &errs
	require.NoError(t, cmd.Start())
	up := make(chan bool, 1)
	var wg sync.WaitGroup
	wg.Go(func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if lines.Text() == "ready" {
				up <- true
			} else if each != nil {
				each(lines.Text())
			}
		}
		close(up)
	})
	t.Cleanup(func() {
		cmd.Process.Kill()
		wg.Wait()
		cmd.Wait()
	})
	if !ready {
		return
	}
	select {
	case ok := <-up:
		require.True(t, ok, "%s ended: %s", name, errs.String())
	case <-time.After(20 * time.Second):
		t.Fatalf("%s does not get ready: %s", name, errs.String())
	}
}

// wirePair is two serial devices joined by socat.
func wirePair(t *testing.T) (a, b string) {
	t.Helper()
	dir := t.TempDir()
	a, b = filepath.Join(dir, "a"), filepath.Join(dir, "b")
	background(t, false, nil, tool(t, "socat"), "pty,raw,echo=0,link="+a, "pty,raw,echo=0,link="+b)
	require.Eventually(t, func() bool {
		_, err1 := os.Stat(a)
		_, err2 := os.Stat(b)
		return err1 == nil && err2 == nil
	}, 10*time.Second, time.Millisecond)
	return a, b
}

func freePort(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	_, port, err := net.SplitHostPort(ln.Addr().String())
	require.NoError(t, err)
	return port
}

// cSlave compiles the slave on libmodbus.
func cSlave(t *testing.T) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "slave")
	text, err := exec.Command(tool(t, "gcc"), "-Wall", "-o", out, "testdata/slave.c", "-lmodbus").CombinedOutput()
	require.NoError(t, err, "%s: run sh deploy/test.sh, which installs libmodbus", text)
	return out
}

// TestIndependentSlaves: the driver reads slaves that share no code with it and gets, for every
// table, what they hold.
func TestIndependentSlaves(t *testing.T) {
	slave := cSlave(t)
	onWire := func(start func(t *testing.T, device string)) func(t *testing.T) Link {
		return func(t *testing.T) Link {
			near, far := wirePair(t)
			start(t, far)
			l := serialLink(near)
			l.Baud = 19200
			return l
		}
	}
	peers := map[string]func(t *testing.T) Link{
		"pymodbus over TCP": func(t *testing.T) Link {
			port := freePort(t)
			background(t, true, nil, tool(t, "python3"), "testdata/slave.py", "tcp", port)
			return tcpLink("127.0.0.1:" + port)
		},
		"pymodbus on a line": onWire(func(t *testing.T, device string) {
			background(t, true, nil, tool(t, "python3"), "testdata/slave.py", "rtu", device)
		}),
		"libmodbus over TCP": func(t *testing.T) Link {
			port := freePort(t)
			background(t, true, nil, slave, "tcp", port)
			return tcpLink("127.0.0.1:" + port)
		},
		"libmodbus on a line": onWire(func(t *testing.T, device string) { background(t, true, nil, slave, "rtu", device) }),
		"simonvetter over TCP": func(t *testing.T) Link {
			at := "127.0.0.1:" + freePort(t)
			s, err := theirs.NewServer(&theirs.ServerConfiguration{URL: "tcp://" + at, Timeout: time.Minute, MaxClients: 2}, peer{})
			require.NoError(t, err)
			require.NoError(t, s.Start())
			t.Cleanup(func() { s.Stop() })
			return tcpLink(at)
		},
	}
	for name, start := range peers {
		t.Run(name, func(t *testing.T) {
			l := start(t)
			d := dev("io", 1, mm("holding", 7),
				PointMap{Point: "input", Table: Input, Address: 9, Decode: Decode{Type: Uint16, Span: &Span{0, 1, 0, 1e-3}}},
				PointMap{Point: "coil", Table: Coils, Address: 12, Decode: Decode{Type: Bit}},
				PointMap{Point: "discrete", Table: Discrete, Address: 8, Decode: Decode{Type: Bit}})
			d.Timeout = time.Second
			l.Devices = []Device{d}
			_, got := play(t, Options{Links: []Link{l}}, siteOf(level("holding", fast), level("input", fast),
				site.Point{ID: "coil", Bay: "A1", Quantity: site.ValveOpen, Interval: fast},
				site.Point{ID: "discrete", Bay: "A2", Quantity: site.ValveOpen, Interval: fast}))
			for point, want := range map[string]float64{"holding": 1.007, "input": 1.509, "coil": 1, "discrete": 0} {
				for _, s := range got.until(t, point, goods(3)) {
					if s.Quality == site.Good {
						require.InDelta(t, want, s.Value, 1e-9, point)
					}
				}
			}
		})
	}
}

// peer answers for simonvetter's server what the other two slaves hold.
type peer struct{}

func (peer) HandleCoils(r *theirs.CoilsRequest) (out []bool, err error) {
	for i := range r.Quantity {
		out = append(out, (r.Addr+i)%3 == 0)
	}
	return out, nil
}

func (peer) HandleDiscreteInputs(r *theirs.DiscreteInputsRequest) (out []bool, err error) {
	for i := range r.Quantity {
		out = append(out, (r.Addr+i)%2 == 1)
	}
	return out, nil
}

func (peer) HandleHoldingRegisters(r *theirs.HoldingRegistersRequest) (out []uint16, err error) {
	for i := range r.Quantity {
		out = append(out, 1000+r.Addr+i)
	}
	return out, nil
}

func (peer) HandleInputRegisters(r *theirs.InputRegistersRequest) (out []uint16, err error) {
	for i := range r.Quantity {
		out = append(out, 1500+r.Addr+i)
	}
	return out, nil
}

// TestPymodbusMasterOnOurLine: a real second master polls the slave we want to read. It loses
// not one of its answers, and the points it asks for are taken from its traffic.
func TestPymodbusMasterOnOurLine(t *testing.T) {
	// Four on one pair of wires: what any of them sends, the others hear.
	var ends []string
	var files []*os.File
	for range 4 {
		path, far := serialPair(t)
		ends, files = append(ends, path), append(files, far)
	}
	var wg sync.WaitGroup
	for i, f := range files {
		wg.Go(func() {
			b := make([]byte, 256)
			for {
				n, err := f.Read(b)
				if err != nil {
					return
				}
				for j, other := range files {
					if j != i {
						other.Write(b[:n])
					}
				}
			}
		})
	}
	t.Cleanup(func() {
		for _, f := range files {
			f.Close()
		}
		wg.Wait()
	})
	background(t, true, nil, cSlave(t), "rtu", ends[0])
	var mu sync.Mutex
	var lines []string
	background(t, true, func(line string) {
		mu.Lock()
		lines = append(lines, line)
		mu.Unlock()
	}, tool(t, "python3"), "testdata/master.py", ends[1])

	l := serialLink(ends[2], dev("io", 1, mm("a", 6), mm("b", 60)))
	l.Baud, l.Listen = 19200, time.Minute
	only := serialLink(ends[3], dev("same-io", 1, mm("c", 7)))
	only.ID, only.Baud, only.ListenOnly = "ears", 19200, true
	drv, got := play(t, Options{Links: []Link{l, only}}, siteOf(level("a", 2*fast), level("b", 2*fast), level("c", 2*fast)))
	for point, want := range map[string]float64{"a": 1.006, "c": 1.007} {
		for _, s := range got.until(t, point, goods(15)) {
			if s.Quality == site.Good {
				require.InDelta(t, want, s.Value, 1e-9)
			}
		}
	}
	got.until(t, "b", bads(5, site.WhyOtherMaster))
	links, devices := drv.Stats()
	require.NotEmpty(t, links[0].OtherMaster)
	require.Zero(t, devices[0].Requests+devices[1].Requests, "something was sent on another's line")
	require.True(t, links[1].Up)
	require.False(t, links[1].Listening)
	require.Empty(t, links[1].OtherMaster, "on a line that is only listened to that is how it should be")
	mu.Lock()
	defer mu.Unlock()
	require.Greater(t, len(lines), 5)
	for _, line := range lines {
		require.Equal(t, "[1005, 1006, 1007]", line, "the other master was disturbed")
	}

	_, err := NewProbe(t.Context(), ProbeOptions{Link: serialOther(ends[1]), Timeout: time.Second})
	require.ErrorIs(t, err, ErrOtherMaster)
}

func serialOther(path string) Link {
	l := serialLink(path)
	l.Baud, l.Listen = 19200, time.Minute // it says so as soon as it hears one
	return l
}
