package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"

	"bayledger/agent/site"
)

// seqReserve is left free after a file whose end could not be read, so that no number is given
// twice: what the ledger knows of it may be a minute old.
const seqReserve = 1_000_000

// spoiltSpan is how many numbers one page that cannot be read may stand for: within so few,
// nothing more is looked for.
const spoiltSpan = 256

// mendSamples sets the file of samples aside whole and begins a new one with what can be read of
// the old and has not been forwarded yet. Numbers stay as they were. What cannot be read is
// counted in losses.
func (j *Journal) mendSamples(ctx context.Context) error {
	if j.samples != nil {
		if err := j.samples.close(); err != nil {
			j.log.Warn("damaged file did not close", "error", err)
		}
		j.samples = nil
	}
	aside, err := j.setFileAside(samplesFile)
	if err != nil {
		return err
	}
	if j.samples, err = openDatabase(ctx, j.path(samplesFile), "samples", j.samplesSettings()); err != nil {
		return err
	}
	old, err := sql.Open("sqlite", dsn(j.path(aside), settings{readOnly: true}))
	if err != nil {
		return err
	}
	s := salvage{j: j, old: old}
	saved, lost, err := s.run(ctx, aside)
	if err := errors.Join(err, old.Close()); err != nil {
		return fmt.Errorf("salvage from %s: %w", aside, err)
	}
	j.opened = append(j.opened, Incident{File: aside, Saved: saved, Lost: lost,
		What: site.Say("the file of samples was damaged and is set aside as %s; of what was not sent yet, %d samples were saved from it and %d could not be", aside, saved, lost)})
	return j.uncondemn(samplesFile)
}

// salvage copies what can be read of a damaged file into the journal's new one.
type salvage struct {
	j     *Journal
	old   *sql.DB
	after int64 // what is wanted comes after it
	names [2]map[uint32]bool
	saved int64
	// end is true when the newest batch could be read.
	end bool
}

func (s *salvage) run(ctx context.Context, aside string) (saved, lost int64, err error) {
	j := s.j
	// The ledger knows how far the journal had come at least.
	var known, covered int64
	if err := j.ledger.r.QueryRowContext(ctx, `SELECT max(coalesce((SELECT max(seq) FROM snapshots), 0), coalesce((SELECT max(after_seq) FROM records), 0),
		coalesce((SELECT max(json_extract(value, '$[0]')) FROM queues, json_each(pending) WHERE kind = 0), 0)), coalesce((SELECT max(seq) FROM snapshots), 0)`).Scan(&known, &covered); err != nil {
		return 0, 0, classify(err)
	}
	// Wanted is what a consumer does not have and what the core's newest snapshot does not cover;
	// where nobody consumes, everything.
	consumers := false
	s.after = covered
	for key, pending := range j.queues.stored {
		if key.kind == queueSamples {
			s.after, consumers = min(s.after, pending[0].After), true
		}
	}
	if !consumers {
		s.after = 0
	}
	rolled, err := s.buckets(ctx)
	if err != nil {
		return 0, 0, err
	}
	s.after = min(s.after, rolled)
	if err := s.readNames(ctx); err != nil {
		return 0, 0, err
	}
	// Where not even the list of tables can be read, nothing can.
	var tables int
	if s.old.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = 'batches'").Scan(&tables) == nil && tables == 1 {
		if err := s.span(ctx, s.after, known+seqReserve, 10); err != nil {
			return 0, 0, err
		}
	}
	lost, last, err := s.count(ctx, known, aside)
	if err != nil {
		return 0, 0, err
	}
	for key, value := range map[string]int64{"start": last, "rolled": rolled} {
		if _, err := j.samples.w.ExecContext(ctx, "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", key, value); err != nil {
			return 0, 0, classify(err)
		}
	}
	return s.saved, lost, nil
}

// readNames takes the numbers of points and reasons over and remembers which there are.
func (s *salvage) readNames(ctx context.Context) error {
	s.names = [2]map[uint32]bool{{}, {}}
	for _, from := range []*sql.DB{s.old, s.j.ledger.r} {
		rows, err := from.QueryContext(ctx, "SELECT kind, id, text FROM names")
		if err != nil {
			continue // the other has them too
		}
		for rows.Next() {
			var kind int
			var id uint32
			var text string
			if rows.Scan(&kind, &id, &text) != nil || kind < 0 || kind > 1 {
				continue
			}
			if err := insertName(ctx, s.j.samples.w, kind, id, text); err != nil {
				return errors.Join(err, rows.Close())
			}
			s.names[kind][id] = true
		}
		_ = rows.Close() // what could not be read is missing, and its samples are counted
	}
	return nil
}

// span saves the batches of (after, upto]: upwards until a page cannot be read, downwards from
// the other end, and then what lies between in halves.
func (s *salvage) span(ctx context.Context, after, upto int64, depth int) error {
	if after >= upto {
		return nil
	}
	lo := after
	if first, err := firstHolding(ctx, s.old, after+1); err == nil {
		lo = first - 1
	}
	for {
		page, failed := readBatches(ctx, s.old, batchPage, "WHERE first > ? AND first <= ? ORDER BY first LIMIT ?", lo, upto)
		if err := s.take(ctx, page); err != nil {
			return err
		}
		if len(page) > 0 {
			lo = page[len(page)-1].last()
		}
		if failed == nil && len(page) < batchPage {
			s.end = true // of the last span that is asked for
			return ctx.Err()
		}
		if failed != nil {
			break
		}
	}
	hi := upto
	for {
		page, failed := readBatches(ctx, s.old, batchPage, "WHERE first > ? AND first <= ? ORDER BY first DESC LIMIT ?", lo, hi)
		if err := s.take(ctx, page); err != nil {
			return err
		}
		if len(page) > 0 {
			hi = page[len(page)-1].first - 1
		}
		if failed != nil || len(page) < batchPage {
			s.end = s.end || hi < upto
			break
		}
	}
	if depth == 0 || hi-lo < spoiltSpan || ctx.Err() != nil {
		return ctx.Err()
	}
	mid := lo + (hi-lo)/2
	end := s.end
	err := s.span(ctx, lo, mid, depth-1)
	s.end = end
	return errors.Join(err, s.span(ctx, mid, hi, depth-1))
}

// take copies batches that are sound.
func (s *salvage) take(ctx context.Context, page []batch) error {
	if len(page) == 0 {
		return nil
	}
	tx, err := s.j.samples.w.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	for _, b := range page {
		named := true
		err := eachReading(b.data, b.t, b.n, func(_ int, r reading) bool {
			named = named && s.names[namePoint][r.point] && (r.why == 0 || s.names[nameWhy][r.why])
			return named
		})
		if err != nil || !named || b.n <= 0 {
			continue
		}
		result, err := tx.ExecContext(ctx, "INSERT INTO batches (first, n, t, span, run, data) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING", b.first, b.n, b.t, b.span, b.run, b.data)
		if err != nil {
			return errors.Join(classify(err), tx.Rollback())
		}
		if n, err := result.RowsAffected(); err == nil && n > 0 {
			s.saved += int64(b.n)
		}
	}
	return classify(tx.Commit())
}

// buckets copies what was rolled up and returns how far. When that cannot be read, nothing is
// copied, and rolling up begins with what is saved.
func (s *salvage) buckets(ctx context.Context) (rolled int64, err error) {
	if err := s.old.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'rolled'").Scan(&rolled); err != nil {
		return s.after, ctx.Err()
	}
	for _, table := range []string{"minutes", "hours"} {
		for _, order := range []string{"t", "t DESC"} { // from both ends to the damage
			rows, err := s.old.QueryContext(ctx, "SELECT t, data FROM "+table+" ORDER BY "+order)
			if err != nil {
				continue
			}
			tx, err := s.j.samples.w.BeginTx(ctx, nil)
			if err != nil {
				return 0, errors.Join(classify(err), rows.Close())
			}
			for rows.Next() {
				var t int64
				var data []byte
				if rows.Scan(&t, &data) != nil || eachBucket(data, t, func(bucketKey, bucket) bool { return true }) != nil {
					continue
				}
				if _, err := tx.ExecContext(ctx, "INSERT INTO "+table+" (t, data) VALUES (?, ?) ON CONFLICT DO NOTHING", t, data); err != nil {
					return 0, errors.Join(classify(err), tx.Rollback(), rows.Close())
				}
			}
			whole := rows.Err() == nil
			_ = rows.Close()
			if err := tx.Commit(); err != nil {
				return 0, classify(err)
			}
			if whole {
				break
			}
		}
	}
	return rolled, ctx.Err()
}

// count notes the gaps in losses and returns how many samples they were and the number to go on
// after.
func (s *salvage) count(ctx context.Context, known int64, aside string) (lost, last int64, err error) {
	why := "the file of samples was damaged and is set aside as " + aside
	note := func(first, last, n int64) error {
		_, err := s.j.ledger.w.ExecContext(ctx, "INSERT INTO losses (first, last, n, why) VALUES (?, ?, ?, ?)", first, last, n, why)
		return classify(err)
	}
	next := s.after + 1
	for b, err := range s.j.batches(ctx, 0) {
		if err != nil {
			return 0, 0, err
		}
		if n := b.first - next; n > 0 {
			lost += n
			if err := note(next, b.first-1, n); err != nil {
				return 0, 0, err
			}
		}
		next = max(next, b.last()+1)
	}
	last = max(known, next-1)
	missing := last - (next - 1)
	lost += missing
	if !s.end {
		last += seqReserve
	}
	if last >= next {
		if err := note(next, last, missing); err != nil {
			return 0, 0, err
		}
	}
	return lost, last, nil
}

// condemned marks a file that was found damaged while it was in use: the next Open mends it.
func condemned(name string) string { return name + ".damaged" }

// condemn marks the file if err says that it is damaged, and tells Damaged.
func (j *Journal) condemn(name string, err error) {
	if j.opts.ReadOnly || !errors.Is(err, ErrDamaged) {
		return
	}
	f, ferr := os.OpenFile(j.path(condemned(name)), os.O_CREATE|os.O_WRONLY, 0o640)
	if ferr == nil {
		ferr = errors.Join(f.Sync(), f.Close())
	}
	if ferr != nil {
		j.log.Error("a damaged file cannot be marked", "file", name, "error", ferr)
	}
	select {
	case j.damaged <- fmt.Errorf("journal: %s is damaged; a restart sets it aside and saves what can be read: %w", name, err):
	default: // somebody has been told
	}
}

func (j *Journal) isCondemned(name string) bool {
	_, err := os.Stat(j.path(condemned(name)))
	return err == nil
}

func (j *Journal) uncondemn(name string) error {
	if err := os.Remove(j.path(condemned(name))); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// Damaged gets, once, the error that a file was found damaged while in use. The file is marked:
// closing the journal and opening it again mends it.
func (j *Journal) Damaged() <-chan error { return j.damaged }
