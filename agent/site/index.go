package site

// Index finds points by id. Readings come in the same order poll after poll, so it looks first at
// the point that followed last time: a comparison in place of a hash for nearly every reading. It
// belongs to one goroutine.
type Index struct {
	ids   []string
	at    map[string]int
	after []int // the place of the point that last came after each
	last  int
}

// NewIndex indexes the points in their order.
func NewIndex(points []Point) *Index {
	x := &Index{ids: make([]string, len(points)), at: make(map[string]int, len(points)), after: make([]int, len(points))}
	for i := range points {
		x.ids[i], x.at[points[i].ID] = points[i].ID, i
	}
	return x
}

// Find returns the place of the point with that id among the points; ok is false where there is
// none. A site's ids are unique.
func (x *Index) Find(id string) (i int, ok bool) {
	if len(x.ids) == 0 {
		return 0, false
	}
	if i = x.after[x.last]; x.ids[i] == id {
		x.last = i
		return i, true
	}
	if i, ok = x.at[id]; ok {
		x.after[x.last], x.last = i, i
	}
	return i, ok
}
