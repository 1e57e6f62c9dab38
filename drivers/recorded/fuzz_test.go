package recorded_test

import (
	"bytes"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"bayledger/agent/site"
	"bayledger/drivers/recorded"
)

// FuzzRead: no input panics, every error of the data is an *Error with a line, and what is
// accepted keeps the promises of the format: time order, one row a bay and moment, ids, no
// infinities, cells only where they belong. What was read can be written and is then read as
// the same.
func FuzzRead(f *testing.F) {
	f.Add(fullHeader + "2025-06-20T22:00:30Z,A1,82.8,18.3,173922.5,1,87.5,,,,,,,\n2025-06-20T22:05:00Z,,,,,,,15.7,80,0.5,0,0.0,345,4941249\n")
	f.Add("bay,time,rain_mm\r\n,2025-06-20T22:05:00.125Z,1e-3\r\n")
	f.Add("time,bay\n\"2025-06-20T22:05:00Z\",\"A1\"\n")
	f.Add("\xef\xbb\xbftime,bay,level_mm\n0001-01-01T00:00:00Z,A1,-0\n9999-12-31T23:59:59.999Z,A1,1e308")
	f.Add("\x1f\x8b\x08\x00")
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := readAll(text)
		if err != nil {
			var mistake *recorded.Error
			if !errors.As(err, &mistake) {
				t.Fatalf("%v (%T) is not an *Error", err, err)
			}
			if mistake.Line < 1 || mistake.What == "" || mistake.Fix == "" {
				t.Fatalf("incomplete: %+v", *mistake)
			}
		}
		var out bytes.Buffer
		w := recorded.NewWriter(&out)
		last, latest := time.Time{}, map[string]time.Time{}
		for i, r := range rows {
			if i > 0 && r.Time.Before(last) {
				t.Fatal("rows out of order")
			}
			if before, ok := latest[r.Bay]; ok && !r.Time.After(before) {
				t.Fatal("a bay twice at one time")
			}
			last, latest[r.Bay] = r.Time, r.Time
			if r.Bay != "" && site.CheckID(r.Bay) != "" {
				t.Fatalf("bay %q", r.Bay)
			}
			for c, v := range r.Cells {
				if math.IsInf(v, 0) || (!math.IsNaN(v) && recorded.Column(c).PerBay() != (r.Bay != "")) {
					t.Fatalf("cell %v = %v on a row of bay %q", recorded.Column(c), v, r.Bay)
				}
			}
			if err := w.Write(r); err != nil {
				t.Fatalf("accepted, but cannot be written: %v", err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		again, err := readAll(out.String())
		if err != nil {
			t.Fatalf("written, but not read: %v\n%s", err, out.String())
		}
		if len(again) != len(rows) {
			t.Fatalf("%d rows written, %d read", len(rows), len(again))
		}
		for i, r := range again {
			if !r.Time.Equal(rows[i].Time) || r.Bay != rows[i].Bay {
				t.Fatalf("row %d: %v %q became %v %q", i, rows[i].Time, rows[i].Bay, r.Time, r.Bay)
			}
			for c, v := range r.Cells {
				w := rows[i].Cells[c]
				if math.IsNaN(v) != math.IsNaN(w) || math.Abs(v-w) > 0.051 {
					t.Fatalf("row %d: %v was %v and became %v", i, recorded.Column(c), w, v)
				}
			}
		}
	})
}

func readAll(text string) (rows []recorded.Row, err error) {
	s, err := recorded.Open(strings.NewReader(text), "-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	for row, err := range s.Rows() {
		if err != nil {
			return rows, err
		}
		rows = append(rows, *row)
	}
	return rows, nil
}

// FuzzNumber: a cell reads as strconv reads it, bit for bit, or both refuse it.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"0", "-0", "82.8", "173922.5", "1e-3", ".5", "5.", "-", ".", "123456789012345", "1234567890123456", "0.000000000000001", "+1", "1_0", "0x1p3", "inf"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, cell string) {
		if cell == "" || strings.ContainsAny(cell, ",\"\r\n") {
			return
		}
		rows, err := readAll("time,bay,temp_c\n2025-06-20T22:05:00Z,," + cell + "\n")
		want, wantErr := strconv.ParseFloat(cell, 64)
		refuse := wantErr != nil || math.IsNaN(want) || math.IsInf(want, 0) || strings.ContainsAny(cell, "xXpP_")
		if refuse != (err != nil) {
			t.Fatalf("%q: read %v, strconv %v", cell, err, wantErr)
		}
		if err == nil && math.Float64bits(rows[0].Cells[recorded.Temp]) != math.Float64bits(want) {
			t.Fatalf("%q: read %v, strconv %v", cell, rows[0].Cells[recorded.Temp], want)
		}
	})
}

// FuzzTime: a time reads as time.Parse reads it where it is UTC in whole milliseconds.
func FuzzTime(f *testing.F) {
	for _, s := range []string{"2025-06-20T22:05:00Z", "2025-06-20T22:05:00.120Z", "2024-02-29T23:59:59Z", "2025-02-29T00:00:00Z", "2025-06-20T22:05:60Z", "2025-06-20t22:05:00z", "2025-06-20T22:05:00-00:00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, cell string) {
		if strings.ContainsAny(cell, ",\"\r\n") {
			return
		}
		rows, err := readAll("time,bay\n" + cell + ",\n")
		want, wantErr := time.Parse(time.RFC3339, cell)
		ok := wantErr == nil && want.Nanosecond()%1e6 == 0 && want.UTC().Year() >= 1 && want.UTC().Year() <= 9999
		if ok {
			_, offset := want.Zone()
			ok = offset == 0
		}
		if ok != (err == nil) {
			t.Fatalf("%q: read %v, time.Parse %v", cell, err, wantErr)
		}
		if ok && !rows[0].Time.Equal(want) {
			t.Fatalf("%q: read %v, time.Parse %v", cell, rows[0].Time, want)
		}
	})
}
