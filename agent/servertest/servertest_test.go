package servertest_test

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

func write(t *testing.T, base, lines string) (int, error) {
	t.Helper()
	client := http.Client{Timeout: 2 * time.Second}
	resp, err := client.Post(base+"/api/v2/write?bucket=pump&precision=ms", "text/plain", strings.NewReader(lines))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	_, err = io.ReadAll(resp.Body)
	return resp.StatusCode, err
}

func TestInfluxKeepsItsDataOverAnOutage(t *testing.T) {
	s := servertest.Influx(t, servertest.InfluxOptions{})
	s.CreateDatabase("pump")
	status, err := write(t, s.URL, "water_level,bay=A1 value=0.25 1785542400000")
	require.NoError(t, err)
	require.Equal(t, http.StatusNoContent, status)
	pid := s.Pid()
	s.Kill()
	require.ErrorIs(t, syscall.Kill(pid, 0), syscall.ESRCH, "the process is gone")
	_, err = s.TryQuery("pump", "SHOW MEASUREMENTS")
	require.Error(t, err)
	s.Start()
	require.Equal(t, 1, s.Count("pump", "water_level", "value"))
	require.Zero(t, s.Count("pump", "flow_rate", "value"))
}

func TestInfluxAsksForThePassword(t *testing.T) {
	s := servertest.Influx(t, servertest.InfluxOptions{Auth: true})
	s.CreateDatabase("pump")
	status, err := write(t, s.URL, "water_level,bay=A1 value=0.25 1785542400000")
	require.NoError(t, err)
	require.Equal(t, http.StatusUnauthorized, status)
}

func TestVictoriaTakesLines(t *testing.T) {
	s := servertest.Victoria(t)
	status, err := write(t, s.URL, "water_level,bay=A1 value=0.25 1785542400000")
	require.NoError(t, err)
	require.Equal(t, http.StatusNoContent, status)
	series := s.Export("water_level_value")
	require.Len(t, series, 1)
	require.Equal(t, []float64{0.25}, series[0].Values)
	require.Equal(t, []int64{1785542400000}, series[0].Timestamps)
	require.Equal(t, "A1", series[0].Metric["bay"])
}

func TestMosquittoKeepsRetainedMessagesOverARestart(t *testing.T) {
	s := servertest.Mosquitto(t, servertest.MosquittoOptions{Username: "bay", Password: "ledger"})
	client := func(name string, args ...string) (string, error) {
		args = append([]string{"-p", fmt.Sprint(s.Port), "-u", "bay", "-t", "a/b"}, args...)
		out, err := exec.Command(servertest.Program(t, name), args...).CombinedOutput()
		return string(out), err
	}
	out, err := client("mosquitto_pub", "-P", "ledger", "-m", "kept", "-r", "-q", "1")
	require.NoError(t, err, out)
	_, err = client("mosquitto_pub", "-P", "wrong", "-m", "kept")
	require.Error(t, err)
	s.Stop()
	s.Start()
	out, err = client("mosquitto_sub", "-P", "ledger", "-C", "1", "-W", "10")
	require.NoError(t, err, out)
	require.Equal(t, "kept\n", out)
}

func TestMosquittoSpeaksTLS(t *testing.T) {
	s := servertest.Mosquitto(t, servertest.MosquittoOptions{TLS: true})
	ca, err := os.ReadFile(s.CAFile)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(ca))
	conn, err := tls.Dial("tcp", strings.TrimPrefix(s.URL, "ssl://"), &tls.Config{RootCAs: pool})
	require.NoError(t, err)
	require.NoError(t, conn.Close())
}

func TestPrometheusAndAlertmanagerAreReady(t *testing.T) {
	a := servertest.Alertmanager(t, "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n", nil)
	p := servertest.Prometheus(t, "rule_files: [rules.yml]\nalerting: {alertmanagers: [{static_configs: [{targets: ['"+a.Addr+"']}]}]}\n",
		map[string]string{"rules.yml": "groups: [{name: g, rules: [{record: one, expr: vector(1)}]}]\n"})
	for _, url := range []string{p.URL + "/api/v1/rules", a.URL + "/api/v2/status"} {
		resp, err := http.Get(url)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, resp.StatusCode, url)
		require.NoError(t, resp.Body.Close())
	}
}

func TestProxyFailsAsItIsTold(t *testing.T) {
	s := servertest.Influx(t, servertest.InfluxOptions{})
	s.CreateDatabase("pump")
	p := servertest.NewProxy(t, s.URL)
	at := 0
	line := func() string { at++; return fmt.Sprintf("water_level,bay=A1 value=0.25 %d", 1785542400000+at) }
	for _, row := range []struct {
		name   string
		fault  servertest.Fault
		status int // 0: an error instead
		stored bool
	}{
		{"passes on", servertest.Fault{}, 204, true},
		{"drops", servertest.Fault{Drop: true}, 0, false},
		{"loses the answer", servertest.Fault{LoseAnswer: true}, 0, true},
		{"hangs", servertest.Fault{Hang: true}, 0, false},
		{"half an answer", servertest.Fault{HalfClose: true}, 0, false},
		{"waits", servertest.Fault{Delay: 50 * time.Millisecond}, 204, true},
		{"answers itself", servertest.Fault{Status: 503, Header: http.Header{"Retry-After": {"7"}}, Body: "down"}, 503, false},
	} {
		before := s.Count("pump", "water_level", "value")
		p.Set(row.fault)
		status, err := write(t, p.URL, line())
		if row.status == 0 {
			require.Error(t, err, row.name)
		} else {
			require.NoError(t, err, row.name)
			require.Equal(t, row.status, status, row.name)
		}
		want := before
		if row.stored {
			want++
		}
		require.Equal(t, want, s.Count("pump", "water_level", "value"), row.name)
	}
	require.Equal(t, 7, p.Requests())
	p.Clear()
	s.Stop()
	_, err := write(t, p.URL, line())
	require.Error(t, err, "a server that is down looks down")
}
