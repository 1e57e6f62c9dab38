package page

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bayledger/agent/site"
)

// planCourt is one court as it is drawn: a grid whose tracks have the proportions of the plan.
type planCourt struct {
	id, name   string
	box        site.Rect
	cols, rows []track
	cells      []planCell
}

// planCell is where a bay lies in its court's grid; lines count from 1, as in CSS.
type planCell struct {
	bay            string
	r1, c1, r2, c2 int
}

// track is one column or row: its size in metres and the least it may shrink to, in rem.
type track struct{ metres, least float64 }

const (
	leastBayWidthRem  = 5.0
	leastBayHeightRem = 7.75
	tallestCourtRem   = 36.0
	narrowestCourtRem = 15.0
)

// layout puts the courts in rows from north to south, each row from west to east, and the bays
// of each court in a grid made from the edges of their rectangles. A court without a plan gets
// two bays to a row in the order of the site file.
func layout(s *site.Site) [][]planCourt {
	courts := make([]planCourt, 0, len(s.Courts))
	placed := true
	for i := range s.Courts {
		c := &s.Courts[i]
		rects := make([]site.Rect, len(c.Bays))
		for j := range c.Bays {
			rects[j] = c.Bays[j].Plan
			if rects[j].WidthM <= 0 || rects[j].LengthM <= 0 {
				placed = false
				rects = inPairs(len(c.Bays))
				break
			}
		}
		if len(rects) == 0 {
			continue
		}
		courts = append(courts, gridOf(c, rects))
	}
	if !placed {
		return [][]planCourt{courts}
	}
	slices.SortStableFunc(courts, func(a, b planCourt) int {
		return cmp.Or(cmp.Compare(a.box.YM, b.box.YM), cmp.Compare(a.box.XM, b.box.XM))
	})
	var rows [][]planCourt
	for _, c := range courts {
		// A court that begins above the middle of the row's first court stands beside it.
		if n := len(rows); n > 0 && c.box.YM < rows[n-1][0].box.YM+rows[n-1][0].box.LengthM/2 {
			rows[n-1] = append(rows[n-1], c)
			continue
		}
		rows = append(rows, []planCourt{c})
	}
	for _, row := range rows {
		slices.SortStableFunc(row, func(a, b planCourt) int { return cmp.Compare(a.box.XM, b.box.XM) })
	}
	return rows
}

// inPairs lays n bays out two to a row on a court of common proportions, half as wide as long.
func inPairs(n int) []site.Rect {
	rows := (n + 1) / 2
	rects := make([]site.Rect, n)
	for i := range rects {
		w := 9.0
		if n == 1 || (n%2 == 1 && i == n-1) {
			w = 18
		}
		rects[i] = site.Rect{XM: 9 * float64(i%2), YM: float64(i/2) * 36 / float64(rows), WidthM: w, LengthM: 36 / float64(rows)}
	}
	return rects
}

func gridOf(c *site.Court, rects []site.Rect) planCourt {
	var xs, ys []float64
	for _, r := range rects {
		xs = append(xs, r.XM, r.XM+r.WidthM)
		ys = append(ys, r.YM, r.YM+r.LengthM)
	}
	xs, ys = edges(xs), edges(ys)
	p := planCourt{id: c.ID, name: nameOr(c.Name, c.ID),
		box: site.Rect{XM: xs[0], YM: ys[0], WidthM: xs[len(xs)-1] - xs[0], LengthM: ys[len(ys)-1] - ys[0]}}
	p.cols, p.rows = tracks(xs), tracks(ys)
	for i, r := range rects {
		cell := planCell{bay: c.Bays[i].ID,
			c1: edgeAt(xs, r.XM), c2: edgeAt(xs, r.XM+r.WidthM), r1: edgeAt(ys, r.YM), r2: edgeAt(ys, r.YM+r.LengthM)}
		cell.c2, cell.r2 = max(cell.c2, cell.c1+1), max(cell.r2, cell.r1+1)
		widen(p.cols, cell.c1, cell.c2, leastBayWidthRem)
		widen(p.rows, cell.r1, cell.r2, leastBayHeightRem)
		p.cells = append(p.cells, cell)
	}
	return p
}

// sameEdgeM is the distance within which two edges of the plan are one line: a liner's edge is
// drawn from two bays and measured twice.
const sameEdgeM = 0.25

func edges(v []float64) []float64 {
	slices.Sort(v)
	out := v[:1]
	for _, x := range v[1:] {
		if x-out[len(out)-1] > sameEdgeM {
			out = append(out, x)
		}
	}
	return slices.Clone(out)
}

func edgeAt(lines []float64, x float64) int {
	best := 0
	for i := range lines {
		if math.Abs(lines[i]-x) < math.Abs(lines[best]-x) {
			best = i
		}
	}
	return best + 1
}

func tracks(lines []float64) []track {
	t := make([]track, max(1, len(lines)-1))
	for i := range t {
		t[i].metres = 1
		if i+1 < len(lines) {
			t[i].metres = lines[i+1] - lines[i]
		}
	}
	return t
}

// widen gives the tracks a bay covers their share of the least size a bay can be read at.
func widen(t []track, from, to int, rem float64) {
	sum := 0.0
	for i := from - 1; i < min(to-1, len(t)); i++ {
		sum += t[i].metres
	}
	for i := from - 1; i < min(to-1, len(t)); i++ {
		t[i].least = max(t[i].least, rem*t[i].metres/sum)
	}
}

// planCSS is the style sheet that draws the plan: the policy of the page allows no style in the
// page itself.
func planCSS(s *site.Site) string {
	var b strings.Builder
	for _, row := range layout(s) {
		for _, c := range row {
			width := max(narrowestCourtRem, tallestCourtRem*c.box.WidthM/c.box.LengthM)
			fmt.Fprintf(&b, ".court-%s{flex:%.2f 1 %.1frem;max-width:%.1frem}\n", c.id, c.box.WidthM, narrowestCourtRem, max(width, leastWidth(c)))
			fmt.Fprintf(&b, ".court-%s .bays{aspect-ratio:%.2f/%.2f;grid-template-columns:%s;grid-template-rows:%s}\n",
				c.id, c.box.WidthM, c.box.LengthM, trackList(c.cols), trackList(c.rows))
			fmt.Fprintf(&b, "@media screen and (max-width:44rem){.court-%s{flex-basis:%.1frem}}\n", c.id, max(8.5, leastWidth(c)))
			for _, cell := range c.cells {
				fmt.Fprintf(&b, ".bay-%s{grid-area:%d/%d/%d/%d}\n", cell.bay, cell.r1, cell.c1, cell.r2, cell.c2)
			}
		}
	}
	return b.String()
}

func leastWidth(c planCourt) float64 {
	sum := 0.0
	for _, t := range c.cols {
		sum += t.least
	}
	return sum
}

func trackList(ts []track) string {
	parts := make([]string, len(ts))
	for i, t := range ts {
		parts[i] = fmt.Sprintf("minmax(%.2frem,%.2ffr)", t.least, t.metres)
	}
	return strings.Join(parts, " ")
}

func nameOr(name, id string) string {
	if name != "" {
		return name
	}
	return id
}
