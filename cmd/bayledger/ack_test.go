package main

import (
	"bytes"
	"context"
	"net"
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/site"
)

// daemonSocket is a desk with two alarms behind a real local socket.
func daemonSocket(t *testing.T) (socket string, put *[]site.Record) {
	t.Helper()
	s := &site.Site{ID: "riedhof", Name: "Riedhof", Zone: time.UTC, Attended: site.DayWindow{From: 7 * 60, To: 19 * 60},
		Courts: []site.Court{{ID: "c1", Bays: []site.Bay{{ID: "A1", Court: "c1"}}}}}
	d := alarm.New(s)
	at := time.Date(2026, 7, 3, 23, 40, 0, 0, time.UTC)
	d.Tick(at, []site.Finding{site.NewFinding(site.ValveStuckOpen, "A1", "", at), site.NewFinding(site.Overfill, "A1", "", at)})
	put = new([]site.Record)
	h := alarm.NewAnswers(func() *site.Site { return s }, d.Open, func() time.Time { return at },
		func(_ context.Context, r site.Record) (site.Record, error) {
			*put = append(*put, r)
			d.Record(r)
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
	return socket, put
}

func TestAck(t *testing.T) {
	socket, put := daemonSocket(t)
	ack := func(c ackCmd) (string, error) {
		c.Socket = socket
		var out bytes.Buffer
		err := c.Run(&environment{Ctx: t.Context(), Stdout: &out, Stderr: &out})
		return out.String(), err
	}
	out, err := ack(ackCmd{})
	require.NoError(t, err)
	require.Contains(t, out, "1    unacknowledged        Warning Riedhof, bay A1: Valve stuck open since 23:40.")
	require.Contains(t, out, "(folded under riedhof/A1/valve-stuck-open//2026-07-03T23:40:00.000Z)")

	out, err = ack(ackCmd{Alarm: "1", Useful: "yes", Who: "kim"})
	require.NoError(t, err)
	require.Contains(t, out, "acknowledged: Warning Riedhof, bay A1: Valve stuck open")
	require.Len(t, *put, 1)
	require.Equal(t, "kim", (*put)[0].Who)
	require.Equal(t, 1.0, (*put)[0].Value)
	require.NotContains(t, out, "worth being told", "that is answered")
	out, err = ack(ackCmd{Alarm: "1", Who: "kim"})
	require.NoError(t, err)
	require.Contains(t, out, "Was it worth being told? bayledger ack 1 --useful yes, or --useful no")

	out, err = ack(ackCmd{Alarm: "1", Shelve: time.Hour, Why: "new valve tomorrow", Who: "kim", JSON: true})
	require.NoError(t, err)
	require.Contains(t, out, `"phase":"shelved"`)
	out, err = ack(ackCmd{Alarm: "1", Unshelve: true})
	require.NoError(t, err)
	require.Contains(t, out, "unacknowledged: ")
	require.NotEmpty(t, (*put)[3].Who, "the name one is logged in by")
	out, err = ack(ackCmd{JSON: true})
	require.NoError(t, err)
	require.Contains(t, out, `"kind":"overfill"`)

	kept := len(*put)
	for name, c := range map[string]ackCmd{
		"no alarm named":     {Useful: "yes"},
		"no such alarm":      {Alarm: "99"},
		"shelve without why": {Alarm: "1", Shelve: time.Hour},
		"shelve backwards":   {Alarm: "1", Shelve: -time.Hour, Why: "x"},
		"shelve too long":    {Alarm: "1", Shelve: 1000 * time.Hour, Why: "x"},
		"both":               {Alarm: "1", Shelve: time.Hour, Why: "x", Unshelve: true},
		"useful of a shelf":  {Alarm: "1", Shelve: time.Hour, Why: "x", Useful: "no"},
		"not shelved":        {Alarm: "1", Unshelve: true},
	} {
		_, err := ack(c)
		require.Error(t, err, name)
		require.Equal(t, exitInput, exitCode(err, &bytes.Buffer{}), name)
	}
	require.Len(t, *put, kept)
}

func TestAckWithoutDaemon(t *testing.T) {
	c := ackCmd{Socket: filepath.Join(t.TempDir(), "none")}
	err := c.Run(&environment{Ctx: t.Context(), Stdout: &bytes.Buffer{}, Stderr: &bytes.Buffer{}})
	require.ErrorContains(t, err, "is it running")
	require.Equal(t, exitFailed, exitCode(err, &bytes.Buffer{}))
}
