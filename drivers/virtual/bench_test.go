package virtual

import (
	"testing"
	"time"
)

// One day of six bays: 518 400 bay-steps at 1 s, 51 840 at 10 s. A scorecard's run is 14 days.
func BenchmarkDay(b *testing.B) {
	for _, step := range []time.Duration{time.Second, 10 * time.Second} {
		b.Run(step.String(), func(b *testing.B) {
			for b.Loop() {
				c := Default()
				c.Step = Span(step)
				f, err := New(c)
				if err != nil {
					b.Fatal(err)
				}
				f.Advance(c.Start.Add(24 * time.Hour))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(6*86400/step.Seconds()), "ns/baystep")
		})
	}
}
