package recorded_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"testing"
	"time"

	"bayledger/drivers/recorded"
)

// recording writes n scans of six bays and a site row in every thirtieth, 10 s apart.
func recording(tb testing.TB, scans int) []byte {
	tb.Helper()
	var b bytes.Buffer
	b.WriteString(fullHeader)
	now := at("2025-05-01T00:00:00Z")
	for i := range scans {
		stamp := now.Add(time.Duration(i) * 10 * time.Second).Format(time.RFC3339)
		for j, bay := range []string{"A1", "A2", "A3", "B1", "B2", "B3"} {
			fmt.Fprintf(&b, "%s,%s,%.1f,%.1f,%.2f,%d,%.1f,,,,,,,\n", stamp, bay, 60+float64((i*7+j)%50)/10, float64(i%3)*6.1, 173922.5+float64(i)*0.25, i%2, 87.5)
		}
		if i%30 == 0 {
			fmt.Fprintf(&b, "%s,,,,,,,15.7,80,0.5,0,0.0,345,4941249\n", stamp)
		}
	}
	return b.Bytes()
}

// BenchmarkSamples against the row splitting of the standard library alone on the same bytes:
// what a reader built on it could at best cost.
func BenchmarkSamples(b *testing.B) {
	data := recording(b, 20000)
	b.Run("samples", func(b *testing.B) {
		b.SetBytes(int64(len(data)))
		b.ReportAllocs()
		for b.Loop() {
			s, err := recorded.Open(bytes.NewReader(data), "-")
			if err != nil {
				b.Fatal(err)
			}
			st := clubOf(b, s.Survey(), "A1", "A2", "A3", "B1", "B2", "B3")
			for _, err := range s.Samples(st) {
				if err != nil {
					b.Fatal(err)
				}
			}
		}
	})
	b.Run("encoding-csv", func(b *testing.B) {
		b.SetBytes(int64(len(data)))
		b.ReportAllocs()
		for b.Loop() {
			r := csv.NewReader(bytes.NewReader(data))
			r.ReuseRecord = true
			for {
				if _, err := r.Read(); err == io.EOF {
					break
				} else if err != nil {
					b.Fatal(err)
				}
			}
		}
	})
}
