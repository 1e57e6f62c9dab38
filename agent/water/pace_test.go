package water

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestPaceFollowsTheScatter(t *testing.T) {
	var p pace
	p.init()
	for range 200 {
		p.learn(ofSlopes, 4) // twice the stated deviation
	}
	require.Greater(t, p.Q[ofSlopes], 2.0)
	for range 4000 {
		p.learn(ofSlopes, 0)
	}
	require.Equal(t, leastPace, p.Q[ofSlopes])
}

// Bays that stray from the formula together by one and a half times what is stated, and from one another by half
// of it: each is learned by itself, and of a window of which it is a small part next to nothing.
func TestWhatBaysShareIsLearnedApartFromWhatTheyDoNot(t *testing.T) {
	var p pace
	p.init()
	see := func(n int, ends float64) {
		for range n {
			common, own := sq(20*p.Q[0]), sq(10*p.Own[0])
			p.see(&Window{Shared: true, lone: math.Sqrt(sq(30) + sq(5) + ends), loneOwn: own + ends, loneCommon: common, ofCommon: common, ofOwn: own,
				Nu: math.Sqrt(sq(5) + ends), S: own + ends})
		}
	}
	see(20, sq(100))
	require.InDelta(t, 1, p.Own[0], 0.01, "a hundredth of the variance says nothing of itself")
	p.init()
	see(300, sq(3))
	require.InDelta(t, 1.5, p.Q[0], 0.05)
	require.InDelta(t, 0.5, p.Own[0], 0.02)
	require.Equal(t, [2]float64{1, 1}, [2]float64{p.Q[1], p.Own[1]}, "days say nothing of nights")
	for range 4000 {
		p.see(&Window{Shared: true, loneOwn: 1, loneCommon: 1, ofCommon: 1, ofOwn: 1, S: 1})
	}
	require.Equal(t, [2]float64{leastPace, leastOwn}, [2]float64{p.Q[0], p.Own[0]})

	alone, among := pace{Q: [3]float64{1, 1}, Own: [2]float64{1, 1}}, pace{Q: [3]float64{1, 1}, Own: [2]float64{1, 1}}
	for range 2 {
		w := Window{loneOwn: 2, loneCommon: 1, ofCommon: 1, ofOwn: 1, S: 3}
		alone.see(&w)
		w.Shared = true
		among.see(&w)
	}
	require.Less(t, alone.Q[0], among.Q[0], "where no other bays show, both may be it")
	require.Equal(t, alone.Q[0], alone.Own[0])
}

// Clay that gives slowly gives 0.6 of what a day asks beyond the usual where it gives 0.8 of the usual. Once that is
// known, a hot day is no surprise.
func TestHabitLearnsHowReadilyABayAnswers(t *testing.T) {
	var a habit
	a.prior(100)
	hot := func(n int, over float64) Window {
		w := windowAt(n, 2, n > 0)
		if n%2 == 0 {
			w.Over = over
			w.ET += w.Over
			w.Loss += 0.6 * w.Over
		}
		return w
	}
	first := hot(0, 200)
	a.expect(&first, 0, sq(10))
	for n := range 60 {
		w := hot(n, 100*math.Sin(2.1*float64(n)))
		a.expect(&w, 0, sq(10))
		a.learn(&w, 100, false)
	}
	require.InDelta(t, -0.2, a.X[aR], 2*math.Sqrt(a.P[aR][aR]))
	again := hot(60, 200)
	a.expect(&again, 0, sq(10))
	require.Less(t, math.Abs(again.Nu), 8.0)
	require.Less(t, again.S, first.S/9)
}

// What is usual at an hour is the mean of that hour on five days.
func TestWhatIsUsualOfAnHour(t *testing.T) {
	var u usual
	noon := time.Date(2025, 6, 2, 12, 0, 0, 0, time.UTC).UnixMilli()
	day := func(n int, rate float64) (was float64) {
		for k := range int64(12) {
			was += u.take(noon+int64(n)*24*hour+(k+1)*5*minute, 1.0/12, rate/12)
		}
		return was
	}
	require.InDelta(t, 0.4, day(0, 0.4), 1e-9, "the first day is as usual")
	require.Zero(t, u.take(noon+2*hour, 1.0/12, 0), "another hour")
	for n := 1; n < 40; n++ {
		day(n, 0.4)
	}
	require.InDelta(t, 0.4, day(40, 0.9), 0.1)
	require.InDelta(t, 0.5, day(41, 0.4), 0.03)
}

// Windows that depart by one deviation each to the same side are no surprise one by one, and one together.
func TestARunOfWindowsShowsWhatTheyHaveInCommon(t *testing.T) {
	var p pace
	var r run
	for n := range 5 * runOf {
		var a habit
		a.prior(100)
		a.P = [nHabit][nHabit]float64{} // nothing is left to learn
		w := windowAt(n, 0, false)
		a.expect(&w, 0, sq(10))
		w.Nu = math.Sqrt(w.S)
		r.take(&w, &p)
	}
	require.Equal(t, 5.0, p.Runs)
	require.InDelta(t, 5*runOf, p.RunZ2, 0.1*5*runOf, "six deviations of windows are the root of six of a run's")
	p.N, p.Z2 = [3]float64{5 * runOf}, 5*runOf
	require.Greater(t, p.wide(), 3.0)
}

// What is stated is worth twenty-five windows; three times as many that scatter half as wide leave
// seven sixteenths of its variance, and a trouble weighs that much more.
func TestASignatureWeighsByTheScatterSeen(t *testing.T) {
	p := pace{N: [3]float64{45, 30, 7}, Z2: 18.75, Runs: 12.5, RunZ2: 3.125}
	require.InDelta(t, 0.4375, p.wide(), 1e-12)
	p.RunZ2 = 0.4375 * (2*(12.5+25.0/6) - 25.0/6)
	require.InDelta(t, 0.875, p.wide(), 1e-12, "runs twice as far off as their windows, of which the statement is worth a sixth of 25")
	p = pace{}
	p.init()
	require.Equal(t, 1.0, p.wide())

	var a habit
	a.prior(100)
	w := windowAt(0, 5, false)
	a.expect(&w, 0, sq(10))
	var stated, seen Signature
	w.Carry(&stated, w.Hours)
	w.Wide = 0.625
	w.Carry(&seen, w.Hours)
	require.InDelta(t, stated.J/0.625, seen.J, 1e-9)
	require.InDelta(t, stated.D/0.625, seen.D, 1e-9)
	require.Equal(t, stated.E, seen.E, "what is learned is the same")
}
