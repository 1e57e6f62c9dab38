package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// future is what a time server that was years ahead said for a while.
const future = 10 * 365 * 24 * time.Hour

// poisoned is a journal whose clock was seen to step ahead at noon and stayed there for ten minutes,
// with everything sent and rolled up.
func poisoned(t *testing.T, dir string) *Journal {
	j := open(t, DefaultOptions(dir))
	require.NoError(t, j.Boot(t.Context(), "boot-1"))
	_, err := j.Date(t.Context(), "boot-1", noon.Add(-time.Hour))
	require.NoError(t, err)
	for i := range 10 {
		put(t, j, good("level", noon.Add(time.Duration(i-10)*time.Minute), float64(i)), good("flow", noon.Add(time.Duration(i-10)*time.Minute), 0))
	}
	require.NoError(t, j.PutSnapshot(t.Context(), Snapshot{Name: "core", At: Position{Seq: j.Last()}, Time: noon, Version: 1, Data: []byte("sound")}))
	_, err = j.AppendRecord(t.Context(), site.Record{Kind: site.RecClock, Time: noon.Add(future), Value: future.Seconds(), Value2: site.Unknown()})
	require.NoError(t, err)
	// One commit holds a reading from before the step and one from after it.
	put(t, j, good("flow", noon, 0), good("level", noon.Add(future), 10))
	for i := range 9 {
		at := noon.Add(future + time.Duration(i+1)*time.Minute)
		put(t, j, good("level", at, float64(11+i)), good("flow", at, 0))
	}
	_, err = j.AppendRecord(t.Context(), site.Record{Kind: site.RecMaintenance, Bay: "A1", Time: noon.Add(future + 5*time.Minute), Until: noon.Add(future + time.Hour), Value: site.Unknown(), Value2: site.Unknown()})
	require.NoError(t, err)
	require.NoError(t, j.PutSnapshot(t.Context(), Snapshot{Name: "core", At: Position{Seq: j.Last()}, Time: noon.Add(future), Version: 1, Data: []byte("poisoned")}))
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	require.NoError(t, q.Ack(t.Context(), j.Last()))
	require.NoError(t, j.Maintain(t.Context()))
	return j
}

// levels are the values of a point by minute since noon, as they leave the house.
func levels(t *testing.T, samples []site.Sample, point string) map[int]float64 {
	all := map[int]float64{}
	for _, s := range samples {
		if s.Point == point {
			require.Zero(t, s.Time.Sub(noon)%time.Minute, "%v", s.Time)
			all[int(s.Time.Sub(noon)/time.Minute)] = s.Value
		}
	}
	return all
}

func TestReadingsFromAClockThatWasYearsAheadArePutWhereTheyBelong(t *testing.T) {
	dir := t.TempDir()
	j := poisoned(t, dir)
	require.Equal(t, noon.Add(future+9*time.Minute), j.Newest())
	shut(t, j)

	// The machine is started again, now with the right time: no clock is believed, and what is read
	// waits for a date behind the wrong ones.
	o := DefaultOptions(dir)
	j = open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-2"))
	provisional := j.Newest().Add(time.Second)
	require.NoError(t, j.Undated(t.Context(), "boot-2", provisional))
	for i := range 5 {
		put(t, j, good("level", provisional.Add(time.Duration(i+1)*time.Minute-time.Second), float64(20+i)))
	}
	shut(t, j)

	now := noon.Add(2 * time.Hour)
	j = open(t, o)
	r, err := j.Ahead(t.Context(), now, time.Time{})
	require.NoError(t, err)
	require.Equal(t, Redating{N: 24, First: 22, Last: 45, From: noon.Add(future), To: noon.Add(future + 14*time.Minute), Sound: noon, Shift: -future, Seen: true, runs: r.runs, least: r.least}, r)
	require.NoError(t, j.Redate(t.Context(), r, now, "boot-2", now.Add(-time.Hour)))
	sound(t, j)
	require.Equal(t, noon.Add(14*time.Minute), j.Newest())
	none, err := j.Ahead(t.Context(), now, time.Time{})
	require.NoError(t, err)
	require.Zero(t, none.N)

	// Everything goes out once more, from the first wrong one on, at its right time and uncertain.
	q, err := j.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	require.EqualValues(t, 24, q.Backlog())
	numbered, _, err := q.Read(t.Context(), q.Pending()[0].After, 0, 1000)
	require.NoError(t, err)
	var again []site.Sample
	for _, n := range numbered {
		require.Equal(t, site.Uncertain, n.Sample.Quality)
		require.Equal(t, site.WhyClock, n.Sample.Why)
		again = append(again, n.Sample)
	}
	want := map[int]float64{}
	for i := range 15 {
		want[i] = float64(10 + i)
	}
	require.Equal(t, want, levels(t, again, "level"))

	// The core gets the same times, from the last sound snapshot on; a replay from the beginning too.
	snaps, err := j.Snapshots(t.Context(), "core")
	require.NoError(t, err)
	require.Len(t, snaps, 1)
	require.Equal(t, "sound", string(snaps[0].Data))
	var seen []site.Sample
	before := time.Time{}
	for _, e := range entries(t, j, Position{}) {
		if e.Record == nil {
			require.False(t, e.Sample.Time.Before(before))
			before = e.Sample.Time
			seen = append(seen, e.Sample)
		} else if e.Record.Kind == site.RecMaintenance {
			require.Equal(t, noon.Add(5*time.Minute), e.Record.Time)
			require.Equal(t, noon.Add(time.Hour), e.Record.Until)
		}
	}
	for i := range 10 {
		want[i-10] = float64(i)
	}
	require.Equal(t, want, levels(t, seen, "level"))

	// So does the page.
	require.NoError(t, j.Maintain(t.Context()))
	for _, step := range []time.Duration{time.Minute, time.Hour} {
		series, err := j.Series(t.Context(), "level", noon.Add(-time.Hour), now, step)
		require.NoError(t, err)
		n, sum := int64(0), 0.0
		for _, b := range series {
			if b.N > 0 {
				n, sum = n+b.N, sum+b.Mean*float64(b.N)
			}
		}
		require.EqualValues(t, 25, n, "%v", step)
		require.InDelta(t, 24*25/2, sum, 1e-9, "%v", step)
		series, err = j.Series(t.Context(), "level", noon.Add(future-time.Hour), noon.Add(future+2*time.Hour), step)
		require.NoError(t, err)
		for _, b := range series {
			require.Zero(t, b.N, "%v", b.Start)
		}
	}

	// The daemon goes on in true time.
	base, dated, ok := j.BootBase("boot-2")
	require.Equal(t, []any{now.Add(-time.Hour), true, true}, []any{base, dated, ok})
	put(t, j, good("level", now, 99))
	shut(t, j)
	j = open(t, o)
	require.NoError(t, j.Boot(t.Context(), "boot-2"))
	require.Equal(t, now, j.Newest())
	sound(t, j)
}

// TestReadingsAheadWithoutAStep: nobody saw the clock step, since it was ahead when the daemon
// started; the readings are put right behind the last one before them, or where a person says.
func TestReadingsAheadWithoutAStep(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	for i := range 10 {
		put(t, j, good("level", noon.Add(time.Duration(i)*time.Minute), 1))
	}
	for i := range 200 { // over the true time and beyond
		put(t, j, good("level", noon.Add(3*time.Hour+time.Duration(i)*time.Minute), 2))
	}
	now := noon.Add(5 * time.Hour)
	r, err := j.Ahead(t.Context(), now, time.Time{})
	require.NoError(t, err)
	require.EqualValues(t, []int64{200, 11, 210}, []int64{r.N, r.First, r.Last}, "from the leap on, not only those after now")
	require.False(t, r.Seen)
	require.Equal(t, noon.Add(9*time.Minute+time.Second), r.From.Add(r.Shift))

	given, err := j.Ahead(t.Context(), now, noon.Add(4*time.Hour))
	require.NoError(t, err)
	require.EqualValues(t, 140, given.N)
	require.ErrorContains(t, j.Redate(t.Context(), given, now, "boot", noon), "no leap")
	for shift, complaint := range map[time.Duration]string{0: "still to come", -4 * time.Hour: "would go back"} {
		r.Shift = shift
		require.ErrorContains(t, j.Redate(t.Context(), r, now, "boot", noon), complaint)
	}
	require.ErrorContains(t, j.Redate(t.Context(), Redating{}, now, "boot", noon), "no readings")
	r.Shift = -2 * time.Hour
	require.NoError(t, j.Redate(t.Context(), r, now, "boot", noon))
	require.Equal(t, noon.Add(time.Hour+199*time.Minute), j.Newest())
	sound(t, j)
}

// TestRedatingStopsAnywhereAndIsDoneAgain: a power cut between the two databases leaves readings
// that are still ahead, and a second call does what the first did not.
func TestRedatingStopsAnywhereAndIsDoneAgain(t *testing.T) {
	dir := t.TempDir()
	shut(t, poisoned(t, dir))
	j := open(t, DefaultOptions(dir))
	now := noon.Add(2 * time.Hour)
	r, err := j.Ahead(t.Context(), now, time.Time{})
	require.NoError(t, err)
	_, err = j.redateLedger(t.Context(), r, "boot-2", now)
	require.NoError(t, err)
	shut(t, j)
	j = open(t, DefaultOptions(dir))
	r, err = j.Ahead(t.Context(), now, time.Time{})
	require.NoError(t, err)
	require.NoError(t, j.Redate(t.Context(), r, now, "boot-2", now))
	sound(t, j)
	records, err := j.Records(t.Context(), 0, 0, site.RecMaintenance)
	require.NoError(t, err)
	require.Equal(t, noon.Add(5*time.Minute), records[0].Time, "moved once")
	require.Equal(t, noon.Add(9*time.Minute), j.Newest())
}

func TestReopen(t *testing.T) {
	type p = []site.SeqRange
	for _, r := range []struct{ pending, want p }{
		{p{{After: 100}}, p{{After: 50}}},
		{p{{After: 20}}, p{{After: 20}}},
		{p{{After: 50}}, p{{After: 50}}},
		{p{{After: 10, Upto: 20}, {After: 100}}, p{{After: 10, Upto: 20}, {After: 50}}},
		{p{{After: 10, Upto: 60}, {After: 100}}, p{{After: 10}}},
		{p{{After: 10, Upto: 50}, {After: 100}}, p{{After: 10}}},
		{p{{After: 60, Upto: 70}, {After: 100}}, p{{After: 50}}},
	} {
		got := reopen(r.pending, 50)
		require.Equal(t, r.want, got, "%v", r.pending)
		require.NoError(t, checkRanges(got))
	}
}
