package watch

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"

	"github.com/stretchr/testify/require"
)

// TestADeadUnitIsOneFinding: points of a unit are read every five seconds and every minute; that it
// dies is told once, and when it answers again nothing is told of what has not had its turn yet.
// A point that alone gives no answer is told alone.
func TestADeadUnitIsOneFinding(t *testing.T) {
	nan := math.NaN()
	s := &site.Site{ID: "club", Zone: time.UTC, LatitudeDeg: 48, SupplyLowPa: nan, SupplyHighPa: nan, FalsePagesPerSeason: 0.03}
	for id, every := range map[string]time.Duration{"pressure": 5 * time.Second, "main-meter": 5 * time.Second, "temp": time.Minute, "rain": 10 * time.Minute} {
		s.Points = append(s.Points, site.Point{ID: id, Device: "pump-io", Quantity: map[string]site.Quantity{"pressure": site.Pressure, "main-meter": site.Volume,
			"temp": site.AirTemperature, "rain": site.Rain}[id], Interval: every, Min: nan, Max: nan, UStd: nan, PulseM3: nan, ModulusM3: nan, StartM3S: nan, MeterU: nan})
	}
	slices.SortFunc(s.Points, func(a, b site.Point) int { return int(a.Interval - b.Interval) })
	l := water.New(s)
	w := New(s, l)
	now := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	// play goes on for a while with some points without an answer, and returns what was found.
	play := func(d time.Duration, silent ...string) (found []string) {
		for end := now.Add(d); now.Before(end); {
			now = now.Add(5 * time.Second)
			for _, p := range s.Points {
				if !now.Truncate(p.Interval).Equal(now) {
					continue
				}
				x := site.Sample{Point: p.ID, Time: now, Value: 3e5}
				if slices.Contains(silent, p.ID) {
					x.Quality, x.Why = site.Bad, site.WhyGaveUp
				}
				l.Sample(x)
				w.Sample(x)
			}
			if now.Truncate(10 * time.Second).Equal(now) {
				l.Tick(now)
				for _, f := range w.Tick(now) {
					if is := fmt.Sprint(f.Kind, " ", f.Subject); !slices.Contains(found, is) {
						found = append(found, is)
					}
				}
			}
		}
		return found
	}
	require.Empty(t, play(30*time.Minute+20*time.Second))
	require.Empty(t, play(110*time.Second, "pressure", "main-meter", "temp", "rain"))
	require.Equal(t, []string{"no-data pump-io"}, play(time.Hour, "pressure", "main-meter", "temp", "rain"))
	require.Empty(t, play(30*time.Minute), "each point has its turn first")
	require.Equal(t, []string{"no-data pressure"}, play(10*time.Minute, "pressure"))
	require.Empty(t, play(10*time.Minute))
	require.Equal(t, []string{"no-data temp"}, play(20*time.Minute, "temp"), "the unit's other points answer")
}
