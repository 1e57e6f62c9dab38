package agent

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// smallSite is one bay with level, flow and valve.
func smallSite() *site.Site {
	s := &site.Site{ID: "club", Zone: time.UTC, LatitudeDeg: 50, LongitudeDeg: 10, SupplyLowPa: math.NaN(), SupplyHighPa: math.NaN(),
		Attended: site.DayWindow{From: 7 * 60, To: 19 * 60}, FalsePagesPerSeason: 0.03, Revision: "r1"}
	for i := range s.MonthlyET {
		s.MonthlyET[i] = math.NaN()
	}
	s.Courts = []site.Court{{ID: "A", Bays: []site.Bay{{ID: "A1", Court: "A", AreaM2: 96, CrestM: 0.106, SetPointM: 0.08, BandM: 0.004,
		FillM3S: 30e-3 / 60, OverflowM3S: math.NaN(), FloorUnevenM: 0.002, Valve: site.Valve{Travel: 8 * time.Second},
		Layers: []site.Layer{{Name: "stone", DepthM: 0.1, DrainablePorosity: 0.25}, {Name: "clay", DepthM: 0.025, DrainablePorosity: 0.08, Surface: true}}}}}}
	for _, q := range []site.Quantity{site.Flow, site.Level, site.Volume, site.ValveOpen} {
		info, _ := q.Info()
		s.Points = append(s.Points, site.Point{ID: "A1-" + info.Short, Bay: "A1", Quantity: q, Interval: 5 * time.Second, Min: math.NaN(), Max: math.NaN(),
			UStd: math.NaN(), Resolution: math.NaN(), PulseM3: 1e-3, ModulusM3: math.NaN(), StartM3S: math.NaN(), MeterU: math.NaN()})
	}
	return s
}

// feed gives one instant of the bay.
func feed(c *Core, at time.Time, levelM, flowM3S, totalM3, valve float64) []site.Event {
	var events []site.Event
	for _, s := range []site.Sample{{Point: "A1-flow", Value: flowM3S}, {Point: "A1-level", Value: levelM}, {Point: "A1-meter", Value: totalM3}, {Point: "A1-valve", Value: valve}} {
		s.Time = at
		events = append(events, c.Sample(s)...)
	}
	return events
}

// A restored core goes on exactly as one that was never stopped, wherever it is cut.
func TestCoreRestoredGoesOn(t *testing.T) {
	start := time.Date(2026, 7, 1, 22, 0, 0, 0, time.UTC)
	night := func(cut int) string {
		c := NewCore(smallSite())
		var out []site.Event
		total := 100.0
		for i := range 1440 { // two hours; the valve runs on from the first hour although it is told to shut
			at := start.Add(time.Duration(i) * 5 * time.Second)
			flow, valve := 0.0, 0.0
			if i >= 700 {
				flow = 30e-3 / 60
				if i < 712 {
					valve = 1
				}
			}
			total += flow * 5
			out = append(out, feed(c, at, 0.08+(total-100)/24, flow, math.Floor(total*1000)/1000, valve)...)
			if i == cut {
				data, err := c.Snapshot()
				require.NoError(t, err)
				c = NewCore(smallSite())
				require.NoError(t, c.Restore(data))
			}
			if i == 900 {
				out = append(out, c.Record(conditionRecord(site.LinkDown, "line-1", true, "no answer", at))...)
			}
		}
		var lines strings.Builder
		for _, e := range out {
			text, err := json.Marshal(e)
			require.NoError(t, err)
			lines.Write(append(text, '\n'))
		}
		return lines.String()
	}
	whole := night(-1)
	require.Contains(t, whole, `"kind":"valve-stuck-open"`)
	require.Contains(t, whole, `"kind":"link-down"`)
	for _, cut := range []int{0, 1, 699, 705, 713, 730, 901, 1300} {
		require.Equal(t, whole, night(cut), fmt.Sprintf("cut after instant %d", cut))
	}
}

// A silence in which nobody watched is not made up by ticks.
func TestCoreSilence(t *testing.T) {
	c := NewCore(smallSite())
	at := time.Date(2026, 7, 1, 22, 0, 3, 0, time.UTC)
	feed(c, at, 0.08, 0, 100, 0)
	require.Equal(t, at.Truncate(tickEvery), c.Now(), "the first sample starts the grid")
	feed(c, at.Add(25*time.Second), 0.08, 0, 100, 0)
	require.Equal(t, at.Add(25*time.Second).Truncate(tickEvery), c.Now())
	feed(c, at.Add(-time.Hour), 0.08, 0, 100, 0)
	require.Equal(t, at.Add(25*time.Second).Truncate(tickEvery), c.Now(), "a late sample moves no time")
	next := at.Add(40 * 24 * time.Hour)
	require.Empty(t, feed(c, next, 0.08, 0, 100, 0), "winter raises nothing")
	require.Equal(t, next.Truncate(tickEvery), c.Now())
}

// A daemon that is killed in mid-alarm and comes back tells nothing twice and no false all-clear,
// however long it was away; and what has ended meanwhile is over once that has been seen.
func TestCoreGapInMidAlarm(t *testing.T) {
	for _, gap := range []time.Duration{30 * time.Second, 90 * time.Second, 5 * time.Minute, 29 * time.Minute, 3 * time.Hour} {
		c := NewCore(smallSite())
		at, total := time.Date(2026, 7, 1, 22, 0, 0, 0, time.UTC), 100.0
		var told []string
		run := func(d time.Duration, flow, valve float64) {
			for end := at.Add(d); at.Before(end); at = at.Add(5 * time.Second) {
				total += flow * 5
				for _, e := range feed(c, at, 0.08+(total-100)/240, flow, math.Floor(total*1000)/1000, valve) {
					if e.CauseID == "" && e.State != site.Updated {
						told = append(told, string(e.Kind)+" "+string(e.State))
					}
				}
			}
		}
		const flow = 30e-3 / 60
		run(time.Hour, 0, 0)
		run(time.Minute, flow, 1)
		run(5*time.Minute, flow, 0)
		require.Equal(t, []string{"valve-stuck-open raised"}, told)
		at, total = at.Add(gap), total+flow*gap.Seconds()
		data, err := c.Snapshot()
		require.NoError(t, err)
		c = NewCore(smallSite())
		require.NoError(t, c.Restore(data))
		run(20*time.Minute, flow, 0)
		require.Equal(t, []string{"valve-stuck-open raised"}, told, "after a gap of %s", gap)
		run(30*time.Minute, 0, 0)
		require.Contains(t, told, "valve-stuck-open cleared", "after a gap of %s", gap)
	}
}

func TestCoreRefusesForeignState(t *testing.T) {
	for _, bad := range []string{``, `{`, `{"v":99}`, `{"v":1}`, `{"v":1,"ledger":{},"watch":{},"desk":{}}`} {
		require.Error(t, NewCore(smallSite()).Restore([]byte(bad)), bad)
	}
}
