//go:build clockfile

package clock

import (
	"encoding/json"
	"os"
	"time"
)

// This is this machine seen through the file that BAYLEDGER_CLOCK names, so that a test can
// give a real process a clock that is wrong and is put right: {"shift": "-17520h", "sync": true}.
// It is not in any build but the test's own.
func This() Machine { return Machine{look, sinceBoot} }

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
	l := clocks()
	l.Wall, l.Kernel = l.Wall.Add(shift), Unsynchronised
	if f.Sync {
		l.Kernel = Synchronised
	}
	return l
}
