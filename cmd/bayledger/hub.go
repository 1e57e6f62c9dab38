package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"golang.org/x/sync/errgroup"

	"bayledger/agent/hub"
	"bayledger/agent/page"
)

// hubCmd hears many sites over MQTT and serves their metrics.
type hubCmd struct {
	Broker      string        `required:"" placeholder:"URL" help:"tcp://host:1883, with TLS ssl://host:8883."`
	Sites       string        `required:"" placeholder:"FILE" help:"Ids of the sites there are, one a line; # begins a comment. Others are refused."`
	Prefix      []string      `default:"bayledger" help:"First part of the topics to hear; repeat it for several."`
	Listen      string        `default:"127.0.0.1:9100" placeholder:"HOST:PORT" help:"Address of /metrics and /healthz."`
	Username    string        `placeholder:"NAME" help:"User at the broker."`
	Password    string        `placeholder:"FILE" help:"File that holds the user's password."`
	CA          string        `name:"ca" placeholder:"FILE" help:"Certificates the broker's must lead to, in place of the system's."`
	Cert        string        `placeholder:"FILE" help:"The hub's own certificate."`
	Key         string        `placeholder:"FILE" help:"Key of it."`
	SilentAfter time.Duration `default:"5m" help:"How long nothing may come from a site before it counts as silent."`
	JSON        bool          `help:"Log as JSON lines."`
}

// Run implements the command.
func (c *hubCmd) Run(env *environment) error {
	sites, err := readSites(c.Sites)
	if err != nil {
		return badInput(err)
	}
	o := hub.DefaultOptions()
	o.Broker, o.Sites, o.Prefixes, o.Username, o.SilentAfter = c.Broker, sites, c.Prefix, c.Username, c.SilentAfter
	o.CAFile, o.CertFile, o.KeyFile = c.CA, c.Cert, c.Key
	if c.Password != "" {
		o.Password = func() (string, error) {
			text, err := os.ReadFile(c.Password)
			return strings.TrimRight(string(text), "\r\n"), err
		}
	}
	log := logger(env.Stderr, c.JSON, slog.LevelInfo)
	h, err := hub.New(o, log)
	if err != nil {
		return err
	}
	registry := prometheus.NewRegistry()
	for _, collector := range []prometheus.Collector{h, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})} {
		if err := registry.Register(collector); err != nil {
			return err
		}
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", page.MetricsHandler(registry, log))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	server := &http.Server{Handler: mux, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
	page.ServerTimeouts(server)
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return badInput(fmt.Errorf("--listen: %w; another program may use this address", err))
	}
	log.Info("serving", "metrics", "http://"+l.Addr().String()+"/metrics", "sites", len(sites))
	notify, _, err := serviceManager(log)
	if err != nil {
		return err
	}
	notify("READY=1")

	g, ctx := errgroup.WithContext(env.Ctx)
	g.Go(func() error { return h.Run(ctx) })
	g.Go(func() error {
		if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return err
		}
		return nil
	})
	g.Go(func() error {
		<-ctx.Done()
		notify("STOPPING=1")
		stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 4*time.Second)
		defer cancel()
		return server.Shutdown(stop)
	})
	return g.Wait()
}

// readSites reads a list of ids.
func readSites(name string) (ids []string, err error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := bufio.NewScanner(f)
	for s.Scan() {
		line, _, _ := strings.Cut(s.Text(), "#")
		ids = append(ids, strings.Fields(line)...)
	}
	return ids, s.Err()
}
