//go:build !clockfile

package clock

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// source: adjtimex(2) and linux/timex.h, the error limit from kernel/time/ntp.c (NTP_PHASE_LIMIT
// in us, from memory): state 5 is TIME_ERROR, flag 0x40 STA_UNSYNC, 0x2001 STA_PLL and STA_NANO.
func TestWhatTheKernelSays(t *testing.T) {
	for name, c := range map[string]struct {
		state    int
		status   int32
		maxError int64
		err      error
		want     Vouch
	}{
		"a time service is at work":                           {0, 0x2001, 250_000, nil, Synchronised},
		"nobody has set the clock since the boot":             {5, 0x41, 16_000_000, nil, Unsynchronised},
		"somebody has set it by hand":                         {0, 0x40, 16_000_000, nil, Unsynchronised},
		"a service that never clears the flag":                {5, 0x40, 30_000, nil, Synchronised},
		"a sandbox that forbids to ask":                       {-1, 0, 0, unix.EPERM, Unknown},
		"a kernel without the call":                           {-1, 0, 0, unix.ENOSYS, Unknown},
		"a service that has been away for nine hours or more": {5, 0x41, 16_000_000, nil, Unsynchronised},
	} {
		got := kernelSays(func(x *unix.Timex) (int, error) {
			require.Zero(t, x.Modes, "it only asks")
			x.Status = c.status
			setLong(&x.Maxerror, c.maxError)
			return c.state, c.err
		})
		require.Equal(t, c.want, got, name)
	}
}

func TestThisMachine(t *testing.T) {
	m := This()
	l := m.Look()
	require.WithinDuration(t, time.Now(), l.Wall, time.Minute)
	require.GreaterOrEqual(t, m.SinceBoot(), l.Boot)
	// source: proc(5): the first figure of /proc/uptime is the same time, sleep included.
	text, err := os.ReadFile("/proc/uptime")
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(text), " ")
	up, err := time.ParseDuration(first + "s")
	require.NoError(t, err)
	require.InDelta(t, up.Seconds(), l.Boot.Seconds(), 60)
}

// Both clocks are read at once or nearly so: a machine that was busy between them would date every
// reading of a boot wrongly by as much.
func TestBothClocksAtOnce(t *testing.T) {
	truth := time.Date(2026, time.May, 3, 4, 0, 0, 0, time.UTC)
	for name, between := range map[string][]time.Duration{
		"a quiet machine": {0},
		"busy at first":   {80 * time.Millisecond, 300 * time.Millisecond, 100 * time.Microsecond},
		"busy throughout": {300 * time.Millisecond, 80 * time.Millisecond, 2 * time.Millisecond, 40 * time.Millisecond, time.Second},
	} {
		at, n := time.Duration(0), 0
		l := atOnce(func() time.Duration { return at }, func() time.Time {
			wall := truth.Add(at)
			at += between[n]
			n++
			return wall
		})
		require.Equal(t, slices.Min(between), l.Boot-l.Wall.Sub(truth), name)
		require.Len(t, between, n, name)
	}
}

// setLong sets a C long, which has 32 bits on a 32-bit machine.
func setLong[T int32 | int64](to *T, v int64) { *to = T(v) }
