package agent

import (
	"context"
	"database/sql"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// turned is a machine whose clocks a test turns.
type turned struct{ l clock.Look }

func (m *turned) pass(d time.Duration) { m.l.Boot += d; m.l.Wall = m.l.Wall.Add(d) }

// house is a keeper over a real journal and a machine with turned clocks.
type house struct {
	*turned
	a *Agent
	k *keeper
	n int
}

func startHouse(t *testing.T, dir string, m *turned, own bool) *house {
	watched := clock.NewWatched(clock.Machine{Look: func() clock.Look { return m.l }, SinceBoot: func() time.Duration { return m.l.Boot }})
	o := journal.DefaultOptions(dir)
	o.MaxBytes = 4 << 20
	j, err := journal.Open(t.Context(), o)
	require.NoError(t, err)
	a := &Agent{log: slog.New(slog.DiscardHandler), clk: watched, journal: j, cfg: &sitefile.Config{OwnClock: own}}
	times, err := a.beginTime(t.Context())
	require.NoError(t, err)
	k := &keeper{clk: watched, log: a.log, journal: j, times: times, every: 5 * time.Second, latest: map[string]site.Sample{}}
	require.NoError(t, k.open(t.Context(), smallSite()))
	return &house{m, a, k, 0}
}

// poll gives one reading with the clock's time, as a driver does.
func (h *house) poll() site.Sample {
	h.n++
	s := site.Sample{Point: "A1-level", Time: h.k.clk.Now(), Value: 0.08 + float64(h.n)/1e5}
	h.k.inbox.put([]site.Sample{s})
	return s
}

func (h *house) stop(t *testing.T) {
	require.NoError(t, h.k.close(t.Context()))
	for err := range h.a.journal.Check(t.Context()) {
		t.Error(err)
	}
	require.NoError(t, h.a.journal.Close())
}

// sent is what a historian would get.
func (h *house) sent(t *testing.T) []site.Sample {
	q, err := h.a.journal.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	numbered, _, err := q.Read(t.Context(), 0, 0, 1000)
	require.NoError(t, err)
	var all []site.Sample
	for _, n := range numbered {
		all = append(all, n.Sample)
	}
	return all
}

// A machine without a battery boots with the time of its last shutdown; the network comes back a
// while later, with readings just then on their way.
func TestReadingsOfAWrongClockAreDatedAndOnlyThenSent(t *testing.T) {
	dir := t.TempDir()
	truth := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	m := &turned{clock.Look{Wall: truth, Boot: time.Hour, Kernel: clock.Synchronised}}
	h := startHouse(t, dir, m, false)
	first := h.poll()
	h.k.commit(t.Context())
	require.Equal(t, []site.Sample{first}, h.sent(t))
	h.stop(t)

	// Seven hours of no power; the wall clock has slept too.
	m.l = clock.Look{Wall: truth.Add(time.Second), Boot: 15 * time.Second, Kernel: clock.Unsynchronised}
	off := 7 * time.Hour
	forgetBoot(t, dir)
	h = startHouse(t, dir, m, false)
	require.False(t, h.k.times.standing.Sure)
	var truths []time.Time
	for range 10 {
		m.pass(5 * time.Second)
		h.poll()
		truths = append(truths, m.l.Wall.Add(off))
		h.k.commit(t.Context())
	}
	require.Len(t, h.sent(t), 1, "nothing leaves while nobody vouches")
	require.Equal(t, 10, h.n)
	require.False(t, h.k.core.Now().IsZero(), "the watch goes on meanwhile")

	// The service sets the clock while one reading is on its way and another is late.
	m.pass(5 * time.Second)
	h.poll()
	truths = append(truths, m.l.Wall.Add(off))
	late := site.Sample{Point: "A1-flow", Time: h.k.clk.Now(), Value: 0}
	lateTruth := m.l.Wall.Add(off)
	m.l.Wall, m.l.Kernel = m.l.Wall.Add(off), clock.Synchronised
	h.k.commit(t.Context())
	require.True(t, h.k.times.standing.Sure)
	m.pass(5 * time.Second)
	h.k.inbox.put([]site.Sample{late})
	h.poll()
	truths = append(truths, m.l.Wall)
	h.k.commit(t.Context())

	sent := h.sent(t)[1:]
	require.Len(t, sent, 13)
	var levels []time.Time
	for _, s := range sent {
		require.Equal(t, site.Good, s.Quality)
		if s.Point == "A1-level" {
			levels = append(levels, s.Time)
		} else {
			require.Equal(t, lateTruth, s.Time)
		}
	}
	require.Equal(t, truths, levels)
	records, err := h.a.journal.Records(t.Context(), 0, 0, site.RecClock)
	require.NoError(t, err)
	require.Len(t, records, 1)
	require.InDelta(t, off.Seconds(), records[0].Value, 20)
	h.stop(t)
}

// forgetBoot makes the journal take the next start for the first of its boot: the test's machine
// has only one.
func forgetBoot(t *testing.T, dir string) {
	boot, err := BootID()
	require.NoError(t, err)
	execSQL(t, dir+"/ledger.db", "UPDATE runs SET boot = 'earlier' WHERE boot = ?", boot)
}

// While the ledger cannot note the date, readings keep going into the undated span, and all of
// them are dated when it can.
func TestADateThatCannotBeNotedIsOwed(t *testing.T) {
	m := &turned{clock.Look{Wall: time.Unix(30, 0), Boot: 30 * time.Second, Kernel: clock.Unsynchronised}}
	h := startHouse(t, t.TempDir(), m, false)
	h.poll()
	h.k.commit(t.Context())
	truth := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	m.l.Wall, m.l.Kernel = truth, clock.Synchronised
	ended, cancel := contextEnded(t)
	defer cancel()
	h.k.mu.Lock()
	h.k.followClock(ended)
	owed := h.k.times.owed
	h.k.mu.Unlock()
	require.True(t, owed.Dated)
	s := site.Sample{Point: "A1-level", Time: truth.Add(10 * time.Second)}
	h.k.times.mend(&s)
	require.Equal(t, owed.Before.Add(10*time.Second), s.Time, "as the undated span has it")
	m.pass(20 * time.Second)
	h.poll()
	h.k.commit(t.Context())
	sent := h.sent(t)
	require.Len(t, sent, 2)
	require.Equal(t, []time.Time{truth, truth.Add(20 * time.Second)}, []time.Time{sent[0].Time, sent[1].Time})
	h.stop(t)
}

func TestAClockSetBackNeverTurnsTimeBack(t *testing.T) {
	truth := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	m := &turned{clock.Look{Wall: truth.Add(30 * time.Second), Boot: time.Hour, Kernel: clock.Synchronised}}
	h := startHouse(t, t.TempDir(), m, false)
	for i := range 100 {
		if i == 3 {
			m.l.Wall = m.l.Wall.Add(-30 * time.Second)
		}
		m.pass(5 * time.Second)
		h.poll()
		h.k.commit(t.Context())
	}
	sent := h.sent(t)
	require.Len(t, sent, 100, "no reading is refused")
	uncertain := 0
	for i, s := range sent[1:] {
		require.True(t, s.Time.After(sent[i].Time))
		if s.Quality == site.Uncertain {
			uncertain++
		}
	}
	// 29 of 30 s are lost at a tenth: 290 s, a reading each 5 s.
	require.InDelta(t, 58, uncertain, 2)
	require.Equal(t, m.l.Wall, sent[99].Time, "true time has come level")
	h.stop(t)
}

func TestASiteWithoutNetworkTimeSendsUncertainReadings(t *testing.T) {
	wall := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	m := &turned{clock.Look{Wall: wall, Boot: time.Minute, Kernel: clock.Unsynchronised}}
	h := startHouse(t, t.TempDir(), m, true)
	require.True(t, h.k.times.standing.Sure, "nobody is told what the site file says")
	s := h.poll()
	h.k.commit(t.Context())
	s.Quality, s.Why = site.Uncertain, site.WhyClock
	require.Equal(t, []site.Sample{s}, h.sent(t))
	h.stop(t)
}

func contextEnded(t *testing.T) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx, cancel
}

// execSQL changes a database behind the program's back.
func execSQL(t *testing.T, file, query string, args ...any) {
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	_, err = db.ExecContext(t.Context(), query, args...)
	require.NoError(t, err)
	require.NoError(t, db.Close())
}
