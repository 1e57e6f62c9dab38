package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// upkeep is the work that follows the data: rolling up, saving positions, dropping what is too
// old, copying the ledger. It runs once a minute of data, in a goroutine that Close waits for,
// so that no append waits for it.
type upkeep struct {
	wg     sync.WaitGroup
	cancel context.CancelFunc
	wake   chan struct{}
	mu     sync.Mutex // one round at a time
	minute int64      // the minute of data of the last round; guarded by Journal.write
}

const minuteMS = 60_000

func (u *upkeep) start(j *Journal) {
	if j.opts.ReadOnly {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	u.cancel, u.wake = cancel, make(chan struct{}, 1)
	u.wg.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-u.wake:
			}
			if err := j.Maintain(ctx); err != nil && ctx.Err() == nil {
				j.log.Error("journal upkeep failed; it is tried again in a minute", "error", err)
			}
		}
	})
}

func (u *upkeep) stop() {
	if u.cancel != nil {
		u.cancel()
		u.wg.Wait()
	}
}

// due asks for a round when a new minute of data has begun.
func (u *upkeep) due(newest int64) {
	if u.wake == nil || newest/minuteMS == u.minute {
		return
	}
	u.minute = newest / minuteMS
	select {
	case u.wake <- struct{}{}:
	default:
	}
}

// Maintain does at once what is otherwise done once a minute of data: roll up, save positions,
// drop what is too old or has no room, copy the ledger once a day. Each step is tried even when
// the one before it failed.
func (j *Journal) Maintain(ctx context.Context) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.upkeep.mu.Lock()
	defer j.upkeep.mu.Unlock()
	var errs []error
	for _, step := range []struct {
		name, file string
		do         func(context.Context) error
	}{
		{"save positions", ledgerFile, j.savePositions},
		{"roll up", samplesFile, j.rollUp},
		{"retention", samplesFile, j.prune},
		{"daily copy", ledgerFile, j.copyLedger},
	} {
		if err := step.do(ctx); err != nil {
			j.condemn(step.file, err)
			errs = append(errs, fmt.Errorf("%s: %w", step.name, err))
		}
	}
	return errors.Join(errs...)
}
