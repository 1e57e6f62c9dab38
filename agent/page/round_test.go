package page

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/words"
)

// TestPropose: the rules of the round, each at its edge.
// source: moves of 0.1 to 0.2 inch and up to 24 hours before judging are common practice in the
// trade, without a document to cite; 15 mm from the crest and a day after heavy rain are the
// club's own rules.
func TestPropose(t *testing.T) {
	base := roundInput{Surface: surfaceReport{Plays: "dry"}, SetM: 0.060, LevelM: 0.061, LevelU: 0.001, BandM: 0.004, CrestM: 0.09, TopM: 0.1,
		Settled: true, RainM: 0, SinceMove: 48 * time.Hour}
	with := func(f func(*roundInput)) roundInput { in := base; f(&in); return in }
	const tenth = 0.1 * 0.0254
	rows := []struct {
		name string
		in   roundInput
		move float64
		why  string
	}{
		{"dry", base, tenth, "played dry today"},
		{"dry again", with(func(i *roundInput) { i.Surface.Again = true }), 2 * tenth, "two rounds running"},
		{"soft", with(func(i *roundInput) { i.Surface.Plays = "soft" }), -tenth, "played soft"},
		{"right", with(func(i *roundInput) { i.Surface.Plays = "right" }), 0, "leave it"},
		{"nobody said", with(func(i *roundInput) { i.Surface.Plays = "" }), 0, "Say how it plays"},
		{"a finding is open", with(func(i *roundInput) { i.Open = []string{"leak"} }), 0, "leak"},
		{"a move a second less than a day ago", with(func(i *roundInput) { i.SinceMove = 24*time.Hour - time.Second }), 0, "judged after 24 h"},
		{"a move a day ago", with(func(i *roundInput) { i.SinceMove = 24 * time.Hour }), tenth, ""},
		{"heavy rain", with(func(i *roundInput) { i.RainM = 0.010 }), 0, "10.0 mm of rain"},
		{"a little less rain", with(func(i *roundInput) { i.RainM = 0.0099 }), tenth, ""},
		{"no rain gauge", with(func(i *roundInput) { i.RainM = math.NaN() }), tenth, ""},
		{"not at rest", with(func(i *roundInput) { i.Settled = false }), 0, "not at rest"},
		{"level at the edge of the band and its uncertainty", with(func(i *roundInput) { i.LevelM = 0.060 - 0.00499 }), tenth, ""},
		{"level below it", with(func(i *roundInput) { i.LevelM = 0.060 - 0.00501 }), 0, "5 mm under"},
		{"level not known", with(func(i *roundInput) { i.LevelM = math.NaN() }), 0, "comes first"},
		{"set point not known", with(func(i *roundInput) { i.SetM = math.NaN() }), 0, "not known"},
		{"15 mm from the crest after the move", with(func(i *roundInput) { i.CrestM = 0.060 + tenth + 0.0150001 }), tenth, ""},
		{"nearer to the crest", with(func(i *roundInput) { i.CrestM = 0.060 + tenth + 0.0149999 }), 0, "overflow"},
		{"nearer to the crest, but down", with(func(i *roundInput) { i.CrestM = 0.060; i.Surface.Plays = "soft" }), -tenth, ""},
		{"into the playing layer", with(func(i *roundInput) { i.TopM = 0.062 }), 0, "playing layer"},
		{"as low as it can be", with(func(i *roundInput) {
			i.SetM, i.LevelM, i.Surface.Plays = 0.006, 0.006, "soft"
		}), 0, "as low"},
		{"season closed", with(func(i *roundInput) { i.Closed = true }), 0, "closed"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			move, why := propose(row.in, words.Voice{Zone: zone})
			require.InDelta(t, row.move, move, 1e-12, why)
			require.Contains(t, why, row.why)
			require.LessOrEqual(t, math.Abs(move), 0.2*0.0254+1e-12)
		})
	}
}

func TestSurfaceOf(t *testing.T) {
	now := aMorning
	say := func(ago time.Duration, plays string) site.Record {
		return site.Record{Kind: site.RecSurface, Bay: "A1", Time: now.Add(-ago), Text: plays}
	}
	rows := []struct {
		name    string
		records []site.Record
		moved   time.Time
		want    surfaceReport
	}{
		{"nobody", nil, time.Time{}, surfaceReport{}},
		{"today", []site.Record{say(time.Minute, "dry")}, time.Time{}, surfaceReport{"dry", false}},
		{"yesterday only", []site.Record{say(12*time.Hour, "dry")}, time.Time{}, surfaceReport{}},
		{"both days", []site.Record{say(24*time.Hour, "dry"), say(time.Minute, "dry")}, time.Time{}, surfaceReport{"dry", true}},
		{"otherwise yesterday", []site.Record{say(24*time.Hour, "soft"), say(time.Minute, "dry")}, time.Time{}, surfaceReport{"dry", false}},
		{"twice this morning is one round", []site.Record{say(2*time.Minute, "dry"), say(time.Minute, "dry")}, time.Time{}, surfaceReport{"dry", false}},
		{"taken back this morning", []site.Record{say(2*time.Minute, "dry"), say(time.Minute, "right")}, time.Time{}, surfaceReport{"right", false}},
		{"yesterday's was answered by a move", []site.Record{say(24*time.Hour, "dry"), say(time.Minute, "dry")}, now.Add(-20 * time.Hour), surfaceReport{"dry", false}},
		{"another bay's", []site.Record{{Kind: site.RecSurface, Bay: "A2", Time: now, Text: "dry"}}, time.Time{}, surfaceReport{}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			got, _ := surfaceOf(row.records, "A1", row.moved, now)
			require.Equal(t, row.want, got)
		})
	}
}

// TestAgreement: a stick read to the nearest 4 mm mark has a half-width of 2 mm, so u = 2/sqrt(3)
// = 1.1547 mm (JCGM 100:2008, 4.3.7); with a sensor of 1 mm the limit at k=2 is
// 2*sqrt(1.1547^2 + 1^2) = 3.055 mm.
func TestAgreement(t *testing.T) {
	p := &site.Point{ID: "A1-level", UStd: nan}
	dip := func(value, sensor float64, text string) site.Record {
		return site.Record{Kind: site.RecDip, Value: value, Value2: sensor, Text: text}
	}
	rows := []struct {
		name   string
		r      site.Record
		set    float64
		agrees bool
		says   string
	}{
		{"all three", dip(0.062, 0.061, ""), 0.062, true, "Dip, sensor and set point agree."},
		{"just within", dip(0.062+0.00305, 0.062, ""), 0.062, true, ""},
		{"just beyond", dip(0.062+0.00306, 0.062, ""), 0.062, false, "differ by 3.0 mm"},
		{"beyond below", dip(0.050, 0.062, ""), 0.062, false, "differ by 12.0 mm"},
		{"level away from its set point", dip(0.050, 0.050, ""), 0.062, false, "12 mm under"},
		{"no set point", dip(0.062, 0.062, ""), nan, true, "Dip and sensor agree."},
		{"not at rest", dip(0.062, 0.062, "not at rest"), 0.062, false, "not at rest"},
		{"no sensor", dip(0.062, nan, ""), 0.062, false, "no reading"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			says, agrees := agreement(row.r, p, row.set, 0.004, words.Voice{Zone: zone})
			require.Equal(t, row.agrees, agrees, says)
			require.Contains(t, says, row.says)
		})
	}
}

// TestDrift: mean and scatter by hand. Five dips 6, 7, 5, 6, 6 mm above the sensor have a mean of
// 6 mm, a standard deviation of sqrt(0.5) mm, so 0.3162 mm for the mean; with half the stick's
// 1.1547 mm the expanded uncertainty is 2*sqrt(0.3162^2 + 0.57735^2) = 1.3166 mm.
func TestDrift(t *testing.T) {
	at := func(day int, diffMM float64) site.Record {
		return site.Record{Kind: site.RecDip, Bay: "A1", Time: aMorning.AddDate(0, 0, day), Value: 0.06 + diffMM/1000, Value2: 0.06}
	}
	five := []site.Record{at(0, 6), at(4, 7), at(8, 5), at(11, 6), at(14, 6)}
	d := driftOf(five, "A1", "A1-level")
	require.Equal(t, 5, d.N)
	require.InDelta(t, 0.006, d.MeanM, 1e-12)
	require.InDelta(t, 1.3166e-3, d.U, 1e-7)
	require.True(t, d.Significant)

	require.False(t, driftOf(five[:4], "A1", "A1-level").Significant, "four dips")
	short := append([]site.Record{}, five...)
	short[4].Time = short[4].Time.Add(-time.Second)
	require.False(t, driftOf(short, "A1", "A1-level").Significant, "a second less than two weeks")
	small := []site.Record{at(0, 1), at(4, 1), at(8, 1), at(11, 1), at(14, 1)}
	require.False(t, driftOf(small, "A1", "A1-level").Significant, "within its uncertainty")
	require.Zero(t, driftOf(five, "A2", "A2-level").N)

	calibrated := append(append([]site.Record{}, five...), site.Record{Kind: site.RecCalibration, Subject: "A1-level"}, at(15, 0))
	require.Equal(t, 1, driftOf(calibrated, "A1", "A1-level").N, "what was before a calibration is answered by it")
	other := append(append([]site.Record{}, five...), site.Record{Kind: site.RecCalibration, Subject: "A2-level"})
	require.Equal(t, 5, driftOf(other, "A1", "A1-level").N)
	unrest := append([]site.Record{}, five...)
	unrest[0].Text, unrest[1].Value2 = "not at rest", nan
	require.Equal(t, 3, driftOf(unrest, "A1", "A1-level").N)
}

func TestRisen(t *testing.T) {
	dot := func(lo, hi float64) Dot { return Dot{Value: (lo + hi) / 2, Min: lo, Max: hi} }
	rows := []struct {
		name string
		dots []Dot
		want float64
	}{
		{"nothing", nil, nan},
		{"bad only", []Dot{{Value: nan, Min: nan, Max: nan}}, nan},
		{"one hour", []Dot{dot(1, 1.002)}, 0.002},
		{"between hours", []Dot{dot(1, 1), dot(1.004, 1.005)}, 0.005},
		{"gap of bad readings", []Dot{dot(1, 1), {Value: nan, Min: nan, Max: nan}, dot(1.003, 1.003)}, 0.003},
		{"started again", []Dot{dot(1, 1.001), dot(0, 0.002)}, 0.003},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			got := risen(row.dots)
			if math.IsNaN(row.want) {
				require.True(t, math.IsNaN(got))
				return
			}
			require.InDelta(t, row.want, got, 1e-12)
		})
	}
}
