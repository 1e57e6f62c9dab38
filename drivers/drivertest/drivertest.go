// Package drivertest is the contract that every driver passes, whatever it reads: each point's
// sample at each of its intervals, good or bad with the reason; moments strictly increasing,
// UTC, whole milliseconds; a stop that is prompt and leaves nothing behind.
//
// A driver's test calls Run with what it takes to make one before a field that answers and one
// before a field that does not.
package drivertest

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// Driver is what is tested.
type Driver interface {
	// Run hands samples to sink until ctx ends, and returns when nothing of the driver runs any
	// more.
	Run(ctx context.Context, sink func(samples []site.Sample, done func())) error
}

// Suite is how to make a driver.
type Suite struct {
	// Points are those the driver reads, with their intervals, of a second or less.
	Points []site.Point
	// Answering makes a driver whose field answers every point with a good value, Silent one whose
	// field never answers, Short one whose field answers with less than was asked for. Each call
	// makes a new one on the given clock; what it needs ends with t.
	Answering, Silent, Short func(t *testing.T, clk clock.Clock) Driver
}

// patience bounds what is waited for; it decides nothing on a machine that is alive.
const patience = 20 * time.Second

// Run runs the contract.
func Run(t *testing.T, s Suite) {
	t.Run("every point at each interval", func(t *testing.T) { s.everyPoint(t, s.Answering, site.Good) })
	t.Run("bad samples where nobody answers", func(t *testing.T) { s.everyPoint(t, s.Silent, site.Bad) })
	t.Run("bad samples for short answers", func(t *testing.T) { s.everyPoint(t, s.Short, site.Bad) })
	t.Run("a context that has ended", s.ended)
	t.Run("stop in the middle", s.stopped)
	t.Run("a sink that is slow", s.slowSink)
	t.Run("a stepped clock waits for the sink", s.stepped)
}

// judge keeps the samples and what is wrong with them.
type judge struct {
	mu    sync.Mutex
	by    map[string][]site.Sample
	wrong []string
	seen  chan struct{}
}

func newJudge() *judge {
	return &judge{by: map[string][]site.Sample{}, seen: make(chan struct{}, 1)}
}

func (j *judge) sink(samples []site.Sample, done func()) {
	j.mu.Lock()
	if done == nil {
		j.wrong = append(j.wrong, "no done was handed over")
	}
	if len(samples) == 0 {
		j.wrong = append(j.wrong, "an empty batch")
	}
	for _, s := range samples {
		j.sample(s)
	}
	j.mu.Unlock()
	select {
	case j.seen <- struct{}{}:
	default:
	}
	done()
}

func (j *judge) sample(s site.Sample) {
	bad := func(format string, args ...any) {
		j.wrong = append(j.wrong, fmt.Sprintf("%s: ", s.Point)+fmt.Sprintf(format, args...))
	}
	if before := j.by[s.Point]; len(before) > 0 && !s.Time.After(before[len(before)-1].Time) {
		bad("%v does not come after %v", s.Time, before[len(before)-1].Time)
	}
	if s.Time.Location() != time.UTC || s.Time.Nanosecond()%1e6 != 0 {
		bad("%v is not UTC in whole milliseconds", s.Time)
	}
	if (s.Quality == site.Good) != (s.Why == site.WhyNone) {
		bad("quality %v with the reason %q", s.Quality, s.Why)
	}
	if (s.Quality == site.Bad) != math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
		bad("quality %v with the value %v", s.Quality, s.Value)
	}
	j.by[s.Point] = append(j.by[s.Point], s)
}

// has reports whether every point has n samples of that quality at least.
func (j *judge) has(points []site.Point, n int, q site.Quality) bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, p := range points {
		k := 0
		for _, s := range j.by[p.ID] {
			if s.Quality == q {
				k++
			}
		}
		if k < n {
			return false
		}
	}
	return true
}

func (j *judge) report(t *testing.T, points []site.Point) {
	t.Helper()
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, w := range j.wrong {
		t.Error(w)
	}
	for id := range j.by {
		known := false
		for _, p := range points {
			known = known || p.ID == id
		}
		if !known {
			t.Errorf("a sample of %q, which nobody asked for", id)
		}
	}
}

// start runs the driver and returns how to stop it and wait.
func start(t *testing.T, d Driver, sink func([]site.Sample, func())) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx, sink) }()
	return func() {
		t.Helper()
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Fatal("Run does not return after its context has ended")
		}
	}
}

func (s Suite) everyPoint(t *testing.T, build func(*testing.T, clock.Clock) Driver, q site.Quality) {
	d := build(t, clock.Real{})
	before := ours()
	j := newJudge()
	stop := start(t, d, j.sink)
	limit := time.After(patience)
	for !j.has(s.Points, 3, q) {
		select {
		case <-j.seen:
		case <-limit:
			stop()
			t.Fatalf("not every point has three samples of quality %v: %v", q, j.by)
		}
	}
	stop()
	j.report(t, s.Points)
	if after := ours(); after > before {
		t.Errorf("%d goroutines more than before Run", after-before)
	}
}

// ours counts goroutines that run the project's drivers.
func ours() int {
	buf := make([]byte, 1<<20)
	n := 0
	for g := range strings.SplitSeq(string(buf[:runtime.Stack(buf, true)]), "\n\n") {
		if strings.Contains(g, ".(*link).") || strings.Contains(g, ".(*Driver).") {
			n++
		}
	}
	return n
}

func (s Suite) ended(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	ended := make(chan error, 1)
	d := s.Answering(t, clock.Real{})
	go func() { ended <- d.Run(ctx, newJudge().sink) }()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("Run: %v", err)
		}
	case <-time.After(patience):
		t.Fatal("Run does not return although its context ended before it began")
	}
}

func (s Suite) stopped(t *testing.T) {
	j := newJudge()
	stop := start(t, s.Silent(t, clock.Real{}), j.sink)
	<-j.seen // it is under way
	stop()
	j.report(t, s.Points)
}

// slowSink: what a driver hands over is the sink's until done is called, so batches must not
// change under it.
func (s Suite) slowSink(t *testing.T) {
	type held struct {
		samples, copy []site.Sample
		done          func()
	}
	var mu sync.Mutex
	var all []held
	seen := make(chan struct{}, 1)
	stop := start(t, s.Answering(t, clock.Real{}), func(samples []site.Sample, done func()) {
		mu.Lock()
		all = append(all, held{samples, append([]site.Sample{}, samples...), done})
		n := len(all)
		mu.Unlock()
		if n == 20 {
			seen <- struct{}{}
		}
	})
	select {
	case <-seen:
	case <-time.After(patience):
		t.Error("fewer than twenty batches while none is taken over")
	}
	stop()
	for _, h := range all {
		for i := range h.copy {
			a, b := h.samples[i], h.copy[i]
			if a.Point != b.Point || !a.Time.Equal(b.Time) || a.Quality != b.Quality || math.Float64bits(a.Value) != math.Float64bits(b.Value) {
				t.Fatalf("a batch changed before it was taken over: %v is now %v", b, a)
			}
		}
		h.done()
	}
}

// starter is a driver that says when it has become a party of a stepped clock.
type starter interface {
	Start(ctx context.Context, sink func(samples []site.Sample, done func()))
	Wait() error
}

// stepped: on a clock that moves only when all work is done, no moment passes while a batch has
// not been taken over, and each point has exactly one sample for each of its intervals.
func (s Suite) stepped(t *testing.T) {
	begin := time.Date(2026, 7, 1, 20, 0, 0, 0, time.UTC)
	clk := clock.NewStepped(begin, nil)
	d, ok := s.Answering(t, clk).(starter)
	if !ok {
		t.Fatal("a driver has Start and Wait, so that a stepped clock loses no instant")
	}
	j := newJudge()
	var late []string
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	hold := clk.Work()
	d.Start(ctx, func(samples []site.Sample, done func()) {
		now := clk.Now()
		own := append([]site.Sample{}, samples...)
		go func() { // taken over by somebody else, a while later
			for range 100 {
				runtime.Gosched()
			}
			j.mu.Lock()
			if !clk.Now().Equal(now) {
				late = append(late, "the clock moved on before the batch was taken over")
			}
			j.mu.Unlock()
			j.sink(own, done)
		}()
	})
	const span = 20 * time.Second
	if err := clk.Wait(t.Context(), begin.Add(span)); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := d.Wait(); err != nil {
		t.Error(err)
	}
	hold()
	j.report(t, s.Points)
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, l := range late {
		t.Error(l)
	}
	for _, p := range s.Points {
		want := int(span / p.Interval)
		if n := len(j.by[p.ID]); n < want || n > want+1 {
			t.Errorf("%s has %d samples in %v at %v", p.ID, n, span, p.Interval)
		}
	}
}
