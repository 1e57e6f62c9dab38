package journal

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"time"

	"bayledger/agent/site"
)

// RememberPlaces keeps what the points of a site are, so that their samples can be sent and
// exported also after a point has left the site file. Call it with every accepted site file.
func (j *Journal) RememberPlaces(ctx context.Context, places site.Places) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	j.write.Lock()
	defer j.write.Unlock()
	old := j.Places()
	all := maps.Clone(old)
	for id, p := range places {
		if old[id] == p {
			continue
		}
		_, err := j.ledger.w.ExecContext(ctx, `INSERT INTO places (point, quantity, court, bay) VALUES (?, ?, ?, ?)
			ON CONFLICT DO UPDATE SET quantity = excluded.quantity, court = excluded.court, bay = excluded.bay`, id, string(p.Quantity), p.Court, p.Bay)
		if err != nil {
			return fmt.Errorf("journal: place of %s: %w", id, classify(err))
		}
		all[id] = p
	}
	j.places.Store(&all)
	return nil
}

// Places returns every point the journal has been told of, past ones too. The map is not
// changed any more.
func (j *Journal) Places() site.Places { return *j.places.Load() }

func (j *Journal) loadPlaces(ctx context.Context) error {
	all := site.Places{}
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT point, quantity, court, bay FROM places")
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var p site.Place
		if err := rows.Scan(&id, &p.Quantity, &p.Court, &p.Bay); err != nil {
			return classify(err)
		}
		all[id] = p
	}
	j.places.Store(&all)
	return classify(rows.Err())
}

// asideLimit bounds the lines set aside for one queue: with more, the fault is not in the lines.
const asideLimit = 10_000

// Aside is a line a server refused.
type Aside struct {
	ID    int64
	Queue string
	Seq   int64
	Time  time.Time // of the sample
	Line  string
	// Said is what the server gave as its reason.
	Said string
	// Again is true when it waits to be sent once more.
	Again bool
}

// SetAside keeps a line that the server behind this queue refuses, with the server's words, so
// that it stands in nobody's way. The caller takes the sample over afterwards (Done). kept is false
// when so many lines of this queue are set aside that no more are taken.
func (q *Queue) SetAside(ctx context.Context, seq int64, t time.Time, line, said string) (kept bool, err error) {
	var n int64
	if err := q.j.ledger.r.QueryRowContext(ctx, "SELECT count(*) FROM aside WHERE queue = ?", q.name).Scan(&n); err != nil {
		return false, fmt.Errorf("journal: set aside: %w", classify(err))
	}
	if n >= asideLimit {
		return false, nil
	}
	_, err = q.j.ledger.w.ExecContext(ctx, `INSERT INTO aside (queue, seq, t, line, said, state) VALUES (?, ?, ?, ?, ?, 0)
		ON CONFLICT DO UPDATE SET line = excluded.line, said = excluded.said, state = 0`, q.name, seq, t.UnixMilli(), line, said)
	if err != nil {
		return false, fmt.Errorf("journal: set aside: %w", classify(err))
	}
	return true, nil
}

// Again returns lines of this queue that a person wants sent once more, by their id.
func (q *Queue) Again(ctx context.Context, limit int) (map[int64]string, error) {
	list, err := q.j.readAside(ctx, "WHERE queue = ? AND state = 1 ORDER BY id LIMIT ?", q.name, limit)
	if err != nil {
		return nil, err
	}
	lines := make(map[int64]string, len(list))
	for _, a := range list {
		lines[a.ID] = a.Line
	}
	return lines, nil
}

// Settle ends the story of a line sent once more: an empty said means it was stored and is
// forgotten; otherwise it stays set aside with the server's new words.
func (q *Queue) Settle(ctx context.Context, id int64, said string) error {
	query, args := "DELETE FROM aside WHERE id = ?1", []any{id}
	if said != "" {
		query, args = "UPDATE aside SET state = 0, said = ?2 WHERE id = ?1", append(args, said)
	}
	if _, err := q.j.ledger.w.ExecContext(ctx, query, args...); err != nil {
		return fmt.Errorf("journal: set aside: %w", classify(err))
	}
	return nil
}

// SetAside returns the lines that servers refused, oldest first; queue "" means of all.
func (j *Journal) SetAside(ctx context.Context, queue string, limit int) ([]Aside, error) {
	return j.readAside(ctx, "WHERE ?1 = '' OR queue = ?1 ORDER BY id LIMIT ?2", queue, limit)
}

func (j *Journal) readAside(ctx context.Context, rest string, args ...any) ([]Aside, error) {
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT id, queue, seq, t, line, said, state FROM aside "+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("journal: set aside: %w", classify(err))
	}
	defer rows.Close()
	var all []Aside
	for rows.Next() {
		var a Aside
		var t int64
		if err := rows.Scan(&a.ID, &a.Queue, &a.Seq, &t, &a.Line, &a.Said, &a.Again); err != nil {
			return nil, fmt.Errorf("journal: set aside: %w", classify(err))
		}
		a.Time = time.UnixMilli(t).UTC()
		all = append(all, a)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: set aside: %w", classify(err))
	}
	return all, nil
}

// SendAgain marks lines that were set aside to be sent once more: those of a queue ("" for all)
// or, when id is not 0, that one. It also works on a journal that a daemon is writing, whose
// forwarder then finds them. It returns how many were marked.
func (j *Journal) SendAgain(ctx context.Context, queue string, id int64) (int64, error) {
	db, done, err := j.ledgerWriter(ctx)
	if err != nil {
		return 0, fmt.Errorf("journal: send again: %w", err)
	}
	defer done()
	result, err := db.ExecContext(ctx, "UPDATE aside SET state = 1 WHERE (?1 = '' OR queue = ?1) AND (?2 = 0 OR id = ?2)", queue, id)
	if err != nil {
		return 0, fmt.Errorf("journal: send again: %w", classify(err))
	}
	return result.RowsAffected()
}

// ledgerWriter returns a connection that may write the ledger, also beside the daemon that owns
// the journal: SQLite lets one of them wait for the other.
func (j *Journal) ledgerWriter(ctx context.Context) (db *sql.DB, done func(), err error) {
	if j.ledger.w != nil {
		return j.ledger.w, func() {}, nil
	}
	s := j.settings()
	s.readOnly = false
	d, err := openDatabase(ctx, j.path(ledgerFile), "ledger", s)
	if err != nil {
		return nil, nil, err
	}
	return d.w, func() {
		if err := d.close(); err != nil {
			j.log.Warn("ledger did not close", "error", err)
		}
	}, nil
}
