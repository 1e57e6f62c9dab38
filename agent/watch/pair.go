package watch

import (
	"math"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

// pairs asks of two neighbours together whether what the higher loses the lower gains. Each bay's windows
// may show too little by themselves to be told, though both began at once, are of one size and have the two
// signs that go downhill: then the two balances count together, as one test, the budget's part for seepage.
func (w *Watch) pairs(now int64) {
	if now/pairEvery == w.st.Paired/pairEvery {
		return
	}
	w.st.Paired = now
	for _, pair := range w.s.Neighbours {
		a, b := w.bay(pair[0]), w.bay(pair[1])
		if a == nil || b == nil || a.troubled() || b.troubled() || a.look.Maintain || b.look.Maintain {
			continue
		}
		if a.look.BayM < b.look.BayM {
			a, b = b, a
		}
		if a.look.BayM-b.look.BayM > uphillM {
			w.pair(a, b, now)
		}
	}
}

// pairApart is how far apart two bays' windows of one kind begin and end at most, in all: they close their days
// at dusk, or when they come to rest after it.
const pairApart = 6 * hour

// pairEvery is how often the test is made: what is so slow waits for the half hour.
const pairEvery = 30 * minute

func unlike(a, b *onset) int64 { return max(a.From-b.From, b.From-a.From) + max(a.To-b.To, b.To-a.To) }

// shared is when two bays' onsets are of one moment, and what both say of water that goes from the first to the
// second.
type shared struct {
	a, b int
	sum  mark
}

// pair is the test of one pair; a stands higher.
func (w *Watch) pair(a, b *bay, now int64) {
	if len(a.st.Bank.Onsets) == 0 || len(b.st.Bank.Onsets) == 0 {
		return
	}
	lose, gain := w.upToNow(a, &w.trial), w.upToNow(b, &w.beyond)
	known := leastKnown + w.l.Known()
	var best shared
	sums, most, j := w.sums[:0], 0.0, 0
	for i := range lose {
		for j+1 < len(gain) && unlike(&gain[j+1], &lose[i]) <= unlike(&gain[j], &lose[i]) {
			j++
		}
		if unlike(&gain[j], &lose[i]) > pairApart {
			continue
		}
		x, y := &lose[i].Sig[tRate], &gain[j].Sig[tRate]
		sum := mark{x.D - y.D, x.J + y.J}
		sums = append(sums, sum)
		if says := sum.D * sum.D / (2 * sum.J); sum.D > 0 && says > most {
			best, most = shared{i, j, sum}, says
		}
	}
	if w.sums = sums; most < worth {
		return
	}
	total := 0.0
	for i := range sums {
		for _, z := range sizes {
			total += math.Exp(min(600, heavy(sums[i].llr(z), known)))
		}
	}
	size := best.sum.D / best.sum.J
	limit := w.budget.morning
	if size >= urgentRate {
		limit = w.budget.page
	}
	if math.Log(total/float64(len(sizes))) < limit {
		return
	}
	x, y := &lose[best.a], &gain[best.b]
	lose, gain = lose[best.a:], gain[best.b:]
	lost, came := x.Sig[tRate].LLR(size), y.Sig[tRate].LLR(-size)
	// Each bay says so by itself, as surely as names a cause, and goes on saying so.
	if min(lost, came) < w.budget.odds || !goesOn(lose, x, size) || !goesOn(gain, y, -size) && !nightShows(gain, -size, w.budget.odds) {
		return
	}
	_, dry := w.harmless(a, lose)
	hose, wet := w.harmless(b, gain)
	if lost+came-max(0, dry)-max(0, hose, wet) < w.budget.odds || w.everywhere(a, x.From, size) || w.everywhere(b, y.From, -size) {
		return
	}
	u := 1 / math.Sqrt(best.sum.J)
	from, to := &a.st.Bank, &b.st.Bank
	from.open(site.Leak, x, now, size, u, lost, w.budget.odds)
	from.byMeter(likeliest(from.Onsets, tMeter, 0.3, 0))
	to.open(site.ValveWeeping, y, now, -size, u, came, w.budget.odds)
	// The windows under way count when they close.
	if from.Sig = (water.Signature{}); best.a < len(from.Onsets) {
		from.Sig = from.Onsets[best.a].Sig[tRate]
	}
	if to.Sig = (water.Signature{}); best.b < len(to.Onsets) {
		to.Sig = to.Onsets[best.b].Sig[tRate]
	}
}
