package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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

// Nights are the scenarios of on-call life with every part real: the pump house over Modbus TCP and
// the daemon as processes of the program that ships, which can be killed and are answered by its ack, Prometheus with the shipped rules, Alertmanager with
// the shipped routes. want is exactly who was told of what; a page is a firing notification that
// names an alarm not told before, or an escalation. Whatever is told a second time, under the
// same name with a new beginning, counts again.
var nights = []struct {
	name  string
	ci    bool
	at    time.Time
	fault []string // of the field, by schedule
	play  func(n *watchNight)
	want  map[string]int
	late  bool     // play starts Prometheus
	file  []string // what else is in the site file, in pairs: as it is, and as it is here
}{
	{"a quiet night", true, atClub(1, 20), nil,
		func(n *watchNight) { n.pass(25 * time.Minute) }, map[string]int{}, false, nil},
	{"a valve sticks at 01:40 and nobody answers", true, atClub(1, 30), []string{"valve-stuck-open:A2:" + moment(atClub(1, 40)) + ":"},
		func(n *watchNight) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.looksRight("on-call BayledgerValveStuckOpen A2 urgent")
			n.until("the escalation", "second-on-call BayledgerUnanswered A2 urgent")
			n.reads("second-on-call BayledgerUnanswered A2 urgent", "Nobody has answered", "bay A2: Valve stuck open", "Shut the hand valve of bay A2", "with wet hands")
			n.pass(3 * time.Minute)
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1, "second-on-call BayledgerUnanswered A2 urgent": 1}, false, nil},
	{"a valve sticks, and somebody answers", false, atClub(1, 30), []string{"valve-stuck-open:A2:" + moment(atClub(1, 40)) + ":"},
		func(n *watchNight) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.answer("valve-stuck-open")
			n.pass(alarm.EscalateAfter + 5*time.Minute)
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, false, nil},
	{"the daemon is killed and started in mid-alarm", false, atClub(1, 30), []string{"valve-stuck-open:A2:" + moment(atClub(1, 40)) + ":"},
		func(n *watchNight) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.answer("valve-stuck-open")
			n.kill()
			n.pass(2 * time.Minute)
			n.start()
			n.pass(12 * time.Minute)
			require.Zero(n.t, n.over("on-call BayledgerValveStuckOpen A2 urgent"), "a restart read as all clear")
			require.Equal(n.t, "acknowledged", n.phase("valve-stuck-open"), "the answer was forgotten")
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, false, nil},
	{"the daemon dies with an answered alarm, for longer than an alarm may go unanswered", false, atClub(1, 30), []string{"valve-stuck-open:A2:" + moment(atClub(1, 40)) + ":"},
		func(n *watchNight) {
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
			n.answer("valve-stuck-open")
			n.pass(time.Minute) // it is scraped
			n.kill()
			n.until("the page for the daemon", "on-call BayledgerDown  urgent")
			n.pass(alarm.EscalateAfter + 10*time.Minute)
			n.start()
			n.pass(10 * time.Minute)
			require.Equal(n.t, "acknowledged", n.phase("valve-stuck-open"), "the answer was forgotten")
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1, "on-call BayledgerDown  urgent": 1}, false, nil},
	{"the daemon is killed and stays dead", false, atClub(1, 30), nil,
		func(n *watchNight) {
			n.pass(2 * time.Minute)
			n.kill()
			n.until("the page", "on-call BayledgerDown  urgent")
			n.pass(10 * time.Minute)
		}, map[string]int{"on-call BayledgerDown  urgent": 1}, false, nil},
	{"nothing answers on the line", false, atClub(1, 30), nil,
		func(n *watchNight) {
			n.pass(3 * time.Minute)
			n.cutLine()
			n.until("the line", "morning BayledgerLinkDown  warning")
			n.pass(10 * time.Minute)
		}, map[string]int{"morning BayledgerLinkDown  warning": 1}, false, nil},
	// The bay fills above its band although its valve does as it is told: the controller's set point
	// was typed wrong, where nobody reads it. Its overfill is an effect of the overflow that runs.
	{"a set point over the crest is typed at 01:35", false, atClub(1, 30), nil,
		func(n *watchNight) {
			n.pass(5 * time.Minute)
			require.Equal(n.t, "ok\n", n.field.say(n.t, "setpoint A2 150"))
			n.until("the page", "on-call BayledgerOverflowing A2 urgent")
			n.reads("on-call BayledgerOverflowing A2 urgent", "bay A2: Overflow running", "If the valve of bay A2 runs, shut its hand valve", "the red lever by the pump house door")
			n.answer("overflowing")
			for end := n.clk.Now().Add(90 * time.Minute); n.find("overfill") == nil; n.pass(time.Minute) {
				require.True(n.t, n.clk.Now().Before(end), "no overfill")
			}
			require.Equal(n.t, "suppressed-by-design", n.phase("overfill"))
			require.Contains(n.t, n.listed("overfill").Why, "overflowing", "the cause is not named")
			n.pass(20 * time.Minute)
		}, map[string]int{"on-call BayledgerOverflowing A2 urgent": 1}, false, []string{unreadSetPoint, "\n"}},
	// Where nobody has surveyed the overflow its running cannot be told, and the overfill stands alone.
	{"the same at a bay whose overflow nobody has surveyed", false, atClub(1, 30), nil,
		func(n *watchNight) {
			n.pass(5 * time.Minute)
			require.Equal(n.t, "ok\n", n.field.say(n.t, "setpoint A2 150"))
			n.until("the page", "on-call BayledgerOverfill A2 urgent")
			n.reads("on-call BayledgerOverfill A2 urgent", "bay A2: Overfilled", "See that the valve of bay A2 is shut", "the red lever by the pump house door")
			n.answer("overfill")
			n.pass(alarm.EscalateAfter + 5*time.Minute)
		}, map[string]int{"on-call BayledgerOverfill A2 urgent": 1}, false,
		[]string{unreadSetPoint, "\n", "overflow: { crest: 106 mm, carries: 60 L/min }\n", "\n"}},
	// A Prometheus that has just started does not know its Alertmanager yet and drops what fires: with
	// a rule that fires at once the page would come only with the next sending, here in an hour.
	{"Prometheus starts while an alarm stands", false, atClub(1, 30), []string{"valve-stuck-open:A2:" + moment(atClub(1, 32)) + ":"},
		func(n *watchNight) {
			for end := atClub(2, 30); n.find("valve-stuck-open") == nil; n.pass(10 * time.Second) {
				require.True(n.t, n.clk.Now().Before(end), "the stuck valve was not found within an hour")
			}
			n.startPrometheus(1, "--rules.alert.resend-delay=1h")
			n.until("the page", "on-call BayledgerValveStuckOpen A2 urgent")
		}, map[string]int{"on-call BayledgerValveStuckOpen A2 urgent": 1}, true, nil},
	{"the whole club has no water", false, atClub(21, 50), []string{"supply-lost:site:" + moment(atClub(22, 0)) + ":"},
		func(n *watchNight) {
			n.until("the supply", "morning BayledgerNoSupply  warning")
			n.pass(40 * time.Minute)
		}, map[string]int{"morning BayledgerNoSupply  warning": 1}, false, nil},
}

// unreadSetPoint is the line of the site file by which bay A2's set point is read.
const unreadSetPoint = "set_point: { table: holding, address: 1, type: uint16, unit: 0.1 mm }\n"

// atClub is a time of a summer night on the invented club's clock (UTC+2).
func atClub(hour, minute int) time.Time {
	day := 16
	if hour >= 12 {
		day = 15
	}
	return time.Date(2026, 7, day, hour-2, minute, 0, 0, time.UTC)
}

// moment is t as a fault's schedule is written.
func moment(t time.Time) string { return t.Format("20060102T150405Z") }

func TestEndToEndNight(t *testing.T) {
	bin := filepath.Join(t.TempDir(), "bayledger")
	out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, row := range nights {
		if !row.ci && !*allNights {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			n := newNight(t, bin, row.at, row.fault, row.file)
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

// watchNight is one scenario with everything that runs in it.
type watchNight struct {
	t       *testing.T
	bin     string // the program as it is shipped
	clk     *clock.Scaled
	field   pumpHouse
	cutLine func()
	manager string // address of Alertmanager

	config, dir, sock, listen string
	daemon                    *servertest.Process

	mu       sync.Mutex
	pages    map[string]map[time.Time]bool // who and what -> the beginnings told
	resolved map[string]int
	texts    map[string]string
	when     map[string]time.Time // by the watch's clock
	ready    chan struct{}
	once     sync.Once
}

var routeDurations = regexp.MustCompile(`(group_wait|group_interval|repeat_interval|resolve_timeout): (\w+)`)

// shippedRoutes are the routes that ship, that much faster, with receivers under url and these
// working hours.
func shippedRoutes(t *testing.T, url, from, to string) string {
	t.Helper()
	routes, err := os.ReadFile(filepath.Join("..", "..", "deploy", "alertmanager", "alertmanager.yml"))
	require.NoError(t, err)
	conf := routeDurations.ReplaceAllStringFunc(string(routes), func(m string) string {
		name, text, _ := strings.Cut(m, ": ")
		d, err := time.ParseDuration(text)
		require.NoError(t, err)
		return fmt.Sprintf("%s: %dms", name, max(d/nightFactor, time.Second).Milliseconds())
	})
	return strings.NewReplacer("http://127.0.0.1:9095", url, `"07:00"`, `"`+from+`"`, `"19:00"`, `"`+to+`"`).Replace(conf)
}

func newNight(t *testing.T, bin string, start time.Time, faults, file []string) *watchNight {
	t.Helper()
	dir, ports := t.TempDir(), servertest.FreePorts(t, 3)
	at := func(i int) string { return fmt.Sprintf("127.0.0.1:%d", ports[i]) }
	n := &watchNight{t: t, bin: bin, pages: map[string]map[time.Time]bool{}, resolved: map[string]int{}, texts: map[string]string{}, when: map[string]time.Time{}, ready: make(chan struct{}),
		field: pumpHouse{modbus: at(0), control: at(1)}, listen: at(2), config: filepath.Join(dir, "site.yaml"), dir: filepath.Join(dir, "data"), sock: filepath.Join(dir, "s")}
	hooks := httptest.NewServer(n)
	t.Cleanup(hooks.Close)
	// The morning comes at once: its hours are those of the real clock, which is not the night's.
	conf := shippedRoutes(t, hooks.URL, "00:00", "24:00")
	n.manager = servertest.Alertmanager(t, conf, nil).Addr

	args := []string{"field", "--listen", n.field.modbus, "--control", n.field.control, "--speed", strconv.Itoa(nightFactor), "--start", start.Format(time.RFC3339)}
	for _, f := range faults {
		args = append(args, "--fault", f)
	}
	n.clk = clock.NewScaled(start, nightFactor)
	field := servertest.Command(t, servertest.Accepts(n.field.control), nil, bin, args...)
	n.cutLine = field.Stop
	text := n.field.siteFile(t, fmt.Sprintf("\npage: { listen: %q }\n", n.listen), file...)
	require.NoError(t, os.WriteFile(n.config, []byte(text), 0o600))
	n.start()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the daemon's log:\n%s", n.daemon.Log())
		}
	})
	return n
}

// startPrometheus starts it with the shipped rules, that much faster.
func (n *watchNight) startPrometheus(factor float64, flags ...string) {
	n.t.Helper()
	servertest.Prometheus(n.t, fmt.Sprintf(`
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: bayledger
    honor_labels: true
    static_configs: [{targets: [%q], labels: {site: %s}}]
`, n.manager, n.listen, virtual.Default().Site), map[string]string{"rules.yml": alarm.Rules(factor)}, flags...)
}

// start starts the daemon, or starts it again, and waits for its page.
func (n *watchNight) start() {
	n.t.Helper()
	n.daemon = servertest.Command(n.t, servertest.Accepts(n.listen), nil, n.bin, "run", "--config", n.config, "--dir", n.dir, "--socket", n.sock,
		"--speed", strconv.Itoa(nightFactor), "--start", n.clk.Now().Format(time.RFC3339Nano))
}

// kill ends the daemon as a power cut does.
func (n *watchNight) kill() { n.daemon.Kill() }

func (n *watchNight) pass(d time.Duration) {
	require.NoError(n.t, n.clk.Wait(n.t.Context(), n.clk.Now().Add(d)))
}

// until waits until somebody has been told something.
func (n *watchNight) until(what, key string) {
	n.t.Helper()
	told := assert.Eventually(n.t, func() bool { return n.told()[key] > 0 }, 4*time.Minute, 200*time.Millisecond)
	require.True(n.t, told, "%s never came; told %v", what, n.told())
}

// ServeHTTP takes what Alertmanager delivers.
func (n *watchNight) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
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
		var words []string
		for _, name := range []string{"summary", "description", "first_action", "do_not", "shut_off", "answer"} {
			if text := a.Annotations[name]; text != "" {
				words = append(words, text)
			}
		}
		n.texts[key] = strings.Join(words, "\n")
	}
}

// told is how often each receiver was told of each alarm anew.
func (n *watchNight) told() map[string]int {
	n.mu.Lock()
	defer n.mu.Unlock()
	out := map[string]int{}
	for key, begins := range n.pages {
		out[key] = len(begins)
	}
	return out
}

func (n *watchNight) over(key string) int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.resolved[key]
}

// reads looks into what was told.
func (n *watchNight) reads(key string, parts ...string) {
	n.t.Helper()
	n.mu.Lock()
	text := n.texts[key]
	n.mu.Unlock()
	n.t.Logf("%s:\n%s", key, text)
	for _, part := range parts {
		require.Contains(n.t, text, part)
	}
}

// looksRight is about the page of the stuck valve: its words, and that it came in time.
func (n *watchNight) looksRight(key string) {
	n.mu.Lock()
	text, at := n.texts[key], n.when[key]
	n.mu.Unlock()
	n.t.Logf("page at %s UTC:\n%s", at.Format(time.TimeOnly), text)
	require.Regexp(n.t, `bay A2: Valve stuck open`, text)
	require.Regexp(n.t, `Since Wed 15 Jul 23:(39|4\d) UTC \(Thu 16 Jul 01:(39|4\d) at the site\)`, text)
	require.Regexp(n.t, `So far: \d+ L ± \d+ L`, text)
	require.Contains(n.t, text, "Shut the hand valve of bay A2, or the main at the red lever by the pump house door.")
	require.Regexp(n.t, `bayledger ack \d+$`, text)
	n.metricsRight()
	var truth struct {
		Overflowed float64 `json:"overflowed_l"`
	}
	require.NoError(n.t, json.NewDecoder(strings.NewReader(n.field.say(n.t, "truth A2"))).Decode(&truth))
	require.Less(n.t, truth.Overflowed, 300.0, "the overflow has run for over ten minutes")
}

// metricsRight has promtool read what Prometheus scrapes, and holds its size against what agent
// and deploy/prometheus say of it.
func (n *watchNight) metricsRight() {
	n.t.Helper()
	res, err := http.Get("http://" + n.listen + "/metrics")
	require.NoError(n.t, err)
	page, err := io.ReadAll(res.Body)
	require.NoError(n.t, errors.Join(err, res.Body.Close()))
	check := exec.Command(servertest.Program(n.t, "promtool"), "check", "metrics")
	check.Stdin = bytes.NewReader(page)
	out, err := check.CombinedOutput()
	require.NoError(n.t, err, "%s", out)
	require.Empty(n.t, string(out))
	cfg, err := sitefile.LoadFile(n.config)
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

// ack runs bayledger ack and reads what it prints.
func (n *watchNight) ack(out any, args ...string) {
	n.t.Helper()
	cmd := exec.Command(n.bin, append([]string{"ack", "--socket", n.sock, "--json"}, args...)...)
	text, err := cmd.Output()
	require.NoError(n.t, err, "%s", n.daemon.Log())
	require.NoError(n.t, json.Unmarshal(text, out), "%s", text)
}

// find is the alarm of a kind as the socket lists it, or nil.
func (n *watchNight) find(kind string) *alarm.Listed {
	n.t.Helper()
	var list []alarm.Listed
	n.ack(&list)
	for i := range list {
		if string(list[i].Event.Kind) == kind {
			return &list[i]
		}
	}
	return nil
}

func (n *watchNight) listed(kind string) *alarm.Listed {
	n.t.Helper()
	l := n.find(kind)
	require.NotNil(n.t, l, kind)
	return l
}

func (n *watchNight) phase(kind string) string { return string(n.listed(kind).Phase) }

func (n *watchNight) answer(kind string) {
	n.t.Helper()
	var done alarm.Listed
	n.ack(&done, "--who", "kim", strconv.FormatInt(n.listed(kind).Ref, 10))
	require.Equal(n.t, alarm.Acknowledged, done.Phase)
}
