package watch

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// Clay that drinks in some evenings and not in others is no habit that could be learned. What seems
// lost is there in the morning, and by what the bay has shown of itself it is told once or twice, not
// in every such evening of a fortnight; a liner torn meanwhile is told all the same.
func TestAStrayingBayIsToldAtMostTwice(t *testing.T) {
	told := 0
	for seed := uint64(1); seed <= 3; seed++ {
		v := newWorld(t, 50+seed, nil)
		v.step = 30 * time.Second
		v.quiet(t, 5*24*time.Hour)
		rng, was, n := rand.New(rand.NewPCG(seed, 2)), false, 0
		for range 14 {
			v.evening = float64(rng.IntN(2)) * (50 + 20*rng.Float64()) * 1e-3 / 3600
			for end := v.t.Add(24 * time.Hour); v.t.Before(end); {
				is := has(v.tick(), site.Leak, "A1") != nil
				if is && !was {
					n++
				}
				was = is
			}
		}
		require.LessOrEqual(t, n, 2, "seed %d", seed)
		told += n
		v.bays[0].loss = 300e-3 / 3600
		require.NotEqual(t, time.Duration(-1), v.until(12*time.Hour, site.Leak, "A1"), "a torn liner is more than the bay has shown")
	}
	t.Log("told", told)
}

// What was told of an evening and is over is withdrawn in the night, by the hours since; a loss that
// goes on is not.
func TestALossThatIsOverIsWithdrawnInTheNight(t *testing.T) {
	for _, goesOn := range []bool{false, true} {
		v := newWorld(t, 60, nil)
		v.step = 30 * time.Second
		v.quiet(t, 4*24*time.Hour+18*time.Hour)
		v.bays[0].loss = 90e-3 / 3600
		require.NotEqual(t, time.Duration(-1), v.until(6*time.Hour, site.Leak, "A1"))
		if !goesOn {
			v.bays[0].loss = 0
		}
		for end := v.t.Add(7 * time.Hour); v.t.Before(end); {
			v.tick()
		}
		require.Equal(t, goesOn, has(v.out, site.Leak, "A1") != nil)
	}
}

// What was missing at most on each of ten days: where that was no more than the noise a surprise is worth
// what is stated, else no more than its litres are against such days. A surprise of 24 leaves three
// quarters of its litres beyond the noise.
func TestStrayIsTheMeanOfTheDaysLargest(t *testing.T) {
	var s stray
	s.init(100)
	now := int64(1000) * day
	days := func(n int, litres float64) {
		for range n {
			s.turn(now, false)
			s.see(24, litres/2)
			s.see(24, litres)
			s.see(1, 1000) // a long day's, known to no better
			now += day
			s.turn(now, false)
		}
	}
	require.InDelta(t, 45*45/900., s.worth(24, 60), 1e-9, "30 L on 100 m2 while nobody has seen the bay")
	days(9, 0)
	require.InDelta(t, 45*45/90., s.worth(24, 60), 1e-9)
	days(9, 0)
	require.InDelta(t, 24, s.worth(24, 60), 1e-9, "as stated")
	days(60, 40)
	require.InDelta(t, 45*45/900., s.worth(24, 60), 0.01)
	days(1, 80)
	require.InDelta(t, 45*45/(0.9*900+360), s.worth(24, 60), 0.01)
	require.Greater(t, s.worth(200, 600), 100., "a torn liner is no stray")
}

// A fill lifts its chamber far above the bay, and for minutes after it. That is metered water, whatever
// the account makes of the bay's own level meanwhile; a new height half an hour later is not.
func TestAChamberThatLeadsIsNotUncounted(t *testing.T) {
	for _, row := range []struct {
		rose time.Duration // after the fill
		told bool
	}{{4 * time.Minute, false}, {30 * time.Minute, true}} {
		v := newWorld(t, 1, nil)
		y := v.w.bays[0]
		const ran = 1000 * hour
		high := ran + row.rose.Milliseconds()
		y.look = water.Look{Now: high + 5*minute, BayM: 0.120, SmoothM: 0.089, SetM: 0.080, SetBefore: math.NaN(), HabitStopM: math.NaN(),
			LevelAt: high, MeterAt: high, HasMeter: true, RunAt: ran, TotalM3: 10.090, SlopeM2: 25}
		y.st.Level = levelState{HighAt: high - 10*minute, HighM: 0.081, MostM: 0.089, RoseAt: high, InBandAt: ran - hour, HighFrom: 10}
		require.Equal(t, row.told, v.w.uncounted(y, high+5*minute))
	}
}
