// Package servertest starts the real servers that tests talk to: InfluxDB 1.8, Mosquitto,
// Prometheus, Alertmanager, VictoriaMetrics, and a proxy that breaks the connection between a
// client and one of them on purpose.
//
// Every server listens on free ports of the loopback interface, keeps its files in a directory
// of the test's own, is ready when its function returns, and is stopped by its process id when
// the test ends. Stop, Kill and Start in between play an outage: ports and files stay the same.
//
// A program that is not installed fails the test and names deploy/test.sh, which installs it;
// no test is ever skipped for it.
//
// The package is for the test's own goroutine, except for the methods of Proxy, which any
// goroutine may call.
package servertest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// readyWithin is how long a server may take to answer; it only bounds how long a broken server is
// waited for. InfluxDB has taken more than a minute to start again on two cores with a load of 30.
const readyWithin = 5 * time.Minute

// Program returns the path of an installed program, looking for each of the names on PATH, in
// the system's folders for servers and where go install puts programs.
func Program(t testing.TB, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	dirs := []string{"/usr/sbin", "/usr/local/sbin"}
	if out, err := exec.Command("go", "env", "GOBIN", "GOPATH").Output(); err == nil {
		lines := strings.Split(string(out), "\n")
		if lines[0] != "" {
			dirs = append(dirs, lines[0])
		}
		if len(lines) > 1 && lines[1] != "" {
			dirs = append(dirs, filepath.Join(lines[1], "bin"))
		}
	}
	for _, dir := range dirs {
		for _, name := range names {
			path := filepath.Join(dir, name)
			if info, err := os.Stat(path); err == nil && info.Mode()&0o111 != 0 {
				return path
			}
		}
	}
	t.Fatalf("servertest: %s is not installed; install what the tests need with: sh deploy/test.sh", names[0])
	return ""
}

// FreePorts returns n different TCP ports of the loopback interface that nobody listens on, and
// that this process has not been given before. They lie below the range from which the kernel
// takes the near ends of outgoing connections: one of those could take a port before its server
// does, and with some hundred servers would.
func FreePorts(t testing.TB, n int) []int {
	t.Helper()
	var ports []int
	for range 1000 * n {
		if len(ports) == n {
			return ports
		}
		port := lowestPort + rand.IntN(outgoingPorts()-lowestPort)
		if _, given := givenPorts.LoadOrStore(port, true); given {
			continue
		}
		if l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port))); err == nil {
			l.Close()
			ports = append(ports, port)
		}
	}
	if len(ports) < n {
		t.Fatalf("servertest: only %d of %d free ports between %d and %d", len(ports), n, lowestPort, outgoingPorts())
	}
	return ports
}

// givenPorts are those FreePorts has returned or found taken.
var givenPorts sync.Map

const lowestPort = 12000

// outgoingPorts is where the kernel's range of ports for outgoing connections begins.
func outgoingPorts() int {
	const usual = 32768 // Linux' own default
	text, err := os.ReadFile("/proc/sys/net/ipv4/ip_local_port_range")
	if err != nil {
		return usual
	}
	var first int
	if _, err := fmt.Sscan(string(text), &first); err != nil || first <= lowestPort+1000 {
		return usual
	}
	return first
}

// Process is one server of the test's own.
type Process struct {
	t     testing.TB
	name  string
	path  string
	args  []string
	env   []string
	ready func(context.Context) error

	mu   sync.Mutex // guards what follows, for Log and Pid
	cmd  *exec.Cmd
	out  *Log
	done chan struct{} // closed when the process is gone
}

// launch starts a server that make describes for fresh ports, and tries other ports when the
// process ends at once: another program may have taken one in between.
func launch(t testing.TB, make func(attempt int) *Process) *Process {
	t.Helper()
	var err error
	for attempt := range 3 {
		p := make(attempt)
		p.t, p.out = t, &Log{}
		if err = p.start(); err == nil {
			t.Cleanup(p.Stop)
			return p
		}
	}
	t.Fatalf("servertest: %v", err)
	return nil
}

// Command starts a program of the test's own choice as a server: it is ready when ready returns
// nil. env is added to the test's environment.
func Command(t testing.TB, ready func(context.Context) error, env []string, path string, args ...string) *Process {
	t.Helper()
	return launch(t, func(int) *Process {
		return &Process{name: filepath.Base(path), path: path, args: args, env: env, ready: ready}
	})
}

// Start starts a stopped server again, with the same ports and files, and waits until it
// answers.
func (p *Process) Start() {
	p.t.Helper()
	if err := p.start(); err != nil {
		p.t.Fatalf("servertest: start again: %v", err)
	}
}

func (p *Process) start() error {
	p.mu.Lock()
	cmd := exec.Command(p.path, p.args...)
	cmd.Env = append(os.Environ(), p.env...)
	cmd.Stdout, cmd.Stderr = p.out, p.out
	cmd.SysProcAttr = attributes()
	done, started := make(chan struct{}), make(chan error)
	p.cmd, p.done = cmd, done
	p.mu.Unlock()
	go func() {
		defer close(done)
		// The kernel ends the server with the thread that started it, so that a killed test
		// leaves nothing behind; the thread must therefore live as long as the server.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is for the log; the tests stop servers by signals
		}
	}()
	if err := <-started; err != nil {
		<-done
		return fmt.Errorf("%s: %w", p.name, err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), readyWithin)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		err := p.ready(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-done:
			return fmt.Errorf("%s ended at once:\n%s", p.name, p.out)
		case <-ctx.Done():
			p.signal(syscall.SIGKILL)
			<-done
			return fmt.Errorf("%s was not ready within %v (%w):\n%s", p.name, readyWithin, err, p.out)
		case <-tick.C:
		}
	}
}

// Stop asks the server to end, as an operator would, and waits until it is gone. It is killed
// when it does not listen. Stopping a stopped server does nothing.
func (p *Process) Stop() { p.end(syscall.SIGTERM) }

// Kill ends the server at once, as a power cut would, and waits until it is gone.
func (p *Process) Kill() { p.end(syscall.SIGKILL) }

func (p *Process) end(sig syscall.Signal) {
	p.signal(sig)
	p.mu.Lock()
	done := p.done
	p.mu.Unlock()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		p.signal(syscall.SIGKILL)
		<-done
	}
}

func (p *Process) signal(sig syscall.Signal) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cmd != nil && p.cmd.Process != nil {
		if err := p.cmd.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
			p.t.Logf("servertest: signal %v to %s: %v", sig, p.name, err)
		}
	}
}

// Hangup sends the signal by which daemons read their files again.
func (p *Process) Hangup() { p.signal(syscall.SIGHUP) }

// ExitCode is how the last start ended: -1 for a signal. The process must be stopped.
func (p *Process) ExitCode() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cmd.ProcessState.ExitCode()
}

// Pid is the process id of the server's last start.
func (p *Process) Pid() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cmd.Process.Pid
}

// Log is what the server has printed so far.
func (p *Process) Log() string { return p.out.String() }

// Answers returns a readiness check: GET url gives 2xx.
func Answers(client *http.Client, url string) func(context.Context) error {
	return func(ctx context.Context) error {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			return err
		}
		resp, err := client.Do(req)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		_, err = io.Copy(io.Discard, resp.Body)
		if resp.StatusCode/100 != 2 {
			return fmt.Errorf("GET %s: %s", url, resp.Status)
		}
		return err
	}
}

// Accepts returns a readiness check: the address takes connections.
func Accepts(addr string) func(context.Context) error {
	return func(ctx context.Context) error {
		c, err := (&net.Dialer{}).DialContext(ctx, "tcp", addr)
		if err != nil {
			return err
		}
		return c.Close()
	}
}

func loopback(port int) string { return fmt.Sprintf("127.0.0.1:%d", port) }

// writeFile puts a server's configuration into the test's folder.
func writeFile(t testing.TB, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatalf("servertest: %v", err)
	}
}

// Log collects what a process or a logger says while the test reads it.
type Log struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (s *Log) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

// String is all that was said so far.
func (s *Log) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}
