package page

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"syscall"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

// A value that cannot be made is logged and costs itself only; a scraper that hangs up is not
// logged once for each family.
func TestMetricsHandler(t *testing.T) {
	var log strings.Builder
	r := prometheus.NewRegistry()
	good := prometheus.NewGauge(prometheus.GaugeOpts{Name: "good", Help: "x"})
	r.MustRegister(good, broken{})
	h := MetricsHandler(r, slog.New(slog.NewTextHandler(&log, nil)))
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), "good 0")
	require.Equal(t, 1, strings.Count(log.String(), "cannot be made"))

	log.Reset()
	for _, err := range []error{syscall.EPIPE, syscall.ECONNRESET} {
		gone := &goneWriter{header: http.Header{}, err: fmt.Errorf("write: %w", &net.OpError{Op: "write", Err: err})}
		only := prometheus.NewRegistry()
		only.MustRegister(prometheus.NewGauge(prometheus.GaugeOpts{Name: "one", Help: "x"}), prometheus.NewGauge(prometheus.GaugeOpts{Name: "two", Help: "x"}))
		MetricsHandler(only, slog.New(slog.NewTextHandler(&log, nil))).ServeHTTP(gone, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		require.Positive(t, gone.tries)
	}
	require.Empty(t, log.String())
}

type broken struct{}

func (broken) Describe(chan<- *prometheus.Desc) {}
func (broken) Collect(ch chan<- prometheus.Metric) {
	ch <- prometheus.NewInvalidMetric(prometheus.NewDesc("broken", "x", nil, nil), errors.New("cannot be made"))
}

// goneWriter is a connection whose other end has hung up.
type goneWriter struct {
	header http.Header
	err    error
	tries  int
}

func (g *goneWriter) Header() http.Header       { return g.header }
func (g *goneWriter) WriteHeader(int)           {}
func (g *goneWriter) Write([]byte) (int, error) { g.tries++; return 0, g.err }
