package journal

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"bayledger/agent/site"
)

// A clock that somebody vouched for can be wrong all the same: a time server that is years ahead
// for a minute. Time never runs backwards here, so the readings of that minute hold up everything
// after them: no clock that shows less is believed any more. Ahead finds them and Redate puts them
// where they belong. Nothing of them is lost: their batches get a run with a shift, like those of
// a clock nobody vouched for, and go out again, marked uncertain.

// leap is the least forward jump between two readings that Ahead takes for the clock's doing. It is
// over an hour, so that no bucket holds readings of both sides.
const leap = 2 * time.Hour

// Redating is a span of readings with times that were still to come, and where they belong.
type Redating struct {
	// N readings are meant, with numbers from First to Last and times from From to To.
	N, First, Last int64
	From, To       time.Time
	// Sound is the time of the newest reading before the jump; zero when there is none.
	Sound time.Time
	// Shift is what their times are to be moved by, below zero. Seen is true when the clock was
	// seen to step by so much; otherwise the first of them is put right behind Sound, which is the
	// least that can be true.
	Shift time.Duration
	Seen  bool

	runs []int64 // of the readings
	// least is what Shift must lie above, so that no point has a time twice or goes back.
	least time.Duration
}

// Ahead looks for readings with times after now, which must be true, and for the jump with which
// they began; after, when it is not zero, is given in place of that: every reading from then on is
// meant. N is 0 when there are none.
func (j *Journal) Ahead(ctx context.Context, now, after time.Time) (Redating, error) {
	r, err := j.ahead(ctx, now, after)
	if err != nil {
		return r, fmt.Errorf("journal: readings ahead of time: %w", err)
	}
	return r, nil
}

func (j *Journal) ahead(ctx context.Context, now, after time.Time) (r Redating, err error) {
	from := after.UnixMilli()
	if after.IsZero() {
		if from, err = j.jump(ctx, now.UnixMilli()); err != nil || from == 0 {
			return r, err
		}
	}
	start, err := j.before(ctx, from)
	if err != nil {
		return r, err
	}
	lo, hi, sound := int64(math.MaxInt64), int64(0), int64(0)
	runs, before, least := map[int64]bool{}, map[uint32]int64{}, int64(math.MinInt64)/1_000_000
	for b, err := range j.batches(ctx, max(0, start-tailBatches)) {
		if err != nil {
			return r, err
		}
		err := j.eachTime(b, func(seq, t int64, point uint32) {
			if t < from {
				sound, before[point] = max(sound, t), t
				return
			}
			if last, ok := before[point]; ok {
				least = max(least, last-t)
			}
			if r.N == 0 {
				r.First = seq
			}
			r.N, r.Last = r.N+1, seq
			lo, hi, runs[b.run] = min(lo, t), max(hi, t), true
		})
		if err != nil {
			return r, err
		}
	}
	if r.N == 0 {
		return r, nil
	}
	r.From, r.To, r.runs = time.UnixMilli(lo).UTC(), time.UnixMilli(hi).UTC(), slices.Sorted(maps.Keys(runs))
	if sound == 0 {
		return r, nil
	}
	r.Sound, r.least = time.UnixMilli(sound).UTC(), time.Duration(least)*time.Millisecond
	r.Shift = r.Sound.Add(time.Second).Sub(r.From)
	steps, err := j.Records(ctx, 0, 0, site.RecClock)
	if err != nil {
		return r, err
	}
	for _, step := range steps {
		by := time.Duration(math.Round(step.Value*1000)) * time.Millisecond
		if begin := r.From.Add(-by); step.AfterSeq < r.First && -by > r.least && begin.Sub(r.Sound).Abs() < leap {
			r.Shift, r.Seen = -by, true
		}
	}
	return r, nil
}

// eachTime calls f for the number, the time and the point of each reading of a batch.
func (j *Journal) eachTime(b batch, f func(seq, t int64, point uint32)) error {
	shift, _ := j.runs.shift(b.run)
	err := eachReading(b.data, b.t, b.n, func(i int, one reading) bool {
		f(b.first+int64(i), one.t+shift, one.point)
		return true
	})
	if err != nil {
		return fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, err)
	}
	return nil
}

// jump returns the first time after the last leap before the first reading that is later than now
// (ms), or of the journal's first reading when there is no leap; 0 when nothing is later than now.
func (j *Journal) jump(ctx context.Context, now int64) (int64, error) {
	start, err := j.before(ctx, now)
	if err != nil {
		return 0, err
	}
	edge, at := int64(0), int64(0)
	for b, err := range j.batches(ctx, start) {
		if err != nil {
			return 0, err
		}
		err := j.eachTime(b, func(seq, t int64, _ uint32) {
			if t > now && (edge == 0 || t < edge) {
				edge, at = t, seq
			}
		})
		if err != nil {
			return 0, err
		}
		if edge != 0 {
			break
		}
	}
	for edge != 0 {
		page, err := readBatches(ctx, j.samples.r, batchPage, "WHERE first <= ? ORDER BY first DESC LIMIT ?", at)
		if err != nil {
			return 0, err
		}
		for _, b := range page {
			var times []int64
			if err := j.eachTime(b, func(_, t int64, _ uint32) { times = append(times, t) }); err != nil {
				return 0, err
			}
			slices.Sort(times)
			reached := false
			for _, t := range slices.Backward(times) {
				if near := t >= edge-leap.Milliseconds(); near {
					edge, reached = min(edge, t), true
				}
			}
			if !reached {
				return edge, nil
			}
			at = b.first - 1
		}
		if len(page) < batchPage {
			break
		}
	}
	return edge, nil
}

// Redate moves the readings that Ahead has found by r.Shift. Records of that time are moved with
// them, every consumer gets the readings again, and the core is rebuilt from the newest snapshot
// before them. now is the true time, base the true time of the zero of this boot: a start of the
// daemon in the same boot goes on from there.
func (j *Journal) Redate(ctx context.Context, r Redating, now time.Time, boot string, base time.Time) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	end := r.To.Add(r.Shift)
	switch {
	case r.N == 0:
		return errors.New("journal: redate: no readings")
	case r.From.Sub(r.Sound) < leap:
		return fmt.Errorf("journal: redate: the reading before them is of %s, which is no leap of %v", r.Sound.Format(time.RFC3339), leap)
	case r.Shift <= r.least:
		return fmt.Errorf("journal: redate: moved by %v a point would go back behind its reading before them; %v is too far", r.Shift, r.least)
	case end.After(now):
		return fmt.Errorf("journal: redate: moved by %v the last would be of %s, which is still to come", r.Shift, end.Format(time.RFC3339))
	}
	j.upkeep.mu.Lock()
	defer j.upkeep.mu.Unlock()
	j.write.Lock()
	defer j.write.Unlock()
	moved, err := j.redateLedger(ctx, r, boot, base)
	if err == nil {
		err = j.redateSamples(ctx, r, moved)
	}
	if err == nil {
		err = errors.Join(j.loadRuns(ctx), j.loadQueues(ctx), j.loadCalibrations(ctx), j.loadTail(ctx))
	}
	if err == nil {
		j.copied = 0 // the copy knows nothing of the new runs
		err = j.copyLedger(ctx)
	}
	if err != nil {
		return fmt.Errorf("journal: redate: %w", err)
	}
	return nil
}

// redateLedger makes the runs that the readings will belong to and returns them by the runs they
// belonged to. A second call after it changes nothing that the first has not.
func (j *Journal) redateLedger(ctx context.Context, r Redating, boot string, base time.Time) (moved map[int64]int64, err error) {
	tx, err := j.ledger.w.BeginTx(ctx, nil)
	if err != nil {
		return nil, classify(err)
	}
	defer tx.Rollback() //nolint:errcheck // after Commit it does nothing, before it the error is already told
	by, moved := r.Shift.Milliseconds(), map[int64]int64{}
	for _, old := range r.runs {
		shift, _ := j.runs.shift(old)
		one := run{boot: "redated", state: runNever, shift: shift + by}
		if err := j.insertRun(ctx, tx, &one); err != nil {
			return nil, err
		}
		moved[old] = one.id
		// What is left of a span that waited for its date has the times it has.
		if _, err := tx.ExecContext(ctx, "UPDATE runs SET state = ? WHERE id = ? AND state = ?", runNever, old, runUndated); err != nil {
			return nil, classify(err)
		}
	}
	known := run{boot: boot, base: base.UnixMilli(), state: runDated}
	if err := j.insertRun(ctx, tx, &known); err != nil {
		return nil, err
	}
	type change struct {
		query string
		args  []any
	}
	from := r.From.UnixMilli()
	changes := []change{
		{"UPDATE records SET t = t + ? WHERE after_seq >= ? AND t >= ?", []any{by, r.First - 1, from}},
		{"UPDATE records SET until = until + ? WHERE after_seq >= ? AND until >= ?", []any{by, r.First - 1, from}},
		{"UPDATE calibrations SET since = since + ? WHERE since >= ?", []any{by, from}},
		{"DELETE FROM snapshots WHERE seq >= ?", []any{r.First}},
	}
	j.queues.mu.Lock()
	defer j.queues.mu.Unlock()
	if len(j.queues.all) > 0 {
		return nil, errors.New("the journal is in use")
	}
	for key, pending := range j.queues.stored {
		if key.kind == queueSamples {
			changes = append(changes, change{"UPDATE queues SET pending = ? WHERE name = ? AND kind = ?", []any{formatRanges(reopen(pending, r.First-1)), key.name, key.kind}})
		}
	}
	for _, c := range changes {
		if _, err := tx.ExecContext(ctx, c.query, c.args...); err != nil {
			return nil, classify(err)
		}
	}
	return moved, classify(tx.Commit())
}

// reopen adds everything after a number to what is pending.
func reopen(pending []site.SeqRange, after int64) []site.SeqRange {
	var rest []site.SeqRange
	for _, r := range pending {
		if r.After >= after {
			break
		}
		if r.Upto == 0 || r.Upto >= after {
			after = r.After
			break
		}
		rest = append(rest, r)
	}
	return append(rest, site.SeqRange{After: after})
}

// redateSamples gives the readings their new runs, and moves what was rolled up of them.
func (j *Journal) redateSamples(ctx context.Context, r Redating, moved map[int64]int64) error {
	rolled, err := j.meta(ctx, "rolled")
	if err != nil {
		return err
	}
	tx, err := j.samples.w.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	defer tx.Rollback() //nolint:errcheck // after Commit it does nothing, before it the error is already told
	from, by := r.From.UnixMilli(), r.Shift.Milliseconds()
	for _, table := range []string{"minutes", "hours"} { // the leap is over an hour: what is there is theirs alone
		if _, err := tx.ExecContext(ctx, "DELETE FROM "+table+" WHERE t >= ?", from/hourMS*hourMS); err != nil {
			return classify(err)
		}
	}
	fresh, n := newRollup(), 0
	for b, err := range j.batches(ctx, r.First-1) {
		if err != nil {
			return err
		}
		shift, _ := j.runs.shift(b.run)
		var parts [][]reading // of one kind each, in turn
		kind, seq := false, b.first
		err := eachReading(b.data, b.t, b.n, func(i int, one reading) bool {
			ahead := one.t+shift >= from
			if i == 0 || ahead != kind {
				parts, kind = append(parts, nil), ahead
			}
			parts[len(parts)-1] = append(parts[len(parts)-1], one)
			if ahead && b.first+int64(i) <= rolled {
				one.t += shift + by
				fresh.add(one)
			}
			return true
		})
		if err != nil {
			return fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, err)
		}
		if len(parts) == 1 && !kind {
			continue
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM batches WHERE first = ?", b.first); err != nil {
			return classify(err)
		}
		for _, part := range parts {
			run := b.run
			if part[0].t+shift >= from {
				run = moved[b.run]
			}
			if err := insertBatch(ctx, tx, seq, run, part); err != nil {
				return classify(err)
			}
			seq += int64(len(part))
		}
		if n++; n%rollBatches == 0 {
			if err := fresh.merge(ctx, tx); err != nil {
				return err
			}
			fresh = newRollup()
		}
	}
	if err := fresh.merge(ctx, tx); err != nil {
		return err
	}
	return classify(tx.Commit())
}
