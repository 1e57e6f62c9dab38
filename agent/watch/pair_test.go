package watch

import (
	"testing"

	"bayledger/agent/site"

	"github.com/stretchr/testify/require"
)

// What each of two bays shows too little of to be told is told where both show it at once, downhill. One that
// shows nothing, one that stands higher, or a hose by day are none.
func TestTwoBalancesTellOfOneSeepage(t *testing.T) {
	for _, row := range []struct {
		name        string
		lost, came  float64 // L/h
		from, until int64   // windows in which the lower gains
		below       float64 // m, how far the neighbour stands below
		told        bool
	}{
		{"seepage", 2.5, 2.5, 14, 20, 0.020, true},
		{"the higher alone", 5, 0, 14, 20, 0.020, false},
		{"the lower alone", 0, 5, 14, 20, 0.020, false},
		{"uphill", 2.5, 2.5, 14, 20, -0.020, false},
		{"level", 2.5, 2.5, 14, 20, 0.001, false},
		{"hose", 3.5, 30, 14, 15, 0.020, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			v := newWorld(t, 1, nil)
			a, b := v.w.bays[0], v.w.bays[1]
			a.look.BayM, b.look.BayM = 0.080, 0.080-row.below
			play := func(y *bay, x float64, from, until int64) {
				for n := range int64(20) {
					f := quietWindow(n, 0, 1)
					if n >= from && n < until {
						f.Nu = x * f.Hours
					}
					y.st.Bank.Onsets = append(y.st.Bank.Onsets, onset{From: f.From, To: f.To, Nu: f.Nu, Night: f.Night})
					for i := range y.st.Bank.Onsets {
						carry(&y.st.Bank.Onsets[i], &f)
					}
				}
			}
			play(a, row.lost, 14, 20)
			play(b, -row.came, row.from, row.until)
			now := quietWindow(19, 0, 1).To
			for _, y := range [2]*bay{a, b} {
				v.w.slow(y, y.st.Bank.Onsets, now, leastKnown+20)
				require.True(t, y.st.Bank.Open == "" || !row.told, "by itself it is not told")
				y.st.Bank.Open = ""
			}
			v.w.pairs(now)
			require.Equal(t, row.told, a.st.Bank.Open == site.Leak && b.st.Bank.Open == site.ValveWeeping)
			if v.w.seepage(now); row.told {
				require.Equal(t, []string{"A1", "A2"}, has(v.w.out, site.SeepageBetweenBays, "A1").Bays)
			}
		})
	}
}
