package water

import (
	"math"
	"testing"
	"time"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// closedIn runs on and returns the windows closed meanwhile.
func (f *formula) closedIn(d time.Duration) (ws []Window) {
	for end := f.t.Add(d); f.t.Before(end); {
		f.run(f.l, 30*time.Second)
		ws = append(ws, f.l.Fresh(0)...)
	}
	return ws
}

// hourOf is the hour of day of a moment of the ledger.
func hourOf(ms int64) float64 { return float64(ms%(24*hour)) / float64(hour) }

// Two hours in which the overflow runs cost those and the settling, not the day or the night they lie in. What
// is left of a day is judged and not learned from.
func TestAnOverflowCostsItsOwnHours(t *testing.T) {
	f, _ := newFormula(t)
	f.run(f.l, 5*24*time.Hour+11*time.Hour)
	fills := &f.l.bays[0].st.Span
	fills.XX, fills.XY = 1, 1
	f.stuck = true
	forenoon := f.closedIn(2 * time.Hour)
	f.stuck = false
	require.Len(t, forenoon, 1)
	require.True(t, forenoon[0].Part && !forenoon[0].Night && !forenoon[0].Spoilt)
	require.InDelta(t, 11, hourOf(forenoon[0].To), 0.8)
	require.NotZero(t, fills.XX, "what fills say of the storage is summed by the half day")
	known := f.l.bays[0].st.Habit.N
	ws := f.closedIn(10*time.Hour + 50*time.Minute)
	require.Len(t, ws, 1, "from where it had settled to dusk")
	w := ws[0]
	require.True(t, w.Part && !w.Night && !w.Spoilt && !w.Joined)
	require.InDelta(t, 13.8, hourOf(w.From), 0.8)
	require.InDelta(t, 21.5, hourOf(w.To), 0.5)
	require.NotZero(t, w.late)
	require.Less(t, math.Abs(w.Nu), 3*math.Sqrt(w.S))
	require.Equal(t, known, f.l.bays[0].st.Habit.N)

	// The night after, at midnight.
	f.run(f.l, 5*time.Minute)
	f.stuck = true
	before := f.closedIn(40 * time.Minute)
	f.stuck, f.h = false, 0.107 // nothing is drawn by night, so it would stand at the crest till morning
	after := f.closedIn(6 * time.Hour)
	require.Len(t, before, 1)
	require.True(t, before[0].Part && before[0].Night && before[0].Joined && !before[0].Spoilt)
	require.InDelta(t, 24, hourOf(before[0].To), 0.2)
	require.Len(t, after, 1)
	require.True(t, after[0].Part && after[0].Night && !after[0].Joined && !after[0].Spoilt)
	require.Greater(t, f.l.bays[0].st.Habit.N, known)

	// And one that keeps the bay at its crest till morning: what begins then is a day's.
	f.run(f.l, 17*time.Hour)
	f.stuck = true
	f.run(f.l, 40*time.Minute)
	f.stuck = false
	f.run(f.l, 10*time.Hour)
	w.From = f.l.bays[0].st.Win.From.M.T
	require.Greater(t, hourOf(w.From), 6.0)
	require.Less(t, hourOf(w.From), 10.0)
	require.False(t, f.l.bays[0].st.Win.Night)
}

// Rain ends a night's window where it begins. One that begins while rain soaks through is parted when that has
// arrived, and the two parts hang together.
func TestRainPartsANight(t *testing.T) {
	f, s := newFormula(t)
	nan := math.NaN()
	s.Points = append(s.Points, site.Point{ID: "rain", Quantity: site.Rain, Interval: time.Minute, Min: nan, Max: nan, UStd: nan, ModulusM3: nan})
	f.l = New(s)
	gauge := 0.0
	falls := func() (ws []Window) {
		for range 10 {
			gauge += 0.0001
			f.h += 0.9 * 0.0001 / 0.25
			f.l.Sample(site.Sample{Point: "rain", Time: f.t, Value: gauge})
			ws = append(ws, f.closedIn(time.Minute)...)
		}
		return ws
	}
	falls()
	f.run(f.l, 5*24*time.Hour+20*time.Hour+20*time.Minute)
	require.Empty(t, falls(), "a day goes on through a millimetre")
	ws := f.closedIn(5 * time.Hour)
	require.Len(t, ws, 2)
	require.False(t, ws[0].Night || ws[0].Part)
	require.True(t, ws[1].Night && ws[1].Part && ws[1].Joined)
	require.InDelta(t, 20.5+3*math.Log(5), hourOf(ws[1].To)+24, 0.2)
	require.True(t, f.l.bays[0].st.Win.Joined)
	f.run(f.l, time.Hour)
	from := f.l.bays[0].st.Win.From.M.T
	require.Equal(t, ws[1].To, from)
	falls()
	require.Zero(t, f.l.bays[0].st.Win.From.M.T, "a night does not")
}
