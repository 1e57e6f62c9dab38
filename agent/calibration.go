package agent

import (
	"context"
	"fmt"

	"bayledger/agent/site"
	"bayledger/agent/sitefile"
)

// calibrations makes the site file's calibrations and those that people accepted known to the
// journal, and returns the journal's id of the one that holds for each point: the newest. A file
// that changes a figure ends what was accepted before; one that leaves it alone does not.
func (a *Agent) calibrations(ctx context.Context, cfg *sitefile.Config) (map[string]uint32, error) {
	// A record whose calibration a crash has swallowed comes first: the file may be newer.
	records, err := a.journal.Records(ctx, 0, 0, site.RecCalibration)
	if err != nil {
		return nil, err
	}
	for _, r := range records {
		if _, err := a.journal.AddCalibration(ctx, accepted(r)); err != nil {
			return nil, err
		}
	}
	filed := map[string]bool{} // points the file has calibrated at any time
	for _, c := range a.journal.Calibrations() {
		filed[c.Point] = filed[c.Point] || c.Origin == sitefile.Origin
	}
	for _, p := range cfg.Site.Points {
		c, given := cfg.Calibrations[cfg.CalibrationOf[p.ID]]
		if !given {
			if !filed[p.ID] {
				continue
			}
			c = site.Calibration{Point: p.ID, Gain: 1, Origin: sitefile.Origin} // taken out of the file
		}
		c.From = a.clk.Now()
		if _, err := a.journal.AddCalibration(ctx, c); err != nil {
			return nil, err
		}
	}
	of := map[string]uint32{}
	for id, c := range a.journal.Calibrations() {
		of[c.Point] = max(of[c.Point], id)
	}
	return of, nil
}

// accepted is the calibration that a record of one puts in force. Its origin names the record,
// so that each has its own.
func accepted(r site.Record) site.Calibration {
	return site.Calibration{Point: r.Subject, From: r.Time, Gain: r.Value, Offset: r.Value2, Origin: fmt.Sprintf("record %d", r.ID)}
}

// checkCalibration refuses a record that makes no calibration before it is journaled for good.
func checkCalibration(r site.Record) error {
	if r.Subject == "" || !site.Known(r.Value) || r.Value == 0 || !site.Known(r.Value2) {
		return fmt.Errorf("calibration of %q: gain %v and offset %v do not make one", r.Subject, r.Value, r.Value2)
	}
	return nil
}

// calibrate puts an accepted calibration in force for the readings that follow. It runs under
// the keeper's lock.
func (k *keeper) calibrate(ctx context.Context, r site.Record) error {
	c, err := k.journal.AddCalibration(ctx, accepted(r))
	if err != nil {
		return err
	}
	k.cals = k.journal.Calibrations()
	k.calOf[c.Point] = c.ID
	k.log.Info("calibration accepted", "point", c.Point, "gain", c.Gain, "offset", c.Offset, "by", r.Who)
	return nil
}

// calibration returns the one that holds for a point now.
func (k *keeper) calibration(point string) (site.Calibration, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c, ok := k.cals[k.calOf[point]]
	return c, ok
}
