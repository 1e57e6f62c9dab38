package recorded

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math/bits"
	"os"
	"slices"
	"sync/atomic"
	"time"

	"bayledger/agent/site"
)

func checkBay(id string) string { return site.CheckID(id) }

// Series is one or more files read as one, in time order. One goroutine reads it; Read and Size
// may be called from another.
type Series struct {
	stdin io.Reader
	// waiting are files not begun yet, in order of their first time; live are those being read.
	waiting []pending
	live    []*file
	bays    bayTable
	survey  Survey
	size    int64
	// finished counts the bytes of files read to their end, current is the file whose bytes
	// still grow. Overlapping files are counted when they end.
	finished atomic.Int64
	current  atomic.Pointer[counted]
	unused   map[unusedCell]int64
	consumed bool
}

type pending struct {
	name  string
	order int
	first time.Time
	// open is set for the standard input, which cannot be opened twice.
	open *file
}

// Survey is what the beginning of the files shows: the first half mebibyte of each.
type Survey struct {
	// First is the time of the first row.
	First time.Time
	// Bays are the bays seen, in order of id.
	Bays []SurveyBay
	// Site are the site's own instruments that gave a reading; Silent are columns that are there
	// but have given none at all, on any row.
	Site, Silent []SurveyColumn
	has          uint16 // the columns of all files
}

// SurveyBay is one bay in a Survey, with where it was first seen.
type SurveyBay struct {
	ID   string
	File string
	Line int
	// Columns that gave a reading.
	Columns []SurveyColumn
}

// SurveyColumn is one instrument in a Survey.
type SurveyColumn struct {
	Column Column
	// Interval is the most usual time between two of its readings; 0 with fewer than two.
	Interval time.Duration
}

// Open opens recorded data: names of files, .csv or compressed by gzip, "-" for stdin. Files may
// be given in any order and may overlap in time. It reads every header, so a header it cannot
// accept is reported here as an *Error, and the beginning of each file for Survey.
func Open(stdin io.Reader, names ...string) (*Series, error) {
	if len(names) == 0 {
		return nil, errors.New("recorded data: no file given")
	}
	s := &Series{stdin: stdin, bays: bayTable{byID: map[string]*bayRows{}}, unused: map[unusedCell]int64{}}
	look := newSurveyor()
	for i, name := range names {
		if j := slices.Index(names[:i], name); j >= 0 {
			return nil, with(fmt.Errorf("recorded data: %s is given twice", name), s.Close())
		}
		f, err := open(name, i, stdin)
		if err != nil {
			return nil, with(err, s.Close())
		}
		if name != "-" {
			if info, err := os.Stat(name); err == nil && info.Mode().IsRegular() {
				s.size += info.Size()
			}
		}
		first, any := look.file(f)
		p := pending{name: name, order: i, first: first}
		if name == "-" || len(names) == 1 {
			p.open = f
		} else if err := f.close(); err != nil {
			return nil, with(fmt.Errorf("recorded data: %s: %w", name, err), s.Close())
		}
		if any || p.open != nil {
			s.waiting = append(s.waiting, p)
		}
	}
	slices.SortStableFunc(s.waiting, func(a, b pending) int {
		return cmp.Or(a.first.Compare(b.first), cmp.Compare(a.order, b.order))
	})
	s.survey = look.result()
	return s, nil
}

// Survey returns what Open saw.
func (s *Series) Survey() Survey { return s.survey }

// Read is how many bytes of the files, as they lie on the disk, have been read.
func (s *Series) Read() int64 {
	n := s.finished.Load()
	if c := s.current.Load(); c != nil {
		n += c.n.Load()
	}
	return n
}

// Size is how many bytes the files have; 0 when only the standard input is read.
func (s *Series) Size() int64 { return s.size }

// Close closes the files that are still open.
func (s *Series) Close() error {
	var errs []error
	for _, f := range s.live {
		errs = append(errs, f.close())
	}
	for _, p := range s.waiting {
		if p.open != nil {
			errs = append(errs, p.open.close())
		}
	}
	s.live, s.waiting = nil, nil
	return errors.Join(errs...)
}

// files yields the file whose row comes next.
func (s *Series) files() iter.Seq2[*file, error] {
	return func(yield func(*file, error) bool) {
		if s.consumed {
			yield(nil, errors.New("recorded data: the series has been read already"))
			return
		}
		s.consumed = true
		for {
			f, err := s.step()
			if err != nil {
				yield(nil, err)
				return
			}
			if f == nil {
				return
			}
			if !yield(f, nil) {
				return
			}
			last := f.row.Time
			if err := f.next(&s.bays); err != nil {
				yield(nil, err)
				return
			}
			if !f.done && f.row.Time.Before(last) {
				yield(nil, f.disorder(last))
				return
			}
		}
	}
}

func (f *file) disorder(last time.Time) error {
	const form = "2006-01-02T15:04:05.999Z07:00"
	return f.wrong("sort the rows by time", "the rows are not in time order: %s comes after %s", f.row.Time.Format(form), last.Format(form))
}

// step returns the file with the earliest row, nil at the end. Its row is checked against what
// went before.
func (s *Series) step() (*file, error) {
	var best *file
	for {
		for i := 0; i < len(s.live); {
			f := s.live[i]
			if !f.done {
				i++
				continue
			}
			s.finished.Add(f.raw.n.Load())
			s.current.CompareAndSwap(f.raw, nil)
			s.live = slices.Delete(s.live, i, i+1)
			if err := f.close(); err != nil {
				return nil, fmt.Errorf("recorded data: %s: %w", f.name, err)
			}
		}
		best = nil
		for _, f := range s.live {
			if best == nil || f.row.Time.Before(best.row.Time) || (f.row.Time.Equal(best.row.Time) && f.order < best.order) {
				best = f
			}
		}
		if len(s.waiting) == 0 || (best != nil && best.row.Time.Before(s.waiting[0].first)) {
			break
		}
		if err := s.begin(); err != nil {
			return nil, err
		}
	}
	if best == nil {
		return nil, nil
	}
	b := best.bay
	if !b.latest.IsZero() && !best.row.Time.After(b.latest) {
		who := "bay " + b.id
		if b.id == "" {
			who = "the site"
		}
		return nil, best.wrong("keep one of them", "%s has a second row for %s", who, best.row.Time.Format("2006-01-02T15:04:05.999Z07:00"))
	}
	b.latest = best.row.Time
	return best, nil
}

// begin opens the next waiting file and reads its first row.
func (s *Series) begin() error {
	p := s.waiting[0]
	f := p.open
	if f == nil {
		var err error
		if f, err = open(p.name, p.order, s.stdin); err != nil {
			return err
		}
	}
	s.waiting = s.waiting[1:]
	s.live = append(s.live, f)
	s.current.Store(f.raw)
	return f.next(&s.bays)
}

// binding says which points a bay's cells belong to.
type binding struct {
	points [NumColumns]*site.Point
	lo, hi [NumColumns]float64
}

type unusedCell struct {
	bay    string
	column Column
}

// Samples yields the readings of the points of st, in SI, in the order of the rows; within a row
// in the order of the columns. An empty cell is a Bad sample, a reading the point cannot show
// too. Rain becomes a running total that starts at 0 before the first row. A bay that st lacks is an
// *Error with the line where it first stands. A cell whose point st lacks is left out and
// counted (Unused). A sample is good until the next is asked for.
func (s *Series) Samples(st *site.Site) iter.Seq2[*site.Sample, error] {
	return func(yield func(*site.Sample, error) bool) {
		var smp site.Sample
		for f, err := range s.files() {
			if err != nil {
				yield(nil, err)
				return
			}
			b := f.bay
			if b.to == nil {
				if b.to, err = bind(st, b); err != nil {
					yield(nil, err)
					return
				}
			}
			for has := f.row.Has &^ wrongRow(b.id != ""); has != 0; has &= has - 1 {
				c := Column(bits.TrailingZeros16(has))
				p, v := b.to.points[c], f.row.Cells[c]
				if p == nil {
					if v == v {
						s.unused[unusedCell{b.id, c}]++
					}
					continue
				}
				smp = site.Sample{Point: p.ID, Time: f.row.Time, Value: c.si(v)}
				switch {
				case v != v:
					smp.Quality, smp.Why = site.Bad, site.WhyNoReading
				case c == Rain:
					b.rain += smp.Value
					smp.Value = b.rain
				case smp.Value < b.to.lo[c] || smp.Value > b.to.hi[c]:
					smp.Value, smp.Quality, smp.Why = site.Unknown(), site.Bad, site.WhyOutOfRange
				}
				if !yield(&smp, nil) {
					return
				}
			}
		}
	}
}

func bind(st *site.Site, b *bayRows) (*binding, error) {
	if b.id != "" && st.Bay(b.id) == nil {
		have := "it has no bays"
		var ids []string
		for bay := range st.Bays() {
			ids = append(ids, bay.ID)
		}
		if len(ids) > 0 {
			have = fmt.Sprintf("its bays are %s", list(ids))
		}
		return nil, &Error{b.file, b.line, fmt.Sprintf("bay %s is not in the site file", b.id), have}
	}
	to := &binding{}
	for c := range NumColumns {
		if c.PerBay() != (b.id != "") {
			continue
		}
		p := st.Find(b.id, c.Quantity())
		if p == nil {
			continue
		}
		to.points[c] = p
		info, _ := p.Quantity.Info()
		to.lo[c], to.hi[c] = info.Min, info.Max
		if site.Known(p.Min) {
			to.lo[c] = p.Min
		}
		if site.Known(p.Max) {
			to.hi[c] = p.Max
		}
	}
	return to, nil
}

// Unused is a column with readings for which the site has no point.
type Unused struct {
	Bay      string
	Column   Column
	Readings int64
}

// Unused returns what Samples left out, in order of bay and column.
func (s *Series) Unused() []Unused {
	keys := slices.SortedFunc(maps.Keys(s.unused), func(a, b unusedCell) int {
		return cmp.Or(cmp.Compare(a.bay, b.bay), cmp.Compare(a.column, b.column))
	})
	out := make([]Unused, len(keys))
	for i, k := range keys {
		out[i] = Unused{k.bay, k.column, s.unused[k]}
	}
	return out
}

func list(ids []string) string {
	if len(ids) == 1 {
		return ids[0]
	}
	out := ids[0]
	for _, id := range ids[1 : len(ids)-1] {
		out += ", " + id
	}
	return out + " and " + ids[len(ids)-1]
}
