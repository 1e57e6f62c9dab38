package water

import (
	"math"
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// windowAt is a day's or a night's window of a bay that loses 0.8 of reference evaporation, a
// tenth of it by night, and c L/h.
func windowAt(n int, c float64, joined bool) Window {
	w := Window{Night: n%2 == 1, Joined: joined}
	w.Hours, w.ET, w.Wet = 16, 400+40*math.Sin(float64(n)), 180
	if w.Night {
		w.Hours, w.ET, w.Wet = 8, 0, 200+30*math.Sin(float64(n))
	}
	w.Loss = 0.8*w.ET + 0.1*w.Wet + c*w.Hours
	w.Metered, w.FromU, w.ToU, w.Rel = w.Loss, 4, 4, 0.1
	w.Held = w.Metered - w.Loss
	return w
}

// The habit's three numbers come apart by themselves: what goes with the sun, what goes with the
// night after it, and what goes with the hours (computed from the formula).
func TestHabitSeparatesFactorAndConstantLoss(t *testing.T) {
	for _, c := range []float64{0, 3, 12} {
		var a habit
		a.prior(100)
		for n := range 60 {
			w := windowAt(n, c, n > 0)
			a.expect(&w, 0, sq(10))
			a.learn(&w, 100, false)
		}
		require.InDelta(t, 0.8, a.X[aK], 0.02)
		require.InDelta(t, c, a.X[aC], 2*math.Sqrt(a.P[aC][aC])+0.2)
		require.Less(t, math.Sqrt(a.P[aC][aC]), 2.5, "5 L/h are told apart (k=2)")
		require.InDelta(t, 0, a.X[aFrom], 4)
	}
}

// A chamber that leads by two thirds of what its fills let expect makes every night seem to gain and every
// day to lose. That is learned, and no constant loss is.
func TestHabitLearnsHowFarTheChamberLeads(t *testing.T) {
	const tooMuch = -1.0 / 3
	var a habit
	a.prior(100)
	for n := range 60 {
		w := windowAt(n, 2, n > 0)
		w.Lead = 40
		if n%2 == 1 {
			w.Lead = -40 // from the evening, after the day's fills, to the morning
		}
		w.Loss -= tooMuch * w.Lead
		a.expect(&w, 0, sq(10))
		if n > 20 {
			require.Less(t, math.Abs(w.Nu), 6.0, "window %d", n) // of 13 L
		}
		a.learn(&w, 100, false)
	}
	require.InDelta(t, tooMuch, a.X[aL], 2*math.Sqrt(a.P[aL][aL]))
	require.InDelta(t, 2, a.X[aC], 2*math.Sqrt(a.P[aC][aC])+0.2)
}

// A level that reads 0.08 mm less for each degree makes every night seem to gain, which no habit of losing
// water could be. That is learned, and a weeping valve of 4 L/h still stands out.
func TestHabitLearnsASensorThatWarms(t *testing.T) {
	const perDeg = -0.08
	var a habit
	a.prior(100)
	var sig Signature
	for n := range 60 {
		w := windowAt(n, 0, n > 0)
		w.Warmer = 25 * (8 + 2*math.Sin(1.7*float64(n))) // a day's warmth, 25 L to the millimetre
		if n%2 == 1 {
			w.Warmer, w.Loss = -w.Warmer, 0
		}
		w.Loss -= perDeg * w.Warmer
		if n >= 54 {
			w.Loss -= 4 * w.Hours
		}
		a.expect(&w, 0, sq(10))
		if n > 20 && n < 54 {
			require.Less(t, math.Abs(w.Nu), 5.0, "window %d", n) // of 16 L
		}
		if n >= 54 {
			w.Carry(&sig, w.Hours)
		}
		a.learn(&w, 100, false)
	}
	size, u, llr := sig.Best()
	require.InDelta(t, -4, size, 2*u)
	require.Greater(t, llr, 13.0)
}

// What a bound holds back is not kept elsewhere: where the clay gives nothing back, the factor is what the days
// say though the nights say less than nothing.
func TestWhatABoundHoldsBackMovesWithIt(t *testing.T) {
	var a habit
	a.prior(100)
	for n := range 60 {
		w := windowAt(n, -2, n > 0)
		if n%2 == 1 {
			w.Loss = -15 // and not warmer or colder: nothing explains it
		}
		a.expect(&w, 0, sq(10))
		a.learn(&w, 100, false)
	}
	require.GreaterOrEqual(t, a.X[aC], -0.5-1e-9)
	require.InDelta(t, 0, a.X[aW], 0.02)
	day := windowAt(60, -2, false)
	require.InDelta(t, day.Loss, a.X[aK]*day.ET+a.X[aW]*day.Wet+a.X[aC]*day.Hours, 15, "a day is expected as days were")
}

// A signature says how far a trouble has carried the habit and the surprises: a twin that has the
// trouble differs from one without by exactly that, whatever the windows are.
func TestSignatureIsTheDifferenceATroubleMakes(t *testing.T) {
	var clean, ill habit
	clean.prior(100)
	ill.prior(100)
	var sig Signature
	d, j := 0.0, 0.0
	for n := range 24 {
		joined := n > 0 && n != 9
		x, y := windowAt(n, 2, joined), windowAt(n, 2, joined)
		size := 0.0
		if n >= 6 {
			size = 1
		}
		y.Loss += size * y.Hours
		clean.expect(&x, 0, sq(60))
		// The curve's part in S goes by what was expected; the twins must agree on the weights.
		ill.expect(&y, 0, sq(60))
		y.S, y.gain = x.S, x.gain
		if n >= 6 {
			d += (y.Nu - x.Nu) * y.Nu / x.S
			j += sq(y.Nu-x.Nu) / x.S
		}
		clean.learn(&x, 100, false)
		ill.learn(&y, 100, false)
		ill.P = clean.P
		if n >= 6 {
			y.Carry(&sig, y.Hours)
			for _, k := range []int{aK, aW, aC, aFrom} {
				require.InDelta(t, ill.X[k]-clean.X[k], sig.E[k], 1e-9, "window %d state %d", n, k)
			}
			require.InDelta(t, d, sig.D, 1e-9)
			require.InDelta(t, j, sig.J, 1e-9)
		}
	}
	size, u, llr := sig.Best()
	require.InDelta(t, sig.D/sig.J, size, 1e-12)
	require.InDelta(t, 1/math.Sqrt(sig.J), u, 1e-12)
	require.InDelta(t, sig.LLR(size), llr, 1e-9, "the best size is the likeliest")
	require.Greater(t, llr, sig.LLR(size*1.01))
	require.Greater(t, llr, sig.LLR(size*0.99))
}

func TestHeldBackTheHabitKeepsWhatItKnows(t *testing.T) {
	var a habit
	a.prior(100)
	for n := range 20 {
		w := windowAt(n, 0, n > 0)
		a.expect(&w, 0, sq(10))
		a.learn(&w, 100, false)
	}
	was := a.X
	for n := 20; n < 40; n++ {
		w := windowAt(n, 30, true)
		a.expect(&w, 0, sq(10))
		require.Greater(t, w.Nu, 5*w.Hours, "the loss stays in sight")
		a.learn(&w, 100, true)
	}
	for _, k := range []int{aK, aW, aC} {
		require.Equal(t, was[k], a.X[k])
	}
}

func TestWhatExcusesASurprise(t *testing.T) {
	w := Window{Closed: Closed{Metered: 300, Held: -100}, Expected: 60}
	require.Zero(t, w.curveSays(w.Held, 0), "a level that fell though water was let in is no curve's error")
	w.Held = 100
	// (240-100)/ln(2.4): a deviation of ln(2.4)/Rel is what 140 L are of Rel times this.
	require.InDelta(t, 159.9, w.curveSays(w.Held, 0), 0.1)
	w.Held = 240
	require.InDelta(t, 240, w.curveSays(w.Held, 0), 1e-9)
	w = Window{Closed: Closed{Held: 80}, Expected: 5}
	require.Zero(t, w.curveSays(w.Held, 0), "nor is one that rose with nothing let in")

	// A fall read as 300 L under a curve that may be wrong by 0.4, a factor of two at most, has
	// drained 150 L at least; 300 L let in that lifted the level by 100 L lost 100 L at least.
	require.InDelta(t, 300*math.Exp(-0.4*math.Sqrt(3)), (&Window{Closed: Closed{Held: -300, Loss: 300}}).leastLoss(-300, 0.4), 1e-9)
	require.InDelta(t, 300-100*math.Exp(0.4*math.Sqrt(3)), (&Window{Closed: Closed{Metered: 300, Held: 100, Loss: 200}}).leastLoss(100, 0.4), 1e-9)

	w = Window{Closed: Closed{ET: 400, Wet: 200, Far: 6}, Nu: -50}
	require.Zero(t, w.farVar(), "a higher level is no reason to lose less")
	w.Nu = 50
	require.InDelta(t, sq(0.3*400)+sq(0.03*200), w.farVar(), 1e-9)
	w.Far = -6
	require.Zero(t, w.farVar())
}

// A sixth over ten millimetres, and below those one stone: what drained over four centimetres is no
// less sure, as a share, than what drained over one.
func TestAFarFallIsOfOneStone(t *testing.T) {
	b := testBay()
	y := newBay(&site.Site{}, &b)
	y.st.Span.Inverse, y.st.Span.P = 1, sq(0.03)
	for _, row := range []struct{ from, to, shape float64 }{{80, 76, 0.06}, {80, 70, 0.15}, {80, 40, 0.15}, {76, 80, 0.06}, {74, 80, 0.09 + 2*0.085}} {
		c := y.closed(&anchor{H: row.from, Used: 82}, &anchor{H: row.to})
		require.InDelta(t, math.Sqrt(sq(0.03)+sq(0.02)+sq(row.shape)), c.Rel, 1e-9, "%v", row)
	}
	c := y.closed(&anchor{H: 76, Used: 78}, &anchor{H: 80})
	require.InDelta(t, math.Sqrt(sq(0.03)+sq(0.02)+sq(0.06+2*0.085)), c.Rel, 1e-9, "over where the level has lived")
}

// A bay that is filled by night alone stands lower every day: that is no move, and its habit stays known.
func TestHabitStaysKnownWhereTheLevelOnlyBreathes(t *testing.T) {
	b := testBay()
	y := newBay(&site.Site{}, &b)
	moved := func(w *Window) float64 {
		mm, v := y.moved(w)
		return mm + v
	}
	for range 30 {
		require.Zero(t, moved(&Window{Closed: Closed{Level: 70}}))
		require.Zero(t, moved(&Window{Closed: Closed{Level: 79}, Night: true}))
	}
	require.Zero(t, y.far(70, false))
	require.InDelta(t, -7, y.far(70, true), 1e-9)
}

// A bay that has come to live elsewhere stays unsure of its factor by a thirtieth for each millimetre beyond its band;
// of what it draws late, as the same share of evaporation, it is as unsure, and learns the one by the other.
func TestHabitIsUnsureWhereTheLevelHasComeToLive(t *testing.T) {
	b := testBay()
	y := newBay(&site.Site{}, &b)
	y.moved(&Window{Closed: Closed{Level: 70}})
	a := habit{}
	a.X[aK], a.X[aW] = 0.9, 0.1
	for range 12 {
		mm, v := y.moved(&Window{Closed: Closed{Level: 77}})
		a.moves(mm, v, false)
	}
	sd := 5.0 / 30
	require.InDelta(t, sd, math.Sqrt(a.P[aK][aK]), 1e-9)
	require.InDelta(t, sd*0.1/0.9, math.Sqrt(a.P[aW][aW]), 1e-9)
	require.InDelta(t, a.P[aK][aK]*0.1/0.9, a.P[aK][aW], 1e-9)

	late := a.P[aW][aW]
	a.moves(30, 1, true)
	require.InDelta(t, late+sq(0.04), a.P[aW][aW], 1e-9)
	require.Equal(t, [2]float64{0.9, 0.1}, [2]float64{a.X[aK], a.X[aW]}, "elsewhere is no reason to think otherwise, only less surely")
}

// What the air asks of a windy night the clay may not give, whatever quiet nights have taught; and of a night that is
// not over, what it has yet to draw may have come already, or be behind.
func TestANightIsUnsureOfItsWindAndOfItsHours(t *testing.T) {
	b := testBay()
	y := newBay(&site.Site{}, &b)
	a := &y.st.Habit
	a.X[aK] = 1
	untried := func(night bool, et float64) float64 {
		w := &Window{Closed: Closed{Hours: 10, ET: et}, Night: night}
		a.expect(w, 0, 0)
		return w.untried
	}
	require.InDelta(t, 100, untried(true, 20)-untried(true, 0), 1e-9)
	require.InDelta(t, 0, untried(false, 20)-untried(false, 0), 1e-9)

	a.X[aW], y.st.ClayL[1] = 0.1, 100
	w := &Window{Closed: Closed{Wet: 40}, Night: true}
	y.drawsOn(w)
	require.InDelta(t, sq(2), w.lateVar, 1e-9)
	y.st.ClayL[1] = 10
	y.drawsOn(w)
	require.InDelta(t, sq(0.5), w.lateVar, 1e-9, "by morning next to all of it has come")
}

// What of a rise lies over where the level has lived the stone may take a share of, however small it is; a band's rise
// comes back every day.
func TestShapeIsUnsureOfARiseToWhereTheLevelHasNotLived(t *testing.T) {
	require.InDelta(t, 0.015*4, shapeU(4, -1, false), 1e-9)
	require.InDelta(t, 0.015*4+0.085*3, shapeU(4, 3, false), 1e-9)
	require.InDelta(t, 0.015*3+0.085*3, shapeU(3, 9, false), 1e-9, "what the level stood over before is no part of the rise")
	require.InDelta(t, 0.015*3, shapeU(-3, 2, false), 1e-9)
}

// What a season changes of evaporation the other bays show; of what one bay changes by itself its factor
// stays unsure.
func TestAFactorWandersLessThanTheSeason(t *testing.T) {
	alone, among := habit{}, habit{}
	for range 100 {
		alone.age(24, 100, false)
		among.age(24, 100, true)
	}
	require.InDelta(t, 0.100, math.Sqrt(alone.P[aK][aK]), 1e-9)
	require.InDelta(t, 0.100*math.Sqrt(OwnSky), math.Sqrt(among.P[aK][aK]), 1e-9)
	require.Equal(t, alone.P[aC][aC], among.P[aC][aC], "what its liner loses no sky explains")
}

// A bay whose nights take a hundred litres departs from that by as much as the days do that dried its clay.
func TestANightThatDrinksMuchIsUnsure(t *testing.T) {
	_, s := newFormula(t)
	y := New(s).bays[0]
	own := func(c float64) float64 {
		y.st.Habit.X[aC], y.st.Habit.X[aW] = c, 0.1
		_, v := y.passingVar(&Window{Closed: Closed{Hours: 10, Wet: 200}, Night: true}, 0.2, factors{1, 1})
		return v
	}
	require.InDelta(t, sq(0.2*(20+80))-sq(0.2*20), own(8)-own(0), 1e-9)
	require.Equal(t, own(0), own(-1))
}

// A level sensor is as warm as its water where that is read, and else as the air was hours ago.
func TestHowWarmALevelSensorIs(t *testing.T) {
	_, s := newFormula(t)
	y := New(s).bays[0]
	y.warm(1, math.NaN())
	require.True(t, math.IsNaN(y.st.SensorC))
	y.warm(1, 10)
	for range 36 {
		y.warm(1.0/12, 20)
	}
	require.InDelta(t, 20-10*math.Exp(-1), y.st.SensorC, 0.1, "three hours after the air was 10 degrees warmer")
	require.InDelta(t, 10*math.Exp(-1), y.st.SensorLagC, 0.1)
	y.warm(1.0/12, math.NaN())
	require.InDelta(t, 20-10*math.Exp(-1), y.st.SensorC, 0.1, "nothing was heard of the air")
	a, b := anchor{H: 60, Warm: 10}, anchor{H: 60, Warm: 14, Lags: 2}
	c := y.closed(&a, &b)
	scale, _ := y.curveScale()
	require.InDelta(t, 4*scale*slopeMM(y.curve, 60), c.Warmer, 1e-9)
	require.InDelta(t, 2*scale*slopeMM(y.curve, 60), c.WarmerU, 1e-9)
	b.Warm = math.NaN()
	require.Zero(t, y.closed(&a, &b).Warmer, "nobody knows how warm it is")
	y.waterTemp, y.st.WaterTempC = &site.Point{}, 12
	y.warm(1.0/12, 30)
	require.Equal(t, 12.0, y.st.SensorC)
}

// How soon a morning's air warms the sensor is as unsure as it was, however quiet whole days and nights are.
func TestAQuietSiteKnowsNoMoreOfAMorningsWarmth(t *testing.T) {
	var a habit
	a.prior(100)
	a.X[aT] = 0.1
	seen := func(warmer, wide float64) float64 {
		w := windowAt(0, 0, false)
		w.WarmerU = warmer
		a.expect(&w, 0, sq(10))
		w.Wide = wide
		var sig Signature
		w.Carry(&sig, 1)
		return 1 / sig.J
	}
	unsure := sq(100) * (sq(0.1) + sq(warmsMM))
	require.InDelta(t, unsure, seen(100, 1)-seen(0, 1), 1e-6)
	require.InDelta(t, unsure, seen(100, 0.25)-seen(0, 0.25), 1e-6)
	require.InDelta(t, 2*unsure, seen(100, 2)-seen(0, 2), 1e-6)

	w := windowAt(0, 0, false)
	w.lateVar, w.Far, w.Loss = sq(20), 2, w.Loss+50 // nor of when its clay draws, nor of what it loses at another level
	a.expect(&w, 0, w.lateVar)
	w.Wide = 0.25
	var sig Signature
	w.Carry(&sig, 1)
	require.InDelta(t, w.S/4+0.75*(sq(20)+sq(0.1*w.ET)+sq(0.01*w.Wet)), 1/sig.J, 1e-6)
}

// Half a day's departure that all other bays share is the sky's; the bay's own stays.
func TestOtherBaysSayWhatTheSkyDid(t *testing.T) {
	require.Equal(t, 2.0, middle([]float64{1, 2, 9}))
	require.Equal(t, 1.5, middle([]float64{0, 1, 2, 40}))
}

// A bay that comes to rest hours after the others closes a longer day, alone: what the sky did to
// theirs is expected of it all the same.
func TestALateBayKnowsWhatTheSkyDid(t *testing.T) {
	_, s := newFormula(t)
	for _, id := range []string{"A2", "A3", "A4", "A5"} {
		b := testBay()
		b.ID = id
		s.Courts[0].Bays = append(s.Courts[0].Bays, b)
	}
	l := New(s)
	l.st.Sky.U = 0.2
	begin := time.Date(2025, 6, 2, 4, 0, 0, 0, time.UTC).UnixMilli()
	window := func(hours, loss float64) []Window {
		ws := make([]Window, len(l.bays))
		ws[0] = Window{Closed: Closed{From: begin, To: begin + int64(hours)*hour, Hours: hours, ET: 450, Loss: loss, Metered: loss, FromU: 4, ToU: 4}}
		return ws
	}
	due := []bool{true, false, false, false, false}
	alone := window(21, 430)
	l.setAgainst(alone, due)
	for _, y := range l.bays[1:] {
		w := window(15, 430)[0]
		w.lone, w.loneOwn = 0.2*y.unit(&w), sq(0.05*y.unit(&w))
		y.st.Win.Past[0] = y.departed(&w)
	}
	late := window(21, 430)
	l.setAgainst(late, due)
	require.Greater(t, late[0].Expected, alone[0].Expected+0.15*0.78*450, "a fifth more of 0.78 x 450 L, as far as four bays tell")
	require.Less(t, late[0].S, alone[0].S)
	require.Equal(t, []bool{false, true}, []bool{alone[0].Shared, late[0].Shared})
	require.InDelta(t, alone[0].S, alone[0].loneOwn+alone[0].loneCommon, 1e-9)

	// A day later it is another day.
	for _, y := range l.bays[1:] {
		y.st.Win.Past[0].From -= 24 * hour
		y.st.Win.Past[0].To -= 24 * hour
	}
	late = window(21, 430)
	l.setAgainst(late, due)
	require.Equal(t, alone[0].Expected, late[0].Expected)
}

// Over a quiet week the windows close, join, and leave nothing: 4.5 mm a day from 100 m2 under a
// table of 5.0 is a factor of 0.9.
func TestWindowsOfAQuietWeek(t *testing.T) {
	f, _ := newFormula(t)
	nights, days := 0, 0
	f.run(f.l, 8*24*time.Hour)
	for end := f.t.Add(4 * 24 * time.Hour); f.t.Before(end); {
		f.run(f.l, 30*time.Second)
		for _, w := range f.l.Fresh(0) {
			require.True(t, w.Joined)
			require.Less(t, math.Abs(w.Nu), 3*math.Sqrt(w.S))
			if w.Night {
				nights++
				require.Less(t, w.Hours, 11.0)
			} else {
				days++
				require.InDelta(t, 450, w.Loss, 60)
			}
		}
	}
	require.GreaterOrEqual(t, nights, 3)
	require.GreaterOrEqual(t, days, 3)
	n, _ := f.l.Now("A1")
	require.InDelta(t, 0.9, n.Learned.Factor.Value, n.Learned.Factor.U+0.02)
	require.Less(t, n.Learned.Factor.U, 0.3)
	require.InDelta(t, 0, n.Learned.ConstantM3S.Value*3.6e6, n.Learned.ConstantM3S.U*3.6e6)
}

// In the forenoon clay has drawn less than the air took, and gives it up by night: a window under way expects
// that, a closed one has it in its habit.
func TestADayUnderWayIsDrawnLate(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 4*24*time.Hour+9*time.Hour)
	w, ok := f.l.Underway(0)
	require.True(t, ok)
	require.False(t, w.Night)
	require.InDelta(t, lateShare*f.l.bays[0].st.Habit.X[aK]*w.Late, w.late, 1e-9)
	require.Less(t, w.late, -0.1*w.ET)
	require.GreaterOrEqual(t, w.lateVar, sq(w.late))
	plain := *w
	f.l.bays[0].st.Habit.missing(&plain, 0)
	require.InDelta(t, plain.Expected+w.late, w.Expected, 1e-9)
	y := f.l.bays[0]
	var part Window
	require.True(t, f.l.Since(0, 12, &part))
	require.InDelta(t, sq(part.late)+sq(wetWhen*y.st.Habit.X[aW]*part.Wet)+ownHours*sq(f.l.hourly(&part)*y.st.Habit.X[aK]*part.ET), part.lateVar, 1e-9)
	for range 24 * 60 {
		f.run(f.l, time.Minute)
		for _, w := range f.l.Fresh(0) {
			require.Zero(t, w.late)
			require.Zero(t, w.lateVar)
		}
	}
}

// What a stretch has lost is known before it is weighed, and weighed it is what Since says of it.
func TestALossIsWeighedAfterwards(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 2*24*time.Hour+9*time.Hour)
	var whole, w Window
	require.True(t, f.l.Since(0, 12, &whole))
	require.True(t, f.l.Lost(0, 12, &w))
	require.Equal(t, whole.Nu, w.Nu)
	require.Zero(t, w.S)
	f.l.Weigh(0, 12, &w)
	require.Equal(t, whole, w)
	require.Positive(t, w.S)
}

// A day that asks for half as much again as the days before asks for a third of it beyond the usual, but for what the
// day itself has made usual.
func TestAHotDayIsBeyondTheUsual(t *testing.T) {
	f, _ := newFormula(t)
	over := func(days int) (share float64) {
		for end := f.t.Add(time.Duration(days) * 24 * time.Hour); f.t.Before(end); {
			f.run(f.l, 30*time.Second)
			for _, w := range f.l.Fresh(0) {
				if !w.Night {
					share = w.Over / w.ET
				}
			}
		}
		return share
	}
	require.InDelta(t, 0, over(5), 5e-3)
	for i := range f.l.place.monthly {
		f.l.place.monthly[i] *= 1.5
	}
	require.InDelta(t, 0.31, over(1), 0.03)
}

// TestHowFarAChamberMayLead: between two moments of the fill cycle, what the bay may hold more than the
// model of the lead has it.
func TestHowFarAChamberMayLead(t *testing.T) {
	y := &bay{}
	f := &y.st.F
	f.X[sA1], f.X[sA2] = 0.05, 0.02 // mm for each litre
	f.P[sA1][sA1] = sq(0.01)
	moment := func(x1, x2 float64) *anchor {
		return &anchor{X: [3]float64{x1, x2}, Lead: f.X[sA1]*x1 + f.X[sA2]*x2}
	}
	mm, u := y.leads(moment(0, 0), moment(100, 50))
	require.InDelta(t, 6, mm, 1e-9, "from rest: all that is taken to be lead may be none")
	require.Zero(t, u, "and no less than none")
	mm, u = y.leads(moment(100, 50), moment(100, 50))
	require.Zero(t, mm, "the same moment of the next fill")
	require.InDelta(t, math.Sqrt2*leadScatter*6, u, 1e-9, "but for the scatter of fills")
	mm, u = y.leads(moment(100, 50), moment(0, 150))
	require.InDelta(t, 2, mm, 1e-9, "of what has faded the model speaks")
	// Five millimetres less by the model's own uncertainty, its error in all fills, a fill's scatter,
	// and the one that both ends share.
	require.InDelta(t, math.Sqrt(sq(0.01*100)+sq(leadModel*5)+sq(leadScatter*5)+2*sq(leadScatter*1)), u, 1e-9)
	f.X[sA1], f.X[sA2] = -0.05, 0
	mm, _ = y.leads(moment(0, 0), moment(100, 0))
	require.Zero(t, mm, "where the chamber lags behind its fills, it bounds nothing")
}

// TestWhatIsMissingWhateverTheLead: 400 L were let in; by the modelled lead the bay sank by 200 L, by what
// the chamber shows it did not: 400 L are missing at least, less what is expected, as surely as the ends
// are read.
func TestWhatIsMissingWhateverTheLead(t *testing.T) {
	var a habit
	a.prior(100)
	a.P = [nHabit][nHabit]float64{}
	w := Window{Closed: Closed{Hours: 2, Metered: 400, Held: -200, Loss: 600, FromU: 10, ToU: 60, U: 70, Led: 200, EndS: sq(10) + sq(60) + sq(70), LedS: sq(12)}}
	a.expect(&w, 50, sq(5))
	require.InDelta(t, 550, w.Nu, 1e-9)
	require.InDelta(t, sq(10)+sq(60)+sq(70)+sq(5), w.S, 1e-9)
	require.Equal(t, Missing{350, sq(12) + sq(5)}, w.Least[1])
	require.InDelta(t, 350*350/(2*169.0), w.Surprise(), 1e-9, "the surer statement holds")
	w.Joined = true
	a.expect(&w, 50, sq(5))
	require.Zero(t, w.Least[1], "the ends of joined windows are the habit's")
	w.Joined, w.Led = false, 700
	a.expect(&w, 50, sq(5))
	require.InDelta(t, 550*550/(2*w.S), w.Surprise(), 1e-9, "what is not missing at least says nothing")
}
