package main

import (
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// TestPackagingOpsStack starts the ops side as deploy/ops-stack.sh does on loopback, sends one
// club to it with the credentials the script has made, and finds it in the historian and in
// Prometheus.
func TestPackagingOpsStack(t *testing.T) {
	t.Parallel()
	for _, p := range []string{"influxd", "mosquitto", "mosquitto_passwd", "prometheus", "prometheus-alertmanager", "curl"} {
		servertest.Program(t, p)
	}
	dir := t.TempDir()
	sites := filepath.Join(dir, "sites")
	require.NoError(t, os.WriteFile(sites, []byte("harrowmere # the virtual club\n"), 0o600))
	folder := filepath.Join(dir, "stack")
	self, err := os.Executable()
	require.NoError(t, err)
	port := freeRow(t, 7)
	cmd := exec.Command("sh", "../../deploy/ops-stack.sh", folder, sites, strconv.Itoa(port))
	cmd.Env = append(os.Environ(), asProgram, "BAYLEDGER="+self)
	var log servertest.Log
	cmd.Stdout, cmd.Stderr = &log, &log
	ended := start(t, cmd)
	eventually(t, func() bool { return strings.HasSuffix(log.String(), "ready\n") }, ended, &log)

	secret := "file:" + filepath.Join(folder, "credentials", "harrowmere")
	token := filepath.Join(dir, "token")
	password, err := os.ReadFile(strings.TrimPrefix(secret, "file:"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(token, []byte("harrowmere:"+string(password)), 0o600))
	config := siteFor(t, dir, startField(t), filepath.Join(dir, "journal"), fmt.Sprintf(
		"mqtt: { broker: \"tcp://127.0.0.1:%d\", username: harrowmere, password: %q }\ninfluxdb: [ { id: archive, url: \"http://127.0.0.1:%d\", bucket: courts, token: \"file:%s\" } ]\n", port+2, secret, port, token))
	inside(t, "run", "--config", config, "--socket", "none")
	prometheus := fmt.Sprintf("http://127.0.0.1:%d", port+5)
	eventually(t, func() bool {
		return instant(t, prometheus, `sum(bayledger_hub_site_up{site="harrowmere"})`) == 2
	}, ended, &log)
	admin, err := os.ReadFile(filepath.Join(folder, "credentials", "influx-admin"))
	require.NoError(t, err)
	historian := &servertest.InfluxServer{}
	historian.URL, historian.Username, historian.Password = fmt.Sprintf("http://127.0.0.1:%d", port), "admin", string(admin)
	eventually(t, func() bool {
		series, err := historian.TryQuery("courts", `SELECT COUNT("value") FROM "water_level" WHERE site = 'harrowmere'`)
		return err == nil && len(series) == 1
	}, ended, &log)
	resp, err := http.Get(prometheus + "/api/v1/alertmanagers")
	require.NoError(t, err)
	resp.Body.Close()
	require.Equal(t, http.StatusOK, resp.StatusCode)

	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, <-ended, log.String())
}

// freeRow is the first of n free ports in a row.
func freeRow(t *testing.T, n int) int {
	t.Helper()
	for range 100 {
		first := servertest.FreePorts(t, 1)[0]
		if first+n < 65536 && free(first, n) {
			return first
		}
	}
	t.Fatal("no row of free ports")
	return 0
}

func free(first, n int) bool {
	for p := first; p < first+n; p++ {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", p))
		if err != nil {
			return false
		}
		l.Close()
	}
	return true
}
