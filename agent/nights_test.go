package agent_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/alarm"
	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/sitefile"
	"bayledger/drivers/virtual"
)

// allNights plays every night and not only those CI has time for.
var allNights = flag.Bool("nights", false, "play all nights of TestEndToEndNight")

// nightFactor is how much faster than real time the nights run; the durations of rules and routes
// are divided by it.
const nightFactor = 30

// Nights are the scenarios of on-call life with every part real: the pump house over Modbus TCP,
// the daemon as a process that can be killed, Prometheus with the shipped rules, Alertmanager with
// the shipped routes. want is exactly who was told of what; a page is a firing notification that
// names an alarm not told before, or an escalation. Whatever is told a second time, under the
// same name with a new beginning, counts again.
var nights = []struct {
	name string
	ci   bool
	at   time.Time
	set  func(c *virtual.Config)
	play func(n *night)
	want map[string]int
	late bool // play starts Prometheus
}{
	{"a quiet night", true, atClub(1, 20), nil,
		func(n *night) { n.pass(25 * time.Minute) }, map[string]int{}, false},
	{"a valve sticks at 01:40 and nobody answers", true, atClub(1, 30), stuckAt(atClub(1, 40)),
		func(n *night) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.looksRight("on-call BayledgerValveStuckOpen A2 urgent")
			n.until("the escalation", "second-on-call BayledgerUnanswered A2 urgent")
			n.pass(3 * time.Minute)
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1, "second-on-call BayledgerUnanswered A2 urgent": 1}, false},
	{"a valve sticks, and somebody answers", false, atClub(1, 30), stuckAt(atClub(1, 40)),
		func(n *night) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.answer("valve-stuck-open")
			n.pass(alarm.EscalateAfter + 5*time.Minute)
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, false},
	{"the daemon is killed and started in mid-alarm", false, atClub(1, 30), stuckAt(atClub(1, 40)),
		func(n *night) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.answer("valve-stuck-open")
			n.kill()
			n.pass(2 * time.Minute)
			n.start()
			n.pass(12 * time.Minute)
			require.Zero(n.t, n.over("on-call BayledgerValveStuckOpen A2 urgent"), "a restart read as all clear")
			require.Equal(n.t, "acknowledged", n.phase("valve-stuck-open"), "the answer was forgotten")
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, false},
	{"the daemon is killed and stays dead", false, atClub(1, 30), nil,
		func(n *night) {
			n.pass(2 * time.Minute)
			n.kill()
			n.until("the page", "on-call BayledgerDown  urgent")
			n.pass(10 * time.Minute)
		}, map[string]int{"on-call BayledgerDown  urgent": 1}, false},
	{"nothing answers on the line", false, atClub(1, 30), nil,
		func(n *night) {
			n.pass(3 * time.Minute)
			n.cutLine()
			n.until("the line", "morning BayledgerLinkDown  warning")
			n.pass(10 * time.Minute)
		}, map[string]int{"morning BayledgerLinkDown  warning": 1}, false},
	// A Prometheus that has just started does not know its Alertmanager yet and drops what fires: with
	// a rule that fires at once the page would come only with the next sending, here in an hour.
	{"Prometheus starts while an alarm stands", false, atClub(1, 30), stuckAt(atClub(1, 32)),
		func(n *night) {
			for end := atClub(2, 30); n.find("valve-stuck-open") == nil; n.pass(10 * time.Second) {
				require.True(n.t, n.clk.Now().Before(end), "the stuck valve was not found within an hour")
			}
			n.startPrometheus(1, "--rules.alert.resend-delay=1h")
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, true},
	{"the whole club has no water", false, atClub(21, 50), func(c *virtual.Config) {
		c.Faults = []virtual.Fault{{Kind: virtual.SupplyLost, From: atClub(22, 0)}}
	},
		func(n *night) {
			n.until("the supply", "morning BayledgerNoSupply  warning")
			n.pass(40 * time.Minute)
		}, map[string]int{"morning BayledgerNoSupply  warning": 1}, false},
}

// atClub is a time of a summer night on the invented club's clock (UTC+2).
func atClub(hour, minute int) time.Time {
	day := 16
	if hour >= 12 {
		day = 15
	}
	return time.Date(2026, 7, day, hour-2, minute, 0, 0, time.UTC)
}

func stuckAt(t time.Time) func(c *virtual.Config) {
	return func(c *virtual.Config) {
		c.Faults = []virtual.Fault{{Kind: virtual.StuckOpen, Bay: "A2", From: t}}
	}
}

func TestEndToEndNight(t *testing.T) {
	for _, row := range nights {
		if !row.ci && !*allNights {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			n := newNight(t, row.at, row.set)
			if !row.late {
				n.startPrometheus(nightFactor, "--rules.alert.resend-delay=1s")
				select {
				case <-n.ready:
				case <-time.After(90 * time.Second):
					t.Fatal("no heartbeat came through Prometheus and Alertmanager")
				}
			}
			row.play(n)
			told := n.told()
			t.Logf("told: %v", told)
			require.Equal(t, row.want, told)
		})
	}
}

// night is one scenario with everything that runs in it.
type night struct {
	t       *testing.T
	clk     *clock.Scaled
	field   *virtual.Field
	cutLine func()
	manager string // address of Alertmanager
	site    string
	job     daemonJob
	cmd     *exec.Cmd
	log     bytes.Buffer

	mu       sync.Mutex
	pages    map[string]map[time.Time]bool // who and what -> the beginnings told
	resolved map[string]int
	texts    map[string]string
	when     map[string]time.Time // by the watch's clock
	ready    chan struct{}
	once     sync.Once
}

var routeDurations = regexp.MustCompile(`(group_wait|group_interval|repeat_interval|resolve_timeout): (\w+)`)

func newNight(t *testing.T, start time.Time, set func(c *virtual.Config)) *night {
	t.Helper()
	n := &night{t: t, pages: map[string]map[time.Time]bool{}, resolved: map[string]int{}, texts: map[string]string{}, when: map[string]time.Time{}, ready: make(chan struct{})}
	c := virtual.Default()
	c.Start = start
	if set != nil {
		set(&c)
	}
	var err error
	n.field, err = virtual.New(c)
	require.NoError(t, err)
	hooks := httptest.NewServer(n)
	t.Cleanup(hooks.Close)
	routes, err := os.ReadFile(filepath.Join("..", "deploy", "alertmanager", "alertmanager.yml"))
	require.NoError(t, err)
	conf := routeDurations.ReplaceAllStringFunc(string(routes), func(m string) string {
		name, text, _ := strings.Cut(m, ": ")
		d, err := time.ParseDuration(text)
		require.NoError(t, err)
		return fmt.Sprintf("%s: %dms", name, max(d/nightFactor, time.Second).Milliseconds())
	})
	// The morning comes at once: its hours are those of the real clock, which is not the night's.
	conf = strings.NewReplacer("http://127.0.0.1:9095", hooks.URL, `"07:00"`, `"00:00"`, `"19:00"`, `"24:00"`).Replace(conf)
	n.manager, n.site = servertest.Alertmanager(t, conf, nil).Addr, c.Site

	n.clk = clock.NewScaled(start, nightFactor)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() {
		served <- virtual.NewSlave(n.field, n.clk, slog.New(slog.DiscardHandler), nil).ServeTCP(ctx, l)
	}()
	n.cutLine = sync.OnceFunc(func() { cancel(); require.NoError(t, <-served) })
	t.Cleanup(n.cutLine)

	dir := t.TempDir()
	text, err := virtual.SiteYAML(c, virtual.TCPLine(l.Addr().String()))
	require.NoError(t, err)
	n.job = daemonJob{File: filepath.Join(dir, "site.yaml"), Dir: filepath.Join(dir, "data"), Socket: filepath.Join(dir, "s"),
		Listen: fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])}
	require.NoError(t, os.WriteFile(n.job.File, []byte(text), 0o600))
	t.Cleanup(n.kill)
	n.start()
	return n
}

// startPrometheus starts it with the shipped rules, that much faster.
func (n *night) startPrometheus(factor float64, flags ...string) {
	n.t.Helper()
	servertest.Prometheus(n.t, fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: bayledger
    honor_labels: true
    static_configs: [{targets: [%q], labels: {site: %s}}]
`, n.manager, n.job.Listen, n.site), map[string]string{"rules.yml": alarm.Rules(factor)}, flags...)
}

// daemonJob is what the daemon's process is told by its parent.
type daemonJob struct {
	File, Dir, Socket, Listen string
	Now                       time.Time
}

const daemonEnv = "BAYLEDGER_NIGHT_DAEMON"

// TestMain lets the test's own binary be the daemon of a night, on a clock that runs faster.
func TestMain(m *testing.M) {
	text, ok := os.LookupEnv(daemonEnv)
	if !ok {
		os.Exit(m.Run())
	}
	if err := runDaemon(text); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func runDaemon(text string) error {
	var job daemonJob
	if err := json.Unmarshal([]byte(text), &job); err != nil {
		return err
	}
	cfg, err := sitefile.LoadFile(job.File)
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	return agent.Serve(ctx, agent.Options{Config: cfg, Dir: job.Dir, Socket: job.Socket, Listen: job.Listen,
		Clock: clock.NewScaled(job.Now, nightFactor), Log: slog.New(slog.NewTextHandler(os.Stderr, nil))}, nil, nil)
}

// start starts the daemon and waits for its page.
func (n *night) start() {
	n.t.Helper()
	n.job.Now = n.clk.Now()
	text, err := json.Marshal(n.job)
	require.NoError(n.t, err)
	n.cmd = exec.Command(os.Args[0])
	n.cmd.Env = append(os.Environ(), daemonEnv+"="+string(text))
	n.cmd.Stderr = &n.log
	require.NoError(n.t, n.cmd.Start())
	require.Eventually(n.t, func() bool {
		res, err := http.Get("http://" + n.job.Listen + "/metrics")
		if err != nil {
			return false
		}
		return res.Body.Close() == nil && res.StatusCode == http.StatusOK
	}, time.Minute, 50*time.Millisecond, "the daemon does not answer")
}

// kill ends the daemon as a power cut does.
func (n *night) kill() {
	if n.cmd == nil {
		return
	}
	_ = n.cmd.Process.Kill() // it may be gone already
	_ = n.cmd.Wait()
	n.cmd = nil
	if n.t.Failed() {
		n.t.Logf("the daemon's log:\n%s", n.log.String())
	}
}

func (n *night) pass(d time.Duration) {
	require.NoError(n.t, n.clk.Wait(n.t.Context(), n.clk.Now().Add(d)))
}

// until waits until somebody has been told something.
func (n *night) until(what, key string) {
	n.t.Helper()
	require.Eventually(n.t, func() bool { return n.told()[key] > 0 }, 4*time.Minute, 200*time.Millisecond, "%s never came; told %v", what, n.told())
}

// ServeHTTP takes what Alertmanager delivers.
func (n *night) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
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
	receiver := strings.TrimPrefix(r.URL.Path, "/")
	if receiver == "heartbeat" {
		n.once.Do(func() { close(n.ready) }) // the whole way works
		return
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, a := range in.Alerts {
		key := strings.Join([]string{receiver, a.Labels["alertname"], a.Labels["bay"], a.Labels["severity"]}, " ")
		if a.Status == "resolved" {
			n.resolved[key]++
			continue
		}
		if n.pages[key] == nil {
			n.pages[key], n.when[key] = map[time.Time]bool{}, n.clk.Now()
		}
		n.pages[key][a.StartsAt] = true
		n.texts[key] = strings.Join([]string{a.Annotations["summary"], a.Annotations["description"], a.Annotations["first_action"], a.Annotations["answer"]}, "\n")
	}
}

// told is how often each receiver was told of each alarm anew.
func (n *night) told() map[string]int {
	n.mu.Lock()
	defer n.mu.Unlock()
	out := map[string]int{}
	for key, begins := range n.pages {
		out[key] = len(begins)
	}
	return out
}

func (n *night) over(key string) int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.resolved[key]
}

// looksRight is about the page of the stuck valve: its words, and that it came in time.
func (n *night) looksRight(key string) {
	n.mu.Lock()
	text, at := n.texts[key], n.when[key]
	n.mu.Unlock()
	n.t.Logf("page at %s UTC:\n%s", at.Format(time.TimeOnly), text)
	require.Regexp(n.t, `bay A2: Valve stuck open`, text)
	require.Regexp(n.t, `Since 23:(39|4\d) UTC \(01:(39|4\d) at the site\)`, text)
	require.Regexp(n.t, `So far: \d+ L ± \d+ L`, text)
	require.Contains(n.t, text, "Shut the hand valve of bay A2, or the main at the red lever by the pump house door.")
	require.Regexp(n.t, `bayledger ack \d+$`, text)
	n.metricsRight()
	truth, err := n.field.Truth("A2")
	require.NoError(n.t, err)
	require.Less(n.t, truth.Overflowed, 0.3, "the overflow has run for over ten minutes")
}

// metricsRight has promtool read what Prometheus scrapes, and holds its size against what agent
// and deploy/prometheus say of it.
func (n *night) metricsRight() {
	n.t.Helper()
	res, err := http.Get("http://" + n.job.Listen + "/metrics")
	require.NoError(n.t, err)
	page, err := io.ReadAll(res.Body)
	require.NoError(n.t, errors.Join(err, res.Body.Close()))
	check := exec.Command(servertest.Program(n.t, "promtool"), "check", "metrics")
	check.Stdin = bytes.NewReader(page)
	out, err := check.CombinedOutput()
	require.NoError(n.t, err, "%s", out)
	require.Empty(n.t, string(out))
	cfg, err := sitefile.LoadFile(n.job.File)
	require.NoError(n.t, err)
	bays, alarms, devices := 0, 1, 0
	for range cfg.Site.Bays() {
		bays++
	}
	for _, l := range cfg.Modbus.Links {
		devices += len(l.Devices)
	}
	series := 0
	for line := range strings.Lines(string(page)) {
		if strings.HasPrefix(line, "bayledger_") {
			series++
		}
	}
	most := 30 + 40*bays + 3*len(cfg.Site.Points) + 15*alarms + 2*len(cfg.Modbus.Links) + 14*devices
	n.t.Logf("%d series of %d bays, %d points, %d devices, %d alarm; at most %d", series, bays, len(cfg.Site.Points), devices, alarms, most)
	require.LessOrEqual(n.t, series, most)
}

// socket asks the daemon's local socket, as bayledger ack does.
func (n *night) socket(method string, in, out any) {
	n.t.Helper()
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", n.job.Socket)
	}}}
	var body io.Reader
	if in != nil {
		b, err := json.Marshal(in)
		require.NoError(n.t, err)
		body = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(n.t.Context(), method, "http://bayledger"+alarm.AnswersPath, body)
	require.NoError(n.t, err)
	res, err := client.Do(req)
	require.NoError(n.t, err)
	defer res.Body.Close()
	require.Equal(n.t, http.StatusOK, res.StatusCode)
	require.NoError(n.t, json.NewDecoder(res.Body).Decode(out))
}

// find is the alarm of a kind as the socket lists it, or nil.
func (n *night) find(kind string) *alarm.Listed {
	n.t.Helper()
	var list []alarm.Listed
	n.socket(http.MethodGet, nil, &list)
	for i := range list {
		if string(list[i].Event.Kind) == kind {
			return &list[i]
		}
	}
	return nil
}

func (n *night) listed(kind string) *alarm.Listed {
	n.t.Helper()
	l := n.find(kind)
	require.NotNil(n.t, l, kind)
	return l
}

func (n *night) phase(kind string) string { return string(n.listed(kind).Phase) }

func (n *night) answer(kind string) {
	n.t.Helper()
	var done alarm.Listed
	n.socket(http.MethodPost, alarm.Answer{Alarm: fmt.Sprint(n.listed(kind).Ref), Do: "ack", Who: "kim"}, &done)
	require.Equal(n.t, alarm.Acknowledged, done.Phase)
}
