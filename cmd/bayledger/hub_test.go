package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/servertest"
)

// TestPackagingHub is a small fleet: clubs of six bays read every 10 s with their own daemons, one broker with the
// shipped access list, one historian, two replicas of the hub, Prometheus with the shipped rules
// and Alertmanager. One replica is killed, one club's machine loses its power, and strangers
// publish. Ten clubs; BAYLEDGER_SITES=100 makes it a hundred.
func TestPackagingHub(t *testing.T) {
	t.Parallel()
	sites := 10
	if text := os.Getenv("BAYLEDGER_SITES"); text != "" {
		var err error
		sites, err = strconv.Atoi(text)
		require.NoError(t, err)
	}
	// How much faster than the shipped rules the test's rules run, and how often a hub is scraped:
	// two scrapes a second of a hundred clubs would be the test's own load.
	faster, every := 30., "1s"
	if sites > 20 {
		faster, every = 6, "5s"
	}
	dir := t.TempDir()
	influx := servertest.Influx(t, servertest.InfluxOptions{Auth: true})
	influx.CreateDatabase("courts")
	passwords := filepath.Join(dir, "passwords")
	password := func(user string) {
		args := []string{"-b"}
		if _, err := os.Stat(passwords); err != nil {
			args = append(args, "-c")
		}
		command(t, servertest.Program(t, "mosquitto_passwd"), append(args, passwords, user, "pw-"+user)...)
	}
	id := func(i int) string { return fmt.Sprintf("club-%03d", i) }
	var list strings.Builder
	for i := range sites {
		password(id(i))
		fmt.Fprintln(&list, id(i))
		influx.Query("", fmt.Sprintf(`CREATE USER %q WITH PASSWORD 'w'`, id(i)))
		influx.Query("", fmt.Sprintf(`GRANT WRITE ON courts TO %q`, id(i)))
	}
	for _, reader := range []string{"hub", "dashboard", "stranger"} {
		password(reader)
	}
	acl, err := filepath.Abs("../../deploy/mosquitto/bayledger.acl")
	require.NoError(t, err)
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{Conf: "password_file " + passwords + "\nacl_file " + acl + "\n"})
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}

	// The clubs. The last is a process of its own, so that its power can be cut.
	clubs := make([]*club, sites)
	for i := range clubs {
		c := &club{id: id(i), web: fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])}
		if i == 0 || i == sites-1 {
			c.field = startField(t)
		} else {
			c.field = clubField(t)
		}
		folder := filepath.Join(dir, c.id)
		require.NoError(t, os.Mkdir(folder, 0o700))
		config := file(c.id+".yaml", c.field.siteFile(t, fmt.Sprintf("\njournal: { dir: %s, clock: own }\npage: { listen: %q }\nmqtt: { broker: %q, username: %s, password: %q, status_every: 10 s }\ninfluxdb: [ { id: archive, url: %q, bucket: courts, token: %q } ]\n",
			folder, c.web, broker.URL, c.id, "file:"+file(c.id+".mqtt", "pw-"+c.id), influx.URL, "file:"+file(c.id+".influx", c.id+":w")),
			"id: harrowmere", "id: "+c.id, "table: input,", "table: input, interval: 10 s,", "table: holding,", "table: holding, interval: 10 s,", "table: discrete,", "table: discrete, interval: 10 s,"))
		args := []string{"run", "--config", config, "--socket", "none"}
		c.config = config
		if i == sites-1 {
			c.process = program(t, servertest.Accepts(c.web), args...)
		} else {
			inside(t, args...)
		}
		clubs[i] = c
	}
	first, last := clubs[0], clubs[sites-1]

	// Two replicas.
	named := file("sites", list.String()+"# one a line\n")
	var hubs [2]*servertest.Process
	var addresses []string
	for i := range hubs {
		address := fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])
		addresses = append(addresses, address)
		hubs[i] = program(t, servertest.Accepts(address), "hub", "--broker", broker.URL, "--sites", named, "--listen", address,
			"--username", "hub", "--password", file("hub.mqtt", "pw-hub"), "--silent-after", "1m")
	}
	pager := newPager(t)
	manager := servertest.Alertmanager(t, "route: { receiver: all, group_by: [alertname, site, bay, kind, subject, instance, reason], group_wait: 0s, group_interval: 1s, repeat_interval: 24h }\nreceivers: [ { name: all, webhook_configs: [ { url: "+pager.url+" } ] } ]\n", nil)
	prometheus := servertest.Prometheus(t, fmt.Sprintf("global: { scrape_interval: %s, evaluation_interval: 1s }\nrule_files: [ rules.yml ]\nalerting: { alertmanagers: [ { static_configs: [ { targets: [ %q ] } ] } ] }\nscrape_configs: [ { job_name: bayledger-hub, honor_labels: true, static_configs: [ { targets: [ %q, %q ] } ] } ]\n",
		every, manager.Addr, addresses[0], addresses[1]), map[string]string{"rules.yml": alarm.Rules(faster)}, "--rules.alert.resend-delay=1s")
	ask := func(expr string) float64 { return instant(t, prometheus.URL, expr) }
	wait := func(what string, ok func() bool) {
		t.Helper()
		patience := time.After(4*time.Minute + time.Duration(sites)*2*time.Second)
		for !ok() {
			select {
			case <-time.After(500 * time.Millisecond):
			case <-patience:
				t.Fatalf("%s: it does not come to that; pages: %v\n%s", what, pager.seen(), tail(hubs[0]))
			}
		}
	}
	wait("both replicas hear every club", func() bool { return ask(`sum(bayledger_hub_site_up)`) == float64(2*sites) })
	wait("with its bays", func() bool { return ask(`count(bayledger_bay_level_meters)`) == float64(2*6*sites) })

	// A club takes no new site file: that it does not is told here as it is where it is scraped.
	text, err := os.ReadFile(last.config)
	require.NoError(t, err)
	file(last.id+".yaml", string(text)+"no_such_key: 1\n")
	last.process.Hangup()

	// A valve sticks: one page, whichever replica is there.
	require.Equal(t, "ok\n", first.field.say(t, "fault valve-stuck-open A2"))
	stuck := "BayledgerValveStuckOpen " + first.id + " A2"
	wait("the valve is told", func() bool { return pager.firing(stuck) == 1 })
	wait("the refused site file is told", func() bool { return pager.firing("BayledgerSiteFileRefused "+last.id) == 1 })

	// The hub serves what the club's own page serves, with its names and labels. The rest is for
	// who looks into one daemon; no shipped rule or dashboard asks for it.
	inward := regexp.MustCompile(`^bayledger_(events_total|samples_journaled_total|journal_(last|bytes|limit|commit|full|dropped|unsent|oldest|refused|damaged)\w*|unit_(retries_total|start_delay_seconds|failed_requests_ratio|timeouts_ratio)|sink_backlog_events|bay_last_fill\w*)\{`)
	differ := "" // a value that is bad at one of the two moments is not there
	wait("hub and club serve the same", func() bool {
		own, heard := labelSets(t, "http://"+first.web+"/metrics", first.id), labelSets(t, "http://"+addresses[0]+"/metrics", first.id)
		only := func(list, other []string, but func(string) bool) []string {
			return slices.DeleteFunc(slices.Clone(list), func(s string) bool { return but(s) || slices.Contains(other, s) })
		}
		hubs := only(heard, own, func(s string) bool { return strings.HasPrefix(s, "bayledger_hub_") })
		clubs := only(own, heard, inward.MatchString)
		if text := fmt.Sprintf("only the hub has %v, only the club has %v", hubs, clubs); len(hubs)+len(clubs) > 0 && text != differ {
			differ = text
			t.Log(differ)
		}
		return len(hubs)+len(clubs) == 0
	})
	for _, pattern := range []string{"../../deploy/prometheus/*.rules.yml", "../../deploy/grafana/*/*.json", "../../deploy/grafana/*/*/*.json"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		for _, name := range files {
			asks, err := os.ReadFile(name)
			require.NoError(t, err)
			for _, metric := range regexp.MustCompile(`bayledger_\w+`).FindAllString(string(asks), -1) {
				require.False(t, inward.MatchString(metric+"{"), "%s asks for %s, which the hub does not have", name, metric)
			}
		}
	}
	t.Logf("a hub of %d clubs: %.0f messages/s, %.2f %% of a core, %.0f MB resident, a scrape of %.0f series takes %.2f s", sites,
		ask(`max(rate(bayledger_hub_messages_total[1m]))`), 100*ask(`max(rate(process_cpu_seconds_total{job="bayledger-hub"}[1m]))`),
		ask(`max(process_resident_memory_bytes{job="bayledger-hub"})`)/1e6, ask(`max(scrape_samples_scraped{job="bayledger-hub"})`),
		ask(`max(avg_over_time(scrape_duration_seconds{job="bayledger-hub"}[1m]))`))
	hubs[1].Kill()
	wait("the loss of a replica is told", func() bool { return pager.firing("BayledgerHubDown") == 1 })
	require.Equal(t, 1, pager.firing(stuck), "told once")
	require.Zero(t, pager.resolved(stuck), "and not over because a replica is gone")
	require.Zero(t, pager.firing("BayledgerHubCutOff"))

	// A club's machine loses its power: the broker's will says it, one page.
	last.process.Kill()
	wait("the silent club is told", func() bool { return pager.firing("BayledgerSiteSilent "+last.id) == 1 })

	// Strangers: a site nobody named, and a club's credentials used for another club's topic.
	publish := func(user, topic, payload string) {
		out, err := exec.CommandContext(t.Context(), servertest.Program(t, "mosquitto_pub"), "-p", strconv.Itoa(broker.Port), "-u", user, "-P", "pw-"+user, "-q", "1", "-t", topic, "-m", payload).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	publish("stranger", "bayledger/stranger/status", `{"state":"online"}`)
	publish(clubs[1].id, "bayledger/"+first.id+"/alarms", "[]") // would end the alarm
	publish(clubs[1].id, "bayledger/"+clubs[1].id+"/alarms", `[{"v":1,"id":"`+first.id+`/A1/leak//x","site":"`+first.id+`","bay":"A1","kind":"leak","state":"raised","severity":"urgent"}]`)
	wait("strangers are counted", func() bool {
		return ask(`sum(bayledger_hub_refused_total{reason="unknown-site"})`) == 1 && ask(`sum(bayledger_hub_refused_total{reason="of-another-site"})`) == 1
	})
	require.Equal(t, float64(0), ask(`count(bayledger_hub_site_up{site="stranger"}) or vector(0)`))
	require.Equal(t, float64(1), ask(`max(bayledger_alarm{site="`+first.id+`",kind="valve-stuck-open"})`), "the access list lets nobody speak for another club")

	first.field.say(t, "clear A2")
	wait("it is over", func() bool { return pager.resolved(stuck) == 1 })
	require.Equal(t, 1, pager.firing(stuck))

	// History: every club's journal is in the common historian.
	for _, c := range clubs[:sites-1] {
		var journaled int
		wait(c.id+"'s journal", func() bool {
			journaled = int(metricOf("http://"+c.web+"/metrics", "bayledger_journal_last_sequence"))
			return journaled > 0
		})
		wait(c.id+"'s history", func() bool {
			rows := 0
			for _, q := range []string{`SELECT COUNT("value") FROM /.*/ WHERE site = '%s'`, `SELECT COUNT("quality") FROM /.*/ WHERE "quality" = 2 AND site = '%s'`} {
				for _, series := range influx.Query("courts", fmt.Sprintf(q, c.id)) {
					n, err := strconv.Atoi(fmt.Sprint(series.Values[0][1]))
					require.NoError(t, err)
					rows += n
				}
			}
			return rows >= journaled
		})
	}
	require.Equal(t, 1, pager.firing("BayledgerSiteSilent "+last.id), "every page once: %v", pager.seen())
}

// club is one site of the fleet.
type club struct {
	id, web, config string
	field           pumpHouse
	process         *servertest.Process // nil where it runs in the test itself
}

// inside runs a command within the test until it ends.
func inside(t *testing.T, args ...string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	log := &servertest.Log{}
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, args, nil, log, log) }()
	t.Cleanup(func() {
		cancel()
		if code := <-ended; code != exitDone {
			t.Errorf("%v ended with %d:\n%s", args, code, log)
		}
	})
}

// clubField is a pump house within the test, which nobody speaks to.
func clubField(t *testing.T) pumpHouse {
	t.Helper()
	p := pumpHouse{modbus: fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])}
	inside(t, "field", "--listen", p.modbus)
	return p
}

// pager is what Alertmanager pages.
type pager struct {
	url string
	mu  sync.Mutex
	// pages are "status alertname site bay", one for each message that tells it.
	pages []string
}

func newPager(t *testing.T) *pager {
	p := &pager{}
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m struct {
			Alerts []struct {
				Status string            `json:"status"`
				Labels map[string]string `json:"labels"`
			} `json:"alerts"`
		}
		if json.NewDecoder(r.Body).Decode(&m) != nil {
			return
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, a := range m.Alerts {
			p.pages = append(p.pages, strings.Join([]string{a.Status, a.Labels["alertname"], a.Labels["site"], a.Labels["bay"]}, " "))
		}
	}))
	t.Cleanup(s.Close)
	p.url = s.URL
	return p
}

func (p *pager) count(prefix string) (n int) {
	for _, page := range p.seen() {
		if strings.HasPrefix(page, prefix) {
			n++
		}
	}
	return n
}

func (p *pager) firing(what string) int   { return p.count("firing " + what) }
func (p *pager) resolved(what string) int { return p.count("resolved " + what) }

func (p *pager) seen() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.pages)
}

// instant is the value of an expression with one sample, or -1.
func instant(t *testing.T, url, expr string) float64 {
	t.Helper()
	resp, err := http.PostForm(url+"/api/v1/query", map[string][]string{"query": {expr}})
	require.NoError(t, err)
	defer resp.Body.Close()
	var answer struct {
		Error string `json:"error"`
		Data  struct {
			Result []struct {
				Value [2]any `json:"value"`
			} `json:"result"`
		} `json:"data"`
	}
	require.NoError(t, json.NewDecoder(resp.Body).Decode(&answer))
	require.Empty(t, answer.Error, expr)
	if len(answer.Data.Result) != 1 {
		return -1
	}
	v, err := strconv.ParseFloat(fmt.Sprint(answer.Data.Result[0].Value[1]), 64)
	require.NoError(t, err)
	return v
}

func scrape(url string) ([]byte, error) {
	resp, err := http.Get(url)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	return io.ReadAll(resp.Body)
}

// labelSets are the series of one site without their values.
func labelSets(t *testing.T, url, site string) (out []string) {
	t.Helper()
	body, err := scrape(url)
	require.NoError(t, err)
	for line := range strings.Lines(string(body)) {
		if i := strings.LastIndexByte(line, ' '); i > 0 && !strings.HasPrefix(line, "#") && strings.Contains(line, `site="`+site+`"`) {
			out = append(out, line[:i])
		}
	}
	return out
}

// metricOf is the first value of a metric, or -1 when the server does not tell it.
func metricOf(url, name string) float64 {
	body, err := scrape(url)
	m := regexp.MustCompile(`(?m)^` + name + `(?:\{[^}]*\})? ([-+.e0-9]+)$`).FindSubmatch(bytes.TrimSpace(body))
	if err != nil || m == nil {
		return -1
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		return -1
	}
	return v
}
