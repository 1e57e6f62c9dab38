package watch

import "math"

// mainHabit is how the main meter stands to the bays' meters, learned by a Kalman filter over
// their comparisons:
//
//	main - sum of bays = sum of share x fed + rest x hours + error at the start - error at the end
//
// The error of a count is that of the last pulse, the same at the end of one comparison and the
// start of the next, so that over a week it is that of two pulses and not of a hundred.
type mainHabit struct {
	N int // columns of bays: one each, or a single one for all where there are too many
	// X are the shares by which the main counts more than each bay's meter, the rest in L/h and
	// the error at the start in L; P their covariance, by rows. G, S and Ends are the last
	// comparison's gain, its variance for learning, and that of the count at its end.
	X, P, G []float64
	S, Ends float64
	Onsets  []mainOnset
	More    bool // the last comparison was a part, and the next goes on with it
}

// mainOnset is a moment from which on something may be wrong: for every cause the error it has
// put into the habit since, and its signature (water.Signature). Part and PartJ are what the parts
// so far of the comparison under way added to it, Top and TopJ what the one comparison that shows
// most did, Next what the one that shows next most did, without its sign: a hose on the main, once,
// is no fault of a meter.
type mainOnset struct {
	From                               int64
	E                                  []float64 // causes by states
	D, J, Part, PartJ, Top, TopJ, Next []float64
}

// goesOn is the signature of a cause in which the comparison that shows most counts for no more
// than the next: a hose then adds what noise does, and a bay of few fills loses none of them.
func (o *mainOnset) goesOn(c int) (d, j float64) {
	if o.Top[c] == 0 {
		return o.D[c], o.J[c]
	}
	over := 1 - o.Next[c]/math.Abs(o.Top[c])
	return o.D[c] - over*o.Top[c], o.J[c] - over*o.TopJ[c]
}

// The causes after the bays' meters.
const (
	mainCol = iota // the main meter
	lineCol        // a steady loss before the bays
	moreCols
)

const (
	// baysApart is how many bays can be told apart behind one main meter.
	baysApart = 64
	// meterRepeats is how far one fill's count departs from the meter's own habit: a third of
	// class 2, and the flow differs with who else is filled.
	meterRepeats = 0.01
	// ownShare and mainShare are how far meters of class 2 stand apart (one standard deviation),
	// each bay's own and the main's, which all bays have in common.
	ownShare, mainShare = 0.03, 0.02
	mainRest            = 5.0 // L/h, what may flow beside the bays
	// shareWanders is how far a meter's share wanders in a day (one standard deviation): in service
	// class 2 may come to err by twice its 2 % (EN ISO 4064), and a season takes a half of that.
	shareWanders = 0.001
	// wrongSince is how long a meter must have counted wrongly.
	wrongSince = 12 * hour
	// wrongPrior is how wrong a meter that counts wrongly usually is.
	wrongPrior = 0.3
)

// size makes room for n bays and sets what is known before the first comparison.
func (h *mainHabit) size(n int) {
	if n > baysApart {
		n = 1
	}
	if h.N == n && h.X != nil {
		return
	}
	*h = mainHabit{N: n, X: make([]float64, n+2), P: make([]float64, (n+2)*(n+2)), G: make([]float64, n+2)}
	for i := range n {
		for j := range n {
			h.P[i*(n+2)+j] = sq(mainShare)
		}
		h.P[i*(n+2)+i] += sq(ownShare)
	}
	h.P[n*(n+2)+n] = sq(mainRest)
}

// start begins a comparison that does not follow on another; ends is the variance of the counts at
// its start.
func (h *mainHabit) start(ends float64) {
	m, e := h.N+2, h.N+1
	for i := range m {
		h.P[e*m+i], h.P[i*m+e] = 0, 0
	}
	h.P[e*m+e], h.X[e], h.More = ends, 0, false
	for i := range h.Onsets {
		h.Onsets[i].whole()
		for c := range h.N + moreCols {
			h.Onsets[i].E[c*m+e] = 0
		}
	}
}

// row is what the i-th state adds to a comparison.
func (h *mainHabit) row(i int, fed []float64, hours float64) float64 {
	switch {
	case i == h.N:
		return hours
	case i > h.N:
		return 1
	case h.N == len(fed):
		return fed[i]
	}
	return total(fed)
}

func total(fed []float64) (sum float64) {
	for _, f := range fed {
		sum += f
	}
	return sum
}

// adds is what a cause of unit size adds to a comparison.
func (h *mainHabit) adds(c int, fed []float64, hours float64) float64 {
	switch c {
	case h.N + mainCol:
		return total(fed)
	case h.N + lineCol:
		return hours
	}
	return h.row(c, fed, hours)
}

// compare sets a comparison against the habit: how far it departs, L, and the variance of that.
// hold keeps the shares and the rest from learning of it (Schmidt 1966).
func (h *mainHabit) compare(d float64, fed []float64, hours, ends, own float64, hold bool) (x, v float64) {
	m := h.N + 2
	day := hours / 24
	for i := range h.N {
		h.P[i*m+i] += sq(shareWanders) * day
	}
	h.P[h.N*m+h.N] += sq(0.05) * day
	x, v = d, own+ends
	for i := range m {
		ri := h.row(i, fed, hours)
		x -= ri * h.X[i]
		g := 0.0
		for j := range m {
			g += h.P[i*m+j] * h.row(j, fed, hours)
		}
		h.G[i] = g
		v += ri * g
	}
	// One far out of line teaches no more than one at three deviations.
	h.S, h.Ends = v*max(1, x*x/(9*v)), ends
	for i := range m {
		if h.G[i] /= h.S; hold {
			h.G[i] = 0
		}
	}
	// The error at the end is in the comparison with a minus, and is the next one's start.
	h.G[h.N+1] = -ends / h.S
	return x, v
}

// learn takes the comparison that compare has just set against the habit.
func (h *mainHabit) learn(x float64) {
	m, e := h.N+2, h.N+1
	for i := range e {
		h.X[i] += h.G[i] * x
		for j := range e {
			h.P[i*m+j] -= h.G[i] * h.S * h.G[j]
		}
		// The new end's error hangs together with what has just been learned.
		c := -h.G[i] * h.S * h.G[e]
		h.P[i*m+e], h.P[e*m+i] = c, c
	}
	h.X[e] = h.G[e] * x
	h.P[e*m+e] = max(h.Ends-h.G[e]*h.S*h.G[e], 0)
}

// apart is how far apart onsets of an age are kept, 0 when they are too old to keep.
func apart(age int64) int64 {
	switch {
	case age < 6*hour:
		return 1
	case age < day:
		return 3 * hour
	case age < 8*day:
		return day
	case age < 32*day:
		return 4 * day
	}
	return 0
}

// carry takes every cause's signature through the comparison, which opens a new onset with its first part; more
// says that it is a part and not the last. It must come between compare and learn.
func (h *mainHabit) carry(now int64, fed []float64, hours, x, v float64, more bool) {
	if !h.More {
		keep, last := h.Onsets[:0], int64(-1)
		for _, o := range h.Onsets {
			if gap := apart(now - o.From); gap > 0 && (last < 0 || o.From/gap != last/gap) {
				keep, last = append(keep, o), o.From
			}
		}
		h.Onsets = append(keep, mainOnset{From: now - int64(hours*float64(hour))})
	}
	h.More = more
	for i := range h.Onsets {
		o := &h.Onsets[i]
		if h.through(o, fed, hours, x, v); !more {
			o.whole()
		}
	}
}

func (h *mainHabit) through(o *mainOnset, fed []float64, hours, x, v float64) {
	causes, m := h.N+moreCols, h.N+2
	if o.D == nil {
		o.E, o.D, o.J = make([]float64, causes*m), make([]float64, causes), make([]float64, causes)
		o.Top, o.TopJ, o.Next = make([]float64, causes), make([]float64, causes), make([]float64, causes)
		o.Part, o.PartJ = make([]float64, causes), make([]float64, causes)
	}
	for c := range causes {
		g := h.adds(c, fed, hours)
		e := o.E[c*m : c*m+m]
		for i := range m {
			g -= h.row(i, fed, hours) * e[i]
		}
		for i := range m - 1 {
			e[i] += h.G[i] * g
		}
		e[m-1] = h.G[m-1] * g
		dd, dj := g*x/v, g*g/v
		o.D[c], o.J[c] = o.D[c]+dd, o.J[c]+dj
		o.Part[c], o.PartJ[c] = o.Part[c]+dd, o.PartJ[c]+dj
	}
}

// pause says that the main has stood still since the bays did: a hose that was on is off, and what shows after this
// shows once more.
func (h *mainHabit) pause() {
	for i := range h.Onsets {
		h.Onsets[i].whole()
	}
}

// whole ends the comparison under way, or what of it lies before a pause.
func (o *mainOnset) whole() {
	for c, dd := range o.Part {
		if math.Abs(dd) > math.Abs(o.Top[c]) {
			o.Next[c] = math.Abs(o.Top[c])
			o.Top[c], o.TopJ[c] = dd, o.PartJ[c]
		} else {
			o.Next[c] = max(o.Next[c], math.Abs(dd))
		}
		o.Part[c], o.PartJ[c] = 0, 0
	}
}

// cause is what explains the comparisons best.
type cause struct {
	col       int
	from      int64
	size, u   float64
	llr, odds float64
}

// likeliest is the best onset of a cause, by all comparisons or by what goes on.
func (h *mainHabit) likeliest(c int, all bool) (best cause) {
	prior := wrongPrior
	if c == h.N+lineCol {
		prior = math.Inf(1)
	}
	best.col = c
	for i := range h.Onsets {
		o := &h.Onsets[i]
		d, j := o.goesOn(c)
		if all {
			d, j = o.D[c], o.J[c]
		}
		if j <= 0 || d*o.D[c] <= 0 {
			continue
		}
		if llr := d * d / (2 * (j + 1/sq(prior))); llr > best.llr {
			best = cause{col: c, from: o.From, size: o.D[c] / o.J[c], u: 1 / math.Sqrt(o.J[c]), llr: llr}
		}
	}
	return best
}

// best is the likeliest cause and by how much it is likelier than any other.
func (h *mainHabit) best(all bool) (best cause) {
	second := 0.0
	for c := range h.N + moreCols {
		if c < h.N && h.N == 1 {
			continue // one bay, or all of them: that is the main
		}
		switch b := h.likeliest(c, all); {
		case b.llr > best.llr:
			best, second = b, best.llr
		case b.llr > second:
			second = b.llr
		}
	}
	best.odds = best.llr - second
	return best
}

// verdict names the meter that explains the comparisons best, with the logarithm of its
// Shiryaev-Roberts sum; ok is false while another cause does nearly as well. What goes on says
// whether something is wrong, all comparisons say what.
func (h *mainHabit) verdict(now int64, odds float64) (best cause, stat float64, ok bool) {
	best = h.best(false)
	if best.llr < worth || best.odds < odds || best.col == h.N+lineCol || now-best.from < wrongSince {
		return best, 0, false
	}
	if all := h.best(true); all.col != best.col || all.odds < odds {
		return best, 0, false
	}
	sum := 0.0
	for i := range h.Onsets {
		d, j := h.Onsets[i].goesOn(best.col)
		for _, z := range shares {
			z *= sign(best.size)
			sum += math.Exp(min(600, z*d-z*z*j/2))
		}
	}
	return best, math.Log(sum / float64(len(shares))), true
}

// steadily says that a loss before the bays explains the comparisons far better than any meter.
func (h *mainHabit) steadily(odds float64) bool {
	line := h.likeliest(h.N+lineCol, true)
	for c := range h.N + lineCol {
		if h.likeliest(c, true).llr > line.llr-odds {
			return false
		}
	}
	return true
}

// allAlike says that no single bay's meter explains the comparisons as well as the main meter.
func (h *mainHabit) allAlike(odds float64) bool {
	main := h.likeliest(h.N+mainCol, true)
	for c := range h.N {
		if h.N > 1 && h.likeliest(c, true).llr > main.llr-odds {
			return false
		}
	}
	return true
}

// jump takes it that a meter counts otherwise from now on.
func (h *mainHabit) jump(c cause) {
	m := h.N + 2
	for i := range h.N {
		if i == c.col || c.col == h.N+mainCol {
			h.X[i] += c.size
			h.P[i*m+i] += sq(c.u)
		}
	}
	h.Onsets = h.Onsets[:0]
}

// since is what the comparisons since a moment say of a cause: its size and standard uncertainty;
// ok is false when they do not reach back to it.
func (h *mainHabit) since(t int64, c int) (size, u float64, ok bool) {
	for i := range h.Onsets {
		if o := &h.Onsets[i]; o.From >= t && o.J[c] > 0 {
			return o.D[c] / o.J[c], 1 / math.Sqrt(o.J[c]), true
		}
	}
	return 0, 0, false
}

// forget takes a bay's meter for a new one.
func (h *mainHabit) forget(i int) {
	if i >= h.N || h.N == 1 {
		return
	}
	m := h.N + 2
	for j := range m {
		h.P[i*m+j], h.P[j*m+i] = 0, 0
	}
	h.X[i], h.P[i*m+i] = 0, sq(ownShare)+sq(mainShare)
	h.Onsets = h.Onsets[:0]
}
