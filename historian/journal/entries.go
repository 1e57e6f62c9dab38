package journal

import (
	"context"
	"fmt"
	"iter"
	"time"

	"bayledger/agent/site"
)

// Entry is one thing in the journal's order: a sample, or a record.
type Entry struct {
	// At is the place the reader stands at after this entry; Entries goes on from there.
	At Position
	// Record is nil for a sample.
	Record *site.Record
	// Sample is calibrated. Its time is the one the core saw: for a sample taken before the
	// clock was known it is provisional. Of readings that Redate has moved, the core has seen
	// nothing yet.
	Sample site.Sample
	// Provisional is true when nobody vouched for the clock at that time.
	Provisional bool
}

// Entries yields everything after a position in the journal's order: what live gave to the core
// and what a replay must give again. A record stands behind the sample it was journaled after.
// The sequence ends with what was there when it began; an error ends it too.
func (j *Journal) Entries(ctx context.Context, after Position) iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		at, limit := after, j.Last()
		records := recordReader{j: j, after: after.Record}
		// give yields the records that stand at or before a sample.
		give := func(seq int64) (ok bool) {
			for {
				r, err := records.next(ctx, seq)
				if err != nil {
					yield(Entry{}, err)
					return false
				}
				if r == nil {
					return true
				}
				at.Record = r.ID
				if !yield(Entry{At: at, Record: r}, nil) {
					return false
				}
			}
		}
		cal := j.Calibrations()
		for b, err := range j.batches(ctx, after.Seq) {
			if err != nil {
				yield(Entry{}, fmt.Errorf("journal: entries: %w", err))
				return
			}
			if b.first > limit {
				break
			}
			stopped, provisional := false, b.run != 0
			shift, state := j.runs.shift(b.run)
			if state != runNever { // a guess is one for everybody; a date that came later, the core did not see
				shift = 0
			}
			var failed error
			err := eachReading(b.data, b.t, b.n, func(i int, r reading) bool {
				seq := b.first + int64(i)
				if seq <= after.Seq {
					return true
				}
				if seq > limit {
					return false
				}
				if stopped = !give(seq - 1); stopped {
					return false
				}
				at.Seq = seq
				r.t += shift
				var s site.Sample
				if s, failed = j.sample(r, cal); failed != nil {
					return false
				}
				stopped = !yield(Entry{At: at, Sample: s, Provisional: provisional}, nil)
				return !stopped
			})
			if stopped {
				return
			}
			if failed == nil {
				failed = err
			}
			if failed != nil {
				err := fmt.Errorf("journal: entries: batch %d: %w: %w", b.first, ErrDamaged, failed)
				j.condemn(samplesFile, err)
				yield(Entry{}, err)
				return
			}
		}
		give(limit)
	}
}

// recordReader reads records in pages and remembers the next.
type recordReader struct {
	j     *Journal
	after int64
	page  []site.Record
	done  bool
}

const recordPage = 200

// next returns the next record that stands at or before a sample's sequence number, or nil.
func (r *recordReader) next(ctx context.Context, seq int64) (*site.Record, error) {
	if len(r.page) == 0 && !r.done {
		page, err := r.j.Records(ctx, r.after, recordPage)
		if err != nil {
			return nil, err
		}
		r.page, r.done = page, len(page) < recordPage
	}
	if len(r.page) == 0 || r.page[0].AfterSeq > seq {
		return nil, nil
	}
	one := r.page[0]
	r.page, r.after = r.page[1:], one.ID
	return &one, nil
}

// dated turns a reading into what leaves the house. ok is false while its clock is not known.
func (j *Journal) dated(b batch, r reading, cal site.Calibrations) (s site.Sample, ok bool, err error) {
	shift, state := j.runs.shift(b.run)
	if state == runUndated {
		return site.Sample{}, false, nil
	}
	r.t += shift
	if s, err = j.sample(r, cal); err != nil {
		return site.Sample{}, false, err
	}
	if state == runNever && s.Quality == site.Good {
		s.Quality, s.Why = site.Uncertain, site.WhyClock
	}
	return s, true, nil
}

// Samples yields the dated samples of a span of time (from inclusive, to exclusive; zero times
// mean from the beginning and to the end) in the journal's order. Samples whose clock is not
// known are left out. An error ends the sequence.
func (j *Journal) Samples(ctx context.Context, from, to time.Time) iter.Seq2[site.Numbered, error] {
	return func(yield func(site.Numbered, error) bool) {
		lo, hi := int64(minTime), int64(maxTime)
		if !from.IsZero() {
			lo = from.UnixMilli()
		}
		if !to.IsZero() {
			hi = to.UnixMilli()
		}
		after, err := j.before(ctx, lo)
		if err != nil {
			yield(site.Numbered{}, fmt.Errorf("journal: samples: %w", err))
			return
		}
		cal := j.Calibrations()
		for b, err := range j.batches(ctx, after) {
			if err != nil {
				yield(site.Numbered{}, fmt.Errorf("journal: samples: %w", err))
				return
			}
			shift, state := j.runs.shift(b.run)
			if b.t+shift >= hi+slack {
				return
			}
			if state == runUndated || b.t+b.span+shift < lo || b.t+shift >= hi {
				continue
			}
			stopped := false
			var failed error
			err := eachReading(b.data, b.t, b.n, func(i int, r reading) bool {
				if r.t+shift < lo || r.t+shift >= hi {
					return true
				}
				var s site.Sample
				if s, _, failed = j.dated(b, r, cal); failed != nil {
					return false
				}
				stopped = !yield(site.Numbered{Seq: b.first + int64(i), Sample: s}, nil)
				return !stopped
			})
			if stopped {
				return
			}
			if failed == nil {
				failed = err
			}
			if failed != nil {
				yield(site.Numbered{}, fmt.Errorf("journal: samples: batch %d: %w", b.first, failed))
				return
			}
		}
	}
}

const (
	minTime = -1 << 62
	maxTime = 1 << 62
	// slack, in ms, is how far the journal's order may differ from the order of times: a slow
	// line hands its samples over later than a fast one. A search in time looks that much
	// further.
	slack = 15 * 60 * 1000
)

// before returns a sequence number such that every dated sample at or after time t (ms) comes
// later in the journal. Times grow along the journal but for slack, so it halves its way.
func (j *Journal) before(ctx context.Context, t int64) (int64, error) {
	if t == minTime {
		return 0, nil
	}
	t -= slack
	lo, hi := int64(0), j.Last() // every sample up to lo is early enough to be left out
	for lo < hi {
		mid := lo + (hi-lo+1)/2
		page, err := readBatches(ctx, j.samples.r, 1, "WHERE first >= ? ORDER BY first LIMIT ?", mid)
		if err != nil {
			return 0, err
		}
		if len(page) == 0 {
			hi = mid - 1
			continue
		}
		b := page[0]
		shift, state := j.runs.shift(b.run)
		if state == runUndated || b.t+b.span+shift >= t {
			hi = mid - 1
			continue
		}
		lo = max(mid, b.last())
	}
	return lo, nil
}
