package recorded_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/drivers/recorded"
)

const fullHeader = "time,bay,level_mm,flow_lpm,meter_l,valve_open,setpoint_mm,temp_c,rh_pct,wind_ms,solar_wm2,rain_mm,supply_kpa,main_meter_l\n"

// clubOf returns a site with these bays whose points are those the data imply.
func clubOf(t testing.TB, v recorded.Survey, bays ...string) *site.Site {
	t.Helper()
	s := &site.Site{ID: "club", Zone: time.UTC, Courts: []site.Court{{ID: "c"}}, Points: v.Points()}
	for _, b := range bays {
		s.Courts[0].Bays = append(s.Courts[0].Bays, site.Bay{ID: b, Court: "c"})
	}
	return s
}

func read(t testing.TB, text string) *recorded.Series {
	t.Helper()
	s, err := recorded.Open(strings.NewReader(text), "-")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func collect(t testing.TB, s *recorded.Series, st *site.Site) []site.Sample {
	t.Helper()
	var out []site.Sample
	for smp, err := range s.Samples(st) {
		require.NoError(t, err)
		out = append(out, *smp)
	}
	return out
}

// failure reads everything and returns the error that ends it.
func failure(t testing.TB, text string) error {
	t.Helper()
	s, err := recorded.Open(strings.NewReader(text), "-")
	if err != nil {
		return err
	}
	defer func() { require.NoError(t, s.Close()) }()
	for _, err := range s.Rows() {
		if err != nil {
			return err
		}
	}
	return nil
}

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t.UTC()
}

func TestEveryCellBecomesItsSISample(t *testing.T) {
	s := read(t, fullHeader+
		"2025-06-20T22:00:30Z,A1,82.8,18.3,173922.5,1,87.5,,,,,,,\n"+
		"2025-06-20T22:00:30Z,,,,,,,15.7,80,0.5,0,0.2,345,4941249\n"+
		"2025-06-20T22:01:00.250Z,A1,,0.0,173931.5,0,87.5,,,,,,,\n"+
		"2025-06-20T22:05:00Z,,,,,,,15.4,81,0.6,0,1.3,347,4941279\n")
	got := map[string][]site.Sample{}
	for _, smp := range collect(t, s, clubOf(t, s.Survey(), "A1")) {
		got[smp.Point] = append(got[smp.Point], smp)
	}
	// The factors are the definitions: 1 L = 1e-3 m3, 1 L/min = 1e-3/60 m3/s, 1 kPa = 1000 Pa.
	want := map[string][2]float64{
		"A1-level":    {0.0828, math.NaN()},
		"A1-flow":     {18.3e-3 / 60, 0},
		"A1-meter":    {173.9225, 173.9315},
		"A1-valve":    {1, 0},
		"A1-setpoint": {0.0875, 0.0875},
		"temp":        {15.7, 15.4},
		"rh":          {0.80, 0.81},
		"wind":        {0.5, 0.6},
		"solar":       {0, 0},
		"rain":        {0.2e-3, 1.5e-3}, // a difference column becomes a running total
		"pressure":    {345e3, 347e3},
		"meter":       {4941.249, 4941.279},
	}
	require.Len(t, got, len(want))
	for id, values := range want {
		require.Len(t, got[id], 2, id)
		for i, v := range values {
			smp := got[id][i]
			if math.IsNaN(v) {
				require.Equal(t, site.Bad, smp.Quality, id)
				require.Equal(t, site.WhyNoReading, smp.Why, id)
				require.True(t, math.IsNaN(smp.Value), id)
				continue
			}
			require.Equal(t, site.Good, smp.Quality, id)
			require.InEpsilon(t, v+1, smp.Value+1, 1e-14, "%s, reading %d", id, i)
		}
	}
	require.Equal(t, at("2025-06-20T22:01:00.25Z"), got["A1-level"][1].Time)
	require.Equal(t, time.UTC, got["A1-level"][1].Time.Location())
}

func TestALostSiteRowLosesNoRain(t *testing.T) {
	s := read(t, "time,bay,rain_mm,temp_c\n"+
		"2025-06-20T22:00:00Z,,0.4,10\n"+
		"2025-06-20T22:05:00Z,,,10\n"+ // the recorder was away; its next cell covers both
		"2025-06-20T22:10:00Z,,2.6,10\n")
	var rain []site.Sample
	for _, smp := range collect(t, s, clubOf(t, s.Survey())) {
		if smp.Point == "rain" {
			rain = append(rain, smp)
		}
	}
	require.Len(t, rain, 3)
	require.Equal(t, site.Bad, rain[1].Quality)
	require.InDelta(t, 3.0e-3, rain[2].Value, 1e-15)
}

func TestReadingsAPointCannotShowAreBad(t *testing.T) {
	s := read(t, "time,bay,level_mm,rh_pct\n"+
		"2025-06-20T22:00:00Z,A1,250,\n"+
		"2025-06-20T22:00:30Z,A1,9999,\n"+
		"2025-06-20T22:00:40Z,,,130\n"+
		"2025-06-20T22:01:00Z,A1,50,\n")
	st := clubOf(t, s.Survey(), "A1")
	for i := range st.Points {
		if st.Points[i].Quantity == site.Level {
			st.Points[i].Max = 0.2
		}
	}
	got := collect(t, s, st)
	require.Len(t, got, 4)
	for i, q := range []site.Quality{site.Bad, site.Bad, site.Bad, site.Good} {
		require.Equal(t, q, got[i].Quality, "sample %d", i)
		if q == site.Bad {
			require.Equal(t, site.WhyOutOfRange, got[i].Why)
			require.True(t, math.IsNaN(got[i].Value))
		}
	}
}

func TestMissingColumnsAreInstrumentsTheSiteHasNot(t *testing.T) {
	s := read(t, "bay,level_mm,time\nA1,50,2025-06-20T22:00:00Z\nA1,51,2025-06-20T22:00:10Z\n")
	points := s.Survey().Points()
	require.Len(t, points, 1)
	require.Equal(t, "A1-level", points[0].ID)
	require.Equal(t, 10*time.Second, points[0].Interval)
	require.Len(t, collect(t, s, clubOf(t, s.Survey(), "A1")), 2)
}

func TestSurveySeesBaysInstrumentsAndSilentColumns(t *testing.T) {
	s := read(t, fullHeader+
		"2025-06-20T22:00:00Z,B2,50,,,,,,,,,,,\n"+
		"2025-06-20T22:00:00Z,A1,51,,100,,,,,,,,,\n"+
		"2025-06-20T22:00:30Z,B2,50,,,,,,,,,,,\n"+
		"2025-06-20T22:00:30Z,A1,51,,100,,,,,,,,,\n"+
		"2025-06-20T22:05:00Z,,,,,,,,,,,0.0,,\n")
	v := s.Survey()
	require.Equal(t, at("2025-06-20T22:00:00Z"), v.First)
	require.Len(t, v.Bays, 2)
	require.Equal(t, "A1", v.Bays[0].ID)
	require.Equal(t, 3, v.Bays[0].Line)
	require.Equal(t, []recorded.SurveyColumn{{recorded.Level, 30 * time.Second}, {recorded.Meter, 30 * time.Second}}, v.Bays[0].Columns)
	require.Equal(t, []recorded.SurveyColumn{{recorded.Rain, 0}}, v.Site)
	var silent []string
	for _, c := range v.Silent {
		silent = append(silent, c.Column.String())
	}
	require.Equal(t, "flow_lpm valve_open setpoint_mm temp_c rh_pct wind_ms solar_wm2 supply_kpa main_meter_l", strings.Join(silent, " "))
}

func TestABayTheSiteLacksIsAnErrorWithItsLine(t *testing.T) {
	s := read(t, "time,bay,level_mm\n2025-06-20T22:00:00Z,A1,50\n2025-06-20T22:00:00Z,B7,50\n")
	var last error
	for _, err := range s.Samples(clubOf(t, s.Survey(), "A1", "A2", "A3")) {
		last = err
	}
	require.EqualError(t, last, "-:3: bay B7 is not in the site file; its bays are A1, A2 and A3")
}

func TestAColumnTheSiteHasNoPointForIsCounted(t *testing.T) {
	s := read(t, "time,bay,level_mm,flow_lpm\n2025-06-20T22:00:00Z,A1,50,0\n2025-06-20T22:00:30Z,A1,50,\n2025-06-20T22:01:00Z,A1,50,1\n")
	st := clubOf(t, s.Survey(), "A1")
	st.Points = st.Points[1:] // the level only
	require.Equal(t, site.Level, st.Points[0].Quantity)
	require.Len(t, collect(t, s, st), 3)
	require.Equal(t, []recorded.Unused{{"A1", recorded.Flow, 2}}, s.Unused())
}

func TestTheSiteIsFittedToTheData(t *testing.T) {
	s := read(t, "time,bay,level_mm,valve_open\n2025-06-20T22:00:00Z,A1,50,\n2025-06-20T22:00:20Z,A1,50,\n")
	st := clubOf(t, recorded.Survey{Bays: []recorded.SurveyBay{{ID: "A1", Columns: []recorded.SurveyColumn{
		{Column: recorded.Level, Interval: 5 * time.Second}, {Column: recorded.ValveOpen, Interval: 5 * time.Second}, {Column: recorded.Flow}}}}}, "A1")
	st.Points = append(st.Points, site.Point{ID: "baro", Quantity: site.AirPressure})
	fitted, dropped := s.Survey().Fit(st)
	require.Equal(t, []string{"A1-flow", "baro"}, dropped)
	require.Len(t, st.Points, 4, "the site given is left as it is")
	require.Len(t, fitted.Points, 2)
	require.Equal(t, 20*time.Second, fitted.Point("A1-level").Interval)
	require.Equal(t, 5*time.Second, fitted.Point("A1-valve").Interval, "a silent column keeps its instrument: its cells are bad readings")
	require.Len(t, collect(t, s, fitted), 4)
}

func TestMistakesAreNamedWithTheirLine(t *testing.T) {
	const head, row = "time,bay,level_mm,valve_open,rain_mm\n", "2025-06-20T22:00:00Z,A1,50,0,\n"
	for _, c := range []struct{ name, text, want string }{
		{"nothing at all", "", "-:1: the file has no header row; the first line is a header such as time,bay,level_mm,flow_lpm,meter_l"},
		{"two unknown columns", "time,bay,level,level_mm,depth\n" + row, `-:1: unknown column "level", "depth"; the columns are time, bay, level_mm, flow_lpm, meter_l, valve_open, setpoint_mm, temp_c, rh_pct, wind_ms, solar_wm2, rain_mm, supply_kpa, main_meter_l`},
		{"a header in capitals is not known", "Time,bay\n", `-:1: unknown column "Time"; the columns are time, bay, level_mm, flow_lpm, meter_l, valve_open, setpoint_mm, temp_c, rh_pct, wind_ms, solar_wm2, rain_mm, supply_kpa, main_meter_l`},
		{"a column twice", "time,bay,rain_mm,rain_mm\n", `-:1: column "rain_mm" stands there twice; keep one of them`},
		{"no time", "bay,level_mm\n", "-:1: there is no column time; the first line is a header such as time,bay,level_mm,flow_lpm,meter_l"},
		{"no bay", "time,level_mm\n", "-:1: there is no column bay; the first line is a header such as time,bay,level_mm,flow_lpm,meter_l"},
		{"semicolons", "time;bay;level_mm\n", "-:1: the fields are separated by semicolons; separate them by commas and write decimals with a point"},
		{"out of order", head + row + "2025-06-20T21:59:30Z,A1,50,0,\n", "-:3: the rows are not in time order: 2025-06-20T21:59:30Z comes after 2025-06-20T22:00:00Z; sort the rows by time"},
		{"out of order in another bay", head + row + "2025-06-20T21:59:30Z,A2,50,0,\n", "-:3: the rows are not in time order: 2025-06-20T21:59:30Z comes after 2025-06-20T22:00:00Z; sort the rows by time"},
		{"one bay twice at one time", head + row + "2025-06-20T22:00:00Z,A2,50,0,\n" + row, "-:4: bay A1 has a second row for 2025-06-20T22:00:00Z; keep one of them"},
		{"the site twice at one time", head + "2025-06-20T22:00:00Z,,,,0\n2025-06-20T22:00:00Z,,,,0\n", "-:3: the site has a second row for 2025-06-20T22:00:00Z; keep one of them"},
		{"too few fields", head + "2025-06-20T22:00:00Z,A1,50\n", "-:2: the row has 3 fields, the header 5; a row has as many fields as the header"},
		{"decimal comma", head + "2025-06-20T22:00:00Z,A1,50,5,0,\n", "-:2: the row has 6 fields, the header 5; a row has as many fields as the header"},
		{"not a number", head + "\n\n2025-06-20T22:00:00Z,A1,n/a,0,\n", `-:4: level_mm: "n/a" is not a number; write a plain decimal number, or nothing where there is no good reading`},
		{"NaN", head + "2025-06-20T22:00:00Z,A1,NaN,0,\n", `-:2: level_mm: "NaN" is not a number; write a plain decimal number, or nothing where there is no good reading`},
		{"a space is not nothing", head + "2025-06-20T22:00:00Z,A1, ,0,\n", `-:2: level_mm: " " is not a number; write a plain decimal number, or nothing where there is no good reading`},
		{"hexadecimal", head + "2025-06-20T22:00:00Z,A1,0x1p4,0,\n", `-:2: level_mm: "0x1p4" is not a number; write a plain decimal number, or nothing where there is no good reading`},
		{"half open", head + "2025-06-20T22:00:00Z,A1,50,0.5,\n", "-:2: valve_open is 0.5; write 0 for shut or 1 for open"},
		{"rain falls upwards", head + "2025-06-20T22:00:00Z,,,,-0.1\n", "-:2: rain_mm is -0.1; rain_mm is the rain since the last site row, 0 or more"},
		{"the site's cell on a bay's row", head + "2025-06-20T22:00:00Z,A1,50,0,0.1\n", "-:2: rain_mm belongs to the site, but the row is of bay A1; leave it empty here and give it on a row with an empty bay"},
		{"a bay's cell on the site's row", head + "2025-06-20T22:00:00Z,,50,,0.1\n", "-:2: level_mm belongs to a bay, but the row names none; put the bay's id in the row, or leave the cell empty"},
		{"a bay that is no id", head + "2025-06-20T22:00:00Z,A 1,50,0,\n", `-:2: bay "A 1" cannot be an id; an id is 1 to 32 letters, digits and hyphens, and starts with a letter or digit`},
		{"another zone", head + "2025-06-21T00:00:00+02:00,A1,50,0,\n", `-:2: "2025-06-21T00:00:00+02:00" is not in UTC; write 2025-06-20T22:00:00Z`},
		{"no zone", head + "2025-06-21T00:00:00,A1,50,0,\n", `-:2: "2025-06-21T00:00:00" is not a time; write it in UTC like 2025-07-01T04:00:30Z`},
		{"a day that is not", head + "2025-06-31T00:00:00Z,A1,50,0,\n", `-:2: "2025-06-31T00:00:00Z" is not a time; write it in UTC like 2025-07-01T04:00:30Z`},
		{"hour 24", head + "2025-06-30T24:00:00Z,A1,50,0,\n", `-:2: "2025-06-30T24:00:00Z" is not a time; write it in UTC like 2025-07-01T04:00:30Z`},
		{"microseconds", head + "2025-06-30T23:00:00.000001Z,A1,50,0,\n", `-:2: "2025-06-30T23:00:00.000001Z" is finer than a millisecond; write 2025-06-30T23:00:00.000Z`},
		{"too many fields, quoted", head + "2025-06-20T22:00:00Z,\"A1\",50,\"5,5\",0,\n", "-:2: the row has 6 fields, the header 5; a row has as many fields as the header"},
		{"a quoted comma", head + "2025-06-20T22:00:00Z,A1,\"50,5\",0,\n", `-:2: level_mm: "50,5" is not a number; write a plain decimal number, or nothing where there is no good reading`},
		{"a quote inside", head + "2025-06-30T23:00:00Z,A\"1,50,0,\n", `-:2: bare " in non-quoted-field; quote a whole field or nothing`},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := failure(t, c.text)
			require.EqualError(t, err, c.want)
			require.IsType(t, &recorded.Error{}, err)
		})
	}
}

func TestFormsOtherProgramsWrite(t *testing.T) {
	for name, text := range map[string]string{
		"byte order mark":     "\xef\xbb\xbftime,bay,level_mm\n2025-06-20T22:00:00Z,A1,50\n",
		"carriage returns":    "time,bay,level_mm\r\n2025-06-20T22:00:00Z,A1,50\r\n",
		"quoted fields":       "\"time\",\"bay\",\"level_mm\"\n\"2025-06-20T22:00:00Z\",\"A1\",\"50\"\n",
		"no last line end":    "time,bay,level_mm\n2025-06-20T22:00:00Z,A1,50",
		"blank lines":         "time,bay,level_mm\n\n2025-06-20T22:00:00Z,A1,50\n\n",
		"UTC as an offset":    "time,bay,level_mm\n2025-06-20T22:00:00+00:00,A1,50\n",
		"exponent":            "time,bay,level_mm\n2025-06-20T22:00:00Z,A1,5.0e1\n",
		"zeros":               "time,bay,level_mm\n2025-06-20T22:00:00.000Z,A1,0050.000000000000000000\n",
		"one-digit fractions": "time,bay,level_mm\n2025-06-20T22:00:00.0Z,A1,50\n",
	} {
		t.Run(name, func(t *testing.T) {
			n := 0
			for row, err := range read(t, text).Rows() {
				require.NoError(t, err)
				require.Equal(t, at("2025-06-20T22:00:00Z"), row.Time)
				require.Equal(t, "A1", row.Bay)
				require.Equal(t, 50.0, row.Cells[recorded.Level])
				n++
			}
			require.Equal(t, 1, n)
		})
	}
}

func TestAHeaderAloneIsAnEmptySeries(t *testing.T) {
	s := read(t, "time,bay,level_mm\n")
	require.Empty(t, collect(t, s, clubOf(t, s.Survey())))
	require.Empty(t, s.Survey().Bays)
}

func write(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func zipped(t testing.TB, text string) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, err := z.Write([]byte(text))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return b.String()
}

func TestSeveralFilesAreOneSeriesWhateverTheirOrder(t *testing.T) {
	const head = "time,bay,level_mm\n"
	july := write(t, "july.csv", head+"2025-07-01T00:00:00Z,A1,3\n2025-07-01T00:00:30Z,A1,4\n")
	june := write(t, "june.csv.gz", zipped(t, head+"2025-06-30T23:59:00Z,A1,1\n2025-06-30T23:59:30Z,A1,2\n"))
	beside := write(t, "beside.csv", head+"2025-06-30T23:59:30Z,B1,12\n2025-07-01T00:00:30Z,B1,14\n")
	empty := write(t, "empty.csv", head)
	s, err := recorded.Open(strings.NewReader("time,bay,rain_mm\n2025-07-01T00:00:30Z,,0\n"), july, empty, beside, "-", june)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.Equal(t, at("2025-06-30T23:59:00Z"), s.Survey().First)
	var got []string
	for row, err := range s.Rows() {
		require.NoError(t, err)
		got = append(got, fmt.Sprintf("%s %s %v", row.Time.Format("05"), row.Bay, row.Cells[recorded.Level]))
	}
	require.Equal(t, []string{"00 A1 1", "30 B1 12", "30 A1 2", "00 A1 3", "30 A1 4", "30 B1 14", "30  NaN"}, got)
	const fromStdin = len("time,bay,rain_mm\n2025-07-01T00:00:30Z,,0\n")
	require.EqualValues(t, s.Size()-int64(len(head))+int64(fromStdin), s.Read(), "every byte but those of the file without rows")
}

func TestFilesThatSayTheSameMomentTwiceAreRefused(t *testing.T) {
	const text = "time,bay,level_mm\n2025-07-01T00:00:00Z,A1,3\n2025-07-01T00:00:30Z,A1,4\n"
	a, b := write(t, "a.csv", text), write(t, "b.csv", text)
	s, err := recorded.Open(nil, a, b)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	var last error
	for _, err := range s.Rows() {
		last = err
	}
	require.EqualError(t, last, b+":2: bay A1 has a second row for 2025-07-01T00:00:00Z; keep one of them")
	_, err = recorded.Open(nil, a, a)
	require.EqualError(t, err, "recorded data: "+a+" is given twice")
}

func TestDamagedFiles(t *testing.T) {
	_, err := recorded.Open(nil, filepath.Join(t.TempDir(), "none.csv"))
	require.ErrorIs(t, err, os.ErrNotExist)

	var rows strings.Builder
	rows.WriteString("time,bay,level_mm\n")
	for i := range 2000 {
		fmt.Fprintf(&rows, "%s,A1,%d\n", at("2025-07-01T00:00:00Z").Add(time.Duration(i)*time.Second).Format(time.RFC3339), i*7919%100)
	}
	whole := zipped(t, rows.String())
	err = failure(t, whole[:len(whole)/2])
	require.IsType(t, &recorded.Error{}, err)
	require.ErrorContains(t, err, "damaged or cut short")
	broken := []byte(whole)
	broken[len(broken)-6] ^= 0x55 // in the checksum
	err = failure(t, string(broken))
	require.IsType(t, &recorded.Error{}, err)
	require.ErrorContains(t, err, "damaged or cut short")

	err = failure(t, "time,bay\n2025-07-01T00:00:00Z,"+strings.Repeat("x", 1<<20)+"\n")
	require.EqualError(t, err, "-:2: the line is longer than half a mebibyte; give one row a line")
}

func TestASeriesIsReadOnce(t *testing.T) {
	s := read(t, "time,bay,level_mm\n2025-06-20T22:00:00Z,A1,50\n")
	for range s.Rows() {
		break
	}
	for _, err := range s.Rows() {
		require.EqualError(t, err, "recorded data: the series has been read already")
	}
}

// TestWhatIsWrittenIsReadBack writes random rows and reads them again. The seed is printed.
func TestWhatIsWrittenIsReadBack(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for range 50 {
		rows := randomRows(rng)
		var b bytes.Buffer
		w := recorded.NewWriter(&b)
		for _, r := range rows {
			require.NoError(t, w.Write(r))
		}
		require.NoError(t, w.Flush())
		i := 0
		for got, err := range read(t, b.String()).Rows() {
			require.NoError(t, err)
			want := rows[i]
			require.Equal(t, want.Time, got.Time)
			require.Equal(t, want.Bay, got.Bay)
			for c := range recorded.NumColumns {
				w, g := want.Cells[c], got.Cells[c]
				if math.IsNaN(w) {
					require.True(t, math.IsNaN(g), c.String())
					continue
				}
				require.InDelta(t, w, g, 0.0005, c.String())
			}
			i++
		}
		require.Equal(t, len(rows), i)
	}
}

// randomRows are rows whose cells have no more places than the format keeps.
func randomRows(rng *rand.Rand) []recorded.Row {
	now := at("2025-03-30T00:00:00Z").Add(time.Duration(rng.IntN(1e9)) * time.Second)
	var rows []recorded.Row
	for range rng.IntN(40) {
		now = now.Add(time.Duration(1+rng.IntN(40000)) * time.Millisecond)
		for _, bay := range []string{"A1", "B-2", ""} {
			if rng.IntN(3) == 0 {
				continue
			}
			r := recorded.Row{Time: now, Bay: bay, Has: 1<<recorded.NumColumns - 1}
			for c := range recorded.NumColumns {
				r.Cells[c] = math.NaN()
				if c.PerBay() == (bay != "") && rng.IntN(4) > 0 {
					switch c {
					case recorded.ValveOpen:
						r.Cells[c] = float64(rng.IntN(2))
					case recorded.Rain:
						r.Cells[c] = float64(rng.IntN(100)) / 10
					default:
						r.Cells[c] = float64(rng.IntN(1e9)-5e8) / 10
					}
				}
			}
			rows = append(rows, r)
		}
	}
	return rows
}

func TestWriterRefusesWhatCouldNotBeReadAgain(t *testing.T) {
	row := func(t time.Time, bay string, level float64) recorded.Row {
		r := recorded.Row{Time: t, Bay: bay}
		for c := range r.Cells {
			r.Cells[c] = math.NaN()
		}
		r.Cells[recorded.Level] = level
		return r
	}
	var b bytes.Buffer
	w := recorded.NewWriter(&b, recorded.Flow, recorded.Level)
	now := at("2025-06-20T22:00:00Z")
	require.NoError(t, w.Write(row(now, "A1", 50.126)))
	require.ErrorContains(t, w.Write(row(now, "A1", 50)), "second row")
	require.ErrorContains(t, w.Write(row(now.Add(-time.Second), "A2", 50)), "comes after")
	require.ErrorContains(t, w.Write(row(now.Add(time.Microsecond), "A2", 50)), "finer than a millisecond")
	require.ErrorContains(t, w.Write(row(now, "A,2", 50)), "id")
	require.ErrorContains(t, w.Write(row(now, "A2", math.Inf(1))), "infinite")
	require.ErrorContains(t, w.Write(row(time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), "A2", 1)), "year")
	require.NoError(t, w.Write(row(now, "", 7)), "a bay's cell on a site row is left out")
	require.NoError(t, w.Flush())
	require.Equal(t, "time,bay,level_mm,flow_lpm\n2025-06-20T22:00:00Z,A1,50.13,\n2025-06-20T22:00:00Z,,,\n", b.String())
}

func TestSampleWriterGathersOneScanInOneRow(t *testing.T) {
	st := clubOf(t, recorded.Survey{
		Bays: []recorded.SurveyBay{{ID: "A1", Columns: []recorded.SurveyColumn{{Column: recorded.Level}, {Column: recorded.Meter}}}},
		Site: []recorded.SurveyColumn{{Column: recorded.Rain}}}, "A1")
	now := at("2025-06-20T22:00:00Z")
	var b bytes.Buffer
	w := recorded.NewSampleWriter(&b, st, 5*time.Second)
	put := func(ms int, id string, v float64) {
		smp := site.Sample{Point: id, Time: now.Add(time.Duration(ms) * time.Millisecond), Value: v}
		if math.IsNaN(v) {
			smp.Quality = site.Bad
		}
		require.NoError(t, w.Sample(smp))
	}
	put(12, "A1-level", 0.0501)
	put(20, "rain", 0.0102) // what fell before the record is not in it
	put(31, "A1-meter", 1.5)
	put(40, "A1-baro", 1) // no column
	put(10012, "A1-level", math.NaN())
	put(10013, "rain", 0.0115)
	put(10040, "A1-meter", 1.6)
	put(20011, "A1-level", 0.0500)
	put(20012, "rain", 0.0003) // the gauge was reset
	require.NoError(t, w.Flush())
	require.Equal(t, "time,bay,level_mm,meter_l,rain_mm\n"+
		"2025-06-20T22:00:00.012Z,A1,50.1,1500,\n"+
		"2025-06-20T22:00:00.020Z,,,,0\n"+
		"2025-06-20T22:00:10.012Z,A1,,1600,\n"+
		"2025-06-20T22:00:10.013Z,,,,1.3\n"+
		"2025-06-20T22:00:20.011Z,A1,50,,\n"+
		"2025-06-20T22:00:20.012Z,,,,0.3\n", b.String())
	require.ErrorContains(t, w.Sample(site.Sample{Point: "A1-level", Time: now}), "comes after")
}

func TestOneInstantIsOneRowWithoutGathering(t *testing.T) {
	st := clubOf(t, recorded.Survey{Bays: []recorded.SurveyBay{{ID: "A1", Columns: []recorded.SurveyColumn{{Column: recorded.Level}, {Column: recorded.Meter}}}}}, "A1")
	var b bytes.Buffer
	w := recorded.NewSampleWriter(&b, st, 0)
	for i := range 2 {
		now := at("2025-06-20T22:00:00Z").Add(time.Duration(i) * time.Second)
		require.NoError(t, w.Sample(site.Sample{Point: "A1-level", Time: now, Value: 0.05}))
		require.NoError(t, w.Sample(site.Sample{Point: "A1-meter", Time: now, Value: 1}))
	}
	require.NoError(t, w.Flush())
	require.Equal(t, "time,bay,level_mm,meter_l\n2025-06-20T22:00:00Z,A1,50,1000\n2025-06-20T22:00:01Z,A1,50,1000\n", b.String())
}

// TestRainDoesNotDriftInWriting: a total that grows by less than the last place written still
// arrives.
func TestRainDoesNotDriftInWriting(t *testing.T) {
	st := clubOf(t, recorded.Survey{Site: []recorded.SurveyColumn{{Column: recorded.Rain}}})
	var b bytes.Buffer
	w := recorded.NewSampleWriter(&b, st, 0)
	now, total := at("2025-06-20T22:00:00Z"), 0.0
	for range 5000 {
		require.NoError(t, w.Sample(site.Sample{Point: "rain", Time: now, Value: total}))
		now = now.Add(time.Minute)
		total += 0.2543e-6 / 3
	}
	last := total - 0.2543e-6/3
	require.NoError(t, w.Flush())
	got := collect(t, read(t, b.String()), st)
	require.InDelta(t, last, got[len(got)-1].Value, 0.6e-6, "half of the last place, 0.001 mm")
}
