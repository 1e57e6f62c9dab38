package journal

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

var noon = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

// open opens a journal and, at the end of the test, checks that it is sound and closes it.
func open(t testing.TB, o Options) *Journal {
	t.Helper()
	j, err := Open(context.Background(), o)
	require.NoError(t, err)
	t.Cleanup(func() { shut(t, j) })
	return j
}

// shut checks a journal and closes it; closing twice does nothing.
func shut(t testing.TB, j *Journal) {
	t.Helper()
	if j.samples.r == nil {
		return
	}
	sound(t, j)
	require.NoError(t, j.Close())
	j.samples.r = nil
}

func sound(t testing.TB, j *Journal) {
	t.Helper()
	for err := range j.Check(context.Background()) {
		t.Errorf("self-check: %v", err)
	}
}

func good(point string, at time.Time, value float64) site.Sample {
	return site.Sample{Point: point, Time: at, Value: value}
}

// cycle is one poll of n points.
func cycle(at time.Time, n int) []site.Sample {
	all := make([]site.Sample, n)
	for i := range all {
		all[i] = good("p"+string(rune('A'+i)), at.Add(time.Duration(i)*time.Millisecond), float64(i)+float64(at.Unix()%100)/1000)
	}
	return all
}

func entries(t testing.TB, j *Journal, after Position) []Entry {
	t.Helper()
	var all []Entry
	for e, err := range j.Entries(context.Background(), after) {
		require.NoError(t, err)
		all = append(all, e)
	}
	return all
}

func TestSamplesComeBackAsTheyWent(t *testing.T) {
	o := DefaultOptions(filepath.Join(t.TempDir(), "a folder? yes", "deeper"))
	j := open(t, o)
	want := []site.Sample{
		good("A1-level", noon, 0.2513),
		{Point: "A1-flow", Time: noon.Add(3 * time.Millisecond), Value: 1.0 / 3, Quality: site.Uncertain, Why: site.WhyStale},
		{Point: "A2-level", Time: noon.Add(-40 * time.Millisecond), Value: math.NaN(), Quality: site.Bad, Why: site.WhyTimeout},
		good("A2-flow", noon, 0),
		good("A2-temp", noon, math.Copysign(0, -1)),
		good("A2-big", noon, 1e300),
		good("A2-small", noon, -5e-324),
		good("A2-total", noon, 123456.789),
	}
	last, err := j.Append(t.Context(), want)
	require.NoError(t, err)
	require.EqualValues(t, len(want), last)
	shut(t, j)
	j = open(t, o)
	require.EqualValues(t, len(want), j.Last())
	require.Equal(t, noon.Add(3*time.Millisecond), j.Newest())
	got := entries(t, j, Position{})
	require.Len(t, got, len(want))
	for i, e := range got {
		require.EqualValues(t, i+1, e.At.Seq)
		require.False(t, e.Provisional)
		require.Equal(t, math.Float64bits(want[i].Value), math.Float64bits(e.Sample.Value), want[i].Point)
		e.Sample.Value, want[i].Value = 0, 0
		require.Equal(t, want[i], e.Sample)
	}
}

func TestASampleThatCannotBeStoredDoesNotStopTheOthers(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	_, err := j.Append(t.Context(), []site.Sample{good("a", noon, 1)})
	require.NoError(t, err)
	last, err := j.Append(t.Context(), []site.Sample{
		good("", noon, 1),
		good("a", noon, 2),                        // not after the one before
		good("a", noon.Add(time.Microsecond), 2),  // the same millisecond
		good("b", time.Time{}, 2),                 // no time
		good("b", noon, math.NaN()),               // no value
		good("b", noon, math.Inf(1)),              //
		{Point: "b", Time: noon, Quality: 7},      //
		good("c", noon, 3),                        // stored
		good("c", noon.Add(time.Second), 4),       // stored
		good("c", noon.Add(time.Millisecond), 4),  // back in time within the call
		good("a", noon.Add(time.Millisecond), 12), // stored
	})
	refused, ok := errors.AsType[*RefusedError](err)
	require.True(t, ok, "%v", err)
	require.Equal(t, []int{0, 1, 2, 3, 4, 5, 6, 9}, refused.Samples)
	require.EqualValues(t, 4, last)
	var values []float64
	for _, e := range entries(t, j, Position{}) {
		values = append(values, e.Sample.Value)
	}
	require.Equal(t, []float64{1, 3, 4, 12}, values)
}

func TestOrderIsRememberedOverARestart(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	_, err := j.Append(t.Context(), cycle(noon, 3))
	require.NoError(t, err)
	shut(t, j)
	j = open(t, o)
	_, err = j.Append(t.Context(), cycle(noon, 4))
	refused, ok := errors.AsType[*RefusedError](err)
	require.True(t, ok, "%v", err)
	require.Equal(t, []int{0, 1, 2}, refused.Samples)
}

func TestAnEndedContextStoresNothing(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := j.Append(ctx, cycle(noon, 1))
	require.ErrorIs(t, err, context.Canceled)
	_, err = j.AppendRecord(ctx, site.Record{Kind: site.RecDip, Time: noon})
	require.ErrorIs(t, err, context.Canceled)
	require.Zero(t, j.Last())
}

func TestRecordsStandInTheJournalsOrder(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	record := func(text string) site.Record {
		t.Helper()
		r, err := j.AppendRecord(t.Context(), site.Record{Kind: site.RecSurface, Time: noon.Add(1500 * time.Microsecond).Local(), Bay: "A1", Who: "kim",
			Value: site.Unknown(), Value2: 2, Text: text})
		require.NoError(t, err)
		return r
	}
	first := record("before everything")
	for i := range 3 {
		_, err := j.Append(t.Context(), cycle(noon.Add(time.Duration(i)*5*time.Second), 2))
		require.NoError(t, err)
		record("after a poll")
	}
	second := record("and another")
	require.Equal(t, noon.Add(time.Millisecond), first.Time, "UTC and whole milliseconds")
	require.Zero(t, first.AfterSeq)
	require.EqualValues(t, 6, second.AfterSeq)
	all := entries(t, j, Position{})
	shape := ""
	for _, e := range all {
		if e.Record != nil {
			shape += "R"
		} else {
			shape += "s"
		}
	}
	require.Equal(t, "RssRssRssRR", shape)
	require.True(t, math.IsNaN(all[0].Record.Value))
	require.Equal(t, 2.0, all[0].Record.Value2)
	require.True(t, all[0].Record.Until.IsZero())
	// From every position the rest follows, and nothing twice.
	for i, e := range all {
		rest := entries(t, j, e.At)
		require.Len(t, rest, len(all)-i-1, "after %+v", e.At)
		for k, r := range rest {
			require.Equal(t, all[i+1+k].At, r.At)
		}
	}
}

func TestCalibrationIsAppliedOnTheWayOut(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	c, err := j.AddCalibration(t.Context(), site.Calibration{Point: "a", From: noon, Gain: 2, Offset: 0.5, Origin: "site file"})
	require.NoError(t, err)
	again, err := j.AddCalibration(t.Context(), site.Calibration{Point: "a", From: noon.Add(time.Hour), Gain: 2, Offset: 0.5, Origin: "site file"})
	require.NoError(t, err)
	require.Equal(t, c, again, "a start that says the same adds nothing")
	_, err = j.AddCalibration(t.Context(), site.Calibration{Point: "a", Gain: 0})
	require.Error(t, err)
	s := good("a", noon, 3)
	s.Calibration = c.ID
	_, err = j.Append(t.Context(), []site.Sample{s})
	require.NoError(t, err)
	shut(t, j)
	j = open(t, o)
	require.Equal(t, c, j.Calibrations()[c.ID])
	require.Equal(t, 6.5, entries(t, j, Position{})[0].Sample.Value)
	q, err := j.Queue(t.Context(), "q", true)
	require.NoError(t, err)
	samples, _, err := q.Next(t.Context(), 10)
	require.NoError(t, err)
	require.Equal(t, 6.5, samples[0].Sample.Value)
}

func TestEventsAreKeptOnce(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	q, err := j.EventQueue(t.Context(), "notice")
	require.NoError(t, err)
	event := func(seq int64, state site.State) site.Event {
		at := site.Stamp{Time: noon.Add(time.Duration(seq) * time.Second)}
		return site.Event{V: site.EventVersion, ID: "club/A1/leak//x", Seq: seq, State: state, Time: at, Since: at, Kind: site.Leak, Severity: site.Warning, Litres: site.Num(12)}
	}
	for i, want := range []bool{true, true, false, true} {
		fresh, err := j.AppendEvent(t.Context(), []site.Event{event(1, site.Raised), event(2, site.Updated), event(1, site.Raised), event(3, site.Cleared)}[i])
		require.NoError(t, err)
		require.Equal(t, want, fresh)
	}
	<-q.Changed()
	behind := func(want int64) {
		t.Helper()
		n, err := q.Backlog(t.Context())
		require.NoError(t, err)
		require.Equal(t, want, n)
	}
	behind(3)
	got, err := q.Next(t.Context(), 2)
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.Equal(t, event(2, site.Updated), got[1].Event)
	require.NoError(t, q.Ack(t.Context(), got[1].Pos))
	behind(1)
	got, err = q.Next(t.Context(), 2)
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.EqualValues(t, 3, got[0].Event.Seq)
	newest, err := j.Events(t.Context(), EventQuery{Newest: true, Limit: 1, From: noon, To: noon.Add(time.Hour)})
	require.NoError(t, err)
	require.Equal(t, got, newest)
	late, err := j.EventQueue(t.Context(), "late")
	require.NoError(t, err)
	got, err = late.Next(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, got, "a new consumer is not told the past")
}

func TestSnapshotsKeepTheNewest(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	_, err := j.Append(t.Context(), cycle(noon, 10))
	require.NoError(t, err)
	for seq := range int64(6) {
		require.NoError(t, j.PutSnapshot(t.Context(), Snapshot{Name: "core", At: Position{Seq: seq, Record: 1}, Time: noon, Version: 2, Data: []byte{byte(seq)}}))
	}
	require.NoError(t, j.PutSnapshot(t.Context(), Snapshot{Name: "other", At: Position{Seq: 1}, Time: noon}))
	all, err := j.Snapshots(t.Context(), "core")
	require.NoError(t, err)
	require.Len(t, all, snapshotsKept)
	require.Equal(t, Snapshot{Name: "core", At: Position{Seq: 5, Record: 1}, Time: noon, Version: 2, Data: []byte{5}}, all[0])
}

func TestTwoDaemonsDoNotShareAJournal(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	_, err := Open(t.Context(), o)
	require.ErrorIs(t, err, ErrInUse)
	_, err = j.Append(t.Context(), cycle(noon, 2))
	require.NoError(t, err)
	o.ReadOnly = true
	r := open(t, o)
	require.Len(t, entries(t, r, Position{}), 2)
	_, err = r.Append(t.Context(), cycle(noon.Add(time.Second), 2))
	require.ErrorIs(t, err, ErrReadOnly)
}

func TestAFileOfALaterVersionIsRefused(t *testing.T) {
	for _, file := range []string{samplesFile, ledgerFile} {
		o := DefaultOptions(t.TempDir())
		j := open(t, o)
		d := map[string]*database{samplesFile: j.samples, ledgerFile: j.ledger}[file]
		_, err := d.w.Exec("PRAGMA user_version = 99")
		require.NoError(t, err)
		shut(t, j)
		before, err := os.ReadFile(filepath.Join(o.Dir, file))
		require.NoError(t, err)
		_, err = Open(t.Context(), o)
		require.ErrorIs(t, err, ErrNewer)
		after, err := os.ReadFile(filepath.Join(o.Dir, file))
		require.NoError(t, err)
		require.True(t, bytes.Equal(before, after), "a file that is refused is not touched")
	}
}

func TestADatabaseOfAnotherProgramIsRefused(t *testing.T) {
	o := DefaultOptions(t.TempDir())
	j := open(t, o)
	_, err := j.ledger.w.Exec("PRAGMA application_id = 7")
	require.NoError(t, err)
	shut(t, j)
	_, err = Open(t.Context(), o)
	require.ErrorContains(t, err, "another program")
}

func TestTheSettingsThatDurabilityRestsOn(t *testing.T) {
	j := open(t, DefaultOptions(t.TempDir()))
	for _, d := range []*database{j.samples, j.ledger} {
		// Values from the SQLite manual, pragma.html: synchronous 2 is FULL, auto_vacuum 2 is
		// INCREMENTAL.
		for name, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "auto_vacuum": "2", "busy_timeout": "10000"} {
			var got string
			require.NoError(t, d.w.QueryRow("PRAGMA "+name).Scan(&got))
			require.Equal(t, want, got, name)
		}
	}
}

func TestOptionsNameEveryMistake(t *testing.T) {
	require.Empty(t, DefaultOptions("x").Validate())
	require.Len(t, Options{MinFreeBytes: -1, HourlyAge: -1}.Validate(), 5)
	_, err := Open(t.Context(), Options{})
	require.Error(t, err)
}
