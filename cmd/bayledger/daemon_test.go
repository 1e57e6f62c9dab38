package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/site"
)

// asProgram makes this test binary behave as the program itself, so that tests have real
// processes to signal without building anything.
const asProgram = "BAYLEDGER_TEST_AS_PROGRAM=1"

func TestMain(m *testing.M) {
	if os.Getenv("BAYLEDGER_TEST_AS_PROGRAM") == "1" {
		main()
		return
	}
	os.Exit(m.Run())
}

// patience bounds what a loaded machine may take.
const patience = 90 * time.Second

// program starts bayledger as a process of its own.
func program(t *testing.T, ready func(context.Context) error, args ...string) *servertest.Process {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	return servertest.Command(t, ready, []string{asProgram}, self, args...)
}

// pumpHouse is a virtual field in a process of its own.
type pumpHouse struct {
	modbus, control string
}

func startField(t *testing.T, args ...string) pumpHouse {
	t.Helper()
	ports := servertest.FreePorts(t, 2)
	p := pumpHouse{fmt.Sprintf("127.0.0.1:%d", ports[0]), fmt.Sprintf("127.0.0.1:%d", ports[1])}
	program(t, servertest.Accepts(p.control), append([]string{"field", "--listen", p.modbus, "--control", p.control}, args...)...)
	return p
}

// say gives the control line one command and returns the answer.
func (p pumpHouse) say(t *testing.T, command string) string {
	t.Helper()
	c, err := net.Dial("tcp", p.control)
	require.NoError(t, err)
	defer c.Close()
	_, err = io.WriteString(c, command+"\n")
	require.NoError(t, err)
	require.NoError(t, c.(*net.TCPConn).CloseWrite())
	answer, err := io.ReadAll(c)
	require.NoError(t, err)
	return string(answer)
}

// siteFile is the site file that goes with the field, with text appended and some replaced.
func (p pumpHouse) siteFile(t *testing.T, more string, replace ...string) string {
	t.Helper()
	var out, complaint strings.Builder
	require.Zero(t, run(t.Context(), []string{"field", "--listen", p.modbus, "--site-file"}, nil, &out, &complaint), complaint.String())
	return strings.NewReplacer(replace...).Replace(out.String()) + more
}

// fetch reads one address of the API into v.
func fetch(url string, v any) error {
	resp, err := http.Get(url)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return errors.New(resp.Status)
	}
	return json.NewDecoder(resp.Body).Decode(v)
}

type eventList struct {
	Events []site.Event `json:"events"`
}

// raised are the events of the kind that were raised, of all that the daemon has ever told.
func (l eventList) raised(kind site.Kind) (found []site.Event) {
	for _, e := range l.Events {
		if e.Kind == kind && e.State == site.Raised {
			found = append(found, e)
		}
	}
	return found
}

// silence is a server that takes every connection and never says anything.
func silence(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		var open []net.Conn // kept, so that none is closed before the listener is
		for {
			c, err := l.Accept()
			if err != nil {
				for _, c := range open {
					c.Close()
				}
				return
			}
			open = append(open, c)
		}
	}()
	return l.Addr().String()
}

// TestEndToEndDaemonsLife runs the daemon as a process beside a virtual pump house: a valve that
// sticks is raised once, a stop is clean although historian and broker hang, the next start goes
// on with the same alarm and tells nothing twice, a changed site file is taken over while it
// runs, and a wrong one is refused with the old one going on.
func TestEndToEndDaemonsLife(t *testing.T) {
	field := startField(t)
	mute := silence(t)
	dir := t.TempDir()
	file, journal, socket := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "journal"), filepath.Join(dir, "socket")
	web := fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])
	// Nothing vouches for the clock of a container, and this test goes by it.
	more := fmt.Sprintf("\njournal: { clock: own }\npage: { listen: %q }\nmqtt: { broker: %q }\ninfluxdb:\n  - { id: archive, url: %q, bucket: club }\n", web, "tcp://"+mute, "http://"+mute)
	require.NoError(t, os.WriteFile(file, []byte(field.siteFile(t, more)), 0o600))
	api := "http://" + web + "/api/v1"
	events := func() (l eventList) {
		require.NoError(t, fetch(api+"/events", &l))
		return l
	}
	daemon := program(t, servertest.Accepts(web), "run", "--config", file, "--dir", journal, "--socket", socket)
	read := func() time.Time { // the moment of the newest reading
		var bays struct {
			Time site.Stamp `json:"time"`
		}
		if fetch(api+"/bays", &bays) != nil {
			return time.Time{}
		}
		return bays.Time.Time
	}
	require.Eventually(t, func() bool { return !read().IsZero() }, patience, 100*time.Millisecond, "no reading arrived: %s", daemon.Log())

	require.Equal(t, "ok\n", field.say(t, "fault valve-stuck-open A2"))
	require.Eventually(t, func() bool { return len(events().raised(site.ValveStuckOpen)) == 1 }, patience, 200*time.Millisecond, "the stuck valve was not raised: %s", daemon.Log())
	first := events().raised(site.ValveStuckOpen)[0]
	require.Equal(t, "A2", first.Bay)

	began := time.Now()
	daemon.Stop()
	t.Logf("a stop with a silent historian and a silent broker took %v", time.Since(began).Round(10*time.Millisecond))
	require.Zero(t, daemon.ExitCode(), daemon.Log())
	require.Contains(t, daemon.Log(), "msg=stopped")

	stopped := time.Now()
	daemon.Start()
	require.Eventually(t, func() bool { return read().After(stopped.Add(15 * time.Second)) }, patience, 100*time.Millisecond, "it does not read again: %s", daemon.Log())
	require.Equal(t, []site.Event{first}, events().raised(site.ValveStuckOpen), "raised twice")
	for _, e := range events().Events {
		require.NotEqual(t, site.Cleared, e.State, "cleared by a restart: %+v", e)
	}
	var open struct {
		Alarms []site.Event `json:"alarms"`
	}
	require.NoError(t, fetch(api+"/alarms", &open))
	require.Contains(t, func() (ids []string) {
		for _, a := range open.Alarms {
			ids = append(ids, a.ID)
		}
		return ids
	}(), first.ID)

	name := func() string {
		var bays struct {
			Bays []struct{ ID, Name string } `json:"bays"`
		}
		_ = fetch(api+"/bays", &bays)
		for _, b := range bays.Bays {
			if b.ID == "A1" {
				return b.Name
			}
		}
		return ""
	}
	require.Equal(t, "A1", name())
	require.NoError(t, os.WriteFile(file, []byte(field.siteFile(t, more, `name: "A1"`, `name: "By the clubhouse"`)), 0o600))
	daemon.Hangup()
	require.Eventually(t, func() bool { return name() == "By the clubhouse" }, patience, 100*time.Millisecond, "the new file is not taken over: %s", daemon.Log())

	require.NoError(t, os.WriteFile(file, []byte(field.siteFile(t, more, `area: 99.5 m2`, `area: 99.5 litres`)), 0o600))
	daemon.Hangup()
	require.Eventually(t, func() bool { return strings.Contains(daemon.Log(), "site file refused") }, patience, 100*time.Millisecond, "the wrong file is not refused")
	refused := time.Now()
	require.Eventually(t, func() bool { return read().After(refused.Add(2 * time.Second)) }, patience, 100*time.Millisecond, "it stopped reading after a wrong file: %s", daemon.Log())
	require.Equal(t, "By the clubhouse", name())
	require.Len(t, events().raised(site.ValveStuckOpen), 1)
	daemon.Stop()
	require.Zero(t, daemon.ExitCode(), daemon.Log())
}
