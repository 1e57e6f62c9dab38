package page

import (
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
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

func TestGauge(t *testing.T) {
	b := Bay{LevelM: 0.0588, SetPointM: 0.062, BandM: 0.004, CrestM: 0.09}
	reach := gaugeReach([]Bay{b})
	require.InDelta(t, 0.016, reach, 1e-12)
	g := gaugeOf(&b, reach)
	require.Equal(t, gauge{Known: true, WaterY: "60.0", WaterH: "40.0", BandY: "50.0", BandH: "12.5"}, g)
	b.LevelM, b.CrestM = 0.2, 0.070
	g = gaugeOf(&b, reach)
	require.Equal(t, "0.0", g.WaterY) // off the scale: the bay is full
	require.Equal(t, "25.0", g.CrestY)
	b.LevelM = nan
	require.Equal(t, gauge{}, gaugeOf(&b, reach))
	b.LevelM, b.BandM = 0.06, nan
	require.Equal(t, "0.0", gaugeOf(&b, reach).BandH)
	require.InDelta(t, 0.008, gaugeReach([]Bay{b}), 1e-12)
}

func TestDoingOf(t *testing.T) {
	at := func(f func(*Bay)) *Bay {
		b := &Bay{LevelM: 0.062, SetPointM: 0.062, BandM: 0.004, CrestM: 0.09, Settled: true}
		f(b)
		return b
	}
	rows := []struct {
		name   string
		b      *Bay
		closed bool
		want   Doing
	}{
		{"at its set point", at(func(*Bay) {}), false, Holding},
		{"no level", at(func(b *Bay) { b.LevelM = nan }), false, NoReading},
		{"water runs", at(func(b *Bay) { b.FlowM3S = 2e-6; b.LevelM = 0.08 }), false, Filling},
		{"flow not known", at(func(b *Bay) { b.FlowM3S = nan }), false, Holding},
		{"after a fill", at(func(b *Bay) { b.Settled = false; b.LevelM = 0.07 }), false, Settling},
		{"bottom of the band", at(func(b *Bay) { b.LevelM = 0.058 }), false, Holding},
		{"well below it", at(func(b *Bay) { b.LevelM = 0.0559 }), false, Low},
		{"a band above", at(func(b *Bay) { b.LevelM = 0.0661 }), false, High},
		{"at the crest", at(func(b *Bay) { b.LevelM = 0.09 }), false, OverCrest},
		{"no crest known", at(func(b *Bay) { b.LevelM = 0.2; b.CrestM = nan }), false, High},
		{"no set point known", at(func(b *Bay) { b.SetPointM = nan }), false, Holding},
		{"season closed, dry", at(func(b *Bay) { b.LevelM = 0.01 }), true, OutOfSeason},
		{"season closed, but water runs", at(func(b *Bay) { b.FlowM3S = 1e-3 }), true, Filling},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) { require.Equal(t, row.want, DoingOf(row.b, 1e-6, row.closed)) })
	}
}
