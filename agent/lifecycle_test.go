package agent

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func TestUnwindInReverseWithEveryError(t *testing.T) {
	var u undoStack
	var order []string
	step := func(name string, err error) {
		u.push(name, func(context.Context) error { order = append(order, name); return err })
	}
	step("journal", nil)
	step("broker", errors.New("still sending"))
	step("page", errors.New("a viewer hangs on"))
	err := u.unwind(t.Context())
	require.Equal(t, []string{"page", "broker", "journal"}, order)
	require.EqualError(t, err, "stop page: a viewer hangs on\nstop broker: still sending")
	require.NoError(t, u.unwind(t.Context()), "a second unwind does nothing")
	require.Len(t, order, 3)
}

func TestUnwindIsBoundedAsAWhole(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var u undoStack
		closed := false
		u.push("journal", func(context.Context) error { closed = true; return nil })
		release := make(chan struct{})
		u.push("line", func(context.Context) error { <-release; return nil })
		ctx, cancel := context.WithTimeout(t.Context(), stopBudget)
		defer cancel()
		began := time.Now()
		err := u.unwind(ctx)
		require.EqualError(t, err, "stop line: not done in time")
		require.Equal(t, stopBudget+stopGrace, time.Since(began))
		synctest.Wait()
		require.True(t, closed, "a step that hangs does not keep the others from being undone")
		close(release)
	})
}

func TestLoop(t *testing.T) {
	var told error
	l := startLoop(func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }, func(err error) { told = err })
	require.NoError(t, l.stop(t.Context()))
	require.NoError(t, told)
	broken := errors.New("broken")
	said := make(chan error, 1)
	l = startLoop(func(context.Context) error { return broken }, func(err error) { said <- err })
	require.ErrorIs(t, <-said, broken)
	require.ErrorIs(t, l.stop(t.Context()), broken)
}
