package water

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

func TestPublishedValues(t *testing.T) {
	f, err := os.Open("testdata/fao56.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	funcs := map[string]func(a []float64) float64{
		"PressureKPa":         func(a []float64) float64 { return PressureKPa(a[0]) },
		"PsychrometricKPa":    func(a []float64) float64 { return PsychrometricKPa(a[0]) },
		"SaturationKPa":       func(a []float64) float64 { return SaturationKPa(a[0]) },
		"SlopeKPa":            func(a []float64) float64 { return SlopeKPa(a[0]) },
		"DailyMJ":             func(a []float64) float64 { return SunOn(a[0], int(a[1])).DailyMJ() },
		"DayHours":            func(a []float64) float64 { return 24 / math.Pi * SunOn(a[0], int(a[1])).Sunset },
		"SolarFromRange":      func(a []float64) float64 { return SolarFromRange(a[0], a[1], a[2], a[3]) },
		"NetLongwaveMJ":       func(a []float64) float64 { return NetLongwaveMJ(a[0], a[1], a[2], a[3]) },
		"WindAt2M":            func(a []float64) float64 { return WindAt2M(a[0], a[1]) },
		"PenmanMonteithDaily": func(a []float64) float64 { return PenmanMonteithDaily(a[0], a[1], a[2], a[3], a[4], a[5], a[6]) },
		"HourlyFromWeather":   func(a []float64) float64 { return HourlyFromWeather(a[0], a[1], a[2], a[3], a[4], a[5], a[6] > 0) },
		"dailyFromRange":      func(a []float64) float64 { return dailyFromRange(a[0], a[1], a[2], a[3], a[4], a[5]) },
		"HargreavesDaily":     func(a []float64) float64 { return HargreavesDaily(a[0], a[1], a[2]) },
		"WhiteDaily":          func(a []float64) float64 { return WhiteDaily(a[0], a[1], a[2], a[3]) },
		"MeterU":              func(a []float64) float64 { return MeterU(a[0]) },
		"PulseU":              func(a []float64) float64 { return PulseU(a[0]) },
	}
	require.Greater(t, len(rows), 25)
	for _, r := range rows[1:] {
		var args []float64
		for _, s := range strings.Fields(r[2]) {
			v, err := strconv.ParseFloat(s, 64)
			require.NoError(t, err, r[0])
			args = append(args, v)
		}
		want, err := strconv.ParseFloat(r[3], 64)
		require.NoError(t, err, r[0])
		tol, err := strconv.ParseFloat(r[4], 64)
		require.NoError(t, err, r[0])
		require.Contains(t, funcs, r[1])
		require.InDelta(t, want, funcs[r[1]](args), tol+1e-15, "%s: %s (%s)", r[0], r[1], r[5])
	}
}

// W-2: dh/dt = 0.5 - E(t)/0.25 mm/h with E integrating to 8 mm a day (computed from the formula,
// one-minute steps).
func TestWhiteOnASyntheticDay(t *testing.T) {
	h, h4, end := 0.0, 0.0, 0.0
	for m := range 24 * 60 {
		hour := (float64(m) + 0.5) / 60
		e := 0.0
		if hour >= 6 && hour < 18 {
			e = 1.04720 * math.Sin(math.Pi*(hour-6)/12)
		}
		h += (0.5 - e/0.25) / 60
		if m+1 == 4*60 {
			h4 = h
		}
		end = h
	}
	require.InDelta(t, 0.500, h4/4, 1e-3)
	require.InDelta(t, 20.00, -end, 1e-3)
	require.InDelta(t, 8.00, WhiteDaily(0.25, h4/4, -end, 0), 1e-3)
}

// U-7 and U-8: the budget of a fill against a deficit (computed from the GUM rule).
func TestBudgetByTheGUM(t *testing.T) {
	meter := Term{"meter", MeterU(0.02) * 1458}
	area, drop := Term{"area", 1 * 0.030 * 0.30 * 1000}, Term{"drop", 162 * 0.30 * math.Sqrt2 * 2 / math.Sqrt(3)}
	for _, row := range []struct {
		sy, deficit, diff float64
	}{{0.03, 166.244, 167.095}, {0.006, 85.029, 86.680}} {
		sy := Term{"specific yield", 162 * 0.030 * row.sy * 1000}
		require.InDelta(t, row.deficit, Combined(area, drop, sy), 2e-3)
		require.InDelta(t, row.diff, Combined(meter, area, drop, sy), 2e-3)
	}
	require.InDelta(t, 16.836, meter.U, 1e-3)
	require.InDelta(t, 79.363, drop.U, 1e-3)
}

func TestRegister(t *testing.T) {
	nan := math.NaN()
	for _, row := range []struct {
		name    string
		reg     Register
		v       []float64 // every ten seconds
		want    float64
		restart bool
	}{
		{"counts", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 5.004, 5.008}, 0.008, false},
		{"rolls over: uint16 of litres, 65535 to 3 is 4 (check value Q-6)", Register{PulseM3: 0.001, ModulusM3: 65.536, MaxM3S: 0.01}, []float64{65.535, 0.003}, 0.004, false},
		{"a momentary nought does not rebase", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 0, 5.002, 5.004}, 0.004, false},
		{"two noughts do not either", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 0, 0, 5.004}, 0.004, false},
		{"reset: starts again from nothing", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 0, 0.001, 0.002, 0.005}, 0.005, true},
		{"replaced by one that shows more: no phantom water", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 900, 900, 900, 900.003}, 0.003, true},
		{"a single leap is a slip", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 900, 5.002}, 0.002, false},
		{"backwards by a count is held", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, 4.999, 5, 5.001}, 0.001, false},
		{"a float that has lost resolution jitters back", Register{ModulusM3: nan, MaxM3S: 0.01}, []float64{float64(float32(342.1875)), float64(float32(342.18747)), float64(float32(342.1875)), float64(float32(342.19))}, 0.0025, false},
		{"not a number is ignored", Register{PulseM3: 0.001, ModulusM3: nan, MaxM3S: 0.01}, []float64{5, nan, math.Inf(1), 5.003}, 0.003, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			r := row.reg
			sum, restarted := 0.0, false
			for i, v := range row.v {
				inc, step := r.Add(float64(10*i), v)
				require.GreaterOrEqual(t, inc, 0.0)
				sum += inc
				restarted = restarted || step == StepRestart
			}
			require.InDelta(t, row.want, sum, 1e-5)
			require.Equal(t, row.restart, restarted)
		})
	}
}

func TestRegisterFarFromPlausibleNeverInvents(t *testing.T) {
	r := Register{PulseM3: 0.001, ModulusM3: math.NaN(), MaxM3S: 0.01}
	_, _ = r.Add(0, 1)
	// A dead hour is longer than any flow can fill a cubic metre in, so it is believed; ten
	// seconds are not.
	inc, step := r.Add(10, 2)
	require.Equal(t, StepWaiting, step)
	require.Zero(t, inc)
	r = Register{PulseM3: 0.001, ModulusM3: math.NaN(), MaxM3S: 0.01}
	_, _ = r.Add(0, 1)
	inc, step = r.Add(3600, 2)
	require.Equal(t, StepCounted, step)
	require.InDelta(t, 1, inc, 1e-12)
}

func testBay() site.Bay {
	nan := math.NaN()
	return site.Bay{ID: "A1", AreaM2: 100, CrestM: 0.110, OverflowM3S: nan, SetPointM: 0.080, BandM: 0.003, FillM3S: 30e-3 / 60,
		Layers: []site.Layer{{Name: "stone", DepthM: 0.100, DrainablePorosity: 0.25}, {Name: "clay", DepthM: 0.025, DrainablePorosity: 0.06, Surface: true}}}
}

func TestCurve(t *testing.T) {
	b := testBay()
	c := NewCurve(&b)
	// Check value WT-2's rule: area times drop times porosity, in the stone where it is one.
	v1, _ := c.Volume(0.080)
	v0, _ := c.Volume(0.050)
	require.InDelta(t, 100*0.030*0.25, v1-v0, 1e-9)
	last := -1.0
	for i := range 400 {
		h := float64(i) * 0.0005
		v, ex := c.Volume(h)
		require.Greater(t, v, last, "the curve rises everywhere")
		require.Equal(t, h > 0.125, ex)
		last = v
	}
	require.Less(t, c.Slope(0.124), 0.1*c.Slope(0.05), "the clay's top takes next to nothing")
	nan, ex := c.Volume(math.NaN())
	require.True(t, math.IsNaN(nan) && ex)
	require.True(t, math.IsNaN(c.Slope(math.NaN())))
	below, ex := c.Volume(-1)
	require.Zero(t, below)
	require.True(t, ex)
	b.FloorUnevenM = 0.010
	u := NewCurve(&b)
	require.Less(t, u.Slope(0.005), c.Slope(0.005), "an uneven floor is not wet all over at first")
	require.InDelta(t, c.Slope(0.07), u.Slope(0.07), 1e-3*c.Slope(0.07))
}

// TestTwoBranches: by hand, 100 m2 of stone that gives 0.30 of its volume and takes up 0.22.
func TestTwoBranches(t *testing.T) {
	b := testBay()
	b.Layers[0].DrainablePorosity, b.Layers[0].FillablePorosity = 0.30, 0.22
	c := NewCurve(&b)
	v1, _ := c.Volume(0.080)
	v0, _ := c.Volume(0.050)
	require.InDelta(t, 100*0.030*0.26, v1-v0, 1e-9, "in the middle of the two")
	// At 65 mm the branches lie 100 * 0.065 * 0.08 = 0.52 m3 apart, which is 20 mm of level: to go over
	// takes 40 mm, and the way is 30 mm. Two rectangles of that width make a triangle: over root six.
	require.InDelta(t, 0.52*30/40/math.Sqrt(6), c.branchU(0.050, 0.080), 2e-3)
	require.InDelta(t, c.branchU(0.050, 0.080), c.branchU(0.080, 0.050), 1e-12)
	require.InDelta(t, 0.52/math.Sqrt(6), c.branchU(0.030, 0.100), 2e-3, "no more than all that lies between")

	b.Layers[0].FillablePorosity = 0.30
	one := NewCurve(&b)
	b.Layers[0].FillablePorosity = 0
	require.Equal(t, NewCurve(&b), one, "both alike is as if nothing were given")
	require.Zero(t, one.branchU(0.05, 0.08))

	// A table holds up to its last level: 1.15 m3 at 50 mm in the middle, 1.85 m3 at 80 mm.
	b.Storage = []site.StoragePoint{{LevelM: 0.050, HoldsM3: 1.2, FilledM3: 1.1}, {LevelM: 0.080, HoldsM3: 1.9, FilledM3: 1.8}}
	m := NewCurve(&b)
	v0, _ = m.Volume(0.050)
	v1, _ = m.Volume(0.080)
	require.InDelta(t, 1.15, v0, 1e-3)
	require.InDelta(t, 1.85, v1, 1e-3)
	require.InDelta(t, 0.7/0.030, m.Slope(0.070), 1e-6)
	require.InDelta(t, one.Slope(0.088), m.Slope(0.088), 1e-9, "above it the layers")
	last := -1.0
	for i := range 400 {
		v, _ := m.Volume(float64(i) * 0.0005)
		require.Greater(t, v, last)
		last = v
	}
}

func TestHeldIsInvertedByLevel(t *testing.T) {
	b := testBay()
	c := NewCurve(&b)
	var f filter
	f.prior(100, 25)
	f.Ref, f.H = 70, 70
	f.X[sScale], f.X[sTilt] = 1.3, 0.012
	for h := 5.0; h < 140; h += 3.7 {
		f.X[sW] = f.held(c, h)
		require.InDelta(t, h, f.level(c), 1e-4)
	}
}

// formula is a bay written straight as formulas, not by any simulator: porosity 0.25 times true
// scale, evaporation a half sine of the day, a controller with a band. No noise but the reading's
// rounding to a tenth of a millimetre.
type formula struct {
	l     *Ledger
	t     time.Time
	h     float64 // m
	total float64 // m3
	open  bool
	scale float64
	loss  float64 // m3/s
	stuck bool
	spilt float64 // m3 over the crest
}

func newFormula(t *testing.T) (*formula, *site.Site) {
	t.Helper()
	nan := math.NaN()
	s := &site.Site{ID: "club", Zone: time.UTC, LatitudeDeg: 48, LongitudeDeg: 0, Revision: "r1", FalsePagesPerSeason: 0.03,
		Courts: []site.Court{{ID: "A", Bays: []site.Bay{testBay()}}}}
	s.Courts[0].Bays[0].Court = "A"
	for i := range s.MonthlyET {
		s.MonthlyET[i] = 0.005
	}
	p := func(id string, q site.Quantity) {
		s.Points = append(s.Points, site.Point{ID: id, Bay: "A1", Quantity: q, Interval: 30 * time.Second, Min: nan, Max: nan, UStd: nan, Resolution: 0.0001, PulseM3: 0.0001, ModulusM3: nan, StartM3S: nan, MeterU: nan})
	}
	p("level", site.Level)
	p("meter", site.Volume)
	p("setpoint", site.SetPoint)
	return &formula{l: New(s), t: time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC), h: 0.079, scale: 1}, s
}

// step goes on by half a minute and returns the samples of that moment.
func (f *formula) step() []site.Sample {
	f.t = f.t.Add(30 * time.Second)
	hour := float64(f.t.Hour()) + float64(f.t.Minute())/60
	et := 0.0
	if hour > 6 && hour < 18 {
		et = 0.0045 * math.Pi / 24 / 3600 * math.Sin(math.Pi*(hour-6)/12) // 4.5 mm a day
	}
	in := 0.0
	if f.open {
		in = 30e-3 / 60
	}
	f.h += 30 * (in - et*100 - f.loss) / (25 * f.scale)
	f.total += 30 * in
	if over := f.h - 0.110; over > 0 {
		f.spilt += over * 25 * f.scale
		f.h -= over
	}
	if f.h < 0.077 || f.stuck {
		f.open = true
	} else if f.h >= 0.080 {
		f.open = false
	}
	return []site.Sample{{Point: "level", Time: f.t, Value: math.Round(f.h*1e4) / 1e4}, {Point: "meter", Time: f.t, Value: f.total}, {Point: "setpoint", Time: f.t, Value: 0.080}}
}

func (f *formula) run(l *Ledger, d time.Duration) {
	for end := f.t.Add(d); f.t.Before(end); {
		for _, s := range f.step() {
			l.Sample(s)
		}
		l.Tick(f.t)
	}
}

// 4.5 mm a day under a table of 5.0 is a factor of 0.9. The second opinion finds it from level and
// meter, whether or not four litres an hour are lost besides; the night's rate says that they are.
func TestTheSecondOpinionAgrees(t *testing.T) {
	for _, lost := range []float64{0, 4e-3 / 3600} {
		f, _ := newFormula(t)
		f.loss = lost
		f.run(f.l, 12*24*time.Hour)
		n, _ := f.l.Now("A1")
		l := n.Learned
		require.GreaterOrEqual(t, l.WhiteDays, 4, "lost %v", lost)
		require.InDelta(t, 0.9, l.White.Value, l.White.U, "lost %v", lost)
		require.Less(t, l.White.U, 0.35, "lost %v", lost)
		require.InDelta(t, -lost*3600/25, l.NightRise.Value, l.NightRise.U, "lost %v: 25 m2 a metre", lost)
	}
}

// What the overflow has carried away is what is left of the other terms.
func TestTheOverflowByDifference(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 4*24*time.Hour+2*time.Hour)
	f.stuck = true
	f.run(f.l, 2*time.Hour)
	f.stuck = false
	f.run(f.l, 21*time.Hour)
	days := f.l.Days("A1")
	d := days[len(days)-1]
	require.True(t, d.OverflowRan)
	require.Greater(t, f.spilt, 2.5, "thirty litres a minute for two hours, less the room of 30 mm")
	require.InDelta(t, f.spilt, d.OverflowM3, d.OverflowU)
	require.Less(t, d.OverflowU, 0.5)
	require.True(t, math.IsNaN(d.UnexplainedM3), "an account that closes by definition explains nothing")
	require.Zero(t, days[len(days)-2].OverflowM3)
}

func TestAccountClosesOverDays(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 6*24*time.Hour)
	days := f.l.Days("A1")
	require.GreaterOrEqual(t, len(days), 5)
	for _, d := range days[1:] {
		sum := d.MeteredM3 + d.ByHandM3 + d.RainM3 - d.EvaporatedM3 - d.OverflowM3 - d.HeldM3
		require.InDelta(t, d.UnexplainedM3, sum, 1e-9, "the account is its own definition")
		require.InDelta(t, 0.450, d.MeteredM3-d.HeldM3, 0.08, "what was let in and not kept is the 4.5 mm")
		require.Less(t, math.Abs(d.UnexplainedM3), d.UnexplainedU, "nothing is missing")
		require.Equal(t, "r1", d.Revision)
		require.False(t, d.OverflowRan)
	}
	n, ok := f.l.Now("A1")
	require.True(t, ok)
	require.InDelta(t, f.h, n.BayLevelM, 0.002)
	require.Equal(t, MethodTable, func() Method { m, _ := f.l.Weather(); return m }())
	a, ok := f.l.Between("A1", f.t.Add(-24*time.Hour), f.t)
	require.True(t, ok)
	require.InDelta(t, 24, a.To.Sub(a.From).Hours(), 1)
}

// A whole fill may come and go between two strides; its chamber leads, whatever it did at the last stride.
func TestAFillBetweenTwoStridesLeavesNothingSettled(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 20*time.Hour)
	var k Look
	for f.l.Look(0, &k); !k.Settled || f.t.Minute()%5 != 0; f.l.Look(0, &k) {
		f.run(f.l, 30*time.Second)
	}
	before := k.RunAt
	f.stuck = true
	f.run(f.l, time.Minute)
	f.stuck, f.open = false, false
	f.run(f.l, 90*time.Second)
	f.l.Look(0, &k)
	require.Greater(t, k.RunAt, before)
	require.False(t, k.Runs, "the fill is over")
	require.False(t, k.Settled)
	f.run(f.l, time.Hour)
	f.l.Look(0, &k)
	require.True(t, k.Settled)
}

// TestSpans: the spans lie end to end between settled levels, lose nothing of what was metered, and
// each has at most the water of one rest to the next.
func TestSpans(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 6*24*time.Hour)
	spans := f.l.Spans("A1")
	require.Greater(t, len(spans), 12)
	sum, within := 0.0, 0
	for i, a := range spans {
		require.True(t, a.FromSettled && a.ToSettled)
		require.True(t, a.To.After(a.From))
		if i > 0 {
			require.Equal(t, spans[i-1].To, a.From)
		}
		require.InDelta(t, a.MeteredM3-a.EvaporatedM3-a.HeldM3, a.UnexplainedM3, 1e-9)
		if math.Abs(a.UnexplainedM3) <= a.UnexplainedU {
			within++
		}
		sum += a.MeteredM3
	}
	require.GreaterOrEqual(t, within, len(spans)*9/10, "k=2 holds nineteen in twenty")
	whole, ok := f.l.Between("A1", spans[0].From, spans[len(spans)-1].To)
	require.True(t, ok)
	require.Equal(t, []time.Time{spans[0].From, spans[len(spans)-1].To}, []time.Time{whole.From, whole.To})
	require.InDelta(t, whole.MeteredM3, sum, 1e-9)
	require.InDelta(t, 4*24, whole.To.Sub(whole.From).Hours(), 12, "some four days are kept")
	require.Nil(t, f.l.Spans("nowhere"))
}

func TestAccountShowsWhatIsLost(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 4*24*time.Hour)
	f.l.Hold(0, true)
	f.loss = 20e-3 / 3600
	f.run(f.l, 2*24*time.Hour)
	days := f.l.Days("A1")
	last := days[len(days)-1]
	require.InDelta(t, 0.480, last.UnexplainedM3, 0.15, "20 L/h over a day")
}

func TestPorosityIsLearnedFromSettledSpans(t *testing.T) {
	for _, scale := range []float64{0.75, 1, 1.3} {
		f, _ := newFormula(t)
		f.scale = scale
		f.loss = 8e-3 / 3600 // so that it fills by night too
		f.run(f.l, 12*24*time.Hour)
		n, _ := f.l.Now("A1")
		require.InDelta(t, scale, n.Learned.Scale.Value, max(0.08, n.Learned.Scale.U))
		require.Less(t, n.Learned.Scale.U, 0.5, "less than the nominal figure's")
	}
}

func TestRestoreGoesOnAsIfNeverStopped(t *testing.T) {
	f, s := newFormula(t)
	f.run(f.l, 30*time.Hour)
	for cut := range 12 {
		data, err := f.l.Snapshot()
		require.NoError(t, err)
		other := New(s)
		require.NoError(t, other.Restore(data))
		for end := f.t.Add(time.Duration(37+cut*13) * time.Minute); f.t.Before(end); {
			for _, x := range f.step() {
				f.l.Sample(x)
				other.Sample(x)
			}
			f.l.Tick(f.t)
			other.Tick(f.t)
		}
		a, err := f.l.Snapshot()
		require.NoError(t, err)
		b, err := other.Snapshot()
		require.NoError(t, err)
		require.Equal(t, a, b, "cut %d", cut)
	}
	err := New(s).Restore([]byte("not a snapshot"))
	require.ErrorIs(t, err, ErrSnapshot)
}

func TestLateRepeatedAndForeignSamplesChangeNothing(t *testing.T) {
	f, _ := newFormula(t)
	g, _ := newFormula(t)
	f.run(f.l, 10*time.Hour)
	for end := g.t.Add(10 * time.Hour); g.t.Before(end); {
		xs := g.step()
		for _, x := range xs {
			g.l.Sample(x)
			g.l.Sample(x) // twice
			old := x
			old.Time = x.Time.Add(-time.Minute)
			old.Value += 0.5
			g.l.Sample(old)
			g.l.Sample(site.Sample{Point: "nobody", Time: x.Time, Value: 1})
		}
		g.l.Tick(g.t)
		g.l.Tick(g.t.Add(-time.Hour))
	}
	a, err := f.l.Snapshot()
	require.NoError(t, err)
	b, err := g.l.Snapshot()
	require.NoError(t, err)
	require.Equal(t, a, b)
}

func TestShiftOfAWeekKeepsTheFigures(t *testing.T) {
	f, _ := newFormula(t)
	g, _ := newFormula(t)
	g.t = g.t.Add(-24 * time.Hour * 7)
	// One table value for every month, so that only the sun's declination differs.
	f.run(f.l, 3*24*time.Hour)
	g.run(g.l, 3*24*time.Hour)
	a, b := f.l.Days("A1"), g.l.Days("A1")
	require.Len(t, a, len(b))
	for i := range a {
		require.InDelta(t, a[i].MeteredM3, b[i].MeteredM3, 1e-9)
		require.InDelta(t, a[i].UnexplainedM3, b[i].UnexplainedM3, 0.01)
	}
}

func TestBadReadingsAndGapsAreSafe(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 24*time.Hour)
	before, _ := f.l.Now("A1")
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		f.t = f.t.Add(30 * time.Second)
		for _, p := range []string{"level", "meter", "setpoint"} {
			f.l.Sample(site.Sample{Point: p, Time: f.t, Value: v})
		}
		f.l.Tick(f.t)
	}
	f.t = f.t.Add(20 * time.Hour) // an outage
	f.run(f.l, 3*time.Hour)
	after, _ := f.l.Now("A1")
	require.False(t, math.IsNaN(after.BayLevelM))
	require.InDelta(t, f.h, after.BayLevelM, 0.002)
	require.GreaterOrEqual(t, after.Learned.Scale.U, 0.0)
	require.NotEqual(t, before.Time, after.Time)
}

func TestHandWateringMeterAndSensorRecords(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 30*time.Hour)
	f.l.Record(site.Record{Time: f.t, Kind: site.RecHandWatering, Bay: "A1", Value: 0.100})
	f.h += 0.004 // 100 L on 25 m2
	f.run(f.l, 2*time.Hour)
	n, _ := f.l.Now("A1")
	require.InDelta(t, 0.100, n.Today.ByHandM3, 1e-9)
	f.l.Record(site.Record{Time: f.t, Kind: site.RecMeterReplaced, Subject: "meter"})
	f.total = 0.5
	was := n.Today.MeteredM3
	f.run(f.l, time.Hour)
	n, _ = f.l.Now("A1")
	require.Less(t, n.Today.MeteredM3-was, 0.2, "the new meter's reading is no water")
	f.l.Record(site.Record{Time: f.t, Kind: site.RecMaintenance, Bay: "A1", Until: f.t.Add(time.Hour)})
	var k Look
	f.l.Look(0, &k)
	require.True(t, k.Maintain)
}

// A clear evening is clear: what the low sun loses in the air is not laid to cloud. A northern winter's sun that never
// stands high tells all the same, about noon.
func TestTheLowSunTellsNoClouds(t *testing.T) {
	dusk := func(lat float64, first time.Time, pass float64) float64 {
		p := newPlace(&site.Site{LatitudeDeg: lat, Zone: time.UTC})
		var w weather
		w.init()
		for at := first; at.Before(first.Add(24 * time.Hour)); at = at.Add(5 * time.Minute) {
			sin := max(1e-9, SunOn(lat, at.YearDay()).Elevation(p.hourAngle(at)))
			w.sample(site.AirTemperature, at.UnixMilli(), 5)
			w.sample(site.Solar, at.UnixMilli(), pass*1098*sin*math.Exp(-0.057/sin)) // Haurwitz 1945
			w.stride(p, at, at.Add(5*time.Minute))
		}
		return w.RatioLast
	}
	march, december := time.Date(2025, 3, 20, 0, 0, 0, 0, time.UTC), time.Date(2025, 12, 20, 0, 0, 0, 0, time.UTC)
	require.Greater(t, dusk(48, march, 1), 0.85)
	require.InDelta(t, 0.3*dusk(48, march, 1), dusk(48, march, 0.3), 0.01)
	require.InDelta(t, 0.3*dusk(60, december, 1), dusk(60, december, 0.3), 0.05)
}
