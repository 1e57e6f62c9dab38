package water

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// slopesOf are a bay's slopes that lie off beside one, by their fills' ends known to a hundredth, in a site of six.
func slopesOf(off func(i int) float64, n int) (l *Ledger, last Slope) {
	l = &Ledger{}
	for range 6 {
		l.bays = append(l.bays, &bay{})
	}
	var c pace
	c.init()
	y := l.bays[0]
	p := &y.st.Span
	p.prior()
	for i := range n {
		p.XX = 1e4
		p.XY = p.XX * (1 + off(i))
		y.slopes = y.slopes[:0]
		y.takeSlope(&c, l.slopesElsewhere(0))
		last = y.slopes[0]
	}
	return l, last
}

// What half a day's fills say is judged by how far the bay's own slopes lie apart, which in one bay is a tenth of
// what it is in the next: a tenth that a meter counts too much shows there at once.
func TestSlopesAreJudgedByTheBaysOwnScatter(t *testing.T) {
	for _, row := range []struct{ off, least, most float64 }{
		{0.01, 5, 9},
		{0.15, 0, 1},
	} {
		rng := rand.New(rand.NewPCG(4, 2))
		z2 := 0.0
		for range 40 {
			_, s := slopesOf(func(i int) float64 {
				if i == 12 {
					return -0.1 // the meter counts a tenth too much
				}
				return row.off * rng.NormFloat64()
			}, 13)
			z2 += sq(s.Nu) / s.S / 40
		}
		require.Greater(t, z2, row.least, "%v", row)
		require.LessOrEqual(t, z2, row.most, "%v", row)
	}
}

// While nothing is wrong slopes lie as far beside what is learned as is stated, or less, whatever the bay's own scatter.
func TestSlopesLieAsFarAsStated(t *testing.T) {
	for _, off := range []float64{0.02, 0.05, 0.1, 0.2} {
		rng := rand.New(rand.NewPCG(1, 7))
		z2 := 0.0
		for range 400 {
			_, s := slopesOf(func(int) float64 { return off * rng.NormFloat64() }, 15)
			z2 += sq(s.Nu) / s.S / 400
		}
		require.Greater(t, z2, 0.5, "%v", off)
		require.Less(t, z2, 1.3, "%v", off)
	}
}

// A bay with no slopes of its own is taken for one like the site's others.
func TestAFirstSlopeIsAsUnsureAsTheOthers(t *testing.T) {
	l, _ := slopesOf(func(i int) float64 { return 0.01 * float64(i%2) }, 12)
	quiet, any := l.slopesElsewhere(1), (&Ledger{bays: []*bay{{}}}).slopesElsewhere(0)
	likely := (&scatter{}).shares(quiet)
	unknown := (&scatter{}).shares(any)
	require.InDelta(t, 1, unknown.times(), 0.01)
	require.Less(t, likely.times(), 0.95)
}

// While a finding is open fills go on telling of the storage, which teaches nothing, and what they have said is
// forgotten when it closes.
func TestSlopesGoOnWhileAFindingIsOpen(t *testing.T) {
	l, before := slopesOf(func(int) float64 { return 0 }, 8)
	y := l.bays[0]
	p := &y.st.Span
	was := p.Inverse
	var c pace
	c.init()
	l.Hold(0, true)
	p.XX, p.XY = 1e4, 0.9e4
	y.slopes = y.slopes[:0]
	y.takeSlope(&c, l.slopesElsewhere(0))
	require.InDelta(t, -0.1, y.slopes[0].Nu, 0.01)
	require.Zero(t, y.slopes[0].Gain)
	require.Greater(t, before.Gain, 0.0)
	require.Equal(t, was, p.Inverse)
	p.XX = 1e4
	l.Hold(0, true)
	require.Positive(t, p.XX)
	l.Hold(0, false)
	require.Zero(t, p.XX)
	require.False(t, math.IsNaN(p.Inverse))
}

// A fill between two settled levels tells of the storage whether learning rests or not, but not in a first fill.
func TestSpansGoOnWhileLearningRests(t *testing.T) {
	for _, row := range []struct{ held, dry, tells bool }{{false, false, true}, {true, false, true}, {true, true, false}} {
		f, _ := newFormula(t)
		y := f.l.bays[0]
		y.metered, y.st.LearnHold, y.st.Dry, y.st.F.Hold = true, row.held, row.dry, row.held
		now := int64(0)
		settle := func(mm float64) {
			for range 20 {
				now += 5 * minute
				y.settledSpan(&step{}, mm, 0, now)
			}
		}
		settle(70)
		now += 5 * minute
		y.st.RunT = now
		y.settledSpan(&step{Metered: 50}, 72, 0, now)
		settle(72)
		require.Equal(t, row.tells, y.st.Span.XX > 0, "%+v", row)
	}
}
