package agent

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// stopBudget bounds a whole stop: what is not undone by then is named in the error.
const stopBudget = 4 * time.Second

// stopGrace is what a step still gets when the budget is used up.
const stopGrace = 100 * time.Millisecond

// undoStack is what has been started, so that it can be undone in reverse.
type undoStack []undoStep

type undoStep struct {
	name string
	undo func(ctx context.Context) error
}

func (u *undoStack) push(name string, undo func(ctx context.Context) error) {
	*u = append(*u, undoStep{name, undo})
}

// unwind undoes everything, last first, and empties the stack, so that a second call does
// nothing. Every step is given what remains of ctx's time; a step that fails or does not end
// does not keep the others from being undone. All errors are named and joined.
func (u *undoStack) unwind(ctx context.Context) error {
	var errs []error
	for len(*u) > 0 {
		last := (*u)[len(*u)-1]
		*u = (*u)[:len(*u)-1]
		ended := make(chan error, 1)
		go func() { ended <- last.undo(ctx) }()
		var err error
		select {
		case err = <-ended:
		case <-ctx.Done():
			// What is left of a step when the time is up gets a moment, so that closing the
			// journal is not given up because something before it hung.
			late := time.NewTimer(stopGrace)
			select {
			case err = <-ended:
			case <-late.C:
				err = errors.New("not done in time")
			}
			late.Stop()
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("stop %s: %w", last.name, err))
		}
	}
	return errors.Join(errs...)
}

// loop is a goroutine with an owner: start runs it, stop ends its context and waits for it.
type loop struct {
	cancel context.CancelFunc
	ended  chan struct{}
	err    error
}

// startLoop runs f until stop is called or f returns. finished, if not nil, is called with f's
// error when f returned before it was asked to.
func startLoop(f func(ctx context.Context) error, finished func(error)) *loop {
	ctx, cancel := context.WithCancel(context.Background())
	l := &loop{cancel: cancel, ended: make(chan struct{})}
	go func() {
		defer close(l.ended)
		l.err = f(ctx)
		if ctx.Err() == nil && finished != nil {
			finished(l.err)
		}
	}()
	return l
}

// stop ends the loop and waits for it, or for ctx. An error that only says the loop was
// cancelled is not one.
func (l *loop) stop(ctx context.Context) error {
	l.cancel()
	select {
	case <-l.ended:
		if errors.Is(l.err, context.Canceled) {
			return nil
		}
		return l.err
	case <-ctx.Done():
		return ctx.Err()
	}
}
