package journal

import (
	"context"
	"fmt"
	"iter"
	"math"

	"bayledger/agent/site"
)

// Check examines the whole journal and yields every violation it finds; a sound journal yields
// nothing. It reads everything, which takes seconds per gigabyte, and may run beside appends.
func (j *Journal) Check(ctx context.Context) iter.Seq[error] {
	return func(yield func(error) bool) {
		c := checker{j: j, yield: yield}
		for _, part := range []func(context.Context){c.files, c.batches, c.records, c.events, c.positions} {
			part(ctx)
			if c.stopped {
				return
			}
		}
	}
}

type checker struct {
	j       *Journal
	yield   func(error) bool
	stopped bool
	last    int64 // of the samples at the beginning of the check
}

func (c *checker) tell(format string, args ...any) {
	if !c.stopped {
		c.stopped = !c.yield(fmt.Errorf(format, args...))
	}
}

// files asks SQLite itself.
func (c *checker) files(ctx context.Context) {
	c.last = c.j.Last()
	for _, d := range []*database{c.j.ledger, c.j.samples} {
		rows, err := d.r.QueryContext(ctx, "PRAGMA integrity_check")
		if err != nil {
			c.tell("%s: %w", d.file, classify(err))
			continue
		}
		for rows.Next() {
			var text string
			if err := rows.Scan(&text); err != nil {
				c.tell("%s: %w", d.file, classify(err))
			} else if text != "ok" {
				c.tell("%s: %s: %w", d.file, text, ErrDamaged)
			}
		}
		if err := rows.Err(); err != nil {
			c.tell("%s: %w", d.file, classify(err))
		}
		if err := rows.Close(); err != nil {
			c.tell("%s: %w", d.file, classify(err))
		}
	}
}

// batches checks that numbers follow each other but for spans known to be lost, that every blob
// reads, and that the times of each point grow.
func (c *checker) batches(ctx context.Context) {
	lost, err := c.j.Losses(ctx)
	if err != nil {
		c.tell("losses: %w", err)
	}
	explained := func(first, last int64) bool {
		for _, l := range lost {
			if l.First <= first && last <= l.Last {
				return true
			}
		}
		return false
	}
	type seen struct{ t, run int64 }
	latest := map[uint32]seen{}
	cal := c.j.Calibrations()
	next := int64(0)
	for b, err := range c.j.batches(ctx, 0) {
		if err != nil {
			c.tell("batches: %w", err)
			return
		}
		if b.first > c.last || c.stopped {
			break
		}
		if next != 0 && b.first != next && (b.first < next || !explained(next, b.first-1)) {
			c.tell("samples %d to %d are missing before the batch at %d", next, b.first-1, b.first)
		}
		next = b.first + int64(b.n)
		if b.n <= 0 || b.span < 0 {
			c.tell("batch %d: %d samples over %d ms", b.first, b.n, b.span)
			continue
		}
		lo, hi, count := int64(math.MaxInt64), int64(math.MinInt64), 0
		err := eachReading(b.data, b.t, b.n, func(i int, r reading) bool {
			count++
			lo, hi = min(lo, r.t), max(hi, r.t)
			before, ok := latest[r.point]
			shift, _ := c.j.runs.shift(b.run)
			run := c.j.runs.key(b.run)
			r.t += shift
			if ok && before.run == run && r.t <= before.t {
				c.tell("sample %d of point %d: its time %d is not after %d", b.first+int64(i), r.point, r.t, before.t)
			}
			latest[r.point] = seen{r.t, run}
			switch bad := r.quality == uint8(site.Bad); {
			case r.quality > uint8(site.Bad):
				c.tell("sample %d: quality %d", b.first+int64(i), r.quality)
			case bad != math.IsNaN(r.value) || math.IsInf(r.value, 0):
				c.tell("sample %d: value %v with quality %d", b.first+int64(i), r.value, r.quality)
			}
			if _, ok := cal[r.cal]; r.cal != 0 && !ok {
				c.tell("sample %d: its calibration %d is not known", b.first+int64(i), r.cal)
			}
			if _, err := c.j.sample(r, cal); err != nil {
				c.tell("sample %d: %w", b.first+int64(i), err)
			}
			return !c.stopped
		})
		if err != nil {
			c.tell("batch %d: %w: %w", b.first, ErrDamaged, err)
		} else if !c.stopped && (lo != b.t || hi != b.t+b.span) {
			c.tell("batch %d: its row says %d to %d, its samples %d to %d", b.first, b.t, b.t+b.span, lo, hi)
		}
	}
	if next != 0 && next <= c.last && !c.stopped {
		c.tell("samples %d to %d are missing at the end", next, c.last)
	}
}

// records checks that the records' places in the journal grow and exist.
func (c *checker) records(ctx context.Context) {
	records, err := c.j.Records(ctx, 0, 0)
	if err != nil {
		c.tell("%w", err)
	}
	before := int64(0)
	for _, r := range records {
		if r.AfterSeq < before {
			c.tell("record %d stands after sample %d, the one before it after %d", r.ID, r.AfterSeq, before)
		}
		before = r.AfterSeq
		if r.Kind == "" {
			c.tell("record %d has no kind", r.ID)
		}
	}
	if last := c.j.Last(); before > last {
		c.tell("a record stands after sample %d, but the last is %d", before, last)
	}
}

// events checks that every event reads and that its row says the same as its text.
func (c *checker) events(ctx context.Context) {
	rows, err := c.j.ledger.r.QueryContext(ctx, "SELECT pos, id, seq, state, t, json FROM events ORDER BY pos")
	if err != nil {
		c.tell("events: %w", classify(err))
		return
	}
	defer rows.Close()
	for rows.Next() && !c.stopped {
		var pos, seq, t int64
		var id, state, text string
		if err := rows.Scan(&pos, &id, &seq, &state, &t, &text); err != nil {
			c.tell("events: %w", classify(err))
			return
		}
		e, err := site.ParseEvent([]byte(text))
		switch {
		case err != nil:
			c.tell("event at %d: %w", pos, err)
		case e.ID != id || e.Seq != seq || string(e.State) != state || e.Time.UnixMilli() != t:
			c.tell("event at %d: its row says %s %d %s, its text %s %d %s", pos, id, seq, state, e.ID, e.Seq, e.State)
		}
	}
	if err := rows.Err(); err != nil {
		c.tell("events: %w", classify(err))
	}
}

// positions checks that nothing claims to have come further than the journal.
func (c *checker) positions(ctx context.Context) {
	last := c.j.Last()
	check := func(query, what string) {
		rows, err := c.j.ledger.r.QueryContext(ctx, query)
		if err != nil {
			c.tell("%s: %w", what, classify(err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			var name, text string
			if err := rows.Scan(&name, &text); err != nil {
				c.tell("%s: %w", what, classify(err))
				return
			}
			pending, err := parseRanges(text)
			if err != nil {
				c.tell("%s %s: %w", what, name, err)
			} else if top := pending[len(pending)-1].After; top > last {
				c.tell("%s %s stands at %d, the journal ends at %d", what, name, top, last)
			}
		}
		if err := rows.Err(); err != nil {
			c.tell("%s: %w", what, classify(err))
		}
	}
	check("SELECT name, pending FROM queues WHERE kind = 0", "queue")
	check("SELECT name, '[[' || seq || ',0]]' FROM snapshots", "snapshot")
}

// Loss is a span of sequence numbers some of whose samples are gone other than by age.
type Loss struct {
	First, Last int64
	N           int64 // how many of them are gone
	Why         string
}

// Losses returns what was lost, oldest first.
func (j *Journal) Losses(ctx context.Context) ([]Loss, error) {
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT first, last, n, why FROM losses ORDER BY id")
	if err != nil {
		return nil, classify(err)
	}
	defer rows.Close()
	var all []Loss
	for rows.Next() {
		var l Loss
		if err := rows.Scan(&l.First, &l.Last, &l.N, &l.Why); err != nil {
			return nil, classify(err)
		}
		all = append(all, l)
	}
	return all, classify(rows.Err())
}

// SchemaVersions returns the schema version of each database that this program writes.
func SchemaVersions() (map[string]int, error) {
	all := map[string]int{}
	for _, schema := range []string{"samples", "ledger"} {
		files, err := versions(schema)
		if err != nil {
			return nil, err
		}
		all[schema] = len(files)
	}
	return all, nil
}
