package watch

import (
	"math"
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

func TestRainOverTheCrestIsTheOverflowsWork(t *testing.T) {
	v := newWorld(t, 31, nil) // no gauge
	v.step, v.crest = 30*time.Second, 0.110
	v.quiet(t, 3*24*time.Hour)
	v.rain = 8e-3 / 3600 // 8 mm an hour for two hours: 64 mm in stone of a quarter
	got := v.kinds(2 * time.Hour)
	v.rain = 0
	require.GreaterOrEqual(t, v.bays[0].h, 0.105)
	for k, n := range v.kinds(20 * time.Hour) {
		got[k] += n
	}
	require.Zero(t, got[site.Overflowing])
	require.Zero(t, got[site.OverflowFault])
}

// One bay that stands over its crest with nothing let in has an overflow that does not carry; two of
// them stand in a storm, whether a gauge tells or not.
func TestAStormNobodyMeasuredBlocksNoOverflow(t *testing.T) {
	for over := 1; over <= 2; over++ {
		v := newWorld(t, 14, nil)
		v.quiet(t, time.Hour)
		from := v.t.UnixMilli()
		for now := from; now < from+40*minute; now += 10 * second {
			for i, y := range v.w.bays {
				y.look.LevelAt, y.look.RainAt, y.look.RunAt = now, 0, 0
				y.look.SmoothM, y.look.BayM = 0.080, 0.080
				if i < over {
					y.look.SmoothM, y.look.BayM = 0.130, 0.130
				}
				v.w.crest(y, now)
			}
		}
		require.Equal(t, over == 1, v.w.bays[0].st.Crest.Blocked, "%d over the crest", over)
	}
}

func TestAStuckValveOverflowsOnceAndIsOverWhenItIsShut(t *testing.T) {
	v := newWorld(t, 32, nil)
	v.crest = 0.110
	v.quiet(t, 30*time.Hour)
	for !v.bays[0].command {
		v.tick()
	}
	v.bays[0].stuck = true
	got := v.kinds(3 * time.Hour)
	require.Equal(t, 1, got[site.ValveStuckOpen])
	require.Equal(t, 1, got[site.Overflowing], "one episode, however the level flickers about the crest")
	f := has(v.out, site.Overflowing, "A1")
	require.NotNil(t, f)
	require.Contains(t, said(f.Because), "run in")
	v.bays[0].stuck = false // somebody shuts the hand valve
	require.Empty(t, v.kinds(12*time.Hour), "a full bay is what is left of a fault that is known")
	require.Nil(t, has(v.out, site.Overflowing, "A1"))
	require.Nil(t, has(v.out, site.Overfill, "A1"))
}

// A set point at the crest lets every fill run off: that is one alarm, which says so, and none a fill.
func TestABayHeldAtItsCrestIsToldOnce(t *testing.T) {
	v := newWorld(t, 14, func(s *site.Site) { s.Courts[0].Bays[0].CrestM, s.Courts[0].Bays[1].CrestM = 0.0790, 0.0790 })
	v.crest = 0.0790
	require.NotEqual(t, time.Duration(-1), v.until(24*time.Hour, site.Overflowing, "A1"))
	require.Contains(t, said(has(v.out, site.Overflowing, "A1").Because), "until the set point is lowered")
	for end := v.t.Add(3 * 24 * time.Hour); v.t.Before(end); {
		require.NotNil(t, has(v.tick(), site.Overflowing, "A1"), "%s", v.t)
	}
	v.bays[0].set -= 0.008
	require.Eventually(t, func() bool { return has(v.tick(), site.Overflowing, "A1") == nil }, time.Minute, time.Nanosecond)
}

func TestAnOverflowThatDrainsBelowItsCrest(t *testing.T) {
	v := newWorld(t, 33, nil)
	v.step, v.pause = 30*time.Second, 22*time.Minute
	v.quiet(t, 4*24*time.Hour)
	v.crest = 0.060 // it has slipped to 20 mm under the set point
	d := v.until(24*time.Hour, site.OverflowFault, "A1")
	require.Greater(t, d, time.Duration(0))
	require.Less(t, d, 4*time.Hour, "how low it sinks before its fills is not learned as where they begin")
	f := has(v.out, site.OverflowFault, "A1")
	require.Equal(t, site.Leak, f.OrKind)
	require.Contains(t, said(f.WouldDecide), "overflow")
	v.crest = 0
	for end := v.t.Add(2 * 24 * time.Hour); v.t.Before(end); {
		v.tick()
	}
	require.Nil(t, has(v.out, site.OverflowFault, "A1"), "it holds its water again")
}

// TestALossThatEndsAtALip: what tells a slipped overflow from a liner is that its loss ends. Nothing
// is let in meanwhile, so the level alone says it, from an hour after the loss was found.
func TestALossThatEndsAtALip(t *testing.T) {
	for _, row := range []struct {
		name     string
		lip      float64
		lipKnown bool
	}{
		{"drains to a lip and stops", 0.068, true},
		{"goes on", 0, false},
	} {
		v := newWorld(t, 34, nil)
		v.step = 30 * time.Second
		v.quiet(t, 4*24*time.Hour+21*time.Hour)
		y, from := v.w.bays[0], v.t
		v.bays[0].shut = true // nobody fills it
		run := func(d time.Duration) {
			for end := v.t.Add(d); v.t.Before(end); {
				v.bays[0].loss = 0
				if v.bays[0].h > row.lip {
					v.bays[0].loss = 120e-3 / 3600
				}
				v.tick()
			}
		}
		run(2 * time.Hour)
		y.st.Bank.open(site.Leak, &onset{From: from.UnixMilli(), To: v.t.UnixMilli(), Nu: 240}, v.t.UnixMilli(), 120, 10, 20, 20)
		v.tick()
		require.Equal(t, site.OverflowFault, has(v.out, site.Leak, "A1").OrKind, "%s: nothing has shown which of the two it is", row.name)
		run(3 * time.Hour)
		require.Equal(t, !row.lipKnown, math.IsNaN(y.st.Crest.LipM), row.name)
		require.Equal(t, !row.lipKnown, y.st.Crest.GoesOn, row.name)
		f, leak := has(v.out, site.OverflowFault, "A1"), has(v.out, site.Leak, "A1")
		if row.lipKnown {
			require.NotNil(t, f)
			require.InDelta(t, row.lip, y.st.Crest.LipM, 0.003)
			require.Contains(t, said(f.Because), "stopped losing")
			continue
		}
		require.Nil(t, f)
		require.Empty(t, leak.OrKind, "a loss that goes on is the liner's")
		require.InDelta(t, 5*0.120, leak.VolumeM3, leak.VolumeU, "the rate told, since its onset")
		require.InDelta(t, leak.RateM3S*v.t.Sub(leak.Since).Seconds(), leak.VolumeM3, 1e-6)
	}
}
