package agent_test

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"
)

var frostRuns = flag.Int("frost", 4, "cold months of each model that are played for foretold frosts")

// frostPlans are months of spring and autumn, as cold as the model has them and up to nine degrees colder.
func frostPlans(model string, n int) []plan {
	plans := make([]plan, n)
	for i := range plans {
		p := planOf(nil, seedOf("frost "+model, i), model, fullSet, 28)
		p.start = time.Date(2026, []time.Month{time.March, time.October}[i%2], 1+i*7%50, 0, 0, 0, 0, time.UTC)
		p.coolC = float64(i / 2 % 4 * 3)
		plans[i] = p
	}
	return plans
}

// frostHardC is how cold the ground is, degC, in a frost that freezes more than a film of water.
const frostHardC = -1.0

// TestScorecardFrost: a foretold frost comes as often as is said (three times in four, nineteen in
// twenty where somebody is woken), and as many of the nights that freeze hard are foretold. The truth is
// how cold each model has it at the ground. Many months, kept in testdata/scorecard/frost.txt:
//
//	go test ./agent -run TestScorecardFrost -v -frost 40 -timeout 1h
func TestScorecardFrost(t *testing.T) {
	var table strings.Builder
	fmt.Fprintf(&table, "go test ./agent -run TestScorecardFrost -v -frost %d -scorecard.seed %d\n%s, %s\n\n", *frostRuns, *scorecardSeed, runtime.Version(), runtime.GOARCH)
	for _, model := range []string{"virtual", "lumped"} {
		jobs, runs := jobsOf(frostPlans(model, *frostRuns), nil)
		if err := playAll(t.Context(), jobs, false); err != nil {
			t.Fatal(err)
		}
		var f frosts
		for _, o := range runs {
			f.add(o.frost)
		}
		fmt.Fprintf(&table, "%s, %d months: of frosts foretold %v came, of those that woke somebody %v\n", model, len(runs), f.told, f.woke)
		for _, c := range []float64{0, frostHardC} {
			nights, hours := f.under(c)
			fmt.Fprintf(&table, "  ground at %.0f degC or under: %v nights foretold; 10, 50 and 90 %% of them %.1f, %.1f and %.1f h ahead or less\n",
				c, nights, quantile(hours, 0.1), quantile(hours, 0.5), quantile(hours, 0.9))
		}
		hard, _ := f.under(frostHardC)
		for _, x := range []struct {
			what  string
			of    share
			asked float64
		}{{"foretold frosts that came", f.told, 0.75}, {"frosts that woke somebody and came", f.woke, 0.95}, {"hard frosts that were foretold", hard, 0.75}} {
			if x.of.n > 0 && x.of.upper() < x.asked {
				t.Errorf("%s: %s: %v, and %.0f %% are asked", model, x.what, x.of, 100*x.asked)
			}
		}
	}
	t.Log("\n" + table.String())
	if *frostRuns >= 40 {
		if err := os.WriteFile("testdata/scorecard/frost.txt", []byte(table.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
