package procedure

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// The watch over a closed system finds each of the three ways in which it does not stay empty.
func TestClosedSystemThatFills(t *testing.T) {
	x := newBench(t)
	rising := func(values ...float64) *trace {
		r := &trace{}
		for i, v := range values {
			r.add(&site.Point{Quantity: site.Level}, site.Sample{Time: morning.Add(time.Duration(i) * time.Minute), Value: v})
		}
		return r
	}
	meter := &trace{}
	for i := range 4 {
		meter.add(x.s.Point("A3-meter"), site.Sample{Time: morning.Add(time.Duration(i) * time.Minute), Value: 10 + 0.002*float64(i)})
	}
	for _, row := range []struct {
		point string
		is    *trace
		says  string
	}{
		{"A2-level", rising(0, 0.010, 0.020, 0.030, 0.030), "the chamber of A2 has filled to 27 mm"}, // the mean of the last three
		{"A3-meter", meter, "6.0 L went through the meter of A3"},
		{"pressure", rising(0, 100e3, 200e3, 300e3), "the line is under pressure again (200 kPa)"},
	} {
		v := (&look{house: &x.b.house, run: &run{}, since: morning, now: morning.Add(80 * time.Hour), traces: map[string]*trace{row.point: row.is}}).stays()
		require.Equal(t, Failed, v.State)
		require.Contains(t, v.Says, row.says)
	}
	// What nobody could see is not claimed: with the sensors out it is meters and pressure that have seen,
	// and with nothing that reads there is no verdict.
	now := morning.Add(80 * time.Hour)
	read := func(point string, value float64) *trace {
		r := &trace{}
		r.add(x.s.Point(point), site.Sample{Time: now.Add(-10 * time.Second), Value: value})
		return r
	}
	closed := &run{Results: []Result{{Step: "sensors", Outcome: Confirmed}}}
	at := func(traces map[string]*trace) Verdict {
		return (&look{house: &x.b.house, run: closed, since: morning, now: now, traces: traces}).stays()
	}
	dry := map[string]*trace{"A1-meter": read("A1-meter", 10), "pressure": read("pressure", 0), "A1-level": read("A1-level", -0.1)}
	v := at(dry)
	require.Equal(t, Passed, v.State)
	require.Contains(t, v.Says, "For 3.5 days nothing showed water. Watched by: the line's pressure and meter A1.")
	require.Contains(t, v.Says, "Not seen: whether the chambers of A1, A2")
	require.Contains(t, v.Says, "No meter reads at A2")
	closed.Results[0].Outcome = PassedOver
	require.Contains(t, at(dry).Says, "meter A1 and level A1.", "a sensor that was left in sees its chamber")
	silent := map[string]*trace{"A1-meter": {LastT: morning.UnixMilli(), N: 9}}
	v = at(silent)
	require.Equal(t, Undecided, v.State, "a meter that went silent three days ago has seen nothing since")
	require.Contains(t, v.Says, "There is nothing to see water by.")
	now = morning.Add(20 * time.Hour)
	require.Equal(t, Watching, at(silent).State, "a dead line may come back before the watch is over")
}

// The static hold is not passed while the main meter is not heard, and not failed by a line that is dead for
// a minute.
func TestHoldWaitsForTheMainMeter(t *testing.T) {
	x := newBench(t)
	p := x.b.house.meterOf("")
	r := &trace{}
	hold := func(heard, now time.Duration) State {
		r.add(p, site.Sample{Time: morning.Add(heard), Value: 5})
		return (&look{house: &x.b.house, run: &run{}, since: morning, now: morning.Add(now), traces: map[string]*trace{p.ID: r}}).hold().State
	}
	d := x.b.house.holdFor()
	require.Equal(t, Watching, hold(d/2, d/2+3*time.Minute))
	require.Equal(t, Watching, hold(d-3*time.Minute, d+time.Second))
	require.Equal(t, Passed, hold(d+time.Minute, d+time.Minute))
	require.Equal(t, Failed, hold(d+time.Minute, d+15*time.Minute))
}

// Air is let into the line only after its pressure has been judged against what every part bears.
func TestNoAirBeforeItsPressureIsKnown(t *testing.T) {
	x := newBench(t)
	r := &run{Kind: WinterClose, Results: []Result{{Step: "how", Answer: "blown-out"}}}
	var ids []string
	for _, s := range winterClose(&x.b.house, r) {
		ids = append(ids, s.id)
	}
	at := slices.Index(ids, "rating")
	require.Equal(t, []string{"rating", "air", "blow"}, ids[at:at+3])
	require.NotContains(t, ids, "plugs")
	look := &look{house: &x.b.house, run: r, answered: true, value: 700e3}
	require.Equal(t, Failed, look.airPressure().State, "no rating, no air")
	r.Results = append(r.Results, Result{Step: "rating", Values: map[string]float64{"rating_pa": 600e3}})
	require.Contains(t, look.airPressure().Says, "Let no air in")
	look.value = 600e3
	require.Equal(t, Failed, look.airPressure().State, "what bears 600 kPa is not blown out with as much")
	look.value = 500e3
	require.Equal(t, Passed, look.airPressure().State)
}

// springStep moves a spring opening by a step of the bench, as a person who answers what is asked; open is what
// flows while a bay's valve is open for its first start.
func (x *bench) springStep(t *testing.T, open func(bay string)) {
	r := x.run()
	id, is := strings.CutPrefix(r.Now.Step, "start ")
	switch {
	case r.Now.Step == "backflow" && !r.Now.Answered:
		require.NoError(t, x.answer("2026-04-01"))
	case r.Now.Ask != nil && !r.Now.Answered:
		require.NoError(t, x.answer(""))
	case is && r.Now.Verdict.Phase != "shut":
		open(id)
	}
	x.step()
}

func TestSpringAgainstAutumn(t *testing.T) {
	x := newBench(t)
	x.b.house.autumn = &Figures{Time: morning.Add(-160 * 24 * time.Hour), Values: map[string]float64{"pressure_pa": 300e3, "fill_m3s A1": 4e-4, "fill_m3s A2": 4e-4, "fill_m3s A3": 4e-4}}
	x.start(SpringOpening, "")
	for x.run() != nil && x.run().Now.Step != "opened" {
		r := x.run()
		require.NotEqual(t, Failed, r.Now.Verdict.State, r.Now.Verdict.Says)
		x.springStep(t, func(id string) {
			flow := 4e-3
			if id == "A2" {
				flow = 2.8e-3 // its strainer has clogged
			}
			x.total[id] += flow
			x.level[id] += 1e-4
		})
	}
	res := x.run().Results
	says := res[len(res)-1].Says
	require.Contains(t, says, "flow of A2 17 L/min, was 24 L/min")
	require.NotContains(t, says, "A1")
	require.NoError(t, x.answer(""))
	require.Equal(t, "open", x.put[len(x.put)-3].Text, "the season is opened")
}

// Before a flush the tool says which sensors it still sees in the water, and leaves it to the person.
func TestFlushSeesSensorsThatAreStillIn(t *testing.T) {
	x := newBench(t)
	x.level["A1"], x.level["A3"] = 0, -0.02
	x.start(Flush, "")
	x.wait(2 * time.Minute)
	v := x.run().Now.Verdict
	require.Equal(t, Passed, v.State)
	require.Contains(t, v.Says, "Still in the water: A2.")
	x.level["A2"] = 0
	x.wait(time.Minute)
	require.NotContains(t, x.run().Now.Verdict.Says, "Still in the water")
}

// With nothing going on a meter that gives no reading shows nothing: no sign-off by it.
func TestIdleSeesOnlyWhatReads(t *testing.T) {
	x := newBench(t)
	now := morning.Add(3 * time.Minute)
	traces := map[string]*trace{}
	for i := range x.s.Points {
		p := &x.s.Points[i]
		traces[p.ID] = &trace{}
		traces[p.ID].add(p, site.Sample{Time: now, Value: 0.05})
	}
	look := &look{house: &x.b.house, run: &run{}, since: morning, now: now, traces: traces}
	require.Equal(t, Passed, look.idle().State, look.idle().Says)
	require.Equal(t, "Nothing runs through any bay's meter.", look.allStill().Says)
	delete(traces, "A2-meter")
	require.Equal(t, Failed, look.idle().State)
	require.Contains(t, look.idle().Says, "the meter of A2 gives no good reading")
	require.Contains(t, look.allStill().Says, "Those of A2 give no reading")
}

// A sensor that has given no reading since the step began is not taken as out: somebody who confirms at once
// may have left all of them in the water.
func TestSensorsAreNotOutBeforeTheyWereRead(t *testing.T) {
	x := newBench(t)
	x.start(WinterClose, "")
	require.NoError(t, x.answer("yes"))
	x.wait(3 * time.Minute) // the figures
	require.NoError(t, x.answer("yes"))
	x.wait(time.Minute)
	require.Equal(t, "sensors", x.run().Now.Step)
	r := x.run()
	require.NoError(t, x.say(Answer{Do: "again", Run: r.ID, Step: r.Now.Step})) // begun this moment
	require.NoError(t, x.answer("yes"))
	require.Equal(t, "sensors", x.run().Now.Step)
	require.Equal(t, "Waiting for a reading.", x.run().Now.Verdict.Says)
	x.wait(time.Minute)
	require.Equal(t, "Still in the water: A1, A2 and A3.", x.run().Now.Verdict.Says)
	x.level = map[string]float64{}
	x.wait(time.Minute)
	require.Equal(t, "drain", x.run().Now.Step)
}

// What was mixed up while it was put back in spring is seen at the first start of the bay.
func TestSpringFindsWhatWasMixedUp(t *testing.T) {
	for _, row := range []struct {
		name         string
		meter, level string // of the bay whose point moves when A2's valve is opened
		says         string
	}{
		{"sensors in each other's chambers", "A2", "A3", "The chamber of A3 rises, and not that of A2"},
		{"meters exchanged", "A3", "A2", "Water runs through the meter of A3, not only A2."},
		{"the right ones", "A2", "A2", ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			x := newBench(t)
			x.start(SpringOpening, "")
			for x.run().Now.Step != "start A3" && x.run().Now.Verdict.State != Failed {
				x.springStep(t, func(id string) {
					meter, level := id, id
					if id == "A2" {
						meter, level = row.meter, row.level
					}
					x.total[meter] += 4e-3
					x.level[level] += 3e-4
				})
			}
			if row.says == "" {
				require.Equal(t, "start A3", x.run().Now.Step)
				return
			}
			require.Equal(t, "start A2", x.run().Now.Step)
			require.Contains(t, x.run().Now.Verdict.Says, row.says)
		})
	}
}
