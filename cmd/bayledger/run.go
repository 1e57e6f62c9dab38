package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/sitefile"
)

// runCmd is the daemon.
type runCmd struct {
	Config  string `required:"" placeholder:"FILE" help:"The site file."`
	Dir     string `placeholder:"DIR" help:"Folder of the journal, in place of the site file's."`
	Socket  string `default:"/run/bayledger/bayledger.sock" env:"BAYLEDGER_SOCKET" placeholder:"PATH" help:"The local socket for bayledger ack and commission; none for no socket."`
	JSON    bool   `help:"Log as JSON lines."`
	Witness string `placeholder:"FILE" help:"Write the number of the last durable reading to this file or pipe after every commit."`

	Speed float64   `default:"1" help:"For practice with bayledger field on this machine: how many times faster than real time it goes."`
	Start time.Time `placeholder:"TIME" help:"For practice: RFC 3339 moment at which it begins; now if not given."`
}

// Run implements the command.
func (c *runCmd) Run(env *environment) error {
	cfg, err := loadSite(c.Config)
	if err != nil {
		return err
	}
	if problems := cfg.Runnable(); len(problems) > 0 {
		return sitefile.Mistakes{File: cfg.Name, Problems: problems}
	}
	clk, err := c.clock(cfg)
	if err != nil {
		return err
	}
	opts := agent.Options{Config: cfg, Dir: c.Dir, Clock: clk, Log: logger(env.Stderr, c.JSON, slog.LevelInfo), Version: version, Socket: c.Socket}
	if c.Socket == "none" {
		opts.Socket = ""
	}
	if opts.Notify, opts.Watchdog, err = serviceManager(opts.Log); err != nil {
		return err
	}
	if c.Witness != "" {
		w, err := os.OpenFile(c.Witness, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o644)
		if err != nil {
			return badInput(fmt.Errorf("--witness: %w", err))
		}
		defer w.Close()
		opts.Witness = w
	}
	// One slot: several hang-ups in a row are one wish to read the file again.
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	return agent.Serve(env.Ctx, opts, hangup, func() (*sitefile.Config, error) { return loadSite(c.Config) })
}

// clock is the machine's own, or that of a practice night, which must never watch a real field: its
// readings would be of other times.
func (c *runCmd) clock(cfg *sitefile.Config) (clock.Clock, error) {
	if c.Speed == 1 && c.Start.IsZero() {
		return clock.NewWatched(clock.This()), nil
	}
	if !(c.Speed > 0) {
		return nil, badInput(fmt.Errorf("--speed: %v is not possible; give a number above 0", c.Speed))
	}
	for _, l := range cfg.Modbus.Links {
		host, _, err := net.SplitHostPort(l.Address)
		if ip := net.ParseIP(host); err != nil || !ip.IsLoopback() {
			return nil, badInput(fmt.Errorf("--speed and --start are for practice with bayledger field on this machine, but link %s is %s; leave them out, or make the link's address one of 127.0.0.1", l.ID, l.Address))
		}
	}
	start := c.Start
	if start.IsZero() {
		start = time.Now()
	}
	return clock.NewScaled(start.UTC(), c.Speed), nil
}

// serviceManager lets the daemon tell systemd how it is, where the environment says that it
// listens (NOTIFY_SOCKET); watchdog reports whether it wants beats (WATCHDOG_USEC).
func serviceManager(log *slog.Logger) (notify func(state string), watchdog bool, err error) {
	limit, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		return nil, false, badInput(fmt.Errorf("WATCHDOG_USEC or WATCHDOG_PID of the environment: %w; leave both unset outside systemd", err))
	}
	var once sync.Once
	return func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			once.Do(func() { log.Warn("the service manager cannot be told; it may restart the daemon", "error", err) })
		}
	}, limit > 0, nil
}

// loadSite reads a site file; what is wrong with it, or that it is not there, is the user's to
// mend.
func loadSite(name string) (*sitefile.Config, error) {
	cfg, err := sitefile.LoadFile(name)
	if _, ok := errors.AsType[sitefile.Mistakes](err); err != nil && !ok {
		return nil, badInput(err)
	}
	return cfg, err
}

// logger writes for a terminal or a service manager, which adds the time itself where it is
// one; JSON is for those who collect logs.
func logger(w io.Writer, json bool, level slog.Level) *slog.Logger {
	o := &slog.HandlerOptions{Level: level}
	if json {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	if os.Getenv("JOURNAL_STREAM") != "" {
		o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey && len(groups) == 0 {
				return slog.Attr{}
			}
			return a
		}
		return slog.New(slog.NewTextHandler(w, o))
	}
	o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey && len(groups) == 0 {
			return slog.String(slog.TimeKey, a.Value.Time().Format(time.RFC3339))
		}
		return a
	}
	return slog.New(slog.NewTextHandler(w, o))
}
