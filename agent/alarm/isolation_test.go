package alarm

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// A main that the watch has shut is one alarm: that no bay gets water hangs on it and pages nobody,
// and yet it foretells the bay that dries: it is told anew with the time left, and the drying with it.
func TestShutMainStillForetellsDrying(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	shut := site.NewFinding(site.IsolationClosed, "", "main", night)
	none := find(site.NoSupply, "")
	// Kinds without a bay keep the table's delays.
	n := 0
	hold := func(findings ...site.Finding) (events []site.Event) {
		for range 120 {
			events = append(events, d.Tick(at(n), findings)...)
			n++
		}
		return events
	}
	require.Equal(t, []want{{site.Raised, shut.Key(), ""}, {site.Raised, none.Key(), "isolation-closed"}}, told(s, hold(shut, none)))

	dry := find(site.Drying, "B2", func(f *site.Finding) { f.ToSoft = 3 * time.Hour })
	var cause, effect *site.Event
	for _, e := range hold(shut, none, dry) {
		switch e.Kind {
		case site.IsolationClosed:
			cause = &e
		case site.Drying:
			effect = &e
		}
	}
	require.NotNil(t, effect)
	require.Equal(t, "B2", effect.Bay)
	require.NotNil(t, cause, "the alarm that stands says what has changed")
	require.Equal(t, cause.ID, effect.CauseID, "nobody is paged twice")
	require.InDelta(t, 3*3600, *cause.TimeLeftS, 0)
}
