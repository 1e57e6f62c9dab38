package hub

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/stretchr/testify/require"
)

// fleet is a hub that has heard so many sites of six bays with 44 points each.
func fleet(b *testing.B, sites int) (h *Hub, topic func(i int) string) {
	b.Helper()
	o := DefaultOptions()
	o.Broker = "tcp://127.0.0.1:1883"
	for i := range sites {
		o.Sites = append(o.Sites, fmt.Sprintf("club-%04d", i))
	}
	h, err := New(o, slog.New(slog.DiscardHandler))
	require.NoError(b, err)
	h.join()
	list, topics := "[", []string{}
	for bay := range 6 {
		for point := range 7 {
			list += fmt.Sprintf(`{"point":"B%d-p%d","bay":"B%d","court":"A","quantity":"water_level"},`, bay, point, bay)
			topics = append(topics, fmt.Sprintf("live/B%d/B%d-p%d", bay, bay, point))
		}
	}
	list += `{"point":"temp","bay":"","court":"","quantity":"air_temperature"},{"point":"rh","bay":"","court":"","quantity":"relative_humidity"}]`
	topics = append(topics, "live/site/temp", "live/site/rh")
	var accounts []string
	for bay := range 6 {
		var terms []string
		for _, term := range []string{"metered", "by_hand", "rain", "evaporated", "held", "unexplained"} {
			terms = append(terms, fmt.Sprintf(`{"term":%q,"l":1,"u_l":1}`, term))
		}
		day := "[" + strings.Join(terms, ",") + "]"
		accounts = append(accounts, fmt.Sprintf(`{"bay":"B%d","crest_mm":106,"settled":true,"today":%s,"yesterday":%s}`, bay, day, day))
	}
	status := strings.Replace(online, `"state"`, `"watch":{"links":[{"link":"field"}],"units":[{"link":"field","unit":"a"},{"link":"field","unit":"b"},{"link":"field","unit":"c"},{"link":"field","unit":"d"}],"sinks":[{"sink":"archive"},{"sink":"mqtt"}],"accounts":[`+
		strings.Join(accounts, ",")+`]},"state"`, 1)
	for _, id := range o.Sites {
		h.message("bayledger/"+id+"/points", []byte(list), true)
		h.message("bayledger/"+id+"/status", []byte(status), true)
		for _, t := range topics {
			h.message("bayledger/"+id+"/"+t, []byte(level), true)
		}
	}
	return h, func(i int) string { return "bayledger/" + o.Sites[i%sites] + "/" + topics[i/sites%len(topics)] }
}

// spent is the processor time of this process, which other work on the machine does not lengthen.
func spent() time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(syscall.RUSAGE_SELF, &u) // it cannot fail with these arguments
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkMessage is what one live value costs, whatever the number of sites.
func BenchmarkMessage(b *testing.B) {
	for _, sites := range []int{10, 100, 1000} {
		b.Run(fmt.Sprint(sites), func(b *testing.B) {
			h, topic := fleet(b, sites)
			i, from := 0, spent()
			for b.Loop() {
				h.message(topic(i), []byte(level), false)
				i++
			}
			b.ReportMetric(float64(spent()-from)/float64(i), "cpu-ns/op")
		})
	}
}

// BenchmarkScrape is what one scrape costs, and what the hub keeps for each site.
func BenchmarkScrape(b *testing.B) {
	for _, sites := range []int{10, 100, 1000} {
		b.Run(fmt.Sprint(sites), func(b *testing.B) {
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			h, _ := fleet(b, sites)
			runtime.GC()
			runtime.ReadMemStats(&after)
			registry := prometheus.NewRegistry()
			registry.MustRegister(h)
			page := promhttp.HandlerFor(registry, promhttp.HandlerOpts{DisableCompression: true})
			series, n, from := 0, 0, spent()
			for b.Loop() {
				w := httptest.NewRecorder()
				page.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
				series = strings.Count(w.Body.String(), "{site=") + strings.Count(w.Body.String(), "{bay=")
				n++
			}
			b.ReportMetric((spent()-from).Seconds()*1000/float64(n), "cpu-ms/op")
			b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/float64(sites), "B/site")
			b.ReportMetric(float64(series)/float64(sites), "series/site")
		})
	}
}
