package recorded

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

// bufferSize holds the part of a file that Survey looks at, and bounds a line.
const bufferSize = 512 << 10

// Error is a mistake in recorded data.
type Error struct {
	File string // "-" is the standard input
	Line int    // from 1
	What string // what is wrong
	Fix  string // what would be right
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d: %s; %s", e.File, e.Line, e.What, e.Fix)
}

// with adds what went wrong in clearing up to err, and leaves err as it is when nothing did.
func with(err, closing error) error {
	if closing == nil {
		return err
	}
	return errors.Join(err, closing)
}

// counted counts what has been read of a file as it lies on the disk. It is read by a progress
// display while another goroutine reads the file.
type counted struct {
	r io.Reader
	n atomic.Int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n.Add(int64(n))
	return n, err
}

// file is one open file of the series.
type file struct {
	name  string
	order int // place on the command line
	close func() error
	raw   *counted
	buf   *bufio.Reader
	head  header
	line  int
	clock dayClock
	ends  []int // of the fields of the row
	// row is the row read last, done that there is none left.
	row  Row
	bay  *bayRows
	done bool
}

// open opens a file and reads its header. stdin is what "-" stands for.
func open(name string, order int, stdin io.Reader) (*file, error) {
	f := &file{name: name, order: order, close: func() error { return nil }, raw: &counted{}}
	if name == "-" {
		f.raw.r = stdin
	} else {
		disk, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("recorded data: %w", err)
		}
		f.raw.r, f.close = disk, disk.Close
	}
	if err := f.start(); err != nil {
		return nil, with(err, f.close())
	}
	return f, nil
}

func (f *file) start() error {
	f.buf = bufio.NewReaderSize(f.raw, bufferSize)
	// What is compressed says so itself; a name need not, and the standard input has none.
	if magic, err := f.buf.Peek(2); err == nil && magic[0] == 0x1f && magic[1] == 0x8b {
		z, err := gzip.NewReader(f.buf)
		if err != nil {
			return f.damaged(err)
		}
		f.buf = bufio.NewReaderSize(z, bufferSize)
	}
	if bom, err := f.buf.Peek(3); err == nil && string(bom) == "\xef\xbb\xbf" {
		if _, err := f.buf.Discard(3); err != nil {
			return f.damaged(err)
		}
	}
	line, err := f.nextLine()
	if err != nil && err != io.EOF {
		return err
	}
	var what, fix string
	if f.head, what, fix = parseHeader(string(line)); what != "" {
		return &Error{f.name, max(f.line, 1), what, fix}
	}
	for c := range f.row.Cells {
		f.row.Cells[c] = math.NaN()
	}
	f.row.Has, f.ends = f.head.has, make([]int, len(f.head.cell))
	return nil
}

// damaged is the error of a file that cannot be read to its end: a cut gzip file is the user's
// to mend, a disk that fails is not.
func (f *file) damaged(err error) error {
	if errors.Is(err, gzip.ErrHeader) || errors.Is(err, gzip.ErrChecksum) || errors.Is(err, io.ErrUnexpectedEOF) || strings.HasPrefix(err.Error(), "flate:") {
		return &Error{f.name, f.line + 1, "the compressed file is damaged or cut short (" + err.Error() + ")", "copy it again from where it came"}
	}
	return fmt.Errorf("recorded data: %s:%d: %w", f.name, f.line+1, err)
}

// nextLine returns the next line that is not empty, without its end, valid until the next call.
func (f *file) nextLine() ([]byte, error) {
	for {
		line, err := f.buf.ReadSlice('\n')
		switch {
		case err == nil:
			line = line[:len(line)-1]
		case err == io.EOF && len(line) > 0: // the last line need not end
		case err == io.EOF:
			return nil, io.EOF
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, &Error{f.name, f.line + 1, "the line is longer than half a mebibyte", "give one row a line"}
		default:
			return nil, f.damaged(err)
		}
		f.line++
		if n := len(line); n > 0 && line[n-1] == '\r' {
			line = line[:n-1]
		}
		if len(line) > 0 {
			return line, nil
		}
	}
}

func (f *file) wrong(fix, format string, args ...any) *Error {
	return &Error{f.name, f.line, fmt.Sprintf(format, args...), fix}
}

// next reads the next row into f.row. At the end it sets done.
func (f *file) next(bays *bayTable) error {
	line, err := f.nextLine()
	if err == io.EOF {
		f.done = true
		return nil
	}
	if err != nil {
		return err
	}
	return f.parse(line, bays)
}

// parse understands one line.
func (f *file) parse(line []byte, bays *bayTable) error {
	fields := cut(f.ends, line)
	if fields == 0 {
		var err error
		if line, fields, err = unquote(f.ends, line); err != nil {
			return f.wrong("quote a whole field or nothing", "%v", err)
		}
	}
	if fields != len(f.ends) {
		return f.wrong("a row has as many fields as the header", "the row has %d fields, the header %d", fields, len(f.ends))
	}
	var filled uint16
	f.bay = nil
	from := 0
	for i, code := range f.head.cell {
		text := line[from:f.ends[i]]
		from = f.ends[i] + 1
		switch {
		case code == fieldTime:
			t, err := f.clock.parse(text)
			if err != nil {
				what, fix, _ := strings.Cut(err.Error(), "; ")
				return f.wrong(fix, "%s", what)
			}
			f.row.Time = t
		case code == fieldBay:
			b, err := bays.find(text, f.name, f.line)
			if err != nil {
				return f.wrong(err.Error(), "bay %q cannot be an id", text)
			}
			f.bay = b
		case len(text) == 0:
			f.row.Cells[code] = math.NaN()
		default:
			v, err := number(text)
			if err != nil {
				return f.wrong("write a plain decimal number, or nothing where there is no good reading", "%s: %v", Column(code), err)
			}
			f.row.Cells[code] = v
			filled |= 1 << code
		}
	}
	f.row.Bay = f.bay.id
	if filled&wrongRow(f.row.Bay != "") != 0 {
		return f.misplaced(filled)
	}
	return f.plausible(filled)
}

// wrongRow is the set of columns that may not be filled on a row of that sort.
func wrongRow(bayRow bool) uint16 {
	if bayRow {
		return siteColumns
	}
	return bayColumns
}

var bayColumns, siteColumns = func() (bay, site uint16) {
	for c := range NumColumns {
		if columns[c].perBay {
			bay |= 1 << c
		} else {
			site |= 1 << c
		}
	}
	return bay, site
}()

func (f *file) misplaced(filled uint16) error {
	for c := range NumColumns {
		if filled&wrongRow(f.row.Bay != "")&(1<<c) == 0 {
			continue
		}
		if f.row.Bay != "" {
			return f.wrong("leave it empty here and give it on a row with an empty bay", "%s belongs to the site, but the row is of bay %s", c, f.row.Bay)
		}
		return f.wrong("put the bay's id in the row, or leave the cell empty", "%s belongs to a bay, but the row names none", c)
	}
	return nil
}

// plausible refuses what no reading can be. What a broken sensor may well have shown passes:
// it is judged where the point is known.
func (f *file) plausible(filled uint16) error {
	if v := f.row.Cells[ValveOpen]; filled&(1<<ValveOpen) != 0 && v != 0 && v != 1 {
		return f.wrong("write 0 for shut or 1 for open", "valve_open is %v", v)
	}
	if v := f.row.Cells[Rain]; filled&(1<<Rain) != 0 && v < 0 {
		return f.wrong("rain_mm is the rain since the last site row, 0 or more", "rain_mm is %v", v)
	}
	return nil
}

// bayTable knows every bay id of the series, so that a row carries a shared string.
type bayTable struct {
	byID map[string]*bayRows
	last *bayRows
}

// bayRows is what the series remembers of one bay, or of the site itself under the empty id.
type bayRows struct {
	id string
	// file and line are where it was first seen.
	file string
	line int
	// latest is the time of its last row, zero before the first.
	latest time.Time
	// next is the bay that followed it last time: in most files the bays go round.
	next *bayRows
	// rain is the site's rain so far, in m.
	rain float64
	// to is where its cells go, once bound to a site.
	to *binding
}

func (b *bayTable) find(text []byte, file string, line int) (*bayRows, error) {
	if b.last != nil && b.last.next != nil && string(text) == b.last.next.id {
		b.last = b.last.next
		return b.last, nil
	}
	found, ok := b.byID[string(text)]
	if !ok {
		id := string(text)
		if id != "" {
			if what := checkBay(id); what != "" {
				return nil, errors.New(what)
			}
		}
		found = &bayRows{id: id, file: file, line: line}
		b.byID[id] = found
	}
	if b.last != nil {
		b.last.next = found
	}
	b.last = found
	return found, nil
}

func (b *bayTable) sorted() []*bayRows {
	all := make([]*bayRows, 0, len(b.byID))
	for _, r := range b.byID {
		all = append(all, r)
	}
	slices.SortFunc(all, func(x, y *bayRows) int { return strings.Compare(x.id, y.id) })
	return all
}
