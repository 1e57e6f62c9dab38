package journal

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// States of a run.
const (
	runUndated = 0 // its times are provisional
	runDated   = 1 // its shift is known
	runNever   = 2 // its boot ended before the clock was known; its times stay a guess
)

// run is a span of samples taken while nobody vouched for the clock.
type run struct {
	id    int64
	boot  string
	base  int64 // provisional time in ms of the boot's monotonic zero
	state int
	shift int64 // ms to add to a provisional time
}

// runs is what the ledger says about them.
type runs struct {
	mu  sync.RWMutex
	all map[int64]run
}

func (r *runs) shift(id int64) (ms int64, state int) {
	if id == 0 {
		return 0, runDated
	}
	r.mu.RLock()
	defer r.mu.RUnlock()
	one, ok := r.all[id]
	if !ok { // a ledger older than the samples: the guess is the best there is
		return 0, runNever
	}
	return one.shift, one.state
}

func (r *runs) put(one run) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.all[one.id] = one
}

func (r *runs) undated(boot string) []run {
	r.mu.RLock()
	defer r.mu.RUnlock()
	var some []run
	for _, one := range r.all {
		if one.state == runUndated && one.boot == boot {
			some = append(some, one)
		}
	}
	return some
}

func (j *Journal) loadRuns(ctx context.Context) error {
	j.runs.all = map[int64]run{}
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT id, boot, base, state, shift FROM runs")
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	for rows.Next() {
		var one run
		if err := rows.Scan(&one.id, &one.boot, &one.base, &one.state, &one.shift); err != nil {
			return classify(err)
		}
		j.runs.put(one)
	}
	return classify(rows.Err())
}

// Boot tells the journal which boot of the machine this is. Undated samples of an earlier boot
// can no longer be dated: their provisional times stand, and they go out marked uncertain. Call
// it once after Open, before the first Append.
func (j *Journal) Boot(ctx context.Context, boot string) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.write.Lock()
	defer j.write.Unlock()
	if _, err := j.ledger.w.ExecContext(ctx, "UPDATE runs SET state = ? WHERE state = ? AND boot <> ?", runNever, runUndated, boot); err != nil {
		return fmt.Errorf("journal: boot: %w", classify(err))
	}
	if err := j.loadRuns(ctx); err != nil {
		return fmt.Errorf("journal: boot: %w", err)
	}
	j.queues.wake(queueSamples)
	return nil
}

// Undated says that from now on the times of appended samples are provisional. A provisional
// time is base plus the boot's monotonic time, so that Date can correct it later. Samples go to
// the core and to Entries as they are, but leave the house only when they are dated.
//
// base must lie so late that provisional times are after Newest.
func (j *Journal) Undated(ctx context.Context, boot string, base time.Time) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.write.Lock()
	defer j.write.Unlock()
	one := run{boot: boot, base: base.UnixMilli(), state: runUndated}
	result, err := j.ledger.w.ExecContext(ctx, "INSERT INTO runs (boot, base, state, shift) VALUES (?, ?, ?, 0)", boot, one.base, runUndated)
	if err != nil {
		return fmt.Errorf("journal: undated: %w", classify(err))
	}
	if one.id, err = result.LastInsertId(); err != nil {
		return fmt.Errorf("journal: undated: %w", err)
	}
	j.runs.put(one)
	j.run = one.id
	return nil
}

// Date says that the clock is known: base is the true time of the boot's monotonic zero. All
// undated samples of the boot are dated by it, also those of an earlier start of the daemon,
// and samples appended from now on carry true times. It returns by how much the latest span was
// wrong (positive: its times were too early) and does nothing when nothing is undated.
func (j *Journal) Date(ctx context.Context, boot string, base time.Time) (shift time.Duration, err error) {
	if j.opts.ReadOnly {
		return 0, ErrReadOnly
	}
	j.write.Lock()
	defer j.write.Unlock()
	dated := j.runs.undated(boot)
	tx, err := j.ledger.w.BeginTx(ctx, nil)
	if err != nil {
		return 0, fmt.Errorf("journal: date: %w", classify(err))
	}
	defer tx.Rollback() //nolint:errcheck // after Commit it does nothing, before it the error is already told
	for i := range dated {
		one := &dated[i]
		one.state, one.shift = runDated, base.UnixMilli()-one.base
		if _, err := tx.ExecContext(ctx, "UPDATE runs SET state = ?, shift = ? WHERE id = ?", one.state, one.shift, one.id); err != nil {
			return 0, fmt.Errorf("journal: date: %w", classify(err))
		}
	}
	if err := tx.Commit(); err != nil {
		return 0, fmt.Errorf("journal: date: %w", classify(err))
	}
	latest := int64(0)
	for _, one := range dated {
		j.runs.put(one)
		if one.id > latest {
			latest, shift = one.id, time.Duration(one.shift)*time.Millisecond
		}
		for point, of := range j.order.run {
			if of == one.id {
				j.order.t[point] += one.shift
				j.order.run[point] = 0
				j.newest.Store(max(j.newest.Load(), j.order.t[point]))
			}
		}
	}
	j.run = 0
	j.queues.wake(queueSamples)
	j.upkeep.due(j.newest.Load())
	return shift, nil
}
