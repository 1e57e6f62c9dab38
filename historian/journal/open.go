package journal

import (
	"context"
)

// openLedger opens the small database.
func (j *Journal) openLedger(ctx context.Context) (err error) {
	j.ledger, err = openDatabase(ctx, j.path(ledgerFile), "ledger", j.settings())
	return err
}

// openSamples opens the large database.
func (j *Journal) openSamples(ctx context.Context) (err error) {
	j.samples, err = openDatabase(ctx, j.path(samplesFile), "samples", j.settings())
	return err
}

func (j *Journal) makeRoom(context.Context) (bool, error) { return false, nil }
