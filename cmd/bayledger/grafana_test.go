package main

import (
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// grafanaBoard is what the test reads of a dashboard's JSON.
type grafanaBoard struct {
	UID, Title string
	Templating struct {
		List []struct {
			Name, Type string
			Query      any
		}
	}
	Links  []struct{ URL string }
	Panels []struct {
		Title   string
		Targets []struct {
			Datasource  struct{ Type, UID string }
			Expr, Query string
		}
	}
}

var labelValues = regexp.MustCompile(`^label_values\((.+), (\w+)\)$`)

// TestEndToEndGrafana asks every question of every panel of the dashboards in deploy/grafana of a
// real InfluxDB that the demo has filled and a real Prometheus that scrapes it, and each finds
// something. Grafana itself is not run: its variables are put in here as it would put them in.
func TestEndToEndGrafana(t *testing.T) {
	influx := servertest.Influx(t, servertest.InfluxOptions{})
	influx.CreateDatabase("bayledger")
	d := startDemo(t, "--influx", influx.URL)
	// As deploy/prometheus/prometheus.yml, faster.
	prom := servertest.Prometheus(t, fmt.Sprintf(`global: { scrape_interval: 1s }
scrape_configs:
  - job_name: bayledger
    honor_labels: true
    static_configs: [{ targets: [%q], labels: { site: harrowmere } }]
`, strings.TrimPrefix(d.base, "http://")), nil)

	// The time shown is the demo's night, the bay the one that leaks: where the overflow ran, nothing
	// is unexplained.
	fill := strings.NewReplacer("$timeFilter", "time >= '2026-07-14T16:00:00Z' AND time <= '2026-07-15T00:00:00Z'",
		"$__interval", "5m", "$__rate_interval", "20s", "${site:regex}", "harrowmere", "${bay:regex}", "B1", "$site", "harrowmere", "$court", "B", "$bay", "B1").Replace
	asked := func(expr string) (found int, err error) {
		var answer struct {
			Data struct{ Result []any }
		}
		err = fetch(prom.URL+"/api/v1/query?query="+url.QueryEscape(expr), &answer)
		return len(answer.Data.Result), err
	}
	finds := func(where string, ask func() (int, error)) {
		t.Helper()
		var n int
		var err error
		for end := time.Now().Add(patience); time.Now().Before(end); {
			if n, err = ask(); err == nil && n > 0 {
				return
			}
			select {
			case <-t.Context().Done():
			case <-time.After(200 * time.Millisecond): // the next scrape, the next write
			}
		}
		t.Errorf("%s finds nothing: %v", where, err)
	}

	files, err := filepath.Glob(filepath.Join("..", "..", "deploy", "grafana", "dashboards", "*.json"))
	require.NoError(t, err)
	require.Len(t, files, 4)
	uids, questions := map[string]bool{}, 0
	for _, path := range files {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		var b grafanaBoard
		require.NoError(t, json.Unmarshal(text, &b), path)
		for _, v := range b.Templating.List {
			if v.Type != "query" {
				continue
			}
			query, _ := v.Query.(string)
			parts := labelValues.FindStringSubmatch(query)
			require.NotNil(t, parts, "%s: $%s: %s", b.Title, v.Name, query)
			finds(b.Title+": $"+v.Name, func() (int, error) { return asked(fmt.Sprintf("count by (%s) (%s)", parts[2], fill(parts[1]))) })
		}
		require.NotEmpty(t, b.Panels)
		variables, links := fmt.Sprint(b.Templating.List), fmt.Sprint(b.Links)
		require.Contains(t, links, "${page}", b.Title)
		require.Contains(t, links, "${runbook}", b.Title)
		for _, name := range map[string][]string{"Site": {"site", "court", "bay"}, "Bay": {"site", "court", "bay"}, "Fleet": {"site"}, "Health of the watch": {"site"}}[b.Title] {
			require.Contains(t, variables, "{"+name+" query ", b.Title)
		}
		for _, p := range b.Panels {
			require.NotEmpty(t, p.Targets, "%s: %s asks nothing", b.Title, p.Title)
			for _, q := range p.Targets {
				where := fmt.Sprintf("%s: %s: %s%s", b.Title, p.Title, q.Expr, q.Query)
				uids[q.Datasource.UID] = true
				questions++
				require.NotRegexp(t, `\$[{_a-z]`, fill(q.Expr+q.Query), where)
				switch q.Datasource.Type {
				case "prometheus":
					finds(where, func() (int, error) { return asked(fill(q.Expr)) })
				case "influxdb":
					finds(where, func() (int, error) {
						series, err := influx.TryQuery("bayledger", fill(q.Query))
						return len(series), err
					})
				default:
					t.Errorf("%s: no data source %q", where, q.Datasource.Type)
				}
			}
		}
	}
	t.Logf("%d questions", questions)
	// Every data source a panel names is provisioned.
	sources, err := os.ReadFile(filepath.Join("..", "..", "deploy", "grafana", "provisioning", "datasources", "bayledger.yml"))
	require.NoError(t, err)
	for uid := range uids {
		require.Contains(t, string(sources), "uid: "+uid+"\n")
	}
}
