package journal

import (
	"context"
	"database/sql"
	"fmt"
	"sync"
	"time"
)

// States of a run.
const (
	runUndated = 0 // its times are provisional
	runDated   = 1 // its shift is known
	runNever   = 2 // its boot ended before the clock was known, or nobody will ever vouch: its times stay a guess
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

// key is the run that order is kept by: what leaves the house with the times it has must stand
// in one order, whatever run it belongs to.
func (r *runs) key(id int64) int64 {
	if _, state := r.shift(id); state != runUndated {
		return 0
	}
	return id
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
	if err := j.loadTail(ctx); err != nil { // what can no longer be dated counts with the times it has
		return fmt.Errorf("journal: boot: %w", err)
	}
	j.queues.wake(queueSamples)
	return nil
}

// BootBase returns the time of the boot's monotonic zero as it was last told (Undated, Unvouched,
// Date), and whether it was dated. ok is false when nothing was told in this boot.
func (j *Journal) BootBase(boot string) (base time.Time, dated, ok bool) {
	j.runs.mu.RLock()
	defer j.runs.mu.RUnlock()
	var newest run
	for _, one := range j.runs.all {
		if one.boot == boot && one.id > newest.id {
			newest = one
		}
	}
	if newest.id == 0 {
		return time.Time{}, false, false
	}
	return time.UnixMilli(newest.base + newest.shift).UTC(), newest.state == runDated, true
}

// Undated says that from now on the times of appended samples are provisional. A provisional
// time is base plus the boot's monotonic time, so that Date can correct it later. Samples go to
// the core and to Entries as they are, but leave the house only when they are dated.
//
// base must lie so late that provisional times are after Newest.
func (j *Journal) Undated(ctx context.Context, boot string, base time.Time) error {
	return j.beginRun(ctx, boot, base, runUndated)
}

// Unvouched says that from now on the times of appended samples are what the machine's own clock
// shows and that nobody will ever vouch for it. Samples leave the house at once, marked
// uncertain. base must lie so late that their times are after Newest.
func (j *Journal) Unvouched(ctx context.Context, boot string, base time.Time) error {
	return j.beginRun(ctx, boot, base, runNever)
}

func (j *Journal) beginRun(ctx context.Context, boot string, base time.Time, state int) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.write.Lock()
	defer j.write.Unlock()
	one := run{boot: boot, base: base.UnixMilli(), state: state}
	if err := j.insertRun(ctx, j.ledger.w, &one); err != nil {
		return fmt.Errorf("journal: undated: %w", err)
	}
	j.runs.put(one)
	j.run = one.id
	return nil
}

// execer is a database or a transaction.
type execer interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

// insertRun stores a new run and gives it its id.
func (j *Journal) insertRun(ctx context.Context, to execer, one *run) error {
	result, err := to.ExecContext(ctx, "INSERT INTO runs (boot, base, state, shift) VALUES (?, ?, ?, ?)", one.boot, one.base, one.state, one.shift)
	if err != nil {
		return classify(err)
	}
	one.id, err = result.LastInsertId()
	return err
}

// Date says that the clock is known: base is the true time of the boot's monotonic zero. All
// undated samples of the boot are dated by it, also those of an earlier start of the daemon,
// and samples appended from now on carry true times. It returns by how much the latest span was
// wrong (positive: its times were too early; 0 when nothing was undated). The base is remembered,
// so that a later start of the daemon in the same boot finds it (BootBase).
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
	known := run{boot: boot, base: base.UnixMilli(), state: runDated}
	if err := j.insertRun(ctx, tx, &known); err != nil {
		return 0, fmt.Errorf("journal: date: %w", err)
	}
	if err := tx.Commit(); err != nil {
		return 0, fmt.Errorf("journal: date: %w", classify(err))
	}
	j.runs.put(known)
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
