package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"

	"bayledger/agent/alarm"
	"bayledger/agent/page"
	"bayledger/agent/procedure"
	"bayledger/agent/site"
)

// startLocal opens the local socket over which bayledger ack answers alarms and bayledger
// commission leads through procedures. Who may use it is
// who may write to it on this machine.
func (a *Agent) startLocal() error {
	if a.opts.Socket == "" {
		return nil
	}
	if err := os.MkdirAll(filepath.Dir(a.opts.Socket), 0o750); err != nil {
		return fmt.Errorf("local socket: %w", err)
	}
	// One left by a process that was killed would keep this one from listening; the journal's
	// lock has shown that no other daemon runs.
	if err := os.Remove(a.opts.Socket); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("local socket: %w", err)
	}
	l, err := net.Listen("unix", a.opts.Socket)
	if err != nil {
		return fmt.Errorf("local socket: %w", err)
	}
	if err := os.Chmod(a.opts.Socket, 0o660); err != nil {
		return errors.Join(fmt.Errorf("local socket: %w", err), l.Close())
	}
	open := func() (list []alarm.Alarm) {
		a.Core(func(c *Core) { list = c.Desk.Open() })
		return list
	}
	mux := http.NewServeMux()
	mux.Handle(alarm.AnswersPath, alarm.NewAnswers(func() *site.Site { return a.parts.Load().cfg.Site }, open, a.clk.Now, a.Record))
	mux.Handle(procedure.SocketPath, procedure.NewHandler(func() procedure.Picture { return a.View().Procedures }, a.clk.Now, a.Record))
	h := &http.Server{ErrorLog: slog.NewLogLogger(a.part("local").Handler(), slog.LevelWarn), Handler: mux}
	page.ServerTimeouts(h)
	serve := startLoop(func(context.Context) error {
		if err := h.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	}, a.ended("local socket"))
	a.undo.push("local socket", func(ctx context.Context) error {
		return errors.Join(h.Shutdown(ctx), serve.stop(ctx))
	})
	return nil
}
