package hub

import (
	"fmt"
	"log/slog"
	"runtime"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
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
	for _, id := range o.Sites {
		h.message("bayledger/"+id+"/points", []byte(list), true)
		h.message("bayledger/"+id+"/status", []byte(online), true)
		for _, t := range topics {
			h.message("bayledger/"+id+"/"+t, []byte(level), true)
		}
	}
	return h, func(i int) string { return "bayledger/" + o.Sites[i%sites] + "/" + topics[i/sites%len(topics)] }
}

// BenchmarkMessage is what one live value costs, whatever the number of sites.
func BenchmarkMessage(b *testing.B) {
	for _, sites := range []int{10, 100, 1000} {
		b.Run(fmt.Sprint(sites), func(b *testing.B) {
			h, topic := fleet(b, sites)
			i := 0
			for b.Loop() {
				h.message(topic(i), []byte(level), false)
				i++
			}
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
			series := 0
			for b.Loop() {
				ch := make(chan prometheus.Metric, 1000)
				go func() { h.Collect(ch); close(ch) }()
				series = 0
				for range ch {
					series++
				}
			}
			b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/float64(sites), "B/site")
			b.ReportMetric(float64(series)/float64(sites), "series/site")
		})
	}
}
