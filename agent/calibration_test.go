package agent

import (
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// The offset a person accepts holds for the readings after it and not before, over starts, until
// the site file changes the same figure.
func TestAnAcceptedCalibrationHoldsFromThenOn(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)
	clk := clock.NewStepped(now, nil)
	var a *Agent
	start := func(gain, offset float64) {
		j, err := journal.Open(t.Context(), journal.DefaultOptions(dir))
		require.NoError(t, err)
		cfg := &sitefile.Config{Site: smallSite(), Calibrations: site.Calibrations{}, CalibrationOf: map[string]uint32{}}
		if gain != 1 || offset != 0 {
			cfg.Calibrations[7] = site.Calibration{ID: 7, Point: "A1-level", Gain: gain, Offset: offset, Origin: sitefile.Origin}
			cfg.CalibrationOf["A1-level"] = 7
		}
		a = &Agent{log: slog.New(slog.DiscardHandler), clk: clk, journal: j, cfg: cfg}
		k := &keeper{clk: clk, log: a.log, journal: j, times: &timekeeping{}, every: 5 * time.Second, latest: map[string]site.Sample{}}
		k.calOf, err = a.calibrations(t.Context(), cfg)
		require.NoError(t, err)
		k.cals = j.Calibrations()
		require.NoError(t, k.open(t.Context(), cfg.Site))
		a.keeper = k
	}
	stop := func() {
		require.NoError(t, a.keeper.close(t.Context()))
		require.NoError(t, a.journal.Close())
	}
	read := func() {
		now = now.Add(5 * time.Second)
		a.keeper.inbox.put([]site.Sample{{Point: "A1-level", Time: now, Value: 0.080}})
	}
	sees := func(want float64) {
		t.Helper()
		read()
		a.keeper.commit(t.Context())
		require.InDelta(t, want, a.keeper.latest["A1-level"].Value, 1e-12)
	}
	accept := func(gain, offset float64) error {
		_, err := a.keeper.record(t.Context(), site.Record{Kind: site.RecCalibration, Time: now, Bay: "A1", Subject: "A1-level", Who: "anna", Value: gain, Value2: offset})
		return err
	}

	start(1, 0)
	sees(0.080)
	read() // before the person accepts, committed with it
	require.NoError(t, accept(1, 0.002))
	require.InDelta(t, 0.080, a.keeper.latest["A1-level"].Value, 1e-12)
	sees(0.082)
	k, ok := a.keeper.calibration("A1-level")
	require.True(t, ok)
	require.Equal(t, 0.002, k.Offset)
	require.ErrorContains(t, accept(0, 0.002), "do not make one")
	stop()

	start(1, 0)
	sees(0.082)
	stop()
	start(1, 0.005) // edited later, so the file wins
	sees(0.085)
	require.NoError(t, accept(1, 0.002))
	sees(0.082)
	stop()
	start(1, 0.005) // left alone, so what was accepted holds
	sees(0.082)
	stop()
	start(1, 0) // the key was taken out
	sees(0.080)
	stop()

	// The journal keeps what the device said, and everybody reads the same of it.
	j, err := journal.Open(t.Context(), journal.DefaultOptions(dir))
	require.NoError(t, err)
	defer j.Close()
	var values []float64
	for n, err := range j.Samples(t.Context(), time.Time{}, time.Time{}) {
		require.NoError(t, err)
		values = append(values, n.Sample.Value)
	}
	require.InDeltaSlice(t, []float64{0.080, 0.080, 0.082, 0.082, 0.085, 0.082, 0.082, 0.080}, values, 1e-12)
}
