package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/historian/journal"
)

// TestPackagingSoak runs the real daemon with all its sinks against the virtual pump house while
// every edge breaks at random, and looks for what was lost, missed or has grown. It is short
// here; deploy/soak.sh runs it for as long as it is told (BAYLEDGER_SOAK).
func TestPackagingSoak(t *testing.T) {
	t.Parallel()
	lasts := 20 * time.Second
	if text := os.Getenv("BAYLEDGER_SOAK"); text != "" {
		var err error
		lasts, err = time.ParseDuration(text)
		require.NoError(t, err)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d, %v", seed, lasts)
	s := newSoak(t, rand.New(rand.NewPCG(seed, 1)))
	began := time.Now()
	until := began.Add(lasts)
	first := s.figures()
	for round := 1; time.Now().Before(until); round++ {
		s.round(time.Since(began) < lasts/2)
	}
	s.mend()
	last := s.figures()
	journaled, stored := s.settle()
	report := fmt.Sprintf(`soak of %v, seed %d: %d alarms raised on purpose, %d edges broken (%s)
%-22s %10s %10s
%-22s %10.0f %10.0f
%-22s %10.1f %10.1f
%-22s %10.0f %10.0f
%-22s %10s %10d
%-22s %10s %10d
%-22s %10s %10d
`, time.Since(began).Round(time.Second), seed, s.alarms, s.broken, s.kinds(),
		"", "start", "end",
		"goroutines", first.goroutines, last.goroutines,
		"resident, MB", first.residentMB, last.residentMB,
		"descriptors", first.descriptors, last.descriptors,
		"samples journaled", "", journaled,
		"samples lost", "", journaled-stored,
		"alarms missed", "", s.missed)
	fmt.Print(report)
	if dir := os.Getenv("BAYLEDGER_SOAK_OUT"); dir != "" {
		require.NoError(t, os.MkdirAll(dir, 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "report.txt"), []byte(report), 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "daemon.log"), []byte(s.daemon.Log()), 0o644))
	}
	require.Equal(t, journaled, stored, "every journaled sample is in the historian, once")
	require.Zero(t, s.missed)
	require.Less(t, last.goroutines, first.goroutines+15, "goroutines are left behind")
	require.Less(t, last.descriptors, first.descriptors+15, "descriptors are left behind")
	require.Less(t, last.residentMB, first.residentMB+40, "memory grows")
	require.NotContains(t, s.daemon.Log(), "panic")
	require.NotContains(t, s.daemon.Log(), "DATA RACE")
}

// soak is everything that runs.
type soak struct {
	t       *testing.T
	rand    *rand.Rand
	field   pumpHouse
	cable   *cable
	influx  *servertest.InfluxServer
	way     *servertest.Proxy // to influx
	broker  *servertest.MosquittoServer
	daemon  *servertest.Process
	witness string
	config  string
	url     string
	heard   *servertest.Log // events as a lasting reader of the broker has them

	alarms, missed, broken int
	count                  map[string]int
}

func newSoak(t *testing.T, r *rand.Rand) *soak {
	t.Helper()
	dir := t.TempDir()
	s := &soak{t: t, rand: r, field: startField(t), influx: servertest.Influx(t, servertest.InfluxOptions{}), broker: servertest.Mosquitto(t, servertest.MosquittoOptions{}),
		witness: filepath.Join(dir, "witness"), config: filepath.Join(dir, "site.yaml"), heard: &servertest.Log{}, count: map[string]int{}}
	s.influx.CreateDatabase("courts")
	s.way = servertest.NewProxy(t, s.influx.URL)
	s.cable = newCable(t, s.field.modbus)
	reader := exec.Command(servertest.Program(t, "mosquitto_sub"), "-p", strconv.Itoa(s.broker.Port), "-q", "1", "-c", "-i", "soak", "-t", "bayledger/+/events")
	reader.Stdout, reader.Stderr = s.heard, io.Discard
	start(t, reader)
	web := fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])
	s.url = "http://" + web
	through := pumpHouse{modbus: s.cable.address}
	require.NoError(t, os.WriteFile(s.config, []byte(through.siteFile(t, fmt.Sprintf("\njournal: { dir: %s, commit: 1 s, clock: own }\npage: { listen: %q }\nmqtt: { broker: %q, retry_max: 2 s }\ninfluxdb: [ { id: archive, url: %q, bucket: courts, timeout: 3 s } ]\n",
		filepath.Join(dir, "journal"), web, s.broker.URL, s.way.URL))), 0o600))
	s.daemon = program(t, servertest.Accepts(web), "run", "--config", s.config, "--socket", "none", "--witness", s.witness)
	s.wait("readings", func() bool { return lastNumber(s.witness) > 100 })
	return s
}

// wait waits for what must come, however loaded the machine is.
func (s *soak) wait(what string, ok func() bool) {
	s.t.Helper()
	require.True(s.t, s.comes(ok), "%s: it does not come to that\n%s", what, tail(s.daemon))
}

func tail(p *servertest.Process) string {
	log := p.Log()
	return log[max(0, len(log)-4000):]
}

// round raises one alarm on purpose, breaks edges meanwhile, and waits for the alarm to arrive at
// the broker's reader and to be over.
func (s *soak) round(kill bool) {
	bays := []string{"A1", "A2", "A3", "B1", "B2", "B3"}
	bay := bays[s.rand.IntN(len(bays))]
	from := len(s.heard.String())
	require.Equal(s.t, "ok\n", s.field.say(s.t, "fault valve-stuck-open "+bay))
	s.alarms++
	for range 1 + s.rand.IntN(3) {
		s.breakOne(kill)
	}
	arrived := func(state site.State) func() bool {
		return func() bool {
			for line := range strings.Lines(s.heard.String()[from:]) {
				e, err := site.ParseEvent([]byte(line))
				if err == nil && e.Kind == site.ValveStuckOpen && e.Bay == bay && e.State == state {
					return true
				}
			}
			return false
		}
	}
	if !s.comes(arrived(site.Raised)) {
		s.missed++
		s.t.Errorf("the valve of %s stuck and nobody was told\n%s", bay, tail(s.daemon))
	}
	s.field.say(s.t, "clear "+bay)
	if !s.comes(arrived(site.Cleared)) {
		s.missed++
		s.t.Errorf("the valve of %s works again and nobody was told\n%s", bay, tail(s.daemon))
	}
}

// comes reports whether something comes to be so in time.
func (s *soak) comes(ok func() bool) bool {
	patience, tick := time.After(5*time.Minute), time.NewTicker(200*time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-patience:
			return false
		case <-tick.C:
		}
	}
	return true
}

// hold lets a fault stand for a while: until so many more readings are durable, or a few seconds.
func (s *soak) hold() {
	ctx, cancel := context.WithTimeout(s.t.Context(), time.Duration(2+s.rand.IntN(6))*time.Second)
	defer cancel()
	<-ctx.Done()
}

// breakOne breaks one edge and mends it again.
func (s *soak) breakOne(kill bool) {
	edges := []string{"historian stops", "historian hangs", "historian refuses", "answers are lost", "broker stops", "field's cable", "site file read again", "unit silent"}
	if kill {
		edges = append(edges, "daemon killed")
	}
	edge := edges[s.rand.IntN(len(edges))]
	s.broken++
	s.count[edge]++
	fault := func(f servertest.Fault) {
		s.way.Set(f)
		s.hold()
		s.way.Clear()
	}
	switch edge {
	case "historian stops":
		s.influx.Stop()
		s.hold()
		s.influx.Start()
	case "historian hangs":
		fault(servertest.Fault{Hang: true})
	case "historian refuses":
		fault(servertest.Fault{Status: http.StatusServiceUnavailable})
	case "answers are lost":
		fault(servertest.Fault{LoseAnswer: true})
	case "broker stops":
		s.broker.Stop()
		s.hold()
		s.broker.Start()
	case "field's cable":
		s.cable.cut(true)
		s.hold()
		s.cable.cut(false)
	case "site file read again":
		s.daemon.Hangup()
	case "unit silent":
		s.field.say(s.t, "fault unit-silent weather-station")
		s.hold()
		s.field.say(s.t, "clear weather-station")
	case "daemon killed":
		s.daemon.Kill()
		s.daemon.Start()
	}
}

func (s *soak) kinds() string {
	b, err := json.Marshal(s.count) // sorted by name
	require.NoError(s.t, err)
	return strings.Trim(strings.ReplaceAll(string(b), `"`, ""), "{}")
}

func (s *soak) mend() {
	s.cable.cut(false)
	s.wait("readings go on", func() func() bool {
		n := lastNumber(s.witness)
		return func() bool { return lastNumber(s.witness) > n+100 }
	}())
	s.wait("the historian has caught up", func() bool {
		behind := s.metric("sink_backlog_samples")
		return 0 <= behind && behind < 500
	})
}

type soakFigures struct{ goroutines, residentMB, descriptors float64 }

func (s *soak) figures() soakFigures {
	return soakFigures{s.metric("go_goroutines"), s.metric("process_resident_memory_bytes") / 1e6, s.metric("process_open_fds")}
}

// metric is the first value of a metric of the daemon, or -1.
func (s *soak) metric(name string) float64 {
	resp, err := http.Get(s.url + "/metrics")
	if err != nil {
		return -1
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	require.NoError(s.t, err)
	m := regexp.MustCompile(`(?m)^(?:bayledger_)?` + name + `(?:\{[^}]*\})? ([-+.e0-9]+)$`).FindSubmatch(body)
	if m == nil {
		return -1
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	require.NoError(s.t, err)
	return v
}

// settle waits until what was journaled up to now is in the historian, stops the daemon and
// counts both.
func (s *soak) settle() (journaled, stored int) {
	upto := time.Now()
	count := func() int {
		rows := 0
		for _, q := range []string{`SELECT COUNT("value") FROM /.*/ WHERE time < %d`, `SELECT COUNT("quality") FROM /.*/ WHERE "quality" = 2 AND time < %d`} {
			for _, series := range s.influx.Query("courts", fmt.Sprintf(q, upto.UnixNano())) {
				n, err := strconv.Atoi(fmt.Sprint(series.Values[0][1]))
				require.NoError(s.t, err)
				rows += n
			}
		}
		return rows
	}
	s.wait("commits after the moment", func() bool { return s.metric("last_reading_timestamp_seconds") > float64(upto.Unix())+12 })
	cfg, err := sitefile.LoadFile(s.config)
	require.NoError(s.t, err)
	o := cfg.Journal
	o.ReadOnly = true
	j, err := journal.Open(s.t.Context(), o)
	require.NoError(s.t, err)
	for x, err := range j.Samples(s.t.Context(), time.Time{}, upto) {
		require.NoError(s.t, err)
		if x.Sample.Time.Before(upto) {
			journaled++
		}
	}
	require.NoError(s.t, j.Close())
	if !s.comes(func() bool { stored = count(); return stored >= journaled }) {
		s.t.Errorf("the historian has %d of %d samples\n%s", stored, journaled, tail(s.daemon))
	}
	acknowledged := lastNumber(s.witness)
	s.daemon.Stop()
	o.ReadOnly = false
	j, err = journal.Open(s.t.Context(), o)
	require.NoError(s.t, err)
	for err := range j.Check(s.t.Context()) {
		s.t.Errorf("self-check: %v", err)
	}
	require.GreaterOrEqual(s.t, j.Last(), int64(acknowledged), "what was told to be durable is there")
	require.NoError(s.t, j.Close())
	return journaled, stored
}

// cable lies between daemon and field and can be cut.
type cable struct {
	address string
	to      string

	mu    sync.Mutex
	off   bool
	conns map[net.Conn]bool
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c := &cable{address: l.Addr().String(), to: to, conns: map[net.Conn]bool{}}
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil || !c.plug(in, out) {
				in.Close()
				if err == nil {
					out.Close()
				}
				continue
			}
			for _, way := range [][2]net.Conn{{in, out}, {out, in}} {
				wg.Go(func() {
					_, _ = io.Copy(way[0], way[1]) // how it ended is the daemon's to tell
					way[0].Close()
					way[1].Close()
				})
			}
		}
	})
	t.Cleanup(func() { l.Close(); c.cut(true); wg.Wait() })
	return c
}

// plug keeps a connection's two ends, unless the cable is cut.
func (c *cable) plug(ends ...net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range ends {
		if !c.off {
			c.conns[e] = true
		}
	}
	return !c.off
}

func (c *cable) cut(off bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.off = off
	if off {
		for e := range c.conns {
			e.Close()
		}
		clear(c.conns)
	}
}
