package watch

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// A chamber that follows its bay by one pipe is a first-order lag: behind a level that climbs at r
// for T and then stands it has risen by r (T - tau (1 - exp(-T/tau))), and closes the rest of the
// gap with exp(-t/tau) (any textbook's answer to a ramp).
func lagging(tau, runs, later float64) (end, after float64) {
	end = runs - tau*(1-math.Exp(-runs/tau))
	return end, runs - (runs-end)*math.Exp(-later/tau)
}

// follows plays a fill of so many minutes, 10 L and 1 mm of level a minute, behind a pipe of tau minutes.
func follows(y *bay, now *int64, tau, runs float64) {
	s, k := &y.st.Fills, &y.look
	end, after := lagging(tau, runs, 15)
	*now += day / 2
	s.StartM, s.EndM, s.InM3, s.EndT = 0.070, 0.070+end/1000, runs*0.010, *now-settleTime
	k.SmoothM, k.LevelAt, k.NoiseM = 0.070+after/1000, *now, 0.0003
	y.followed(*now)
}

func TestOneFillOfACloggedChamberTells(t *testing.T) {
	var y bay
	y.st.init()
	now := int64(100) * day
	for _, runs := range []float64{14, 9, 8, 14, 10, 8, 12, 9} {
		follows(&y, &now, 3, runs)
		require.False(t, y.st.Fills.Slow)
	}
	// As long as usual, much longer, and behind a pipe twice as slow: none of them is clogged.
	for _, fill := range [][2]float64{{3, 8}, {3, 45}, {6, 12}} {
		follows(&y, &now, fill[0], fill[1])
		require.False(t, y.st.Fills.Slow, "%v", fill)
	}
	// Twenty times as slow, and so filled for longer.
	follows(&y, &now, 60, 20)
	require.True(t, y.st.Fills.Slow)
	follows(&y, &now, 3, 12)
	require.False(t, y.st.Fills.Slow, "clear again")
}

// Fills that bring the bay to its set point in a third of the usual time, as often in a night, show less of each
// litre by their end, though the pipe lets as much through; behind a clogged one they do not even show that.
func TestShortFillsAreNoCloggedChamber(t *testing.T) {
	for _, row := range []struct {
		tau  float64
		slow bool
	}{{5, false}, {60, true}} {
		var y bay
		y.st.init()
		now := int64(100) * day
		for _, runs := range []float64{14, 15, 16, 14, 15, 16} {
			follows(&y, &now, 5, runs)
		}
		for range 3 {
			follows(&y, &now, row.tau, 5)
		}
		require.Equal(t, row.slow, y.st.Fills.Slow)
	}
}
