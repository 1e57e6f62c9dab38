package site

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Exact definitions: international inch and foot of 1959, US gallon of 231 cubic inches, pound
// force 4.4482216152605 N, conventional water 9.80665 kPa a metre (NIST SP 811, appendix B).
func TestParseAgainstDefinitions(t *testing.T) {
	rows := []struct {
		text string
		dim  Dimension
		want float64
	}{
		{"1 in", Length, 0.0254},
		{"1 ft", Length, 0.3048},
		{"63.5mm", Length, 0.0635},
		{"-3 mm", Length, -0.003},
		{"1e2 mm", Length, 0.1},
		{"1 ft2", Area, 0.09290304},
		{"1 gal", Cubic, 3.785411784e-3},
		{"1 ft3", Cubic, 28.316846592e-3},
		{"1 gal/min", Discharge, 0.22712470704 / 3600},
		{"1 gpm", Discharge, 3.785411784e-3 / 60},
		{"60 L/h", Discharge, 1e-3 / 60},
		{"1 psi", Stress, 6894.757293168361},
		{"1 mH2O", Stress, 9806.65},
		{"1 bar", Stress, 1e5},
		{"32 degF", Temperature, 0},
		{"212 °F", Temperature, 100},
		{"36 km/h", Speed, 10},
		{"0.3", Ratio, 0.3},
		{"30 %", Ratio, 0.3},
		{"0", Length, 0},
	}
	for _, r := range rows {
		got, err := Parse(r.dim, r.text)
		require.NoError(t, err, r.text)
		require.InDelta(t, r.want, got, 1e-12*math.Max(1, math.Abs(r.want)), r.text)
	}
	// 1 psi is 0.7030695796 m of conventional water (NIST SP 811).
	psi, _ := Parse(Stress, "1 psi")
	require.InDelta(t, 0.7030695796, psi/paPerMetreWater, 1e-10)
}

func TestParseRefuses(t *testing.T) {
	rows := []struct {
		text string
		dim  Dimension
		says string
	}{
		{"25", Length, "has no unit"},
		{"25 furlong", Length, "is not a unit of length"},
		{"25 L", Length, "is not a unit of length"},
		{"", Length, "is not a number"},
		{"mm", Length, "is not a number"},
		{"1..2 mm", Length, "is not a number"},
		{"NaN mm", Length, "is not a number"},
		{"0", Temperature, "has no unit"},
		{"1e999 mm", Length, "is not a number"},
	}
	for _, r := range rows {
		_, err := Parse(r.dim, r.text)
		require.ErrorContains(t, err, r.says, r.text)
	}
}

// Every unit to SI and back, relative error at most 1e-12.
func TestUnitsRoundTrip(t *testing.T) {
	for dim, units := range unitsOf {
		for _, u := range units {
			for _, v := range []float64{1, 12.5, 1234.5} {
				si, err := Parse(dim, fmt.Sprintf("%v %s", v, u.name))
				require.NoError(t, err)
				scale, offset, err := UnitScale(dim, u.name)
				require.NoError(t, err)
				require.InEpsilon(t, v, (si-offset)/scale, 1e-12, "%s %s", dim, u.name)
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"25 mm", "1e3mm", "-0 in", "0", "+.5 m", "5 %"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for dim := range unitsOf {
			v, err := Parse(dim, text)
			if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Fatalf("%s %q gave %v without an error", dim, text, v)
			}
		}
	})
}

func TestDisplay(t *testing.T) {
	rows := []struct{ got, want string }{
		{MetricDisplay.Depth(0.0635), "64 mm"},
		{USDisplay.Depth(0.0635), "2.50 in"},
		{MetricDisplay.Depth(-0.0001), "0 mm"},
		{MetricDisplay.Water(0.4567), "457 L"},
		{USDisplay.Water(0.03785411784), "10 gal"},
		{MetricDisplay.Rate(20e-3 / 60), "20 L/min"},
		{MetricDisplay.Rate(5e-3 / 3600), "5.0 L/h"},
		{MetricDisplay.Depth(math.NaN()), "unknown"},
		{MetricDisplay.Press(206842.7), "207 kPa"},
		{USDisplay.Press(206842.7), "30 psi"},
	}
	for _, r := range rows {
		require.Equal(t, r.want, r.got)
	}
}
