package watch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// A spell of weather is a rival of a loss by as much as evaporation may be wrong by: by twice what is
// stated where a bay stands alone, and where others show what the sky did by what a bay may differ from
// them, a tenth of the variance (water.OwnSky). 4 days that took 60 L too much of 450 L of evaporation, known to 30 L, are
// 4 x 60 / 450 / (4 + (30/450/u)2) of it; the half of them that nobody else shows makes it the mean.
func TestWhatOneBayEvaporatesBesideItsNeighboursIsNoWeather(t *testing.T) {
	v := newWorld(t, 1, nil)
	v.quiet(t, time.Hour)
	u := v.w.l.Balance(0).ETU()
	require.Positive(t, u)
	weather := func(before, first, second bool) float64 {
		var onsets []onset
		for n := range 28 {
			lost, alone := 0.0, before
			if n >= 20 {
				lost, alone = []float64{60, 36}[n%2], first
			}
			if n >= 24 {
				alone = second
			}
			f := quietWindow(int64(n), 0, 1)
			f.S, f.Nu, f.ET = 30*30, lost, []float64{450, 0}[n%2]
			onsets = append(onsets, onset{From: f.From, To: f.To, Nu: f.Nu, ET: f.ET, Alone: alone})
			for i := range onsets {
				carry(&onsets[i], &f)
			}
		}
		_, et := v.w.harmless(v.w.bays[0], onsets)
		return et
	}
	expect := func(variances float64) float64 {
		d, j := 4*60*450/900., 4*450*450/900.
		return d * d / (2 * (j + 1/(variances*u*u)))
	}
	require.InDelta(t, expect(4), weather(true, true, true), 1e-9, "nobody shows the sky")
	require.InDelta(t, expect(water.OwnSky), weather(false, false, false), 1e-9, "the others show it")
	require.InDelta(t, expect(water.OwnSky), weather(true, false, false), 1e-9, "what was before says nothing")
	require.InDelta(t, expect((4+water.OwnSky)/2), weather(false, true, false), 1e-9, "they show half of it")
}

// What was told of an evening and is over the day after counts as a day by which the bay strays, by all that
// the window it was found in showed: the stretches of hours alone had shown less.
func TestAWithdrawnLossIsAStrayDay(t *testing.T) {
	v := newWorld(t, 60, nil)
	v.step = 30 * time.Second
	v.quiet(t, 9*24*time.Hour+17*time.Hour)
	s := &v.w.bays[0].st.Bank
	v.bays[0].loss = 10e-3 / 3600
	require.NotEqual(t, time.Duration(-1), v.until(10*time.Hour, site.Leak, "A1"))
	require.Positive(t, s.Quick, "found within one window")
	quick, most := s.Quick, s.Stray.Most
	require.Greater(t, sq(quick), 1.1*most)
	v.bays[0].loss = 0
	for end := v.t.Add(36 * time.Hour); v.t.Before(end) && s.Open != ""; {
		v.tick()
	}
	require.Empty(t, s.Open, "withdrawn")
	require.Equal(t, sq(quick), s.Stray.Most)
}

// What a bay has been found to lose shows on the neighbour downhill: that is one trouble, named as soon as the
// other bay shows as much since. A neighbour that gains nothing,
// one that a hose has watered after it, or one that stands higher, is none.
func TestWhatANeighbourGainsNamesALoss(t *testing.T) {
	for _, row := range []struct {
		name       string
		gain, hose float64 // L/h, L
		below      float64 // m, how far the neighbour is held below
		named      bool
	}{{"seepage", 25, 0, 0.015, true}, {"leak", 0, 0, 0.015, false}, {"leak and hose", 0, 300, 0.015, false}, {"uphill", 25, 0, -0.006, false}} {
		t.Run(row.name, func(t *testing.T) {
			v := newWorld(t, 61, nil)
			v.step = 30 * time.Second
			v.bays[1].h, v.bays[1].set = v.bays[1].h-row.below, v.bays[1].set-row.below
			v.quiet(t, 7*24*time.Hour)
			v.bays[0].loss, v.bays[1].gain = 25e-3/3600, row.gain*1e-3/3600
			require.NotEqual(t, time.Duration(-1), v.until(3*24*time.Hour, site.Leak, "A1"))
			took := v.until(10*time.Hour, site.SeepageBetweenBays, "A1")
			if v.bays[1].h += row.hose * 1e-3 / 25; row.hose > 0 {
				took = v.until(20*time.Hour, site.SeepageBetweenBays, "A1")
			}
			require.Equal(t, row.named, took != -1, "%v", took)
			if f := has(v.out, site.SeepageBetweenBays, "A1"); f != nil {
				require.Equal(t, []string{"A1", "A2"}, f.Bays)
				require.InDelta(t, 25e-3/3600, f.RateM3S, 8e-3/3600)
			}
		})
	}
}

// A day in which a neighbour came by as much may be a hose's; a night, or a day and its night, are not.
func TestAHoseIsNoNeighboursLoss(t *testing.T) {
	for _, row := range []struct {
		first, windows int64
		named          bool
	}{{0, 1, false}, {1, 1, true}, {0, 2, true}} {
		v := newWorld(t, 1, nil)
		a, b := v.w.bays[0], v.w.bays[1]
		a.look.BayM, b.look.BayM = 0.080, 0.070
		from := quietWindow(row.first, 0, 1).From
		a.st.Bank.Open, a.st.Bank.Since, a.st.Bank.Size = site.Leak, from, 25
		for n := row.first; n < row.first+row.windows; n++ {
			f := quietWindow(n, 0, 1)
			f.Nu = -25 * f.Hours
			b.st.Bank.Onsets = append(b.st.Bank.Onsets, onset{From: f.From, To: f.To, Nu: f.Nu, Night: f.Night})
			for i := range b.st.Bank.Onsets {
				carry(&b.st.Bank.Onsets[i], &f)
			}
		}
		require.Equal(t, row.named, v.w.mirrors(a, b), "%v", row)
	}
}

// How a chamber leads is not known in the first days, nor for hours after each of the first fills, though rain
// has put them off for a week; a bay that is never filled has no lead.
func TestTheFirstFillsLeadIsUnknown(t *testing.T) {
	v := newWorld(t, 1, nil)
	v.tick()
	began := v.w.st.Started
	for _, row := range []struct {
		after, ago time.Duration // since the beginning, since the last fill
		fills      int
		runs       bool
		young      bool
	}{
		{2 * 24 * time.Hour, 6 * time.Hour, 9, false, true},
		{5 * 24 * time.Hour, 0, 0, false, false},
		{5 * 24 * time.Hour, 0, 0, true, true},
		{5 * 24 * time.Hour, time.Hour, 1, false, true},
		{5 * 24 * time.Hour, 4 * time.Hour, 1, false, false},
		{5 * 24 * time.Hour, time.Hour, 3, false, true},
		{5 * 24 * time.Hour, time.Hour, 4, false, false},
	} {
		now := began + row.after.Milliseconds()
		k := water.Look{Fills: row.fills, Runs: row.runs, LastTo: now - row.ago.Milliseconds()}
		require.Equal(t, row.young, v.w.young(&k, now), "%+v", row)
	}
}

// What fills say of the storage is heard while nothing is wrong with the bay, and while a steady loss or a wrong meter
// shows beside the other bays only, which they are to tell apart; not while anything else is wrong there.
func TestFillsOfATroubledBaySayNothing(t *testing.T) {
	v := newWorld(t, 7, nil)
	y := v.w.bays[0]
	for end := v.t.Add(5 * 24 * time.Hour); len(v.l.Slopes(0)) == 0; v.tick() {
		require.True(t, v.t.Before(end), "no fills of half a day have said anything of the storage")
	}
	require.NotEmpty(t, v.w.slopes(y))
	y.st.Beside.Open = true
	require.NotEmpty(t, v.w.slopes(y), "found beside the other bays only")
	y.st.Valve.Open = true
	require.Empty(t, v.w.slopes(y), "the valve is stuck")
}

// A small loss that some hours showed is the windows' once a whole one has shown it since, and other hours do not take
// it back; until then, and where it is large, they may.
func TestAWindowConfirmsWhatHoursShowed(t *testing.T) {
	v := newWorld(t, 1, nil)
	for _, row := range []struct {
		size, lost float64
		since      int64
		quick      float64
	}{{9, 1, 0, 0}, {9, 0, 0, 20}, {9, 1, hour, 20}, {90, 1, 0, 20}} {
		f := quietWindow(3, 0, 1)
		f.Nu = row.lost * row.size * f.Hours
		s := bankState{Open: site.Leak, Since: f.From, Seen: f.From + row.since, First: row.size, Quick: 20}
		v.w.carryOpen(&s, &f)
		require.Equal(t, row.quick, s.Quick, "%+v", row)
	}
}
