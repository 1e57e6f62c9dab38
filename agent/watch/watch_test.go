package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"bayledger/agent/site"
	"bayledger/agent/water"
	"bayledger/agent/words"

	"github.com/stretchr/testify/require"
)

// world is two neighbouring bays written straight as formulas: porosity, a half sine of
// evaporation, a controller with a band, a chamber that leads. It shares nothing with the
// account's own model.
type world struct {
	s    *site.Site
	l    *water.Ledger
	w    *Watch
	t    time.Time
	rng  *rand.Rand
	bays [2]*tub
	main float64
	line float64 // m3/s lost before the bays
	step time.Duration
	late time.Duration // how long after its readings the tick comes
	out  []site.Finding
	// Which points follow the other bay's water.
	meters, levels bool
	// rain falls on both bays, m/s of water; what stands above the crest runs off.
	rain  float64
	crest float64
	pause time.Duration // the controllers' between two fills
	pulse float64       // the main meter's, m3
	// The main meter is read so many steps late.
	mainLate int
	mains    []float64
	// evening is what the clay of the first bay drinks from 18 to 21 hours, m3/s.
	evening float64
}

type tub struct {
	id          string
	h, lead     float64
	total       float64
	command     bool
	stuck, shut bool
	loss        float64 // m3/s
	gain        float64 // m3/s past the meter
	meterDead   bool
	frozen      float64 // level shown, NaN when alive
	drift       float64 // m
	set         float64
	opened      time.Time
	closed      time.Time
	silent      bool
	why         site.Why
}

func newWorld(t *testing.T, seed uint64, change func(*site.Site)) *world {
	t.Helper()
	nan := math.NaN()
	s := &site.Site{ID: "club", Zone: time.UTC, LatitudeDeg: 48, LongitudeDeg: 0, SupplyLowPa: nan, SupplyHighPa: nan, Revision: "r1", FalsePagesPerSeason: 0.03, Neighbours: [][2]string{{"A1", "A2"}}}
	for i := range s.MonthlyET {
		s.MonthlyET[i] = 0.0048
	}
	court := site.Court{ID: "A"}
	p := func(id, bay string, q site.Quantity, pulse float64) {
		s.Points = append(s.Points, site.Point{ID: id, Bay: bay, Quantity: q, Interval: 10 * time.Second, Min: nan, Max: nan, UStd: nan, Resolution: 0.0001, PulseM3: pulse, ModulusM3: nan, StartM3S: nan, MeterU: nan})
	}
	for _, id := range []string{"A1", "A2"} {
		court.Bays = append(court.Bays, site.Bay{ID: id, Court: "A", AreaM2: 100, CrestM: 0.110, OverflowM3S: nan, SetPointM: nan, BandM: 0.003, FillM3S: 30e-3 / 60,
			Layers: []site.Layer{{Name: "stone", DepthM: 0.1, DrainablePorosity: 0.25}, {Name: "clay", DepthM: 0.025, DrainablePorosity: 0.06, Surface: true}},
			Valve:  site.Valve{Travel: 10 * time.Second}})
		p(id+"-level", id, site.Level, nan)
		p(id+"-meter", id, site.Volume, 0.001)
		p(id+"-setpoint", id, site.SetPoint, nan)
		p(id+"-valve", id, site.ValveOpen, nan)
	}
	p("main", "", site.Volume, 0.010)
	s.Courts = []site.Court{court}
	if change != nil {
		change(s)
	}
	v := &world{s: s, t: time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC), rng: rand.New(rand.NewPCG(seed, 1)), step: 10 * time.Second, pulse: 0.010}
	v.l = water.New(s)
	v.w = New(s, v.l)
	for i, id := range []string{"A1", "A2"} {
		v.bays[i] = &tub{id: id, h: 0.079, set: 0.080, frozen: math.NaN()}
	}
	return v
}

// tick goes on by one step.
func (v *world) tick() []site.Finding {
	v.t = v.t.Add(v.step)
	dt := v.step.Seconds()
	hour := float64(v.t.Hour()) + float64(v.t.Minute())/60
	et := 0.0
	if hour > 6 && hour < 18 {
		et = 0.0045 * math.Pi / 24 / 3600 * math.Sin(math.Pi*(hour-6)/12)
	}
	mainFlow := v.line
	for i, b := range v.bays {
		open := b.command && !b.shut || b.stuck
		in := 0.0
		if open {
			in = 30e-3 / 60
		}
		mainFlow += in
		lost := b.loss
		if i == 0 && hour >= 18 && hour < 21 {
			lost += v.evening
		}
		b.h += dt * (in + b.gain + v.rain*100 - et*100 - lost) / 25
		if v.crest > 0 {
			b.h = min(b.h, v.crest)
		}
		b.lead += dt * (in/6 - b.lead/600)
		if !b.meterDead {
			b.total += dt * in
		}
		level := b.h + b.lead + b.drift + 0.0004*v.rng.NormFloat64()
		if !math.IsNaN(b.frozen) {
			level = b.frozen
		}
		shown, counted := level, b
		if other := v.bays[1-i]; v.levels {
			shown = other.h + other.lead + 0.0004*v.rng.NormFloat64()
		} else if v.meters {
			counted = other
		}
		if level < b.set-0.003 && !b.command && v.t.Sub(b.closed) >= v.pause {
			b.command, b.opened = true, v.t
		} else if level >= b.set && b.command {
			b.command, b.closed = false, v.t
		}
		command := 0.0
		if b.command {
			command = 1
		}
		send := func(id string, x float64) {
			q, why := site.Good, site.WhyNone
			if b.silent || id == b.id+"-level" && b.why != "" {
				q, why, x = site.Bad, site.WhyTimeout, math.NaN()
				if b.why != "" {
					why = b.why
				}
			}
			x0 := site.Sample{Point: id, Time: v.t, Value: x, Quality: q, Why: why}
			v.l.Sample(x0)
			v.w.Sample(x0)
		}
		send(b.id+"-level", math.Round(shown*1e4)/1e4)
		send(b.id+"-meter", math.Floor(counted.total*1000)/1000)
		send(b.id+"-setpoint", b.set)
		send(b.id+"-valve", command)
	}
	v.main += dt * mainFlow
	v.mains = append(v.mains, v.main)
	shown := v.mains[max(0, len(v.mains)-1-v.mainLate)]
	x := site.Sample{Point: "main", Time: v.t, Value: math.Floor(shown/v.pulse) * v.pulse}
	v.l.Sample(x)
	v.w.Sample(x)
	v.l.Tick(v.t.Add(v.late))
	v.out = v.w.Tick(v.t.Add(v.late))
	return v.out
}

// until runs for at most d and returns how long it took until the finding held, or -1.
func (v *world) until(d time.Duration, k site.Kind, bay string) time.Duration {
	from := v.t
	for end := v.t.Add(d); v.t.Before(end); {
		for _, f := range v.tick() {
			if f.Kind == k && f.Bay == bay {
				return v.t.Sub(from)
			}
		}
	}
	return -1
}

// quiet runs for d and fails on any finding.
func (v *world) quiet(t *testing.T, d time.Duration) {
	t.Helper()
	for end := v.t.Add(d); v.t.Before(end); {
		if fs := v.tick(); len(fs) > 0 {
			t.Fatalf("%s: %s/%s: %s", v.t, fs[0].Bay, fs[0].Kind, said(fs[0].Because))
		}
	}
}

func has(fs []site.Finding, k site.Kind, bay string) *site.Finding {
	for i := range fs {
		if fs[i].Kind == k && fs[i].Bay == bay {
			return &fs[i]
		}
	}
	return nil
}

func TestACleanFortnightSaysNothing(t *testing.T) {
	v := newWorld(t, 3, nil)
	v.step = 30 * time.Second
	v.quiet(t, 7*24*time.Hour)
	v.bays[0].set = 0.085 // somebody moves a set point
	v.quiet(t, 24*time.Hour)
	v.bays[0].set = 0.070
	v.quiet(t, 3*24*time.Hour)
	v.bays[1].h += 0.004 // and somebody a hose, unrecorded
	v.quiet(t, 3*24*time.Hour)
}

func TestValveStuckOpenIsToldAtOnce(t *testing.T) {
	v := newWorld(t, 5, nil)
	v.quiet(t, 8*time.Hour)
	for !v.bays[0].command {
		v.tick()
	}
	v.bays[0].stuck = true
	for v.bays[0].command {
		v.tick()
	}
	shut := v.t
	require.NotEqual(t, time.Duration(-1), v.until(5*time.Minute, site.ValveStuckOpen, "A1"))
	// Travel of ten seconds (its own fills have taught no more), two pulses of a litre at 30 L/min
	// and two polls, each rounded up to the tick.
	require.LessOrEqual(t, v.t.Sub(shut), 10*time.Second+4*time.Second+2*10*time.Second+2*10*time.Second)
	f := has(v.out, site.ValveStuckOpen, "A1")
	require.InDelta(t, 30e-3/60, f.RateM3S, 3e-5)
	require.Contains(t, said(f.Because), "told to shut")
	require.Less(t, f.ToCrest, 4*time.Hour)
	require.Nil(t, has(v.out, site.ValveStuckOpen, "A2"))

	// Twenty minutes in which nothing of the bay is read: the same finding, its litres going on.
	since, before := f.Since, f.VolumeM3
	v.bays[0].silent = true
	for end := v.t.Add(20 * time.Minute); v.t.Before(end); {
		v.tick()
		require.NotNil(t, has(v.out, site.ValveStuckOpen, "A1"), "nobody has seen it stop")
	}
	v.bays[0].silent = false
	v.tick()
	v.tick()
	f = has(v.out, site.ValveStuckOpen, "A1")
	require.NotNil(t, f)
	require.Equal(t, since, f.Since)
	require.InDelta(t, before+20*30e-3, f.VolumeM3, 0.05)

	v.bays[0].stuck = false
	for end := v.t.Add(2 * time.Minute); v.t.Before(end); {
		v.tick()
	}
	require.Nil(t, has(v.out, site.ValveStuckOpen, "A1"), "it ends when no water has run for two pulses' time")
}

// TestAValveThatOpensByItselfIsToldByItsReadings: the travel counts from the reading that showed
// water, which stands up to a poll before the tick that takes it.
func TestAValveThatOpensByItselfIsToldByItsReadings(t *testing.T) {
	v := newWorld(t, 5, func(s *site.Site) {
		for i := range s.Points {
			s.Points[i].Interval = 20 * time.Second
		}
		s.Courts[0].Bays[0].Valve.Travel = 20 * time.Second
	})
	v.step, v.late = 20*time.Second, 10*time.Second
	v.quiet(t, 10*time.Hour)
	for v.bays[0].command || v.t.Sub(v.bays[0].closed) < 5*time.Minute {
		v.tick()
	}
	v.bays[0].stuck = true
	v.tick()
	felt := v.t
	require.NotEqual(t, time.Duration(-1), v.until(5*time.Minute, site.ValveStuckOpen, "A1"))
	require.LessOrEqual(t, v.t.Add(v.late).Sub(felt), 20*time.Second+4*time.Second+2*20*time.Second, "travel, two pulses and two polls")
}

func TestValveStuckOpenWithoutACommand(t *testing.T) {
	v := newWorld(t, 6, func(s *site.Site) {
		var keep []site.Point
		for _, p := range s.Points {
			if p.Quantity != site.ValveOpen {
				keep = append(keep, p)
			}
		}
		s.Points = keep
	})
	v.quiet(t, 30*time.Hour)
	for !v.bays[0].command {
		v.tick()
	}
	v.bays[0].stuck = true
	for v.bays[0].command {
		v.tick()
	}
	d := v.until(10*time.Minute, site.ValveStuckOpen, "A1")
	require.Greater(t, d, time.Duration(0))
	require.LessOrEqual(t, d, 5*time.Minute)
}

// A set point that was moved up unseen looks like a stuck valve: the fill stopped by itself, though, and
// those that follow go no further.
func TestASetPointMovedUpUnseenIsNotToldForDays(t *testing.T) {
	v := newWorld(t, 6, func(s *site.Site) {
		s.Points = slices.DeleteFunc(s.Points, func(p site.Point) bool { return p.Quantity == site.ValveOpen || p.Quantity == site.SetPoint })
	})
	v.step = 30 * time.Second
	v.quiet(t, 3*24*time.Hour)
	v.bays[0].set = 0.101
	n := v.kinds(10 * 24 * time.Hour)
	require.LessOrEqual(t, n[site.ValveStuckOpen], 3, "%v", n)
}

// Water that no meter counts lifts a bay out of its band: a valve that has stuck behind a dead meter, a
// hose left running. It is told while there is time, with the time until the overflow runs; what lifts
// a bay by a few millimetres and stops is not.
func TestABayThatIsOverfilledUncounted(t *testing.T) {
	v := newWorld(t, 12, nil)
	v.quiet(t, 30*time.Hour)
	v.bays[1].h += 0.006
	require.Equal(t, time.Duration(-1), v.until(6*time.Hour, site.Overfill, "A2"))
	v.bays[0].gain = 12e-3 / 60
	d := v.until(3*time.Hour, site.Overfill, "A1")
	require.NotEqual(t, time.Duration(-1), d)
	room := (0.110 - v.bays[0].h) * 25 / (12e-3 / 60)
	require.Greater(t, room, 20*60.0, "seconds in which somebody can go there")
	f := has(v.out, site.Overfill, "A1")
	require.InDelta(t, 12e-3/60, f.RateM3S, 0.5*12e-3/60)
	require.Equal(t, site.LevelSensorFault, f.OrKind)
	require.InDelta(t, room, f.ToCrest.Seconds(), 0.6*room)
}

// 300 L put on by hand at the upper end of its band soak in, more and more slowly, and the overflow is not what
// waits for them.
func TestAHoseThatWasTakenAwayOverfillsNothing(t *testing.T) {
	v := newWorld(t, 12, nil)
	v.quiet(t, 30*time.Hour)
	v.bays[1].h = 0.086
	v.quiet(t, time.Hour)
	const soaks = 1800.0 // s
	for at := 0.0; at < 4*3600; at += v.step.Seconds() {
		v.bays[1].gain = 0.3 / soaks * math.Exp(-at/soaks)
		require.Nil(t, has(v.tick(), site.Overfill, "A2"), "%v s after the hose", at)
	}
}

// A set point lowered unseen leaves the readings of a valve that stays shut: what is told says where
// to look first.
func TestASetPointLoweredUnseenIsLookedAtFirst(t *testing.T) {
	v := newWorld(t, 6, func(s *site.Site) {
		s.Points = slices.DeleteFunc(s.Points, func(p site.Point) bool { return p.Quantity == site.ValveOpen || p.Quantity == site.SetPoint })
	})
	v.step = 30 * time.Second
	v.quiet(t, 3*24*time.Hour)
	v.bays[0].set -= 0.012
	require.NotEqual(t, time.Duration(-1), v.until(5*24*time.Hour, site.ValveStuckClosed, "A1"))
	f := has(v.out, site.ValveStuckClosed, "A1")
	require.Contains(t, fmt.Sprint(f.WouldDecide), "Look at the set point first")
	require.LessOrEqual(t, f.Confidence, 0.7)
}

func TestValveStuckClosedAndNoSupply(t *testing.T) {
	v := newWorld(t, 7, nil)
	v.quiet(t, 10*time.Hour)
	v.bays[0].shut = true
	for !v.bays[0].command {
		v.tick()
	}
	d := v.until(30*time.Minute, site.ValveStuckClosed, "A1")
	require.Greater(t, d, 2*time.Minute)
	require.LessOrEqual(t, d, 5*time.Minute)
	require.NotContains(t, fmt.Sprint(has(v.out, site.ValveStuckClosed, "A1").WouldDecide), "set point", "its command is read")
	v.bays[1].shut = true
	require.NotEqual(t, time.Duration(-1), v.until(3*time.Hour, site.NoSupply, ""), "both ask and none gets")
	f := has(v.out, site.NoSupply, "")
	require.ElementsMatch(t, []string{"A1", "A2"}, f.Bays)
	v.bays[0].shut, v.bays[1].shut = false, false
	for range 30 {
		v.tick()
	}
	require.Nil(t, has(v.out, site.NoSupply, ""))
	require.Nil(t, has(v.out, site.ValveStuckClosed, "A1"))
}

// Water that ran into an outage has come, whenever the outage begins and however long it is.
func TestAnOutageInAFillIsNoStuckValve(t *testing.T) {
	v := newWorld(t, 8, nil)
	v.quiet(t, 10*time.Hour)
	v.bays[0].set = 0.110
	for !v.bays[0].command {
		v.tick()
	}
	v.until(4*time.Minute, site.ValveStuckClosed, "A1")
	require.True(t, v.bays[0].command, "it is still being filled")
	v.bays[0].silent = true
	require.Equal(t, time.Duration(-1), v.until(40*time.Minute, site.ValveStuckClosed, "A1"))
	v.bays[0].silent = false
	require.Equal(t, time.Duration(-1), v.until(time.Hour, site.ValveStuckClosed, "A1"))
}

// A bay that was low when its readings stopped is not called dry for what nobody heard; when they are
// back and it is still low, its time begins.
func TestABayIsNotCalledDryWhileNobodyHearsIt(t *testing.T) {
	v := newWorld(t, 9, nil)
	v.quiet(t, 10*time.Hour)
	v.bays[0].shut, v.bays[0].h = true, 0.070 // ten millimetres low
	v.bays[0].command = false
	v.until(40*time.Minute, site.Drying, "A1")
	v.bays[0].silent = true
	require.Equal(t, time.Duration(-1), v.until(5*time.Hour, site.Drying, "A1"))
	v.bays[0].silent = false
	d := v.until(5*time.Hour, site.Drying, "A1")
	require.GreaterOrEqual(t, d, time.Hour)
}

func TestPointsThatFollowAnotherBaysWater(t *testing.T) {
	for name, mix := range map[string]func(*world){
		"meters": func(v *world) { v.meters = true },
		"levels": func(v *world) { v.levels = true },
	} {
		t.Run(name, func(t *testing.T) {
			v := newWorld(t, 21, nil)
			if name == "levels" {
				v.bays[1].set, v.bays[1].h = 0.010, 0.095 // it has water for days
			}
			v.quiet(t, 2*24*time.Hour)
			mix(v)
			found := time.Duration(-1)
			for from, end := v.t, v.t.Add(36*time.Hour); v.t.Before(end) && found < 0; {
				for _, f := range v.tick() {
					if f.Kind == site.WiringMismatch {
						found = v.t.Sub(from)
						require.ElementsMatch(t, []string{"A1", "A2"}, f.Bays)
					}
					require.NotEqual(t, site.ValveStuckOpen, f.Kind, said(f.Because))
				}
			}
			require.Greater(t, found, time.Duration(0))
		})
	}
}

// kinds counts how often each kind of finding begins while the world goes on for d.
func (v *world) kinds(d time.Duration) map[site.Kind]int {
	n, held := map[site.Kind]int{}, map[site.Key]bool{}
	for _, f := range v.out {
		held[f.Key()] = true
	}
	for end := v.t.Add(d); v.t.Before(end); {
		now := map[site.Key]bool{}
		for _, f := range v.tick() {
			if now[f.Key()] = true; !held[f.Key()] {
				n[f.Kind]++
			}
		}
		held = now
	}
	return n
}

// TestAWeekLaterADayOfTheWeekIsNotEnough: "since Thursday" is this Thursday.
func TestAWeekLaterADayOfTheWeekIsNotEnough(t *testing.T) {
	v := newWorld(t, 1, nil)
	thursday := time.Date(2026, 7, 30, 17, 16, 0, 0, time.UTC)
	for _, x := range []struct {
		later time.Duration
		says  string
	}{{5 * 24 * time.Hour, "Thu 17:16"}, {6*24*time.Hour + 7*time.Hour, "Thu 30 Jul 17:16"}} {
		v.w.st.Now = thursday.Add(x.later).UnixMilli()
		require.Equal(t, x.says, said(site.Say("%s", v.w.when(thursday.UnixMilli()))))
	}
}

// TestSteady: a loss through two parts of a stretch is their weighted least squares.
func TestSteady(t *testing.T) {
	part := func(hours, nu, s float64) *water.Window {
		return &water.Window{Closed: water.Closed{Hours: hours}, Nu: nu, S: s}
	}
	rate, u, llr := steady(part(1, 100, 100), part(2, 200, 400), 500)
	require.InDeltaSlice(t, []float64{100, math.Sqrt(50), 100}, []float64{rate, u, llr}, 1e-9, "each says a hundred")
	rate, u, llr = steady(part(1, 100, 100), part(2, -500, 1e12), 100+1e12)
	require.InDeltaSlice(t, []float64{100, 10, 50}, []float64{rate, u, llr}, 1e-3, "what the second part does not know takes nothing from the first")
	// What the level between them is wrong by goes from one to the other; of their sum it is no part.
	rate, u, _ = steady(part(1, 90, 100), part(1, 10, 100), 20)
	require.InDeltaSlice(t, []float64{50, math.Sqrt(20) / 2}, []float64{rate, u}, 1e-9)
	_, _, llr = steady(part(1, -90, 100), part(1, -10, 100), 200)
	require.Zero(t, llr, "a gain is no loss")
}

// What a bay that is not heard takes meanwhile is nobody's meter's fault, nor a loss on the line, nor
// does a fill of which half was heard show a chamber that lags.
func TestOutagesAreNobodysFault(t *testing.T) {
	v := newWorld(t, 12, nil)
	v.step = 30 * time.Second
	v.quiet(t, 4*24*time.Hour)
	seen := map[site.Kind]int{}
	for range 12 {
		v.bays[1].silent = true
		for k, n := range v.kinds(5 * time.Hour) {
			seen[k] += n
		}
		v.bays[1].silent = false
		for k, n := range v.kinds(7 * time.Hour) {
			seen[k] += n
		}
	}
	require.Equal(t, map[site.Kind]int{site.NoData: 12}, seen)
}

func TestDeadMeter(t *testing.T) {
	v := newWorld(t, 11, nil)
	v.quiet(t, 8*time.Hour)
	v.bays[0].meterDead = true
	for !v.bays[0].command {
		v.tick()
	}
	d := v.until(10*time.Hour, site.MeterFault, "A1")
	require.Greater(t, d, time.Duration(0))
	require.Equal(t, "A1-meter", has(v.out, site.MeterFault, "A1").Subject)
	require.Zero(t, v.kinds(12 * time.Hour)[site.SupplyLineLeak], "the water went to the bay")
	require.Nil(t, has(v.out, site.MeterFault, "A2"))
}

func TestFrozenSensorIsJudgedByWhatShouldHaveMovedIt(t *testing.T) {
	v := newWorld(t, 12, nil)
	v.quiet(t, 22*time.Hour)
	// Frozen at night, above the band: nothing is let in and nothing should move, so all is well.
	v.bays[0].frozen = 0.0785
	v.quiet(t, 4*time.Hour)
	// Frozen below the band, the controller fills on: ten minutes of water are the limit.
	v.bays[0].frozen = 0.0755
	d := v.until(12*time.Minute, site.LevelSensorFault, "A1")
	require.Greater(t, d, time.Duration(0))
	f := has(v.out, site.LevelSensorFault, "A1")
	require.Equal(t, "A1-level", f.Subject)
	v.bays[0].frozen = math.NaN()
	v.tick()
	v.tick()
	require.Nil(t, has(v.out, site.LevelSensorFault, "A1"))
}

func TestFailedSensorAndSilentUnit(t *testing.T) {
	v := newWorld(t, 13, nil)
	v.quiet(t, 2*time.Hour)
	v.bays[0].why = site.WhyLoopFault
	d := v.until(5*time.Minute, site.LevelSensorFault, "A1")
	require.Greater(t, d, 30*time.Second)
	require.LessOrEqual(t, d, 2*time.Minute)
	require.Nil(t, has(v.out, site.NoData, "A1"), "the sensor itself said so")
	v.bays[1].silent = true
	d = v.until(5*time.Minute, site.NoData, "A2")
	require.Greater(t, d, time.Minute)
	require.LessOrEqual(t, d, 150*time.Second)
}

func TestRestoreOfBothGoesOnAsIfNeverStopped(t *testing.T) {
	v := newWorld(t, 14, nil)
	v.step = 30 * time.Second
	v.quiet(t, 26*time.Hour)
	v.bays[0].loss = 60e-3 / 3600
	for range 8 {
		a, err := v.l.Snapshot()
		require.NoError(t, err)
		b, err := v.w.Snapshot()
		require.NoError(t, err)
		l := water.New(v.s)
		require.NoError(t, l.Restore(a))
		w := New(v.s, l)
		require.NoError(t, w.Restore(b))
		rec := &twin{l: v.l, w: v.w}
		v.l, v.w = l, w
		for range 400 {
			rec.follow(v)
		}
		x, err := v.w.Snapshot()
		require.NoError(t, err)
		y, err := rec.w.Snapshot()
		require.NoError(t, err)
		require.Equal(t, x, y)
	}
	require.ErrorIs(t, v.w.Restore([]byte("no")), ErrSnapshot)
}

// twin is a second ledger and watch fed with the same readings.
type twin struct {
	l *water.Ledger
	w *Watch
}

// follow lets the world go on by one step with the same dice, first for the twin on a copy of the
// bays, then for the world's own pair.
func (r *twin) follow(v *world) {
	seed := v.rng.Uint64()
	other := *v
	bays := [2]tub{*v.bays[0], *v.bays[1]}
	other.bays = [2]*tub{&bays[0], &bays[1]}
	other.l, other.w = r.l, r.w
	other.rng = rand.New(rand.NewPCG(seed, 2))
	v.rng = rand.New(rand.NewPCG(seed, 2))
	other.tick()
	v.tick()
}

func TestAbleSaysWhatIsMissing(t *testing.T) {
	v := newWorld(t, 1, nil)
	all := Able(v.s, "A1")
	require.NotEmpty(t, all)
	for _, a := range all {
		_, known := a.Kind.Info()
		require.True(t, known, a.Kind)
		require.Equal(t, a.Can, a.Needs == "", "what can be found needs nothing, what cannot names what would: %s", a.Kind)
		require.True(t, a.Can || a.Sharper == "", a.Kind)
	}
	require.NotEmpty(t, Inseparable(v.s, "A1"))
	require.Contains(t, Inseparable(v.s, "A1")[0], "main meter while this valve alone is open")
	bare := newWorld(t, 1, func(s *site.Site) {
		s.Points = []site.Point{{ID: "A1-level", Bay: "A1", Quantity: site.Level}}
	})
	for _, a := range Able(bare.s, "A1") {
		switch a.Kind {
		case site.ValveStuckOpen, site.MeterFault, site.LowFlow, site.SlowChamber, site.Leak, site.UnexplainedLoss, site.Overfill, site.Drying:
			require.False(t, a.Can, a.Kind)
		case site.OverflowFault, site.LevelSensorFault, site.NoData:
			require.True(t, a.Can, a.Kind)
		}
	}
	require.Nil(t, Able(v.s, "nobody"))
}

func TestExplainAlwaysHasAnAnswer(t *testing.T) {
	v := newWorld(t, 2, nil)
	lines, ok := v.w.Explain("A1")
	require.True(t, ok)
	require.NotEmpty(t, lines)
	v.quiet(t, 2*time.Hour)
	lines, ok = v.w.Explain("A1")
	require.True(t, ok)
	require.Contains(t, lines, site.Say("Nothing holds."))
	_, ok = v.w.Explain("nobody")
	require.False(t, ok)
}

// TestDeadBand: the larger of three noise sigmas and half the fill band, or what the site file
// gives the bay; an alarm of the level that stands is over only beyond it.
func TestDeadBand(t *testing.T) {
	for _, row := range []struct {
		name             string
		noise, band, own float64
		want             float64
	}{
		{"half the band", 0.0005, 0.006, math.NaN(), 0.003},
		{"three sigmas", 0.0015, 0.006, math.NaN(), 0.0045},
		{"the site file's", 0.0015, 0.006, 0.008, 0.008},
		{"a noise that is none of a sensor's does not count whole", 0.050, 0.006, math.NaN(), 0.009},
	} {
		y := &bay{b: &site.Bay{BandM: row.band, DeadBandM: row.own}}
		y.look.NoiseM = row.noise
		require.InDelta(t, row.want, y.deadBand(), 1e-12, row.name)
	}

	v := newWorld(t, 1, func(s *site.Site) { s.Bay("A1").DeadBandM = 0.010; s.Bay("A2").DeadBandM = 0 })
	// The set point is 80 mm and the band 3 mm: too low is under 73 mm, too high over 86 mm with the
	// millimetre that is always unsure. Known to nothing better, A2 has a dead band of 1.5 mm.
	for _, row := range []struct {
		name      string
		bay       int
		level     float64
		low, high bool // what still stands
	}{
		{"A1 back in its band, not by the dead band", 0, 0.080, true, true},
		{"A1 above its lower limit by the dead band", 0, 0.0835, false, true},
		{"A1 below its upper limit by the dead band", 0, 0.0755, true, false},
		{"A2 back in its band", 1, 0.080, false, false},
	} {
		y := v.w.bays[row.bay]
		y.look = water.Look{Now: 1000 * hour, BayM: row.level, SetM: 0.080, SetBefore: math.NaN(), SmoothM: row.level, HabitStopM: math.NaN(), LevelAt: 1000 * hour}
		y.st.Level.Low, y.st.Level.High = true, true
		y.st.Level.LowAt, y.st.Level.HighAt, y.st.Level.InBandAt = 998*hour, 998*hour, 990*hour
		v.w.levels(y, y.look.Now)
		require.Equal(t, row.low, y.st.Level.Low, row.name)
		require.Equal(t, row.high, y.st.Level.High, row.name)
	}
}

// said is what people are told, in English.
func said(p site.Phrase) string { return words.Of(nil).Speak(p) }
