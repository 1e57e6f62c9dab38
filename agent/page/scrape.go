package page

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"syscall"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// MetricsHandler serves a registry for Prometheus. One value that cannot be made is logged and does
// not cost the others.
func MetricsHandler(r *prometheus.Registry, log *slog.Logger) http.Handler {
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError, Registry: r, ErrorLog: scrapeLog{log}})
}

// scrapeLog takes what promhttp has to say, but not of a scraper that has hung up: it counts that
// itself, and promhttp says it once for each family of metrics.
type scrapeLog struct{ log *slog.Logger }

// Println implements promhttp.Logger.
func (l scrapeLog) Println(v ...any) {
	for _, x := range v {
		err, _ := x.(error)
		if errors.Is(err, syscall.EPIPE) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, os.ErrDeadlineExceeded) {
			return
		}
	}
	l.log.Warn("scrape incomplete", "err", fmt.Sprint(v...))
}
