package agent

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
)

// A watchdog is fed by work that is done: every line's polling and a commit. Each of them that
// stands still ends the beats.
func TestPulseBeatsOnlyWhileEverythingMoves(t *testing.T) {
	cfg := &sitefile.Config{Site: &site.Site{Points: []site.Point{
		{ID: "A1-level", Link: "hall", Interval: 5 * time.Second}, {ID: "A1-flow", Link: "hall", Interval: 5 * time.Second},
		{ID: "B1-level", Link: "field", Interval: 5 * time.Second}, {ID: "noted-by-hand"},
	}}}
	beats := 0
	p := newPulse(cfg, func() { beats++ })
	round := func(points ...string) int {
		before := beats
		for _, id := range points {
			p.handed(id)
		}
		p.committed()
		return beats - before
	}
	require.Equal(t, 1, round("A1-level", "B1-level"))
	require.Equal(t, 0, round(), "a commit alone is no work")
	require.Equal(t, 0, round("A1-level", "A1-flow"), "the line field stands still")
	require.Equal(t, 0, round("A1-level", "A1-flow"))
	require.Equal(t, 1, round("B1-level"), "and moves again: bad samples count as well as good ones")
	p.handed("A1-level")
	p.handed("B1-level")
	require.Equal(t, 2, beats, "polling alone, while no commit ends, is no work")

	require.NotPanics(t, func() {
		quiet := newPulse(cfg, nil)
		quiet.handed("A1-level")
		quiet.handed("B1-level")
		quiet.committed()
	})
}

func TestWatchdogWaitsForTheSlowestLine(t *testing.T) {
	points := []site.Point{{Link: "a", Interval: 5 * time.Second}, {Link: "a", Interval: time.Hour}, {Link: "b", Interval: 30 * time.Second}}
	cfg := &sitefile.Config{Site: &site.Site{Points: points}}
	require.Equal(t, 105*time.Second, watchdogLimit(cfg, 5*time.Second))
	cfg.Site.Points = points[:1]
	require.Equal(t, time.Minute, watchdogLimit(cfg, time.Second))
	require.Equal(t, 195*time.Second, watchdogLimit(cfg, time.Minute))
}
