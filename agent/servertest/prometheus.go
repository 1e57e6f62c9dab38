package servertest

import (
	"net/http"
	"path/filepath"
	"testing"
)

// PrometheusServer is a Prometheus with its own time series.
type PrometheusServer struct {
	*Process
	URL string
	// Dir holds the configuration; a test may write rule files beside it before a reload
	// (POST URL/-/reload).
	Dir string
}

// Prometheus starts a Prometheus. config is the text of prometheus.yml; files are further files
// by name, such as rules, which the configuration names relative to itself. flags are added to
// the command line. Its targets appear some seconds after it is ready, and an alert that fires
// before it has found its Alertmanager is sent again only after --rules.alert.resend-delay:
// wait for the series up, and give 1s as that delay.
func Prometheus(t testing.TB, config string, files map[string]string, flags ...string) *PrometheusServer {
	t.Helper()
	path, dir := Program(t, "prometheus"), t.TempDir()
	writeFile(t, filepath.Join(dir, "prometheus.yml"), config)
	for name, text := range files {
		writeFile(t, filepath.Join(dir, name), text)
	}
	s := &PrometheusServer{Dir: dir}
	s.Process = launch(t, func(int) *Process {
		addr := loopback(FreePorts(t, 1)[0])
		s.URL = "http://" + addr
		args := []string{"--config.file=" + filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path=" + filepath.Join(dir, "tsdb"),
			"--web.listen-address=" + addr, "--web.enable-lifecycle", "--log.level=error"}
		return &Process{name: "prometheus", path: path, args: append(args, flags...), ready: Answers(http.DefaultClient, s.URL+"/-/ready")}
	})
	return s
}

// AlertmanagerServer is an Alertmanager without cluster.
type AlertmanagerServer struct {
	*Process
	URL string
	// Addr is host:port, the form Prometheus wants in its configuration.
	Addr string
}

// Alertmanager starts an Alertmanager. config is the text of alertmanager.yml, files further
// files by name, such as templates.
func Alertmanager(t testing.TB, config string, files map[string]string, flags ...string) *AlertmanagerServer {
	t.Helper()
	path, dir := Program(t, "prometheus-alertmanager", "alertmanager"), t.TempDir()
	writeFile(t, filepath.Join(dir, "alertmanager.yml"), config)
	for name, text := range files {
		writeFile(t, filepath.Join(dir, name), text)
	}
	s := &AlertmanagerServer{}
	s.Process = launch(t, func(int) *Process {
		s.Addr = loopback(FreePorts(t, 1)[0])
		s.URL = "http://" + s.Addr
		args := []string{"--config.file=" + filepath.Join(dir, "alertmanager.yml"), "--storage.path=" + filepath.Join(dir, "data"),
			"--web.listen-address=" + s.Addr, "--cluster.listen-address=", "--log.level=error"}
		return &Process{name: "alertmanager", path: path, args: append(args, flags...), ready: Answers(http.DefaultClient, s.URL+"/-/ready")}
	})
	return s
}
