package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"

	"bayledger/agent/site"
)

// What a queue carries.
const (
	queueSamples = 0
	queueEvents  = 1
)

// Queue is one consumer's place among the samples: what it has not taken over yet. Retention
// never drops that. A queue's methods may be called by any goroutine.
//
// Positions are made durable once a minute of data, after a large step, and by Close. After a
// crash a consumer may therefore get again what it had taken over shortly before, never less.
type Queue struct {
	j       *Journal
	name    string
	kind    int
	changed chan struct{}

	mu      sync.Mutex
	pending []site.SeqRange // disjoint, ascending; the last is open
	unsaved int64           // taken over since the positions were saved
}

// queues are the consumers in use.
type queues struct {
	mu  sync.Mutex
	all []*Queue
	// stored are the positions of consumers that nobody has asked for since Open. They hold
	// retention like the others.
	stored map[queueKey][]site.SeqRange
}

type queueKey struct {
	name string
	kind int
}

func (q *queues) wake(kind int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, one := range q.all {
		if one.kind == kind {
			one.wake()
		}
	}
}

func (j *Journal) loadQueues(ctx context.Context) error {
	j.queues.stored = map[queueKey][]site.SeqRange{}
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT name, kind, pending FROM queues")
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	for rows.Next() {
		var key queueKey
		var text string
		if err := rows.Scan(&key.name, &key.kind, &text); err != nil {
			return classify(err)
		}
		pending, err := parseRanges(text)
		if err != nil {
			return fmt.Errorf("queue %s: %w", key.name, err)
		}
		j.queues.stored[key] = pending
	}
	return classify(rows.Err())
}

// parseRanges reads the stored form of pending and checks that it is one.
func parseRanges(text string) ([]site.SeqRange, error) {
	var pairs [][2]int64
	if err := json.Unmarshal([]byte(text), &pairs); err != nil {
		return nil, fmt.Errorf("positions %q: %w", text, err)
	}
	pending := make([]site.SeqRange, len(pairs))
	for i, p := range pairs {
		pending[i] = site.SeqRange{After: p[0], Upto: p[1]}
	}
	if err := checkRanges(pending); err != nil {
		return nil, fmt.Errorf("positions %q: %w", text, err)
	}
	return pending, nil
}

func checkRanges(pending []site.SeqRange) error {
	for i, r := range pending {
		last := i == len(pending)-1
		switch {
		case r.After < 0, !last && r.Upto <= r.After, last && r.Upto != 0, i > 0 && r.After < pending[i-1].Upto:
			return fmt.Errorf("range %d of %v is out of place: %w", i, pending, ErrDamaged)
		}
	}
	if len(pending) == 0 {
		return fmt.Errorf("no open range: %w", ErrDamaged)
	}
	return nil
}

func formatRanges(pending []site.SeqRange) string {
	pairs := make([][2]int64, len(pending))
	for i, r := range pending {
		pairs[i] = [2]int64{r.After, r.Upto}
	}
	text, err := json.Marshal(pairs)
	if err != nil {
		panic("journal: ranges of whole numbers always encode: " + err.Error())
	}
	return string(text)
}

// Queue returns the consumer of samples of that name and makes it when it is new. A new one
// begins with the oldest sample the journal holds when history is true, and with the next one
// otherwise. The same name gives the same Queue.
func (j *Journal) Queue(ctx context.Context, name string, history bool) (*Queue, error) {
	start := int64(0)
	if !history {
		start = j.Last()
	}
	return j.queue(ctx, queueKey{name, queueSamples}, start)
}

func (j *Journal) queue(ctx context.Context, key queueKey, start int64) (*Queue, error) {
	if j.opts.ReadOnly {
		return nil, ErrReadOnly
	}
	j.queues.mu.Lock()
	defer j.queues.mu.Unlock()
	for _, q := range j.queues.all {
		if q.name == key.name && q.kind == key.kind {
			return q, nil
		}
	}
	q := &Queue{j: j, name: key.name, kind: key.kind, changed: make(chan struct{}, 1)}
	if pending, ok := j.queues.stored[key]; ok {
		q.pending = pending
		delete(j.queues.stored, key)
	} else {
		q.pending = []site.SeqRange{{After: start}}
		if err := q.save(ctx); err != nil {
			return nil, fmt.Errorf("journal: queue %s: %w", key.name, err)
		}
	}
	j.queues.all = append(j.queues.all, q)
	q.wake()
	return q, nil
}

// Retire forgets every consumer that is not named, so that one that left the site file no
// longer holds retention. samples and events name those that stay.
func (j *Journal) Retire(ctx context.Context, samples, events []string) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.queues.mu.Lock()
	defer j.queues.mu.Unlock()
	gone := func(key queueKey) bool {
		return !slices.Contains([][]string{samples, events}[key.kind], key.name)
	}
	var keys []queueKey
	for key := range j.queues.stored {
		if gone(key) {
			keys = append(keys, key)
		}
	}
	for _, q := range j.queues.all {
		if key := (queueKey{q.name, q.kind}); gone(key) {
			keys = append(keys, key)
		}
	}
	for _, key := range keys {
		if _, err := j.ledger.w.ExecContext(ctx, "DELETE FROM queues WHERE name = ? AND kind = ?", key.name, key.kind); err != nil {
			return fmt.Errorf("journal: retire queue %s: %w", key.name, classify(err))
		}
		delete(j.queues.stored, key)
		j.queues.all = slices.DeleteFunc(j.queues.all, func(q *Queue) bool { return q.name == key.name && q.kind == key.kind })
	}
	return nil
}

func (q *Queue) wake() {
	select {
	case q.changed <- struct{}{}:
	default: // a wake-up is already waiting
	}
}

// Name of the consumer.
func (q *Queue) Name() string { return q.name }

// Changed has a value when something was appended since the last receive. It is never closed.
func (q *Queue) Changed() <-chan struct{} { return q.changed }

// Last is the sequence number of the newest sample of the journal.
func (q *Queue) Last() int64 { return q.j.Last() }

// Pending returns what the consumer has not taken over: disjoint ranges in ascending order, the
// last of which is open.
func (q *Queue) Pending() []site.SeqRange {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.pending)
}

// Backlog is how many samples the consumer has not taken over.
func (q *Queue) Backlog() int64 {
	last, n := q.j.Last(), int64(0)
	for _, r := range q.Pending() {
		upto := r.Upto
		if upto == 0 {
			upto = last
		}
		n += max(0, upto-r.After)
	}
	return n
}

// Read returns up to limit samples above after and up to upto (0: to the end), calibrated and
// dated, in the journal's order. It stops before samples whose clock is not known yet. next is
// where the following Read begins: everything in (after, next] was returned or is gone. next
// equal to after means that there is nothing. Read changes nothing.
func (q *Queue) Read(ctx context.Context, after, upto int64, limit int) (samples []site.Numbered, next int64, err error) {
	samples, next, err = q.j.page(ctx, after, upto, limit)
	if err != nil {
		return samples, next, fmt.Errorf("journal: queue %s: %w", q.name, err)
	}
	return samples, next, nil
}

func (j *Journal) page(ctx context.Context, after, upto int64, limit int) (samples []site.Numbered, next int64, err error) {
	if end := j.Last(); upto == 0 || upto > end {
		upto = end
	}
	if after >= upto || limit <= 0 {
		return nil, after, nil
	}
	next = after
	samples = make([]site.Numbered, 0, min(int64(limit), upto-after))
	cal := j.Calibrations()
	for b, err := range j.batches(ctx, after) {
		if err != nil {
			return samples, next, err
		}
		if b.first > upto {
			break
		}
		full := false
		var failed error
		err := eachReading(b.data, b.t, b.n, func(i int, r reading) bool {
			seq := b.first + int64(i)
			if seq <= after {
				return true
			}
			if full = seq > upto || len(samples) == limit; full {
				return false
			}
			s, ok, err := j.dated(b, r, cal)
			if failed = err; err != nil {
				return false
			}
			if full = !ok; full {
				return false
			}
			samples = append(samples, site.Numbered{Seq: seq, Sample: s})
			next = seq
			return true
		})
		if failed == nil {
			failed = err
		}
		if failed != nil {
			err := fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, failed)
			j.condemn(samplesFile, err)
			return samples, next, err
		}
		if full {
			return samples, next, nil
		}
	}
	// Nothing is left in the range: numbers above the last sample belong to samples that are
	// gone, and are taken over with it.
	return samples, upto, nil
}

// Next returns the oldest samples that are not taken over, up to limit, without taking them.
// Ack with next takes them.
func (q *Queue) Next(ctx context.Context, limit int) (samples []site.Numbered, next int64, err error) {
	first := q.Pending()[0]
	return q.Read(ctx, first.After, first.Upto, limit)
}

// Done says that everything in (after, upto] is taken over.
func (q *Queue) Done(ctx context.Context, after, upto int64) error {
	if upto <= after {
		return nil
	}
	q.mu.Lock()
	var taken int64
	q.pending, taken = subtract(q.pending, after, upto)
	q.unsaved += taken
	large := q.unsaved >= saveAfter
	q.mu.Unlock()
	if !large {
		return nil
	}
	if err := q.save(ctx); err != nil {
		return fmt.Errorf("journal: queue %s: %w", q.name, err)
	}
	return nil
}

// saveAfter bounds what is sent again after a crash.
const saveAfter = 100_000

// Ack says that everything up to and including upto is taken over.
func (q *Queue) Ack(ctx context.Context, upto int64) error { return q.Done(ctx, 0, upto) }

// subtract removes (after, upto] and returns how many numbers of it were pending.
func subtract(pending []site.SeqRange, after, upto int64) (rest []site.SeqRange, taken int64) {
	for _, r := range pending {
		open := r.Upto == 0
		if r.After >= upto || (!open && r.Upto <= after) {
			rest = append(rest, r)
			continue
		}
		end := upto
		if !open {
			end = min(upto, r.Upto)
		}
		taken += end - max(after, r.After)
		if r.After < after {
			rest = append(rest, site.SeqRange{After: r.After, Upto: after})
		}
		if open || r.Upto > upto {
			rest = append(rest, site.SeqRange{After: upto, Upto: r.Upto})
		}
	}
	return rest, taken
}

// save makes the positions durable.
func (q *Queue) save(ctx context.Context) error {
	q.mu.Lock()
	text, n := formatRanges(q.pending), q.unsaved
	q.mu.Unlock()
	_, err := q.j.ledger.w.ExecContext(context.WithoutCancel(ctx),
		"INSERT INTO queues (name, kind, pending) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET pending = excluded.pending", q.name, q.kind, text)
	if err != nil {
		return classify(err)
	}
	q.mu.Lock()
	q.unsaved -= n
	q.mu.Unlock()
	return nil
}

// savePositions makes the positions of all queues durable that have moved.
func (j *Journal) savePositions(ctx context.Context) error {
	j.queues.mu.Lock()
	all := slices.Clone(j.queues.all)
	j.queues.mu.Unlock()
	var errs []error
	for _, q := range all {
		q.mu.Lock()
		moved := q.unsaved > 0
		q.mu.Unlock()
		if !moved {
			continue
		}
		if err := q.save(ctx); err != nil {
			errs = append(errs, fmt.Errorf("journal: queue %s: %w", q.name, err))
		}
	}
	return errors.Join(errs...)
}

// floor is the highest sequence number up to which every consumer of samples has taken over.
func (j *Journal) floor() int64 {
	j.queues.mu.Lock()
	defer j.queues.mu.Unlock()
	low := j.Last()
	for key, pending := range j.queues.stored {
		if key.kind == queueSamples {
			low = min(low, pending[0].After)
		}
	}
	for _, q := range j.queues.all {
		if q.kind == queueSamples {
			low = min(low, q.Pending()[0].After)
		}
	}
	return low
}

// EventQueue is one consumer's place among the events. What it takes over is durable at once.
type EventQueue struct{ q *Queue }

// EventQueue returns the consumer of events of that name. A new one begins with the next event:
// what happened before it existed is not told again.
func (j *Journal) EventQueue(ctx context.Context, name string) (*EventQueue, error) {
	var start sql.NullInt64
	if err := j.ledger.r.QueryRowContext(ctx, "SELECT max(pos) FROM events").Scan(&start); err != nil {
		return nil, fmt.Errorf("journal: queue %s: %w", name, classify(err))
	}
	q, err := j.queue(ctx, queueKey{name, queueEvents}, start.Int64)
	if err != nil {
		return nil, err
	}
	return &EventQueue{q}, nil
}

// Changed has a value when an event was appended since the last receive. It is never closed.
func (e *EventQueue) Changed() <-chan struct{} { return e.q.changed }

// Backlog is how many events the consumer has not taken over.
func (e *EventQueue) Backlog(ctx context.Context) (n int64, err error) {
	row := e.q.j.ledger.r.QueryRowContext(ctx, "SELECT count(*) FROM events WHERE pos > ?", e.q.Pending()[0].After)
	if err := row.Scan(&n); err != nil {
		return 0, fmt.Errorf("journal: backlog of %s: %w", e.q.name, classify(err))
	}
	return n, nil
}

// Next returns the oldest events that are not taken over, up to limit, without taking them.
func (e *EventQueue) Next(ctx context.Context, limit int) ([]StoredEvent, error) {
	return e.q.j.readEvents(ctx, "WHERE pos > ? ORDER BY pos LIMIT ?", e.q.Pending()[0].After, limit)
}

// Ack says that every event up to and including pos is taken over.
func (e *EventQueue) Ack(ctx context.Context, pos int64) error {
	e.q.mu.Lock()
	var taken int64
	e.q.pending, taken = subtract(e.q.pending, 0, pos)
	e.q.unsaved += taken
	e.q.mu.Unlock()
	if err := e.q.save(ctx); err != nil {
		return fmt.Errorf("journal: queue %s: %w", e.q.name, err)
	}
	return nil
}
