package agent

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/page"
	"bayledger/agent/site"
	"bayledger/drivers/modbus"
	"bayledger/historian/influx"
)

// values gathers what a scrape says of names that begin so, by name and the values of its own labels.
func values(t *testing.T, a *Agent, prefix string) map[string]float64 {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(scrape{a})
	families, err := r.Gather()
	require.NoError(t, err)
	all := map[string]float64{}
	for _, f := range families {
		if !strings.HasPrefix(f.GetName(), "bayledger_"+prefix) {
			continue
		}
		for _, m := range f.GetMetric() {
			name := f.GetName()
			for _, l := range m.GetLabel() {
				if l.GetName() != "site" {
					name += " " + l.GetValue()
				}
			}
			all[name] = m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
	}
	return all
}

// TestTheMetricsOfJournalAndForwarder: after a history that is known, with a historian that cannot
// be reached, each metric has the value that follows from it.
func TestTheMetricsOfJournalAndForwarder(t *testing.T) {
	start := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	m := &turned{clock.Look{Wall: start, Boot: time.Hour, Kernel: clock.Synchronised}}
	h := startHouse(t, t.TempDir(), m, false)
	for range 5 {
		m.pass(5 * time.Second)
		h.poll()
		h.k.commit(t.Context())
	}
	h.k.inbox.put([]site.Sample{{Point: "A1-level", Time: start, Value: 1}}) // is not after the last one
	h.k.inbox.put([]site.Sample{{Point: "A1-flow", Time: start.Add(25 * time.Second), Value: site.Unknown(), Quality: site.Bad, Why: site.WhyTimeout}})
	h.k.commit(t.Context())

	h.a.keeper, h.a.log = h.k, slog.New(slog.DiscardHandler)
	p := &parts{cfg: h.a.cfg, driver: &modbus.Driver{}} // a field without a line
	h.a.cfg.Site = smallSite()
	h.a.cfg.Influx = []influx.Options{influx.DefaultOptions("archive", "http://127.0.0.1:1", "pump")}
	require.NoError(t, h.a.openSinks(t.Context(), p))
	p.sinks = append(p.sinks, sink{id: "broker", trouble: func() string { return "" },
		state:  func() page.Sink { return page.Sink{ID: "broker", Up: true} },
		events: func(context.Context) (int64, error) { return 3, nil }},
		sink{id: "mute", trouble: func() string { return "" }, state: func() page.Sink { return page.Sink{ID: "mute"} },
			events: func(context.Context) (int64, error) { return 0, errors.New("the journal cannot be read") }})
	h.a.parts.Store(p)
	m.pass(time.Minute)
	v := &page.View{Site: smallSite()}
	for _, s := range p.sinks {
		v.Watch.Sinks = append(v.Watch.Sinks, s.state())
	}
	v.Watch.Journal.OK = true
	h.a.view.Store(v)

	got := values(t, h.a, "")
	stats := h.a.journal.Stats(t.Context())
	for name, want := range map[string]float64{
		"samples_total": 7, "samples_journaled_total": 6, "samples_unjournaled_total": 0, "samples_bad_total": 1,
		"journal_ok": 1, "journal_last_sequence": 6, "journal_commits_total": 6, "journal_limit_bytes": 4 << 20,
		"journal_unsent_samples": 6, "journal_oldest_unsent_timestamp_seconds": float64(start.Unix() + 5),
		"journal_full_total": 0, "journal_dropped_batches_total": 0, "journal_refused_lines": 0, "journal_damaged_files": 0,
		"journal_bytes": float64(stats.Bytes), "journal_commit_seconds_total": stats.CommitTime.Seconds(),
	} {
		value, ok := got["bayledger_"+name]
		require.True(t, ok, name)
		require.InDelta(t, want, value, 1e-9, name)
	}
	require.Equal(t, map[string]float64{
		"bayledger_sink_up archive": 1, "bayledger_sink_backlog_samples archive": 6, "bayledger_sink_backlog_age_seconds archive": 80,
		"bayledger_sink_up broker": 1, "bayledger_sink_backlog_samples broker": 0, "bayledger_sink_backlog_age_seconds broker": 0,
		"bayledger_sink_up mute": 0, "bayledger_sink_backlog_samples mute": 0, "bayledger_sink_backlog_age_seconds mute": 0,
		"bayledger_sink_backlog_events broker": 3,
	}, values(t, h.a, "sink_"))

	// What has been taken over is behind no more.
	q, err := h.a.journal.Queue(t.Context(), "archive", true)
	require.NoError(t, err)
	require.NoError(t, q.Ack(t.Context(), 4))
	v.Watch.Sinks = []page.Sink{p.sinks[0].state()}
	require.InDelta(t, 65-5, values(t, h.a, "sink_")["bayledger_sink_backlog_age_seconds archive"], 1e-9)
	require.NoError(t, q.Ack(t.Context(), 6))
	got = values(t, h.a, "")
	require.Zero(t, got["bayledger_journal_unsent_samples"])
	require.NotContains(t, got, "bayledger_journal_oldest_unsent_timestamp_seconds")
	h.stop(t)
}
