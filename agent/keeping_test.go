package agent

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// vouched is a machine whose clock is right.
func vouched() *turned {
	return &turned{clock.Look{Wall: time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC), Boot: time.Hour, Kernel: clock.Synchronised}}
}

// states of an alarm, in the order in which they were journaled.
func (h *house) states(t *testing.T, kind site.Kind, subject string) (states []site.State) {
	events, err := h.a.journal.Events(t.Context(), journal.EventQuery{})
	require.NoError(t, err)
	for _, e := range events {
		if e.Event.Kind == kind && e.Event.Subject == subject && (len(states) == 0 || states[len(states)-1] != e.Event.State) {
			states = append(states, e.Event.State)
		}
	}
	return states
}

// A journal without room: what is not sent stays, readings go on to the watch and count as
// unjournaled, somebody is told, and all is well again when there is room.
func TestAFullJournalIsToldAndTheWatchGoesOn(t *testing.T) {
	h := startHouse(t, t.TempDir(), vouched(), false)
	h.k.troubles = h.k.troublesOfKeeping
	q, err := h.a.journal.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	step := func(crowd int) {
		h.pass(5 * time.Second)
		h.poll()
		more := make([]site.Sample, crowd)
		for i := range more {
			more[i] = site.Sample{Point: fmt.Sprintf("B%d", i), Time: h.k.clk.Now(), Value: 1 / float64(h.n+i+2)}
		}
		h.k.inbox.put(more)
		h.k.commit(t.Context())
	}
	for h.k.count.Unjournaled == 0 {
		require.Less(t, h.n, 10_000)
		step(2000)
	}
	last := h.a.journal.Last()
	for range 3 {
		step(2000)
	}
	require.Equal(t, last, h.a.journal.Last())
	require.EqualValues(t, last, q.Backlog(), "what is not sent stays")
	require.WithinDuration(t, h.k.clk.Now(), h.k.core.Now(), tickEvery, "the watch goes on")
	require.InDelta(t, 0.08+float64(h.n)/1e5, h.k.latest["A1-level"].Value, 1e-12)
	require.Equal(t, h.k.count.Samples, h.k.count.Journaled+h.k.count.Unjournaled)

	require.NoError(t, q.Ack(t.Context(), last))
	for range 40 { // rolling up first, in the upkeep's own time
		require.NoError(t, h.a.journal.Maintain(t.Context()))
		step(0)
	}
	require.Greater(t, h.a.journal.Last(), last)
	require.Equal(t, []site.State{site.Raised, site.Cleared}, h.states(t, site.DiskFull, "journal"))
	h.stop(t)
}

// A damaged file is named in an alarm that stands, over starts too, until somebody has taken the
// file away.
func TestADamagedFileIsNamedInAnAlarm(t *testing.T) {
	dir := t.TempDir()
	m := vouched()
	run := func(steps int) *house {
		h := startHouse(t, dir, m, false)
		h.k.troubles = h.k.troublesOfKeeping
		for range steps {
			m.pass(5 * time.Second)
			h.poll()
			h.k.commit(t.Context())
		}
		return h
	}
	run(10).stop(t)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "samples.db"), make([]byte, 8192), 0o600))
	const aside = "damaged-1-samples.db"
	run(10).stop(t)
	h := run(10)
	require.Equal(t, []site.State{site.Raised}, h.states(t, site.JournalFault, aside))
	require.NoError(t, os.Remove(filepath.Join(dir, aside)))
	for range 300 {
		m.pass(5 * time.Second)
		h.poll()
		h.k.commit(t.Context())
	}
	require.Equal(t, []site.State{site.Raised, site.Cleared}, h.states(t, site.JournalFault, aside))
	h.stop(t)
}
