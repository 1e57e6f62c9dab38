package alarm

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// sample is a finding as the watch words and measures one, of each kind that is told of a bay with
// everything, at 01:40.
func sample(k site.Kind) site.Finding {
	const lph = 1e-3 / 3600
	f := site.NewFinding(k, "A3", "", night.Add(-5*time.Minute))
	water := func(rateM3S, litres, u float64) { f.RateM3S, f.VolumeM3, f.VolumeU = rateM3S, litres/1000, u/1000 }
	switch k {
	case site.ValveStuckOpen:
		water(26e-3/60, 130, 3)
		f.ToCrest, f.ToSoft, f.Carried = 16*time.Minute, site.NoTimeLeft, true
	case site.Overfill, site.Overflowing:
		water(26e-3/60, 420, 9)
		f.ToCrest, f.ToSoft = 0, 40*time.Minute
	case site.OverflowFault:
		water(26e-3/60, 600, 14)
		f.ToCrest, f.ToSoft = 0, 12*time.Minute
	case site.WiringMismatch:
		f.Bays = []string{"A3", "B1"}
	case site.ValveWeeping, site.SeepageBetweenBays:
		water(6*lph, 140, 60)
		if k == site.SeepageBetweenBays {
			f.Bays = []string{"A1", "A3"}
		}
		f.Since = night.Add(-30 * time.Hour)
	case site.Leak, site.UnexplainedLoss:
		water(21*lph, 640, 150)
		f.Since = night.Add(-3 * 24 * time.Hour)
	case site.SupplyLineLeak:
		f.Bay = ""
		water(90*lph, 810, 40)
		f.Since = night.Add(-9 * time.Hour)
	case site.Drying, site.ValveStuckClosed:
		f.ToSoft = 5 * time.Hour
	case site.NoSupply:
		f.Bay = ""
		f.ToSoft = 26 * time.Hour
	case site.FreezeRisk:
		f.Bay = ""
		f.ToSoft = 3 * time.Hour
	case site.NoData:
		f.Subject = "A3-level"
	case site.LinkDown:
		f.Bay, f.Subject = "", "gateway-north"
	case site.ClockUnsure, site.JournalFault, site.DiskFull, site.SinkUnreachable:
		f.Bay, f.Subject = "", "archive"
	case site.PressureOutOfBand, site.IsolationClosed, site.MainMeterFault:
		f.Bay = ""
	}
	return f
}

// TestEveryMessage writes every message there is, as somebody is woken by it, into a file that is
// read by people when it changes: go test ./agent/alarm -run TestEveryMessage -update.
func TestEveryMessage(t *testing.T) {
	var b strings.Builder
	link := "https://courts.example.net/a/MQphbm5hCnRpODN0cw.HBcT7hGjdYtC1QYZQeDIKA" // as long as they are
	for _, units := range []struct {
		name     string
		display  site.Display
		language words.Language
		shutOff  string
	}{
		{"mm and L", site.MetricDisplay, words.English, "the red lever by the pump house door"},
		{"in and gal", site.USDisplay, words.English, "the red lever by the pump house door"},
		{"in German", site.MetricDisplay, words.German, "roter Hebel neben der Tür des Pumpenhauses"},
	} {
		s := plain(club(t))
		s.Name, s.Display, s.ShutOff, s.Language = "Harrowmere Tennis Club", units.display, units.shutOff, string(units.language)
		v := words.Of(s)
		s.Courts[0].Bays = append(s.Courts[0].Bays, site.Bay{ID: "A3", Name: "A3", Court: "c1", AreaM2: 96})
		plain(s)
		for _, k := range site.Kinds {
			f := sample(k.Kind)
			d := New(s)
			on, off := d.Delays(f.Key())
			var ev, end []site.Event
			for at := night.Add(-on); !at.After(night); at = at.Add(10 * time.Second) {
				ev = append(ev, d.Tick(at, []site.Finding{f})...)
			}
			for at := night.Add(50 * time.Minute); len(end) == 0 && !at.After(night.Add(51*time.Minute+off)); at = at.Add(10 * time.Second) {
				end = append(end, d.Tick(at, nil)...)
			}
			require.Len(t, ev, 1, k.Kind)
			require.Len(t, end, 1, k.Kind)
			short, long := Message(s, ev[0], "", link, "bayledger ack 1")
			plain, _ := Message(s, ev[0], "")
			over, _ := Message(s, end[0], "")
			texts := []string{short, plain, over}
			if ev[0].Severity == site.Urgent {
				second, _ := Message(s, ev[0], v.Say("Nobody has answered."), link)
				texts = append(texts, second)
			}
			fmt.Fprintf(&b, "== %s, %s\n%s\n", k.Kind, units.name, strings.Join(texts, "\n"))
			if units.display == site.MetricDisplay {
				fmt.Fprintf(&b, "\n%s", long)
			}
			b.WriteByte('\n')
			for _, text := range texts {
				require.LessOrEqual(t, utf8.RuneCountInString(text), ShortMax, text)
			}
			for _, text := range []string{short, plain} {
				saysWhatToDo(t, text, v, k)
			}
		}
	}
	file := filepath.Join("testdata", "messages.txt")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), b.String(), "read what has changed, then: go test ./agent/alarm -run TestEveryMessage -update")
}
