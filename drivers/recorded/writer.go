package recorded

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"bayledger/agent/site"
)

// Writer writes recorded data. Its rows must come in the order in which they could be read
// again; Write refuses others.
type Writer struct {
	out    *bufio.Writer
	cols   []Column
	line   []byte
	last   time.Time
	latest map[string]time.Time
	begun  bool
}

// NewWriter returns a writer of these columns, each once, in the order of the format whatever
// their order here. With none it writes all.
func NewWriter(w io.Writer, cols ...Column) *Writer {
	if len(cols) == 0 {
		for c := range NumColumns {
			cols = append(cols, c)
		}
	}
	cols = slices.Clone(cols)
	slices.Sort(cols)
	return &Writer{out: bufio.NewWriterSize(w, 64<<10), cols: slices.Compact(cols), latest: map[string]time.Time{}}
}

// Write writes one row. NaN is written as an empty cell, and so is a cell that does not belong on
// a row of that sort. Numbers are rounded to the places the format keeps; an infinity is an
// error, as are rows out of time order, a second row of a bay for one time, a time finer than a
// millisecond and a bay that is not an id.
func (w *Writer) Write(r Row) error {
	t := r.Time.UTC()
	switch {
	case w.begun && t.Before(w.last):
		return fmt.Errorf("recorded data: row for %s comes after %s", t.Format(time.RFC3339Nano), w.last.Format(time.RFC3339Nano))
	case t.Nanosecond()%1e6 != 0:
		return fmt.Errorf("recorded data: the time %s is finer than a millisecond", t.Format(time.RFC3339Nano))
	case t.Year() < 1 || t.Year() > 9999:
		return fmt.Errorf("recorded data: the year %d cannot be written", t.Year())
	}
	if before, ok := w.latest[r.Bay]; ok && !t.After(before) {
		return fmt.Errorf("recorded data: bay %q has a second row for %s", r.Bay, t.Format(time.RFC3339Nano))
	} else if !ok && r.Bay != "" {
		if what := checkBay(r.Bay); what != "" {
			return fmt.Errorf("recorded data: bay %q: %s", r.Bay, what)
		}
	}
	if !w.begun {
		w.header()
	}
	b := w.line[:0]
	b = appendTime(b, t)
	b = append(b, ',')
	b = append(b, r.Bay...)
	for _, c := range w.cols {
		b = append(b, ',')
		v := r.Cells[c]
		if v != v || columns[c].perBay != (r.Bay != "") {
			continue
		}
		if math.IsInf(v, 0) {
			return fmt.Errorf("recorded data: %s of bay %q is infinite", c, r.Bay)
		}
		b = appendNumber(b, v, columns[c].decimals)
	}
	b = append(b, '\n')
	w.line = b
	w.begun, w.last = true, t
	w.latest[r.Bay] = t
	_, err := w.out.Write(b)
	return err
}

func (w *Writer) header() {
	w.out.WriteString("time,bay")
	for _, c := range w.cols {
		w.out.WriteString("," + columns[c].name)
	}
	w.out.WriteByte('\n')
	w.begun = true
}

// Flush writes what is buffered; a Writer without rows then writes its header alone. It returns
// the first error of the underlying writer.
func (w *Writer) Flush() error {
	if !w.begun {
		w.header()
	}
	if err := w.out.Flush(); err != nil {
		return fmt.Errorf("recorded data: %w", err)
	}
	return nil
}

func appendTime(b []byte, t time.Time) []byte {
	if t.Nanosecond() == 0 {
		return t.AppendFormat(b, "2006-01-02T15:04:05Z")
	}
	return t.AppendFormat(b, "2006-01-02T15:04:05.000Z")
}

// appendNumber writes v with at most that many decimals and no zeros behind the last.
func appendNumber(b []byte, v float64, decimals int) []byte {
	start := len(b)
	b = strconv.AppendFloat(b, v, 'f', decimals, 64)
	if decimals > 0 {
		for b[len(b)-1] == '0' {
			b = b[:len(b)-1]
		}
		if b[len(b)-1] == '.' {
			b = b[:len(b)-1]
		}
	}
	if string(b[start:]) == "-0" {
		b = append(b[:start], '0')
	}
	return b
}

// SampleWriter writes samples, as a driver or the journal gives them, as rows.
type SampleWriter struct {
	w      *Writer
	where  map[string]place
	gather time.Duration
	// open are the rows that may still get a cell, in order of their time.
	open []openRow
	// newest is the time of the newest sample, rain the total written so far, in mm.
	newest time.Time
	rain   float64
}

type place struct {
	bay    string
	column Column
}

type openRow struct {
	row  Row
	seen uint16
}

// NewSampleWriter writes the samples of the points of st that the format has a column for, and
// the columns of no others. Readings of one bay that were taken within gather of the row's first
// share a row, which carries the time of the first: the instruments of a bay are read one after
// the other, and a row for each would say of every other that it had no reading.
func NewSampleWriter(w io.Writer, st *site.Site, gather time.Duration) *SampleWriter {
	s := &SampleWriter{where: map[string]place{}, gather: gather, rain: math.NaN()}
	var cols []Column
	for _, p := range st.Points {
		if c, ok := ColumnOf(p.Quantity, p.Bay != ""); ok {
			s.where[p.ID] = place{p.Bay, c}
			cols = append(cols, c)
		}
	}
	slices.Sort(cols)
	cols = slices.Compact(cols)
	s.w = NewWriter(w, cols...)
	if len(cols) == 0 {
		s.w.cols = nil
	}
	return s
}

// Sample takes the next sample, calibration applied. Samples must come in time order. Those of
// points without a column are left out; bad ones become empty cells.
func (s *SampleWriter) Sample(smp site.Sample) error {
	to, ok := s.where[smp.Point]
	if !ok {
		return nil
	}
	t := smp.Time.UTC().Truncate(time.Millisecond)
	if t.Before(s.newest) {
		return fmt.Errorf("recorded data: sample of %s for %s comes after %s", smp.Point, t.Format(time.RFC3339Nano), s.newest.Format(time.RFC3339Nano))
	}
	s.newest = t
	if err := s.flushBefore(t.Add(-s.gather - time.Millisecond)); err != nil {
		return err
	}
	i := slices.IndexFunc(s.open, func(o openRow) bool { return o.row.Bay == to.bay })
	if i >= 0 && s.open[i].seen&(1<<to.column) != 0 { // read again before the row was old enough to go
		if err := s.flushBefore(s.open[i].row.Time); err != nil {
			return err
		}
		i = -1
	}
	if i < 0 {
		o := openRow{row: Row{Time: t, Bay: to.bay}}
		for c := range o.row.Cells {
			o.row.Cells[c] = math.NaN()
		}
		s.open = append(s.open, o)
		i = len(s.open) - 1
	}
	o := &s.open[i]
	o.seen |= 1 << to.column
	if smp.Quality == site.Bad || !site.Known(smp.Value) {
		return nil
	}
	v := float64(smp.Value * columns[to.column].scale)
	if to.column == Rain {
		v = s.rainSince(v)
	}
	o.row.Cells[to.column] = v
	return nil
}

// rainSince returns the rain since the last total, in mm, as it will be written: what its
// rounding leaves over goes to the next row, so that the sum of the rows does not drift.
func (s *SampleWriter) rainSince(total float64) float64 {
	const place = 0.001 // mm, the last place written
	switch {
	case math.IsNaN(s.rain): // rain before the first row is not part of the record
		s.rain = total
		return 0
	case total < s.rain-place: // the gauge was reset, and all it shows has fallen since
		s.rain = 0
	}
	v := max(0, math.Round((total-s.rain)/place)*place)
	s.rain += v
	return v
}

// flushBefore writes the open rows that began at or before t.
func (s *SampleWriter) flushBefore(t time.Time) error {
	n := 0
	for n < len(s.open) && !s.open[n].row.Time.After(t) {
		if err := s.w.Write(s.open[n].row); err != nil {
			return err
		}
		n++
	}
	s.open = slices.Delete(s.open, 0, n)
	return nil
}

// Flush writes the rows that are still open and what is buffered. No sample may follow.
func (s *SampleWriter) Flush() error {
	if err := s.flushBefore(s.newest); err != nil {
		return err
	}
	return s.w.Flush()
}
