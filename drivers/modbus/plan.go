package modbus

import (
	"cmp"
	"slices"
)

// span is what one point needs of a table: n registers (or bits) from start, all in one
// request, since a number read in two halves can be torn.
type span struct {
	point    int // index of the point in its device
	table    Table
	start, n int
}

func (s span) end() int { return s.start + s.n }

// block is one request and the points it answers.
type block struct {
	table    Table
	start, n int
	points   []int
}

// limits of one device.
type limits struct {
	registers, bits int // the most in one request
	gap             int // registers nobody asked for between two that somebody did
	// wall reports whether the device has refused a request that held both addresses of a
	// table, left one first. nil refuses none.
	wall func(table Table, left, right int) bool
}

func (l limits) most(t Table) int {
	if t == Coils || t == Discrete {
		return l.bits
	}
	return l.registers
}

func (l limits) gapIn(t Table) int {
	if t == Coils || t == Discrete {
		return l.gap * 16
	}
	return l.gap
}

// plan joins spans into the fewest requests the limits allow and, among plans with as few, one
// that reads the least. No span is longer than the limit of its table. The blocks come in order
// of table and address, the points of a block in order of address.
//
// In order of address a request covers a run of spans: leaving one out that lies between two of
// the others would read it and throw it away. So the best plan of the first i spans is the best
// of the first j and one request for the rest, the least over j.
func plan(spans []span, l limits) []block {
	spans = slices.Clone(spans)
	slices.SortFunc(spans, func(a, b span) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.start, b.start), cmp.Compare(b.n, a.n), cmp.Compare(a.point, b.point))
	})
	type best struct{ requests, read, from int }
	bests := make([]best, len(spans)+1)
	for i := 1; i <= len(spans); i++ {
		bests[i] = best{requests: i + 1}
		// One request for spans j..i-1, as long as they fit together.
		for j := i - 1; j >= 0; j-- {
			n, ok := joined(spans[j:i], l)
			if !ok {
				continue
			}
			c := best{bests[j].requests + 1, bests[j].read + n, j}
			if c.requests < bests[i].requests || c.requests == bests[i].requests && c.read < bests[i].read {
				bests[i] = c
			}
		}
	}
	var blocks []block
	for i := len(spans); i > 0; i = bests[i].from {
		run := spans[bests[i].from:i]
		b := block{table: run[0].table, start: run[0].start}
		for _, s := range run {
			b.n = max(b.n, s.end()-b.start)
			b.points = append(b.points, s.point)
		}
		blocks = append(blocks, b)
	}
	slices.Reverse(blocks)
	return blocks
}

// joined returns how much one request for all of run reads, and whether the device allows it.
// run is in order of start.
func joined(run []span, l limits) (int, bool) {
	first := run[0]
	end := first.end()
	for _, s := range run[1:] {
		if s.table != first.table || s.start-end > l.gapIn(s.table) {
			return 0, false
		}
		end = max(end, s.end())
	}
	if end-first.start > l.most(first.table) {
		return 0, false
	}
	if l.wall != nil {
		for i := range run[1:] {
			if l.wall(first.table, run[i].start, run[i+1].start) {
				return 0, false
			}
		}
	}
	return end - first.start, true
}
