package page

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/water"
)

func answerOf[T any](t *testing.T, s *Server, path string) T {
	t.Helper()
	w := get(t, s, path)
	require.Equal(t, 200, w.Code, w.Body.String())
	require.Equal(t, "application/json; charset=utf-8", w.Header().Get("Content-Type"))
	var v T
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &v))
	return v
}

// TestAPIUnits: mm, L/min, L, degC, kPa as on the topics; what is not known is absent.
func TestAPIUnits(t *testing.T) {
	s := serve(t, aBadView())
	bays := answerOf[apiBays](t, s, "/api/v1/bays")
	require.Equal(t, "millbrook", bays.Site)
	require.Len(t, bays.Bays, 6)
	a3, b2 := bays.Bays[2], bays.Bays[4]
	require.Equal(t, "A3", a3.ID)
	require.InDelta(t, 81, *a3.LevelMM, 1e-9)
	require.InDelta(t, 1.2, *a3.BayLevelUMM, 1e-9)
	require.InDelta(t, 14, *a3.FlowLPM, 1e-9)
	require.InDelta(t, 84+20, *a3.LastFill.Litres, 1e-9)
	require.Equal(t, Filling, a3.Doing)
	require.Len(t, a3.Alarms, 2) // the cause and what it explains
	require.Nil(t, b2.LevelMM)
	require.Equal(t, "bad", b2.LevelQuality)
	require.Equal(t, "no-reply", b2.LevelWhy)
	require.NotContains(t, get(t, s, "/api/v1/bays").Body.String(), "null")

	points := answerOf[apiPoints](t, s, "/api/v1/points")
	units := map[string]string{}
	for _, p := range points.Points {
		units[p.Point] = p.Unit
		if p.Point == "site-pressure" {
			require.InDelta(t, 285, *p.Value, 1e-9)
		}
	}
	require.Equal(t, "kPa", units["site-pressure"])
	require.Equal(t, "mm", units["A1-level"])
	require.Equal(t, "L/min", units["A1-flow"])

	alarms := answerOf[apiAlarms](t, s, "/api/v1/alarms")
	require.Len(t, alarms.Alarms, 4)
	require.InDelta(t, 840, *alarms.Alarms[0].RateLPH, 1e-9)
	require.Equal(t, alarms.Alarms[0].ID, alarms.Alarms[2].CauseID)
}

func TestAPIAccount(t *testing.T) {
	day := time.Date(2026, 7, 12, 22, 0, 0, 0, time.UTC)
	closed := anAccount("A1", day, day.Add(24*time.Hour), 0.65, 0.66, 0.011, 0.04)
	ran := closed
	ran.From, ran.To, ran.OverflowRan, ran.UnexplainedM3, ran.UnexplainedU = day.Add(-24*time.Hour), day, true, nan, nan
	v := aQuietView()
	v.Bay("A1").Days = []water.Account{ran, closed}
	s := serve(t, v)
	got := answerOf[apiAccounts](t, s, "/api/v1/account?bay=A1")
	require.Len(t, got.Accounts, 3)
	require.Nil(t, got.Accounts[0].UnexplainedL)
	require.True(t, got.Accounts[0].OverflowRan)
	require.InDelta(t, 11, *got.Accounts[1].UnexplainedL, 1e-9)
	require.InDelta(t, 40, *got.Accounts[1].UnexplainedUL, 1e-9)
	require.InDelta(t, 650, *got.Accounts[1].MeteredL, 1e-9)
	require.InDelta(t, 4.8, *got.Accounts[1].ETMM, 1e-9)
	require.Len(t, answerOf[apiAccounts](t, s, "/api/v1/account?bay=A1&from=2026-07-12T22:00:00Z&to=2026-07-13T21:00:00Z").Accounts, 1)
	require.True(t, got.Accounts[2].Open)
	// The terms of the JSON still add up: in + rain - evaporated - overflow - held = unexplained.
	a := got.Accounts[1]
	require.InDelta(t, *a.UnexplainedL, *a.MeteredL+*a.RainL+*a.HandL-*a.EvaporatedL-*a.OverflowL-*a.HeldChangeL, 1e-6)
}

func TestAPISeries(t *testing.T) {
	at := time.Date(2026, 7, 14, 4, 0, 0, 0, time.UTC)
	h := &aHistory{dots: []Dot{{Time: at, Value: 0.062, Min: 0.061, Max: 0.064}, {Time: at.Add(time.Minute), Value: nan, Min: nan, Max: nan}}}
	s := serve(t, aQuietView(), func(_ *Options, d *Deps) { d.History = h })
	got := answerOf[apiSeries](t, s, "/api/v1/points/A1-level")
	require.Equal(t, time.Minute, h.step)
	require.Equal(t, "mm", got.Unit)
	require.Equal(t, []float64{float64(at.Unix()), float64(at.Unix() + 60)}, got.TimeS)
	require.InDelta(t, 62, *got.Value[0], 1e-9)
	require.InDelta(t, 61, *got.Min[0], 1e-9)
	require.InDelta(t, 64, *got.Max[0], 1e-9)
	require.Nil(t, got.Value[1])
	require.Nil(t, got.Min[1])
	answerOf[apiSeries](t, s, "/api/v1/points/A1-level?step=1h")
	require.Equal(t, time.Hour, h.step)
}

// TestAPIRefuses: wrong questions get a status and a sentence that says what would be right.
func TestAPIRefuses(t *testing.T) {
	rows := []struct {
		name, path string
		view       *View
		bare       bool // without a journal
		status     int
		says       string
	}{
		{"no such address", "/api/v1/nothing", aQuietView(), false, 404, "nothing at this address"},
		{"no view yet", "/api/v1/bays", nil, false, 503, "not read anything"},
		{"not a time", "/api/v1/events?from=yesterday", aQuietView(), false, 400, "2026-06-01T00:00:00Z"},
		{"ends before it begins", "/api/v1/events?from=2026-06-02T00:00:00Z&to=2026-06-01T00:00:00Z", aQuietView(), false, 400, "after from"},
		{"longer than a season", "/api/v1/events?from=2020-06-02T00:00:00Z", aQuietView(), false, 400, "in parts"},
		{"limit of nothing", "/api/v1/events?limit=0", aQuietView(), false, 400, "between 1 and 10000"},
		{"unknown bay", "/api/v1/events?bay=Z", aQuietView(), false, 404, "no bay"},
		{"unknown bay", "/api/v1/account?bay=Z", aQuietView(), false, 404, "no bay"},
		{"unknown point", "/api/v1/points/Z", aQuietView(), false, 404, "no point"},
		{"step without unit", "/api/v1/points/A1-level?step=60", aQuietView(), false, 400, "5m"},
		{"step of no whole minutes", "/api/v1/points/A1-level?step=90s", aQuietView(), false, 400, "minutes"},
		{"too many dots", "/api/v1/points/A1-level?from=2026-05-01T00:00:00Z&to=2026-07-01T00:00:00Z&step=1m", aQuietView(), false, 400, "dots"},
		{"no journal", "/api/v1/events", aQuietView(), true, 501, "no journal"},
		{"no journal", "/api/v1/points/A1-level", aQuietView(), true, 501, "no journal"},
		{"stream of nothing known", "/api/v1/stream?of=view,money", aQuietView(), false, 400, "money"},
	}
	for _, row := range rows {
		t.Run(row.name+" "+row.path, func(t *testing.T) {
			w := get(t, serve(t, row.view, func(_ *Options, d *Deps) {
				if row.bare {
					d.History = nil
				}
			}), row.path)
			require.Equal(t, row.status, w.Code)
			var e struct{ Error string }
			require.NoError(t, json.Unmarshal(w.Body.Bytes(), &e), w.Body.String())
			require.Contains(t, e.Error, row.says)
		})
	}
}

// TestNothingUnknownBreaksTheAPI: a site where no number is known still gives JSON.
func TestNothingUnknownBreaksTheAPI(t *testing.T) {
	v := aQuietView()
	for i := range v.Bays {
		b := &v.Bays[i]
		e := water.Estimate{Value: nan, U: math.Inf(1)}
		a := anAccount(b.Bay, v.Time, v.Time, nan, nan, nan, nan)
		*b = Bay{BayNow: water.BayNow{Bay: b.Bay, LevelM: nan, SmoothM: nan, BayLevelM: nan, BayLevelU: math.Inf(1), SettledM: nan, SetPointM: nan, FlowM3S: nan, RoomM3: nan,
			LastFill: water.Fill{From: v.Time, VolumeM3: nan, FlowM3S: nan}, Today: a,
			Learned: water.Learned{Scale: e, Porosity: e, Factor: e, ConstantM3S: e, NightM3S: e, SettleS: nan, FlowM3S: nan, NoiseM: nan}}, Days: []water.Account{a}, Night: a}
	}
	for i := range v.Readings {
		v.Readings[i].Value = nan
	}
	s := serve(t, v)
	for _, path := range []string{"/api/v1/bays", "/api/v1/points", "/api/v1/alarms", "/api/v1/account", "/", "/bays/A1", "/alarms", "/healthz"} {
		w := get(t, s, path)
		require.Equal(t, 200, w.Code, path)
		require.NotContains(t, w.Body.String(), "NaN", path)
		require.NotContains(t, w.Body.String(), "Inf ", path)
	}
	for _, name := range streamed {
		require.NotEqual(t, "{}", string(message(name, v)), name)
	}
}
