package procedure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A half width that holds 95 %: the triangle's own by its formula, the normal's by the table
// (1.959964), and a mixture by counting.
func TestHalf95(t *testing.T) {
	require.InDelta(t, 1-math.Sqrt(0.05), half95(1, 0), 1e-12)
	require.InDelta(t, 1.959964, half95(0, 1), 1e-6)
	require.InDelta(t, 1.959964, half95(1e-3, 1), 1e-4)
	require.InDelta(t, 1-math.Sqrt(0.05), half95(1, 1e-3), 1e-4)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, std := range []float64{0.1, 0.3, 1} {
		z, in := half95(1, std), 0
		const n = 200_000
		for range n {
			if math.Abs(rng.Float64()-rng.Float64()+std*rng.NormFloat64()) <= z {
				in++
			}
		}
		require.InDelta(t, 0.95, float64(in)/n, 0.002, "std %g", std) // four standard errors
	}
}

// A half width that holds 95 % of an arc sine and a normal: without the arc sine the normal's table value
// (1.959964), a wide arc sine's own (sin(0.95 pi/2) of its half), and between by counting.
func TestEnds95(t *testing.T) {
	require.InDelta(t, 1.959964, ends95(0, 1), 1e-6)
	require.InDelta(t, 1.959964, ends95(1e-3, 1), 1e-5)
	require.InDelta(t, math.Sin(0.95*math.Pi/2), ends95(1, 1e-3), 1e-3)
	rng := rand.New(rand.NewPCG(3, 4))
	for _, half := range []float64{0.5, 1, 3} {
		z, in := ends95(half, 1), 0
		const n = 200_000
		for range n {
			if math.Abs(half*math.Cos(math.Pi*rng.Float64())+rng.NormFloat64()) <= z {
				in++
			}
		}
		require.InDelta(t, 0.95, float64(in)/n, 0.002, "half %g", half) // four standard errors
	}
}

// ISO 4064-1:2014 as makers of class 2 and class 1 meters quote it: Q3 2.5 m3/h, R100 gives Q1
// 25 L/h, Q2 40 L/h, Q4 3.125 m3/h (bmeters.com); the zones follow.
func TestPermissible(t *testing.T) {
	lph := 1e-3 / 3600
	q3, r := 2.5/3600, 100.0
	rows := []struct {
		class int
		flow  float64
		mpe   float64
		ok    bool
	}{
		{2, 20 * lph, 0, false}, {2, 30 * lph, 0.05, true}, {2, 40 * lph, 0.02, true}, {2, 3125 * lph, 0.02, true}, {2, 3126 * lph, 0, false},
		{1, 30 * lph, 0.03, true}, {1, 1000 * lph, 0.01, true},
	}
	for _, row := range rows {
		mpe, ok := permissible(row.class, row.flow*(1+1e-12), q3, r)
		if row.flow == 3125*lph {
			mpe, ok = permissible(row.class, row.flow*(1-1e-12), q3, r)
		}
		require.Equal(t, row.ok, ok, row)
		require.InDelta(t, row.mpe, mpe, 0, row)
	}
	mpe, ok := permissible(2, 1, 0, 0)
	require.True(t, ok, "a plate nobody read")
	require.InDelta(t, 0.02, mpe, 0)
}

// Guarded acceptance and rejection (JCGM 106:2012, 8.3): sure one way, sure the other, or neither.
func TestJudged(t *testing.T) {
	rows := []struct {
		err, u, limit float64
		want          State
	}{
		{0.010, 0.005, 0.02, Passed}, {0.0151, 0.005, 0.02, Undecided}, {-0.0251, 0.005, 0.02, Failed}, {0.0249, 0.005, 0.02, Undecided}, {0.015, 0.005, 0.02, Passed},
	}
	for _, r := range rows {
		require.Equal(t, r.want, judged(r.err, r.u, r.limit), r)
	}
	// A third of 2 % is left to the counts: 1 L counts ask for 3 x 0.776 L / 0.02.
	require.InDelta(t, 0.11646, leastVolume(1e-3, 0.02), 1e-4)
	require.InDelta(t, 1.1646, leastVolume(10e-3, 0.02), 1e-3)
}

// coverageRuns is how many seeded calibrations are drawn; BAYLEDGER_COVERAGE asks for more.
func coverageRuns(t *testing.T) (n int, low, high float64) {
	if text := os.Getenv("BAYLEDGER_COVERAGE"); text != "" {
		n, err := strconv.Atoi(text)
		require.NoError(t, err)
		return n, 0.93, 0.97
	}
	return 200, 0.91, 0.99
}

// The 95 % intervals of the calibration hold the truth: a sensor with an unknown zero and slope
// held against two dips that are read to the half millimetre, a meter with an unknown error held
// against a scale, and a crest seen with that sensor. Every run goes through the book as a person
// would.
//
// The longer run: BAYLEDGER_COVERAGE=1000 go test -run Coverage -v ./agent/procedure
func TestCalibrationCoverage(t *testing.T) {
	n, low, high := coverageRuns(t)
	held := map[string]int{}
	for seed := range n {
		x := newBench(t)
		x.s.Courts[0].Bays[0].CrestM = 0.145 // out of the way of the dips; the true one is drawn below
		rng := rand.New(rand.NewPCG(uint64(seed), 7))
		gain, zero, meterError := 1+0.04*rng.NormFloat64(), 0.008*rng.NormFloat64(), 0.02*rng.NormFloat64()
		crest := 0.11 + 0.004*rng.NormFloat64()
		// Shown = (true - zero)/gain, with the noise of a good sensor.
		truth := 0.015 + 0.01*rng.Float64()
		x.noise = func() float64 { return 0.0005 * rng.NormFloat64() }
		show := func() { x.level["A1"] = (truth - zero) / gain }
		dip := func() string {
			return fmt.Sprintf("%.1f mm", 1000*truth+0.98947*rng.NormFloat64()+0.5*(rng.Float64()-0.5))
		}
		show()
		x.start(Calibrate, "A1")
		x.wait(x.b.house.settled() + 10*time.Minute)
		require.Equal(t, "dip", x.run().Now.Verdict.Phase, x.run().Now.Verdict.Says)
		require.NoError(t, x.answer(dip()))
		require.Equal(t, "move", x.run().Now.Step)
		x.total["A1"] += rng.Float64() * 1e-3 // where within a count it stands
		for x.run().Now.Verdict.Phase != "shut" {
			x.total["A1"] += 4e-3
			truth += 4e-3 / (90 * 0.3)
			show()
			x.step()
		}
		x.wait(2 * time.Minute)
		require.Equal(t, "dip 2", x.run().Now.Step, x.run().Now.Verdict.Says)
		x.wait(x.b.house.settled() + 10*time.Minute)
		require.NoError(t, x.answer(dip()))
		x.step()
		require.Equal(t, "bucket", x.run().Now.Step, x.run().Now.Verdict.Says)
		// Some 400 L through the meter; it began somewhere within a count, by the chance above.
		before := x.total["A1"]
		v := 0.35 + 0.1*rng.Float64()
		for i := range 10 {
			x.total["A1"] = before + v*(1+meterError)*float64(i+1)/10
			x.step()
		}
		x.wait(2 * time.Minute)
		require.NoError(t, x.answer(fmt.Sprintf("%.4f L", 1000*v*(1+0.002*rng.NormFloat64()))))
		x.step()
		r := x.run()
		var bucket map[string]float64
		if r.Now.Step == "bucket" {
			bucket = r.Now.Verdict.Values
			require.NoError(t, x.say(Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "noted"}))
		} else {
			bucket = r.Results[len(r.Results)-1].Values
		}
		require.Equal(t, "crest", x.run().Now.Step)
		truth = crest + 0.0015*rng.NormFloat64() // the film at the moment somebody calls it dripping
		show()
		x.wait(10 * time.Minute)
		require.NoError(t, x.answer("yes"))
		if x.run() != nil {
			require.Equal(t, "accept", x.run().Now.Step)
			require.NoError(t, x.answer("leave"))
		}
		require.Nil(t, x.run(), "it is over")
		rec := x.b.Picture().Records[0]
		find := func(step string) map[string]float64 {
			for _, res := range rec.Results {
				if res.Step == step {
					return res.Values
				}
			}
			return nil
		}
		sensor, top := find("sensor"), find("crest")
		check := func(what string, got, u, want float64) {
			if math.Abs(got-want) <= u {
				held[what]++
			}
		}
		check("slope", sensor["gain"], sensor["gain_u"], gain)
		check("zero", sensor["offset_m"], sensor["offset_u"], zero)
		check("meter", bucket["error"], bucket["error_u"], meterError)
		check("its factor", bucket["gain"], bucket["gain_u"], 1/(1+meterError))
		check("crest", top["crest_m"], top["crest_u"], crest)
	}
	for _, what := range []string{"slope", "zero", "meter", "its factor", "crest"} {
		share := float64(held[what]) / float64(n)
		t.Logf("%s: %.1f %% of %d", what, 100*share, n)
		require.GreaterOrEqual(t, share, low, what)
		require.LessOrEqual(t, share, high, what)
	}
}

// Two dips that lie less than 40 mm apart give no slope: the second is refused, and doing it again
// begins with moving the level.
func TestDipsTooClose(t *testing.T) {
	x := newBench(t)
	x.start(Calibrate, "A1")
	x.wait(x.b.house.settled() + 10*time.Minute)
	require.NoError(t, x.answer("40 mm"))
	r := x.run()
	require.Equal(t, "move", r.Now.Step)
	require.NoError(t, x.say(Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "in a hurry"}))
	x.level["A1"] += 0.030
	x.wait(x.b.house.settled() + 10*time.Minute)
	require.NoError(t, x.answer("70 mm"))
	x.step()
	r = x.run()
	require.Equal(t, "dip 2", r.Now.Step)
	require.Equal(t, Failed, r.Now.Verdict.State)
	require.Contains(t, r.Now.Verdict.Says, "only 30 mm apart where 40 mm are wanted")
	require.NoError(t, x.say(Answer{Do: "again", Run: r.ID, Step: r.Now.Step}))
	require.Equal(t, "move", x.run().Now.Step)
}
