// Package clock gives the loops that wait their time: Real for the daemon, Scaled for tests
// that run a night in minutes beside real servers, Stepped for the demo, whose time moves only
// when all work of the instant is done. The core (water, watch, alarm) uses none of them: its
// time comes with the samples.
package clock

import (
	"container/heap"
	"context"
	"sync"
	"time"
)

// Clock is what a loop that waits needs.
type Clock interface {
	// Now is the present moment, UTC.
	Now() time.Time
	// Wait blocks until Now() is at or after t, or until ctx ends, and returns ctx.Err() in the
	// second case. On a Stepped clock the caller must be a party (Work) and counts as idle
	// while it waits.
	Wait(ctx context.Context, t time.Time) error
	// Work says that something is in progress which belongs to the present instant: a Stepped
	// clock does not move on until the returned function is called. It may be called once or
	// more; only the first counts. The others return a function that does nothing.
	Work() (done func())
}

// Real is the machine's clock.
type Real struct{}

// Now implements Clock.
func (Real) Now() time.Time { return time.Now().UTC() }

// Wait implements Clock.
func (Real) Wait(ctx context.Context, t time.Time) error { return sleep(ctx, time.Until(t)) }

// Work implements Clock.
func (Real) Work() func() { return func() {} }

// Scaled runs Factor times as fast as the machine's clock, from Start at the moment of its
// making.
type Scaled struct {
	start, made time.Time
	factor      float64
}

// NewScaled returns a clock that shows start now and runs factor times as fast as real time.
// factor must be above 0.
func NewScaled(start time.Time, factor float64) *Scaled {
	return &Scaled{start: start.UTC(), made: time.Now(), factor: factor}
}

// Now implements Clock.
func (s *Scaled) Now() time.Time {
	return s.start.Add(time.Duration(float64(time.Since(s.made)) * s.factor))
}

// Wait implements Clock.
func (s *Scaled) Wait(ctx context.Context, t time.Time) error {
	return sleep(ctx, time.Duration(float64(t.Sub(s.Now()))/s.factor))
}

// Work implements Clock.
func (s *Scaled) Work() func() { return func() {} }

func sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Stepped is a clock whose time stands still while anything is in progress and then jumps to
// the earliest moment somebody waits for. Waiters are woken one at a time, in order of their
// moment and, for equal moments, in the order in which they began to wait; the next is woken
// only when the work of the one before is done. A run on a Stepped clock is therefore the same
// on a slow machine as on a fast one.
//
// Whoever starts a goroutine that will Wait calls Work before the go statement and hands the
// done function over; the goroutine calls it when it ends.
type Stepped struct {
	mu      sync.Mutex
	now     time.Time
	busy    int // parties that work; time moves at 0
	waiters waitHeap
	seq     int
	// pace, if set, is called with the moment about to be shown, before time moves there: the
	// demo's speed cap. It runs without the lock.
	pace func(time.Time)
	// moving is true while one goroutine is inside advance, so that pace is never called twice.
	moving bool
}

// NewStepped returns a clock that stands at start. pace may be nil.
func NewStepped(start time.Time, pace func(time.Time)) *Stepped {
	return &Stepped{now: start.UTC(), pace: pace}
}

// Now implements Clock.
func (s *Stepped) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

// Work implements Clock.
func (s *Stepped) Work() func() {
	s.mu.Lock()
	s.busy++
	s.mu.Unlock()
	var once sync.Once
	return func() { once.Do(s.release) }
}

// Wait implements Clock. The caller's Work counts as done while it waits, and as begun again
// when it returns, whatever it returns.
func (s *Stepped) Wait(ctx context.Context, t time.Time) error {
	s.mu.Lock()
	if err := ctx.Err(); err != nil || !t.After(s.now) {
		s.mu.Unlock()
		return err
	}
	w := &waiter{at: t, seq: s.seq, woken: make(chan struct{})}
	s.seq++
	heap.Push(&s.waiters, w)
	s.mu.Unlock()
	s.release()
	select {
	case <-w.woken:
		return nil
	case <-ctx.Done():
		s.mu.Lock()
		defer s.mu.Unlock()
		select {
		case <-w.woken: // woken in the same moment: busy already counts this caller
		default:
			heap.Remove(&s.waiters, w.index)
			s.busy++
		}
		return ctx.Err()
	}
}

// release ends one piece of work and, if it was the last, moves time to the next waiter.
func (s *Stepped) release() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy--
	for s.busy == 0 && len(s.waiters) > 0 && !s.moving {
		next := s.waiters[0].at
		if s.pace != nil && next.After(s.now) {
			s.moving = true
			s.mu.Unlock()
			s.pace(next)
			s.mu.Lock()
			s.moving = false
			if s.busy != 0 || len(s.waiters) == 0 {
				continue
			}
		}
		w := heap.Pop(&s.waiters).(*waiter)
		if w.at.After(s.now) {
			s.now = w.at
		}
		s.busy++
		close(w.woken)
	}
}

type waiter struct {
	at    time.Time
	seq   int
	index int
	woken chan struct{}
}

type waitHeap []*waiter

func (h waitHeap) Len() int { return len(h) }
func (h waitHeap) Less(i, j int) bool {
	if !h[i].at.Equal(h[j].at) {
		return h[i].at.Before(h[j].at)
	}
	return h[i].seq < h[j].seq
}
func (h waitHeap) Swap(i, j int) {
	h[i], h[j] = h[j], h[i]
	h[i].index, h[j].index = i, j
}
func (h *waitHeap) Push(x any) {
	w := x.(*waiter)
	w.index = len(*h)
	*h = append(*h, w)
}
func (h *waitHeap) Pop() any {
	old := *h
	w := old[len(old)-1]
	*h = old[:len(old)-1]
	return w
}
