package journal

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bayledger/agent/site"
)

// openLedger opens the small database and reads what is always needed of it. A damaged one is
// set aside whole, and the daily copy takes its place.
func (j *Journal) openLedger(ctx context.Context) error {
	open := func() (err error) {
		if j.ledger, err = openDatabase(ctx, j.path(ledgerFile), "ledger", j.settings()); err != nil {
			return err
		}
		for _, load := range []func(context.Context) error{j.loadRuns, j.loadPlaces, j.loadCalibrations, j.loadQueues} {
			if err := load(ctx); err != nil {
				return err
			}
		}
		return nil
	}
	bad := !j.opts.ReadOnly && j.isCondemned(ledgerFile)
	if !bad {
		if err := open(); !errors.Is(err, ErrDamaged) || j.opts.ReadOnly {
			return err
		}
	}
	if j.ledger != nil {
		if err := j.ledger.close(); err != nil {
			j.log.Warn("damaged file did not close", "error", err)
		}
		j.ledger = nil
	}
	aside, err := j.setFileAside(ledgerFile)
	if err != nil {
		return err
	}
	what := site.Say("the ledger was damaged, is set aside as %s and begun anew", aside)
	if err := os.Rename(j.path(copyFile), j.path(ledgerFile)); err == nil {
		what = site.Say("the ledger was damaged and is set aside as %s; the last daily copy took its place", aside)
	} else if !errors.Is(err, os.ErrNotExist) {
		return err
	}
	j.opened = append(j.opened, Incident{What: what, File: aside})
	if err := open(); err != nil {
		return err
	}
	return j.uncondemn(ledgerFile)
}

// openSamples opens the large database and reads where it stands. A damaged one is set aside
// whole, and a new one goes on with what can be saved of it.
func (j *Journal) openSamples(ctx context.Context) (err error) {
	bad := !j.opts.ReadOnly && j.isCondemned(samplesFile)
	if !bad {
		if j.samples, err = openDatabase(ctx, j.path(samplesFile), "samples", j.samplesSettings()); err == nil {
			err = errors.Join(j.loadNames(ctx), j.loadTail(ctx))
		}
		if !errors.Is(err, ErrDamaged) || j.opts.ReadOnly {
			return err
		}
	}
	if err := j.mendSamples(ctx); err != nil {
		return err
	}
	return errors.Join(j.loadNames(ctx), j.loadTail(ctx))
}

func (j *Journal) samplesSettings() settings {
	s := j.settings()
	s.maxPages = j.opts.MaxBytes / pageSize
	return s
}

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
