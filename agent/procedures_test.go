package agent_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
	"bayledger/historian/journal"
)

// hand is a person at work: it is called every ten seconds of the site's time with the step that
// stands, and does what the step says.
type hand func(r *procedure.Running)

// work lets a person follow a procedure until it is over, or nobody is needed any more, or it has
// failed; it returns the run as it stands, nil when it is over.
func (h *pumpHouse) work(k procedure.Kind, d time.Duration, do hand) *procedure.Running {
	h.t.Helper()
	return h.until(k, d, "through", func(r *procedure.Running) bool {
		if r == nil || !slices.Contains([]procedure.State{procedure.Watching, procedure.Passed}, r.Now.Verdict.State) || r.Now.Alone && r.Now.Ask == nil {
			return true
		}
		do(r)
		return false
	})
}

// yes answers every question that is only a confirmation.
func (h *pumpHouse) yes(r *procedure.Running) {
	if r.Now.Ask != nil && r.Now.Ask.Kind == procedure.AskConfirm && !r.Now.Answered {
		h.say(procedure.Answer{Do: "answer", Run: r.ID, Step: r.Now.Step})
	}
}

func (h *pumpHouse) type_(r *procedure.Running, text string) {
	if !r.Now.Answered {
		h.say(procedure.Answer{Do: "answer", Run: r.ID, Step: r.Now.Step, Text: text})
	}
}

// openUntilTold holds a valve open as long as the tool does not say to shut it.
func (h *pumpHouse) openUntilTold(r *procedure.Running, id string) {
	switch r.Now.Verdict.Phase {
	case "shut", "drain", "tell", "passed", "spread":
	default:
		h.openValve(id, 10*time.Second)
	}
}

func (h *pumpHouse) break_(k virtual.FaultKind, bay string, size float64, d time.Duration) {
	h.t.Helper()
	f := virtual.Fault{Kind: k, Bay: bay, Size: size, From: h.clk.Now()}
	if d > 0 {
		f.To = f.From.Add(d)
	}
	require.NoError(h.t, h.field.SetFault(f))
}

func (h *pumpHouse) stopRun(k procedure.Kind) {
	r := h.run(k)
	h.say(procedure.Answer{Do: "stop", Run: r.ID, Why: "seen enough"})
}

func TestEndToEndBeforeWater(t *testing.T) {
	h := house(t, nil)
	h.wait(time.Minute)
	follow := func(date string) *procedure.Running {
		h.start(procedure.BeforeWater, "")
		return h.work(procedure.BeforeWater, 30*time.Minute, func(r *procedure.Running) {
			h.yes(r)
			if r.Now.Ask != nil && r.Now.Ask.Kind == procedure.AskDate {
				h.type_(r, date)
			}
		})
	}
	require.Nil(t, follow("2026-03-20"))
	rec := h.record(procedure.BeforeWater)
	require.True(t, rec.SignedOff, rec.Results)
	require.Equal(t, "Ada", rec.Results[0].Who)
	require.NotEmpty(t, rec.Results[len(rec.Results)-1].Readings)

	r := follow("2024-03-20")
	require.Contains(t, r.Now.Verdict.Says, "more than a year ago")
	h.stopRun(procedure.BeforeWater)
	require.False(t, h.record(procedure.BeforeWater).SignedOff)
	require.Equal(t, "seen enough", h.record(procedure.BeforeWater).Stopped)

	// A unit that is silent for twenty seconds of five minutes loses more than one in a hundred.
	h.start(procedure.BeforeWater, "")
	r = h.work(procedure.BeforeWater, 30*time.Minute, func(r *procedure.Running) {
		h.yes(r)
		if r.Now.Ask != nil && r.Now.Ask.Kind == procedure.AskDate {
			require.NoError(t, h.field.SetFault(virtual.Fault{Kind: virtual.UnitSilent, Unit: 1, From: h.clk.Now().Add(2 * time.Minute), To: h.clk.Now().Add(2*time.Minute + 20*time.Second)}))
			h.type_(r, "2026-03-20")
		}
	})
	require.Contains(t, r.Now.Verdict.Says, "more than 1 % cannot be signed off")
	require.NotContains(t, r.Now.Can, "skip", "lost readings cannot be passed over")
	h.stopRun(procedure.BeforeWater)

	// A meter that turns with every valve shut.
	h.break_(virtual.MeterCreep, "B2", 60, 0)
	r = follow("2026-03-20")
	require.Contains(t, r.Now.Verdict.Says, "the meter of B2 moves")
}

func TestEndToEndPressureOn(t *testing.T) {
	follow := func(h *pumpHouse, tune func(r *procedure.Running)) *procedure.Running {
		h.wait(time.Minute)
		h.start(procedure.PressureOn, "")
		for {
			r := h.work(procedure.PressureOn, 2*time.Hour, func(r *procedure.Running) {
				if tune != nil {
					tune(r)
				}
				if r.Now.Step == "upstream" {
					h.act(virtual.Act{Kind: virtual.ShutSupply, At: h.clk.Now(), Until: h.clk.Now().Add(16 * time.Minute)})
				}
				h.yes(r)
			})
			if r == nil || r.Now.Verdict.State == procedure.Failed {
				return r
			}
			h.wait(time.Minute) // the static hold needs nobody
		}
	}
	t.Run("right", func(t *testing.T) {
		h := house(t, nil)
		require.Nil(t, follow(h, nil))
		rec := h.record(procedure.PressureOn)
		require.True(t, rec.SignedOff, rec.Results)
	})
	// A regulator that is set wrong is turned the way the tool says, until the gauge is in the band; one
	// that nobody turns is not signed off.
	for _, row := range []struct {
		name  string
		fault virtual.FaultKind
		size  float64 // per cent of the usual pressure
		phase string
		turn  string
	}{
		{"regulator too high", virtual.PressureHigh, 140, "high", "screw out (anticlockwise)"},
		{"regulator too low", virtual.PressureLow, 60, "low", "screw in (clockwise)"},
	} {
		t.Run(row.name, func(t *testing.T) {
			h := house(t, nil)
			h.break_(row.fault, "", row.size, 0)
			turned := ""
			r := follow(h, func(r *procedure.Running) {
				if r.Now.Verdict.Phase == row.phase && turned == "" {
					turned = r.Now.Verdict.Says
					h.field.Clear("site")
				}
			})
			require.Nil(t, r)
			require.Contains(t, turned, row.turn)
			rec := h.record(procedure.PressureOn)
			require.True(t, rec.SignedOff)
			low, high := h.c.Supply.LowPa, h.c.Supply.HighPa
			require.Equal(t, "pressure", rec.Results[0].Step)
			require.GreaterOrEqual(t, rec.Results[0].Values["pressure_pa"], low)
			require.LessOrEqual(t, rec.Results[0].Values["pressure_pa"], high)

			h.break_(row.fault, "", row.size, 0)
			r = follow(h, nil)
			require.Equal(t, "pressure", r.Now.Step)
			require.Contains(t, r.Now.Verdict.Says, row.turn)
			pa := r.Now.Verdict.Values["pressure_pa"]
			require.True(t, pa < low || pa > high, pa)
			h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "the regulator is rusted"})
			h.stopRun(procedure.PressureOn)
			require.False(t, h.record(procedure.PressureOn).SignedOff)
		})
	}
	t.Run("leak during the hold", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			c.Faults = []virtual.Fault{{Kind: virtual.LineLeak, From: evening.Add(5 * time.Minute), Size: 60}}
		})
		r := follow(h, nil)
		require.Equal(t, "hold", r.Now.Step)
		require.Contains(t, r.Now.Verdict.Says, "with every valve shut")
		require.InDelta(t, 60, r.Now.Verdict.Values["leak_m3s"]*3.6e6, 25)
	})
	t.Run("pressure that does not hold", func(t *testing.T) {
		// 4 L/h: too little for the hold's ten minutes and a main meter that starts at 8 L/h.
		h := house(t, func(c *virtual.Config) { c.Supply.LeakM3S = 4e-3 / 3600 })
		r := follow(h, nil)
		require.Equal(t, "decay", r.Now.Step)
		require.Contains(t, r.Now.Verdict.Says, "the line loses water")
	})
}

func TestEndToEndFlush(t *testing.T) {
	h := house(t, nil)
	h.wait(time.Minute)
	follow := func(wrong string) *procedure.Running {
		h.start(procedure.Flush, "")
		return h.work(procedure.Flush, 3*time.Hour, func(r *procedure.Running) {
			h.yes(r)
			if id, ok := strings.CutPrefix(r.Now.Step, "bay "); ok {
				if id == wrong {
					id = "B3"
				}
				h.openUntilTold(r, id)
			}
		})
	}
	require.Nil(t, follow(""))
	rec := h.record(procedure.Flush)
	require.True(t, rec.SignedOff, rec.Results)
	for _, x := range rec.Results {
		if strings.HasPrefix(x.Step, "bay ") {
			require.InDelta(t, 120, x.Values["ran_s"], 45, "%s ran about two minutes", x.Step)
		}
	}
	r := follow("A3")
	require.Contains(t, r.Now.Verdict.Says, "runs through the meter of B3, not only A3")
}

// A sensor that stands 6 mm high and a meter that registers 4 % too much are found, and the bay's
// true level and water are inside what the calibration says.
func TestEndToEndCalibration(t *testing.T) {
	h := house(t, func(c *virtual.Config) {
		b := &c.Courts[0].Bays[0]
		b.LevelM = 0.030
		b.Level.OffsetM, b.Level.PerDegM = 0.006, 0
		b.Meter.Error = 0.04
	})
	h.wait(2 * time.Minute)
	chamber := func() float64 {
		a, err := h.field.Truth("A1")
		require.NoError(t, err)
		return a.ChamberM
	}
	start, measured := 0.0, 0.0
	opened := false
	h.start(procedure.Calibrate, "A1")
	// Somebody who does not wait for the word is not believed.
	early := procedure.Answer{Do: "answer", Run: h.run(procedure.Calibrate).ID, Step: "dip 1", Text: "36 mm"}
	_, err := early.Record(h.picture(), h.clk.Now())
	require.ErrorContains(t, err, "it is too early for that: Not at rest yet")
	do := func(r *procedure.Running) {
		switch {
		case strings.HasPrefix(r.Now.Step, "dip "):
			if r.Now.Verdict.Phase == "dip" {
				h.type_(r, mm(chamber()))
			}
		case r.Now.Step == "move":
			h.openUntilTold(r, "A1")
		case r.Now.Step == "bucket":
			if !opened {
				start, opened = h.filled()["A1"], true
			}
			if h.filled()["A1"]-start < 0.1 {
				h.openValve("A1", 10*time.Second)
			} else if r.Now.Verdict.Phase == "tell" {
				measured = h.filled()["A1"] - start
				h.type_(r, litresOf(measured))
			}
		case r.Now.Step == "crest":
			h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "the overflow is not reached today"})
		}
	}
	r := h.work(procedure.Calibrate, 8*time.Hour, do)
	require.Equal(t, "bucket", r.Now.Step, r.Now.Verdict.Says)
	require.Equal(t, procedure.Failed, r.Now.Verdict.State, r.Now.Verdict.Says)
	require.Contains(t, r.Now.Verdict.Says, "does not keep its class")
	h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: "bucket", Why: "to be replaced"})
	r = h.work(procedure.Calibrate, time.Hour, func(r *procedure.Running) {
		if do(r); r.Now.Step == "accept" {
			h.type_(r, "take")
		}
	})
	require.Equal(t, "weeks", r.Now.Step)
	// From now on the reading is the true level, within what the dips can tell.
	h.wait(time.Minute)
	b := h.a.View().Bay("A1")
	require.InDelta(t, chamber(), b.LevelM, 0.0025)

	rec := h.record(procedure.Calibrate)
	require.True(t, rec.Provisional)
	require.False(t, rec.SignedOff, "the meter has failed and was passed over")
	var sensor, bucket *procedure.Result
	for i := range rec.Results {
		switch rec.Results[i].Step {
		case "sensor":
			sensor = &rec.Results[i]
		case "bucket":
			bucket = &rec.Results[i]
		}
	}
	require.InDelta(t, -0.006, sensor.Values["offset_m"], sensor.Values["offset_u"])
	require.InDelta(t, 1, sensor.Values["gain"], sensor.Values["gain_u"])
	require.InDelta(t, 0.04, bucket.Values["error"], bucket.Values["error_u"])
	require.Contains(t, strings.Join(rec.Fix, "\n"), "bay A1: points: meter: { gain: 0.96")
	require.Less(t, sensor.Values["gain_u"], 0.06)

	h.stopRun(procedure.Calibrate)
}

// A bay is calibrated right first time, and the record becomes final: dips, bucket and crest by a person,
// the porosity from a fortnight in which somebody fills the bay each evening. The same fortnight is the first
// of a season that was opened that day: its record becomes final too.
func TestEndToEndCalibrationToItsFinalRecord(t *testing.T) {
	h := house(t, func(c *virtual.Config) {
		c.Step = virtual.Span(10 * time.Second) // days of it
		c.Courts = c.Courts[:1]
		c.Courts[0].Bays, c.Neighbours = c.Courts[0].Bays[:1], nil
		b := &c.Courts[0].Bays[0]
		b.LevelM, b.Level.OffsetM, b.Level.PerDegM, b.Meter.Error = 0.030, 0, 0, 0
	})
	h.wait(2 * time.Minute)
	bay := h.c.Courts[0].Bays[0]
	now := func() virtual.Account {
		a, err := h.field.Truth("A1")
		require.NoError(t, err)
		return a
	}
	bucket, spilt := -1.0, time.Time{}
	h.start(procedure.Calibrate, "A1")
	r := h.work(procedure.Calibrate, 24*time.Hour, func(r *procedure.Running) {
		a := now()
		switch {
		case strings.HasPrefix(r.Now.Step, "dip ") && r.Now.Verdict.Phase == "dip":
			h.type_(r, mm(a.ChamberM))
		case r.Now.Step == "move":
			h.openUntilTold(r, "A1")
		case r.Now.Step == "bucket":
			if bucket < 0 {
				bucket = a.Filled
			}
			if a.Filled-bucket < 0.4 {
				h.openValve("A1", 10*time.Second)
			} else if r.Now.Verdict.Phase == "tell" {
				h.type_(r, litresOf(a.Filled-bucket))
			}
		case r.Now.Step == "crest":
			// The overflow runs until the whole bay is at it; then the valve is shut.
			if spilt.IsZero() && a.Overflowed > 0.01 {
				spilt = h.clk.Now()
			}
			if spilt.IsZero() || h.clk.Now().Sub(spilt) < 3*time.Hour {
				h.openValve("A1", 10*time.Second)
			} else if h.clk.Now().Sub(spilt) > 3*time.Hour+5*time.Minute && a.ChamberM < bay.CrestM+0.002 {
				h.type_(r, "yes")
			}
		case r.Now.Step == "accept":
			h.type_(r, "leave")
		}
	})
	require.NotNil(t, r)
	require.Equal(t, "weeks", r.Now.Step, r.Now.Verdict.Says)
	rec := h.record(procedure.Calibrate)
	require.True(t, rec.Provisional)
	require.True(t, rec.SignedOff, rec.Results)
	of := func(step string) map[string]float64 {
		i := slices.IndexFunc(rec.Results, func(x procedure.Result) bool { return x.Step == step })
		require.GreaterOrEqual(t, i, 0, step)
		return rec.Results[i].Values
	}
	require.InDelta(t, bay.CrestM, of("crest")["crest_m"], of("crest")["crest_u"])
	require.InDelta(t, 0, of("bucket")["error"], of("bucket")["error_u"])

	h.start(procedure.SpringOpening, "")
	for h.run(procedure.SpringOpening).Now.Step != "weeks" {
		r := h.work(procedure.SpringOpening, 6*time.Hour, h.opening)
		require.NotEqual(t, procedure.Failed, r.Now.Verdict.State, r.Now.Verdict.Says)
		h.wait(time.Minute)
	}
	require.True(t, h.record(procedure.SpringOpening).Provisional)

	h.pace(10 * time.Minute)
	for end := h.clk.Now().AddDate(0, 0, 15); h.run(procedure.Calibrate) != nil || h.run(procedure.SpringOpening) != nil; {
		require.True(t, h.clk.Now().Before(end), "it does not end")
		if h.clk.Now().UTC().Hour() == 19 && h.clk.Now().Minute() < 10 {
			h.openValve("A1", 15*time.Minute)
		}
		h.wait(10 * time.Minute)
	}
	rec = h.record(procedure.Calibrate)
	require.False(t, rec.Provisional)
	require.True(t, rec.SignedOff, rec.Results)
	require.GreaterOrEqual(t, rec.Ended.Sub(rec.Started), 14*24*time.Hour)
	weeks := of("weeks")
	// How often the interval holds the truth is TestScorecardPorosityCoverage's; here it is the stone's own
	// figure, which air and late pores only lessen.
	stone := bay.Layers[0].DrainablePorosity
	require.Greater(t, weeks["porosity"]+weeks["porosity_u"], 0.6*stone)
	require.Less(t, weeks["porosity"]-weeks["porosity_u"], stone)
	require.Less(t, weeks["porosity_u"], 0.5*weeks["porosity"])

	rec = h.record(procedure.SpringOpening)
	require.False(t, rec.Provisional)
	require.True(t, rec.SignedOff, rec.Results)
	opened := of("weeks")
	require.InDelta(t, weeks["porosity"], opened["porosity A1"], weeks["porosity_u"], "the same fills, but for the day's")
	require.Less(t, opened["porosity_u A1"], 0.5*opened["porosity A1"])
}

// opening does what a step of the spring opening says.
func (h *pumpHouse) opening(r *procedure.Running) {
	if id, ok := strings.CutPrefix(r.Now.Step, "start "); ok {
		h.openUntilTold(r, id)
	}
	if r.Now.Step == "backflow" {
		h.type_(r, "2026-03-20")
	}
	h.yes(r)
}

func mm(m float64) string        { return fmt.Sprintf("%.1f mm", m*1000) }
func litresOf(m3 float64) string { return fmt.Sprintf("%.2f L", m3*1000) }

// A bucket that is too small for the meter's counts is refused, with the least that would do.
func TestEndToEndSmallBucket(t *testing.T) {
	h := house(t, func(c *virtual.Config) { c.Courts[0].Bays[1].Meter.PulseM3 = 1e-3 })
	h.wait(2 * time.Minute)
	h.start(procedure.Calibrate, "A2")
	start, opened := 0.0, false
	r := h.work(procedure.Calibrate, time.Hour, func(r *procedure.Running) {
		switch {
		case r.Now.Step != "bucket":
			h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "only the meter today"})
		case !opened:
			start, opened = h.filled()["A2"], true
			h.openValve("A2", 50*time.Second)
		case r.Now.Verdict.Phase == "tell":
			h.type_(r, litresOf(h.filled()["A2"]-start))
		}
	})
	require.Contains(t, r.Now.Verdict.Says, "too little: with counts of 1.0 L at least 117 L are needed to judge 2 %")
}

// dry makes the first bay of court A a new one: empty stone that has never been wet.
func dry(c *virtual.Config) {
	b := &c.Courts[0].Bays[0]
	b.LevelM, b.Retention = 0, 0.08
}

func TestEndToEndFirstFill(t *testing.T) {
	follow := func(h *pumpHouse) *procedure.Running {
		h.wait(2 * time.Minute)
		h.start(procedure.FirstFill, "A1")
		return h.work(procedure.FirstFill, 12*time.Hour, func(r *procedure.Running) {
			h.yes(r)
			if r.Now.Step == "fill" {
				h.openUntilTold(r, "A1")
			}
		})
	}
	t.Run("right", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			dry(c)
			c.Step = virtual.Span(10 * time.Second) // days of it
		})
		r := follow(h)
		require.Equal(t, "whole", r.Now.Step, r.Now.Verdict.Says)
		require.True(t, h.record(procedure.FirstFill).Provisional)
		r = h.until(procedure.FirstFill, 25*time.Hour, "whole", func(r *procedure.Running) bool {
			return r.Now.Step == "look 1" || r.Now.Verdict.State == procedure.Failed
		})
		require.Equal(t, "look 1", r.Now.Step, r.Now.Verdict.Says)
		// The week: one look is taken when it is due, one in the morning before; nobody comes to the
		// third, and it is filled in by what the readings say.
		h.pace(10 * time.Minute)
		early := procedure.Answer{Do: "answer", Run: r.ID, Step: "look 1", Text: "right"}
		_, err := early.Record(h.picture(), h.clk.Now())
		require.ErrorContains(t, err, "too early")
		look := func(step, text string, so func(r *procedure.Running) bool) {
			h.until(procedure.FirstFill, 3*24*time.Hour, "at "+step, func(r *procedure.Running) bool { return r.Now.Step == step && so(r) })
			h.answer(procedure.FirstFill, text)
		}
		look("look 1", "soft", func(r *procedure.Running) bool { return r.Now.Verdict.Phase == "due" })
		look("look 2", "right", func(r *procedure.Running) bool { return slices.Contains(r.Now.Can, "answer") })
		r = h.until(procedure.FirstFill, 3*24*time.Hour, "past look 3", func(r *procedure.Running) bool { return r.Now.Step == "look 4" })
		n := 0
		for _, x := range r.Results {
			if strings.HasPrefix(x.Step, "look ") {
				n++
				require.NotEmpty(t, x.Readings)
				require.Equal(t, n > 2, strings.Contains(x.Says, "Nobody looked"), x.Says)
				require.Contains(t, x.Says, "taken since the last look")
			}
		}
		require.Equal(t, 3, n)
	})
	t.Run("drain open", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			dry(c)
			c.Acts = []virtual.Act{{Kind: virtual.OpenDrain, Bay: "A1", At: evening, Until: evening.Add(48 * time.Hour)}}
		})
		r := follow(h)
		require.Equal(t, procedure.Failed, r.Now.Verdict.State)
		require.Contains(t, r.Now.Verdict.Says, "drain")
	})
	t.Run("frozen sensor", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			dry(c)
			c.Faults = []virtual.Fault{{Kind: virtual.SensorFrozen, Bay: "A1", From: evening.Add(time.Minute)}}
		})
		r := follow(h)
		require.Equal(t, procedure.Failed, r.Now.Verdict.State)
		require.Contains(t, r.Now.Verdict.Says, "the chamber has not risen")
		require.Contains(t, r.Now.Verdict.Says, "dip it")
	})
	t.Run("dead meter", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			dry(c)
			c.Faults = []virtual.Fault{{Kind: virtual.MeterDead, Bay: "A1", From: evening}}
		})
		require.Contains(t, follow(h).Now.Verdict.Says, "it is dead, or another bay's")
	})
}

// winter follows the winter close as far as the tool's own watch; an empty forget does everything
// right. What was taken out or shut stays so for the days given.
func (h *pumpHouse) winter(forget string, days int) *procedure.Running {
	h.t.Helper()
	far := h.clk.Now().AddDate(0, 0, days)
	h.start(procedure.WinterClose, "")
	done := map[string]bool{}
	return h.work(procedure.WinterClose, 3*time.Hour, func(r *procedure.Running) {
		step := r.Now.Step
		if !done[step] && step != forget {
			for _, id := range h.bays() {
				now := h.clk.Now()
				switch step {
				case "sensors":
					h.act(virtual.Act{Kind: virtual.LiftSensor, Bay: id, At: now, Until: far})
				case "drain":
					h.act(virtual.Act{Kind: virtual.OpenDrain, Bay: id, At: now, Until: far})
				}
			}
			if step == "upstream" {
				h.act(virtual.Act{Kind: virtual.ShutSupply, At: h.clk.Now(), Until: far})
				h.openValve("A1", 3*time.Minute)
			}
		}
		done[step] = true
		h.yes(r)
		if step == "how" {
			h.type_(r, "blown-out")
		}
		if step == "rating" {
			h.type_(r, "600 kPa")
		}
		if step == "air" {
			h.type_(r, "300 kPa")
		}
	})
}

func TestEndToEndSeasons(t *testing.T) {
	t.Run("a winter and a spring", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) { c.Step = virtual.Span(10 * time.Second) })
		// What the account knows of the fills is autumn's figures.
		for range 3 {
			for _, id := range h.bays() {
				h.openValve(id, 6*time.Minute)
				h.wait(8 * time.Minute)
			}
		}
		h.wait(10 * time.Minute)
		closed := h.clk.Now()
		r := h.winter("", 5)
		require.Equal(t, "verify", r.Now.Step, r.Now.Verdict.Says)
		require.Equal(t, 72*time.Hour, r.Now.Expect, "days, and not the hours a shut valve needs")
		rec := h.record(procedure.WinterClose)
		require.True(t, rec.Provisional)
		require.True(t, rec.SignedOff, rec.Results)
		require.True(t, h.a.View().Closed, "the season is closed")
		h.pace(10 * time.Minute)
		h.until(procedure.WinterClose, 73*time.Hour, "over", func(r *procedure.Running) bool {
			require.True(t, r == nil || r.Now.Verdict.State != procedure.Failed, "%+v", r)
			return r == nil
		})
		rec = h.record(procedure.WinterClose)
		require.True(t, rec.SignedOff, rec.Results)
		require.False(t, rec.Provisional)
		require.GreaterOrEqual(t, rec.Ended.Sub(rec.Started), 72*time.Hour)
		require.Contains(t, rec.Results[len(rec.Results)-1].Says, "For 3 days nothing showed water. Watched by: the main meter")
		require.Contains(t, rec.Results[len(rec.Results)-1].Says, "Not seen: whether the chambers of A1, A2, A3, B1, B2 and B3 fill", "the sensors are out")

		// Spring: everything is put back by the fifth day; over the winter a strainer has clogged.
		h.wait(closed.AddDate(0, 0, 5).Add(time.Hour).Sub(h.clk.Now()))
		h.pace(0)
		h.break_(virtual.LowFlow, "A2", 40, 0)
		h.wait(2 * time.Minute)
		h.start(procedure.SpringOpening, "")
		for h.run(procedure.SpringOpening).Now.Step != "weeks" {
			r := h.work(procedure.SpringOpening, 6*time.Hour, h.opening)
			require.NotEqual(t, procedure.Failed, r.Now.Verdict.State, "%+v", r)
			h.wait(time.Minute)
		}
		rec = h.record(procedure.SpringOpening)
		require.True(t, rec.SignedOff, rec.Results)
		require.True(t, rec.Provisional)
		i := slices.IndexFunc(rec.Results, func(x procedure.Result) bool { return x.Step == "compare" })
		require.Contains(t, rec.Results[i].Says, "Changed since", rec.Results[i].Values)
		require.Contains(t, rec.Results[i].Says, "flow of A2")
		require.NotContains(t, rec.Results[i].Says, "settling", "three fills tell it only so well")
		for _, id := range h.bays() {
			if id != "A2" {
				require.NotContains(t, rec.Results[i].Says, "flow of "+id)
			}
		}
		require.False(t, h.a.View().Closed, "the season is open")
	})
	// Over the winter two sensors and two meters were exchanged, and the regulator drifted: the opening stops at
	// each, and goes on once it is put right.
	t.Run("a spring with mistakes", func(t *testing.T) {
		h := house(t, func(c *virtual.Config) {
			c.Faults = append(swaps(virtual.SwapLevels, "A2+A3"), swaps(virtual.SwapMeters, "B1+B2")...)
		})
		h.break_(virtual.PressureLow, "", 60, 0)
		h.wait(2 * time.Minute)
		h.start(procedure.SpringOpening, "")
		var found []string
		for h.run(procedure.SpringOpening).Now.Step != "weeks" {
			r := h.work(procedure.SpringOpening, 6*time.Hour, func(r *procedure.Running) {
				if r.Now.Verdict.Phase == "low" && len(found) == 0 {
					found = append(found, r.Now.Verdict.Says)
					h.field.Clear("site")
				}
				h.opening(r)
			})
			if r.Now.Verdict.State == procedure.Failed {
				found = append(found, r.Now.Step+": "+r.Now.Verdict.Says)
				h.field.Clear(strings.TrimPrefix(r.Now.Step, "start "))
				h.wait(2 * time.Minute)
				h.say(procedure.Answer{Do: "again", Run: r.ID, Step: r.Now.Step})
			}
			h.wait(time.Minute)
		}
		require.Len(t, found, 3)
		require.Contains(t, found[0], "turn the regulator's screw in")
		require.Contains(t, found[1], "start A2: The chamber of A3 rises, and not that of A2")
		require.Contains(t, found[2], "start B1: Water runs through the meter of B2, not only B1")
	})
	// A valve that passes fills the line again a day later: found while nobody is there.
	t.Run("it does not stay empty", func(t *testing.T) {
		h := house(t, nil)
		h.wait(2 * time.Minute)
		require.Equal(t, "verify", h.winter("", 1).Now.Step)
		h.pace(10 * time.Minute)
		r := h.until(procedure.WinterClose, 30*time.Hour, "found", func(r *procedure.Running) bool { return r.Now.Verdict.State == procedure.Failed })
		require.Contains(t, r.Now.Verdict.Says, "under pressure again")
		require.Contains(t, r.Now.Can, "again")
	})
	t.Run("sensor left in", func(t *testing.T) {
		h := house(t, nil)
		h.wait(2 * time.Minute)
		h.start(procedure.WinterClose, "")
		r := h.until(procedure.WinterClose, time.Hour, "at the sensors", func(r *procedure.Running) bool {
			if r.Now.Step == "sensors" {
				return true
			}
			h.yes(r)
			return false
		})
		for _, id := range h.bays()[1:] {
			h.act(virtual.Act{Kind: virtual.LiftSensor, Bay: id, At: h.clk.Now(), Until: h.clk.Now().Add(time.Hour)})
		}
		h.wait(2 * time.Minute)
		h.yes(r)
		r = h.run(procedure.WinterClose)
		require.Equal(t, "sensors", r.Now.Step, "what the person says is not enough")
		require.Contains(t, r.Now.Verdict.Says, "Still in the water: A1.")
	})
	t.Run("upstream valve passes", func(t *testing.T) {
		h := house(t, nil)
		h.wait(2 * time.Minute)
		r := h.winter("upstream", 60)
		require.Equal(t, "upstream", r.Now.Step)
		require.Contains(t, r.Now.Verdict.Says, "Do not open a fitting")
	})
}

// Somebody opens a valve for the wiring proof and never comes back: the bays page again, and the
// watch finds the open valve. An answer brings the procedure back.
func TestEndToEndWalkedAway(t *testing.T) {
	h := house(t, nil)
	h.wait(2 * time.Minute)
	h.start(procedure.WiringProof, "")
	h.answer(procedure.WiringProof, "yes")
	h.until(procedure.WiringProof, 10*time.Minute, "at A1", func(r *procedure.Running) bool { return r.Now.Step == "valve A1" })
	require.NotEmpty(t, h.a.View().Work, "the bays do not page while somebody works")
	h.openValve("A1", 10*time.Hour)
	told := func() bool {
		return slices.ContainsFunc(h.a.View().Alarms, func(a alarm.Alarm) bool { return a.Told && a.Event.Bay == "A1" })
	}
	began := h.clk.Now()
	for !told() {
		require.Less(t, h.clk.Now().Sub(began), 4*time.Hour, "nothing was told")
		h.wait(time.Minute)
	}
	require.Greater(t, h.clk.Now().Sub(began), 30*time.Minute, "not while somebody was at work")
	r := h.run(procedure.WiringProof)
	require.True(t, r.Left)
	require.Empty(t, h.a.View().Work)
	h.act(virtual.Act{Kind: virtual.ManualShut, Bay: "A1", At: h.clk.Now(), Until: h.clk.Now().Add(900 * time.Hour)})
	h.say(procedure.Answer{Do: "skip", Run: r.ID, Step: r.Now.Step, Why: "was called away"})
	require.False(t, h.run(procedure.WiringProof).Left)
	require.NotEmpty(t, h.a.View().Work)
}

// The power fails in the middle of a step: the journal is copied as it lies on the card at that
// moment, and a new daemon goes on from the copy as the old one would have.
func TestEndToEndPowerCutInMidStep(t *testing.T) {
	h := house(t, func(c *virtual.Config) { c.Faults = swaps(virtual.SwapMeters, "A1+A2") })
	h.wait(2 * time.Minute)
	h.start(procedure.WiringProof, "")
	h.answer(procedure.WiringProof, "yes")
	h.until(procedure.WiringProof, 10*time.Minute, "at A1", func(r *procedure.Running) bool { return r.Now.Step == "valve A1" })
	h.openValve("A1", time.Hour)
	h.until(procedure.WiringProof, 10*time.Minute, "flowing", func(r *procedure.Running) bool { return r.Now.Verdict.Phase == "flow" })
	was := h.run(procedure.WiringProof)
	cut := filepath.Join(t.TempDir(), "card")
	require.NoError(t, os.CopyFS(cut, os.DirFS(h.dir)))
	h.stop()
	h.dir = cut
	h.boot()
	now := h.run(procedure.WiringProof)
	require.Equal(t, was.ID, now.ID)
	require.Equal(t, was.Now.Step, now.Now.Step)
	require.Equal(t, was.Now.Since, now.Now.Since)
	require.Equal(t, was.Now.Verdict, now.Now.Verdict)
	require.Equal(t, was.Results, now.Results)
	h.until(procedure.WiringProof, 30*time.Minute, "told to shut", func(r *procedure.Running) bool { return r.Now.Verdict.Phase == "shut" })
	h.act(virtual.Act{Kind: virtual.ManualShut, Bay: "A1", At: h.clk.Now(), Until: h.clk.Now().Add(900 * time.Hour)})
	h.answer(procedure.WiringProof, "A1")
	h.until(procedure.WiringProof, 10*time.Minute, "past A1", func(r *procedure.Running) bool { return r.Now.Step == "valve A2" })
	require.Equal(t, "A2", h.run(procedure.WiringProof).Results[1].Notes["meter"])
	// Each outcome stands in the journal once.
	h.stop()
	jo := siteOf(t, h.c, h.addr).Journal
	jo.Dir = h.dir
	j, err := journal.Open(t.Context(), jo)
	require.NoError(t, err)
	kept, err := j.Records(t.Context(), 0, 0, site.RecProcedure)
	require.NoError(t, err)
	require.NoError(t, j.Close())
	seen := map[string]int{}
	for _, r := range kept {
		seen[r.Text]++
	}
	for text, n := range seen {
		require.Equal(t, 1, n, text)
	}
}
