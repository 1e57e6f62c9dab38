package agent

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bayledger/agent/sitefile"
)

// Serve runs an agent until ctx ends, and reads the site file again at every hangup. A file that
// is wrong, or parts that cannot be built from it, are refused with the old ones still running.
func Serve(ctx context.Context, o Options, hangup <-chan os.Signal, load func() (*sitefile.Config, error)) error {
	a, err := New(ctx, o)
	if err != nil {
		return err
	}
	if err := a.Start(); err != nil {
		return errors.Join(err, a.Stop())
	}
	a.notify("READY=1\nSTATUS=watching " + a.cfg.Site.ID + ", page at " + a.URL())
	for {
		select {
		case <-ctx.Done():
			a.notify("STOPPING=1")
			err := a.Stop()
			a.log.Info("stopped", "samples", a.Counters().Samples)
			return err
		case failed := <-a.failed:
			a.log.Error("a part failed, stopping", "error", failed)
			return errors.Join(failed, a.Stop())
		case <-hangup:
			cfg, err := load()
			if err == nil {
				err = a.Reload(ctx, cfg)
			}
			a.reloadFailed.Store(err != nil)
			if err != nil {
				a.log.Error("site file refused, the old one is still running", "error", err)
				continue
			}
			a.log.Info("site file read again", "revision", cfg.Site.Revision)
		}
	}
}

// Reload goes on with another site file: the parts that follow from it are built first, and
// only when that has worked are the old ones stopped and the new ones put in their place. The
// account, the watch and the alarms go on from where they are; readings between stop and start
// are missed, as in a short outage. The page's address and the journal's folder take effect at
// the next start.
func (a *Agent) Reload(ctx context.Context, cfg *sitefile.Config) error {
	if problems := cfg.Runnable(); len(problems) > 0 {
		return sitefile.Mistakes{File: cfg.Name, Problems: problems}
	}
	old := a.parts.Load()
	if cfg.Site.ID != old.cfg.Site.ID {
		return fmt.Errorf("the site file is of %s, but this journal is of %s; an id never changes: give the other site a folder and a service of its own", cfg.Site.ID, old.cfg.Site.ID)
	}
	next, err := a.build(ctx, cfg)
	if err != nil {
		return err
	}
	calOf, err := a.calibrations(ctx, cfg)
	if err != nil {
		return err
	}
	if err := a.journal.RememberPlaces(ctx, cfg.Site.Places()); err != nil {
		return err
	}
	if err := a.stopField(ctx); err != nil {
		return err
	}
	if err := a.stopSinks(ctx); err != nil {
		a.log.Warn("stopped hard while reading the site file again", "error", err)
	}
	err = a.keeper.swap(ctx, cfg.Site, calOf)
	if err == nil {
		a.parts.Store(next)
		err = a.acceptSiteFile(ctx, cfg)
	}
	a.startSinks()
	a.startField()
	return err
}
