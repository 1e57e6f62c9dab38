package journal

import (
	"bufio"
	"context"
	"database/sql"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"bayledger/agent/site"
)

// poll is one poll of bays as sensors give them: level, flow, meter and valve of each bay, and
// main flow, main meter and pressure.
func poll(dst []site.Sample, bays, n int, at time.Time) []site.Sample {
	for b := range bays {
		level := math.Round(800+40*math.Sin(float64(n)/700+float64(b))+3*math.Sin(float64(n*7919%997))) / 1e4
		open := float64((n/400 + b) % 7 / 6)
		bay := strconv.Itoa(b)
		dst = append(dst, good(bay+"-level", at, level), good(bay+"-flow", at, open*0.0005),
			good(bay+"-meter", at, float64(1_000_000+n/3+b*100)/1e4), good(bay+"-valve", at, open))
	}
	return append(dst, good("main-flow", at, 0.0005), good("main-meter", at, float64(2_000_000+n)/1e3), good("pressure", at, 310_000+float64(n%50)*100))
}

// written is what the kernel says this process has sent towards the disk.
func written(b *testing.B) int64 {
	f, err := os.Open("/proc/self/io")
	require.NoError(b, err)
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if text, ok := strings.CutPrefix(lines.Text(), "write_bytes: "); ok {
			n, err := strconv.ParseInt(text, 10, 64)
			require.NoError(b, err)
			return n
		}
	}
	b.Fatal("the kernel does not count what is written")
	return 0
}

// processor is the processor time this process has used: a figure that other work on the machine
// does not change.
func processor(b *testing.B) time.Duration {
	var u unix.Rusage
	require.NoError(b, unix.Getrusage(unix.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkCard is what a six-bay site polled every 5 s writes to its card a day, by the commit
// interval: batches, roll-up, positions and the core's snapshots (30 kB every ten minutes).
func BenchmarkCard(b *testing.B) {
	for _, every := range []time.Duration{time.Second, 5 * time.Second, time.Minute} {
		b.Run(every.String(), func(b *testing.B) {
			o := DefaultOptions(b.TempDir())
			j, err := Open(b.Context(), o)
			require.NoError(b, err)
			q, err := j.Queue(b.Context(), "archive", true)
			require.NoError(b, err)
			state := make([]byte, 30_000)
			before, at, n, samples := written(b), noon, 0, int64(0)
			var batch []site.Sample
			for b.Loop() {
				at = at.Add(every)
				batch = batch[:0]
				if every < 5*time.Second { // the units' polls are spread over the interval
					all := poll(nil, 6, n/5, at)
					batch = append(batch, all[n%5*len(all)/5:(n%5+1)*len(all)/5]...)
					n++
				} else {
					for t := at.Add(-every); t.Before(at); t = t.Add(5 * time.Second) {
						batch = poll(batch, 6, n, t)
						n++
					}
				}
				_, err := j.Append(b.Context(), batch)
				require.NoError(b, err)
				samples += int64(len(batch))
				require.NoError(b, q.Ack(b.Context(), j.Last()))
				if at.Sub(at.Truncate(10*time.Minute)) < every {
					require.NoError(b, j.PutSnapshot(b.Context(), Snapshot{Name: "core", At: Position{Seq: j.Last()}, Time: at, Data: state}))
				}
			}
			require.NoError(b, j.Close())
			b.ReportMetric(float64(written(b)-before)/float64(b.N)*float64(24*time.Hour/every)/1e6, "MB/day")
			info, err := os.Stat(j.path(samplesFile))
			require.NoError(b, err)
			b.ReportMetric(float64(info.Size())/float64(samples), "bytes/sample")
		})
	}
}

// BenchmarkAppend is one poll of a 12-bay site made durable by the journal, roll-up and positions
// included, and then the same rows in one table of bare SQLite in an equal transaction: turn about,
// so that other work on the machine costs both the same.
func BenchmarkAppend(b *testing.B) {
	j, err := Open(b.Context(), DefaultOptions(b.TempDir()))
	require.NoError(b, err)
	db, err := sql.Open("sqlite", dsn(b.TempDir()+"/bare.db", settings{fresh: true, synchronous: "FULL", walLimit: 8 << 20}))
	require.NoError(b, err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec("CREATE TABLE samples (seq INTEGER PRIMARY KEY, point INTEGER, t INTEGER, value REAL, quality INTEGER)")
	require.NoError(b, err)
	bare := func(batch []site.Sample) error {
		tx, err := db.Begin()
		if err != nil {
			return err
		}
		insert, err := tx.Prepare("INSERT INTO samples (point, t, value, quality) VALUES (?, ?, ?, 0)")
		if err != nil {
			return err
		}
		for i, s := range batch {
			if _, err := insert.Exec(i, s.Time.UnixMilli(), s.Value); err != nil {
				return err
			}
		}
		return tx.Commit()
	}
	ours := func(batch []site.Sample) error {
		_, err := j.Append(b.Context(), batch)
		return err
	}
	var batch []site.Sample
	var wall, cpu [2]time.Duration
	n := 0
	for b.Loop() {
		batch = poll(batch[:0], 12, n, noon.Add(time.Duration(n)*5*time.Second))
		n++
		for i, store := range []func([]site.Sample) error{ours, bare} {
			began, used := time.Now(), processor(b)
			require.NoError(b, store(batch))
			wall[i] += time.Since(began)
			cpu[i] += processor(b) - used
		}
	}
	for i, who := range []string{"journal", "bare"} {
		b.ReportMetric(float64(len(batch)*n)/wall[i].Seconds(), who+"-samples/s")
		b.ReportMetric(float64(cpu[i].Microseconds())/float64(n), who+"-cpu-us/poll")
	}
	require.NoError(b, j.Close())
	require.NoError(b, db.Close())
}

// BenchmarkQuery asks what page and reports ask of a 12-bay site with 90 days in the journal. It
// is filled with a sample a minute: queries read the rolled-up tables, which have as many buckets
// then as with one every 5 s.
func BenchmarkQuery(b *testing.B) {
	o := DefaultOptions(b.TempDir())
	o.synchronous = "OFF"
	j, err := Open(b.Context(), o)
	require.NoError(b, err)
	const days = 90
	var batch []site.Sample
	for n := range days * 24 * 60 {
		if batch = poll(batch, 12, n, noon.Add(time.Duration(n)*time.Minute)); len(batch) >= 3000 {
			_, err := j.Append(b.Context(), batch)
			require.NoError(b, err)
			batch = batch[:0]
		}
	}
	require.NoError(b, j.Maintain(b.Context()))
	end := noon.Add(days * 24 * time.Hour)
	for _, c := range []struct {
		name string
		from time.Time
		step time.Duration
	}{
		{"24 hours by the minute", end.Add(-24 * time.Hour), time.Minute},
		{"24 hours by five minutes", end.Add(-24 * time.Hour), 5 * time.Minute},
		{"90 days by the hour", end.Add(-days * 24 * time.Hour), time.Hour},
		{"90 days by the day", end.Add(-days * 24 * time.Hour), 24 * time.Hour},
	} {
		b.Run(c.name, func(b *testing.B) {
			before := processor(b)
			defer func() { b.ReportMetric(float64((processor(b)-before).Microseconds())/1e3/float64(b.N), "cpu-ms/op") }()
			for b.Loop() {
				buckets, err := j.Series(context.Background(), "7-level", c.from, end, c.step)
				require.NoError(b, err)
				require.Len(b, buckets, int(end.Sub(c.from)/c.step), fmt.Sprint(c.name))
			}
		})
	}
	require.NoError(b, j.Close())
}
