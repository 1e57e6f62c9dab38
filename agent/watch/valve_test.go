package watch

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// uncommanded is a world in which neither command nor set point is read.
func uncommanded(t *testing.T, seed uint64) *world {
	return newWorld(t, seed, func(s *site.Site) {
		s.Points = slices.DeleteFunc(s.Points, func(p site.Point) bool {
			return p.Quantity == site.ValveOpen || p.Quantity == site.SetPoint
		})
	})
}

// Before a bay's own fills have shown how long its valve takes, a flow that is read 50 s after the shut command
// tells where two pulses more have come than through a valve that stood open for all its travel of 30 s:
// 50 s at 24 L/min are 20 L, 30 s are 12. One that shuts evenly over a minute has let in 11.7 L by then. What three
// other bays' valves have shown, and a poll more, does as well.
func TestAFirstFillThatGoesOnIsToldByWhatHasCome(t *testing.T) {
	const shut, rate = 1000 * hour, 24e-3 / 60
	for _, row := range []struct {
		past  float64
		like  []int64 // how long the water of other bays runs on
		after int64
		told  bool
	}{
		{20e-3, nil, 50 * second, true}, {13.5e-3, nil, 50 * second, false}, {11.7e-3, nil, 50 * second, false},
		{13.5e-3, []int64{0, 20 * second, 10 * second}, 50 * second, true},
		{13.5e-3, []int64{0, 20 * second}, 50 * second, false}, // two say little of a third
		{13.5e-3, []int64{0, 45 * second, 10 * second}, 50 * second, false},
		{20e-3, []int64{0, 45 * second, 10 * second}, 60 * second, true},
	} {
		v := newWorld(t, 1, func(s *site.Site) {
			for _, id := range []string{"A3", "A4"} {
				b := s.Courts[0].Bays[1]
				b.ID = id
				s.Courts[0].Bays = append(s.Courts[0].Bays, b)
			}
		})
		for i, ms := range row.like {
			v.w.bays[i+1].st.Valve.RunOnN, v.w.bays[i+1].st.Valve.RunOn = 1, float64(ms)
		}
		y := v.w.bays[0]
		y.b.Valve.Travel = 30 * time.Second
		now := shut + row.after
		y.look = water.Look{Now: now, HasFlow: true, FlowGood: true, FlowM3S: rate, HasMeter: true, StartM3S: 1e-5, PulseM3: 1e-3, HabitM3S: rate,
			TotalM3: 5 + row.past, MeterAt: now, RunAt: now, Runs: true, ValveKnown: true, LevelAt: now, SetM: 0.08, RoomM3: math.NaN()}
		y.st.Valve.Shut, y.st.Valve.ShutBase, y.st.Valve.ShutBaseAt, y.st.Valve.Run, y.st.Valve.HeardAt = shut, 5, shut, shut-10*minute, now
		v.w.stuckOpen(y, now)
		require.Equal(t, row.told, y.st.Valve.Open, "%v", row)
	}
}

// Read every 20 s, a first fill's flow 40 s after the shut command tells where the valve's travel of 30 s is stated:
// at 24 L/min 16 L have come, and 12 through a valve that stood open all that time. The meter is read when it is
// read: 10 s before the command, and 16 L may have come by then. A travel nobody stated is a guess, and a poll
// more is allowed for.
func TestAFirstFillIsToldByWhenMeterAndCommandWereRead(t *testing.T) {
	const shut, rate = 1000 * hour, 24e-3 / 60
	for _, row := range []struct {
		name        string
		travel      time.Duration
		after, base int64   // when the meter was read, from the shut command
		past        float64 // m3
		assumed     bool
		told        bool
	}{
		{"read together", 30 * time.Second, 40 * second, 0, 16e-3, false, true},
		{"read 10 s before", 30 * time.Second, 40 * second, -10 * second, 16e-3, false, false},
		{"read 10 s before, and it went on", 30 * time.Second, 50 * second, -10 * second, 20e-3, false, true},
		{"the travel is assumed", 30 * time.Second, 40 * second, 0, 16e-3, true, false},
		{"nobody knows the travel", 0, 80 * second, 0, 32e-3, false, false},
		{"nor then does it take for ever", 0, 100 * second, 0, 40e-3, false, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := newWorld(t, 1, func(s *site.Site) {
				for i := range s.Points {
					s.Points[i].Interval = 20 * time.Second
				}
			})
			y := v.w.bays[0]
			y.b.Valve = site.Valve{Travel: row.travel, Assumed: row.assumed}
			now := shut + row.after
			y.look = water.Look{Now: now, HasFlow: true, FlowGood: true, FlowM3S: rate, HasMeter: true, StartM3S: 1e-5, PulseM3: 1e-3, HabitM3S: rate,
				TotalM3: 5 + row.past, MeterAt: now, RunAt: now, Runs: true, ValveKnown: true, LevelAt: now, SetM: 0.08, RoomM3: math.NaN()}
			s := &y.st.Valve
			s.Shut, s.ShutBase, s.ShutBaseAt, s.Run, s.HeardAt = shut, 5, shut+row.base, shut-10*minute, now
			v.w.stuckOpen(y, now)
			require.Equal(t, row.told, s.Open)
		})
	}
}

// A valve that was told to open in the last minute of its window is waited for like any other; of one at a time
// only one is.
func TestAValveToldToOpenIsFreeWhateverTheHour(t *testing.T) {
	const now = 1000 * hour // at four in the afternoon
	closed := func(told, other bool) bool {
		v := newWorld(t, 6, nil)
		for _, b := range v.w.bays {
			b.b.Fill = site.FillPolicy{Windows: []site.DayWindow{{From: 20 * 60, To: 8 * 60}}, OneAtATime: true}
			b.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, RunAt: now - 12*hour, BayM: 0.070, SmoothM: 0.070, SetM: 0.080,
				ValveKnown: true, ValveChanged: now - 10*minute}
			b.st.Valve.HeardAt = now
		}
		v.w.bays[0].look.ValveOpen, v.w.bays[1].look.ValveOpen = told, other
		for range 2 {
			v.w.stuckClosed(v.w.bays[0], now)
		}
		return v.w.bays[0].st.Valve.Closed
	}
	require.True(t, closed(true, false))
	require.False(t, closed(false, false), "it is not told")
	require.False(t, closed(true, true), "another is open")
}

// A valve that sticks in the middle of a fill leaves a chamber that goes on rising by what has come: three minutes
// at 24 L/min would have lifted it by 14.4 mm, so 6 mm more are the water before and 8 mm the meter's fault.
func TestAChamberThatRisesBehindItsWaterIsNoFedOne(t *testing.T) {
	const now = 1000 * hour
	closed := func(rise float64, counted bool) bool {
		w := newWorld(t, 6, nil).w
		y := w.bays[0]
		y.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, RunAt: now - 3*minute, BayM: 0.070, SmoothM: 0.072 + rise, SetM: 0.080,
			ValveKnown: true, ValveOpen: true, ValveChanged: now - 5*minute, HabitM3S: 24e-3 / 60}
		if !counted {
			y.look.RunAt, y.look.ValveChanged = now-12*hour, now-3*minute
		}
		y.st.Fills.HabitN, y.st.Fills.Gain = 5, 0.2
		s := &y.st.Valve
		s.HeardAt, s.Asked, s.AskFor, s.AskLevel = now, now-3*minute, 3*time.Minute, 0.072
		w.stuckClosed(y, now)
		return s.Closed
	}
	require.True(t, closed(0.006, true))
	require.False(t, closed(0.008, true))
	require.False(t, closed(0.006, false), "no water was counted before")
}

// Without command and set point a fill is told by what the meter has counted, against the room that the curve
// gives from where fills leave the bay to the crest: a chamber that stands at the crest long before the bay
// makes the account lose what comes in. From a bay far down it is told before half of all the room is used.
func TestAFillThatGoesOnIsToldByTheMeter(t *testing.T) {
	v := uncommanded(t, 6)
	v.step = 30 * time.Second
	v.quiet(t, 3*24*time.Hour)
	y := v.w.bays[0]
	k, s := &y.look, &y.st.Valve
	room, _ := v.l.HeldBetween(y.i, s.RestM, y.b.CrestM)
	told := func(below, let float64) bool {
		s.Open = false
		*k = water.Look{Now: k.Now, HasMeter: true, MeterAt: k.Now, RunAt: k.Now, Runs: true, RunM3S: 5e-4, Fills: s.SeenN, SetM: math.NaN(),
			SlopeM2: k.SlopeM2, NoiseM: k.NoiseM, RoomM3: 2 * room, SmoothM: y.b.CrestM, FillLevelM: s.RestM - below, FillM3: let}
		v.w.stuckOpen(y, k.Now)
		return s.Open
	}
	need, _ := v.l.HeldBetween(y.i, s.RestM-0.003, s.RestM)
	require.False(t, told(0.003, need+s.BeyondM3+0.30*room))
	require.True(t, told(0.003, need+s.BeyondM3+0.36*room))
	need, _ = v.l.HeldBetween(y.i, s.RestM-0.006, s.RestM)
	all := need + s.BeyondM3 + room
	require.False(t, told(0.006, 0.43*all))
	require.True(t, told(0.006, 0.47*all), "half of all the room is near")
	// An evening's later fill that begins above there is not beyond it by what the bay held before.
	above, _ := v.l.HeldBetween(y.i, s.RestM, s.RestM+0.010)
	require.False(t, told(-0.010, s.BeyondM3+0.30*(room-above)))
	require.True(t, told(-0.010, s.BeyondM3+0.36*(room-above)))
}

// In its first days, or after rain, too few fills have shown where they leave a bay. Then one tells that goes on a
// band and a half (4.5 mm) past where another stopped until it has used nearly half of all the room, and one with its
// chamber over the crest for longer than its valve takes to shut (30 s, and 30 s of polling).
func TestOneOfTheFirstFillsThatGoesOnIsTold(t *testing.T) {
	const now = 1000 * hour
	for _, row := range []struct {
		name      string
		stopM     float64 // over the bay before the fill; 0 none has stopped yet
		chamberM  float64 // over the bay before it
		used      float64 // of all the room to the crest
		overCrest int64
		stops     bool
		told      bool
	}{
		{"half is near", 0.010, 0.015, 0.46, 0, false, true},
		{"half is not near", 0.010, 0.015, 0.44, 0, false, false},
		{"the chamber stands where others stopped", 0.010, 0.014, 0.46, 0, false, false},
		{"nobody knows where others stop", 0, 0.015, 0.46, 0, false, false},
		{"just over the crest", 0, 0.051, 0.30, 50 * second, false, false},
		{"over the crest", 0, 0.051, 0.30, minute, false, true},
		{"over the crest in two fills", 0, 0.051, 0.30, minute, true, false},
		{"all its fills come there", 0.052, 0.051, 0.30, minute, false, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := uncommanded(t, 6)
			y := v.w.bays[0]
			y.b.Valve, y.b.CrestM = site.Valve{Travel: 30 * time.Second}, 0.110
			for i := range v.w.s.Points {
				v.w.s.Points[i].Interval = 30 * time.Second
			}
			all, _ := v.l.HeldBetween(y.i, 0.060, 0.110)
			if s := &y.st.Valve; row.stopM > 0 {
				s.StopM, s.RestN = 0.060+row.stopM, 1
			}
			at := func(now int64, runs bool) {
				y.look = water.Look{Now: now, HasFlow: true, FlowGood: true, FlowM3S: 5e-4, HasMeter: true, MeterAt: now, Runs: runs, SetM: math.NaN(), TotalM3: 5,
					SlopeM2: 20, RoomM3: all, SmoothM: 0.060 + row.chamberM, BayM: 0.065, FillFrom: now - 20*minute, FillLevelM: 0.060, FillM3: row.used * all}
				if !runs {
					y.look.FlowM3S = 0
				}
				v.w.stuckOpen(y, now)
			}
			at(now, true)
			require.Equal(t, row.told && row.overCrest == 0, y.st.Valve.Open)
			if row.stops {
				at(now+20*second, false)
			}
			at(now+row.overCrest, true)
			require.Equal(t, row.told, y.st.Valve.Open)
		})
	}
}

// A controller sees the chamber: while that still stands high behind a fill the bay asks for nothing, however
// low the account puts it. A millimetre under is sure, less only where it has stood there for hours; between two
// fills the controller rests.
func TestABayAsksByItsChamber(t *testing.T) {
	const now = 1000 * hour
	for _, row := range []struct {
		name     string
		chamberM float64
		under    time.Duration
		ran      int64
		asks     bool
	}{
		{"the chamber stands high", 0.078, 0, 12 * hour, false},
		{"half a millimetre under", 0.0765, time.Hour, 12 * hour, false},
		{"half a millimetre under for hours", 0.0765, 3 * time.Hour, 12 * hour, true},
		{"over it after hours under", 0.0772, 3 * time.Hour, 12 * hour, false},
		{"two millimetres under", 0.075, 0, 12 * hour, true},
		{"filled just now", 0.075, 0, 50 * minute, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			y := uncommanded(t, 6).w.bays[0]
			y.st.Valve.Began, y.st.Valve.AskM, y.st.Valve.UnderFor = []begun{{M: 0.077}}, 0.077, row.under
			y.look = water.Look{BayM: 0.070, SmoothM: row.chamberM, SetM: math.NaN(), RunAt: now - row.ran}
			asks, _ := y.asks(now)
			require.Equal(t, row.asks, asks)
		})
	}
}

// A set point lowered unseen leaves a bay low as well, so one that has asked in vain is told a band and a half
// (4.5 mm) under the lowest of its last days, and be it that its window has closed since. Before it has asked as
// long as its turn may take it is not told, however low.
func TestABayIsForgottenABandAndAHalfUnderItsHabit(t *testing.T) {
	const asked = 1000 * hour // 18:00 in summer
	for _, row := range []struct {
		name    string
		levelM  float64
		lowestM float64 // of a fill two days before
		askFor  time.Duration
		after   int64
		told    bool
	}{
		{"4 mm under", 0.073, 0.077, time.Hour, 3 * hour, false},
		{"5 mm under", 0.072, 0.077, time.Hour, 3 * hour, true},
		{"5 mm under, turn not due", 0.072, 0.077, 10 * time.Minute, 3 * hour, false},
		{"5 mm under where it was 2 mm lower", 0.072, 0.075, time.Hour, 3 * hour, false},
		{"7 mm under where it was 2 mm lower", 0.070, 0.075, time.Hour, 3 * hour, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := uncommanded(t, 6)
			y, s := v.w.bays[0], &v.w.bays[0].st.Valve
			at := func(now int64, levelM float64) {
				y.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, RunAt: asked - 12*hour, BayM: levelM, SmoothM: levelM, SetM: math.NaN()}
				v.w.stuckClosed(y, now)
			}
			s.Began, s.AskM = []begun{{0.077, 0.077, asked - 90*hour}, {row.lowestM, row.lowestM, asked - 50*hour}, {0.077, 0.077, asked - 12*hour}}, 0.077
			for now := int64(asked); now <= asked+row.askFor.Milliseconds(); now += minute {
				at(now, 0.0755)
			}
			require.False(t, s.Closed)
			y.b.Fill.Windows = []site.DayWindow{{From: 0, To: 1}} // it has closed
			at(asked+row.after, row.levelM)
			require.Equal(t, row.told, s.Closed)
		})
	}
}

// What was filled after all, further down, had waited for nobody: its set point had been lowered.
func TestWaitingForALowerSetPointIsNoHabit(t *testing.T) {
	const now = 1000 * hour
	for beforeM, want := range map[float64]time.Duration{0.0755: 2 * time.Hour, 0.070: 0} {
		v := uncommanded(t, 6)
		y, s := v.w.bays[0], &v.w.bays[0].st.Valve
		s.Began, s.AskM, s.BeforeM, s.Asked, s.AskFor = []begun{{M: 0.077}}, 0.077, beforeM, now-2*hour, 2*time.Hour
		y.look = water.Look{Now: now, HasMeter: true, MeterAt: now, RunAt: now, Runs: true, RunM3S: 5e-4, BayM: beforeM, SmoothM: beforeM, SetM: math.NaN()}
		v.w.stuckClosed(y, now)
		require.Equal(t, want, s.Wait, "%v", beforeM)
		require.Zero(t, s.Asked)
	}
}

// Where one bay is filled at a time, a valve that gives nothing holds up the next: as long as another bay asks
// as well and has had no water either, nobody knows which it is.
func TestABayThatWaitsForAnotherIsNotStuck(t *testing.T) {
	const now = 1000 * hour
	closed := func(oneAtATime bool, otherNear time.Duration, otherRan int64, asked time.Duration) bool {
		v := uncommanded(t, 6)
		y, o := v.w.bays[0], v.w.bays[1]
		y.b.Fill.OneAtATime, o.b.Fill.OneAtATime = oneAtATime, oneAtATime
		for _, b := range v.w.bays {
			b.st.Valve.Began, b.st.Valve.AskM = []begun{{M: 0.077, BayM: 0.077}}, 0.077
			b.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, RunAt: now - 12*hour, BayM: 0.070, SmoothM: 0.070, SetM: math.NaN()}
			b.st.Valve.UnderFor = 2 * time.Hour
		}
		y.st.Valve.Asked, y.st.Valve.AskFor, y.st.Valve.AskLevel = now-3*hour, asked, 0.070
		o.st.Valve.NearFor, o.look.RunAt = otherNear, otherRan
		v.w.stuckClosed(y, now)
		return y.st.Valve.Closed
	}
	require.True(t, closed(false, 2*time.Hour, now-12*hour, time.Hour), "each has its own turn")
	require.False(t, closed(true, 2*time.Hour, now-12*hour, time.Hour), "the other may hold it up")
	require.False(t, closed(true, time.Hour, now-12*hour, time.Hour), "the other may have asked as long")
	require.True(t, closed(true, 59*time.Minute, now-12*hour, time.Hour), "the other began to ask much later")
	require.True(t, closed(true, 0, now-12*hour, time.Hour), "the other wants none")
	require.True(t, closed(true, 2*time.Hour, now-hour, time.Hour), "the other has been filled meanwhile")
	require.True(t, closed(true, 2*time.Hour, now-12*hour, 3*time.Hour), "no controller waits so long for one valve")
}

// Where one bay is filled at a time, a valve that is open and gives nothing holds up the other bays' fills; of a bay
// whose set point was lowered unseen none takes notice. Two fills held up tell at once; after five got as they were
// asked for, the bay must have sunk twice as far. Both only where it is known to the minute when the others ask.
func TestOtherBaysFillsTellWhetherAValveIsOpen(t *testing.T) {
	const now = 1000 * hour
	for _, row := range []struct {
		name   string
		under  []time.Duration // how long the other bay has asked as its fills begin
		began  int             // its fills so far
		beside float64         // of where it asks, m
		near   time.Duration   // how long another bay may have asked
		belowM float64         // how far the bay stands under where it asks
		own    bool            // each bay is filled by itself
		told   bool
	}{
		{"one held up", []time.Duration{20 * time.Minute}, 5, 0, 0, 0.003, false, false},
		{"two held up", []time.Duration{20 * time.Minute, 15 * time.Minute}, 5, 0, 0, 0.003, false, true},
		{"two held up, and another may be the cause", []time.Duration{20 * time.Minute, 15 * time.Minute}, 5, 0, time.Hour, 0.003, false, false},
		{"two held up by a minute", []time.Duration{14 * time.Minute, 11 * time.Minute}, 5, 0, 0, 0.003, false, false},
		{"two held up, and three not", []time.Duration{20 * time.Minute, 0, 0, 0, 20 * time.Minute}, 5, 0, 0, 0.003, false, false},
		{"two of a bay filled four times", []time.Duration{20 * time.Minute, 20 * time.Minute}, 4, 0, 0, 0.003, false, false},
		{"two of a bay held lower now", []time.Duration{5 * time.Hour, 5 * time.Hour}, 5, -0.004, 0, 0.003, false, false},
		{"two begun by hand", []time.Duration{20 * time.Minute, 20 * time.Minute}, 5, 0.004, 0, 0.003, false, false},
		{"two later than asked for, at their own time", []time.Duration{20 * time.Minute, 20 * time.Minute}, 5, 0, 0, 0.003, true, false},
		{"four at once", make([]time.Duration, 4), 5, 0, 0, 0.005, false, true},
		{"five at once", make([]time.Duration, 5), 5, 0, 0, 0.005, false, false},
		{"five at once, and so deep", make([]time.Duration, 5), 5, 0, 0, 0.0095, false, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := uncommanded(t, 6)
			y, o, third := v.w.bays[0], v.w.bays[1], &bay{b: &site.Bay{}}
			v.w.bays = append(v.w.bays, third)
			for _, b := range []*bay{y, o} {
				b.b.Fill.OneAtATime = !row.own
				b.st.Valve.AskM = 0.077
				b.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, RunAt: now - 12*hour, BayM: 0.078, SmoothM: 0.078, SetM: math.NaN()}
			}
			third.st.Valve.NearFor = row.near
			y.st.Valve.Began, o.st.Valve.Began = []begun{{M: 0.077, BayM: 0.077}}, make([]begun, row.began)
			y.look.SmoothM, y.look.BayM = 0.077-row.belowM, 0.077-row.belowM
			s := &y.st.Valve
			s.Asked, s.AskFor, s.AskLevel, s.UnderFor = now-3*hour, 3*time.Hour, y.look.SmoothM, time.Hour
			for _, under := range row.under {
				for _, runs := range []bool{true, true, false} { // told of once
					o.look.Runs, o.look.RunAt, o.look.RunM3S = runs, now-12*hour, 5e-4
					if runs {
						o.look.RunAt = now
					}
					o.st.Valve.BeforeM = 0.077 + row.beside
					if runs && !o.st.Valve.Served {
						o.st.Valve.UnderFor = under
					}
					v.w.stuckClosed(o, now)
				}
			}
			require.False(t, o.st.Valve.Closed)
			v.w.stuckClosed(y, now)
			require.Equal(t, row.told, s.Closed)
		})
	}
}

// A bay sinks while it waits for its window: only the fills that came at once show where it asks, and a fill
// begun by hand shows nothing. So low a fill at once shows that the level it is held at was lowered.
func TestWhereABayAsksIsTheUpperQuarterOfItsFills(t *testing.T) {
	for _, row := range []struct {
		name  string
		from  []float64
		free  bool
		wantM float64
	}{
		{"one fill is all that is known", []float64{0.071}, false, 0.071},
		{"evenings after dry and wet days", []float64{0.066, 0.070, 0.061, 0.069, 0.064}, false, 0.069},
		{"one by hand among fills at once", []float64{0.077, 0.0772, 0.084, 0.0768, 0.077}, true, 0.0772},
		{"lowered by ten millimetres", []float64{0.077, 0.0772, 0.0768, 0.067}, true, 0.067},
		{"so low in the evening of a dry day", []float64{0.077, 0.0772, 0.0768, 0.067}, false, 0.077},
		{"eight fills are remembered", []float64{0.077, 0.077, 0.077, 0.073, 0.073, 0.073, 0.073, 0.073, 0.073, 0.073, 0.073}, true, 0.073},
	} {
		t.Run(row.name, func(t *testing.T) {
			var v valveState
			for _, m := range row.from {
				v.started(m, 0.0045, row.free)
			}
			require.Equal(t, row.wantM, v.StartM)
		})
	}
}

// A controller asks no lower than its fills begin: at the evening's first a bay has sunk, the others show it to
// a tenth of a millimetre. One begun by hand further up is not believed among five, and one at once further down
// shows that the level it is held at was lowered.
func TestWhereAChamberAsksIsWhereItsFillsBegin(t *testing.T) {
	for _, row := range []struct {
		name   string
		from   []float64
		atOnce bool
		wantM  float64
	}{
		{"one fill is all that is known", []float64{0.071}, false, 0.071},
		{"evenings, and once at once", []float64{0.066, 0.070, 0.077, 0.069}, false, 0.077},
		{"one by hand among five", []float64{0.077, 0.0772, 0.084, 0.0768, 0.077}, false, 0.0772},
		{"one by hand, then at once", []float64{0.0772, 0.084, 0.0768}, true, 0.0768},
		{"lowered by three millimetres", []float64{0.077, 0.0772, 0.0768, 0.074}, true, 0.074},
		{"so low in the evening of a dry day", []float64{0.077, 0.0772, 0.0768, 0.074}, false, 0.0772},
		{"half a millimetre is noise", []float64{0.077, 0.077, 0.0765}, true, 0.077},
	} {
		t.Run(row.name, func(t *testing.T) {
			var v valveState
			for i, m := range row.from {
				v.began(begun{m, m, int64(i) * 12 * hour}, row.atOnce, 0.001)
			}
			require.Equal(t, row.wantM, v.AskM)
		})
	}
	v := valveState{Began: []begun{{0.066, 0.066, 0}, {0.077, 0.077, hour}}, AskM: 0.077, Asked: day}
	v.began(begun{0.074, 0.073, 5 * hour}, true, 0.001)
	require.Equal(t, 0.066, v.lowest(), "lowered, and how low it came is its habit still")
	v = valveState{}
	for i := range 60 {
		v.began(begun{0.077 - float64(i)*1e-5, 0.07, int64(i) * 6 * hour}, false, 0.001)
	}
	require.Len(t, v.Began, 13, "three days at six hours")
	require.InDelta(t, 0.077-53e-5, v.AskM, 1e-9, "eight show where it asks")
}

// A bay that has not been filled since it is watched asks as far under where it was first seen as any of three
// others did, and a band (3 mm) at least.
func TestABayNeverFilledAsksLikeTheOthers(t *testing.T) {
	for _, row := range []struct {
		under []float64 // how far under where they were first seen others ask
		wantM float64
	}{
		{[]float64{0.004, 0.005}, 0},
		{[]float64{0.004, 0.005, 0.002}, 0.085},
		{[]float64{0.001, -0.004, 0.002}, 0.087},
	} {
		v := newWorld(t, 6, func(s *site.Site) {
			for _, id := range []string{"A3", "A4"} {
				b := s.Courts[0].Bays[1]
				b.ID = id
				s.Courts[0].Bays = append(s.Courts[0].Bays, b)
			}
		})
		y, s := v.w.bays[0], &v.w.bays[0].st.Valve
		s.FirstM = 0.090
		for i, u := range row.under {
			o := &v.w.bays[i+1].st.Valve
			o.FirstM, o.AskM, o.Began = 0.07, 0.07-u, []begun{{M: 0.07 - u}}
		}
		const now = 1000 * hour
		y.look = water.Look{Now: now, HasMeter: true, MeterAt: now, LevelAt: now, BayM: 0.083, SmoothM: 0.083, SetM: math.NaN()}
		v.w.stuckClosed(y, now)
		require.InDelta(t, row.wantM, s.AskM, 1e-9)
		require.Equal(t, row.wantM > 0, s.Asked > 0)
		s.Began, s.AskM = []begun{{M: 0.08}}, 0.08
		v.w.stuckClosed(y, now+hour)
		require.Equal(t, 0.08, s.AskM, "its own fills say it")
	}
}

// Where fills stop a centimetre lower than they did, they will begin a centimetre lower; a millimetre is none. One that
// began as usual and stops short was cut short.
func TestWhereFillsStopTellsThatASetPointWasMoved(t *testing.T) {
	v := valveState{StartM: 0.075, StartN: 5, AskM: 0.077, Began: []begun{{0.077, 0.075, 0}}}
	for range 4 {
		v.stops(0.082, 0.006, false)
	}
	v.stops(0.081, 0.006, false)
	require.Equal(t, 0.075, v.StartM)
	v.stops(math.NaN(), 0.006, false)
	v.stops(0.072, 0.006, false)
	require.InDelta(t, 0.0653, v.StartM, 0.0001)
	v.stops(0.072, 0.006, false)
	v.stops(0.082, 0.006, false)
	require.InDelta(t, 0.0753, v.StartM, 0.0001)
	require.InDelta(t, 0.0773, v.AskM, 0.0001)
	require.InDelta(t, 0.0753, v.Began[0].BayM, 0.0001)
	v.stops(0.072, 0.006, true)
	require.InDelta(t, 0.0773, v.AskM, 0.0001)
}
