package agent_test

import (
	"bytes"
	"encoding/gob"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// TestWorldsCloseTheirOwnAccounts: no model of the scorecard makes or loses water, with and
// without faults; it fills and dries at rates a court has, and what its instruments show is what
// it did.
func TestWorldsCloseTheirOwnAccounts(t *testing.T) {
	for _, model := range []string{"lumped", "virtual"} {
		for i := range rows {
			r := &rows[i]
			p := planOf(r, seedOf("close "+r.name, 0), model, r.set, 0)
			p.days = min(p.days, 12)
			w := p.build()
			bay := p.fault.bay
			if bay == "" {
				bay = "A2"
			}
			first := w.truth(bay)
			w.advance(p.start.AddDate(0, 0, p.days))
			last := w.truth(bay)
			residual := last.inM3 + last.rainM3 + last.handM3 - last.evapM3 - last.overM3 - last.lostM3 - (last.heldM3 - first.heldM3)
			require.InDelta(t, 0, residual, 1e-6, "%s, %s: %+v", model, r.name, last)
			require.Greater(t, last.evapM3, 0.01, "%s, %s", model, r.name)
		}
	}
}

// TestWorldsFeelTheirFaults: every row's fault shows itself within the run, in both models; a row
// whose fault never happens would count for nothing.
func TestWorldsFeelTheirFaults(t *testing.T) {
	for _, model := range []string{"lumped", "virtual"} {
		for i := range rows {
			r := &rows[i]
			felt := 0
			for n := range 2 {
				p := planOf(r, seedOf("felt "+r.name, n), model, r.set, 0)
				w := p.build()
				exp := &exposed{plan: p}
				bays := []string{p.fault.bay}
				if r.site {
					bays = []string{"A1", "A2", "A3", "B1", "B2", "B3"}
				}
				for at := p.start.Add(p.poll); at.Before(p.start.AddDate(0, 0, p.days)) && exp.felt.IsZero(); at = at.Add(p.poll) {
					w.advance(at)
					var all truth
					for _, b := range bays {
						tr := w.truth(b)
						tr.asks = tr.asks || all.asks
						tr.flowM3S += all.flowM3S
						all = tr
					}
					exp.update(at, all, p.poll, p.fault, r)
				}
				if !exp.felt.IsZero() {
					felt++
				}
			}
			require.Positive(t, felt, "%s: %s is never felt", model, r.name)
		}
	}
}

// TestLumpedInstrumentsShowWhatHappened compares readings with the truth they are of.
func TestLumpedInstrumentsShowWhatHappened(t *testing.T) {
	p := planOf(nil, 77, "lumped", fullSet, 6)
	w := newLumped(p)
	var level, fills, off float64
	n, open := 0, false
	first := w.truth("B1")
	var meter0, meter float64
	for at := p.start.Add(p.poll); at.Before(p.start.AddDate(0, 0, p.days)); at = at.Add(p.poll) {
		w.advance(at)
		tr := w.truth("B1")
		for _, s := range w.samples() {
			switch s.Point {
			case "B1-level":
				level += (s.Value - tr.chamberM) * (s.Value - tr.chamberM)
				off += s.Value - tr.chamberM
				n++
			case "B1-meter":
				if meter0 == 0 {
					meter0 = s.Value
				}
				meter = s.Value
			case "B1-valve":
				if s.Value > 0 && !open {
					fills++
				}
				open = s.Value > 0
			}
		}
	}
	b := w.bays[3]
	require.Equal(t, "B1", b.id)
	spread := math.Sqrt(level/float64(n) - (off/float64(n))*(off/float64(n)))
	require.InDelta(t, b.sensor.noiseM, spread, 0.3*b.sensor.noiseM+3e-4, "noise, and up to 0.3 mm of temperature effect")
	tr := w.truth("B1")
	require.InEpsilon(t, tr.inM3-first.inM3, meter-meter0, 0.06, "the meter, its error drawn with 1 %%")
	require.GreaterOrEqual(t, fills, 3.0, "six dry days ask for water")
	mm := tr.evapM3 / b.areaM2 * 1000 / float64(p.days)
	require.True(t, mm > 0.5 && mm < 7, "%.2f mm a day", mm)
}

// TestSineRoot holds the lumped model's day against the example of the R package TrenchR for the
// same paper (diurnal_temp_variation_sinesqrt: 17.65367 at eight o'clock), and its joints against
// each other.
func TestSineRoot(t *testing.T) {
	at := func(hour float64) float64 { return sineRoot(hour, 6, 18, 10, 30, 12) }
	require.InDelta(t, 17.65367, at(8), 1e-5)
	require.InDelta(t, 30, at(14), 1e-9)
	require.InDelta(t, 30-0.39*18, at(18), 1e-9)
	require.InDelta(t, 30-0.39*18, at(17.9999999), 1e-4)
	require.InDelta(t, 12, at(5.9999999), 1e-4, "the next sunrise")
	require.InDelta(t, 22.98-10.98*0.5, at(21), 1e-9, "a quarter of the night")
}

// TestNightsOfBothWorlds: the air is coldest within an hour and a half of sunrise on most days, and
// the ground is never warmer than the air.
func TestNightsOfBothWorlds(t *testing.T) {
	for _, model := range []string{"virtual", "lumped"} {
		near, days := 0, 0
		for seed := range uint64(6) {
			p := planOf(nil, 900+seed, model, fullSet, 10)
			w := p.build()
			st := w.facts()
			coldest, when := math.Inf(1), 0.0
			for at := p.start.Add(5 * time.Minute); at.Before(p.start.AddDate(0, 0, p.days)); at = at.Add(5 * time.Minute) {
				w.advance(at)
				c := math.NaN()
				for _, s := range w.samples() {
					if st.Point(s.Point).Quantity == site.AirTemperature {
						c = s.Value
					}
				}
				require.Less(t, w.ground(), c+1.5, "a sensor's noise and bias")
				h := float64(at.Hour()) + float64(at.Minute())/60
				if h < 12 && c < coldest {
					coldest, when = c, h
				}
				if h >= 12 && !math.IsInf(coldest, 1) {
					decl := 0.409 * math.Sin(2*math.Pi*float64(at.YearDay())/365-1.39) // FAO-56, equation 24
					lat := st.LatitudeDeg * math.Pi / 180
					rise := 12 - 12/math.Pi*math.Acos(-math.Tan(lat)*math.Tan(decl)) - map[bool]float64{true: st.LongitudeDeg / 15, false: 0.8}[model == "virtual"]
					days++
					if math.Abs(when-rise) < 1.5 {
						near++
					}
					coldest = math.Inf(1)
				}
			}
		}
		t.Logf("%s: coldest within an hour and a half of sunrise on %d of %d days", model, near, days)
		require.Greater(t, near, days*2/3, model)
	}
}

// TestLumpedCurveIsItsOwnInverse: level and held water say the same.
func TestLumpedCurveIsItsOwnInverse(t *testing.T) {
	w := newLumped(planOf(nil, 5, "lumped", fullSet, 1))
	for _, b := range w.bays {
		for h := 0.0; h < b.depthM; h += 0.00037 {
			require.InDelta(t, h, b.levelOf(b.held(h)), 1e-12)
		}
		require.Less(t, b.perMetre(b.depthM-0.001), b.perMetre(0.02)/2, "1 mm of rain lifts the level more near the clay")
	}
}

// A demand counts as met only where the level that the controller reads is as high as it is to be: not while it is
// asked, nor where the command went because the window closed.
func TestADemandThatWasMet(t *testing.T) {
	e := &exposed{}
	for want, cases := range map[bool][]truth{
		true:  {{setM: 0.080, chamberM: 0.0805}, {setM: 0.080, chamberM: 0.0797, noiseM: 1.5e-4}},
		false: {{setM: 0.080, chamberM: 0.0805, asks: true}, {setM: 0.080, chamberM: 0.0785, noiseM: 1.5e-4}, {setM: 0.080, bandM: 0.004, chamberM: 0.074}},
	} {
		for _, e.truth = range cases {
			require.Equal(t, want, content(e), "%+v", e.truth)
		}
	}
}

// What a bay two bands under its habit is late for is a demand: where its window was closed all the while, it has
// half an hour of the first; one that sank while it asked, or asked before, has none.
func TestSunkBeforeAnyDemand(t *testing.T) {
	onset := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name        string
		sinks, asks int // minutes after the onset, 0 never
		rains       int // when rain fills it up, 0 never
		ends        int // from when it is late, 0 never
	}{
		{"never asked", 60, 0, 0, 0},
		{"never sank", 0, 60, 0, 0},
		{"asked, then sank", 120, 60, 0, 120},
		{"asked as it sank", 60, 60, 0, 60},
		{"sank, then asked", 60, 120, 0, 151},
		{"sank, then asked, then filled up", 60, 120, 130, 0},
		{"late, then filled up", 120, 60, 130, 120},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := &exposed{}
			f := &fault{kind: virtual.StuckShut, from: onset}
			for n := -60; n < 300; n++ {
				tr := truth{levelM: 0.080, setM: 0.083, bandM: 0.003, asks: c.asks > 0 && n >= c.asks}
				if c.sinks > 0 && n >= c.sinks && (c.rains == 0 || n < c.rains) {
					tr.levelM = 0.0735
				}
				e.update(onset.Add(time.Duration(n)*time.Minute), tr, time.Minute, f, &row{})
				require.Equal(t, c.ends == 0 || n < c.ends, remembered(e), "%d min", n)
			}
		})
	}
}

// TestExposureCountsWhatItSays walks the judge's own clock through an invented night.
func TestExposureCountsWhatItSays(t *testing.T) {
	onset := time.Date(2026, 6, 10, 18, 0, 0, 0, time.UTC)
	r := row{begins: runsUnasked}
	e := &exposed{}
	f := &fault{kind: virtual.StuckOpen, from: onset}
	at := onset.Add(-time.Hour)
	step := func(n int, tr truth) {
		for range n {
			at = at.Add(time.Minute)
			e.update(at, tr, time.Minute, f, &r)
		}
	}
	quiet := truth{crestM: 0.1, levelM: 0.08}
	step(70, quiet)
	require.True(t, e.felt.IsZero(), "nothing runs yet")
	running := quiet
	running.flowM3S = 1e-4
	step(1, running)
	require.Equal(t, at, e.felt)
	step(9, running)
	require.Equal(t, 9*time.Minute, e.inflow)
	running.levelM = 0.084
	step(1, running)
	step(24*60, quiet)
	require.Equal(t, 1, e.fills)
	require.InDelta(t, 0.004, e.movedM, 1e-12)
	// Local night is 19:00 to 03:00 UTC; the inflow ended at 18:21, and two hours are given.
	require.InDelta(t, 3+20.0/60+3, e.nightHours, 0.7)
	require.Equal(t, 10*time.Minute, e.inflow)
	require.True(t, within(25*time.Hour)(e))
	require.False(t, within(23*time.Hour)(e))
	require.Equal(t, site.ValveStuckOpen, rows[0].kinds[0])
}

// TestFactsAreNominal: what a model tells the account of itself is what a club would know. Over many
// draws the surveyed area is off by up to 3 % and the book's porosity by up to 30 %, spread over
// those ranges (a uniform one of ± x has a standard deviation of x over the root of three), and
// neither goes with the other.
func TestFactsAreNominal(t *testing.T) {
	for _, model := range []string{"lumped", "virtual"} {
		var area, poro []float64
		for n := range 40 {
			w := planOf(nil, seedOf("facts", n), model, fullSet, 2).build()
			st := w.facts()
			for b := range st.Bays() {
				a, phi := trueBay(w, b.ID)
				area = append(area, b.AreaM2/a-1)
				poro = append(poro, b.Layers[0].DrainablePorosity/phi-1)
			}
		}
		for _, c := range []struct {
			what string
			off  []float64
			most float64
		}{{"area", area, 0.03}, {"porosity", poro, 0.30}} {
			var mean, ms float64
			for _, x := range c.off {
				require.LessOrEqual(t, math.Abs(x), c.most+1e-9, "%s, %s", model, c.what)
				mean += x / float64(len(c.off))
				ms += x * x / float64(len(c.off))
			}
			// The spread of a mean of so many, four of its deviations.
			limit := 4 * math.Sqrt(ms/float64(len(c.off)))
			require.InDelta(t, 0, mean, limit, "%s, %s", model, c.what)
			require.InEpsilon(t, c.most/math.Sqrt(3), math.Sqrt(ms), 0.15, "%s, %s", model, c.what)
		}
		var both float64
		for i := range area {
			both += area[i] / 0.03 * poro[i] / 0.30 * 3 / float64(len(area))
		}
		require.Less(t, math.Abs(both), 4/math.Sqrt(float64(len(area))), "%s: correlation", model)
	}
}

// trueBay is what only the model knows of a bay: its area and its stone's porosity.
func trueBay(w world, bay string) (areaM2, porosity float64) {
	switch w := w.(type) {
	case *lumped:
		for _, b := range w.bays {
			if b.id == bay {
				return b.areaM2, b.porosity
			}
		}
	case *virtualWorld:
		for _, k := range w.conf.Courts {
			for _, b := range k.Bays {
				if b.ID == bay {
					return b.AreaM2, b.Layers[0].DrainablePorosity
				}
			}
		}
	}
	panic("no bay " + bay)
}

// TestNothingButFactsReadingsAndRecordsMoveTheCore: a core that is given a copy of the facts, parted
// from the model by being written down, and afterwards the readings and records as they would be kept,
// tells the same to the word as one beside the model. So whatever the scorecard's core knows it has
// from those three, and none of them carries the truth: they have no field for it.
func TestNothingButFactsReadingsAndRecordsMoveTheCore(t *testing.T) {
	for _, model := range []string{"lumped", "virtual"} {
		r := &rows[0]
		p := planOf(r, seedOf("leak of truth", 0), model, r.set, 0)
		p.days = min(p.days, 4)
		w := p.build()
		// What a site refers to is written down; the rest of it are figures and names.
		type references struct {
			Courts     []site.Court
			Points     []site.Point
			Neighbours [][2]string
		}
		copied := *w.facts()
		var kept bytes.Buffer
		require.NoError(t, gob.NewEncoder(&kept).Encode(references{copied.Courts, copied.Points, copied.Neighbours}))
		beside := agent.NewCore(w.facts())
		type moved struct {
			samples []site.Sample
			records []site.Record
		}
		var tape []moved
		var told []site.Event
		for at := p.start.Add(p.poll); at.Before(p.start.AddDate(0, 0, p.days)); at = at.Add(p.poll) {
			w.advance(at)
			m := moved{slices.Clone(w.samples()), slices.Clone(w.records())}
			for _, s := range m.samples {
				told = append(told, beside.Sample(s)...)
			}
			for _, r := range m.records {
				told = append(told, beside.Record(r)...)
			}
			tape = append(tape, m)
		}
		require.NotEmpty(t, told, "%s: the fault is told", model)

		var read references
		require.NoError(t, gob.NewDecoder(&kept).Decode(&read))
		copied.Courts, copied.Points, copied.Neighbours = read.Courts, read.Points, read.Neighbours
		apart := agent.NewCore(&copied)
		var again []site.Event
		for _, m := range tape {
			for _, s := range m.samples {
				again = append(again, apart.Sample(s)...)
			}
			for _, r := range m.records {
				again = append(again, apart.Record(r)...)
			}
		}
		require.Equal(t, told, again, model)
	}
}
