package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// pageSize of both files; SQLite's default, and what a card likes.
const pageSize = 4096

// pruneBatches is how many batches go in one transaction: an append waits for it.
const pruneBatches = 2000

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

// drop deletes up to pruneBatches of the oldest batches whose samples are all at or below upto.
func (j *Journal) drop(ctx context.Context, upto int64) (n int64, err error) {
	result, err := j.samples.w.ExecContext(ctx, `DELETE FROM batches WHERE first IN (SELECT first FROM batches
		WHERE first + n - 1 <= ? AND first < (SELECT max(first) FROM batches) ORDER BY first LIMIT ?)`, upto, pruneBatches)
	if err != nil {
		return 0, fmt.Errorf("drop samples up to %d: %w", upto, classify(err))
	}
	return result.RowsAffected()
}

// prune drops what is older than the options want to keep, and the oldest of what is settled
// when the file nears its limit. What has not been forwarded never goes.
func (j *Journal) prune(ctx context.Context) error {
	newest := j.newest.Load()
	if newest == 0 {
		return nil
	}
	settled, err := j.settled(ctx)
	if err != nil {
		return err
	}
	cutoff := newest - j.opts.MaxAge.Milliseconds()
	aged, err := j.before(ctx, cutoff)
	if err != nil {
		return err
	}
	for n := int64(pruneBatches); n == pruneBatches; {
		if n, err = j.drop(ctx, min(aged, settled)); err != nil {
			return err
		}
	}
	for table, before := range map[string]int64{"minutes": cutoff, "hours": newest - j.opts.HourlyAge.Milliseconds()} {
		if _, err := j.samples.w.ExecContext(ctx, "DELETE FROM "+table+" WHERE t < ?", before); err != nil {
			return fmt.Errorf("drop old %s: %w", table, classify(err))
		}
	}
	for {
		used, limit, err := j.pages(ctx)
		if err != nil {
			return err
		}
		var disk unix.Statfs_t
		if err := unix.Statfs(j.opts.Dir, &disk); err != nil {
			return fmt.Errorf("free room: %w", err)
		}
		scarce := int64(disk.Bavail)*int64(disk.Bsize) < j.opts.MinFreeBytes
		if used < limit-limit/8 && !scarce {
			return nil
		}
		n, err := j.drop(ctx, settled)
		if err != nil || n == 0 {
			return err
		}
		j.counts.dropped.Add(n)
		if !scarce { // the pages stay with the file and are used again
			continue
		}
		for _, give := range []string{"PRAGMA incremental_vacuum", "PRAGMA wal_checkpoint(TRUNCATE)"} {
			if _, err := j.samples.w.ExecContext(ctx, give); err != nil {
				return fmt.Errorf("give room back: %w", classify(err))
			}
		}
	}
}

// pages returns how many pages of the samples' file are in use, and its limit.
func (j *Journal) pages(ctx context.Context) (used, limit int64, err error) {
	err = j.samples.r.QueryRowContext(ctx, "SELECT (SELECT page_count FROM pragma_page_count) - (SELECT freelist_count FROM pragma_freelist_count)").Scan(&used)
	return used, j.opts.MaxBytes / pageSize, classify(err)
}

// makeRoom drops the oldest settled samples because an append found no room. The limit of pages
// lies below the disk's, so that there is room for the delete's own log.
func (j *Journal) makeRoom(ctx context.Context) (freed bool, err error) {
	settled, err := j.settled(ctx)
	if err != nil {
		return false, err
	}
	n, err := j.drop(ctx, settled)
	if isFull(err) { // the disk itself is full: nothing can be done from inside
		return false, nil
	}
	j.counts.dropped.Add(n)
	return n > 0, err
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
