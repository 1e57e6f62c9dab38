package influx_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/historian/influx"
)

var noon = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

var places = site.Places{
	"A1-level": {Quantity: site.Level, Court: "A", Bay: "A1"},
	"rain":     {Quantity: site.Rain},
	"odd":      {Quantity: site.Level, Court: "a court", Bay: "b=1,c"},
	"broken":   {Quantity: site.Level, Bay: "line\nbreak"},
}

func known() site.Places { return places }

// TestLines: the form of a line is that of the InfluxDB documentation (influxdata/docs-v2, line
// protocol reference): measurement, tags, a space, fields, a space, time.
func TestLines(t *testing.T) {
	for _, row := range []struct {
		name   string
		sample site.Sample
		want   string
	}{
		{"a good sample", site.Sample{Point: "A1-level", Time: noon, Value: 0.2513}, "water_level,bay=A1,court=A,point=A1-level,site=club value=0.2513 1782907200000\n"},
		{"the site's own point has no bay", site.Sample{Point: "rain", Time: noon.Add(time.Millisecond), Value: 0}, "rain_depth,point=rain,site=club value=0 1782907200001\n"},
		{"uncertain keeps its value", site.Sample{Point: "rain", Time: noon, Value: 1e21, Quality: site.Uncertain, Why: site.WhyClock}, "rain_depth,point=rain,site=club value=1e+21,quality=1i 1782907200000\n"},
		{"bad has none", site.Sample{Point: "rain", Time: noon, Value: 7, Quality: site.Bad, Why: site.WhyTimeout}, "rain_depth,point=rain,site=club quality=2i 1782907200000\n"},
		{"names are escaped", site.Sample{Point: "odd", Time: noon, Value: -1}, `water_level,bay=b\=1\,c,court=a\ court,point=odd,site=club value=-1 1782907200000` + "\n"},
	} {
		got, err := influx.NewEncoder("club", known).Append(nil, row.sample)
		require.NoError(t, err, row.name)
		require.Equal(t, row.want, string(got), row.name)
	}
}

func TestSamplesThatMakeNoLine(t *testing.T) {
	e := influx.NewEncoder("club", known)
	for name, s := range map[string]site.Sample{
		"unknown point":  {Point: "gone", Time: noon, Value: 1},
		"not a number":   {Point: "rain", Time: noon, Value: math.NaN()},
		"infinite":       {Point: "rain", Time: noon, Value: math.Inf(-1)},
		"no time":        {Point: "rain", Value: 1},
		"unwritable tag": {Point: "broken", Time: noon, Value: 1},
	} {
		got, err := e.Append([]byte("before"), s)
		require.Error(t, err, name)
		require.Equal(t, "before", string(got), name)
	}
}

// FuzzLine: whatever value and time go in, the independent decoder of line-protocol/v2 reads
// the very same out.
func FuzzLine(f *testing.F) {
	f.Add(0.1, int64(1782907200000), uint8(0))
	f.Add(math.SmallestNonzeroFloat64, int64(1), uint8(1))
	f.Add(-1e300, int64(9e12), uint8(2))
	f.Fuzz(func(t *testing.T, value float64, ms int64, quality uint8) {
		s := site.Sample{Point: "A1-level", Time: time.UnixMilli(ms), Value: value, Quality: site.Quality(quality % 3)}
		text, err := influx.NewEncoder("club", known).Append(nil, s)
		if err != nil {
			return
		}
		if ms > math.MaxInt64/1_000_000 { // beyond what the database can hold
			return
		}
		d := lineprotocol.NewDecoder(strings.NewReader(string(text)))
		if !d.Next() {
			t.Fatalf("%q: %v", text, d.Err())
		}
		m, err := d.Measurement()
		if err != nil || string(m) != "water_level" {
			t.Fatalf("%q: measurement %q: %v", text, m, err)
		}
		for _, want := range []string{"bay=A1", "court=A", "point=A1-level", "site=club"} {
			key, val, err := d.NextTag()
			if err != nil || string(key)+"="+string(val) != want {
				t.Fatalf("%q: tag %s=%s: %v", text, key, val, err)
			}
		}
		if key, _, err := d.NextTag(); key != nil || err != nil {
			t.Fatalf("%q: one tag too many: %q %v", text, key, err)
		}
		fields := map[string]any{}
		for {
			key, val, err := d.NextField()
			if err != nil {
				t.Fatalf("%q: %v", text, err)
			}
			if key == nil {
				break
			}
			fields[string(key)] = val.Interface()
		}
		at, err := d.Time(lineprotocol.Millisecond, time.Time{})
		if err != nil || at.UnixMilli() != ms {
			t.Fatalf("%q: time %v: %v", text, at, err)
		}
		want := map[string]any{}
		if s.Quality != site.Bad {
			want["value"] = value
		}
		if s.Quality != site.Good {
			want["quality"] = int64(s.Quality)
		}
		if len(fields) != len(want) {
			t.Fatalf("%q: fields %v, want %v", text, fields, want)
		}
		for k, v := range want {
			if fields[k] != v {
				t.Fatalf("%q: field %s is %v (%T), want %v (%T)", text, k, fields[k], fields[k], v, v)
			}
		}
	})
}
