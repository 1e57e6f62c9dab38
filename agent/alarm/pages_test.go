package alarm

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/site"
)

// faster is by how much the shipped rules and routes are sped up here.
const faster = 60

// scrape serves a desk's alarms under the names of the daemon's metrics.
type scrape struct {
	mu sync.Mutex
	d  *Desk
	at time.Time
}

func (s *scrape) do(f func(d *Desk)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(s.d)
}

func (s *scrape) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at = s.at.Add(time.Second) // data time moves, or the watch would be said to stand still
	fmt.Fprintf(w, "bayledger_start_timestamp_seconds{site=\"riedhof\"} 1\nbayledger_data_time_timestamp_seconds{site=\"riedhof\"} %d\n", s.at.Unix())
	fmt.Fprintf(w, "bayledger_site_info{site=\"riedhof\",name=\"Riedhof\",units=\"mm/L\",shut_off=\"the pump house\"} 1\n")
	for _, a := range s.d.Open() {
		if !a.Told {
			continue
		}
		l := fmt.Sprintf("site=\"riedhof\",bay=%q,kind=%q,subject=%q", a.Now.Bay, a.Now.Kind, a.Now.Subject)
		fmt.Fprintf(w, "bayledger_alarm{%s,severity=%q} 1\n", l, a.Now.Severity)
		acked := 0
		if a.Phase == Acknowledged {
			acked = 1
		}
		fmt.Fprintf(w, "bayledger_alarm_acknowledged{%s} %d\n", l, acked)
		if a.Now.Litres != nil {
			fmt.Fprintf(w, "bayledger_alarm_volume_cubic_meters{%s} %g\n", l, *a.Now.Litres/1000)
		}
	}
}

// pager is where Alertmanager delivers.
type pager struct {
	mu   sync.Mutex
	told map[string]int // firing alerts not told before, by receiver and what they name
	over map[string]int
	text map[string]string
}

func (p *pager) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var in struct {
		Alerts []struct {
			Status      string            `json:"status"`
			Labels      map[string]string `json:"labels"`
			Annotations map[string]string `json:"annotations"`
			StartsAt    time.Time         `json:"startsAt"`
		} `json:"alerts"`
	}
	if json.NewDecoder(r.Body).Decode(&in) != nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, a := range in.Alerts {
		who := strings.TrimPrefix(r.URL.Path, "/") + " " + a.Labels["alertname"] + " " + a.Labels["bay"] + " " + a.Labels["severity"]
		if a.Status == "resolved" {
			p.over[who]++
			continue
		}
		// A repeat of the same alert is not another page.
		if key := who + a.StartsAt.String(); p.text[key] == "" {
			p.told[who]++
			p.text[key] = "told"
		}
		p.text[who] = a.Annotations["summary"] + "\n" + a.Annotations["description"] + "\n" + a.Annotations["first_action"]
	}
}

func (p *pager) pages() map[string]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := map[string]int{}
	for k, n := range p.told {
		if strings.HasPrefix(k, "on-call") || strings.HasPrefix(k, "second") {
			out[k] = n
		}
	}
	return out
}

var durations = regexp.MustCompile(`(group_wait|group_interval|repeat_interval|resolve_timeout): (\w+)`)

// TestPages runs real Prometheus and Alertmanager with the shipped rules and routes, sped up: a
// watch at rest pages nobody; a stuck valve with its effects is one page, with the table's words
// and litres; unanswered it goes to the second; a daemon that dies is one more, and the alarm that
// stood does not read as over.
func TestPages(t *testing.T) {
	s := plain(club(t))
	field := &scrape{d: New(s), at: night}
	daemon := httptest.NewServer(field)
	defer daemon.Close()
	p := &pager{told: map[string]int{}, over: map[string]int{}, text: map[string]string{}}
	hooks := httptest.NewServer(p)
	defer hooks.Close()
	am, err := os.ReadFile(filepath.Join(deploy, "alertmanager", "alertmanager.yml"))
	require.NoError(t, err)
	conf := durations.ReplaceAllStringFunc(string(am), func(m string) string {
		name, text, _ := strings.Cut(m, ": ")
		d, err := time.ParseDuration(text)
		require.NoError(t, err)
		return fmt.Sprintf("%s: %dms", name, max(d/faster, time.Second).Milliseconds())
	})
	manager := servertest.Alertmanager(t, strings.ReplaceAll(conf, "http://127.0.0.1:9095", hooks.URL), nil)
	prom := servertest.Prometheus(t, fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: bayledger
    honor_labels: true
    static_configs: [{targets: [%q], labels: {site: riedhof}}]
`, manager.Addr, strings.TrimPrefix(daemon.URL, "http://")), map[string]string{"rules.yml": Rules(faster)}, "--rules.alert.resend-delay=1s")
	wait := func(what string, ok func() bool) {
		t.Helper()
		require.Eventually(t, ok, 90*time.Second, 100*time.Millisecond, "%s; told %v", what, p.pages())
	}
	// The heartbeat shows that the whole way works; until then and after it nobody is paged.
	wait("the heartbeat", func() bool { p.mu.Lock(); defer p.mu.Unlock(); return len(p.told) > 0 })
	wait("a scrape", func() bool { return query(t, prom.URL, `sum(up)`) == "1" })
	require.Empty(t, p.pages(), "a quiet night")

	stuck := find(site.ValveStuckOpen, "A1", func(f *site.Finding) { f.RateM3S, f.VolumeM3, f.ToCrest = 18e-3/60, 0.45, 35*time.Minute })
	over := find(site.Overfill, "A1", func(f *site.Finding) { f.ToCrest = 35 * time.Minute })
	field.do(func(d *Desk) { d.Tick(night, []site.Finding{stuck, over}) })
	const page, second, down = "on-call BayledgerValveStuckOpen A1 urgent", "second-on-call BayledgerUnanswered A1 urgent", "on-call BayledgerDown  urgent"
	wait("the page", func() bool { return p.pages()[page] == 1 })
	p.mu.Lock()
	text := p.text[page]
	p.mu.Unlock()
	for _, part := range []string{"Riedhof, bay A1: Valve stuck open", "So far: 450 L.", "Shut the hand valve of bay A1, or the main at the pump house."} {
		require.Contains(t, text, part)
	}
	wait("the second", func() bool { return p.pages()[second] == 1 })
	require.Equal(t, map[string]int{page: 1, second: 1}, p.pages(), "one fault, one page, one escalation")

	daemon.Close()
	wait("the dead daemon", func() bool { return p.pages()[down] == 1 })
	// Well beyond keep_firing_for the alarm still stands.
	died := time.Now()
	wait("some time", func() bool { return time.Since(died) > keepFiring/faster+5*time.Second })
	require.Equal(t, map[string]int{page: 1, second: 1, down: 1}, p.pages())
	p.mu.Lock()
	defer p.mu.Unlock()
	require.Zero(t, p.over[page], "a dead daemon read as all clear")
}

// query is the value of an instant query, or "".
func query(t *testing.T, server, expr string) string {
	t.Helper()
	res, err := http.Get(server + "/api/v1/query?query=" + expr)
	require.NoError(t, err)
	defer res.Body.Close()
	var out struct {
		Data struct {
			Result []struct{ Value []any }
		}
	}
	require.NoError(t, json.NewDecoder(res.Body).Decode(&out))
	if len(out.Data.Result) == 0 {
		return ""
	}
	return fmt.Sprint(out.Data.Result[0].Value[1])
}
