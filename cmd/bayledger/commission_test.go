package main

import (
	"bytes"
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"

	"bayledger/agent/procedure"
	"bayledger/agent/site"
)

// procedureSocket is a book of procedures behind a real local socket. Its site stands still, and a
// minute of its time passes whenever it is asked.
func procedureSocket(t *testing.T) (socket string) {
	t.Helper()
	s := &site.Site{ID: "riedhof", Name: "Riedhof", Zone: time.UTC, Revision: "r1"}
	for _, id := range []string{"A1", "A2"} {
		s.Courts = append(s.Courts, site.Court{ID: id + "c", Bays: []site.Bay{{ID: id, Court: id + "c", AreaM2: 90, CrestM: 0.1, SetPointM: 0.08,
			Layers: []site.Layer{{Name: "stone", DepthM: 0.12, DrainablePorosity: 0.3}}}}})
		s.Points = append(s.Points, site.Point{ID: id + "-level", Bay: id, Quantity: site.Level, Interval: 10 * time.Second, Device: "io"})
	}
	var mu sync.Mutex
	book, now := procedure.New(s, nil), time.Date(2026, 4, 14, 6, 0, 0, 0, time.UTC)
	settle := func() {
		for _, r := range book.Pending() {
			book.Record(r)
		}
	}
	step := func() {
		for range 6 {
			now = now.Add(10 * time.Second)
			for _, p := range s.Points {
				book.Sample(site.Sample{Point: p.ID, Time: now, Value: 0.04})
			}
			book.Tick(now)
			settle()
		}
	}
	h := procedure.NewHandler(func() procedure.Picture {
		mu.Lock()
		defer mu.Unlock()
		step()
		return book.Picture()
	}, func() time.Time { mu.Lock(); defer mu.Unlock(); return now },
		func(_ context.Context, r site.Record) (site.Record, error) {
			mu.Lock()
			defer mu.Unlock()
			book.Record(r)
			settle()
			return r, nil
		})
	socket = filepath.Join(t.TempDir(), "s")
	l, err := net.Listen("unix", socket)
	require.NoError(t, err)
	server := &http.Server{Handler: h}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	t.Cleanup(func() {
		require.NoError(t, server.Close())
		require.ErrorIs(t, <-ended, http.ErrServerClosed)
	})
	return socket
}

// screen is what stands on a real terminal.
type screen struct {
	t    *testing.T
	tty  *os.File
	mu   sync.Mutex
	text bytes.Buffer
	read int // of text, what was already waited for
}

func (s *screen) wait(text string) {
	s.t.Helper()
	comes := func() bool {
		i := strings.Index(s.all()[s.read:], text)
		if i >= 0 {
			s.read += i + len(text)
		}
		return i >= 0
	}
	for end := time.Now().Add(time.Minute); !comes(); <-time.After(5 * time.Millisecond) {
		require.True(s.t, time.Now().Before(end), "%q does not come; on the screen: %s", text, s.all())
	}
}

// follow takes what is shown until the terminal is gone.
func (s *screen) follow() {
	buf := make([]byte, 4096)
	for {
		n, err := s.tty.Read(buf)
		s.mu.Lock()
		s.text.Write(buf[:n])
		s.mu.Unlock()
		if err != nil {
			return
		}
	}
}

// all is everything shown so far.
func (s *screen) all() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

func (s *screen) type_(line string) {
	s.t.Helper()
	_, err := io.WriteString(s.tty, line+"\n")
	require.NoError(s.t, err)
}

// TestCommissionInATerminal goes through a procedure as somebody does over ssh: on a real
// terminal, with typing mistakes, leaving in the middle and coming back.
func TestCommissionInATerminal(t *testing.T) {
	socket := procedureSocket(t)
	sit := func(do func(s *screen)) (record string, err error) {
		master, slave, err := pty.Open()
		require.NoError(t, err)
		s := &screen{t: t, tty: master}
		shown := make(chan struct{})
		go func() {
			defer close(shown)
			s.follow()
		}()
		var out bytes.Buffer
		ended := make(chan error, 1)
		c := &commissionCmd{Procedure: "before-water", Socket: socket, Who: "kim", Form: "text", Every: 10 * time.Millisecond}
		go func() {
			ended <- c.Run(&environment{Ctx: t.Context(), Stdin: slave, Stdout: &out, Stderr: slave})
		}()
		do(s)
		err = <-ended
		require.NoError(t, slave.Close())
		require.NoError(t, master.Close())
		<-shown
		return out.String(), err
	}

	_, err := sit(func(s *screen) {
		s.wait("It takes about 42 min, in 9 steps.")
		s.wait("1/9  Who may do what")
		s.wait("CAUTION  Local codes and licensed trades come first")
		s.type_("perhaps")
		s.wait(`"perhaps" is not understood`)
		s.type_("")
		s.wait("2/9  Controller in manual")
		s.type_("quit")
		s.wait("Left.")
	})
	require.NoError(t, err)

	record, err := sit(func(s *screen) {
		s.wait("Going on with Before water, begun by kim")
		s.wait("Who may do what: confirmed")
		s.wait("2/9")
		s.type_("")
		s.wait("3/9  Backflow preventer")
		s.type_("last spring")
		s.wait("is not a date")
		s.type_("2026-03-20")
		s.wait("4/9")
		s.type_("skip")
		s.wait("say why")
		s.type_("skip the strainer is at the workshop")
		for _, n := range []string{"5/9", "6/9", "7/9"} {
			s.wait(n)
			s.type_("yes")
		}
		s.wait("8/9  Lines and devices")
		s.wait("9/9  Idle readings")
	})
	require.ErrorContains(t, err, "not signed off")
	require.Contains(t, record, "FINAL, NOT SIGNED OFF")
	require.Contains(t, record, "passed over by kim")
	require.Contains(t, record, "reason: the strainer is at the workshop")
	require.Contains(t, record, "Last tested on 2026-03-20.")
}

// A script answers line by line and reads JSON.
func TestCommissionByScript(t *testing.T) {
	socket := procedureSocket(t)
	run := func(c commissionCmd, in string) (string, string, error) {
		c.Socket, c.Who, c.Every = socket, "kim", 10*time.Millisecond
		if c.Form == "" {
			c.Form = "text"
		}
		var out, errs bytes.Buffer
		err := c.Run(&environment{Ctx: t.Context(), Stdin: strings.NewReader(in), Stdout: &out, Stderr: &errs})
		return out.String(), errs.String(), err
	}
	out, _, err := run(commissionCmd{}, "")
	require.NoError(t, err)
	require.Contains(t, out, "wiring-proof")
	require.Contains(t, out, "calibration")
	out, errs, err := run(commissionCmd{Procedure: "before-water", JSON: true}, "yes\nyes\n2026-03-20\nyes\nyes\nyes\nyes\n")
	require.NoError(t, err, out)
	require.Empty(t, errs)
	require.Contains(t, out, `"signed_off":true`)
	out, _, err = run(commissionCmd{Procedure: "before-water", Record: true, Form: "html"}, "")
	require.NoError(t, err)
	require.Contains(t, out, "<!doctype html>")
	_, _, err = run(commissionCmd{Procedure: "tea"}, "")
	require.ErrorContains(t, err, `there is no procedure "tea"`)
	var input inputError
	require.ErrorAs(t, err, &input)
	_, _, err = run(commissionCmd{Main: "shut", Why: "a burst"}, "")
	require.ErrorContains(t, err, "enables no isolation valve")
	_, _, err = run(commissionCmd{Procedure: "first-fill"}, "")
	require.ErrorContains(t, err, "say which bay: one of A1, A2")
	c := commissionCmd{Procedure: "flush", Socket: filepath.Join(t.TempDir(), "none"), Form: "text"}
	require.ErrorContains(t, c.Run(&environment{Ctx: t.Context(), Stdout: io.Discard, Stderr: io.Discard}), "name the site file with --config")
}
