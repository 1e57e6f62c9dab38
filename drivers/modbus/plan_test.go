package modbus

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestPlanIsOptimal compares the planner with the best of every way to divide the spans into
// requests.
func TestPlanIsOptimal(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	for range 4000 {
		l := limits{registers: 4 + r.IntN(8), bits: 16 + r.IntN(40), gap: r.IntN(4)}
		if r.IntN(3) == 0 {
			cut := r.IntN(30)
			l.wall = func(_ Table, left, right int) bool { return left <= cut && cut < right }
		}
		spans := make([]span, 1+r.IntN(7))
		for i := range spans {
			s := span{point: i, table: Holding, start: r.IntN(30), n: []int{1, 1, 2, 4}[r.IntN(4)]}
			if r.IntN(4) == 0 {
				s.table, s.n = Coils, 1
			}
			spans[i] = s
		}
		got := plan(spans, l)
		checkPlan(t, spans, got, l)
		read := 0
		for _, b := range got {
			read += b.n
		}
		requests, least := exhaustive(spans, l)
		require.Equal(t, requests, len(got), "%v %+v", spans, l)
		require.Equal(t, least, read, "%v %+v", spans, l)
	}
}

// checkPlan asserts what every plan must keep, optimal or not.
func checkPlan(t *testing.T, spans []span, blocks []block, l limits) {
	t.Helper()
	seen := map[int]int{}
	for _, b := range blocks {
		require.LessOrEqual(t, b.n, l.most(b.table))
		asked := make([]bool, b.n)
		for _, p := range b.points {
			s := spans[p]
			seen[p]++
			require.Equal(t, b.table, s.table)
			require.GreaterOrEqual(t, s.start, b.start)
			require.LessOrEqual(t, s.end(), b.start+b.n)
			for i := s.start; i < s.end(); i++ {
				asked[i-b.start] = true
			}
		}
		gap := 0
		for _, a := range asked {
			gap++
			if a {
				gap = 0
			}
			require.LessOrEqual(t, gap, l.gapIn(b.table))
		}
	}
	require.Len(t, seen, len(spans))
	for p, n := range seen {
		require.Equal(t, 1, n, "point %d", p)
	}
}

// exhaustive tries every partition of the spans and returns the fewest requests and, with as
// few, the least that is read.
func exhaustive(spans []span, l limits) (requests, read int) {
	requests, read = len(spans)+1, 0
	var groups [][]span
	var place func(i int)
	place = func(i int) {
		if len(groups) > requests {
			return
		}
		if i == len(spans) {
			sum := 0
			for _, g := range groups {
				n, ok := fits(g, l)
				if !ok {
					return
				}
				sum += n
			}
			if len(groups) < requests || sum < read {
				requests, read = len(groups), sum
			}
			return
		}
		for j := range groups {
			groups[j] = append(groups[j], spans[i])
			place(i + 1)
			groups[j] = groups[j][:len(groups[j])-1]
		}
		groups = append(groups, []span{spans[i]})
		place(i + 1)
		groups = groups[:len(groups)-1]
	}
	place(0)
	return requests, read
}

// fits judges a set of spans in any order register by register, unlike the planner.
func fits(g []span, l limits) (int, bool) {
	lo, hi := g[0].start, g[0].end()
	for _, s := range g {
		if s.table != g[0].table {
			return 0, false
		}
		lo, hi = min(lo, s.start), max(hi, s.end())
	}
	if hi-lo > l.most(g[0].table) {
		return 0, false
	}
	gap := 0
	for a := lo; a < hi; a++ {
		gap++
		for _, s := range g {
			if a >= s.start && a < s.end() {
				gap = 0
			}
		}
		if gap > l.gapIn(g[0].table) {
			return 0, false
		}
	}
	if l.wall != nil {
		for _, a := range g {
			for _, b := range g {
				if a.start < b.start && l.wall(a.table, a.start, b.start) {
					return 0, false
				}
			}
		}
	}
	return hi - lo, true
}

func TestPlanJoinsWhatLiesTogether(t *testing.T) {
	l := limits{registers: 125, bits: 2000, gap: 8}
	spans := []span{
		{0, Holding, 100, 2}, {1, Holding, 0, 1}, {2, Holding, 1, 2}, {3, Holding, 11, 1},
		{4, Coils, 200, 1}, {5, Coils, 72, 1}, {6, Input, 0, 1},
	}
	got := plan(spans, l)
	require.Equal(t, []block{
		{Coils, 72, 129, []int{5, 4}},
		{Holding, 0, 12, []int{1, 2, 3}},
		{Holding, 100, 2, []int{0}},
		{Input, 0, 1, []int{6}},
	}, got)
}
