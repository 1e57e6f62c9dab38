package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// With the output off nothing can be written: the driver has no valve, an order is refused, and no
// function of the package but the one that shuts the valve reaches a line beside the guard that
// lets only reads pass.
func TestNothingIsWrittenWithoutPermission(t *testing.T) {
	s := &site.Site{Points: []site.Point{{ID: "a", Quantity: site.Volume, Interval: time.Second}}}
	opts := Options{Links: []Link{tcpLink("127.0.0.1:1", dev("io", 1, mm("a", 0)))}}
	d, err := New(opts, s, clock.Real{}, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.ErrorIs(t, d.ShutValve(t.Context()), ErrNoOutput)
	for _, l := range d.links {
		require.Nil(t, l.valve)
		require.False(t, l.carryOut(t.Context()))
	}
	for _, i := range []*site.Isolation{nil, {Device: "io"}, {Device: "io", Enabled: true, DryRun: true}} {
		require.ErrorIs(t, d.Allow(i), ErrNoOutput)
		require.ErrorIs(t, d.ShutValve(t.Context()), ErrNoOutput)
	}
	require.Error(t, d.Allow(&site.Isolation{Device: "other", Enabled: true}))
	require.NoError(t, d.Allow(&site.Isolation{Device: "io", Enabled: true}))
	ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
	defer cancel()
	require.ErrorIs(t, d.ShutValve(ctx), ErrUnconfirmed, "nobody runs the line")

	// Who reaches a line: the guard, and the valve. Who names the function that writes: the valve,
	// and the check of its answer.
	carry, write := map[string]bool{}, map[string]bool{}
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	set := token.NewFileSet()
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		for _, decl := range file.Decls {
			f, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.SelectorExpr:
					if n.Sel.Name == "carry" || n.Sel.Name == "ask" {
						carry[name+" "+f.Name.Name] = true
					}
					if strings.HasPrefix(n.Sel.Name, "Write") && (strings.HasSuffix(n.Sel.Name, "Coil") || strings.HasSuffix(n.Sel.Name, "Coils") || strings.HasSuffix(n.Sel.Name, "Register") || strings.HasSuffix(n.Sel.Name, "Registers")) {
						t.Errorf("%s calls %s of the library", name, n.Sel.Name)
					}
				case *ast.Ident:
					if n.Name == "fcWriteCoil" {
						write[name+" "+f.Name.Name] = true
					}
				}
				return true
			})
		}
	}
	require.Equal(t, map[string]bool{"unit.go Send": true, "coil.go shut": true, "loop.go carry": true, "probe.go carry": true}, carry) // the two carry are what Send goes through
	require.Equal(t, map[string]bool{"coil.go shut": true, "frame.go answerSize": true, "frame.go checkAnswer": true}, write)
}

// coilDevice is a unit on a line whose register 100 and coil 7 can be read, and whose coil can be
// set unless act prevents it.
type coilDevice struct {
	*field
	// act is given the number of the write among the writes and answers it; nil answers as the
	// specification has it.
	act    func(c io.ReadWriteCloser, set func(), answer []byte)
	writes [][]byte
}

func newCoilDevice(t *testing.T) *coilDevice {
	d := &coilDevice{field: numbered(t)}
	d.rtu = true
	d.field.act = func(c io.ReadWriteCloser, _ int, head, pdu, _ []byte) bool {
		if pdu[0] != 5 {
			return false
		}
		d.mu.Lock()
		d.writes = append(d.writes, pdu)
		d.mu.Unlock()
		set := func() {
			d.mu.Lock()
			defer d.mu.Unlock()
			d.bit[binary.BigEndian.Uint16(pdu[1:])] = pdu[3] == 0xFF
		}
		answer := d.frame(head, pdu) // 6.5: the request again
		if d.act != nil {
			d.act(c, set, answer)
			return true
		}
		set()
		c.Write(answer)
		return true
	}
	return d
}

// TestTheValveIsShutOnALine: function 5 over RTU frames, with everything a line may do to it.
func TestTheValveIsShutOnALine(t *testing.T) {
	rows := []struct {
		name string
		act  func(c io.ReadWriteCloser, set func(), answer []byte)
		want error // nil: shut
		set  bool
	}{
		{name: "as the specification has it", set: true},
		{name: "an adapter that hands back what it sends", set: true, act: func(c io.ReadWriteCloser, set func(), answer []byte) {
			set()
			c.Write(append(bytes.Clone(answer), answer...))
		}},
		{name: "an echo and no device", want: ErrUnconfirmed, act: func(c io.ReadWriteCloser, _ func(), answer []byte) { c.Write(answer) }},
		{name: "the answer is lost", set: true, act: func(_ io.ReadWriteCloser, set func(), _ []byte) { set() }},
		{name: "the answer comes after the time-out", set: true, act: func(c io.ReadWriteCloser, set func(), answer []byte) {
			set()
			late := time.NewTimer(700 * time.Millisecond)
			<-late.C
			c.Write(answer)
		}},
		{name: "two late answers, one of them an echo", set: true, act: func(c io.ReadWriteCloser, set func(), answer []byte) {
			set()
			late := time.NewTimer(700 * time.Millisecond)
			<-late.C
			c.Write(append(bytes.Clone(answer), answer...))
		}},
		{name: "another coil is confirmed", want: ErrUnconfirmed, act: func(c io.ReadWriteCloser, _ func(), answer []byte) {
			c.Write(rtuFrame(1, 5, 0, 8, answer[4], answer[5]))
		}},
		{name: "the opposite is confirmed", want: ErrUnconfirmed, act: func(c io.ReadWriteCloser, _ func(), _ []byte) {
			c.Write(rtuFrame(1, 5, 0, 7, 0, 0))
		}},
		{name: "a refusal", want: &ExceptionError{Function: 5, Code: 4}, act: func(c io.ReadWriteCloser, _ func(), _ []byte) {
			c.Write(rtuFrame(1, 0x85, 4))
		}},
	}
	for _, r := range rows {
		t.Run(r.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newCoilDevice(t)
				f.act = r.act
				l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 100)))
				l.Late = time.Second
				withValve(t, l, f, func(d *Driver, c *catch) {
					err := d.ShutValve(t.Context())
					if refusal, ok := r.want.(*ExceptionError); ok {
						x, is := errors.AsType[*ExceptionError](err)
						require.True(t, is, "%v", err)
						require.Equal(t, refusal, x)
					} else {
						require.ErrorIs(t, err, r.want)
					}
					pass(5 * time.Second)
					require.Equal(t, [][]byte{{5, 0, 7, 0xFF, 0}}, f.writes, "one frame, of this coil, that shuts")
					require.Equal(t, r.set, f.bit[7])
					for _, s := range c.of("a") {
						if s.Quality == site.Good {
							require.InDelta(t, 1.1, s.Value, 1e-9, "a late answer was taken for a reading")
						}
					}
					require.Equal(t, site.Good, c.of("a")[len(c.of("a"))-1].Quality, "the line goes on")
				})
			})
		})
	}
}

// withValve runs a driver that may shut coil 7 in fake time.
func withValve(t *testing.T, l Link, f *coilDevice, during func(d *Driver, c *catch)) {
	t.Helper()
	opts := Options{Links: []Link{l}}
	allowed := func(d *Driver) {
		require.NoError(t, d.Allow(&site.Isolation{Device: "io", Enabled: true, Address: 7, ShutLevel: true}))
	}
	bubbleWith(t, opts, siteOf(level("a", time.Second)), func(c net.Conn) { f.serve(c) }, allowed, func(d *Driver, c *catch) {
		pass(2 * time.Second)
		during(d, c)
	})
}

// TestAStopDoesNotWaitForTheValve: the driver is stopped while an answer that did not come may still
// be on its way. The order ends at once, and says that nothing is known.
func TestAStopDoesNotWaitForTheValve(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newCoilDevice(t)
		f.act = func(_ io.ReadWriteCloser, set func(), _ []byte) { set() }
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 100)))
		l.Late = time.Minute
		ended := make(chan error, 1)
		var began time.Time
		withValve(t, l, f, func(d *Driver, _ *catch) {
			go func() { ended <- d.ShutValve(context.Background()) }()
			began = time.Now()
			pass(2 * time.Second) // the time-out is over, the rest is not
			require.Len(t, f.writes, 1)
			require.Empty(t, ended)
		}) // stops the driver and waits for it
		require.Less(t, time.Since(began), 3*time.Second)
		err := <-ended
		require.ErrorIs(t, err, ErrUnconfirmed)
		require.ErrorIs(t, err, context.Canceled)
	})
}

// TestAnOrderIsTakenBack: a line that is listened to takes no order, and one that was not begun is
// not carried out later.
func TestAnOrderIsTakenBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newCoilDevice(t)
		l := rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 100)))
		l.Listen = time.Minute
		withValve(t, l, f, func(d *Driver, _ *catch) {
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			require.ErrorIs(t, d.ShutValve(ctx), context.DeadlineExceeded)
			pass(2 * time.Minute)
			require.Empty(t, f.writes)
			require.NoError(t, d.ShutValve(t.Context()), "and takes the next one")
			require.Len(t, f.writes, 1)
		})
	})
}

// TestAnOrderDoesNotWaitForTheNextReading: a device that is read once an hour, on a line that is not
// even connected, shuts its valve at once.
func TestAnOrderDoesNotWaitForTheNextReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newCoilDevice(t)
		opts := Options{Links: []Link{rtuLink("127.0.0.1:1", dev("io", 1, mm("a", 100)))}}
		allowed := func(d *Driver) {
			require.NoError(t, d.Allow(&site.Isolation{Device: "io", Enabled: true, Address: 7, ShutLevel: true}))
		}
		bubbleWith(t, opts, siteOf(level("a", time.Hour)), func(c net.Conn) { f.serve(c) }, allowed, func(d *Driver, _ *catch) {
			pass(10 * time.Minute)
			began := time.Now()
			require.NoError(t, d.ShutValve(t.Context()))
			require.Less(t, time.Since(began), time.Second)
			require.True(t, f.bit[7])
		})
	})
}
