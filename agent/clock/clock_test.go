package clock

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var start = time.Date(2026, 7, 1, 18, 0, 0, 0, time.UTC)

// Two parties on a stepped clock always interleave in the same order, by moment and then by who
// waited first.
func TestSteppedOrder(t *testing.T) {
	for range 20 {
		c := NewStepped(start, nil)
		var mu sync.Mutex
		var log []string
		var wg sync.WaitGroup
		gate := c.Work() // nothing moves before both have begun to wait in a known order
		party := func(name string, step time.Duration, n int, begun chan<- struct{}) {
			done := c.Work()
			wg.Go(func() {
				defer done()
				for i := 1; i <= n; i++ {
					if i == 1 {
						close(begun)
					}
					if err := c.Wait(t.Context(), start.Add(time.Duration(i)*step)); err != nil {
						return
					}
					mu.Lock()
					log = append(log, fmt.Sprintf("%s@%d", name, int(c.Now().Sub(start)/time.Second)))
					mu.Unlock()
				}
			})
		}
		a, b := make(chan struct{}), make(chan struct{})
		party("a", 2*time.Second, 3, a)
		<-a
		party("b", 3*time.Second, 2, b)
		<-b
		gate()
		wg.Wait()
		require.ElementsMatch(t, []string{"a@2", "b@3", "a@4", "a@6", "b@6"}, log)
		require.Equal(t, []string{"a@2", "b@3", "a@4"}, log[:3])
	}
}

func TestSteppedStandsWhileWorkIsOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewStepped(start, nil)
		open := c.Work()
		woken := false
		done := c.Work()
		var wg sync.WaitGroup
		wg.Go(func() {
			defer done()
			_ = c.Wait(t.Context(), start.Add(time.Hour))
			woken = true
		})
		synctest.Wait()
		require.False(t, woken)
		require.Equal(t, start, c.Now())
		open()
		open() // only the first counts
		wg.Wait()
		require.True(t, woken)
		require.Equal(t, start.Add(time.Hour), c.Now())
	})
}

func TestSteppedCancelledWaitCountsAsWork(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewStepped(start, nil)
		hold := c.Work()
		ctx, cancel := context.WithCancel(t.Context())
		done := c.Work()
		errs := make(chan error, 1)
		var wg sync.WaitGroup
		wg.Go(func() {
			defer done()
			errs <- c.Wait(ctx, start.Add(time.Second))
		})
		synctest.Wait()
		cancel()
		wg.Wait()
		require.ErrorIs(t, <-errs, context.Canceled)
		// The cancelled party has ended; another still moves time.
		next := c.Work()
		wg.Go(func() {
			defer next()
			errs <- c.Wait(t.Context(), start.Add(5*time.Second))
		})
		hold()
		wg.Wait()
		require.NoError(t, <-errs)
		require.Equal(t, start.Add(5*time.Second), c.Now())
	})
}

func TestSteppedPaceSeesEveryMoment(t *testing.T) {
	var seen []time.Duration
	c := NewStepped(start, func(at time.Time) { seen = append(seen, at.Sub(start)) })
	done := c.Work()
	for i := 1; i <= 3; i++ {
		require.NoError(t, c.Wait(t.Context(), start.Add(time.Duration(i)*time.Second)))
	}
	done()
	require.Equal(t, []time.Duration{time.Second, 2 * time.Second, 3 * time.Second}, seen)
}

func TestScaled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewScaled(start, 60)
		before := time.Now()
		require.NoError(t, c.Wait(t.Context(), start.Add(time.Hour)))
		require.Equal(t, time.Minute, time.Since(before))
		require.Equal(t, start.Add(time.Hour), c.Now())
		require.NoError(t, c.Wait(t.Context(), start), "a moment gone by does not wait")
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.ErrorIs(t, c.Wait(ctx, start), context.Canceled)
	})
}

func TestReal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c Real
		at := time.Now().Add(90 * time.Second)
		require.NoError(t, c.Wait(t.Context(), at))
		require.False(t, c.Now().Before(at.UTC()))
		c.Work()()
	})
}
