package watch

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// line is a main meter with six bays behind it, as counts show it.
type line struct {
	rng         *rand.Rand
	share       [6]float64 // true over counted by each bay's meter, less one
	main, rest  float64    // by how much the main counts too much; L/h beside the bays
	pulse       float64    // L, of the main
	flowed, was float64
}

// next is one comparison: one or two bays filled, or none.
func (l *line) next() (d float64, fed []float64, hours float64) {
	fed, hours = make([]float64, 6), 1+3*l.rng.Float64()
	for range l.rng.IntN(3) {
		fed[l.rng.IntN(6)] += 60 + 80*l.rng.Float64()
	}
	for i, f := range fed {
		l.flowed += f * (1 + l.share[i]) * (1 + 0.005*l.rng.NormFloat64()) * (1 + l.main)
	}
	l.flowed += l.rest * hours
	count := math.Floor(l.flowed/l.pulse) * l.pulse
	d = count - l.was - total(fed)
	l.was = count
	return d, fed, hours
}

// run takes the habit through so many days and returns the day on which a meter was named, -1 for
// none, and what was named.
func (l *line) run(h *mainHabit, now *int64, days float64, limit float64) (named float64, c cause) {
	begin := *now
	for *now-begin < int64(days*float64(day)) {
		d, fed, hours := l.next()
		*now += int64(hours * float64(hour))
		x, v := h.compare(d, fed, hours, sq(l.pulse)/12, 1+sq(meterRepeats*total(fed)), false)
		h.carry(*now, fed, hours, x, v, false)
		h.learn(x)
		if c, sum, ok := h.verdict(*now, math.Log(20)); ok && sum > limit {
			return float64(*now-begin) / float64(day), c
		}
	}
	return -1, c
}

func newLine(seed uint64) (*line, *mainHabit, *int64) {
	l := &line{rng: rand.New(rand.NewPCG(seed, 5)), pulse: 10, rest: 2}
	for i := range l.share {
		l.share[i] = 0.015 * l.rng.NormFloat64()
	}
	h, now := new(mainHabit), new(int64)
	h.size(6)
	h.start(sq(l.pulse) / 12)
	return l, h, now
}

const nightly = 10.7 // the usual threshold of what waits for the morning

func TestTheMainMeterNamesTheMeterThatWentWrong(t *testing.T) {
	for seed := range uint64(20) {
		l, h, now := newLine(seed)
		named, _ := l.run(h, now, 14, nightly)
		require.Equal(t, -1.0, named, "seed %d", seed)
		l.share[3] += 0.15
		named, c := l.run(h, now, 7, nightly)
		require.Greater(t, named, 0.0, "seed %d", seed)
		require.Equal(t, 3, c.col, "seed %d", seed)
		require.InDelta(t, 0.15, c.size, 4*c.u+0.02, "seed %d", seed)

		// Taken into the habit, it is told no second time; put right, it is seen to be.
		h.jump(c)
		named, _ = l.run(h, now, 10, nightly)
		require.Equal(t, -1.0, named, "seed %d", seed)
		l.share[3] -= 0.15
		named, c = l.run(h, now, 7, nightly)
		require.Greater(t, named, 0.0, "seed %d", seed)
		require.Equal(t, 3, c.col)
		require.InDelta(t, -0.15, c.size, 4*c.u+0.02, "seed %d", seed)
	}
}

func TestTheMainMeterTellsItselfFromTheBays(t *testing.T) {
	for seed := range uint64(10) {
		l, h, now := newLine(seed)
		l.run(h, now, 10, nightly)
		l.main = -0.10
		named, c := l.run(h, now, 7, nightly)
		require.Greater(t, named, 0.0, "seed %d", seed)
		require.Equal(t, h.N+mainCol, c.col, "seed %d", seed)
		require.True(t, h.allAlike(math.Log(20)), "seed %d", seed)
	}
}

func TestALossBeforeTheBaysIsNoMeter(t *testing.T) {
	for seed := range uint64(10) {
		l, h, now := newLine(seed)
		l.run(h, now, 10, nightly)
		l.rest = 25
		named, _ := l.run(h, now, 3, nightly)
		require.Equal(t, -1.0, named, "seed %d", seed)
		require.True(t, h.steadily(math.Log(20)), "seed %d", seed)
		c := h.likeliest(h.N+lineCol, true)
		require.InDelta(t, 23, c.size, 4*c.u+2, "seed %d", seed)
	}
}

func TestAHoseOnTheMainIsNoMeter(t *testing.T) {
	for seed := range uint64(10) {
		l, h, now := newLine(seed)
		l.run(h, now, 10, nightly)
		l.flowed += 400
		named, _ := l.run(h, now, 10, nightly)
		require.Equal(t, -1.0, named, "seed %d", seed)
	}
}

// evening fills all bays once, one after the other, and is one comparison; in parts, of as many parts. Each time one
// bay is filled extra litres run beside it.
func (l *line) evening(h *mainHabit, now *int64, parts bool, extra float64) {
	*now += day - hour
	h.start(sq(l.pulse) / 12)
	sum, was := make([]float64, 6), l.was
	for i := range 6 {
		fed := make([]float64, 6)
		fed[i] = 40 + 40*l.rng.Float64()
		sum[i] = fed[i]
		l.flowed += fed[i]*(1+l.share[i])*(1+0.005*l.rng.NormFloat64()) + extra
		count := math.Floor(l.flowed/l.pulse) * l.pulse
		d := count - was - total(fed)
		*now += hour / 6
		hours := 1.0 / 6
		if !parts {
			if i < 5 {
				continue
			}
			d, fed, hours = count-l.was-total(sum), sum, 1
		}
		own := 0.25
		for _, f := range fed {
			own += sq(meterRepeats * f)
		}
		x, v := h.compare(d, fed, hours, sq(l.pulse)/12, own, false)
		h.carry(*now, fed, hours, x, v, i < 5)
		h.learn(x)
		was = count
	}
	l.was = math.Floor(l.flowed/l.pulse) * l.pulse
}

// Where bays are always filled one after the other, the main meter tells their meters apart by the parts.
func TestPartsTellWhichMeterWentWrong(t *testing.T) {
	for seed := range uint64(20) {
		for _, parts := range []bool{true, false} {
			l, h, now := newLine(seed)
			l.pulse, l.rest = 1, 0
			for range 12 {
				l.evening(h, now, parts, 0)
			}
			l.share[5] += 0.115
			l.evening(h, now, parts, 0)
			l.evening(h, now, parts, 0)
			c, sum, ok := h.verdict(*now, math.Log(20))
			require.Equal(t, parts, ok && sum > nightly && c.col == 5, "seed %d", seed)
		}
	}
}

// Two fills with a pause between them, in which the main stood still, show a wrong meter as two evenings do; where it
// ran on, it may have been a hose.
func TestAPauseEndsAHose(t *testing.T) {
	for _, hose := range []float64{0, 10} {
		l, h, now := newLine(1)
		l.pulse, l.rest = 1, 0
		for range 12 {
			l.evening(h, now, true, 0)
		}
		h.start(sq(l.pulse) / 12)
		*now += day
		for k, f := range [][2]float64{{70, 0}, {0, 70}, {0, 0}, {70, 0}, {0, 0}} {
			fed := []float64{0, 0, f[1], 0, 0, f[0]}
			x, v := h.compare(0.2*f[0]+hose, fed, 0.2, 0.1, 1, false)
			if total(fed) == 0 && sq(x) < 4*v {
				h.pause()
			}
			h.carry(*now, fed, 0.2, x, v, k < 4)
			h.learn(x)
		}
		c, sum, ok := h.verdict(*now+wrongSince, math.Log(20))
		require.Equal(t, hose == 0, ok && sum > nightly && c.col == 5)
	}
}

// A hose that runs through all of one evening is in every part of one comparison, and counts once.
func TestAHoseThroughAnEveningIsNoMeter(t *testing.T) {
	for seed := range uint64(10) {
		l, h, now := newLine(seed)
		l.pulse, l.rest = 1, 0
		for day := range 24 {
			extra := 0.0
			if day == 12 {
				extra = 60
			}
			l.evening(h, now, true, extra)
			_, sum, ok := h.verdict(*now, math.Log(20))
			require.False(t, ok && sum > nightly, "seed %d day %d", seed, day)
		}
	}
}

// A comparison is made while water runs where the main meter is read with the bays', and not where it is read late,
// which shows in what it still has to tell when a fill stops.
func TestAComparisonHasPartsOnlyIfTheMainMeterIsReadInTime(t *testing.T) {
	for _, late := range []int{0, 6} {
		v := newWorld(t, 1, nil)
		v.mainLate = late
		parts := 0
		for range 3 * 8640 {
			require.Empty(t, v.tick(), "late by %d steps", late)
			if st := &v.w.st.Main; st.Habit.More && slices.Contains(st.Ran, true) {
				parts++
			}
		}
		require.Equal(t, late == 0, parts > 100, "late by %d steps: %d", late, parts)
		require.Equal(t, late > 0, v.w.lateS2() > sq(lateMost), "late by %d steps: %.3g", late, v.w.lateS2())
	}
}

// With counts that are exact at every comparison the filter is Bayesian linear regression, whose
// estimate is the least-squares one with the prior as further rows.
func TestTheHabitIsLeastSquares(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	h := new(mainHabit)
	h.size(1)
	h.start(0)
	// Normal equations of two unknowns, share and rest.
	p := sq(ownShare) + sq(mainShare)
	a11, a12, a22, b1, b2 := 1/p, 0.0, 1/sq(mainRest), 0.0, 0.0
	for range 50 {
		fed, hours := 200*rng.Float64(), 1e-9+2*rng.Float64()
		d, own := 0.04*fed+3*hours+2*rng.NormFloat64(), 4.0
		pp := [2]float64{h.P[0], h.P[4]}
		x, v := h.compare(d, []float64{fed}, hours, 0, own, false)
		// What the habit forgets meanwhile is no part of the comparison.
		require.Greater(t, h.P[0], pp[0])
		if x*x > 9*v {
			t.Fatal("the draw is out of line, choose another seed")
		}
		h.learn(x)
		a11, a12, a22 = a11+fed*fed/own, a12+fed*hours/own, a22+hours*hours/own
		b1, b2 = b1+fed*d/own, b2+hours*d/own
	}
	det := a11*a22 - a12*a12
	// The forgetting of fifty hours moves the estimate by a few thousandths of itself.
	require.InEpsilon(t, (b1*a22-b2*a12)/det, h.X[0], 0.02)
	require.InEpsilon(t, (b2*a11-b1*a12)/det, h.X[1], 0.02)
}

// A bay that drinks little shows a wrong meter in three fills, and each of them counts.
func TestAFewFillsTellAWrongMeter(t *testing.T) {
	const quarters, wrongAt, third = 4 * 21, 80, 99 // of days
	told := 0
	for seed := range uint64(40) {
		l, h, now := newLine(seed)
		rng := rand.New(rand.NewPCG(seed, 6))
		for q := range quarters + 20 {
			fed := make([]float64, 6)
			fed[q%3] = 60 * rng.Float64()
			if q%8 == 3 {
				fed[5] = 30
			}
			if q == wrongAt {
				l.share[5] += 0.115
			}
			for i, f := range fed {
				l.flowed += f * (1 + l.share[i]) * (1 + 0.005*l.rng.NormFloat64())
			}
			count := math.Floor(l.flowed)
			d := count - l.was - total(fed)
			l.was = count
			*now += 6 * hour
			x, v := h.compare(d, fed, 6, 1./12, 0.25+sq(meterRepeats*total(fed)), false)
			h.carry(*now, fed, 6, x, v, false)
			h.learn(x)
			if c, sum, ok := h.verdict(*now, math.Log(20)); ok && sum > nightly {
				require.GreaterOrEqual(t, q, wrongAt, "seed %d", seed)
				require.Equal(t, 5, c.col, "seed %d", seed)
				if q <= third {
					told++
				}
				break
			}
		}
	}
	require.GreaterOrEqual(t, told, 20, "of 40 by the third fill")
}
