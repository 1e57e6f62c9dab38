package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
)

// openLedger opens the small database. A damaged one is set aside whole, and the daily copy
// takes its place.
func (j *Journal) openLedger(ctx context.Context) (err error) {
	if j.ledger, err = openDatabase(ctx, j.path(ledgerFile), "ledger", j.settings()); !errors.Is(err, ErrDamaged) || j.opts.ReadOnly {
		return err
	}
	aside, err := j.setFileAside(ledgerFile)
	if err != nil {
		return err
	}
	what := "the ledger was damaged and is begun anew"
	if err := os.Rename(j.path(copyFile), j.path(ledgerFile)); err == nil {
		what = "the ledger was damaged; the last daily copy took its place"
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}
	j.opened = append(j.opened, Incident{What: what, File: aside})
	j.ledger, err = openDatabase(ctx, j.path(ledgerFile), "ledger", j.settings())
	return err
}

// openSamples opens the large database. A damaged one is set aside whole, and a new one goes on
// with the next sequence number; what was in it counts as lost.
func (j *Journal) openSamples(ctx context.Context) (err error) {
	s := j.settings()
	s.maxPages = j.opts.MaxBytes / pageSize
	if j.samples, err = openDatabase(ctx, j.path(samplesFile), "samples", s); !errors.Is(err, ErrDamaged) || j.opts.ReadOnly {
		return err
	}
	aside, err := j.setFileAside(samplesFile)
	if err != nil {
		return err
	}
	if j.samples, err = openDatabase(ctx, j.path(samplesFile), "samples", s); err != nil {
		return err
	}
	// The ledger knows how far the journal had come at least; one step further nothing can be
	// known by anybody.
	var last int64
	if err := j.ledger.r.QueryRowContext(ctx, `SELECT max(coalesce((SELECT max(seq) FROM snapshots), 0), coalesce((SELECT max(after_seq) FROM records), 0),
		coalesce((SELECT max(json_extract(value, '$[0]')) FROM queues, json_each(pending) WHERE kind = 0), 0))`).Scan(&last); err != nil {
		return classify(err)
	}
	last += seqReserve
	for _, key := range []string{"start", "rolled"} {
		if _, err := j.samples.w.ExecContext(ctx, "INSERT INTO meta (key, value) VALUES (?, ?)", key, last); err != nil {
			return classify(err)
		}
	}
	if _, err := j.ledger.w.ExecContext(ctx, "INSERT INTO losses (first, last, n, why) VALUES (1, ?, ?, ?)", last, last, "the file of samples was damaged and is set aside as "+aside); err != nil {
		return classify(err)
	}
	j.opened = append(j.opened, Incident{What: "the file of samples was damaged and is begun anew", File: aside, Lost: last})
	return nil
}

// seqReserve is left free after a damaged file, so that no number is given twice: positions in
// the ledger may be a minute old.
const seqReserve = 1_000_000

// setFileAside renames a database with its log to a free name and returns it.
func (j *Journal) setFileAside(name string) (string, error) {
	for i := 1; ; i++ {
		aside := fmt.Sprintf("damaged-%d-%s", i, name)
		if _, err := os.Stat(j.path(aside)); err == nil {
			continue
		} else if !errors.Is(err, os.ErrNotExist) {
			return "", err
		}
		for _, suffix := range []string{"", "-wal", "-shm"} {
			if err := os.Rename(j.path(name+suffix), j.path(aside+suffix)); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
		}
		return aside, nil
	}
}
