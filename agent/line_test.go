package agent_test

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent"
	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// A line that goes dead is one alarm: what is read through it is folded under that, and both end
// when the line is back.
func TestDeadLineIsOneAlarm(t *testing.T) {
	c := virtual.Default()
	c.Start = evening
	f, err := virtual.New(c)
	require.NoError(t, err)
	clk := clock.NewStepped(evening, nil)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	serve := func(l net.Listener) (stop func()) {
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- virtual.NewSlave(f, clk, slog.New(slog.DiscardHandler), nil).ServeTCP(ctx, l) }()
		return func() { cancel(); require.NoError(t, <-ended) }
	}
	stop := serve(l)
	cfg := siteOf(t, c, l.Addr().String())
	require.Len(t, cfg.Modbus.Links, 1)
	line := cfg.Modbus.Links[0].ID
	for _, p := range cfg.Site.Points {
		require.Equal(t, line, p.Link, p.ID)
	}

	var mu sync.Mutex
	var events []site.Event
	play := clk.Work()
	a, err := agent.New(t.Context(), agent.Options{Config: cfg, Dir: t.TempDir(), Clock: clk, Log: slog.New(slog.DiscardHandler), CommitEvery: 10 * time.Second,
		OnEvent: func(e site.Event) {
			mu.Lock()
			events = append(events, e)
			mu.Unlock()
		}})
	require.NoError(t, err)
	require.NoError(t, a.Start())
	defer func() { require.NoError(t, a.Stop()) }()
	defer play()
	require.NoError(t, clk.Wait(t.Context(), evening.Add(5*time.Minute)))
	labels := `{link="` + line + `",site="` + c.Site + `"`
	m := scrape(t, a)
	require.Contains(t, m, "bayledger_link_up"+labels+"} 1\n")
	require.Contains(t, m, "bayledger_link_other_master"+labels+"} 0\n")
	for _, name := range []string{"unit_failed_requests_ratio", "unit_timeouts_ratio"} {
		require.Contains(t, m, "bayledger_"+name+labels+`,unit="court-a"} 0`+"\n")
	}
	for _, series := range []string{`unit_reply_seconds{link="` + line + `",percentile="99"`, `unit_start_delay_seconds{link="` + line + `",percentile="99"`} {
		require.Contains(t, m, "bayledger_"+series)
	}
	require.Contains(t, get(t, a.URL()), "How each unit answers")

	stop()
	require.NoError(t, clk.Wait(t.Context(), evening.Add(25*time.Minute)))
	m = scrape(t, a)
	require.Contains(t, m, "bayledger_link_up"+labels+"} 0\n")
	require.NotContains(t, m, "bayledger_unit_failed_requests_ratio"+labels+`,unit="court-a"} 0`+"\n")
	var told, folded []string
	mu.Lock()
	for _, e := range events {
		if e.State != site.Raised {
			continue
		}
		what := string(e.Kind) + " " + e.Bay + " " + e.Subject
		if e.CauseID == "" {
			told = append(told, what)
		} else {
			folded = append(folded, what)
		}
	}
	mu.Unlock()
	slices.Sort(folded)
	require.Equal(t, []string{string(site.LinkDown) + "  " + line}, told)
	require.Equal(t, []string{"no-data  court-a", "no-data  court-b", "no-data  pump-io", "no-data  weather-station"}, folded)

	l, err = net.Listen("tcp", l.Addr().String())
	require.NoError(t, err)
	defer serve(l)()
	require.NoError(t, clk.Wait(t.Context(), evening.Add(45*time.Minute)))
	for _, al := range a.View().Alarms {
		require.False(t, al.Present, "%+v", al.Now)
	}
}

func scrape(t *testing.T, a *agent.Agent) string { return get(t, a.URL()+"/metrics") }

func get(t *testing.T, url string) string {
	t.Helper()
	r, err := http.Get(url)
	require.NoError(t, err)
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	return string(text)
}
