package recorded

import (
	"bytes"
	"time"

	"bayledger/agent/site"
)

// surveyor looks at the beginning of files without consuming it. A row it cannot understand ends
// the look at that file; reading reports it in its turn.
type surveyor struct {
	bays  bayTable
	has   uint16
	first time.Time
	seen  map[unusedCell]*cadence
}

// cadence counts the steps between the readings of one instrument.
type cadence struct {
	last  time.Time
	steps map[time.Duration]int
}

func newSurveyor() *surveyor {
	return &surveyor{bays: bayTable{byID: map[string]*bayRows{}}, seen: map[unusedCell]*cadence{}}
}

// file looks at f, which stands behind its header, and returns the time of its first row.
func (s *surveyor) file(f *file) (first time.Time, any bool) {
	s.has |= f.head.has
	text, _ := f.buf.Peek(bufferSize) // a short file gives what there is
	whole := len(text) < bufferSize
	look := *f // its own line counter, clock and row; the fields are shared and rewritten
	for {
		line, rest, ended := bytes.Cut(text, []byte("\n"))
		if !ended && !whole {
			return first, any
		}
		look.line++
		if n := len(line); n > 0 && line[n-1] == '\r' {
			line = line[:n-1]
		}
		if len(line) > 0 {
			if look.parse(line, &s.bays) != nil {
				return first, any || len(line) > 0
			}
			if !any {
				first, any = look.row.Time, true
				if s.first.IsZero() || first.Before(s.first) {
					s.first = first
				}
			}
			s.note(&look.row)
		}
		if !ended {
			return first, any
		}
		text = rest
	}
}

func (s *surveyor) note(row *Row) {
	for c := range NumColumns {
		if v := row.Cells[c]; v != v {
			continue
		}
		key := unusedCell{row.Bay, c}
		seen := s.seen[key]
		if seen == nil {
			s.seen[key] = &cadence{last: row.Time, steps: map[time.Duration]int{}}
			continue
		}
		if d := row.Time.Sub(seen.last); d > 0 {
			seen.steps[d]++
		}
		seen.last = row.Time
	}
}

func (c *cadence) usual() time.Duration {
	best, n := time.Duration(0), 0
	for d, k := range c.steps {
		if k > n || (k == n && d < best) {
			best, n = d, k
		}
	}
	return best
}

func (s *surveyor) result() Survey {
	out := Survey{First: s.first, has: s.has}
	silent := s.has
	for _, b := range s.bays.sorted() {
		var cols []SurveyColumn
		for c := range NumColumns {
			if k := s.seen[unusedCell{b.id, c}]; k != nil {
				cols = append(cols, SurveyColumn{c, k.usual()})
				silent &^= 1 << c
			}
		}
		if b.id == "" {
			out.Site = cols
		} else {
			out.Bays = append(out.Bays, SurveyBay{b.id, b.file, b.line, cols})
		}
	}
	for c := range NumColumns {
		if silent&(1<<c) != 0 {
			out.Silent = append(out.Silent, SurveyColumn{Column: c})
		}
	}
	return out
}

// Fit returns the site as the data show it: without the points whose column no file has, because
// that instrument was not recorded, without those of bays that have no row in the part Survey
// looks at, and with the interval at which each point was recorded in
// place of the one at which the daemon would read it. What is left of st is shared. dropped are
// the ids of the points that are gone, in order.
func (v Survey) Fit(st *site.Site) (fitted *site.Site, dropped []string) {
	interval, there := map[unusedCell]time.Duration{}, map[string]bool{"": true}
	for _, b := range v.Bays {
		there[b.ID] = true
		for _, c := range b.Columns {
			interval[unusedCell{b.ID, c.Column}] = c.Interval
		}
	}
	for _, c := range v.Site {
		interval[unusedCell{"", c.Column}] = c.Interval
	}
	copied := *st
	copied.Points = nil
	for _, p := range st.Points {
		c, ok := ColumnOf(p.Quantity, p.Bay != "")
		if !ok || v.has&(1<<c) == 0 || !there[p.Bay] {
			dropped = append(dropped, p.ID)
			continue
		}
		if d := interval[unusedCell{p.Bay, c}]; d > 0 {
			p.Interval = d
		}
		copied.Points = append(copied.Points, p)
	}
	return &copied, dropped
}
