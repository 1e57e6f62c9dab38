package agent_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/alarm"
	"bayledger/agent/clock"
	"bayledger/agent/relay"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/virtual"
)

// evening is 18:00 of a summer day at the invented club.
var evening = time.Date(2026, 7, 15, 16, 0, 0, 0, time.UTC)

// serveField serves a pump house over Modbus TCP until the test ends and returns its address.
func serveField(t *testing.T, f *virtual.Field, clk clock.Clock, witness io.Writer) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- virtual.NewSlave(f, clk, slog.New(slog.DiscardHandler), witness).ServeTCP(ctx, l)
	}()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return l.Addr().String()
}

// siteOf is the site file of a pump house that is reached at an address.
func siteOf(t *testing.T, c virtual.Config, address string) *sitefile.Config {
	t.Helper()
	text, err := virtual.SiteYAML(c, virtual.TCPLine(address))
	require.NoError(t, err)
	cfg, problems := sitefile.Load([]byte(text), "site.yaml")
	require.Empty(t, problems)
	cfg.Page.Listen = "127.0.0.1:0"
	return cfg
}

// Every reading taken stands in a real InfluxDB with the moment and the value the field served it
// with, while a real Mosquitto is published to.
func TestEndToEndHistorianAndBroker(t *testing.T) {
	c := virtual.Default()
	c.Start = evening
	f, err := virtual.New(c)
	require.NoError(t, err)
	clk := clock.NewStepped(evening, nil)
	var witness bytes.Buffer
	cfg := siteOf(t, c, serveField(t, f, clk, &witness))
	db := servertest.Influx(t, servertest.InfluxOptions{})
	db.CreateDatabase("courts")
	cfg.Influx = append(cfg.Influx, agent.InfluxAt(db.URL, "courts"))
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	o := relay.DefaultOptions()
	o.Broker, o.Flush = broker.URL, true
	cfg.MQTT = &o

	play := clk.Work()
	a, err := agent.New(t.Context(), agent.Options{Config: cfg, Dir: t.TempDir(), Clock: clk, Log: slog.New(slog.DiscardHandler), CommitEvery: 10 * time.Second})
	require.NoError(t, err)
	require.NoError(t, a.Start())
	defer func() { require.NoError(t, a.Stop()) }()
	require.NoError(t, a.Online(t.Context()))
	require.NoError(t, clk.Wait(t.Context(), evening.Add(20*time.Minute)))
	defer play()
	require.Positive(t, a.Published())

	n := a.Counters()
	require.Positive(t, n.Journaled)
	require.Equal(t, n.Samples, n.Journaled)
	count := func() (sum int64) {
		for _, q := range site.Quantities {
			sum += int64(db.Count("courts", string(q.Quantity), "value"))
		}
		return sum
	}
	require.Eventually(t, func() bool { return count() == n.Journaled }, time.Minute, 200*time.Millisecond)

	stored := map[string]float64{} // "point ms" -> value
	for _, q := range site.Quantities {
		for _, s := range db.Query("courts", fmt.Sprintf("SELECT value FROM %q GROUP BY point, site", q.Quantity)) {
			require.Equal(t, c.Site, s.Tags["site"])
			for _, row := range s.Values {
				at, err := strconv.ParseInt(fmt.Sprint(row[0]), 10, 64)
				require.NoError(t, err)
				v, err := strconv.ParseFloat(fmt.Sprint(row[1]), 64)
				require.NoError(t, err)
				stored[fmt.Sprintf("%s %d", s.Tags["point"], at)] = v
			}
		}
	}
	require.Len(t, stored, int(n.Journaled))
	// A joined request reads more than is due, so the field has served more than was taken; but
	// what is stored was served, at that moment and with that value.
	served := map[string]float64{}
	for line := range strings.Lines(witness.String()) {
		parts := strings.Split(strings.TrimSpace(line), ",")
		at, err := time.Parse(time.RFC3339Nano, parts[0])
		require.NoError(t, err)
		if served[fmt.Sprintf("%s %d", parts[1], at.UnixMilli())], err = strconv.ParseFloat(parts[3], 64); err != nil {
			require.NoError(t, err)
		}
	}
	for key, got := range stored {
		want, ok := served[key]
		require.True(t, ok, "stored and not served: %s", key)
		require.InDelta(t, want, got, 1e-9*max(1, want), key)
	}
	// And nothing that was due is missing: every point at each of its intervals.
	due := 0
	for _, p := range cfg.Site.Points {
		due += int(20 * time.Minute / p.Interval)
	}
	require.InDelta(t, due, len(stored), float64(2*len(cfg.Site.Points)), "the first and the last moment may fall outside")
}

// hook collects what Alertmanager delivers to whoever is on call.
type hook struct {
	mu    sync.Mutex
	told  map[string]string // alert -> text, each firing alert once
	first time.Time         // by the watch's clock
	now   func() time.Time
	ready chan struct{}
	once  sync.Once
}

func (h *hook) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var in struct {
		Alerts []struct {
			Status              string
			Labels, Annotations map[string]string
			StartsAt            time.Time
		}
	}
	if json.NewDecoder(r.Body).Decode(&in) != nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, a := range in.Alerts {
		if a.Status == "resolved" {
			continue
		}
		if !strings.HasPrefix(r.URL.Path, "/on-call") {
			h.once.Do(func() { close(h.ready) }) // the heartbeat shows that the whole way works
			continue
		}
		if h.first.IsZero() {
			h.first = h.now()
		}
		h.told[fmt.Sprintf("%s %s %s %s", a.Labels["alertname"], a.Labels["bay"], a.Labels["severity"], a.StartsAt)] =
			a.Annotations["summary"] + "\n" + a.Annotations["description"] + "\n" + a.Annotations["first_action"]
	}
}

var routeDurations = regexp.MustCompile(`(group_wait|group_interval|repeat_interval|resolve_timeout): (\w+)`)

// The night runs this much faster than real time; rules and routes have their durations divided
// by it.
const nightFactor = 30

// The main job: at 01:40 of a simulated night the valve of one bay sticks. Real Prometheus scrapes
// the daemon with the shipped rules, real Alertmanager delivers with the shipped routes, and
// exactly one page reaches the person on call, before the overflow has run ten simulated minutes.
// The same night without the fault pages nobody.
func TestEndToEndNight(t *testing.T) {
	for _, row := range []struct {
		name   string
		sticks bool
	}{{"a valve sticks at 01:40", true}, {"a quiet night", false}} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			playNight(t, row.sticks)
		})
	}
}

func playNight(t *testing.T, sticks bool) {
	start := evening.Add(7*time.Hour + 20*time.Minute) // 01:20
	sticksAt := start.Add(20 * time.Minute)
	c := virtual.Default()
	c.Start = start
	if sticks {
		c.Faults = []virtual.Fault{{Kind: virtual.StuckOpen, Bay: "A2", From: sticksAt}}
	}
	f, err := virtual.New(c)
	require.NoError(t, err)
	port := servertest.FreePorts(t, 1)[0]
	h := &hook{told: map[string]string{}, ready: make(chan struct{})}
	hooks := httptest.NewServer(h)
	t.Cleanup(hooks.Close)
	routes, err := os.ReadFile(filepath.Join("..", "deploy", "alertmanager", "alertmanager.yml"))
	require.NoError(t, err)
	conf := routeDurations.ReplaceAllStringFunc(string(routes), func(m string) string {
		name, text, _ := strings.Cut(m, ": ")
		d, err := time.ParseDuration(text)
		require.NoError(t, err)
		return fmt.Sprintf("%s: %dms", name, max(d/nightFactor, time.Second).Milliseconds())
	})
	manager := servertest.Alertmanager(t, strings.ReplaceAll(conf, "http://127.0.0.1:9095", hooks.URL), nil)

	clk := clock.NewScaled(start, nightFactor)
	h.mu.Lock()
	h.now = clk.Now
	h.mu.Unlock()
	cfg := siteOf(t, c, serveField(t, f, clk, nil))
	cfg.Page.Listen = fmt.Sprintf("127.0.0.1:%d", port)
	a, err := agent.New(t.Context(), agent.Options{Config: cfg, Dir: t.TempDir(), Clock: clk, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	require.NoError(t, a.Start())
	t.Cleanup(func() { require.NoError(t, a.Stop()) })
	servertest.Prometheus(t, fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: bayledger
    honor_labels: true
    static_configs: [{targets: ["127.0.0.1:%d"], labels: {site: %s}}]
`, manager.Addr, port, c.Site), map[string]string{"rules.yml": alarm.Rules(nightFactor)}, "--rules.alert.resend-delay=1s")
	select {
	case <-h.ready:
	case <-time.After(90 * time.Second):
		t.Fatal("no heartbeat came through Prometheus and Alertmanager")
	}

	var overflowed time.Time // when the overflow began to run
	for clk.Now().Before(sticksAt.Add(25 * time.Minute)) {
		require.NoError(t, clk.Wait(t.Context(), clk.Now().Add(30*time.Second)))
		if truth, err := f.Truth("A2"); err == nil && overflowed.IsZero() && truth.Overflowed > 1e-3 {
			overflowed = truth.Time
		}
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if !sticks {
		require.Empty(t, h.told, "a quiet night pages nobody")
		require.Positive(t, a.Counters().Journaled)
		return
	}
	require.Len(t, h.told, 1, "one fault, one page")
	for which, text := range h.told {
		t.Logf("page at %s for %s:\n%s", h.first.Format(time.TimeOnly), which, text)
		require.Contains(t, which, "ValveStuckOpen A2 urgent")
		require.Contains(t, text, "A2")
		require.Regexp(t, `\d+ L`, text)
		require.Contains(t, text, "Shut the hand valve of bay A2, or the main at the red lever by the pump house door.")
	}
	require.False(t, h.first.Before(sticksAt))
	if !overflowed.IsZero() {
		require.Less(t, h.first.Sub(overflowed), 10*time.Minute, "the overflow began to run at %s", overflowed.Format(time.TimeOnly))
	}
}
