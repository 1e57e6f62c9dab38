package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"

	"bayledger/agent/procedure"
	"bayledger/agent/servertest"
)

// TestCrashCommission kills the real daemon in the middle of a step that counts readings: the next
// one goes on with the same run, the same answers and the counts it had, and keeps each outcome
// once. Then without a daemon: the command reads the site itself, is killed in mid-procedure, and
// goes on where it stood when it is called again.
func TestCrashCommission(t *testing.T) {
	field := startField(t)
	dir := t.TempDir()
	file, journal, socket := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "journal"), filepath.Join(dir, "socket")
	web := fmt.Sprintf("127.0.0.1:%d", servertest.FreePorts(t, 1)[0])
	more := fmt.Sprintf("\njournal: { clock: own, commit: 1 s }\npage: { listen: %q }\n", web)
	require.NoError(t, os.WriteFile(file, []byte(field.siteFile(t, more)), 0o600))
	daemon := program(t, servertest.Accepts(web), "run", "--config", file, "--dir", journal, "--socket", socket)

	ask := func(method string, in any) (p procedure.Picture, err error) {
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		defer cancel()
		err = overSocket(ctx, socket, method, procedure.SocketPath, in, &p)
		return p, err
	}
	until := func(what string, so func(p procedure.Picture) bool) procedure.Picture {
		t.Helper()
		for end := time.Now().Add(patience); ; <-time.After(50 * time.Millisecond) {
			p, err := ask(http.MethodGet, nil)
			if err == nil && so(p) {
				return p
			}
			require.True(t, time.Now().Before(end), "not %s: %v", what, err)
		}
	}
	say := func(a procedure.Answer) procedure.Picture {
		t.Helper()
		a.Who = "kim"
		p, err := ask(http.MethodPost, a)
		require.NoError(t, err)
		return p
	}
	readings := func(p procedure.Picture) (n int) {
		for _, line := range p.Runs[0].Now.Verdict.Lines {
			var device string
			var good, lost int
			_, err := fmt.Sscanf(line, "%s %d readings, %d lost", &device, &good, &lost)
			require.NoError(t, err, line)
			n += good
		}
		return n
	}

	until("reading", func(p procedure.Picture) bool { return !p.Time.IsZero() })
	p := say(procedure.Answer{Do: "start", Kind: procedure.BeforeWater})
	for p.Runs[0].Now.Step != "links" {
		now := p.Runs[0].Now
		text := "yes"
		if now.Ask.Kind == procedure.AskDate {
			text = time.Now().AddDate(0, -2, 0).Format(time.DateOnly)
		}
		p = say(procedure.Answer{Do: "answer", Run: p.Runs[0].ID, Step: now.Step, Text: text})
	}
	for range 2 {
		was := until("counting", func(p procedure.Picture) bool { return readings(p) > 20 })
		had := readings(was)
		daemon.Kill()
		daemon.Start()
		now := until("back", func(p procedure.Picture) bool {
			return len(p.Runs) == 1 && !p.Time.Before(was.Time) && readings(p) > had
		})
		require.Equal(t, was.Runs[0].ID, now.Runs[0].ID)
		require.Equal(t, "links", now.Runs[0].Now.Step)
		require.Equal(t, was.Runs[0].Now.Since, now.Runs[0].Now.Since, "the five minutes go on, and do not begin again")
		require.Equal(t, was.Runs[0].Results, now.Runs[0].Results)
	}
	p = say(procedure.Answer{Do: "stop", Run: p.Runs[0].ID, Why: "rain"})
	daemon.Kill() // what was answered is on the card
	daemon.Start()
	p = until("back", func(p procedure.Picture) bool { return !p.Time.IsZero() })
	require.Empty(t, p.Runs)
	require.Len(t, p.Records, 1)
	require.Equal(t, "rain", p.Records[0].Stopped)
	seen := map[int]bool{}
	for _, x := range p.Records[0].Results {
		require.False(t, seen[x.Seq], "%s twice", x.Step)
		seen[x.Seq] = true
	}
	require.Len(t, seen, 7)
	daemon.Stop()

	self, err := os.Executable()
	require.NoError(t, err)
	sit := func(do func(s *screen, cmd *exec.Cmd)) (record string, err error) {
		master, slave, e := pty.Open()
		require.NoError(t, e)
		s := &screen{t: t, tty: master}
		var out bytes.Buffer
		cmd := exec.CommandContext(t.Context(), self, "commission", "before-water", "--config", file, "--dir", journal,
			"--socket", filepath.Join(dir, "none"), "--who", "kim")
		cmd.Env = append(os.Environ(), asProgram)
		cmd.Stdin, cmd.Stdout, cmd.Stderr = slave, &out, slave
		require.NoError(t, cmd.Start())
		shown := make(chan struct{})
		go func() {
			defer close(shown)
			s.follow()
		}()
		do(s, cmd)
		err = cmd.Wait()
		require.NoError(t, slave.Close())
		require.NoError(t, master.Close())
		<-shown
		return out.String(), err
	}
	_, err = sit(func(s *screen, cmd *exec.Cmd) {
		s.wait("No daemon runs; reading the site in this terminal")
		s.wait("1/9  Who may do what")
		s.type_("")
		s.wait("2/9  Controller in manual")
		s.type_("")
		s.wait("3/9  Backflow preventer")
		require.NoError(t, cmd.Process.Kill())
	})
	require.Error(t, err)
	record, err := sit(func(s *screen, _ *exec.Cmd) {
		s.wait("Going on with Before water, begun by kim")
		s.wait("Who may do what: confirmed")
		s.wait("Controller in manual: confirmed")
		s.wait("3/9  Backflow preventer")
		s.type_("stop the tag is gone")
	})
	require.Error(t, err, "it is not signed off")
	require.Contains(t, record, "STOPPED: THE TAG IS GONE")
	require.Contains(t, record, "2. Controller in manual: confirmed by kim")
}
