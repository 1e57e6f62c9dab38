package watch

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/water"
)

// The tridiagonal system of two parts by hand: variances 100 each, 40 of them shared, gains 30 and 10 L,
// like 1 and 2. Inverse of (100 -40; -40 100) is (100 40; 40 100)/8400:
// d = (1*(3000+400) + 2*(1200+1000))/8400, j = (1*(100+80) + 2*(40+200))/8400.
func TestExplainsSharesTheLevelBetween(t *testing.T) {
	parts := make([]water.Window, 2)
	parts[0].S, parts[1].S, parts[1].FromU = 100, 100, math.Sqrt(40)
	d, j := (3400.0+4400)/8400, (180.0+480)/8400
	require.InEpsilon(t, d*d/(2*j), explains(parts, []float64{30, 10}, []float64{1, 2}), 1e-12)
	require.Zero(t, explains(parts, []float64{-30, -10}, []float64{1, 2}), "a loss is no gain")
}

// Eight hours of a night: 8 L/h that go on, and 64 L that a hose put on at any time in or before them.
func TestAHoseAtAnyMomentIsNoSteadyInflow(t *testing.T) {
	parts := make([]water.Window, inflowParts)
	spread := func(came func(from, to float64) float64) []water.Window {
		for i := range parts {
			f := &parts[i]
			f.Hours, f.FromU, f.ToU = 1.6, 4, 4
			f.S = 2*16 + 9
			f.Loss = -came(1.6*float64(i), 1.6*float64(i+1))
			f.Expected = 3 // what the clay draws by habit, and wet clay may not
		}
		return parts
	}
	odds := math.Log(20)
	require.True(t, steadyInflow(spread(func(a, b float64) float64 { return 8 * (b - a) }), odds))
	require.False(t, steadyInflow(spread(func(a, b float64) float64 { return 1 * (b - a) }), odds), "too little to tell")
	for _, fade := range []float64{0.3, 0.5, 1, 1.3} {
		for at := -2.0; at < 8; at += 0.1 {
			hose := func(a, b float64) float64 { return 64 * (sunk((b-at)/fade) - sunk((a-at)/fade)) }
			require.False(t, steadyInflow(spread(hose), odds), "at %.1f h, fading in %.1f h", at, fade)
		}
	}
}
