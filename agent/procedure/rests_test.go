package procedure

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Quantiles 0.975 of Student's t, from the printed tables (NIST/SEMATECH e-Handbook 1.3.6.7.2).
func TestStudent95(t *testing.T) {
	for n, want := range map[int]float64{3: 3.182, 4: 2.776, 5: 2.571, 10: 2.228, 30: 2.042, 100: 1.984} {
		require.InDelta(t, want, student95(n), 0.024, n) // the series is short
	}
}

// A bay of 100 m2 and a porosity of a quarter, without noise, that loses 0.2 mm an hour day and
// night and whose chamber leads for an hour after each fill: the porosity is found, and rain and
// watering by hand are left out.
func TestRestsFindThePorosity(t *testing.T) {
	play := func(rain bool) *rests {
		s := &rests{}
		level, in, ran, lead := 0.080, 0.0, int64(0), 0.0
		const tick = 10_000
		for now := int64(tick); now < 12*24*3600_000; now += tick {
			if hour := now / 3600_000 % 24; hour == 20 && now%3600_000 < 600_000 {
				in, ran = in+0.002, now
				level, lead = level+0.002/100/0.25, 0.003
			}
			if rain && now%(24*3600_000) == 22*3600_000 {
				level += 0.003
				s.Other = now
			}
			lead *= math.Exp(-tick / 3600e3)
			level -= 0.0002 * tick / 3600e3
			s.look(moment{now: now, levelM: level + lead, inM3: in, ran: ran, settleS: 3 * 3600}, 100, 0)
		}
		return s
	}
	got, ok := play(false).porosity(0.3, 0.14)
	require.True(t, ok)
	require.InDelta(t, 0.25, got.Porosity, got.U)
	require.Less(t, got.U, 0.08)
	_, ok = play(true).porosity(0.3, 0.14)
	require.False(t, ok, "rain every night leaves nothing to tell by")
}

// A sensor that is silent from the first tick on, in rain, leaves a state that can be kept.
func TestRestsCanBeKeptWithoutAReading(t *testing.T) {
	s := &rests{}
	for now := int64(10_000); now < 4*3600_000; now += 10_000 {
		m := moment{now: now, levelM: math.NaN(), rainM: float64(now) * 1e-9, settleS: 3600}
		if now > 2*3600_000 {
			m.levelM = 0.08
		}
		s.look(m, 100, 0.025)
		if now%600_000 == 0 {
			_, err := json.Marshal(s)
			require.NoError(t, err)
		}
	}
}
