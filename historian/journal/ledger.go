package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"strings"
	"sync/atomic"
	"time"

	"bayledger/agent/site"
)

// Position is a place in the journal's order: after the sample Seq and the record Record.
type Position struct{ Seq, Record int64 }

// AppendEvent stores an event durably and hands it to the consumers of events. An event that is
// already there (same id, seq and state) is left as it is, so that a replay after a restart
// tells nothing twice; fresh reports whether it was new.
func (j *Journal) AppendEvent(ctx context.Context, e site.Event) (fresh bool, err error) {
	if j.opts.ReadOnly {
		return false, ErrReadOnly
	}
	if err := ctx.Err(); err != nil {
		return false, err
	}
	text, err := json.Marshal(e)
	if err != nil {
		return false, fmt.Errorf("journal: event %s: %w", e.ID, err)
	}
	result, err := j.ledger.w.ExecContext(context.WithoutCancel(ctx),
		"INSERT INTO events (id, seq, state, t, json) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
		e.ID, e.Seq, string(e.State), e.Time.UnixMilli(), string(text))
	if err != nil {
		err = classify(err)
		j.condemn(ledgerFile, err)
		return false, fmt.Errorf("journal: event %s: %w", e.ID, err)
	}
	n, err := result.RowsAffected()
	if err != nil {
		return false, fmt.Errorf("journal: event %s: %w", e.ID, err)
	}
	if n > 0 {
		j.queues.wake(queueEvents)
	}
	return n > 0, nil
}

// StoredEvent is an event with its place among the events.
type StoredEvent struct {
	Pos   int64
	Event site.Event
}

// EventQuery selects events. Zero fields select everything.
type EventQuery struct {
	From, To time.Time // From inclusive, To exclusive
	// ID of one alarm.
	ID string
	// Newest returns the newest first.
	Newest bool
	// Limit of the answer; 0 means 1000.
	Limit int
}

// Events returns the events of a span in the order in which they were journaled.
func (j *Journal) Events(ctx context.Context, q EventQuery) ([]StoredEvent, error) {
	where, args := []string{"1"}, []any{}
	add := func(cond string, arg any) { where, args = append(where, cond), append(args, arg) }
	if !q.From.IsZero() {
		add("t >= ?", q.From.UnixMilli())
	}
	if !q.To.IsZero() {
		add("t < ?", q.To.UnixMilli())
	}
	if q.ID != "" {
		add("id = ?", q.ID)
	}
	order := " ORDER BY pos"
	if q.Newest {
		order += " DESC"
	}
	if q.Limit <= 0 {
		q.Limit = 1000
	}
	return j.readEvents(ctx, "WHERE "+strings.Join(where, " AND ")+order+" LIMIT ?", append(args, q.Limit)...)
}

func (j *Journal) readEvents(ctx context.Context, rest string, args ...any) ([]StoredEvent, error) {
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT pos, json FROM events "+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("journal: events: %w", classify(err))
	}
	defer rows.Close()
	var all []StoredEvent
	for rows.Next() {
		var one StoredEvent
		var text string
		if err := rows.Scan(&one.Pos, &text); err != nil {
			return nil, fmt.Errorf("journal: events: %w", classify(err))
		}
		if one.Event, err = site.ParseEvent([]byte(text)); err != nil {
			return nil, fmt.Errorf("journal: event at %d: %w", one.Pos, err)
		}
		all = append(all, one)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: events: %w", classify(err))
	}
	return all, nil
}

// AppendRecord stores an operator record durably, behind everything appended so far, and
// returns it as it was stored: with its ID, with AfterSeq, with times in UTC and whole
// milliseconds. Whoever acts on a record acts on the returned one, so that a replay sees the
// same. A record of kind calibration also needs AddCalibration.
func (j *Journal) AppendRecord(ctx context.Context, r site.Record) (site.Record, error) {
	if j.opts.ReadOnly {
		return r, ErrReadOnly
	}
	if err := ctx.Err(); err != nil {
		return r, err
	}
	if r.Kind == "" || r.Time.UnixMilli() <= 0 {
		return r, fmt.Errorf("journal: record of kind %q at %v has no kind or no time", r.Kind, r.Time)
	}
	j.write.Lock()
	defer j.write.Unlock()
	r.AfterSeq = j.last.Load()
	r.Time = time.UnixMilli(r.Time.UnixMilli()).UTC()
	var until any
	if !r.Until.IsZero() {
		r.Until = time.UnixMilli(r.Until.UnixMilli()).UTC()
		until = r.Until.UnixMilli()
	}
	result, err := j.ledger.w.ExecContext(context.WithoutCancel(ctx),
		"INSERT INTO records (after_seq, t, kind, bay, subject, who, value, value2, until, text) VALUES ("+placeholders(10)+")",
		r.AfterSeq, r.Time.UnixMilli(), string(r.Kind), r.Bay, r.Subject, r.Who, number(r.Value), number(r.Value2), until, r.Text)
	if err == nil {
		r.ID, err = result.LastInsertId()
	}
	if err != nil {
		err = classify(err)
		j.condemn(ledgerFile, err)
		return r, fmt.Errorf("journal: record %s: %w", r.Kind, err)
	}
	return r, nil
}

// number stores an unknown value as NULL, which SQLite would do with NaN silently.
func number(v float64) any {
	if !site.Known(v) {
		return nil
	}
	return v
}

// Records returns the records with an id above after, oldest first, up to limit (0 means all).
// kinds restricts them; none means every kind.
func (j *Journal) Records(ctx context.Context, after int64, limit int, kinds ...site.RecordKind) ([]site.Record, error) {
	if limit <= 0 {
		limit = math.MaxInt32
	}
	where, args := "WHERE id > ?", []any{after}
	if len(kinds) > 0 {
		where += " AND kind IN (" + placeholders(len(kinds)) + ")"
		for _, k := range kinds {
			args = append(args, string(k))
		}
	}
	return j.readRecords(ctx, where+" ORDER BY id LIMIT ?", append(args, limit)...)
}

func (j *Journal) readRecords(ctx context.Context, rest string, args ...any) ([]site.Record, error) {
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT id, after_seq, t, kind, bay, subject, who, value, value2, until, text FROM records "+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("journal: records: %w", classify(err))
	}
	defer rows.Close()
	var all []site.Record
	for rows.Next() {
		var r site.Record
		var t int64
		var value, value2 sql.NullFloat64
		var until sql.NullInt64
		if err := rows.Scan(&r.ID, &r.AfterSeq, &t, &r.Kind, &r.Bay, &r.Subject, &r.Who, &value, &value2, &until, &r.Text); err != nil {
			return nil, fmt.Errorf("journal: records: %w", classify(err))
		}
		r.Time = time.UnixMilli(t).UTC()
		r.Value, r.Value2 = known(value), known(value2)
		if until.Valid {
			r.Until = time.UnixMilli(until.Int64).UTC()
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: records: %w", classify(err))
	}
	return all, nil
}

func known(v sql.NullFloat64) float64 {
	if !v.Valid {
		return site.Unknown()
	}
	return v.Float64
}

// Snapshot is a picture of a part's state with the place in the journal it covers.
type Snapshot struct {
	// Name of the part, such as "core".
	Name string
	// At is the last sample and record the state has taken in.
	At   Position
	Time time.Time // data time
	// Version of the format of Data; a part that does not know it rebuilds from the journal.
	Version int
	Data    []byte
}

// snapshotsKept is how many snapshots of a name stay: the newest, and those before it in case it
// cannot be read.
const snapshotsKept = 3

// PutSnapshot stores a snapshot durably and drops older ones of its name.
func (j *Journal) PutSnapshot(ctx context.Context, s Snapshot) error {
	if j.opts.ReadOnly {
		return ErrReadOnly
	}
	tx, err := j.ledger.w.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("journal: snapshot %s: %w", s.Name, classify(err))
	}
	_, err = tx.ExecContext(ctx, "INSERT OR REPLACE INTO snapshots (name, seq, record, t, version, data) VALUES (?, ?, ?, ?, ?, ?)",
		s.Name, s.At.Seq, s.At.Record, s.Time.UnixMilli(), s.Version, append([]byte{}, s.Data...))
	if err == nil {
		_, err = tx.ExecContext(ctx, `DELETE FROM snapshots WHERE name = ?1 AND rowid NOT IN
			(SELECT rowid FROM snapshots WHERE name = ?1 ORDER BY seq DESC, record DESC LIMIT ?2)`, s.Name, snapshotsKept)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("journal: snapshot %s: %w", s.Name, classify(err)), tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("journal: snapshot %s: %w", s.Name, classify(err))
	}
	return nil
}

// Snapshots returns the kept snapshots of a name, newest first; none is not an error.
func (j *Journal) Snapshots(ctx context.Context, name string) ([]Snapshot, error) {
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT seq, record, t, version, data FROM snapshots WHERE name = ? ORDER BY seq DESC, record DESC", name)
	if err != nil {
		return nil, fmt.Errorf("journal: snapshots: %w", classify(err))
	}
	defer rows.Close()
	var all []Snapshot
	for rows.Next() {
		s := Snapshot{Name: name}
		var t int64
		if err := rows.Scan(&s.At.Seq, &s.At.Record, &t, &s.Version, &s.Data); err != nil {
			return nil, fmt.Errorf("journal: snapshots: %w", classify(err))
		}
		s.Time = time.UnixMilli(t).UTC()
		all = append(all, s)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("journal: snapshots: %w", classify(err))
	}
	return all, nil
}

// calibrations is the current map; it is replaced whole, never changed.
type calibrations struct {
	all atomic.Pointer[site.Calibrations]
}

// AddCalibration stores a calibration durably and returns it with its ID. One that says the
// same as the newest of its point and origin is not stored again, so that every start may add
// what the site file says without ending what a person accepted later. The newest of a point is
// the one that holds.
func (j *Journal) AddCalibration(ctx context.Context, c site.Calibration) (site.Calibration, error) {
	if j.opts.ReadOnly {
		return c, ErrReadOnly
	}
	if !site.Known(c.Gain) || !site.Known(c.Offset) || c.Gain == 0 {
		return c, fmt.Errorf("journal: calibration of %s: gain %v and offset %v do not make a calibration", c.Point, c.Gain, c.Offset)
	}
	j.write.Lock()
	defer j.write.Unlock()
	old := *j.cal.all.Load()
	var newest site.Calibration
	top := uint32(0)
	for _, k := range old {
		if k.Point == c.Point && k.Origin == c.Origin && k.ID > newest.ID {
			newest = k
		}
		top = max(top, k.ID)
	}
	if newest.ID != 0 && newest.Gain == c.Gain && newest.Offset == c.Offset {
		return newest, nil
	}
	c.ID = top + 1
	c.From = time.UnixMilli(c.From.UnixMilli()).UTC()
	if _, err := j.ledger.w.ExecContext(ctx, "INSERT INTO calibrations (id, point, since, gain, shift, origin) VALUES (?, ?, ?, ?, ?, ?)",
		c.ID, c.Point, c.From.UnixMilli(), c.Gain, c.Offset, c.Origin); err != nil {
		return c, fmt.Errorf("journal: calibration of %s: %w", c.Point, classify(err))
	}
	all := maps.Clone(old)
	all[c.ID] = c
	j.cal.all.Store(&all)
	return c, nil
}

// Calibrations returns every calibration the journal knows. The map is not changed any more.
func (j *Journal) Calibrations() site.Calibrations { return *j.cal.all.Load() }

func (j *Journal) loadCalibrations(ctx context.Context) error {
	all := site.Calibrations{}
	rows, err := j.ledger.r.QueryContext(ctx, "SELECT id, point, since, gain, shift, origin FROM calibrations")
	if err != nil {
		return classify(err)
	}
	defer rows.Close()
	for rows.Next() {
		var c site.Calibration
		var since int64
		if err := rows.Scan(&c.ID, &c.Point, &since, &c.Gain, &c.Offset, &c.Origin); err != nil {
			return classify(err)
		}
		c.From = time.UnixMilli(since).UTC()
		all[c.ID] = c
	}
	j.cal.all.Store(&all)
	return classify(rows.Err())
}
