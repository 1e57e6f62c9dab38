package sitefile

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// FuzzLoad: whatever the file holds, Load does not panic, every problem stands inside the file
// and says what would be right, and what is accepted obeys the promises of Load.
func FuzzLoad(f *testing.F) {
	for _, pattern := range []string{"../../configs/*.yaml", "../../testdata/sitefile/bad/*.yaml"} {
		files, err := filepath.Glob(pattern)
		require.NoError(f, err)
		require.NotEmpty(f, files)
		for _, name := range files {
			text, err := os.ReadFile(name)
			require.NoError(f, err)
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, problems := Load(text, "fuzz")
		if len(problems) == 0 {
			require.NotNil(t, c)
			checkConfig(t, c)
			return
		}
		require.Nil(t, c)
		lines := strings.Split(string(text), "\n")
		for _, p := range problems {
			require.True(t, p.Line >= 1 && p.Line <= len(lines), "%v of %d lines", p, len(lines))
			width := len([]rune(strings.TrimSuffix(lines[p.Line-1], "\r")))
			require.True(t, p.Col >= 1 && p.Col <= width+1, "%v in a line of %d", p, width)
			require.NotEmpty(t, p.What)
			require.NotEmpty(t, p.Fix, "%v", p)
		}
		require.True(t, slices.IsSortedFunc(problems, func(a, b site.Problem) int { return a.Line - b.Line }))
	})
}

// checkConfig requires what Load promises of an accepted file.
func checkConfig(t testing.TB, c *Config) {
	t.Helper()
	s := c.Site
	require.Empty(t, site.CheckID(s.ID))
	require.NotNil(t, s.Zone)
	require.Len(t, s.Revision, 12)
	require.NotEmpty(t, s.Courts)
	ids := map[string]bool{}
	for b := range s.Bays() {
		require.Empty(t, site.CheckID(b.ID))
		require.False(t, ids[b.ID], "bay %s twice", b.ID)
		ids[b.ID] = true
		require.NotNil(t, s.Find(b.ID, site.Level), "bay %s without a level", b.ID)
		require.True(t, b.AreaM2 >= 1 && b.AreaM2 <= 2000)
		require.NotEmpty(t, b.Layers)
		for _, l := range b.Layers {
			require.True(t, l.DrainablePorosity >= 0.01 && l.DrainablePorosity <= 0.50)
			require.True(t, l.DepthM > 0)
		}
		require.False(t, b.CrestM > b.DepthM())
		require.False(t, b.SetPointM >= b.CrestM)
		require.True(t, b.BandM > 0)
		require.True(t, b.Valve.Travel >= 0)
	}
	require.True(t, slices.IsSortedFunc(s.Points, func(a, b site.Point) int { return strings.Compare(a.ID, b.ID) }))
	for i, p := range s.Points {
		require.Empty(t, site.CheckID(p.ID))
		require.True(t, i == 0 || s.Points[i-1].ID != p.ID)
		require.True(t, p.Bay == "" || ids[p.Bay])
		info, ok := p.Quantity.Info()
		require.True(t, ok)
		require.True(t, p.Bay == "" && info.PerSite || p.Bay != "" && info.PerBay)
		require.Positive(t, p.Interval)
		require.False(t, p.Min >= p.Max)
		require.Same(t, s.Find(p.Bay, p.Quantity), &s.Points[i], "two points of one quantity")
	}
	for id, cal := range c.Calibrations {
		require.Equal(t, id, cal.ID)
		require.NotNil(t, s.Point(cal.Point))
		require.Equal(t, id, c.CalibrationOf[cal.Point])
		require.True(t, site.Known(cal.Gain) && site.Known(cal.Offset))
	}
	require.Empty(t, c.Modbus.Validate())
	if len(c.Runnable()) == 0 {
		read := map[string]bool{}
		for _, l := range c.Modbus.Links {
			for _, d := range l.Devices {
				for _, p := range d.Points {
					read[p.Point] = true
				}
			}
		}
		for _, p := range s.Points {
			require.True(t, read[p.ID], "point %s is never read", p.ID)
			require.NotEmpty(t, p.Device)
			require.NotEmpty(t, p.Link)
		}
	}
}
