package procedure

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/water"
)

// Every figure that a calibration, a hold and a first start measure is held against last autumn's: told
// where both uncertainties do not explain the difference, and not where they do.
func TestEachFigureIsComparedWithAutumn(t *testing.T) {
	type values = map[string]float64
	autumn := morning.Add(-160 * 24 * time.Hour)
	for _, row := range []struct {
		step          string
		was, as, isnt values // in autumn; in spring, as it was and changed
		says          string
	}{
		{"sensor", values{"gain": 1, "gain_u": 0.01, "offset_m": 0.001, "offset_u": 0.001}, values{"gain": 1.012, "gain_u": 0.01, "offset_m": 0.0022, "offset_u": 0.001},
			values{"gain": 1, "gain_u": 0.01, "offset_m": 0.0026, "offset_u": 0.001}, "zero of level A1 2.6 mm (± 1.0 mm), was 1.0 mm (± 1.0 mm)"},
		{"sensor", values{"gain": 1, "gain_u": 0.01, "offset_m": 0.001, "offset_u": 0.001}, values{"gain": 1.012, "gain_u": 0.01, "offset_m": 0.001, "offset_u": 0.001},
			values{"gain": 1.02, "gain_u": 0.01, "offset_m": 0.001, "offset_u": 0.001}, "slope of level A1 1.020 (± 0.010), was 1.000 (± 0.010)"},
		{"bucket", values{"gain": 1, "gain_u": 0.01}, values{"gain": 0.987, "gain_u": 0.01}, values{"gain": 0.95, "gain_u": 0.01}, "factor of meter A1 0.950 (± 0.010), was 1.000 (± 0.010)"},
		{"weeks", values{"porosity": 0.31, "porosity_u": 0.03}, values{"porosity": 0.27, "porosity_u": 0.03}, values{"porosity": 0.25, "porosity_u": 0.03},
			"drainable porosity of A1 25.0 % (± 3.0 %), was 31.0 % (± 3.0 %)"},
		{"weeks", values{"crest_m": 0.11, "crest_u": 0.004}, values{"crest_m": 0.105, "crest_u": 0.004}, values{"crest_m": 0.1, "crest_u": 0.004}, "crest of A1 100.0 mm (± 4.0 mm), was 110.0 mm (± 4.0 mm)"},
		{"crest", values{"crest_m": 0.11, "crest_u": 0.004}, values{"crest_m": 0.105, "crest_u": 0.004}, values{"crest_m": 0.1, "crest_u": 0.004}, "crest of A1 100.0 mm (± 4.0 mm), was 110.0 mm (± 4.0 mm)"},
	} {
		x := newBench(t)
		b := x.b
		ended := func(at time.Time, v values) (*run, map[string]figure) {
			r := &run{Kind: Calibrate, Bay: "A1", Started: at.Add(-time.Hour)}
			return r, b.house.calibrated(r, &Result{Step: row.step, Outcome: Seen, Values: v, Ended: at})
		}
		r, found := ended(autumn.Add(-24*time.Hour), row.was)
		require.Empty(t, b.against(r, row.step, found), "there was no autumn yet")
		b.learn(r, found)
		b.house.autumn = &Figures{Time: autumn, Values: (&look{house: &b.house, run: &run{Kind: WinterClose}, now: autumn}).readNow()}

		// Nobody has measured anew: the opening says so, and compares nothing with itself.
		opening := &look{house: &b.house, run: &run{Kind: SpringOpening}, since: morning.Add(-time.Hour), now: morning}
		first := opening.compare().Says
		require.Contains(t, first, "Not measured since: ")
		require.NotContains(t, first, "Changed")

		r, found = ended(morning, row.as)
		require.Equal(t, "As on 5 Nov 2025.", b.against(r, row.step, found))
		r, found = ended(morning, row.isnt)
		require.Equal(t, "Changed since 5 Nov 2025: "+row.says+".", b.against(r, row.step, found))
		b.learn(r, found)
		kept, err := b.Snapshot()
		require.NoError(t, err)
		x.b = New(x.s, nil)
		require.NoError(t, x.b.Restore(kept))
		opening.house = &x.b.house
		require.Contains(t, opening.compare().Says, row.says, "a calibration before the opening")
		require.NotContains(t, opening.compare().Says, "Not measured since")
	}
}

// A calibration that was taken over in autumn is none in spring: both are of the sensor's own word.
func TestACorrectionInForceIsNoChange(t *testing.T) {
	x := newBench(t)
	b, r := x.b, &run{Kind: Calibrate, Bay: "A1", Started: morning}
	at := func(gain, offset float64) map[string]figure {
		return b.house.calibrated(r, &Result{Step: "sensor", Outcome: Seen, Ended: morning, Values: map[string]float64{"gain": gain, "gain_u": 0.01, "offset_m": offset, "offset_u": 0.001}})
	}
	raw := at(1.05, 0.003)
	b.house.accepted["A1-level"] = force{Gain: 1.05, Offset: 0.003}
	taken := at(1, 0)
	require.InDelta(t, raw["slope A1"].Value, taken["slope A1"].Value, 1e-9)
	require.InDelta(t, raw["zero_m A1"].Value, taken["zero_m A1"].Value, 1e-9)
}

// What nobody measures an uncertainty of is told from a share on; a hold that was passed is as it was.
func TestFiguresWithoutAnUncertainty(t *testing.T) {
	x := newBench(t)
	h := &x.b.house
	h.autumn = &Figures{Values: map[string]float64{"pressure_pa": 300e3, "fill_m3s A1": 4e-4, "settle_s A1": 2400, "settle_s_u A1": 600, "noise_m A1": 4e-4, "hold_m3s": 0, "hold_m3s_u": 3e-6}}
	told, missing, later := h.changes(map[string]float64{"pressure_pa": 330e3, "fill_m3s A1": 3.6e-4, "settle_s A1": 3200, "settle_s_u A1": 600, "noise_m A1": 7e-4, "hold_m3s": 0, "hold_m3s_u": 3e-6})
	require.Empty(t, told)
	require.Empty(t, missing)
	require.Empty(t, later)
	told, missing, _ = h.changes(map[string]float64{"pressure_pa": 250e3, "fill_m3s A1": 3.2e-4, "settle_s A1": 4200, "settle_s_u A1": 600, "noise_m A1": 9e-4})
	require.Len(t, told, 4)
	require.Contains(t, strings.Join(told, "; "), "settling time of A1 70 min, was 40 min (pipe between chamber and bay)")
	require.Equal(t, []string{"static hold"}, missing)
}

// The opening's own first weeks measure what needs nobody, of every bay, and say what has changed; the
// comparison of its day promises so, and asks for no calibration of it.
func TestTheFirstWeeksAfterAnOpening(t *testing.T) {
	s := aSite()
	l := water.New(s)
	b := New(s, l)
	b.house.autumn = &Figures{Time: morning.AddDate(0, 0, -160), Values: map[string]float64{"porosity A1": 0.31, "porosity_u A1": 0.03, "crest_m A2": 0.11, "crest_u A2": 0.004, "slope A1": 1, "slope_u A1": 0.02}}
	day := &look{house: &b.house, run: &run{Kind: SpringOpening}, since: morning.Add(-time.Hour), now: morning}
	require.Contains(t, day.compare().Says, "Not measured since: slope of level A1.")
	require.Contains(t, day.compare().Says, "To come from the first weeks: crest of A2 and drainable porosity of A1.")

	r := &run{Kind: SpringOpening, Started: morning}
	steps := r.plan(b)
	last := steps[len(steps)-1]
	require.Equal(t, "weeks", last.id)
	require.True(t, last.alone)
	found := b.house.calibrated(r, &Result{Step: "weeks", Outcome: Seen, Ended: morning.AddDate(0, 0, 14),
		Values: map[string]float64{"porosity A1": 0.25, "porosity_u A1": 0.03, "rises A1": 7, "crest_m A2": 0.111, "crest_u A2": 0.004, "porosity A3": 0.3, "porosity_u A3": 0.05}})
	require.Equal(t, "Changed since 5 Nov 2025: drainable porosity of A1 25.0 % (± 3.0 %), was 31.0 % (± 3.0 %).", b.against(r, "weeks", found))
	b.learn(r, found)
	autumn := (&look{house: &b.house, run: &run{Kind: WinterClose}, now: morning.AddDate(0, 0, 200)}).readNow()
	require.InDelta(t, 0.3, autumn["porosity A3"], 0)
	require.InDelta(t, 0.05, autumn["porosity_u A3"], 0)

	// Two weeks without a fill: it waits two more, and then says of each bay that nothing was to be seen.
	watch := &look{house: &b.house, run: r, since: morning, now: morning.AddDate(0, 0, 15), traces: map[string]*trace{}}
	v := last.judge(watch)
	require.Equal(t, Watching, v.State)
	require.Len(t, v.Lines, 3)
	watch.now = morning.AddDate(0, 0, 28)
	v = last.judge(watch)
	require.Equal(t, Passed, v.State, "nothing has failed")
	require.Contains(t, v.Says, "A3: In four weeks only 0 fills stood between two rests")
	require.Empty(t, v.Values)
}
