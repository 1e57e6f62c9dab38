package recorded

import (
	"cmp"
	"iter"
	"slices"

	"bayledger/agent/site"
)

// Rows yields every row in time order; rows of one time stand in the order of the files and, in
// one file, of its lines. The Row is valid until the next is asked for. After an error nothing
// follows. It can be ranged over once.
func (s *Series) Rows() iter.Seq2[*Row, error] {
	return func(yield func(*Row, error) bool) {
		for f, err := range s.files() {
			if err != nil {
				yield(nil, err)
				return
			}
			if !yield(&f.row, nil) {
				return
			}
		}
	}
}

// Points returns the points the data imply, in order of id: one for each instrument that gave a
// reading in the part Survey looks at, read as often as it usually gave one. Their ids are
// the bay's id and the quantity's short name, as in a site file that names no points.
func (v Survey) Points() []site.Point {
	var points []site.Point
	add := func(bay string, cols []SurveyColumn) {
		for _, c := range cols {
			points = append(points, point(bay, c))
		}
	}
	for _, b := range v.Bays {
		add(b.ID, b.Columns)
	}
	add("", v.Site)
	slices.SortFunc(points, func(a, b site.Point) int { return cmp.Compare(a.ID, b.ID) })
	return points
}

func point(bay string, c SurveyColumn) site.Point {
	info, _ := c.Column.Quantity().Info()
	id := info.Short
	if bay != "" {
		id = bay + "-" + info.Short
	}
	nan := site.Unknown()
	return site.Point{ID: id, Bay: bay, Quantity: info.Quantity, Interval: c.Interval,
		Min: nan, Max: nan, UStd: nan, Resolution: nan, PulseM3: nan, ModulusM3: nan, StartM3S: nan, MeterU: nan}
}
