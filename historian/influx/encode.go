package influx

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"bayledger/agent/site"
)

// Encoder writes samples as lines: measurement = quantity; tags bay, court, point, site, those
// that a point does not have left out; field value in SI as a float; integer field quality, 1
// with a value that is uncertain, 2 without a value for a bad one; time in ms. The same sample
// always gives the same line. It belongs to one goroutine.
type Encoder struct {
	site     string
	places   func() site.Places
	prefixes map[string][]byte
}

// NewEncoder returns an encoder for the samples of a site. places is asked when a point is met
// for the first time.
func NewEncoder(siteID string, places func() site.Places) *Encoder {
	return &Encoder{site: siteID, places: places, prefixes: map[string][]byte{}}
}

// Append adds one line, with its line end, to dst. A sample that makes no line (its point is in
// no site file the journal has seen, its value is not finite, it has no time) leaves dst as it
// is and gives an error that says why.
func (e *Encoder) Append(dst []byte, s site.Sample) ([]byte, error) {
	prefix, ok := e.prefixes[s.Point]
	if !ok {
		var err error
		if prefix, err = e.prefix(s.Point); err != nil {
			return dst, err
		}
		e.prefixes[s.Point] = prefix
	}
	ms := s.Time.UnixMilli()
	if ms <= 0 {
		return dst, fmt.Errorf("sample of %s has no time", s.Point)
	}
	bad := s.Quality == site.Bad
	if !bad && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)) {
		return dst, fmt.Errorf("sample of %s is %v", s.Point, s.Value)
	}
	dst = append(dst, prefix...)
	switch {
	case bad:
		dst = append(dst, " quality=2i "...)
	case s.Quality == site.Uncertain:
		dst = append(dst, " value="...)
		dst = strconv.AppendFloat(dst, s.Value, 'g', -1, 64)
		dst = append(dst, ",quality=1i "...)
	default:
		dst = append(dst, " value="...)
		dst = strconv.AppendFloat(dst, s.Value, 'g', -1, 64)
		dst = append(dst, ' ')
	}
	dst = strconv.AppendInt(dst, ms, 10)
	return append(dst, '\n'), nil
}

// prefix is everything of a line that does not change: measurement and tags. The library checks
// and escapes the names; it also refuses what a server would.
func (e *Encoder) prefix(point string) ([]byte, error) {
	place, ok := e.places()[point]
	if !ok {
		return nil, fmt.Errorf("point %q is in no site file this journal has seen", point)
	}
	if place.Quantity == "" || e.site == "" {
		return nil, errors.New("a line needs a quantity and a site")
	}
	var enc lineprotocol.Encoder
	enc.StartLine(string(place.Quantity))
	for _, tag := range [...]struct{ key, value string }{{"bay", place.Bay}, {"court", place.Court}, {"point", point}, {"site", e.site}} {
		if tag.value != "" {
			enc.AddTag(tag.key, tag.value)
		}
	}
	if err := enc.Err(); err != nil {
		return nil, fmt.Errorf("point %q: %w", point, err)
	}
	return append([]byte(nil), enc.Bytes()...), nil
}
