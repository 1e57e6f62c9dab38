package journal

import (
	"context"
	"fmt"
	"os"
	"time"
)

// Stats are figures for the metrics and the page.
type Stats struct {
	// Last is the newest sequence number, Samples and Refused count since Open; Full counts
	// appends that found no room, Dropped batches that went for want of room.
	Last, Samples, Refused, Full, Dropped int64
	// Commits since Open, and how long they took together: the time for a reading to be safe.
	Commits    int64
	CommitTime time.Duration
	// Bytes of the samples' file and its log, LimitBytes what it may grow to.
	Bytes, LimitBytes int64
	// Unsent is how many samples some destination does not have, OldestUnsent the time of the
	// first of them; zero when there is none.
	Unsent       int64
	OldestUnsent time.Time
	// SetAside is how many lines servers have refused and nobody has dealt with.
	SetAside int64
}

// Stats returns the figures. What cannot be looked at counts as nothing.
func (j *Journal) Stats(ctx context.Context) Stats {
	s := Stats{Last: j.Last(), Samples: j.counts.samples.Load(), Refused: j.counts.refused.Load(), Full: j.counts.full.Load(),
		Dropped: j.counts.dropped.Load(), Commits: j.counts.commits.Load(), CommitTime: time.Duration(j.counts.commitNS.Load()), LimitBytes: j.opts.MaxBytes}
	for _, name := range []string{samplesFile, samplesFile + "-wal"} {
		if info, err := os.Stat(j.path(name)); err == nil {
			s.Bytes += info.Size()
		}
	}
	if floor := j.floor(); floor < s.Last {
		s.Unsent = s.Last - floor
		s.OldestUnsent, _ = j.timeAfter(ctx, floor) // zero when it cannot be asked
	}
	_ = j.ledger.r.QueryRowContext(ctx, "SELECT count(*) FROM aside").Scan(&s.SetAside) // 0 when it cannot be asked
	return s
}

// Oldest is the time of the oldest sample the consumer has not taken over; zero when there is none.
func (q *Queue) Oldest(ctx context.Context) (time.Time, error) {
	after := q.Pending()[0].After
	if after >= q.j.Last() {
		return time.Time{}, nil
	}
	t, err := q.j.timeAfter(ctx, after)
	if err != nil {
		return t, fmt.Errorf("journal: queue %s: %w", q.name, err)
	}
	return t, nil
}

// timeAfter is the time of the batch that holds the first sample after a number; zero when there is
// none.
func (j *Journal) timeAfter(ctx context.Context, after int64) (time.Time, error) {
	first, err := firstHolding(ctx, j.samples.r, after+1)
	if err != nil {
		return time.Time{}, err
	}
	page, err := readBatches(ctx, j.samples.r, 1, "WHERE first >= ? ORDER BY first LIMIT ?", first)
	if err != nil || len(page) == 0 {
		return time.Time{}, err
	}
	shift, _ := j.runs.shift(page[0].run)
	return time.UnixMilli(page[0].t + shift).UTC(), nil
}
