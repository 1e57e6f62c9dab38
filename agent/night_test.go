package agent_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/relay"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
	"bayledger/drivers/virtual"
)

// evening is 18:00 of a summer day at the invented club.
var evening = time.Date(2026, 7, 15, 16, 0, 0, 0, time.UTC)

// serveField serves a pump house over Modbus TCP until the test ends and returns its address.
func serveField(t *testing.T, f *virtual.Field, clk clock.Clock, witness io.Writer) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- virtual.NewSlave(f, clk, slog.New(slog.DiscardHandler), witness).ServeTCP(ctx, l)
	}()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return l.Addr().String()
}

// siteOf is the site file of a pump house that is reached at an address.
func siteOf(t *testing.T, c virtual.Config, address string) *sitefile.Config {
	t.Helper()
	text, err := virtual.SiteYAML(c, virtual.TCPLine(address))
	require.NoError(t, err)
	cfg, problems := sitefile.Load([]byte(text), "site.yaml")
	require.Empty(t, problems)
	cfg.Page.Listen = "127.0.0.1:0"
	return cfg
}

// Every reading taken stands in a real InfluxDB with the moment and the value the field served it
// with, while a real Mosquitto is published to.
func TestEndToEndHistorianAndBroker(t *testing.T) {
	c := virtual.Default()
	c.Start = evening
	f, err := virtual.New(c)
	require.NoError(t, err)
	clk := clock.NewStepped(evening, nil)
	var witness bytes.Buffer
	cfg := siteOf(t, c, serveField(t, f, clk, &witness))
	db := servertest.Influx(t, servertest.InfluxOptions{})
	db.CreateDatabase("courts")
	cfg.Influx = append(cfg.Influx, agent.InfluxAt(db.URL, "courts"))
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	o := relay.DefaultOptions()
	o.Broker, o.Flush = broker.URL, true
	cfg.MQTT = &o

	play := clk.Work()
	a, err := agent.New(t.Context(), agent.Options{Config: cfg, Dir: t.TempDir(), Clock: clk, Log: slog.New(slog.DiscardHandler), CommitEvery: 10 * time.Second})
	require.NoError(t, err)
	require.NoError(t, a.Start())
	defer func() { require.NoError(t, a.Stop()) }()
	require.NoError(t, a.Online(t.Context()))
	require.NoError(t, clk.Wait(t.Context(), evening.Add(20*time.Minute)))
	defer play()
	require.Positive(t, a.Published())

	n := a.Counters()
	require.Positive(t, n.Journaled)
	require.Equal(t, n.Samples, n.Journaled)
	count := func() (sum int64) {
		for _, q := range site.Quantities {
			sum += int64(db.Count("courts", string(q.Quantity), "value"))
		}
		return sum
	}
	require.Eventually(t, func() bool { return count() == n.Journaled }, time.Minute, 200*time.Millisecond)

	stored := map[string]float64{} // "point ms" -> value
	for _, q := range site.Quantities {
		for _, s := range db.Query("courts", fmt.Sprintf("SELECT value FROM %q GROUP BY point, site", q.Quantity)) {
			require.Equal(t, c.Site, s.Tags["site"])
			for _, row := range s.Values {
				at, err := strconv.ParseInt(fmt.Sprint(row[0]), 10, 64)
				require.NoError(t, err)
				v, err := strconv.ParseFloat(fmt.Sprint(row[1]), 64)
				require.NoError(t, err)
				stored[fmt.Sprintf("%s %d", s.Tags["point"], at)] = v
			}
		}
	}
	require.Len(t, stored, int(n.Journaled))
	// A joined request reads more than is due, so the field has served more than was taken; but
	// what is stored was served, at that moment and with that value.
	served := map[string]float64{}
	for line := range strings.Lines(witness.String()) {
		parts := strings.Split(strings.TrimSpace(line), ",")
		at, err := time.Parse(time.RFC3339Nano, parts[0])
		require.NoError(t, err)
		if served[fmt.Sprintf("%s %d", parts[1], at.UnixMilli())], err = strconv.ParseFloat(parts[3], 64); err != nil {
			require.NoError(t, err)
		}
	}
	for key, got := range stored {
		want, ok := served[key]
		require.True(t, ok, "stored and not served: %s", key)
		require.InDelta(t, want, got, 1e-9*max(1, want), key)
	}
	// And nothing that was due is missing: every point at each of its intervals.
	due := 0
	for _, p := range cfg.Site.Points {
		due += int(20 * time.Minute / p.Interval)
	}
	require.InDelta(t, due, len(stored), float64(2*len(cfg.Site.Points)), "the first and the last moment may fall outside")
}
