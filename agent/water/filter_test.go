package water

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A chamber through which water comes in never stands below its bay. Whatever the fades have been taken
// for, after leads their sum is nowhere negative, at once or later; a sound one is left as it is, and
// what hangs together with an unsound one follows by its covariance.
func TestAChamberNeverStandsBelowItsBay(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		var f filter
		var root mat
		for i := range nState {
			for j := range nState {
				root[i][j] = rng.NormFloat64()
			}
			f.X[i] = rng.NormFloat64()
		}
		for i := range nState {
			for j := range nState {
				for k := range nState {
					f.P[i][j] += root[i][k] * root[j][k]
				}
			}
		}
		was := f.X
		f.leads()
		slow, mid := f.X[sA3], f.X[sA2]+f.X[sA3]
		require.GreaterOrEqual(t, slow, -1e-12)
		require.GreaterOrEqual(t, mid, -1e-12)
		require.GreaterOrEqual(t, mid+f.X[sA1], -1e-12)
		if was[sA3] >= 0 && was[sA2]+was[sA3] >= 0 && was[sA1]+was[sA2]+was[sA3] >= 0 {
			require.Equal(t, was, f.X)
		}
		again := f.X
		f.leads()
		for i := range again {
			require.InDelta(t, again[i], f.X[i], 1e-9)
		}
	}
	var f filter
	f.X[sA3], f.X[sScale] = -0.02, 2
	f.P[sA3][sA3], f.P[sA3][sScale], f.P[sScale][sA3], f.P[sScale][sScale] = 0.0004, -0.004, -0.004, 0.1
	g := f
	g.Hold = true
	g.leads()
	require.Equal(t, f.X, g.X, "a filter that is held does not learn by this either")
	f.leads()
	require.InDelta(t, 0, f.X[sA3], 1e-12)
	require.InDelta(t, 2-0.02*10, f.X[sScale], 1e-12, "by covariance over variance for each unit")
}

// A level that is on its way somewhere is no slip, however fast: a torn liner is out of line in stride
// after stride, and the ends of its balances are wanted. One reading in between is a slip.
func TestAFastLossIsNoSlip(t *testing.T) {
	run := func(f *formula, d time.Duration, off float64) {
		for end := f.t.Add(d); f.t.Before(end); {
			for _, s := range f.step() {
				if s.Point == "level" {
					s.Value += off
				}
				f.l.Sample(s)
			}
			f.l.Tick(f.t)
		}
	}
	f, _ := newFormula(t)
	run(f, 4*24*time.Hour+20*time.Hour, 0)
	y := f.l.bays[0]
	h := y.st.Loose.H
	run(f, 5*time.Minute, 0.015)
	require.True(t, y.step.Out)
	require.InDelta(t, h, y.st.Loose.H, 1, "15 mm for one stride")
	run(f, 2*time.Hour, 0)
	f.loss = 250e-3 / 3600 // 0.8 mm a stride
	run(f, 5*time.Minute, 0)
	outs := 0
	for range 3 {
		run(f, 5*time.Minute, 0)
		if y.step.Out && f.t.UnixMilli()-y.st.RunT > strideMS {
			outs++
			require.Equal(t, f.t.UnixMilli(), y.st.Loose.M.T)
		}
	}
	require.Positive(t, outs, "or nothing has been shown")
}

// A filter that takes the bay for a fifth of its water, and is sure of it, begins anew at the next settled moment
// with what the spans have measured; a sound one is left alone.
func TestAFilterThatIsAstrayBeginsAnew(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 4*24*time.Hour)
	y := f.l.bays[0]
	x := &y.st.F
	const measured = 1.0 // as the site file says; spans in which as much is lost as filled teach nothing here
	y.st.Span.Taken, y.st.Span.Inverse, y.st.Span.P = 3, 1/measured, sq(0.1)
	ref := x.Ref
	f.run(f.l, 24*time.Hour)
	require.Equal(t, ref, x.Ref, "it has not begun anew")
	require.InDelta(t, measured, x.X[sScale], 0.3*measured)

	for i := range nState {
		x.P[sScale][i], x.P[i][sScale] = 0, 0
	}
	x.X[sScale], x.P[sScale][sScale] = measured/5, sq(measured/50)
	x.X[sK] /= 5
	require.True(t, y.astray())
	f.run(f.l, 24*time.Hour)
	require.False(t, y.astray())
	require.InDelta(t, measured, x.X[sScale], 0.3*measured)
	require.InDelta(t, f.h*1000, x.H, 1)
}

// A lead that fades by one time constant has sunk to a twentieth after ln 20 of it; how well that is
// known goes with how well the leads are.
func TestSettlingTimeAndItsUncertainty(t *testing.T) {
	for i, tau := range chamberTau {
		var leads [3]float64
		leads[i] = 0.01
		require.InDelta(t, math.Log(20)*tau*3600, settles(leads), 1)
	}
	require.Zero(t, settles([3]float64{}))
	b := &bay{}
	l := &Ledger{bays: []*bay{b}, byID: map[string]int{"A1": 0}}
	b.st.F.X[sA1+1] = 0.01
	require.Zero(t, l.SettleU("A1"))
	b.st.F.P[sA1+2][sA1+2] = 1e-6
	rough := l.SettleU("A1")
	b.st.F.P[sA1+2][sA1+2] = 1e-8
	require.Less(t, l.SettleU("A1"), rough)
	require.Positive(t, l.SettleU("A1"))
	require.True(t, math.IsNaN(l.SettleU("Z9")))
}
