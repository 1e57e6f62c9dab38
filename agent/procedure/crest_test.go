package procedure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// rained plays three days of a bay of 100 m2 and a porosity of a quarter: its level loses 0.1 mm an
// hour, on the second day 5 mm of rain an hour fall for four hours from level 85 mm, and above the crest
// it spills as a broad weir of 0.3 m does, Q = 1.7 L h^1.5 (any hydraulics handbook). show is what the
// sensor makes of the level.
func rained(crestM float64, show func(now int64, level float64) float64) *ceiling {
	const area, phi, hour = 100, 0.25, int64(3600_000)
	s := &rests{}
	level, rain := 0.085, 0.0
	for now := int64(10_000); now < 72*hour; now += 10_000 {
		level -= 0.0001 * 10 / 3600
		if now >= 30*hour && now < 34*hour {
			rain += 0.005 * 10 / 3600
			level += 0.005 * 10 / 3600 / phi
		}
		if head := level - crestM; head > 0 {
			level -= 1.7 * 0.3 * math.Pow(head, 1.5) * 10 / (area * phi)
		}
		s.look(moment{now: now, levelM: show(now, level), rainM: math.Floor(rain/0.2e-3) * 0.2e-3}, area, 0.025)
	}
	return &s.Ceiling
}

func TestCrestFromRain(t *testing.T) {
	plain := func(_ int64, level float64) float64 { return level }
	for _, crest := range []float64{0.095, 0.110, 0.125} {
		c := rained(crest, plain)
		at, n, ok := c.crest()
		require.True(t, ok)
		require.Equal(t, 1, n)
		require.InDelta(t, crest, at.LevelM, ends95(at.HalfM, at.UStd), "crest %g", crest)
		require.Less(t, at.std(), 0.0018) // a head of some millimetres, and no word on how much of it is left
	}
	// 20 mm of rain make 80 mm of level: a crest above that is not reached, and the bay was not higher.
	c := rained(0.180, plain)
	_, _, ok := c.crest()
	require.False(t, ok)
	require.InDelta(t, 0.085+0.080-0.1e-3*(34+12), c.High.LevelM, 0.001)
	// A sensor that stands on one number shows no crest, and one that comes up late neither.
	c = rained(0.180, func(now int64, level float64) float64 { return 0.085 })
	_, _, ok = c.crest()
	require.False(t, ok, "frozen")
	shown := 0.085
	c = rained(0.180, func(now int64, level float64) float64 {
		shown += (level - shown) * 10 / (10 * 3600)
		return shown
	})
	_, _, ok = c.crest()
	require.False(t, ok, "a chamber that is nearly cut off")
}

// A valve left open overnight: the chamber stands over the crest while water runs, and where it rests
// the far end has taken the rest. The crest is between them.
func TestCrestFromAnOverfill(t *testing.T) {
	const hour = int64(3600_000)
	s := &rests{}
	level, in, ran := 0.085, 0.0, int64(0)
	for now := int64(10_000); now < 30*hour; now += 10_000 {
		if now >= 10*hour && now < 16*hour {
			in, ran = in+0.002, now // 12 L/min
			level = min(level+0.002/25, 0.104)
		} else if now >= 16*hour {
			level = max(level-0.020*10/3600, 0.099)
		}
		wobble := 0.0001 * float64(now/10_000%3-1)
		s.look(moment{now: now, levelM: level + wobble, inM3: in, ran: ran}, 100, 0.025)
	}
	at, n, ok := s.Ceiling.crest()
	require.True(t, ok)
	require.Equal(t, 1, n)
	require.InDelta(t, (0.099+0.104)/2, at.LevelM, 0.0005)
	require.InDelta(t, 0.0025, at.HalfM, 0.0005)
}
