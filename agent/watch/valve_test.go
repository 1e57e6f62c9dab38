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
}

// A controller sees the chamber: while that still stands high behind a fill the bay asks for nothing, however
// low the account puts it.
func TestABayAsksByItsChamberToo(t *testing.T) {
	v := uncommanded(t, 6)
	y := v.w.bays[0]
	y.st.Valve.StartN, y.st.Valve.StartM = 5, 0.077
	y.look = water.Look{BayM: 0.070, SmoothM: 0.078, SetM: math.NaN()}
	asks, _ := y.asks(1000*hour, false)
	require.False(t, asks)
	y.look.SmoothM = 0.070
	asks, _ = y.asks(1000*hour, false)
	require.True(t, asks)
}

// A set point lowered unseen leaves a bay low as well, so a band and a half is asked for (4.5 mm); but as the
// controller closes a band is enough, for the day will take another. Between two fills the controller rests.
func TestABayIsForgottenABandAndAHalfUnderItsFills(t *testing.T) {
	const now = 1000 * hour
	for _, row := range []struct {
		name    string
		levelM  float64
		closing bool
		fills   int
		ran     int64
		asks    bool
	}{
		{"4 mm under", 0.073, false, 5, 12 * hour, false},
		{"5 mm under", 0.072, false, 5, 12 * hour, true},
		{"4 mm under as it closes", 0.073, true, 5, 12 * hour, true},
		{"2 mm under as it closes", 0.075, true, 5, 12 * hour, false},
		{"one fill seen, long ago", 0.072, false, 1, 12 * hour, true},
		{"filled just now", 0.072, false, 5, 50 * minute, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			y := uncommanded(t, 6).w.bays[0]
			y.st.Valve.StartN, y.st.Valve.StartM = row.fills, 0.077
			y.look = water.Look{BayM: row.levelM, SmoothM: row.levelM, SetM: math.NaN(), RunAt: now - row.ran}
			asks, _ := y.asks(now, row.closing)
			require.Equal(t, row.asks, asks)
		})
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
			b.st.Valve.StartN, b.st.Valve.StartM = 5, 0.077
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

// Where fills stop a centimetre lower than they did, they will begin a centimetre lower; a millimetre is none.
func TestWhereFillsStopTellsThatASetPointWasMoved(t *testing.T) {
	v := valveState{StartM: 0.075, StartN: 5}
	for range 4 {
		v.stops(0.082, 0.006)
	}
	v.stops(0.081, 0.006)
	require.Equal(t, 0.075, v.StartM)
	v.stops(math.NaN(), 0.006)
	v.stops(0.072, 0.006)
	require.InDelta(t, 0.0653, v.StartM, 0.0001)
	v.stops(0.072, 0.006)
	v.stops(0.082, 0.006)
	require.InDelta(t, 0.0753, v.StartM, 0.0001)
}
