package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
	"modernc.org/sqlite"

	"bayledger/agent/site"
)

// ErrReadOnly is returned by everything that writes to a journal opened for reading.
var ErrReadOnly = errors.New("journal: opened for reading only")

// ErrInUse is returned by Open when another process writes the journal.
var ErrInUse = errors.New("journal: in use by another process")

// names of files in the journal's folder.
const (
	samplesFile = "samples.db"
	ledgerFile  = "ledger.db"
	copyFile    = "ledger-copy.db"
	lockFile    = "lock"
	ballastFile = "ballast"
)

// batchRows bounds the samples of one stored batch, so that a reader never has to hold more.
const batchRows = 1000

// Journal is an open journal.
type Journal struct {
	opts Options
	log  *slog.Logger
	lock *os.File

	samples, ledger *database

	// write serialises everything that changes the order of the journal: two appends, or an
	// append and a record, must not both think they come next.
	write sync.Mutex
	dict  dictionary
	order order
	// last is the sequence number of the newest sample; read without the lock.
	last atomic.Int64
	// newest is the time in ms of the newest sample that is not waiting to be dated.
	newest atomic.Int64
	run    int64 // 0, or the run that undated samples belong to; guarded by write

	cal    calibrations
	places atomic.Pointer[site.Places]
	runs   runs
	queues queues

	upkeep upkeep
	counts counts
	opened []Incident
	// damaged has room for one error.
	damaged chan error
	copied  int64 // the day of data of the ledger's copy; guarded by upkeep.mu
}

// counts are what Stats tells.
type counts struct {
	samples, refused, full, dropped, commits, commitNS atomic.Int64
}

// Incident is something Open found and put right, to be told to people.
type Incident struct {
	// What happened, in one sentence.
	What site.Phrase
	// Set aside under this name in the journal's folder; empty when nothing was.
	File string
	// Saved and Lost are how many samples could be taken over from it and how many could not.
	Saved, Lost int64
	// Earlier is true when an earlier Open has told of it and the file is still there.
	Earlier bool
}

// Open opens the journal in opts.Dir, makes it when there is none, and brings it back after
// whatever the last process did to it: a damaged file is set aside whole, a new one or the last
// copy takes its place, and Incidents tells of it.
func Open(ctx context.Context, opts Options) (*Journal, error) {
	if err := opts.Validate().Err(); err != nil {
		return nil, fmt.Errorf("journal: options: %w", err)
	}
	j := &Journal{opts: opts, log: opts.Log, damaged: make(chan error, 1)}
	if j.log == nil {
		j.log = slog.New(slog.DiscardHandler)
	}
	if j.opts.synchronous == "" {
		j.opts.synchronous = "FULL"
	}
	if err := j.open(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("journal: open %s: %w", opts.Dir, err), j.closeFiles())
	}
	j.upkeep.start(j)
	return j, nil
}

func (j *Journal) open(ctx context.Context) error {
	if j.opts.ReadOnly {
		if _, err := os.Stat(j.path(ledgerFile)); errors.Is(err, fs.ErrNotExist) {
			return ErrNone // SQLite would say that it is "unable to open database file"
		}
	} else {
		if err := os.MkdirAll(j.opts.Dir, 0o750); err != nil {
			return err
		}
		if err := j.takeLock(); err != nil {
			return err
		}
		// On ext4 a commit with fdatasync costs half of one with fsync, since file times are
		// not written through the file system's own log each time; what is durable is the same.
		if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
			return err
		}
	}
	if err := j.openLedger(ctx); err != nil {
		return err
	}
	if err := j.openSamples(ctx); err != nil {
		return err
	}
	if !j.opts.ReadOnly {
		j.layBallast()
	}
	return errors.Join(j.asideFiles(), j.ownFiles())
}

// asideFiles adds what was set aside at an earlier start and still lies in the folder.
func (j *Journal) asideFiles() error {
	files, err := filepath.Glob(filepath.Join(j.opts.Dir, "damaged-*.db"))
	if err != nil {
		return err
	}
	for _, file := range files {
		name := filepath.Base(file)
		if !slices.ContainsFunc(j.opened, func(i Incident) bool { return i.File == name }) {
			j.opened = append(j.opened, Incident{What: site.Say("%s, set aside at an earlier start, still waits for somebody to look at it", name), File: name, Earlier: true})
		}
	}
	return nil
}

func (j *Journal) path(name string) string { return filepath.Join(j.opts.Dir, name) }

func (j *Journal) settings() settings {
	return settings{readOnly: j.opts.ReadOnly, vfs: j.opts.vfs, synchronous: j.opts.synchronous, walLimit: 8 << 20}
}

// takeLock keeps a second daemon out; the kernel lets go of it whatever ends this process.
func (j *Journal) takeLock() error {
	f, err := os.OpenFile(j.path(lockFile), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return err
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = ErrInUse
		}
		return errors.Join(err, f.Close())
	}
	j.lock = f
	return nil
}

// Close saves the positions of the queues, ends the upkeep and closes the files.
func (j *Journal) Close() error {
	j.upkeep.stop()
	var saved error
	if !j.opts.ReadOnly {
		saved = j.savePositions(context.Background())
	}
	return errors.Join(saved, j.closeFiles())
}

func (j *Journal) closeFiles() error {
	var errs []error
	for _, d := range []*database{j.samples, j.ledger} {
		if d != nil {
			errs = append(errs, d.close())
		}
	}
	if j.lock != nil {
		errs = append(errs, j.ownFiles(), j.lock.Close())
	}
	return errors.Join(errs...)
}

// Incidents tells what Open found damaged and what it did.
func (j *Journal) Incidents() []Incident { return j.opened }

// SetAsideFiles are the Incidents whose files are still in the journal's folder: somebody should
// look at them and take them away.
func (j *Journal) SetAsideFiles() (files []Incident) {
	for _, i := range j.opened {
		if _, err := os.Stat(j.path(i.File)); err == nil {
			files = append(files, i)
		}
	}
	return files
}

// Last is the sequence number of the newest sample, 0 when there is none.
func (j *Journal) Last() int64 { return j.last.Load() }

// Newest is the time of the newest sample that is dated or never will be; zero when there is
// none. A clock that shows less is wrong.
func (j *Journal) Newest() time.Time {
	if t := j.newest.Load(); t != 0 {
		return time.UnixMilli(t).UTC()
	}
	return time.Time{}
}

// RefusedError is returned by Append for samples that can never be stored: without a point, a
// time or, if not bad, a finite value, or not later than the sample before it of the same
// point. The other samples of the call are stored.
type RefusedError struct {
	// Samples are the indices of the refused samples in the call, ascending.
	Samples []int
	// Why the first was refused.
	Why string
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("journal: %d samples refused, the first because %s", len(e.Samples), e.Why)
}

// order remembers the latest time of each point, so that no point ever has two samples of one
// time or goes back.
type order struct {
	t   map[uint32]int64
	run map[uint32]int64 // the run the time belongs to
}

// Append stores samples in one durable transaction and returns the sequence number of the last
// one stored. Times are cut to whole milliseconds. The error is a *RefusedError when some
// samples are not storable (the rest is stored), wraps ErrFull when there is no room, and is
// ctx.Err() only when ctx had ended before anything was done: once begun, a commit is not
// given up.
func (j *Journal) Append(ctx context.Context, samples []site.Sample) (last int64, err error) {
	if j.opts.ReadOnly {
		return j.Last(), ErrReadOnly
	}
	if err := ctx.Err(); err != nil {
		return j.Last(), err
	}
	ctx = context.WithoutCancel(ctx)
	j.write.Lock()
	defer j.write.Unlock()
	readings, refused, err := j.admit(ctx, samples)
	if err != nil {
		return j.Last(), fmt.Errorf("journal: append %d samples: %w", len(samples), err)
	}
	if len(readings) > 0 {
		if err := j.store(ctx, readings); err != nil {
			j.condemn(samplesFile, err)
			return j.Last(), fmt.Errorf("journal: append %d samples: %w", len(readings), err)
		}
	}
	if refused != nil {
		j.counts.refused.Add(int64(len(refused.Samples)))
		return j.Last(), refused
	}
	return j.Last(), nil
}

// admit turns samples into readings and says which cannot be stored.
func (j *Journal) admit(ctx context.Context, samples []site.Sample) ([]reading, *RefusedError, error) {
	readings := make([]reading, 0, len(samples))
	var refused *RefusedError
	latest := make(map[uint32]int64, len(samples))
	run := j.runs.key(j.run)
	for i, s := range samples {
		why := ""
		switch {
		case s.Point == "":
			why = "it has no point"
		case s.Time.UnixMilli() <= 0:
			why = fmt.Sprintf("%s has no time", s.Point)
		case s.Quality > site.Bad:
			why = fmt.Sprintf("%s has the unknown %v", s.Point, s.Quality)
		case s.Quality != site.Bad && !site.Known(s.Value):
			why = fmt.Sprintf("%s is %v and not marked bad", s.Point, s.Value)
		}
		if why == "" {
			r := reading{cal: s.Calibration, quality: uint8(s.Quality), t: s.Time.UnixMilli(), value: s.Value}
			if s.Quality == site.Bad {
				r.value = math.NaN()
			}
			var err error
			if r.point, err = j.nameID(ctx, namePoint, s.Point); err != nil {
				return nil, nil, err
			}
			if s.Why != site.WhyNone {
				if r.why, err = j.nameID(ctx, nameWhy, string(s.Why)); err != nil {
					return nil, nil, err
				}
			}
			before, ok := latest[r.point]
			if !ok {
				before, ok = j.order.t[r.point], j.order.run[r.point] == run
			}
			if !ok || r.t > before {
				latest[r.point] = r.t
				readings = append(readings, r)
				continue
			}
			why = fmt.Sprintf("%s at %s is not after its last sample", s.Point, s.Time.UTC().Format(time.RFC3339Nano))
		}
		if refused == nil {
			refused = &RefusedError{Why: why}
		}
		refused.Samples = append(refused.Samples, i)
	}
	return readings, refused, nil
}

// store commits readings. When there is no room it drops what is allowed to go and tries once
// more.
func (j *Journal) store(ctx context.Context, readings []reading) error {
	err := j.commit(ctx, readings)
	if isFull(err) {
		j.counts.full.Add(1)
		if freed, ferr := j.makeRoom(ctx); ferr != nil {
			return errors.Join(err, ferr)
		} else if freed {
			err = j.commit(ctx, readings)
		}
	}
	if err != nil {
		return err
	}
	newest, run := j.newest.Load(), j.runs.key(j.run)
	for _, r := range readings {
		j.order.t[r.point], j.order.run[r.point] = r.t, run
		if run == 0 {
			newest = max(newest, r.t)
		}
	}
	j.newest.Store(newest)
	j.last.Add(int64(len(readings)))
	j.counts.samples.Add(int64(len(readings)))
	j.queues.wake(queueSamples)
	j.upkeep.due(newest)
	return nil
}

func (j *Journal) commit(ctx context.Context, readings []reading) error {
	began := time.Now()
	if free, err := j.free(); err == nil && free < reserveBytes {
		return fmt.Errorf("%w: %d bytes of the disk are left, which are kept for events and records", ErrFull, free)
	}
	tx, err := j.samples.w.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	first := j.last.Load() + 1
	for len(readings) > 0 {
		part := readings[:min(len(readings), batchRows)]
		readings = readings[len(part):]
		if err := insertBatch(ctx, tx, first, j.run, part); err != nil {
			return errors.Join(classify(err), tx.Rollback())
		}
		first += int64(len(part))
	}
	if err := tx.Commit(); err != nil {
		return classify(err)
	}
	j.counts.commits.Add(1)
	j.counts.commitNS.Add(int64(time.Since(began)))
	return nil
}

func insertBatch(ctx context.Context, tx *sql.Tx, first, run int64, part []reading) error {
	lo, hi := part[0].t, part[0].t
	for _, r := range part {
		lo, hi = min(lo, r.t), max(hi, r.t)
	}
	_, err := tx.ExecContext(ctx, "INSERT INTO batches (first, n, t, span, run, data) VALUES (?, ?, ?, ?, ?, ?)",
		first, len(part), lo, hi-lo, run, appendBatch(nil, lo, part))
	return err
}

// batch is a row of batches.
type batch struct {
	first, t, span, run int64
	n                   int
	data                []byte
}

func (b batch) last() int64 { return b.first + int64(b.n) - 1 }

const selectBatch = "SELECT first, n, t, span, run, data FROM batches "

// readBatches returns up to limit rows that a condition on first selects, in short pages, so
// that no cursor stays open and keeps the write-ahead log from being reused.
func readBatches(ctx context.Context, db *sql.DB, limit int, where string, args ...any) ([]batch, error) {
	rows, err := db.QueryContext(ctx, selectBatch+where, append(args, limit)...)
	if err != nil {
		return nil, classify(err)
	}
	defer rows.Close()
	var page []batch
	for rows.Next() {
		var b batch
		if err := rows.Scan(&b.first, &b.n, &b.t, &b.span, &b.run, &b.data); err != nil {
			return page, classify(err)
		}
		page = append(page, b)
	}
	return page, classify(rows.Err())
}

// batchPage is how many batches are read at a time.
const batchPage = 200

// batches yields the batches that hold a sample after the given sequence number, in order.
func (j *Journal) batches(ctx context.Context, after int64) iter.Seq2[batch, error] {
	return func(yield func(batch, error) bool) {
		next, err := firstHolding(ctx, j.samples.r, after+1)
		if err != nil {
			yield(batch{}, err)
			return
		}
		for {
			page, err := readBatches(ctx, j.samples.r, batchPage, "WHERE first >= ? ORDER BY first LIMIT ?", next)
			for _, b := range page {
				if !yield(b, nil) {
					return
				}
				next = b.first + 1
			}
			if err != nil {
				j.condemn(samplesFile, err)
				yield(batch{}, err)
				return
			}
			if len(page) < batchPage {
				return
			}
		}
	}
}

// firstHolding returns the first of the batch that holds a sample, or the sample's own number
// when no batch does.
func firstHolding(ctx context.Context, db *sql.DB, seq int64) (int64, error) {
	var first, n int64
	err := db.QueryRowContext(ctx, "SELECT first, n FROM batches WHERE first <= ? ORDER BY first DESC LIMIT 1", seq).Scan(&first, &n)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return seq, nil
	case err != nil:
		return 0, classify(err)
	case first+n <= seq:
		return seq, nil
	}
	return first, nil
}

// tailBatches is how far back the latest time of each point is looked for at the start. A point
// that has none there is slower than an hour or gone.
const tailBatches = 2000

// loadTail reads where the journal stands.
func (j *Journal) loadTail(ctx context.Context) error {
	var start int64
	err := j.samples.r.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'start'").Scan(&start)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return classify(err)
	}
	j.order = order{t: map[uint32]int64{}, run: map[uint32]int64{}}
	j.last.Store(start)
	tail, err := readBatches(ctx, j.samples.r, tailBatches, "ORDER BY first DESC LIMIT ?")
	if err != nil {
		return err
	}
	var newest int64
	for i, b := range tail {
		if i == 0 {
			j.last.Store(max(start, b.last()))
		}
		shift, state := j.runs.shift(b.run)
		err := eachReading(b.data, b.t, b.n, func(_ int, r reading) bool {
			if state == runUndated {
				return true
			}
			r.t += shift
			j.order.t[r.point] = max(j.order.t[r.point], r.t)
			newest = max(newest, r.t)
			return true
		})
		if err != nil {
			return fmt.Errorf("batch %d: %w: %w", b.first, ErrDamaged, err)
		}
	}
	j.newest.Store(newest)
	return nil
}

// sample turns a stored reading back into what was appended, calibrated.
func (j *Journal) sample(r reading, cal site.Calibrations) (site.Sample, error) {
	point, ok := j.dict.text(namePoint, r.point)
	if !ok {
		return site.Sample{}, fmt.Errorf("point number %d has no name: %w", r.point, ErrDamaged)
	}
	s := site.Sample{Point: point, Time: time.UnixMilli(r.t).UTC(), Value: r.value, Quality: site.Quality(r.quality), Calibration: r.cal}
	if r.why != 0 {
		why, ok := j.dict.text(nameWhy, r.why)
		if !ok {
			return site.Sample{}, fmt.Errorf("reason number %d has no name: %w", r.why, ErrDamaged)
		}
		s.Why = site.Why(why)
	}
	return cal.Apply(s), nil
}
