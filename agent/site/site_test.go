package site

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
)

func TestCheckID(t *testing.T) {
	for _, id := range []string{"A1", "a", "0", "court-2-north", strings.Repeat("x", 32)} {
		require.Empty(t, CheckID(id), id)
	}
	for _, id := range []string{"", "-a", "a b", "bay/1", "é", "site", "alarms", strings.Repeat("x", 33), "a+"} {
		require.NotEmpty(t, CheckID(id), id)
	}
}

func TestDayWindow(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	at := func(s string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04", s, zone)
		require.NoError(t, err)
		return v
	}
	day, night, always := DayWindow{7 * 60, 19 * 60}, DayWindow{22 * 60, 5 * 60}, DayWindow{60, 60}
	rows := []struct {
		w    DayWindow
		t    string
		want bool
	}{
		{day, "2026-07-01 06:59", false}, {day, "2026-07-01 07:00", true}, {day, "2026-07-01 18:59", true}, {day, "2026-07-01 19:00", false},
		{night, "2026-07-01 21:59", false}, {night, "2026-07-01 22:00", true}, {night, "2026-07-01 00:00", true}, {night, "2026-07-01 05:00", false},
		{always, "2026-07-01 12:00", true},
		// In Vienna the clock jumped from 02:00 to 03:00 on 29 March 2026.
		{DayWindow{3 * 60, 4 * 60}, "2026-03-29 03:30", true},
	}
	for _, r := range rows {
		require.Equal(t, r.want, r.w.Contains(at(r.t), zone), r.t)
	}
	require.Equal(t, at("2026-07-02 07:00").Unix(), day.Next(at("2026-07-01 19:00"), zone).Unix())
	require.Equal(t, at("2026-07-01 12:00").Unix(), day.Next(at("2026-07-01 12:00"), zone).Unix())
	require.Equal(t, at("2026-03-29 07:00").Unix(), day.Next(at("2026-03-28 23:00"), zone).Unix(), "a night of seven hours")
}

func TestCalibrationsApply(t *testing.T) {
	c := Calibrations{7: {ID: 7, Gain: 1, Offset: 0.012}}
	s := Sample{Point: "A1-level", Value: 0.070, Calibration: 7}
	once := c.Apply(s)
	require.InDelta(t, 0.082, once.Value, 1e-15)
	require.Equal(t, once, c.Apply(once), "applying twice changes nothing")
	lost := c.Apply(Sample{Value: 1, Calibration: 8})
	require.Equal(t, Uncertain, lost.Quality)
	require.True(t, math.IsNaN(c.Apply(Sample{Value: math.NaN(), Quality: Bad, Calibration: 7}).Value))
}

// The table of kinds is read by the alarm desk, the rules and the runbook: every row is whole,
// and folding cannot run in a circle.
func TestKindsTable(t *testing.T) {
	seen := map[Kind]bool{}
	order := map[Kind]int{}
	for i, k := range Kinds {
		require.False(t, seen[k.Kind], "%s stands twice", k.Kind)
		seen[k.Kind], order[k.Kind] = true, i
		for what, text := range map[string]string{"title": k.Title, "says": k.Says, "ends": k.Ends, "consequence": k.Consequence, "first action": k.FirstAction, "owner": k.Owner} {
			require.NotEmpty(t, text, "%s has no %s", k.Kind, what)
		}
		require.LessOrEqual(t, len(k.FirstAction), 170, "%s: the first action must fit a short message", k.Kind)
	}
	for _, k := range Kinds {
		for _, e := range k.Explains {
			require.True(t, seen[e.Kind], "%s explains %s, which is not in the table", k.Kind, e.Kind)
		}
	}
	var visit func(k Kind, path []Kind)
	visit = func(k Kind, path []Kind) {
		require.False(t, slices.Contains(path, k), "folding runs in a circle: %v", append(path, k))
		info, _ := k.Info()
		for _, e := range info.Explains {
			visit(e.Kind, append(path, k))
		}
	}
	for _, k := range Kinds {
		visit(k.Kind, nil)
	}
}

func TestEventRoundTrip(t *testing.T) {
	at := time.Date(2026, 7, 2, 1, 41, 5, 120e6, time.UTC)
	e := Event{V: EventVersion, ID: EventID("club", Key{"A3", ValveStuckOpen, ""}, at), Seq: 9, Time: Stamp{at}, Since: Stamp{at.Add(-time.Minute)},
		Site: "club", Bay: "A3", Kind: ValveStuckOpen, State: Raised, Severity: Urgent, Confidence: Num(0.99), RateLPH: Num(1200), Litres: Num(math.NaN()),
		Because: "because", FirstAction: "act", Revision: "r"}
	line, err := json.Marshal(e)
	require.NoError(t, err)
	require.NotContains(t, string(line), "litres", "an unknown number is absent")
	require.Contains(t, string(line), `"id":"club/A3/valve-stuck-open//2026-07-02T01:41:05.120Z"`)
	back, err := ParseEvent(line)
	require.NoError(t, err)
	require.Equal(t, e, back)
	for _, bad := range []string{`{}`, `{"v":2,"id":"x","kind":"leak"}`, `{"v":1,"kind":"leak"}`, `{"v":1,"id":"x"}`, `[`, `{"v":1,"id":"x","kind":"leak","time":"yesterday"}`} {
		_, err := ParseEvent([]byte(bad))
		require.Error(t, err, bad)
	}
}

func TestEventIDIsTakenApart(t *testing.T) {
	at := time.Date(2026, 7, 2, 1, 41, 5, 120e6, time.UTC)
	for _, k := range []Key{{"A3", ValveStuckOpen, ""}, {"", NoSupply, ""}, {"A1", SeepageBetweenBays, "A1/A2"}} {
		club, got, raised, ok := ParseEventID(EventID("club", k, at))
		require.True(t, ok)
		require.Equal(t, "club", club)
		require.Equal(t, k, got)
		require.Equal(t, at, raised)
	}
	for _, bad := range []string{"", "a burst", "isolation-proof/20260715T164410Z", "club/A3/leak/2026-07-02T01:41:05.120Z", "the pipe by court 1/2/3/4/5 has burst"} {
		_, _, _, ok := ParseEventID(bad)
		require.False(t, ok, bad)
	}
}

func TestNum(t *testing.T) {
	require.Nil(t, Num(math.NaN()))
	require.Nil(t, Num(math.Inf(1)))
	for in, want := range map[float64]float64{0: 0, 123456.7: 123457, 0.000123456789: 0.000123457, -1.0000004: -1} {
		require.InDelta(t, want, *Num(in), 1e-12)
	}
}

func TestProblems(t *testing.T) {
	var p Problems
	require.NoError(t, p.Err())
	p.Add("bays[1]", "write an id", "the %s has no id", "bay")
	p = append(p, Problem{Line: 2, Col: 3, What: "first"})
	p[0].Line, p[0].Col = 4, 1
	p.Sort()
	require.EqualError(t, p.Err(), "2:3: first\n4:1: bays[1]: the bay has no id; write an id")
}
