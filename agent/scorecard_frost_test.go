package agent_test

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"bayledger/agent"
	"bayledger/agent/site"
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

// frosts are those of clean runs, by the truth of the ground, where pipes and chambers are.
type frosts struct {
	told, woke share // those foretold, and those that woke somebody; k of n came within frostWithin
	nights     []frostNight
	evenings   []homeward
}

// frostNight is a night in which the ground froze: its lowest there, degC, and how long before it
// froze that was foretold, and that it was first spoken of, h; 0 not at all.
type frostNight struct{ lowC, ahead, word float64 }

// homeward is a day as people go home: how likely it then stood on the page that the night would freeze, 0
// where nothing stood there, and whether the ground froze by the next noon.
type homeward struct {
	at    time.Time
	p     float64
	froze bool
}

func (f *frosts) add(o frosts) {
	f.told = share{f.told.k + o.told.k, f.told.n + o.told.n}
	f.woke = share{f.woke.k + o.woke.k, f.woke.n + o.woke.n}
	f.nights = append(f.nights, o.nights...)
	f.evenings = append(f.evenings, o.evenings...)
}

// stated are the evenings with a probability from and below to: how many of them froze.
func (f *frosts) stated(from, to float64) (s share, mean float64) {
	for _, e := range f.evenings {
		if e.p < from || e.p >= to {
			continue
		}
		s.n, mean = s.n+1, mean+e.p
		if e.froze {
			s.k++
		}
	}
	return s, mean / float64(s.n)
}

// early is how many of the nights as cold as c were first spoken of six hours ahead or more, and how
// long ahead all were, h.
func (f *frosts) early(c float64) (s share, hours []float64) {
	for _, n := range f.nights {
		if n.lowC > c {
			continue
		}
		if s.n++; n.word >= 6 {
			s.k++
		}
		hours = append(hours, n.word)
	}
	return s, hours
}

// under are the nights as cold as c, degC: in how many of them frost was foretold when it began, and how
// long before, h.
func (f *frosts) under(c float64) (s share, hours []float64) {
	for _, n := range f.nights {
		if n.lowC > c {
			continue
		}
		s.n++
		if n.ahead > 0 {
			s.k++
		}
		hours = append(hours, n.ahead)
	}
	return s, hours
}

// ground judges frosts by how cold it truly is at the ground: what was foretold, and the ground
// stayed over freezing, is a false alarm.
func (j *judge) ground(t time.Time, c float64) {
	f := &j.o.frost
	if c <= 0 {
		for _, e := range j.foretold {
			if e.State == site.Raised {
				f.told.k++
			}
			if e.Severity == site.Urgent {
				f.woke.k++
			}
		}
		j.foretold = j.foretold[:0]
		// A run that begins in a frost could not foretell it.
		if t.Sub(j.froze) > frostWithin && t.Sub(j.p.start) > day {
			n := frostNight{lowC: c}
			if !j.risk.IsZero() {
				n.ahead = t.Sub(j.risk).Hours()
			}
			if !j.noted.IsZero() {
				n.word = t.Sub(j.noted).Hours()
			}
			f.nights = append(f.nights, n)
		}
		if last := len(f.nights) - 1; last >= 0 {
			f.nights[last].lowC = min(f.nights[last].lowC, c)
		}
		j.froze = t
		if last := len(f.evenings) - 1; last >= 0 && t.Sub(f.evenings[last].at) < 17*time.Hour {
			f.evenings[last].froze = true
		}
	}
	j.foretold = slices.DeleteFunc(j.foretold, func(e site.Event) bool {
		late := t.Sub(e.Time.Time) >= frostWithin
		if e.ToSoftS != nil { // told at dusk for the end of the night
			late = late && t.Sub(e.Time.Time).Seconds() >= *e.ToSoftS+7200
		}
		if late {
			j.alarm(e)
		}
		return late
	})
}

// tells notes since when frost is told of.
func (j *judge) tells(e site.Event) {
	if e.State == site.Cleared {
		j.risk, j.noted = time.Time{}, time.Time{}
		return
	}
	if j.noted.IsZero() {
		j.noted = e.Time.Time
	}
	if j.risk.IsZero() && e.Severity != site.Info {
		j.risk = e.Time.Time
	}
}

// goesHome notes in the last minutes of the attended hours what stands on the page of the night, but not
// in a frost.
func (j *judge) goesHome(t time.Time, core *agent.Core) {
	f, s := &j.o.frost, core.Site
	if !s.Attended.Contains(t, s.Zone) || s.Attended.Contains(t.Add(10*time.Minute), s.Zone) || j.world.ground() <= 0 || t.Sub(j.p.start) < 2*day {
		return
	}
	if last := len(f.evenings) - 1; last >= 0 && t.Sub(f.evenings[last].at) < time.Hour {
		return
	}
	e := homeward{at: t}
	for _, a := range core.Desk.Open() {
		if a.Event.Kind == site.FreezeRisk && a.Present && a.Now.Confidence != nil {
			e.p = *a.Now.Confidence
		}
	}
	f.evenings = append(f.evenings, e)
}

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
			early, first := f.early(c)
			fmt.Fprintf(&table, "    first word of any severity six hours ahead or more in %v; 10, 50 and 90 %% %.1f, %.1f and %.1f h ahead or less\n",
				early, quantile(first, 0.1), quantile(first, 0.5), quantile(first, 0.9))
		}
		for _, p := range [][2]float64{{0, 0.1}, {0.1, 0.2}, {0.2, 0.4}, {0.4, 0.6}, {0.6, 0.8}, {0.8, 0.9}, {0.9, 1}} {
			froze, mean := f.stated(p[0], p[1])
			fmt.Fprintf(&table, "  evenings with a probability of %.1f to %.1f on the page (mean %.2f): %v froze\n", p[0], p[1], mean, froze)
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
