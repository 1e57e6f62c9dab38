package report

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/water"
)

var zone = func() *time.Location {
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	return z
}()

func day(d int) time.Time { return time.Date(2026, 7, d, 0, 0, 0, 0, zone).UTC() }

func aWeek() Input {
	s := &site.Site{ID: "millbrook", Name: "Millbrook <Courts>", Zone: zone, Tariff: site.Tariff{PerM3: 2.5, Currency: "EUR"},
		Courts: []site.Court{{ID: "A", Bays: []site.Bay{{ID: "A1", AreaM2: 100}, {ID: "A2", AreaM2: 100}}}}}
	in := Input{Site: s, From: day(6), To: day(13), Days: map[string][]water.Account{}, Made: day(13)}
	for _, bay := range []string{"A1", "A2"} {
		for d := 5; d <= 13; d++ { // one day before and one after the week
			a := water.Account{Bay: bay, From: day(d), To: day(d + 1), MeteredM3: 0.5, ByHandM3: 0.05, RainM3: 0.02, EvaporatedM3: 0.55, EvaporatedU: 0.03, HeldM3: 0.01,
				UnexplainedM3: 0.01, UnexplainedU: 0.04, ETM: 0.005}
			if bay == "A2" && d == 8 {
				a.OverflowRan, a.OverflowM3, a.UnexplainedM3, a.UnexplainedU = true, 0.3, math.NaN(), math.NaN()
			}
			in.Days[bay] = append(in.Days[bay], a)
		}
	}
	in.Mains = []water.Main{{From: day(5), MainM3: 9, BaysM3: 1, MainU: 9}, {From: day(6), MainM3: 1.06, BaysM3: 1.0, MainU: 0.03}, {From: day(7), MainM3: 1.06, BaysM3: 1.0, MainU: 0.04}, {From: day(8), MainM3: math.NaN(), BaysM3: 1}}
	id := "millbrook/A2/valve-stuck-open//2026-07-08T00:00:00.000Z"
	at := func(h int) site.Stamp { return site.Stamp{Time: day(8).Add(time.Duration(h) * time.Hour)} }
	e := site.Event{ID: id, Bay: "A2", Kind: site.ValveStuckOpen, State: site.Raised, Time: at(2)}
	upd, clr := e, e
	upd.State, upd.Time, upd.Litres = site.Updated, at(3), new(1200.0)
	clr.State, clr.Time, clr.Litres = site.Cleared, at(5), new(1500.0)
	effect := site.Event{ID: "effect", CauseID: id, Kind: site.Overfill, State: site.Raised, Time: at(2), Litres: new(1500.0)}
	before := site.Event{ID: "before", Kind: site.Leak, State: site.Raised, Time: site.Stamp{Time: day(5)}}
	in.Events = []site.Event{before, e, effect, upd, clr}
	in.Records = []site.Record{{Kind: site.RecAck, Subject: id, Time: at(2).Add(7 * time.Minute), Who: "ann"}, {Kind: site.RecAck, Subject: id, Time: at(4).Time, Who: "bob"},
		{Kind: site.RecSetPoint, Bay: "A1", Time: day(9), Value: 0.0645, Who: "ann"}, {Kind: site.RecDip, Bay: "A1", Time: day(9), Value: 0.063, Value2: 0.062}, {Kind: site.RecDip, Bay: "A1", Time: day(20), Value: 0.063}}
	return in
}

// TestBuild by hand: seven days of 0.5 m3 are 3.5; seven of U 0.04 give 0.04*sqrt(7) = 0.10583;
// six, with one open day, 0.04*sqrt(6) = 0.09798. Taken in by meter and hand 3.85 m3 on 100 m2
// over 35 mm is 1.1 L a square metre and millimetre.
func TestBuild(t *testing.T) {
	r := Build(aWeek())
	a1, a2 := r.Bays[0], r.Bays[1]
	require.Len(t, a1.Days, 7)
	require.InDelta(t, 3.5, a1.MeteredM3, 1e-12)
	require.InDelta(t, 0.07, a1.UnexplainedM3, 1e-12)
	require.InDelta(t, 0.105830, a1.UnexplainedU, 1e-6)
	require.Zero(t, a1.OpenDays)
	require.InDelta(t, 1.1, a1.PerMM, 1e-9)
	require.Equal(t, 1, a2.OpenDays)
	require.InDelta(t, 0.06, a2.UnexplainedM3, 1e-12)
	require.InDelta(t, 0.097980, a2.UnexplainedU, 1e-6)
	require.InDelta(t, 7.0, r.Whole.MeteredM3, 1e-12)
	require.InDelta(t, 0.3, r.Whole.OverflowM3, 1e-12)
	require.Equal(t, 2, r.MainDays)
	require.InDelta(t, 0.12, r.MainM3-r.MainBaysM3, 1e-12)
	require.InDelta(t, 0.05, r.MainU, 1e-12)
	require.Len(t, r.Faults, 1, "the effect and what was raised before the week are not counted")
	f := r.Faults[0]
	require.Equal(t, 7*time.Minute, f.Answer)
	require.Equal(t, "ann", f.AckedBy)
	require.InDelta(t, 1.5, f.LostM3, 1e-12)
	require.InDelta(t, 3.75, f.Cost, 1e-12)
	require.False(t, f.Ended.IsZero())
	require.Len(t, r.Moves, 1)
	require.Len(t, r.Dips, 1)
}

// TestClosesWithItself: where every day closes, the sums close, too: in + hand + rain - evaporated
// - overflow - held = unexplained.
func TestClosesWithItself(t *testing.T) {
	in := aWeek()
	for i := range in.Days["A1"] {
		d := &in.Days["A1"][i]
		d.UnexplainedM3 = d.MeteredM3 + d.ByHandM3 + d.RainM3 - d.EvaporatedM3 - d.OverflowM3 - d.HeldM3
	}
	s := Build(in).Bays[0]
	require.InDelta(t, s.MeteredM3+s.ByHandM3+s.RainM3-s.EvaporatedM3-s.OverflowM3-s.HeldM3, s.UnexplainedM3, 1e-12)
}

func TestSpan(t *testing.T) {
	rows := []struct{ name, day, from, to string }{
		{"day", "2026-03-29", "2026-03-29", "2026-03-30"},
		{"week", "2026-07-06", "2026-07-06", "2026-07-13"}, // a Monday
		{"week", "2026-07-12", "2026-07-06", "2026-07-13"}, // a Sunday
		{"week", "2026-03-01", "2026-02-23", "2026-03-02"}, // over a month's end
		{"season", "2026-07-12", "2026-01-01", "2027-01-01"},
	}
	for _, row := range rows {
		d, err := time.ParseInLocation(time.DateOnly, row.day, zone)
		require.NoError(t, err)
		from, to, err := Span(row.name, d.Add(13*time.Hour), zone)
		require.NoError(t, err)
		require.Equal(t, row.from, from.Format(time.DateOnly), row.name)
		require.Equal(t, row.to, to.Format(time.DateOnly), row.name)
		if row.name == "day" {
			require.Equal(t, 23*time.Hour, to.Sub(from), "the day clocks go forward has 23 hours")
		}
	}
	_, _, err := Span("month", day(1), zone)
	require.ErrorContains(t, err, "day, week or season")
}

func TestCSV(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Build(aWeek()).CSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 1+14)
	require.Equal(t, []string{"2026-07-06", "A1", "500", "50", "20", "550", "30", "0", "10", "10", "40", "5", "false"}, rows[1])
	require.Equal(t, "", rows[1+7+2][9], "a day on which the overflow ran has no unexplained")
	require.Equal(t, "true", rows[1+7+2][12])
}

func TestHTML(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, Build(aWeek()).HTML(&b))
	text := strings.ReplaceAll(b.String(), "\u00a0", " ")
	for _, want := range []string{"Millbrook &lt;Courts&gt;", "6 July to 12 July 2026", "3500 L", "70 ± 106 L", "1 of 7 days do not close", "ann after 7 min", "1500 L", "3.75 EUR", "difference of 120 ± 50 L", "Set points moved", "<svg"} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, "NaN")
	require.NotContains(t, text, "http")
	empty := aWeek()
	empty.Days, empty.Mains, empty.Events, empty.Records = nil, nil, nil, nil
	b.Reset()
	require.NoError(t, Build(empty).HTML(&b))
	require.NotContains(t, b.String(), "NaN")
}

// wellFormed reads a drawing as XML.
func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		require.NoError(t, err)
	}
}

func TestPlot(t *testing.T) {
	from := day(6)
	l := Line{Name: "level <1>", Class: "water"}
	for i := range 24 {
		v := 0.06 + 0.0001*float64(i)
		if i == 5 {
			v = math.NaN()
		}
		l.T, l.V = append(l.T, from.Add(time.Duration(i)*time.Hour)), append(l.V, v)
	}
	p := Plot{Title: `bay "A1"`, From: from, To: from.Add(24 * time.Hour), Zone: zone, Unit: "mm", Scale: 1000, Lines: []Line{l}, Marks: []Mark{{from.Add(time.Hour), "leak & more"}, {from.Add(-time.Hour), "before"}}}
	svg := string(p.SVG())
	wellFormed(t, svg)
	require.Equal(t, 2, strings.Count(svg[strings.Index(svg, ` d="`):], "M"), "a bad reading breaks the line in two")
	require.NotContains(t, svg, "before")
	require.NotContains(t, svg, "NaN")
	require.NotContains(t, svg, "style=")
	require.Contains(t, svg, "leak &amp; more")
	p.Lines = []Line{{T: []time.Time{from}, V: []float64{math.NaN()}}}
	require.Empty(t, p.SVG())
	p.Lines = []Line{{T: []time.Time{from, from.Add(time.Hour)}, V: []float64{0.06, 0.06}, Step: true}}
	wellFormed(t, string(p.SVG()))
	// A crest near by is drawn and one far away does not flatten the curve.
	p.Lines = []Line{{Class: "water", T: []time.Time{from, from.Add(time.Hour)}, V: []float64{0.060, 0.070}}, Level("overflow", "crest", 0.080, from, from.Add(time.Hour))}
	_, hi := p.bounds()
	require.InDelta(t, 80, hi, 1e-9)
	p.Lines[1] = Level("overflow", "crest", 0.2, from, from.Add(time.Hour))
	_, hi = p.bounds()
	require.InDelta(t, 70, hi, 1e-9)
}

// TestTimeTicks: round local hours on the days of 23 and 25 hours, too.
func TestTimeTicks(t *testing.T) {
	for _, d := range []string{"2026-03-29", "2026-10-25", "2026-07-06"} {
		from, err := time.ParseInLocation(time.DateOnly, d, zone)
		require.NoError(t, err)
		for _, at := range timeTicks(from, from.AddDate(0, 0, 1), zone) {
			require.Zero(t, at.In(zone).Hour()%3, "%v", at)
			require.Zero(t, at.Minute())
		}
	}
	require.LessOrEqual(t, len(timeTicks(day(1), day(1).AddDate(0, 6, 0), zone)), 10)
}

func TestNiceTicks(t *testing.T) {
	for _, r := range [][2]float64{{0, 1}, {55.3, 81.2}, {-3, 7}, {0, 1e-4}, {1e5, 1.2e5}} {
		ticks := niceTicks(r[0], r[1], 4)
		require.GreaterOrEqual(t, len(ticks), 2)
		require.LessOrEqual(t, ticks[0], r[0])
		require.GreaterOrEqual(t, ticks[len(ticks)-1], r[1])
		require.LessOrEqual(t, len(ticks), 8)
	}
}
