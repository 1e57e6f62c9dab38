package recorded

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// timeForm is how a time is written.
const timeForm = "2025-07-01T04:00:30Z"

// splitQuoted splits one line by the rules of RFC 4180, quotes included.
func splitQuoted(line string) ([]string, error) {
	r := csv.NewReader(strings.NewReader(line))
	fields, err := r.Read()
	if pe, ok := errors.AsType[*csv.ParseError](err); ok {
		return nil, pe.Err
	}
	return fields, err
}

// cut notes in ends where the fields of a line without quotes end and returns how many it has, which may be
// more than ends has room for; 0 for a line with quotes, which is splitQuoted's. Fields are so short that a loop over
// the bytes is faster than a search for each comma.
func cut(ends []int, line []byte) (fields int) {
	for i, c := range line {
		if c > ',' {
			continue // nearly all are
		}
		if c == ',' {
			if fields < len(ends) {
				ends[fields] = i
			}
			fields++
		} else if c == '"' {
			return 0
		}
	}
	if fields < len(ends) {
		ends[fields] = len(line)
	}
	return fields + 1
}

// unquote returns the fields of a line with quotes as cut does, in a line of its own.
func unquote(ends []int, line []byte) (plain []byte, fields int, err error) {
	text, err := splitQuoted(string(line))
	for i, t := range text {
		plain = append(plain, t...)
		if i < len(ends) {
			ends[i] = len(plain)
		}
		plain = append(plain, ',')
	}
	return plain, len(text), err
}

// dayClock parses times and keeps the last day, because consecutive rows share it.
type dayClock struct {
	day  [10]byte
	unix int64
	// text and at are the whole of the last time: the bays of one scan share it.
	text [24]byte
	n    int
	at   time.Time
}

// parse reads a UTC time in RFC 3339 with at most milliseconds.
func (d *dayClock) parse(b []byte) (time.Time, error) {
	if len(b) == d.n && d.n > 0 && string(b) == string(d.text[:d.n]) {
		return d.at, nil
	}
	t, ok := d.fast(b)
	if !ok {
		var err error
		if t, err = slowTime(string(b)); err != nil {
			return time.Time{}, err
		}
	}
	if len(b) <= len(d.text) {
		d.n = copy(d.text[:], b)
		d.at = t
	}
	return t, nil
}

// fast reads 2006-01-02T15:04:05Z and 2006-01-02T15:04:05.000Z; anything else is left to
// slowTime.
func (d *dayClock) fast(b []byte) (time.Time, bool) {
	if (len(b) != 20 && len(b) != 24) || b[10] != 'T' || b[13] != ':' || b[16] != ':' || b[len(b)-1] != 'Z' {
		return time.Time{}, false
	}
	hour, ok1 := digits(b[11:13])
	minute, ok2 := digits(b[14:16])
	second, ok3 := digits(b[17:19])
	ms, ok4 := 0, true
	if len(b) == 24 {
		if b[19] != '.' {
			return time.Time{}, false
		}
		ms, ok4 = digits(b[20:23])
	}
	if !ok1 || !ok2 || !ok3 || !ok4 || hour > 23 || minute > 59 || second > 59 {
		return time.Time{}, false
	}
	if string(b[:10]) != string(d.day[:]) {
		day, err := time.Parse(time.DateOnly, string(b[:10]))
		if err != nil || day.Year() < 1 {
			return time.Time{}, false
		}
		copy(d.day[:], b[:10])
		d.unix = day.Unix()
	}
	return time.Unix(d.unix+int64(hour*3600+minute*60+second), int64(ms)*1e6).UTC(), true
}

func digits(b []byte) (n int, ok bool) {
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// slowTime accepts every way of writing a UTC time with at most milliseconds and explains what
// is wrong with anything else.
func slowTime(s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, s)
	switch {
	case err != nil:
		return time.Time{}, fmt.Errorf("%q is not a time; write it in UTC like %s", s, timeForm)
	case strings.Contains(s, ","):
		return time.Time{}, fmt.Errorf("%q is not a time; write the fraction of a second with a point", s)
	case t.UTC().Year() < 1 || t.UTC().Year() > 9999:
		return time.Time{}, fmt.Errorf("%q lies outside the years 1 to 9999; write it in UTC like %s", s, timeForm)
	}
	if _, offset := t.Zone(); offset != 0 {
		return time.Time{}, fmt.Errorf("%q is not in UTC; write %s", s, t.UTC().Format("2006-01-02T15:04:05.999Z07:00"))
	}
	if t.Nanosecond()%1e6 != 0 {
		return time.Time{}, fmt.Errorf("%q is finer than a millisecond; write %s", s, t.UTC().Truncate(time.Millisecond).Format("2006-01-02T15:04:05.000Z07:00"))
	}
	return t.UTC(), nil
}

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// number reads a decimal number. An empty cell is NaN.
//
// Numbers of up to 15 digits without an exponent are read here: mantissa and power of ten are
// both exact as float64, so their one division rounds correctly, as strconv does (Clinger 1990).
func number(b []byte) (float64, error) {
	if len(b) == 0 {
		return math.NaN(), nil
	}
	i, neg := 0, false
	if b[0] == '-' {
		i, neg = 1, true
	}
	var mant uint64
	n, point := 0, -1
	for ; i < len(b); i++ {
		c := b[i]
		if c == '.' && point < 0 {
			point = n
			continue
		}
		if c < '0' || c > '9' {
			return slowNumber(b)
		}
		mant = mant*10 + uint64(c-'0')
		if n++; n > 15 {
			return slowNumber(b)
		}
	}
	if n == 0 {
		return slowNumber(b)
	}
	v := float64(mant)
	if point >= 0 {
		v /= pow10[n-point]
	}
	if neg {
		v = -v
	}
	return v, nil
}

func slowNumber(b []byte) (float64, error) {
	s := string(b)
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(s, "xXpP_") {
		return 0, fmt.Errorf("%q is not a number", s)
	}
	return v, nil
}
