package journal

import (
	"context"
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
		if first, err := firstHolding(ctx, j.samples.r, floor+1); err == nil {
			if page, err := readBatches(ctx, j.samples.r, 1, "WHERE first >= ? ORDER BY first LIMIT ?", first); err == nil && len(page) > 0 {
				shift, _ := j.runs.shift(page[0].run)
				s.OldestUnsent = time.UnixMilli(page[0].t + shift).UTC()
			}
		}
	}
	_ = j.ledger.r.QueryRowContext(ctx, "SELECT count(*) FROM aside").Scan(&s.SetAside) // 0 when it cannot be asked
	return s
}
