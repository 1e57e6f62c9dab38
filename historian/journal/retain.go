package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// pageSize of both files; SQLite's default, and what a card likes.
const pageSize = 4096

// pruneBatches is how many batches go in one transaction: an append waits for it.
const pruneBatches = 2000

// emergencyBatches is how many go in one transaction on a disk that has no room but the ballast's.
const emergencyBatches = 50

// settled is the last sample that may be dropped: every consumer has it, it is rolled up, and
// the newest snapshot of the core covers it. The newest batch always stays, so that numbers go
// on from it.
func (j *Journal) settled(ctx context.Context) (int64, error) {
	rolled, err := j.meta(ctx, "rolled")
	if err != nil {
		return 0, err
	}
	low := min(j.floor(), rolled)
	var snapshot sql.NullInt64
	if err := j.ledger.r.QueryRowContext(ctx, "SELECT max(seq) FROM snapshots").Scan(&snapshot); err != nil {
		return 0, classify(err)
	}
	if snapshot.Valid {
		low = min(low, snapshot.Int64)
	}
	return low, nil
}

// drop deletes up to limit of the oldest batches whose samples are all at or below upto.
func (j *Journal) drop(ctx context.Context, upto int64, limit int) (n int64, err error) {
	result, err := j.samples.w.ExecContext(ctx, `DELETE FROM batches WHERE first IN (SELECT first FROM batches
		WHERE first + n - 1 <= ? AND first < (SELECT max(first) FROM batches) ORDER BY first LIMIT ?)`, upto, limit)
	if err != nil {
		return 0, fmt.Errorf("drop samples up to %d: %w", upto, classify(err))
	}
	return result.RowsAffected()
}

// prune drops what is older than the options want to keep, and the oldest of what is settled
// when the file nears its limit. What has not been forwarded never goes.
func (j *Journal) prune(ctx context.Context) error {
	j.layBallast()
	newest := j.newest.Load()
	if newest == 0 {
		return nil
	}
	settled, err := j.settled(ctx)
	if err != nil {
		return err
	}
	if err := j.dropAged(ctx, newest, settled); err != nil {
		return err
	}
	for {
		used, limit, err := j.pages(ctx)
		if err != nil {
			return err
		}
		free, err := j.free()
		if err != nil {
			return err
		}
		scarce := free < j.opts.MinFreeBytes
		if used < limit-limit/8 && !scarce {
			return nil
		}
		n, err := j.drop(ctx, settled, pruneBatches)
		if err != nil || n == 0 {
			return err
		}
		j.counts.dropped.Add(n)
		if !scarce { // the pages stay with the file and are used again
			continue
		}
		if err := j.giveBack(ctx); err != nil {
			return err
		}
	}
}

// trial is how long readings must have come after a silence as long before anything is too old.
const trial = 7 * 24 * time.Hour

// dropAged drops what is older than the options want to keep. A clock that is years ahead makes
// everything old at once, so age does not count before readings have come for a week: until then
// Redate can put that right.
func (j *Journal) dropAged(ctx context.Context, newest, settled int64) error {
	wait := min(trial, j.opts.MaxAge).Milliseconds()
	earlier, err := j.before(ctx, newest-wait)
	if err != nil {
		return err
	}
	page, err := readBatches(ctx, j.samples.r, 1, "WHERE first <= ? ORDER BY first DESC LIMIT ?", earlier)
	if err != nil || len(page) == 0 {
		return err
	}
	if shift, _ := j.runs.shift(page[0].run); page[0].t+page[0].span+shift < newest-2*wait {
		return nil
	}
	cutoff := newest - j.opts.MaxAge.Milliseconds()
	aged, err := j.before(ctx, cutoff)
	if err != nil {
		return err
	}
	for n := int64(pruneBatches); n == pruneBatches; {
		if n, err = j.drop(ctx, min(aged, settled), pruneBatches); err != nil {
			return err
		}
	}
	for table, before := range map[string]int64{"minutes": cutoff, "hours": newest - j.opts.HourlyAge.Milliseconds()} {
		if _, err := j.samples.w.ExecContext(ctx, "DELETE FROM "+table+" WHERE t < ?", before); err != nil {
			return fmt.Errorf("drop old %s: %w", table, classify(err))
		}
	}
	return nil
}

// pages returns how many pages of the samples' file are in use, and its limit.
func (j *Journal) pages(ctx context.Context) (used, limit int64, err error) {
	err = j.samples.r.QueryRowContext(ctx, "SELECT (SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count)").Scan(&used)
	return used, j.opts.MaxBytes / pageSize, classify(err)
}

// makeRoom drops the oldest settled samples because an append found no room. Where the limit of
// pages is what was reached, a delete still has room for its own log. On a disk that is full to
// the last byte it has none, and the ballast gives way until pages have been given back.
func (j *Journal) makeRoom(ctx context.Context) (freed bool, err error) {
	settled, err := j.settled(ctx)
	if err != nil {
		return false, err
	}
	n, err := j.drop(ctx, settled, pruneBatches)
	if isFull(err) {
		if n, err = 0, nil; j.throwBallast() {
			// In small steps, so that the log of each fits into what the ballast took up.
			for d := int64(1); d > 0 && err == nil; n += d {
				if free, ferr := j.free(); n > 0 && (ferr != nil || free >= reserveBytes) {
					break
				}
				if d, err = j.drop(ctx, settled, emergencyBatches); err == nil && d > 0 {
					err = j.giveBack(ctx)
				}
			}
		}
	} else if free, ferr := j.free(); err == nil && n > 0 && ferr == nil && free < reserveBytes {
		err = j.giveBack(ctx) // within the file the pages would be used again; a scarce disk needs them
	}
	j.layBallast()
	if isFull(err) {
		err = nil // this is what the caller knows already
	}
	j.counts.dropped.Add(n)
	return n > 0, err
}

// giveBack returns free pages and the log to the disk, in steps that need little room.
func (j *Journal) giveBack(ctx context.Context) error {
	for {
		for _, give := range []string{"PRAGMA incremental_vacuum(256)", "PRAGMA wal_checkpoint(TRUNCATE)"} {
			if _, err := j.samples.w.ExecContext(ctx, give); err != nil {
				return fmt.Errorf("give room back: %w", classify(err))
			}
		}
		var left int64
		if err := j.samples.w.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&left); err != nil || left == 0 {
			return classify(err)
		}
	}
}

const (
	// ballastBytes is the size of a file that does nothing but be removed when the disk is full:
	// enough for the log of a delete.
	ballastBytes = 4 << 20
	// reserveBytes is room on the disk that samples leave to the ledger, so that the event that
	// says the disk is full can be kept.
	reserveBytes = 8 << 20
)

func (j *Journal) throwBallast() bool { return os.Remove(j.path(ballastFile)) == nil }

// layBallast makes the ballast anew when it is not there and the disk has room for it.
func (j *Journal) layBallast() {
	if _, err := os.Stat(j.path(ballastFile)); err == nil {
		return
	}
	if free, err := j.free(); err != nil || free < 2*reserveBytes {
		return
	}
	f, err := os.OpenFile(j.path(ballastFile), os.O_CREATE|os.O_WRONLY|os.O_EXCL, 0o640)
	if err != nil {
		return
	}
	// Zeros are written and not only asked for: not every file system can set room aside.
	if _, err = f.Write(make([]byte, ballastBytes)); errors.Join(err, f.Close()) != nil {
		_ = os.Remove(j.path(ballastFile)) // it is tried again in a minute
	}
}

// free is the room on the journal's disk.
func (j *Journal) free() (int64, error) {
	var disk unix.Statfs_t
	if err := unix.Statfs(j.opts.Dir, &disk); err != nil {
		return 0, fmt.Errorf("free room: %w", err)
	}
	return int64(disk.Bavail) * int64(disk.Bsize), nil //nolint:unconvert // Bsize has 32 bits on some machines
}

// copyLedger keeps a copy of the ledger that is at most a day of data old.
func (j *Journal) copyLedger(ctx context.Context) error {
	day := j.newest.Load() / (24 * hourMS)
	if day == j.copied {
		return nil
	}
	if err := copyDatabase(ctx, j.ledger, j.path(copyFile)); err != nil {
		return fmt.Errorf("copy the ledger: %w", err)
	}
	j.copied = day
	return nil
}

// copyDatabase writes a consistent copy of a database that may be in use, durably: beside the
// target first, then renamed over it.
func copyDatabase(ctx context.Context, d *database, target string) error {
	temp := target + ".tmp"
	if err := os.Remove(temp); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	db, err := sql.Open("sqlite", dsn(d.file, settings{readOnly: true, mayCopy: true}))
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", temp)
	if err := errors.Join(classify(err), db.Close()); err != nil {
		return err
	}
	f, err := os.OpenFile(temp, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(temp, target); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(target))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// Backup writes a consistent copy of the journal into a folder that must not exist, while the
// daemon goes on. The ledger is copied first, so that no position in it lies beyond the samples.
func (j *Journal) Backup(ctx context.Context, dir string) error {
	temp := dir + ".partial"
	if _, err := os.Stat(dir); err == nil {
		return fmt.Errorf("journal: backup: %s is there already", dir)
	}
	if err := errors.Join(os.RemoveAll(temp), os.MkdirAll(temp, 0o750)); err != nil {
		return fmt.Errorf("journal: backup: %w", err)
	}
	for _, c := range []struct {
		d    *database
		name string
	}{{j.ledger, ledgerFile}, {j.samples, samplesFile}} {
		if err := copyDatabase(ctx, c.d, filepath.Join(temp, c.name)); err != nil {
			return errors.Join(fmt.Errorf("journal: backup: %w", err), os.RemoveAll(temp))
		}
	}
	if err := os.Rename(temp, dir); err != nil {
		return fmt.Errorf("journal: backup: %w", err)
	}
	return nil
}
