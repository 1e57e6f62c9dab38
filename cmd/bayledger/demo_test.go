package main

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// The same seed and date tell the same night, to the last byte, however fast the machine is.
func TestDemoIsTheSameTwice(t *testing.T) {
	night := func() string {
		var out bytes.Buffer
		code := run(t.Context(), []string{"demo", "--hours", "1.5", "--date", "2026-07-14", "--json", "--listen", "127.0.0.1:0"}, nil, &out, io.Discard)
		require.Zero(t, code)
		return out.String()
	}
	first := night()
	require.Contains(t, first, `"level-sensor-fault"`)
	require.Equal(t, first, night())
}

// The whole night tells what was done to the club and nothing else, whatever the seed: the shower
// raises nothing, every account agrees with the simulator's truth within its uncertainty, and no
// reading is lost.
func TestEndToEndDemoTellsWhatHappened(t *testing.T) {
	for _, seed := range []string{"1", "2", "3"} {
		t.Run("seed "+seed, func(t *testing.T) {
			var out bytes.Buffer
			code := run(t.Context(), []string{"demo", "--seed", seed, "--date", "2026-07-14", "--json", "--listen", "127.0.0.1:0"}, nil, &out, io.Discard)
			require.Zero(t, code)
			var night demoReport
			require.NoError(t, json.Unmarshal(out.Bytes(), &night))
			type trouble struct {
				bay  string
				kind site.Kind
			}
			// How soon each must be told after its onset.
			within := map[trouble]time.Duration{
				{"A2", site.ValveStuckOpen}:   5 * time.Minute,
				{"B1", site.Leak}:             6 * time.Hour,
				{"B3", site.LevelSensorFault}: 10 * time.Minute,
			}
			for _, e := range night.Events {
				if e.State != site.Raised || e.CauseID != "" {
					continue
				}
				limit, planned := within[trouble{e.Bay, e.Kind}]
				require.True(t, planned && e.TrueOnset != nil, "nothing of this was done: %+v", e)
				require.Less(t, e.Time.Sub(e.TrueOnset.Time), limit, "%+v", e)
				delete(within, trouble{e.Bay, e.Kind})
			}
			require.Empty(t, within, "not told")
			for _, b := range night.Bays {
				if b.Unexplained != nil {
					require.Less(t, math.Abs(*b.Unexplained-*b.TrueUnexplained), *b.UnexplainedU, "bay %s", b.Bay)
				}
			}
			require.Equal(t, night.Samples.Polled, night.Samples.Journaled)
			require.Positive(t, night.Samples.Published)
		})
	}
}
