package servertest

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// InfluxServer is an InfluxDB 1.8 with Flux enabled.
type InfluxServer struct {
	*Process
	// URL is the server's address for clients, such as http://127.0.0.1:18086.
	URL string
	// Username and Password are empty on a server without authentication.
	Username, Password string

	client http.Client
}

// InfluxOptions are what a test may want different.
type InfluxOptions struct {
	// Auth makes the server ask for the name "bay" and the password "ledger".
	Auth bool
	// CAFile, when set, is trusted by Query and by the readiness check: for a server that Env
	// makes speak TLS.
	CAFile string
	// Env are further settings in the server's own form, such as
	// INFLUXDB_HTTP_MAX_BODY_SIZE=1000.
	Env []string
}

// Influx starts an empty InfluxDB.
func Influx(t testing.TB, o InfluxOptions) *InfluxServer {
	t.Helper()
	path, dir := Program(t, "influxd"), t.TempDir()
	s := &InfluxServer{client: http.Client{Timeout: time.Minute}}
	scheme := "http://"
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		pool := x509.NewCertPool()
		if err != nil || !pool.AppendCertsFromPEM(pem) {
			t.Fatalf("servertest: %s holds no certificate (%v)", o.CAFile, err)
		}
		s.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}
		scheme = "https://"
	}
	s.Process = launch(t, func(int) *Process {
		ports := FreePorts(t, 2)
		s.URL = scheme + loopback(ports[0])
		env := []string{
			"INFLUXDB_DATA_DIR=" + filepath.Join(dir, "data"),
			"INFLUXDB_DATA_WAL_DIR=" + filepath.Join(dir, "wal"),
			"INFLUXDB_META_DIR=" + filepath.Join(dir, "meta"),
			"INFLUXDB_HTTP_BIND_ADDRESS=" + loopback(ports[0]),
			"INFLUXDB_BIND_ADDRESS=" + loopback(ports[1]),
			"INFLUXDB_REPORTING_DISABLED=true",
			"INFLUXDB_HTTP_FLUX_ENABLED=true",
			"INFLUXDB_HTTP_LOG_ENABLED=false",
			"INFLUXDB_MONITOR_STORE_ENABLED=false",
			"INFLUXDB_LOGGING_LEVEL=error",
		}
		if o.Auth {
			env = append(env, "INFLUXDB_HTTP_AUTH_ENABLED=true")
		}
		return &Process{name: "influxd", path: path, args: []string{"run", "-config", "/dev/null"},
			env: append(env, o.Env...), ready: Answers(&s.client, s.URL+"/ping")}
	})
	if o.Auth {
		s.Query("", "CREATE USER bay WITH PASSWORD 'ledger' WITH ALL PRIVILEGES")
		s.Username, s.Password = "bay", "ledger"
	}
	return s
}

// CreateDatabase makes a database whose default retention policy is "raw" and keeps everything.
func (s *InfluxServer) CreateDatabase(name string) {
	s.t.Helper()
	s.Query("", fmt.Sprintf("CREATE DATABASE %q WITH DURATION INF NAME \"raw\"", name))
}

// Series is one series of an answer to a query.
type Series struct {
	Name    string            `json:"name"`
	Tags    map[string]string `json:"tags"`
	Columns []string          `json:"columns"`
	// Values are rows in the order of Columns; numbers are json.Number, times milliseconds.
	Values [][]any `json:"values"`
}

// Query runs InfluxQL and returns the series of its first statement. An error of the server
// fails the test.
func (s *InfluxServer) Query(database, query string) []Series {
	s.t.Helper()
	series, err := s.TryQuery(database, query)
	if err != nil {
		s.t.Fatalf("servertest: %v", err)
	}
	return series
}

// TryQuery is Query for a server that may be down.
func (s *InfluxServer) TryQuery(database, query string) ([]Series, error) {
	form := url.Values{"q": {query}, "epoch": {"ms"}, "db": {database}}
	req, err := http.NewRequest(http.MethodPost, s.URL+"/query?"+form.Encode(), nil)
	if err != nil {
		return nil, err
	}
	if s.Username != "" {
		req.SetBasicAuth(s.Username, s.Password)
	}
	resp, err := s.client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("query %q: %w", query, err)
	}
	defer resp.Body.Close()
	var answer struct {
		Results []struct {
			Series []Series `json:"series"`
			Error  string   `json:"error"`
		} `json:"results"`
		Error string `json:"error"`
	}
	d := json.NewDecoder(resp.Body)
	d.UseNumber()
	if err := d.Decode(&answer); err != nil {
		return nil, fmt.Errorf("query %q: %s: %w", query, resp.Status, err)
	}
	switch {
	case answer.Error != "":
		return nil, fmt.Errorf("query %q: %s", query, answer.Error)
	case len(answer.Results) == 0:
		return nil, fmt.Errorf("query %q: %s without results", query, resp.Status)
	case answer.Results[0].Error != "":
		return nil, fmt.Errorf("query %q: %s", query, answer.Results[0].Error)
	}
	return answer.Results[0].Series, nil
}

// Count returns how many values a field of a measurement has in the database, over all series.
func (s *InfluxServer) Count(database, measurement, field string) int {
	s.t.Helper()
	series := s.Query(database, fmt.Sprintf("SELECT COUNT(%q) FROM %q", field, measurement))
	if len(series) == 0 {
		return 0
	}
	var n int
	if _, err := fmt.Sscan(fmt.Sprint(series[0].Values[0][1]), &n); err != nil {
		s.t.Fatalf("servertest: count of %s: %v", measurement, err)
	}
	return n
}

// VictoriaServer is a VictoriaMetrics, which takes InfluxDB's lines.
type VictoriaServer struct {
	*Process
	URL string
}

// Victoria starts an empty VictoriaMetrics that keeps everything.
func Victoria(t testing.TB) *VictoriaServer {
	t.Helper()
	path, dir := Program(t, "victoria-metrics"), t.TempDir()
	s := &VictoriaServer{}
	s.Process = launch(t, func(int) *Process {
		port := FreePorts(t, 1)[0]
		s.URL = "http://" + loopback(port)
		return &Process{name: "victoria-metrics", path: path, args: []string{
			"-storageDataPath=" + dir, "-httpListenAddr=" + loopback(port), "-retentionPeriod=100y",
			"-search.latencyOffset=0s", "-dedup.minScrapeInterval=1ms", "-loggerLevel=ERROR"},
			ready: Answers(http.DefaultClient, s.URL+"/health")}
	})
	return s
}

// VictoriaSeries is one line of an export.
type VictoriaSeries struct {
	Metric     map[string]string `json:"metric"`
	Values     []float64         `json:"values"`
	Timestamps []int64           `json:"timestamps"` // ms
}

// Export returns every series whose metric name matches, such as water_level_value.
func (s *VictoriaServer) Export(metric string) []VictoriaSeries {
	s.t.Helper()
	for _, path := range []string{"/internal/force_flush", "/api/v1/export?" + url.Values{"match[]": {metric}}.Encode()} {
		resp, err := http.Get(s.URL + path)
		if err != nil {
			s.t.Fatalf("servertest: %v", err)
		}
		defer resp.Body.Close()
		if resp.StatusCode/100 != 2 {
			s.t.Fatalf("servertest: GET %s: %s", path, resp.Status)
		}
		if path == "/internal/force_flush" {
			continue
		}
		var all []VictoriaSeries
		for d := json.NewDecoder(resp.Body); d.More(); {
			var one VictoriaSeries
			if err := d.Decode(&one); err != nil {
				s.t.Fatalf("servertest: export of %s: %v", metric, err)
			}
			all = append(all, one)
		}
		return all
	}
	return nil
}
