package modbus

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"runtime"
	"strings"
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// misdeed is one way in which a device, an adapter or a gateway goes wrong. do is given what the
// field would have answered and does something else; it returns false to let the field answer.
type misdeed struct {
	name string
	rtu  bool // only where frames are RTU
	tcp  bool // only where they are Modbus TCP
	do   func(f *field, c io.ReadWriteCloser, head, pdu, answer []byte) bool
	// why is what the samples must say that could not be had; empty when a retry gets the value.
	why site.Why
}

func write(c io.Writer, parts ...[]byte) bool {
	for _, p := range parts {
		c.Write(p) // the driver may have closed the connection: that is its right
	}
	return true
}

// forged is the right answer with other numbers, which must never be seen.
func forged(answer []byte) []byte {
	b := append([]byte{}, answer...)
	for i := 2; i < len(b); i++ {
		b[i] ^= 0x55
	}
	return b
}

func misdeeds() []misdeed {
	all := []misdeed{
		{name: "no reply", do: func(_ *field, _ io.ReadWriteCloser, _, _, _ []byte) bool { return true }, why: site.WhyTimeout},
		{name: "wrong transaction", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			h := append([]byte{}, head...)
			h[0] ^= 0x80
			return write(c, f.frame(h, forged(answer)))
		}, why: site.WhyBadFrame},
		{name: "wrong unit", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			h := append([]byte{}, head...)
			h[6] = 99
			return write(c, f.frame(h, forged(answer)))
		}, why: site.WhyBadFrame},
		{name: "wrong unit", rtu: true, do: func(f *field, c io.ReadWriteCloser, _, _, answer []byte) bool {
			return write(c, f.frame([]byte{2}, forged(answer)))
		}, why: site.WhyBadFrame},
		{name: "wrong function", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, f.frame(head, append([]byte{4}, forged(answer)[1:]...)))
		}, why: site.WhyBadFrame},
		{name: "function of a write", do: func(f *field, c io.ReadWriteCloser, head, _, _ []byte) bool {
			return write(c, f.frame(head, []byte{6, 0, 0, 0, 1}))
		}, why: site.WhyBadFrame},
		{name: "too short a reply", do: func(f *field, c io.ReadWriteCloser, head, _, _ []byte) bool {
			return write(c, f.frame(head, []byte{3, 0}))
		}, why: site.WhyBadFrame},
		{name: "too long a reply", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			long := append(forged(answer), 0x77, 0x77)
			long[1] += 2
			return write(c, f.frame(head, long))
		}, why: site.WhyBadFrame},
		{name: "byte count that does not fit", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := forged(answer)
			b[1]++
			return write(c, f.frame(head, b))
		}, why: site.WhyBadFrame},
		{name: "the longest reply there is", do: func(f *field, c io.ReadWriteCloser, head, _, _ []byte) bool {
			b := append([]byte{3, 250}, make([]byte, 250)...)
			return write(c, f.frame(head, b))
		}, why: site.WhyBadFrame},
		{name: "endless reply", do: func(_ *field, c io.ReadWriteCloser, _, _, _ []byte) bool {
			return write(c, make([]byte, 5000))
		}, why: site.WhyBadFrame},
		{name: "header with another protocol", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := f.frame(head, forged(answer))
			b[3] = 1
			return write(c, b)
		}, why: site.WhyBadFrame},
		{name: "header with a length of 65535", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := f.frame(head, forged(answer))
			b[4], b[5] = 0xFF, 0xFF
			return write(c, b)
		}, why: site.WhyBadFrame},
		{name: "half a frame", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := f.frame(head, answer)
			return write(c, b[:len(b)/2])
		}, why: site.WhyBadFrame},
		{name: "bytes dribbled beyond the time-out", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			for _, x := range f.frame(head, answer) {
				tick := time.NewTimer(100 * time.Millisecond)
				<-tick.C
				write(c, []byte{x})
			}
			return true
		}, why: site.WhyBadFrame},
		{name: "bytes dribbled within the time-out", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			for _, x := range f.frame(head, answer) {
				tick := time.NewTimer(5 * time.Millisecond)
				<-tick.C
				write(c, []byte{x})
			}
			return true
		}},
		{name: "garbage before the frame", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, []byte{0x00, 0xFF, 0x01, 0x03}, f.frame(head, answer))
		}},
		{name: "garbage before the frame", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, []byte{0x00, 0xFF, 0x01}, f.frame(head, forged(answer)))
		}, why: site.WhyBadFrame},
		{name: "garbage behind the frame", do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, f.frame(head, answer), []byte{0x00, 0xFF, 0x01})
		}},
		{name: "local echo", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, pdu, answer []byte) bool {
			return write(c, f.frame(head, pdu), f.frame(head, answer))
		}},
		{name: "only an echo", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, pdu, _ []byte) bool {
			return write(c, f.frame(head, pdu))
		}, why: site.WhyBadFrame},
		{name: "bad check", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := f.frame(head, forged(answer))
			b[len(b)-1] ^= 1
			return write(c, b)
		}, why: site.WhyBadFrame},
		{name: "a bit that flipped", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			b := f.frame(head, answer)
			b[4] ^= 0x10
			return write(c, b)
		}, why: site.WhyBadFrame},
		{name: "the answer to another unit in front", rtu: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, f.frame([]byte{2}, forged(answer)), f.frame(head, answer))
		}},
		{name: "an older transaction in front", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			h := append([]byte{}, head...)
			h[1]--
			return write(c, f.frame(h, forged(answer)), f.frame(head, answer))
		}},
		{name: "the answer twice", tcp: true, do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
			return write(c, f.frame(head, answer), f.frame(head, answer))
		}},
		{name: "connection shut before the answer", do: func(_ *field, c io.ReadWriteCloser, _, _, _ []byte) bool {
			c.Close()
			return true
		}, why: site.WhyLinkDown},
	}
	for code := byte(1); code <= 11; code++ {
		m := misdeed{name: fmt.Sprintf("exception %d", code), why: site.WhyException,
			do: func(f *field, c io.ReadWriteCloser, head, pdu, _ []byte) bool {
				return write(c, f.frame(head, []byte{pdu[0] | 0x80, code}))
			}}
		switch code {
		case 10:
			m.why = site.WhyLinkDown
		case 11:
			m.why = site.WhyTimeout
		}
		all = append(all, m)
	}
	// A reset at each byte of the answer: SO_LINGER 0 sends RST in place of FIN.
	for cut := range 11 {
		all = append(all, misdeed{name: fmt.Sprintf("connection reset at byte %d", cut), tcp: true, why: site.WhyLinkDown,
			do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
				write(c, f.frame(head, answer)[:cut])
				c.(*net.TCPConn).SetLinger(0)
				c.Close()
				return true
			}})
	}
	for cut := range 7 {
		all = append(all, misdeed{name: fmt.Sprintf("connection reset at byte %d", cut), rtu: true, why: site.WhyLinkDown,
			do: func(f *field, c io.ReadWriteCloser, head, _, answer []byte) bool {
				write(c, f.frame(head, answer)[:cut])
				c.(*net.TCPConn).SetLinger(0)
				c.Close()
				return true
			}})
	}
	return all
}

// TestHostileDevice lets each misdeed happen to five requests in a row and then to none. The
// three points stand apart, so that each has a request of its own with the same shape as the
// others': an answer taken for another's would show as its number.
func TestHostileDevice(t *testing.T) {
	t.Cleanup(func() { noneLeft(t) }) // runs last
	type trial struct {
		misdeed
		kind LinkKind
		f    *field
		got  *catch
	}
	var trials []trial
	for _, m := range misdeeds() {
		for _, kind := range []LinkKind{TCP, RTUOverTCP} {
			if m.rtu && kind == TCP || m.tcp && kind != TCP {
				continue
			}
			f := numbered(t)
			f.rtu = kind != TCP
			f.act = func(c io.ReadWriteCloser, n int, head, pdu, answer []byte) bool {
				if n <= 3 || n > 8 {
					return false
				}
				return m.do(f, c, head, pdu, answer)
			}
			d := dev("io", 1, mm("a", 0), mm("b", 60), mm("c", 120))
			// What is answered rightly in the end may take its time on a loaded machine; what is waited
			// out, is short.
			d.Timeout, d.GiveUp = patience, 100
			if m.why != "" {
				d.Timeout = 500 * time.Millisecond
			}
			l := tcpLink(f.listen())
			l.Devices = []Device{d}
			// Runs between the driver's end and the field's: every socket of the driver is closed.
			t.Cleanup(func() {
				require.Eventually(t, func() bool {
					f.mu.Lock()
					defer f.mu.Unlock()
					return f.open == 0
				}, patience, time.Millisecond, "%s over %s leaves a connection open", m.name, kind)
			})
			if f.rtu {
				l = rtuLink(l.Address, d)
				l.Late = 100 * time.Millisecond
			}
			// All of them at once: each waits more than it works.
			_, got := play(t, Options{Links: []Link{l}}, siteOf(level("a", fast), level("b", fast), level("c", fast)))
			trials = append(trials, trial{m, kind, f, got})
		}
	}
	for _, m := range trials {
		t.Run(fmt.Sprintf("%s/%s", m.kind, m.name), func(t *testing.T) {
			// Good ones before, the misdeed, and good ones after. A refusal of the address is
			// believed for ten seconds.
			refused := m.name == "exception 1" || m.name == "exception 2" || m.name == "exception 3"
			m.got.until(t, "a", func(s []site.Sample) bool {
				if refused {
					return countQ(s, site.Bad) >= 2
				}
				if m.why != "" && countQ(m.got.all, site.Bad) == 0 {
					return false
				}
				return m.f.count() > 12 && len(s) > 0 && s[len(s)-1].Quality == site.Good
			})
			whys := map[site.Why]int{}
			for _, s := range m.got.of("") {
				if s.Quality != site.Good {
					whys[s.Why]++
					continue
				}
				want := map[string]float64{"a": 1.000, "b": 1.060, "c": 1.120}[s.Point]
				require.InDelta(t, want, s.Value, 1e-9, "a wrong value of %s", s.Point)
			}
			if m.why == "" {
				require.Empty(t, whys)
			} else {
				require.Positive(t, whys[m.why], "%v", whys)
			}
		})
	}
}

// noneLeft looks for goroutines of the package.
func noneLeft(t *testing.T) {
	t.Helper()
	stacks := ""
	for range 100 {
		b := make([]byte, 1<<20)
		stacks = ""
		for one := range strings.SplitSeq(string(b[:runtime.Stack(b, true)]), "\n\n") {
			if strings.Contains(one, "drivers/modbus.(*") {
				stacks += one + "\n\n"
			}
		}
		if stacks == "" {
			return
		}
		runtime.Gosched()
	}
	t.Errorf("goroutines are left behind:\n%s", stacks)
}

// TestNoiseNeverBecomesAValue feeds random bytes and random mutations of good frames to the RTU
// answer finder. What it accepts must be a frame with a sound check that answers the request.
func TestNoiseNeverBecomesAValue(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 2))
	request := rtuFrame(1, 3, 0, 5, 0, 2)
	good := rtuFrame(1, 3, 4, 0x12, 0x34, 0x56, 0x78)
	accepted := 0
	for range 200000 {
		var b []byte
		for range r.IntN(4) {
			b = append(b, byte(r.Uint32()))
		}
		b = append(b, good...)
		for range r.IntN(3) {
			b[r.IntN(len(b))] ^= 1 << r.IntN(8)
		}
		b = b[:len(b)-r.IntN(3)]
		frame, _ := scan(request, b)
		if frame != nil {
			accepted++
			require.Equal(t, good, frame, "up to two flipped bits are always found by the check")
		}
	}
	require.Positive(t, accepted)
}
