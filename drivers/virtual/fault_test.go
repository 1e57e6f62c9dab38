package virtual

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// Every kind of fault does something that can be felt, after it began and while it lasted, and
// the model is as if it had never been before it begins.
func TestEveryFaultIsFelt(t *testing.T) {
	for _, info := range FaultKinds {
		t.Run(string(info.Kind), func(t *testing.T) {
			t.Parallel()
			c := Default()
			c.Step = Span(5 * time.Second)
			from := c.Start.Add(90 * time.Minute)
			fault := Fault{Kind: info.Kind, From: from}
			require.NoError(t, fault.SetPlace(map[scope]string{ofBay: "A2", ofPair: "A2+A3", ofSite: "site", ofUnit: "1"}[info.scope]))
			// A day with fills, and for the overflow's faults a reason to run.
			if info.Kind == OverflowBlocked {
				c.Faults = append(c.Faults, Fault{Kind: StuckOpen, Bay: "A2", From: from})
			}
			without := newField(t, c)
			c.Faults = append(c.Faults, fault)
			with := newField(t, c)
			mine := len(c.Faults) - 1
			without.Advance(from)
			with.Advance(from)
			require.Equal(t, fmt.Sprint(without.Samples(nil)), fmt.Sprint(with.Samples(nil)), "before it begins nothing is different")
			require.Zero(t, with.Onsets()[mine].Effect)

			with.Advance(from.Add(22 * time.Hour))
			o := with.Onsets()[mine]
			require.Equal(t, from, o.Begun)
			require.False(t, o.Effect.IsZero(), "never felt")
			require.False(t, o.Effect.Before(o.Begun))
			without.Advance(from.Add(22 * time.Hour))
			require.NotEqual(t, fmt.Sprint(without.Samples(nil)), fmt.Sprint(with.Samples(nil)), "it changes what is read")
		})
	}
}

// A valve that sticks open runs until the fault ends, whatever the controller says; its true
// onset is the moment the water runs that nobody asked for.
func TestStuckOpen(t *testing.T) {
	c := Default()
	from, to := c.Start.Add(7*time.Hour+40*time.Minute), c.Start.Add(9*time.Hour)
	c.Faults = []Fault{{Kind: StuckOpen, Bay: "A2", From: from, To: to}}
	f := newField(t, c)
	f.Advance(from.Add(-time.Second))
	before := truth(t, f, "A2")
	f.Advance(to)
	d := truth(t, f, "A2").Since(before)
	require.InEpsilon(t, 26*lpm*4800, d.Filled, 0.06)
	v, q, _ := f.Read("A2-valve")
	require.Equal(t, site.Good, q)
	require.Zero(t, v, "the command says shut")
	require.WithinDuration(t, from, f.Onsets()[0].Effect, 2*time.Second)
	f.Advance(to.Add(30 * time.Second))
	flow, _, _ := f.Read("A2-flow")
	require.Zero(t, flow)
}

// A dead meter registers nothing of what truly runs, a wrong one its share, a creeping one what
// does not run; weeping runs below the meter's starting flow.
func TestMetersTellWhatTheirFaultLetsThem(t *testing.T) {
	spanned := func(fault ...Fault) Account {
		c := Default()
		c.Step = Span(4 * time.Second)
		c.Faults = fault
		f := newField(t, c)
		f.Advance(c.Start.Add(26 * time.Hour))
		return truth(t, f, "A1")
	}
	good := spanned()
	require.Greater(t, good.Filled, 0.1)
	require.InEpsilon(t, good.Filled*1.006, good.Registered, 1e-3, "the meter's own error; it starts at 25 L/h, so no more than the valve's travel is lost")
	require.Zero(t, spanned(Fault{Kind: MeterDead, Bay: "A1"}).Registered)
	wrong := spanned(Fault{Kind: MeterWrong, Bay: "A1", Size: -20})
	require.InEpsilon(t, wrong.Filled*1.006*0.8, wrong.Registered, 1e-3)
	creep := spanned(Fault{Kind: MeterCreep, Bay: "A1", Size: 5})
	require.InEpsilon(t, creep.Filled*1.006+0.005*26, creep.Registered, 1e-3)
	weep := spanned(Fault{Kind: Weeping, Bay: "A1", Size: 12})
	require.Greater(t, weep.Filled-weep.Registered/1.006, 0.9*0.012*26*0.9, "what weeps is not registered")
}

// A frozen sensor stands still while water moves; one out of range says so in each form's way; a
// drifting one drifts at its rate and a new one does not.
func TestSensorFaults(t *testing.T) {
	c := Default()
	c.Step = Span(5 * time.Second)
	from, to := c.Start.Add(time.Hour), c.Start.Add(25*time.Hour)
	c.Faults = []Fault{
		{Kind: SensorFrozen, Bay: "A1", From: from, To: to},
		{Kind: SensorOut, Bay: "A2", From: from, To: to},
		{Kind: SensorOut, Bay: "B1", From: from, To: to},
		{Kind: SensorOut, Bay: "B3", From: from, To: to},
		{Kind: SensorDrift, Bay: "B2", From: from, To: to, Size: 4},
	}
	f := newField(t, c)
	f.Advance(from)
	frozen, _, _ := f.Read("A1-level")
	f.Advance(to.Add(-5 * time.Second))
	v, q, _ := f.Read("A1-level")
	require.Equal(t, frozen, v)
	require.Equal(t, site.Good, q, "a frozen reading looks good")
	require.Greater(t, math.Abs(frozen-f.bays[0].chamberM), 0.001, "while the water has moved")
	for point, why := range map[string]site.Why{"A2-level": site.WhySentinel, "B1-level": site.WhySentinel, "B3-level": site.WhyLoopFault} {
		v, q, w := f.Read(point)
		require.True(t, math.IsNaN(v), point)
		require.Equal(t, site.Bad, q, point)
		require.Equal(t, why, w, point)
	}
	s := &f.bays[4].sensor
	require.InDelta(t, 0.004, s.readM-s.wouldM, 1e-4, "4 mm a day")
	f.Advance(to.Add(time.Minute))
	for _, p := range []string{"A1-level", "A2-level", "B1-level", "B3-level"} {
		v, q, _ := f.Read(p)
		require.Equal(t, site.Good, q, p)
		require.InDelta(t, f.bays[f.index[p[:2]]].chamberM, v, 0.004, p)
	}
	require.InDelta(t, 0, s.readM-s.wouldM, 1e-4, "the new sensor does not drift")
}

// Points on each other's terminals: what bay A2 does shows at A3's registers, and back.
func TestSwaps(t *testing.T) {
	c := quiet()
	c.Courts[0].Bays[1].LevelM, c.Courts[0].Bays[2].LevelM = 0.05, 0.08
	at := c.Start.Add(10 * time.Minute)
	c.Acts = append(c.Acts, Act{Kind: ManualOpen, Bay: "A2", At: at, Until: at.Add(time.Hour)})
	show := func(kind FaultKind) (flowA2, flowA3, levelA2, levelA3 float64, runs string) {
		c.Faults = nil
		if kind != "" {
			c.Faults = []Fault{{Kind: kind, Bay: "A2", Other: "A3"}}
		}
		f := newField(t, c)
		f.Advance(at.Add(time.Minute))
		flowA2, _, _ = f.Read("A2-flow")
		flowA3, _, _ = f.Read("A3-flow")
		levelA2, _, _ = f.Read("A2-level")
		levelA3, _, _ = f.Read("A3-level")
		for _, b := range f.bays {
			if b.valve.flow > 0 {
				runs += b.cfg.ID
			}
		}
		return flowA2, flowA3, levelA2, levelA3, runs
	}
	a, b, la, lb, runs := show("")
	require.Greater(t, a, 0.0)
	require.Zero(t, b)
	require.Less(t, la, lb)
	require.Equal(t, "A2", runs)
	a, b, _, _, runs = show(SwapMeters)
	require.Zero(t, a)
	require.Greater(t, b, 0.0)
	require.Equal(t, "A2", runs)
	_, _, la, lb, _ = show(SwapLevels)
	require.Greater(t, la, lb)
	a, b, _, _, runs = show(SwapValves)
	require.Zero(t, a)
	require.Greater(t, b, 0.0)
	require.Equal(t, "A3", runs)
}

// Supply: what the line gives falls with flow by the stated sag, a lost supply gives nothing, a
// low one the root of its share, and a leak runs between the main meter and the bays'.
func TestSupply(t *testing.T) {
	run := func(fault ...Fault) (*Field, float64, float64) {
		c := quiet()
		c.Supply.WanderPa = 0
		at := c.Start.Add(time.Minute)
		c.Acts = append(c.Acts, Act{Kind: ManualOpen, Bay: "B3", At: at, Until: at.Add(time.Hour)})
		c.Faults = fault
		f := newField(t, c)
		f.Advance(at.Add(-time.Second))
		idle := f.pressurePa
		f.Advance(at.Add(time.Minute))
		return f, idle, f.pressurePa
	}
	f, idle, filling := run()
	require.InDelta(t, 320e3, idle, 1)
	flow := f.bays[5].valve.flow
	mean := 0.0
	for _, b := range f.bays {
		mean += b.cfg.FillM3S / 6
	}
	require.InDelta(t, 30e3*flow*flow/mean/mean, idle-filling, 1, "the sag goes with the square of the flow")
	require.InEpsilon(t, 31*lpm*math.Sqrt(filling/290e3), flow, 1e-9)
	shown, _, _ := f.Read("pressure")
	require.InDelta(t, filling, shown, 1500)

	f, idle, _ = run(Fault{Kind: SupplyLost})
	require.Zero(t, idle)
	require.Zero(t, f.bays[5].valve.flow)
	f, idle, filling = run(Fault{Kind: PressureLow, Size: 25})
	require.InDelta(t, 80e3, idle, 1)
	require.InEpsilon(t, 31*lpm*math.Sqrt(filling/290e3), f.bays[5].valve.flow, 1e-9)
	f, idle, _ = run(Fault{Kind: LineLeak, Size: 60})
	require.InEpsilon(t, 60*lph*math.Sqrt(idle/290e3), f.Supply().Leaked/f.Now().Sub(f.cfg.Start).Seconds(), 0.05)
	require.InEpsilon(t, f.mainFlow, f.bays[5].valve.flow+60*lph*math.Sqrt(f.pressurePa/290e3), 1e-9)
}

// Another use of the line takes its flow, and the pressure falls by the sag of all that runs;
// one that asks for more than there is takes it all and leaves no pressure.
func TestOtherUseOfTheLine(t *testing.T) {
	c := quiet()
	c.Supply.WanderPa = 0
	at := c.Start.Add(time.Minute)
	c.Acts = append(c.Acts, Act{Kind: ManualOpen, Bay: "A1", At: at, Until: at.Add(time.Hour)})
	c.Supply.Draws = []Draw{{From: c.Start, To: at.Add(time.Hour), M3S: 25 * lpm}, {From: at.Add(30 * time.Minute), To: at.Add(time.Hour), M3S: 1}}
	f := newField(t, c)
	sag := func(flow float64) float64 { return 320e3 - f.drag*flow*flow }
	f.Advance(at.Add(-2 * time.Second))
	require.InDelta(t, sag(25*lpm), f.pressurePa, 1)
	require.InEpsilon(t, 25*lpm, f.mainFlow, 1e-12)
	f.Advance(at.Add(time.Minute))
	require.InDelta(t, sag(25*lpm+f.bays[0].valve.flow), f.pressurePa, 1)
	require.InEpsilon(t, 29*lpm*math.Sqrt(f.pressurePa/290e3), f.bays[0].valve.flow, 1e-9)
	f.Advance(at.Add(31 * time.Minute))
	require.Less(t, f.pressurePa, 1.0)
	require.InDelta(t, 0, sag(f.mainFlow), 1)
}

// Faults set while the model runs begin at that moment and end when they are cleared; a bad one
// is refused with all that is wrong.
func TestSetAndClear(t *testing.T) {
	f := newField(t, Default())
	f.Advance(f.cfg.Start.Add(time.Hour))
	require.NoError(t, f.SetFault(Fault{Kind: LinerLeak, Bay: "B2", Size: 30}))
	require.NoError(t, f.SetFault(Fault{Kind: UnitSilent, Unit: 11}))
	f.Advance(f.Now().Add(time.Hour))
	require.Greater(t, truth(t, f, "B2").Leaked, 0.0)
	_, _, why := f.Read("temp")
	require.Equal(t, site.WhyTimeout, why)
	require.Equal(t, 1, f.Clear("B2"))
	require.Equal(t, 0, f.Clear("B2"))
	was := truth(t, f, "B2").Leaked
	f.Advance(f.Now().Add(time.Hour))
	require.Equal(t, was, truth(t, f, "B2").Leaked)
	require.Equal(t, 1, f.Clear(""))
	f.Advance(f.Now().Add(time.Second))
	_, q, _ := f.Read("temp")
	require.Equal(t, site.Good, q)

	for name, bad := range map[string]Fault{
		"no such kind":         {Kind: "gremlins", Bay: "A1"},
		"no such bay":          {Kind: LinerLeak, Bay: "Z9"},
		"one bay for a pair":   {Kind: Seepage, Bay: "A1", Other: "A1"},
		"no such unit":         {Kind: UnitSilent, Unit: 77},
		"ends before":          {Kind: SupplyLost, From: f.Now().Add(time.Hour), To: f.Now()},
		"negative leak":        {Kind: LinerLeak, Bay: "A1", Size: -3},
		"meter backwards":      {Kind: MeterWrong, Bay: "A1", Size: -120},
		"more than open":       {Kind: StuckOpen, Bay: "A1", Size: 130},
		"faster clog":          {Kind: ChamberClogged, Bay: "A1", Size: 0.5},
		"size is not a number": {Kind: LinerLeak, Bay: "A1", Size: math.NaN()},
	} {
		require.Error(t, f.SetFault(bad), name)
	}
}

func TestParseFault(t *testing.T) {
	start := time.Date(2026, 7, 15, 16, 0, 0, 0, time.UTC)
	for text, want := range map[string]Fault{
		"leak:A2:6h::40":                   {Kind: LinerLeak, Bay: "A2", From: start.Add(6 * time.Hour), Size: 40},
		"seepage:A1+A2:1h30m:3h":           {Kind: Seepage, Bay: "A1", Other: "A2", From: start.Add(90 * time.Minute), To: start.Add(3 * time.Hour)},
		"supply-lost:site":                 {Kind: SupplyLost},
		"supply-lost::2h":                  {Kind: SupplyLost, From: start.Add(2 * time.Hour)},
		"unit-silent:11:20260716T014000Z:": {Kind: UnitSilent, Unit: 11, From: time.Date(2026, 7, 16, 1, 40, 0, 0, time.UTC)},
		"meter-misregister:B3:::-20":       {Kind: MeterWrong, Bay: "B3", Size: -20},
	} {
		got, err := ParseFault(text, start)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for text, says := range map[string]string{
		"leak":              "KIND:PLACE",
		"gremlin:A1":        "is not a fault",
		"seepage:A1":        "A1+A2",
		"unit-silent:two":   "number",
		"unit-silent:02":    "number",
		"leak:A1:tomorrow":  "20260715T014000Z",
		"leak:A1:1h:2h:big": "not a size",
		"supply-lost:A1":    "write site",
		"leak:A1:1:2:3:4":   "KIND:PLACE",
	} {
		_, err := ParseFault(text, start)
		require.ErrorContains(t, err, says, text)
	}
}

// Every kind names a finding of the table of kinds, and a place that is understood.
func TestFaultTable(t *testing.T) {
	seen := map[FaultKind]bool{}
	for _, i := range FaultKinds {
		require.False(t, seen[i.Kind], i.Kind)
		seen[i.Kind] = true
		_, ok := i.Finding.Info()
		require.True(t, ok, "%s: %s", i.Kind, i.Finding)
		require.Equal(t, map[scope]string{ofBay: "bay", ofPair: "bay+bay", ofSite: "site", ofUnit: "unit"}[i.scope], i.Where)
		require.Equal(t, i.Size == "", i.Default == 0, i.Kind)
	}
	require.Equal(t, len(FaultKinds), strings.Count(FaultHelp(), "\n"))
}
