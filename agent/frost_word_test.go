package agent

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// The first word of a frost is an event of its kind, six hours ahead and more, with how likely it is; it
// stands among the alarms that /metrics tells, and nobody is woken by it.
func TestTheFirstWordOfAFrostIsAnEvent(t *testing.T) {
	s := smallSite()
	s.LongitudeDeg = 0
	s.Points = append(s.Points, site.Point{ID: "air", Quantity: site.AirTemperature, Interval: 5 * time.Minute, Min: math.NaN(), Max: math.NaN(), UStd: math.NaN(), Resolution: math.NaN()})
	c := NewCore(s)
	first := time.Date(2026, 3, 20, 0, 0, 0, 0, time.UTC)
	var word *site.Event
	var froze time.Time
	for at := first; froze.IsZero(); at = at.Add(time.Minute) {
		require.Less(t, at.Sub(first), 5*24*time.Hour)
		// Highest at three, lowest at six, three degrees colder every night: 6, 3, 0, -3.
		h := at.Sub(first).Hours()
		day, hour := math.Floor((h-15)/24), math.Mod(h-15+24, 24)
		low := 3 - 3*day
		air := 13 - 3*day - (13-3*day-low)*math.Sqrt(min(hour, 15)/15)
		if hour > 15 {
			air = low + (10-3*day-low)*0.5*(1-math.Cos(math.Pi*(hour-15)/9))
		}
		events := feed(c, at, 0.08, 0, 100, 0)
		events = append(events, c.Sample(site.Sample{Point: "air", Time: at, Value: air})...)
		for _, e := range events {
			if e.Kind != site.FreezeRisk {
				continue
			}
			if e.State == site.Raised {
				word = &e
				require.Equal(t, site.Info, e.Severity, "nobody is woken yet")
				open := measured(c.Desk.Open())
				require.NotEmpty(t, open)
				require.Equal(t, site.FreezeRisk, open[len(open)-1].Event.Kind)
			}
			if e.State == site.Cleared {
				word = nil
			}
		}
		if air <= 0 {
			froze = at
		}
	}
	require.NotNil(t, word)
	require.GreaterOrEqual(t, froze.Sub(word.Time.Time), 6*time.Hour)
	require.NotNil(t, word.Confidence)
	require.Regexp(t, `Tonight may freeze, \d in 10: .* by sunrise, about 0[56]:\d0`, word.Because)
}
