package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// clocks reads both clocks at nearly the same moment: of some tries the one in which the least
// came between, for on a busy machine anything can, and the difference of the two dates readings.
func clocks() Look {
	return atOnce(sinceBoot, func() time.Time { return time.Now().UTC().Round(0) })
}

func atOnce(boot func() time.Duration, wall func() time.Time) (best Look) {
	least := time.Duration(-1)
	for range 5 {
		before := boot()
		l := Look{Wall: wall()}
		l.Boot = boot()
		if between := l.Boot - before; least < 0 || between < least {
			best, least = l, between
		}
		if least < slack/2 {
			break
		}
	}
	return best
}

func sinceBoot() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic("clock: the kernel does not know the time since the boot: " + err.Error())
	}
	return time.Duration(ts.Nano())
}
