package watch

import (
	"math"

	"bayledger/agent/water"
)

// hoseFades are how fast, h, water put on by a hose comes down through the clay, from nearly at once to as
// slowly as leaves a twentieth after the four hours the account waits for it.
var hoseFades = [...]float64{0.25, 4.0 / 3}

const (
	inflowParts = 5   // in how many parts some hours are asked whether water comes in steadily
	inflowLeast = 4.0 // h, the fewest that can tell
)

// runsIn says whether some hours since from show that water comes in and goes on coming, twenty to one
// against a hose at any moment before or in them. Clay that a hose has wetted draws nothing more at most:
// only what the bay has gained in truth counts, not what it has lost less than its habit. A fill leaves
// doubts of its own.
func (w *Watch) runsIn(y *bay, from int64) bool {
	var f water.Window
	var parts [inflowParts]water.Window
	for n := 1; n < stretches && w.l.Since(y.i, n, &f) && f.From >= from; n++ {
		if f.Hours >= inflowLeast && f.Metered == 0 && w.l.Parts(y.i, f.From, parts[:]) && steadyInflow(parts[:], w.budget.odds) {
			return true
		}
	}
	return false
}

// steadyInflow compares a steady gain with one that came at once, by how the gain is spread over parts of
// some hours.
func steadyInflow(parts []water.Window, odds float64) bool {
	var gain, like [inflowParts]float64
	for i := range parts {
		f := &parts[i]
		gain[i], like[i] = gained(f), f.Hours
	}
	steady := explains(parts, gain[:], like[:])
	for _, fade := range hoseFades {
		for at := -2 * fade; at < hoursOf(parts); at += 0.25 {
			t := -at
			for i := range parts {
				to := t + parts[i].Hours
				like[i] = sunk(to/fade) - sunk(t/fade)
				t = to
			}
			if steady-explains(parts, gain[:], like[:]) < odds {
				return false
			}
		}
	}
	return steady > odds
}

// gained is what a bay has more, L, than was let in and fell on it, though its clay were to draw
// nothing.
func gained(f *water.Window) float64 { return min(0, f.Expected) - f.Loss }

// sunk is which part of a hose's water has come down.
func sunk(t float64) float64 { return 1 - math.Exp(-max(0, t)) }

func hoursOf(parts []water.Window) (h float64) {
	for i := range parts {
		h += parts[i].Hours
	}
	return h
}

// explains is the log-likelihood ratio of the likeliest gain spread like that over the parts against none.
// Two parts share the error of the level between them, so their covariance has it beside the diagonal
// (solved after Thomas 1949).
func explains(parts []water.Window, gain, like []float64) float64 {
	var ratio, g, l [inflowParts]float64
	n := len(parts)
	for i := range n {
		pivot := parts[i].S
		g[i], l[i] = gain[i], like[i]
		if i > 0 {
			beside := -sq(parts[i].FromU)
			pivot -= beside * ratio[i-1]
			g[i] -= beside * g[i-1]
			l[i] -= beside * l[i-1]
		}
		g[i], l[i] = g[i]/pivot, l[i]/pivot
		if i < n-1 {
			ratio[i] = -sq(parts[i+1].FromU) / pivot
		}
	}
	for i := n - 2; i >= 0; i-- {
		g[i] -= ratio[i] * g[i+1]
		l[i] -= ratio[i] * l[i+1]
	}
	d, j := 0.0, 0.0
	for i := range n {
		d += like[i] * g[i]
		j += like[i] * l[i]
	}
	if d <= 0 || j <= 0 {
		return 0
	}
	return d * d / (2 * j)
}
