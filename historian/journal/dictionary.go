package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
)

// What a short number stands for.
const (
	namePoint = 0
	nameWhy   = 1
)

// dictionary maps point ids and reasons to short numbers and back. Numbers start at 1 and are
// never given anew, so that an old batch reads the same for ever.
type dictionary struct {
	mu    sync.RWMutex
	ids   [2]map[string]uint32
	texts [2]map[uint32]string
}

func (d *dictionary) put(kind int, id uint32, text string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ids[kind][text] = id
	d.texts[kind][id] = text
}

func (d *dictionary) id(kind int, text string) (uint32, bool) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	id, ok := d.ids[kind][text]
	return id, ok
}

func (d *dictionary) text(kind int, id uint32) (string, bool) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	text, ok := d.texts[kind][id]
	return text, ok
}

func (d *dictionary) next(kind int) uint32 {
	d.mu.RLock()
	defer d.mu.RUnlock()
	var top uint32
	for id := range d.texts[kind] {
		top = max(top, id)
	}
	return top + 1
}

// nameID returns the number of a text and gives it one, in both files, when it is new. The
// numbers are durable before any batch that uses them.
func (j *Journal) nameID(ctx context.Context, which int, text string) (uint32, error) {
	if id, ok := j.dict.id(which, text); ok {
		return id, nil
	}
	id := j.dict.next(which)
	for _, d := range []*database{j.ledger, j.samples} {
		if err := insertName(ctx, d.w, which, id, text); err != nil {
			return 0, fmt.Errorf("number for %q: %w", text, err)
		}
	}
	j.dict.put(which, id, text)
	return id, nil
}

func insertName(ctx context.Context, db *sql.DB, which int, id uint32, text string) error {
	_, err := db.ExecContext(ctx, "INSERT INTO names (kind, id, text) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET text = excluded.text", which, id, text)
	return classify(err)
}

// loadNames reads the numbers of both files and gives each file what only the other has: one of
// them may have been lost or come from an older copy.
func (j *Journal) loadNames(ctx context.Context) error {
	for k := range j.dict.ids {
		j.dict.ids[k], j.dict.texts[k] = map[string]uint32{}, map[uint32]string{}
	}
	type name struct {
		kind int
		id   uint32
	}
	files := []*database{j.samples, j.ledger} // batches are in the first, so its word counts
	held := make([]map[name]string, len(files))
	for i, d := range files {
		held[i] = map[name]string{}
		rows, err := d.r.QueryContext(ctx, "SELECT kind, id, text FROM names ORDER BY kind, id")
		if err != nil {
			return classify(err)
		}
		for rows.Next() {
			var n name
			var text string
			if err := rows.Scan(&n.kind, &n.id, &text); err != nil {
				return errors.Join(classify(err), rows.Close())
			}
			if n.kind != namePoint && n.kind != nameWhy {
				return errors.Join(fmt.Errorf("%s: name of kind %d: %w", d.file, n.kind, ErrDamaged), rows.Close())
			}
			held[i][n] = text
			if _, known := j.dict.text(n.kind, n.id); !known {
				j.dict.put(n.kind, n.id, text)
			}
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return classify(err)
		}
	}
	if j.opts.ReadOnly {
		return nil
	}
	for i, d := range files {
		for n, text := range held[1-i] {
			if _, ok := held[i][n]; ok {
				continue
			}
			if err := insertName(ctx, d.w, n.kind, n.id, text); err != nil {
				return err
			}
		}
	}
	return nil
}
