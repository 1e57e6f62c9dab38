package page

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

func courtOf(id string, rects ...site.Rect) site.Court {
	c := site.Court{ID: id}
	for i, r := range rects {
		c.Bays = append(c.Bays, site.Bay{ID: id + string(rune('1'+i)), Court: id, Plan: r})
	}
	return c
}

func TestLayoutFollowsThePlan(t *testing.T) {
	// Two courts side by side, a third south of them, given in another order; the middle bay of
	// the first court is twice as wide as its neighbours are long.
	s := &site.Site{Courts: []site.Court{
		courtOf("S", site.Rect{XM: 3, YM: 50, WidthM: 18, LengthM: 36}),
		courtOf("E", site.Rect{XM: 22, YM: 1, WidthM: 18, LengthM: 18}, site.Rect{XM: 22, YM: 19.1, WidthM: 18, LengthM: 18}),
		courtOf("W", site.Rect{XM: 0, YM: 0, WidthM: 9, LengthM: 12}, site.Rect{XM: 9, YM: 0, WidthM: 9, LengthM: 12}, site.Rect{XM: 0, YM: 12, WidthM: 18, LengthM: 24}),
	}}
	rows := layout(s)
	require.Len(t, rows, 2)
	require.Equal(t, []string{"W", "E"}, []string{rows[0][0].id, rows[0][1].id})
	require.Equal(t, "S", rows[1][0].id)
	w := rows[0][0]
	require.Equal(t, []planCell{{"W1", 1, 1, 2, 2}, {"W2", 1, 2, 2, 3}, {"W3", 2, 1, 3, 3}}, w.cells)
	require.InDelta(t, 12.0/24, w.rows[0].metres/w.rows[1].metres, 1e-9)
	require.InDelta(t, leastBayHeightRem, w.rows[0].least, 1e-9)
	// Edges 10 cm apart are one line, not a sliver.
	require.Len(t, rows[0][1].rows, 2)
}

func TestLayoutWithoutAPlan(t *testing.T) {
	for n := 1; n <= 7; n++ {
		s := &site.Site{Courts: []site.Court{courtOf("A", make([]site.Rect, n)...), courtOf("B", site.Rect{WidthM: 1, LengthM: 1})}}
		rows := layout(s)
		require.Len(t, rows, 1)
		require.Len(t, rows[0][0].cells, n)
		taken := map[[2]int]bool{}
		for _, c := range rows[0][0].cells {
			for r := c.r1; r < c.r2; r++ {
				for k := c.c1; k < c.c2; k++ {
					require.False(t, taken[[2]int{r, k}], "%d bays: two on one place", n)
					taken[[2]int{r, k}] = true
				}
			}
		}
		// Every place of the court is drawn.
		require.Len(t, taken, len(rows[0][0].cols)*len(rows[0][0].rows), "%d bays", n)
	}
	require.Empty(t, layout(&site.Site{Courts: []site.Court{{ID: "empty"}}}))
}

// TestGauge by hand: bands of 4 mm give 16 mm below; a crest 28 mm over the set point, with a tenth
// of it to spare, gives 30.8 mm above; a level 3.2 mm under the set point then stands at
// 34.0/46.8 from the top.
func TestGauge(t *testing.T) {
	sb := site.Bay{ID: "A1", BandM: 0.004, CrestM: 0.09}
	s := &site.Site{Courts: []site.Court{{Bays: []site.Bay{sb, {ID: "A2", BandM: nan, CrestM: nan}}}}}
	bays := []Bay{{BayNow: water.BayNow{Bay: "A1", SetPointM: 0.062}}, {BayNow: water.BayNow{Bay: "A2", SetPointM: 0.05}}}
	reach := reachOf(s, bays)
	require.InDelta(t, 0.0308, reach.up, 1e-12)
	require.InDelta(t, 0.016, reach.down, 1e-12)
	g := reach.of(&sb, 0.0588, 0.062)
	require.Equal(t, gauge{Known: true, WaterY: "72.6", WaterH: "27.4", SetY: "65.8", BandY: "65.8", BandH: "8.5", CrestY: "6.0"}, g)
	require.Equal(t, "0.0", reach.of(&sb, 0.2, 0.062).WaterY, "off the scale the gauge is full")
	require.Equal(t, gauge{}, reach.of(&sb, nan, 0.062))
	require.Equal(t, gauge{}, reach.of(&sb, 0.06, nan))
	sb.BandM = nan
	require.Equal(t, "0.0", reach.of(&sb, 0.06, 0.062).BandH)
	// A crest far above does not make the band unreadable.
	s.Courts[0].Bays[0].CrestM = 1
	require.InDelta(t, 0.048, reachOf(s, bays).up, 1e-12)
	s.Courts[0].Bays[0].BandM, s.Courts[0].Bays[0].CrestM = nan, nan
	require.Equal(t, gaugeReach{0.008, 0.008}, reachOf(s, bays))
}

func TestDoing(t *testing.T) {
	rows := []struct {
		name   string
		change func(*View, *Bay, *site.Bay)
		want   Doing
	}{
		{"at its set point", func(*View, *Bay, *site.Bay) {}, Holding},
		{"no good level", func(_ *View, b *Bay, _ *site.Bay) { b.Quality = site.Bad }, NoReading},
		{"level uncertain", func(_ *View, b *Bay, _ *site.Bay) { b.Quality = site.Uncertain }, Holding},
		{"a minute without a reading", func(v *View, b *Bay, _ *site.Bay) { b.LevelAt = v.Time.Add(-time.Minute) }, Holding},
		{"a second more", func(v *View, b *Bay, _ *site.Bay) { b.LevelAt = v.Time.Add(-61 * time.Second) }, NoReading},
		{"water runs", func(_ *View, b *Bay, _ *site.Bay) { b.Doing, b.SmoothM = water.Filling, 0.08 }, Filling},
		{"after a fill", func(_ *View, b *Bay, _ *site.Bay) { b.Doing, b.SmoothM = water.Settling, 0.07 }, Settling},
		{"bottom of the band", func(_ *View, b *Bay, _ *site.Bay) { b.SmoothM = 0.058 }, Holding},
		{"well below it", func(_ *View, b *Bay, _ *site.Bay) { b.SmoothM = 0.0559 }, Low},
		{"a band above", func(_ *View, b *Bay, _ *site.Bay) { b.SmoothM = 0.0661 }, High},
		{"at the crest", func(_ *View, b *Bay, _ *site.Bay) { b.SmoothM = 0.09 }, OverCrest},
		{"no crest known", func(_ *View, b *Bay, sb *site.Bay) { b.SmoothM, sb.CrestM = 0.2, nan }, High},
		{"no set point known", func(_ *View, b *Bay, _ *site.Bay) { b.SetPointM = nan }, Holding},
		{"season closed, dry", func(v *View, b *Bay, _ *site.Bay) { v.Closed, b.SmoothM = true, 0.01 }, OutOfSeason},
		{"season closed, but water runs", func(v *View, b *Bay, _ *site.Bay) { v.Closed, b.Doing = true, water.Filling }, Filling},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			v := aQuietView()
			b := v.Bay("A1")
			row.change(v, b, v.Site.Bay("A1"))
			require.Equal(t, row.want, v.doing(b))
		})
	}
}

// TestNight: eight in the evening to seven in the morning by the club's clock, also over the
// nights that have an hour less or more.
func TestNight(t *testing.T) {
	s := &site.Site{Zone: zone}
	local := func(text string) time.Time {
		at, err := time.ParseInLocation("2006-01-02 15:04", text, zone)
		require.NoError(t, err)
		return at
	}
	rows := []struct{ name, at, from, to string }{
		{"in the morning", "2026-07-14 06:41", "2026-07-13 20:00", "2026-07-14 06:41"},
		{"at noon", "2026-07-14 12:00", "2026-07-13 20:00", "2026-07-14 07:00"},
		{"in the evening", "2026-07-14 19:59", "2026-07-13 20:00", "2026-07-14 07:00"},
		{"as it begins", "2026-07-14 20:00", "2026-07-14 20:00", "2026-07-14 20:00"},
		{"spring, an hour less", "2026-03-29 09:00", "2026-03-28 20:00", "2026-03-29 07:00"},
		{"autumn, an hour more", "2026-10-25 09:00", "2026-10-24 20:00", "2026-10-25 07:00"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			from, to := Night(s, local(row.at))
			require.True(t, from.Equal(local(row.from)), from)
			require.True(t, to.Equal(local(row.to)), to)
		})
	}
	from, to := Night(s, local("2026-03-29 09:00"))
	require.Equal(t, 10*time.Hour, to.Sub(from))
	from, to = Night(s, local("2026-10-25 09:00"))
	require.Equal(t, 12*time.Hour, to.Sub(from))
}

// TestHeadlineTellsAnUnclosedNight: no alarm is open, but a night's water that nothing explains is
// not "as it was set"; within twice its expanded uncertainty it may be chance and is left alone.
func TestHeadlineTellsAnUnclosedNight(t *testing.T) {
	v := aQuietView()
	b := v.Bay("B1")
	b.Night.UnexplainedM3, b.Night.UnexplainedU = 0.149, 0.075
	require.Contains(t, get(t, serve(t, v), "/").Body.String(), "Every bay is as it was set.")
	b.Night.UnexplainedM3 = 1.012
	body := strings.ReplaceAll(get(t, serve(t, v), "/").Body.String(), "\u00a0", " ")
	require.Contains(t, body, "B1&#39;s account of the night does not close: 1012 ± 75 L unexplained.")
	require.Contains(t, body, "Watching")
}
