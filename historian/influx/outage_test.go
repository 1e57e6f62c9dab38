package influx_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"runtime"
	"slices"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/historian/influx"
)

var outage = flag.Float64("outage", 1, "days without a historian in TestEndToEndOutage; from 7 on the throughput decides")

// club is a site of 12 bays: four points of each and two of the site every 5 s.
type club struct {
	points []string
	places site.Places
}

func newClub() club {
	c := club{places: site.Places{}}
	for i := range 12 {
		bay := fmt.Sprintf("%c%d", 'A'+i/3, i%3+1)
		for _, q := range []site.Quantity{site.Level, site.Flow, site.Volume, site.ValveOpen} {
			info, _ := q.Info()
			id := bay + "-" + info.Short
			c.points = append(c.points, id)
			c.places[id] = site.Place{Quantity: q, Court: bay[:1], Bay: bay}
		}
	}
	for id, q := range map[string]site.Quantity{"main-flow": site.Flow, "main-meter": site.Volume} {
		c.places[id] = site.Place{Quantity: q}
	}
	c.points = append(c.points, "main-flow", "main-meter")
	return c
}

// poll is every point's sample of one 5 s interval, as sensors give them: whole tenths of a
// millimetre, whole litres.
func (c club) poll(dst []site.Sample, n int) []site.Sample {
	for i, p := range c.points {
		var v float64
		switch c.places[p].Quantity {
		case site.Level:
			v = math.Round(800+40*math.Sin(float64(n)/700+float64(i))+3*math.Sin(float64(n*7919%997))) / 1e4
		case site.Flow:
			v = float64((n/400+i)%7/6) * 0.0005
		case site.Volume:
			v = float64(1_000_000+n/3+i*100) / 1e4
		case site.ValveOpen:
			v = float64((n/400 + i) % 7 / 6)
		}
		dst = append(dst, site.Sample{Point: p, Time: noon.Add(time.Duration(n)*5*time.Second + time.Duration(i)*time.Millisecond), Value: v})
	}
	return dst
}

// TestEndToEndOutage fills a journal with days of a 12-bay site, lets a real InfluxDB come back,
// and forwards everything while new samples keep coming. Beside it the bare client sends the same
// points from memory, in equal batches and gzip.
func TestEndToEndOutage(t *testing.T) {
	c := newClub()
	polls := int(*outage * 17280)
	server := servertest.Influx(t, servertest.InfluxOptions{})
	server.CreateDatabase("pump")
	server.CreateDatabase("bare")
	j := openJournal(t, t.TempDir())
	o := influx.DefaultOptions("central", server.URL, "pump/raw")
	q, err := j.Queue(t.Context(), "influx/central", true)
	require.NoError(t, err)
	var batch []site.Sample
	for n := range polls { // the journal has no reason to sync each poll of a simulated week
		batch = c.poll(batch, n)
		if len(batch) >= 10_000 || n == polls-1 {
			_, err := j.Append(t.Context(), batch)
			require.NoError(t, err)
			batch = batch[:0]
		}
	}
	total := j.Last()
	require.EqualValues(t, polls*len(c.points), total)

	// The bare client first, with the server's caches as cold.
	bare := influxdb2.NewClientWithOptions(server.URL, "", influxdb2.DefaultOptions().SetPrecision(time.Millisecond).SetUseGZip(true))
	defer bare.Close()
	write := bare.WriteAPIBlocking("", "bare/raw")
	enc := influx.NewEncoder("club", func() site.Places { return c.places })
	began := time.Now()
	var lines []byte
	held := 0
	for n := range polls {
		batch = c.poll(batch[:0], n)
		for i, s := range batch {
			lines, err = enc.Append(lines, s)
			require.NoError(t, err)
			if held++; held == o.BatchSize || n == polls-1 && i == len(batch)-1 {
				require.NoError(t, write.WriteRecord(t.Context(), string(lines)))
				lines, held = lines[:0], 0
			}
		}
	}
	bareRate := float64(total) / time.Since(began).Seconds()

	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before, peak := m.HeapInuse, uint64(0)
	f, err := influx.New(o, "club", func() site.Places { return c.places }, q, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	began = time.Now()
	go func() { done <- f.Run(ctx) }()
	// The live edge: a poll is appended, and counts as seen when the server has its last sample.
	var lags []time.Duration
	live, limit := 0, time.After(15*time.Minute)
	var rate float64
	for behind := int64(1); behind > 0; {
		batch = c.poll(batch[:0], polls+live)
		live++
		_, err := j.Append(t.Context(), batch)
		require.NoError(t, err)
		newest := batch[len(batch)-1]
		appended := time.Now()
		for {
			select {
			case <-limit:
				t.Fatalf("still %d behind: %s", f.Status().Behind, f.Status().Trouble)
			case <-time.After(50 * time.Millisecond):
			}
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapInuse)
			got, err := server.TryQuery("pump", fmt.Sprintf(`SELECT value FROM metered_volume WHERE point = '%s' AND time = %dms`, newest.Point, newest.Time.UnixMilli()))
			if err == nil && len(got) > 0 {
				break
			}
		}
		lags = append(lags, time.Since(appended))
		if behind = f.Status().Behind; behind <= int64(len(c.points)) && rate == 0 {
			rate = float64(total) / time.Since(began).Seconds()
			behind = 0
		}
	}
	for f.Status().Behind > 0 {
		<-time.After(10 * time.Millisecond)
	}
	cancel()
	require.NoError(t, <-done)

	// Once, with original times: as many values as samples, and the sums of both ways agree.
	for measurement, quantity := range map[string]site.Quantity{"water_level": site.Level, "flow_rate": site.Flow, "metered_volume": site.Volume, "valve_open": site.ValveOpen} {
		want := 0
		for _, p := range c.places {
			if p.Quantity == quantity {
				want += polls + live
			}
		}
		require.Equal(t, want, server.Count("pump", measurement, "value"), measurement)
		sum := func(db string) json.Number {
			s := server.Query(db, fmt.Sprintf("SELECT sum(value) FROM %s WHERE time < %dms", measurement, noon.Add(time.Duration(polls)*5*time.Second).UnixMilli()))
			return s[0].Values[0][1].(json.Number)
		}
		a, err := sum("pump").Float64()
		require.NoError(t, err)
		b, err := sum("bare").Float64()
		require.NoError(t, err)
		require.InEpsilon(t, b+1, a+1, 1e-9, measurement)
	}
	slices.Sort(lags)
	grown := float64(max(peak, before)-before) / (1 << 20)
	t.Logf("%.3g days, %d samples: forwarded %.0f samples/s, the bare client %.0f (ratio %.2f); live samples arrived within %v (median %v of %d polls); heap grew by %.1f MB",
		*outage, total, rate, bareRate, rate/bareRate, lags[len(lags)-1].Round(time.Millisecond), lags[len(lags)/2].Round(time.Millisecond), len(lags), grown)
	require.Less(t, grown, 60.0, "memory is bounded whatever the backlog")
	if *outage >= 7 {
		require.GreaterOrEqual(t, rate/bareRate, 0.8)
	}
}
