package watch

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// TestDryingIsToldEarlyOnlyWhereTheSetPointIsKnown: a bay that stands under its band by less than a band
// may still be given its turn, and where nothing reads set point or command the set point may have
// been lowered unseen: then only a bay a whole band too low is told, and where other bays' fills have shown that nobody
// tells its valve to open, one that is four bands too low. The set point is 80 mm and the
// band 3 mm, so under the band is under 76 mm with the millimetre that is always unsure, and a whole band under it
// under 73 mm.
func TestDryingIsToldEarlyOnlyWhereTheSetPointIsKnown(t *testing.T) {
	only := func(quantities ...site.Quantity) func(*site.Site) {
		return func(s *site.Site) {
			var keep []site.Point
			for _, p := range s.Points {
				for _, q := range quantities {
					if p.Quantity == q {
						keep = append(keep, p)
					}
				}
			}
			s.Points = keep
			s.Bay("A1").SetPointM, s.Bay("A2").SetPointM = 0.080, 0.080
		}
	}
	for _, row := range []struct {
		name  string
		has   func(*site.Site)
		valve bool // what the valve was told is read
		level float64
		low   time.Duration // since when
		told  bool
		fills int // that others got as they asked
	}{
		{"set point read, under the band for long", only(site.Level, site.Volume, site.SetPoint), false, 0.0745, 4 * time.Hour, true, 0},
		{"set point read, under the band for a while", only(site.Level, site.Volume, site.SetPoint), false, 0.0745, 90 * time.Minute, false, 0},
		{"command read, under the band for long", only(site.Level, site.Volume, site.ValveOpen), true, 0.0745, 4 * time.Hour, true, 0},
		{"neither read, under the band for long", only(site.Level, site.Volume), false, 0.0745, 4 * time.Hour, false, 0},
		{"neither read, a whole band too low", only(site.Level, site.Volume), false, 0.0715, 61 * time.Minute, true, 0},
		{"neither read, a whole band too low for a moment", only(site.Level, site.Volume), false, 0.0715, 59 * time.Minute, false, 0},
		{"neither read, other bays get their water", only(site.Level, site.Volume), false, 0.0715, 4 * time.Hour, false, 5},
		{"neither read, other bays get their water, four bands too low", only(site.Level, site.Volume), false, 0.0625, 4 * time.Hour, true, 5},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := newWorld(t, 1, row.has)
			y := v.w.bays[0]
			const now = 1000 * hour
			y.look = water.Look{Now: now, BayM: row.level, SmoothM: row.level, SetM: 0.080, SetBefore: math.NaN(), HabitStopM: math.NaN(), LevelAt: now, ValveKnown: row.valve}
			v.w.st.Now, y.st.Valve.AtOnceN = now, row.fills
			y.st.Level.LowAt = now - row.low.Milliseconds()
			v.w.levels(y, now)
			require.Equal(t, row.told, y.st.Level.Low)
		})
	}
}

// A bay that was filled above its band is not said to rise by water no meter counts while the fill still comes
// through its chamber; one that goes on rising long after is, with the time until its overflow runs.
func TestAFillsOwnRiseIsCounted(t *testing.T) {
	for ago, foretold := range map[int64]bool{3 * minute: false, 3 * hour: true} {
		v := newWorld(t, 1, nil)
		y := v.w.bays[0]
		const now = 1000 * hour
		y.look = water.Look{Now: now, BayM: 0.104, SmoothM: 0.104, SetM: 0.080, SetBefore: math.NaN(), HabitStopM: math.NaN(), LevelAt: now, RunAt: now - 2*minute - ago, SlopeM2: 25, RoomM3: 0.01}
		y.st.Level = levelState{High: true, HighAt: now - 20*minute, RoseAt: now - 2*minute, HighM: 0.090, MostM: 0.104}
		v.w.sayLevels(y, now)
		f := has(v.w.out, site.Overfill, "A1")
		require.NotNil(t, f)
		require.Equal(t, foretold, f.ToCrest != site.NoTimeLeft, "%v", f)
	}
}
