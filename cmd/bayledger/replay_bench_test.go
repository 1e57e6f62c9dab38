package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// userTime is the user time the process has used.
func userTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano())
}

// longRecord writes scans of n bays, 10 s apart: levels that breathe with the day, a fill every
// few hours, weather every five minutes.
func longRecord(w io.Writer, n, scans int) error {
	b := bufio.NewWriterSize(w, 1<<20)
	fmt.Fprintln(b, "time,bay,level_mm,flow_lpm,meter_l,valve_open,setpoint_mm,temp_c,rh_pct,wind_ms,solar_wm2,rain_mm,supply_kpa,main_meter_l")
	start := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	total := make([]float64, n)
	main := 0.0
	var buf []byte
	for i := range scans {
		buf = start.Add(time.Duration(i)*10*time.Second).AppendFormat(buf[:0], time.RFC3339)
		sun := math.Max(0, math.Sin(2*math.Pi*(float64(i%8640)/8640-0.25)))
		for j := range n {
			phase := (i + 97*j) % 1440 // four hours
			open, flow := 0, 0.0
			level := 84.5 - 3.5*float64(phase)/1440
			if phase < 12 { // two minutes of water, then the chamber sinks
				open, flow = 1, 24
				total[j] += 4
				main += 4
			}
			if phase < 180 {
				level += 6 * math.Exp(-float64(phase)/60)
			}
			noise := float64((i*7919+j*104729)%1000)/1000 - 0.5
			fmt.Fprintf(b, "%s,%s,%.1f,%.1f,%.1f,%d,85,,,,,,,\n", buf, bayName(j), level+noise, flow, 1000+total[j], open)
		}
		if i%30 == 0 {
			fmt.Fprintf(b, "%s,,,,,,,%.1f,%.0f,%.1f,%.0f,0,310,%.0f\n", buf, 14+10*sun, 80-35*sun, 1+2*sun, 850*sun, 5000+main)
		}
	}
	return b.Flush()
}

func bayName(j int) string { return fmt.Sprintf("%c%d", 'A'+j/30, j%30+1) }

func longSite(n int) string {
	var b strings.Builder
	b.WriteString("site: { id: long, zone: Europe/Vienna, latitude: 47.6, longitude: 14.5 }\n" +
		"supply: { points: { meter: { pulse: 1 L }, pressure: {} } }\n" +
		"weather: { points: { temperature: {}, humidity: {}, wind: {}, solar: {}, rain: {} } }\n" +
		"defaults:\n  layers: [{ name: stone, depth: 110 mm, porosity: 0.3 }, { name: clay, depth: 25 mm, porosity: 0.06 }]\n" +
		"  overflow: { crest: 108 mm }\n  set_point: 85 mm\n  points: { level: {}, flow: {}, meter: { pulse: 0.1 L }, valve: {}, set_point: {} }\ncourts:\n")
	for j := range n {
		if j%30 == 0 {
			fmt.Fprintf(&b, "  - id: %c\n    bays:\n", 'A'+j/30)
		}
		fmt.Fprintf(&b, "      - { id: %s, area: 96 m2 }\n", bayName(j))
	}
	return b.String()
}

// BenchmarkReplay is the cost of a bay row through the whole of replay, at 6, 60 and 600 bays and
// with ten times the length, beside encoding/csv alone on the same file. cpu-ns/row is user time of
// the process, which a busy machine does not stretch. Run it with GOMAXPROCS=1; 180 days of six
// bays at 10 s are 9.3 million rows, so 2100 cpu-ns a row are 20 s.
func BenchmarkReplay(b *testing.B) {
	for _, c := range []struct{ bays, scans int }{{6, 8640}, {6, 86400}, {60, 8640}, {600, 864}} {
		dir := b.TempDir()
		config, data := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "data.csv")
		if err := os.WriteFile(config, []byte(longSite(c.bays)), 0o600); err != nil {
			b.Fatal(err)
		}
		var text bytes.Buffer
		if err := longRecord(&text, c.bays, c.scans); err != nil {
			b.Fatal(err)
		}
		if err := os.WriteFile(data, text.Bytes(), 0o600); err != nil {
			b.Fatal(err)
		}
		rows := float64(c.bays * c.scans)
		name := fmt.Sprintf("bays=%d/rows=%.0f", c.bays, rows)
		b.Run(name+"/replay", func(b *testing.B) {
			b.ReportAllocs()
			before := userTime(b)
			for b.Loop() {
				var errs bytes.Buffer
				if code := run(context.Background(), []string{"replay", "--config", config, data}, strings.NewReader(""), io.Discard, &errs); code != exitDone {
					b.Fatal(errs.String())
				}
			}
			b.ReportMetric(float64(userTime(b)-before)/float64(b.N)/rows, "cpu-ns/row")
		})
		b.Run(name+"/encoding-csv", func(b *testing.B) {
			before := userTime(b)
			for b.Loop() {
				readAll(b, bytes.NewReader(text.Bytes()))
			}
			b.ReportMetric(float64(userTime(b)-before)/float64(b.N)/rows, "cpu-ns/row")
		})
	}
}

// BenchmarkReplaySeason replays a whole season in a process of its own: six bays at 10 s for 180
// days (9.3 million bay rows), and a tenth of it, to show that memory does not grow with length.
// Beside it encoding/csv reads the same file in this process. GOMAXPROCS is 1 for both; cpu-s is
// user time.
func BenchmarkReplaySeason(b *testing.B) {
	dir := b.TempDir()
	program := filepath.Join(dir, "bayledger")
	if out, err := exec.CommandContext(b.Context(), "go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	config := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(config, []byte(longSite(6)), 0o600); err != nil {
		b.Fatal(err)
	}
	for _, days := range []int{18, 180} {
		data := filepath.Join(dir, "data.csv")
		f, err := os.Create(data)
		if err != nil {
			b.Fatal(err)
		}
		if err := errors.Join(longRecord(f, 6, days*8640), f.Close()); err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("days=%d/replay", days), func(b *testing.B) {
			for b.Loop() {
				cmd := exec.CommandContext(b.Context(), program, "replay", "--config", config, data)
				cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
				if err := cmd.Run(); err != nil {
					b.Fatal(err)
				}
				used := cmd.ProcessState.SysUsage().(*syscall.Rusage)
				b.ReportMetric(cmd.ProcessState.UserTime().Seconds(), "cpu-s")
				b.ReportMetric(float64(used.Maxrss)/1024, "peak-MiB")
			}
		})
		b.Run(fmt.Sprintf("days=%d/encoding-csv", days), func(b *testing.B) {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
			for b.Loop() {
				f, err := os.Open(data)
				if err != nil {
					b.Fatal(err)
				}
				before := userTime(b)
				readAll(b, f)
				b.ReportMetric((userTime(b) - before).Seconds(), "cpu-s")
				if err := f.Close(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// readAll reads a file as encoding/csv does.
func readAll(b *testing.B, from io.Reader) {
	r := csv.NewReader(from)
	r.ReuseRecord = true
	for {
		if _, err := r.Read(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			b.Fatal(err)
		}
	}
}
