package watch

import (
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// TestLitresAreTheRateSinceItBegan: rate, time and litres of a finding are one statement; but what has not left
// a bay it has not lost.
func TestLitresAreTheRateSinceItBegan(t *testing.T) {
	v := newWorld(t, 8, nil)
	v.step = 30 * time.Second
	v.quiet(t, 5*24*time.Hour)
	v.bays[1].loss = 20e-3 / 3600
	v.until(30*time.Hour, site.Leak, "A2")
	rates := map[float64]bool{}
	for end := v.t.Add(48 * time.Hour); v.t.Before(end); v.tick() {
		f := has(v.out, site.Leak, "A2")
		require.InDelta(t, f.RateM3S*v.t.Sub(f.Since).Seconds(), f.VolumeM3, 1e-6)
		rates[f.RateM3S] = true
	}
	require.GreaterOrEqual(t, len(rates), 4, "each day and each night says anew how large it is")
	f, y := has(v.out, site.Leak, "A2"), v.w.bays[1]
	true_ := 20e-3 / 3600 * v.t.Sub(f.Since).Seconds()
	require.InDelta(t, true_, f.VolumeM3, f.VolumeU)
	y.st.Bank.Size = 2000
	m3, u := v.w.lost(y, v.t.UnixMilli())
	require.InDelta(t, y.st.Bank.Tally.Left, m3, 1e-9)
	require.Less(t, m3, 2*true_+0.5, "the loss, and what evaporated")
	require.Less(t, u, m3)
}

func TestLeakIsFoundSizedAndEnds(t *testing.T) {
	v := newWorld(t, 8, nil)
	v.step = 30 * time.Second
	v.quiet(t, 5*24*time.Hour)
	v.bays[1].loss = 20e-3 / 3600
	from := v.t
	d := v.until(30*time.Hour, site.Leak, "A2")
	require.Greater(t, d, time.Duration(0))
	f := has(v.out, site.Leak, "A2")
	require.InDelta(t, 20, f.RateM3S*3.6e6, 10)
	require.WithinDuration(t, from, f.Since, 6*time.Hour)
	require.Greater(t, f.Confidence, 0.9)
	require.Nil(t, has(v.out, site.Leak, "A1"))
	v.bays[1].loss = 0
	for end := v.t.Add(4 * 24 * time.Hour); v.t.Before(end) && has(v.out, site.Leak, "A2") != nil; {
		v.tick()
	}
	require.Nil(t, has(v.out, site.Leak, "A2"), "the account has closed again")
}

// A loss of 12 L/h is told in its first night in most worlds where five days have shown how little the windows of a
// quiet site scatter: what settled levels are unsure of decides about that. With 0.2 mm it was told in two of these.
func TestASmallLeakIsToldInItsFirstNight(t *testing.T) {
	told := 0
	for seed := range uint64(8) {
		v := newWorld(t, seed+1, nil)
		v.step = 30 * time.Second
		v.quiet(t, 5*24*time.Hour)
		v.bays[1].loss = 12e-3 / 3600
		if v.until(12*time.Hour, site.Leak, "A2") > 0 {
			told++
		}
	}
	require.GreaterOrEqual(t, told, 6)
}

func TestATornLinerIsFoundWithinHours(t *testing.T) {
	v := newWorld(t, 9, nil)
	v.step = 30 * time.Second
	v.quiet(t, 4*24*time.Hour+20*time.Hour)
	v.bays[0].loss = 200e-3 / 3600
	d := v.until(2*time.Hour, site.Leak, "A1")
	require.Greater(t, d, 30*time.Minute, "a quarter of an hour and again a quarter must show it, though it is filled meanwhile")
	b := &v.w.bays[0].st.Bank
	require.InDelta(t, 200, b.Size, 2*b.SizeU, "the rate said holds the true one within what is said of it")
	for range int((2*time.Hour - d) / v.step) {
		v.tick()
	}
	require.NotNil(t, has(v.out, site.Leak, "A1"))
	require.InDelta(t, 200, b.Size, 2*b.SizeU)
	require.Less(t, b.SizeU, 60.0, "two hours after its onset")
}

// TestATornLinerIsFoundWhileItIsFilledWithoutRest: with fills every few minutes there is no moment at
// which the chamber has been still.
func TestATornLinerIsFoundWhileItIsFilledWithoutRest(t *testing.T) {
	v := newWorld(t, 10, nil)
	v.step = 30 * time.Second
	v.quiet(t, 5*24*time.Hour+9*time.Hour)
	v.bays[1].loss = 300e-3 / 3600
	d := v.until(5*time.Hour, site.Leak, "A2")
	require.Greater(t, d, time.Duration(0))
	b := &v.w.bays[1].st.Bank
	require.InDelta(t, 300, b.Size, 2*b.SizeU)
}

func TestSupplyLineLeak(t *testing.T) {
	for _, row := range []struct{ pulseL, lossLPH float64 }{
		{10, 50},
		{1, 57}, // the least loss looked for is many times the noise of such a meter
	} {
		v := newWorld(t, 10, func(s *site.Site) { s.Point("main").PulseM3 = row.pulseL / 1000 })
		v.step, v.pulse = 30*time.Second, row.pulseL/1000
		v.quiet(t, 2*24*time.Hour)
		v.line = row.lossLPH / 3.6e6
		d := v.until(24*time.Hour, site.SupplyLineLeak, "")
		require.Greater(t, d, 2*time.Hour, "a hose that runs for an hour is none")
		require.Less(t, d, 12*time.Hour)
		f := has(v.out, site.SupplyLineLeak, "")
		require.InDelta(t, row.lossLPH, f.RateM3S*3.6e6, 15)
		v.line = 0
		for end := v.t.Add(24 * time.Hour); v.t.Before(end) && has(v.out, site.SupplyLineLeak, "") != nil; {
			v.tick()
		}
		require.Nil(t, has(v.out, site.SupplyLineLeak, ""))
	}
}

// Clay that begins to drink in the evening is told as a loss at most until its habit is known again,
// not every evening.
func TestAnEveningsLossIsNotToldEveryEvening(t *testing.T) {
	v := newWorld(t, 12, nil)
	v.step = 30 * time.Second
	v.quiet(t, 6*24*time.Hour)
	v.evening = 45e-3 / 3600
	told, was := 0, false
	for end := v.t.Add(8 * 24 * time.Hour); v.t.Before(end); {
		is := has(v.tick(), site.Leak, "A1") != nil
		if is && !was {
			told++
		}
		was = is
	}
	require.LessOrEqual(t, told, 2)
	t.Log("told", told)
}
