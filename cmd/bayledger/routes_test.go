package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// receivers collect what Alertmanager delivers: for each receiver the messages, each as the alerts
// in it, by name, bay, severity and status.
type receivers struct {
	mu  sync.Mutex
	got map[string][]string
}

func (r *receivers) ServeHTTP(_ http.ResponseWriter, q *http.Request) {
	var in struct {
		Alerts []struct {
			Status string
			Labels map[string]string
		}
	}
	if json.NewDecoder(q.Body).Decode(&in) != nil {
		return
	}
	var said []string
	for _, a := range in.Alerts {
		said = append(said, strings.Join(slices.DeleteFunc([]string{strings.TrimPrefix(a.Labels["alertname"], "Bayledger"), a.Labels["bay"], a.Labels["severity"], a.Status},
			func(s string) bool { return s == "" }), " "))
	}
	slices.Sort(said)
	r.mu.Lock()
	defer r.mu.Unlock()
	name := strings.TrimPrefix(q.URL.Path, "/")
	r.got[name] = append(r.got[name], strings.Join(said, ", "))
}

// beats is how often the heartbeat has come.
func (r *receivers) beats() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.got["heartbeat"])
}

// told are the messages of everybody, each once.
func (r *receivers) told() map[string][]string {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := maps.Clone(r.got)
	for name, all := range out {
		out[name] = slices.Compact(slices.Sorted(slices.Values(all)))
	}
	delete(out, "heartbeat")
	return out
}

// TestEndToEndRoutes gives the routes that ship, in a real Alertmanager, what the rules give it, in
// the working hours and outside them: urgent ones at any hour and each by itself, warnings together
// and only while people are there, a warning that turned urgent once, and nothing that is answered
// or that a silent watch said last.
func TestEndToEndRoutes(t *testing.T) {
	alert := func(name, site, bay, severity string, more ...string) map[string]string {
		labels := map[string]string{"alertname": "Bayledger" + name, "site": site, "severity": severity}
		if bay != "" {
			labels["bay"], labels["kind"] = bay, strings.ToLower(name)
		}
		for i := 0; i < len(more); i += 2 {
			labels[more[i]] = more[i+1]
		}
		return labels
	}
	all := []map[string]string{
		alert("Leak", "north", "A1", "warning"), alert("Leak", "north", "A1", "urgent"), // has turned urgent
		alert("Drying", "north", "A2", "warning"), alert("ValveWeeping", "north", "A3", "warning"),
		alert("ValveStuckOpen", "north", "A4", "urgent"),
		alert("Unanswered", "north", "A4", "urgent", "escalate", "second"),
		alert("Overfill", "north", "A5", "urgent"), alert("Answered", "north", "A5", "none", "kind", "overfill"),
		alert("SiteFileRefused", "north", "", "warning"),
		alert("Down", "south", "", "urgent"), alert("Leak", "south", "B1", "warning"),
		alert("Heartbeat", "", "", "none"),
	}
	zone, err := time.LoadLocation("Europe/Vienna") // as the file that ships has it
	require.NoError(t, err)
	away := [2]string{"00:00", "01:00"}
	if time.Now().In(zone).Hour() < 4 {
		away = [2]string{"12:00", "13:00"}
	}
	urgent := []string{"Down urgent firing", "Leak A1 urgent firing", "ValveStuckOpen A4 urgent firing"}
	for _, row := range []struct {
		name  string
		hours [2]string
		want  map[string][]string
	}{
		{"in the night", away, map[string][]string{"on-call": urgent, "second-on-call": {"Unanswered A4 urgent firing"}}},
		{"by day", [2]string{"00:00", "24:00"}, map[string][]string{"on-call": urgent, "second-on-call": {"Unanswered A4 urgent firing"},
			"morning": {"Drying A2 warning firing, SiteFileRefused warning firing, ValveWeeping A3 warning firing"}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			got := &receivers{got: map[string][]string{}}
			hooks := httptest.NewServer(got)
			t.Cleanup(hooks.Close)
			manager := servertest.Alertmanager(t, shippedRoutes(t, hooks.URL, row.hours[0], row.hours[1]), nil)
			starts := time.Now() // an old alert would not wait for its group
			send := func(ends time.Time) {
				var body []map[string]any
				for _, labels := range all {
					body = append(body, map[string]any{"labels": labels, "startsAt": starts, "endsAt": ends})
				}
				text, err := json.Marshal(body)
				require.NoError(t, err)
				res, err := http.Post(manager.URL+"/api/v2/alerts", "application/json", bytes.NewReader(text))
				require.NoError(t, err)
				require.NoError(t, res.Body.Close())
				require.Equal(t, http.StatusOK, res.StatusCode)
			}
			send(time.Now().Add(time.Hour))
			require.Eventually(t, func() bool { return len(got.told()["on-call"]) == 3 && len(got.told()) >= len(row.want) }, time.Minute, 50*time.Millisecond)
			// Every group waits as long as the heartbeat repeats: after five of its own beats whatever
			// Alertmanager holds back would have come.
			from := got.beats()
			require.Eventually(t, func() bool { return got.beats() >= from+5 }, time.Minute, 50*time.Millisecond)
			require.Equal(t, row.want, got.told())

			// Over: said to whoever was woken, and to nobody in the morning.
			send(time.Now().Add(-time.Second))
			require.Eventually(t, func() bool { return len(got.told()["on-call"]) == 6 }, time.Minute, 50*time.Millisecond)
			require.Contains(t, got.told()["on-call"], "ValveStuckOpen A4 urgent resolved")
			require.Equal(t, row.want["morning"], got.told()["morning"])
		})
	}
}
