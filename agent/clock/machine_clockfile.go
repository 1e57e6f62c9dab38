//go:build clockfile

package clock

import (
	"encoding/json"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// This is this machine seen through the file that BAYLEDGER_CLOCK names, so that a test can
// give a real process a clock that is wrong and is put right: {"shift": "-17520h", "sync": true}.
// It is not in any build but the test's own.
func This() Machine { return Machine{look, sinceBoot} }

func sinceBoot() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic(err)
	}
	return time.Duration(ts.Nano())
}

func look() Look {
	text, err := os.ReadFile(os.Getenv("BAYLEDGER_CLOCK"))
	if err != nil {
		panic(err)
	}
	var f struct {
		Shift string `json:"shift"`
		Sync  bool   `json:"sync"`
	}
	if err := json.Unmarshal(text, &f); err != nil {
		panic(err)
	}
	shift, err := time.ParseDuration(f.Shift)
	if err != nil {
		panic(err)
	}
	l := Look{Wall: time.Now().UTC().Round(0).Add(shift), Boot: sinceBoot(), Kernel: Unsynchronised}
	if f.Sync {
		l.Kernel = Synchronised
	}
	return l
}
