package agent

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// snapshotEvery is the data time between two snapshots of the core: what a start after a crash
// has to feed again.
const snapshotEvery = 10 * time.Minute

// inboxLimit bounds the samples that wait for a commit. A disk that hangs for longer than that
// loses the oldest of them, counted as unjournaled.
const inboxLimit = 200_000

// inbox is where the drivers leave their samples; it never makes them wait.
type inbox struct {
	mu      sync.Mutex
	samples []site.Sample
	dropped int64
}

// put takes samples over. It may be called from any goroutine.
func (b *inbox) put(samples []site.Sample) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.samples = append(b.samples, samples...)
	if over := len(b.samples) - inboxLimit; over > 0 {
		b.samples = slices.Delete(b.samples, 0, over)
		b.dropped += int64(over)
	}
}

// take empties the inbox into buf and returns the samples in order of time and point, and how
// many were dropped since the last take.
func (b *inbox) take(buf []site.Sample) ([]site.Sample, int64) {
	b.mu.Lock()
	buf = append(buf[:0], b.samples...)
	b.samples = b.samples[:0]
	dropped := b.dropped
	b.dropped = 0
	b.mu.Unlock()
	slices.SortFunc(buf, func(a, b site.Sample) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Point, b.Point))
	})
	return buf, dropped
}

// Counters are what the keeper has done since the start.
type Counters struct {
	// Samples taken from the drivers, journaled, refused by the journal because they are not
	// later than the one before, and unjournaled because the journal could not take them.
	Samples, Journaled, Refused, Unjournaled int64
	// Bad and Uncertain count samples of that quality.
	Bad, Uncertain int64
	// Events told since the start.
	Events int64
}

// keeper owns the journal's order: samples go into the journal, and only then to the core and
// to everybody else. Everything that moves the core runs under mu.
type keeper struct {
	clk     clock.Clock
	log     *slog.Logger
	journal *journal.Journal
	times   *timekeeping
	every   time.Duration
	inbox   inbox
	// witness, if set, is written the sequence number of the last durable sample after each
	// commit: what a crash test may rely on.
	witness io.Writer
	// troubles, if set, says what is wrong with the daemon's own parts at the moment: what begins
	// and what ends is put on record.
	troubles func() []condition
	// recorded, if set, is called under mu with every record that was put into the journal.
	recorded func(site.Record)
	// after, if set, is called under mu after every commit and record with the calibrated samples
	// and the fresh events.
	after func(samples []site.Sample, events []site.Event)

	mu       sync.Mutex
	core     *Core
	at       journal.Position
	snapped  time.Time // data time of the last snapshot
	calOf    map[string]uint32
	cals     site.Calibrations
	latest   map[string]site.Sample // the newest sample of each point, calibrated
	lastGood time.Time
	count    Counters
	trouble  string // why the journal takes nothing at the moment
	full     bool   // and whether that is for want of room
	buf      []site.Sample
	began    time.Time // when the present trouble with the journal began, by the clock
}

// open brings the core to where it was: from the newest snapshot that can be read, and what the
// journal holds after it. Events that were journaled before are known to the journal by id and
// seq and are not told again; an event the crash swallowed is told now.
func (k *keeper) open(ctx context.Context, s *site.Site) error {
	k.core = NewCore(s)
	k.at = journal.Position{}
	snaps, err := k.journal.Snapshots(ctx, "core")
	if err != nil {
		return err
	}
	for _, snap := range snaps {
		core := NewCore(s)
		if snap.Version == coreStateVersion {
			if err = core.Restore(snap.Data); err == nil {
				k.core, k.at, k.snapped = core, snap.At, snap.Time
				break
			}
		} else {
			err = fmt.Errorf("version %d is not %d", snap.Version, coreStateVersion)
		}
		k.log.Warn("snapshot cannot be used, going back further", "taken", snap.Time, "error", err)
	}
	began, from, n := k.clk.Now(), k.at, 0
	for e, err := range k.journal.Entries(ctx, k.at) {
		if err != nil {
			return fmt.Errorf("bring the core up to date: %w", err)
		}
		var events []site.Event
		if e.Record != nil {
			events = k.core.Record(*e.Record)
		} else {
			k.see(e.Sample)
			events = k.core.Sample(e.Sample)
			n++
		}
		if _, err := k.tell(ctx, events); err != nil {
			return fmt.Errorf("bring the core up to date: %w", err)
		}
		k.at = e.At
	}
	k.log.Info("core restored", "from_seq", from.Seq, "samples_fed", n, "took_s", k.clk.Now().Sub(began).Seconds())
	return nil
}

// see keeps the newest calibrated sample of its point.
func (k *keeper) see(s site.Sample) {
	if old, ok := k.latest[s.Point]; ok && !s.Time.After(old.Time) {
		return
	}
	k.latest[s.Point] = s
	if s.Quality == site.Good && s.Time.After(k.lastGood) {
		k.lastGood = s.Time
	}
}

// tell journals events and returns those that are new.
func (k *keeper) tell(ctx context.Context, events []site.Event) ([]site.Event, error) {
	var fresh []site.Event
	var errs []error
	for _, e := range events {
		isNew, err := k.journal.AppendEvent(ctx, e)
		if err != nil {
			// The event still reaches whoever listens now; only its keeping failed.
			errs = append(errs, err)
			isNew = true
		}
		if isNew {
			k.count.Events++
			fresh = append(fresh, e)
			k.log.Info("alarm "+string(e.State), "id", e.ID, "seq", e.Seq, "severity", e.Severity, "because", e.Because)
		}
	}
	return fresh, errors.Join(errs...)
}

// run commits at every whole commit interval until ctx ends; close takes what is left.
func (k *keeper) run(ctx context.Context) error {
	for {
		next := k.clk.Now().Truncate(k.every).Add(k.every)
		if err := k.clk.Wait(ctx, next); err != nil {
			return err
		}
		k.commit(ctx)
	}
}

// commit journals what has come since the last commit, moves the core by it and passes it on.
func (k *keeper) commit(ctx context.Context) {
	k.mu.Lock()
	defer k.mu.Unlock()
	fresh := k.followClock(ctx)
	var dropped int64
	k.buf, dropped = k.inbox.take(k.buf)
	k.count.Samples += int64(len(k.buf)) + dropped
	k.count.Unjournaled += dropped
	for i := range k.buf {
		s := &k.buf[i]
		s.Time = s.Time.UTC().Truncate(time.Millisecond)
		k.times.mend(s)
		s.Calibration = k.calOf[s.Point]
		switch s.Quality {
		case site.Bad:
			k.count.Bad++
		case site.Uncertain:
			k.count.Uncertain++
		}
	}
	samples := k.append(ctx, k.buf)
	for i := range samples {
		samples[i] = k.cals.Apply(samples[i])
		k.see(samples[i])
		events, err := k.tell(ctx, k.core.Sample(samples[i]))
		if err != nil {
			k.log.Error("event not journaled", "error", err)
		}
		fresh = append(fresh, events...)
	}
	fresh = append(fresh, k.procedures(ctx)...)
	fresh = append(fresh, k.ownTroubles(ctx)...)
	if now := k.core.Now(); now.Sub(k.snapped) >= snapshotEvery {
		if err := k.snapshot(ctx); err != nil {
			k.log.Warn("snapshot not kept", "error", err)
		}
	}
	if k.after != nil {
		k.after(samples, fresh)
	}
}

// append journals samples and returns those that count: all but the ones the journal refuses
// for good. When the journal cannot take any, they count as unjournaled and are still watched.
func (k *keeper) append(ctx context.Context, samples []site.Sample) []site.Sample {
	if len(samples) == 0 {
		return nil
	}
	last, err := k.journal.Append(ctx, samples)
	k.at.Seq = last
	if refused, ok := errors.AsType[*journal.RefusedError](err); ok {
		k.count.Refused += int64(len(refused.Samples))
		for i := len(refused.Samples) - 1; i >= 0; i-- {
			samples = slices.Delete(samples, refused.Samples[i], refused.Samples[i]+1)
		}
		err = nil
	}
	if err != nil {
		k.count.Unjournaled += int64(len(samples))
		if k.trouble == "" {
			k.began = k.clk.Now()
		}
		if k.trouble != err.Error() {
			k.log.Error("journal takes no samples; they are watched but not kept", "error", err)
		}
		k.trouble, k.full = err.Error(), errors.Is(err, journal.ErrFull)
		return samples
	}
	if k.trouble != "" {
		k.log.Info("journal takes samples again", "after_s", k.clk.Now().Sub(k.began).Seconds(), "unjournaled_total", k.count.Unjournaled)
		k.trouble, k.full = "", false
	}
	k.count.Journaled += int64(len(samples))
	if k.witness != nil {
		if _, err := io.WriteString(k.witness, strconv.FormatInt(last, 10)+"\n"); err != nil {
			k.log.Warn("witness not written", "error", err)
		}
	}
	return samples
}

// snapshot stores the core's state with the place in the journal it covers.
func (k *keeper) snapshot(ctx context.Context) error {
	data, err := k.core.Snapshot()
	if err != nil {
		return err
	}
	k.snapped = k.core.Now()
	return k.journal.PutSnapshot(ctx, journal.Snapshot{Name: "core", At: k.at, Time: k.snapped, Version: coreStateVersion, Data: data})
}

// record journals a record, moves the core by it and returns it as it was stored.
func (k *keeper) record(ctx context.Context, r site.Record) (site.Record, error) {
	if r.Kind == site.RecCalibration {
		if err := checkCalibration(r); err != nil {
			return r, err
		}
		k.commit(ctx) // what was read before the record keeps the calibration it was read under
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	stored, fresh, err := k.recordLocked(ctx, r)
	if err == nil {
		fresh = append(fresh, k.procedures(ctx)...)
	}
	if err == nil && k.after != nil {
		k.after(nil, fresh)
	}
	return stored, err
}

func (k *keeper) recordLocked(ctx context.Context, r site.Record) (site.Record, []site.Event, error) {
	stored, err := k.journal.AppendRecord(ctx, r)
	if err != nil {
		return r, nil, err
	}
	k.at.Record = stored.ID
	if r.Kind == site.RecCalibration {
		if err := k.calibrate(ctx, stored); err != nil {
			return stored, nil, err
		}
	}
	fresh, err := k.tell(ctx, k.core.Record(stored))
	if err != nil {
		k.log.Error("event not journaled", "error", err)
	}
	if k.recorded != nil {
		k.recorded(stored)
	}
	return stored, fresh, nil
}

// procedures puts on record what the procedures have come to: each leaves their list when the core
// is given it back. What the journal cannot take stays on the list until the next commit.
func (k *keeper) procedures(ctx context.Context) []site.Event {
	var fresh []site.Event
	for _, r := range k.core.Procedures.Pending() {
		_, events, err := k.recordLocked(ctx, r)
		if err != nil {
			k.log.Error("procedure not journaled", "run", r.Subject, "error", err)
			break
		}
		fresh = append(fresh, events...)
	}
	return fresh
}

// ownTroubles compares what the core knows of the daemon's own troubles with what is so now,
// and puts every beginning and end on record. Before the first sample there is no data time to
// date them by.
func (k *keeper) ownTroubles(ctx context.Context) []site.Event {
	if k.troubles == nil || k.core.Now().IsZero() {
		return nil
	}
	var fresh []site.Event
	put := func(kind site.Kind, subject string, begins bool, why string) {
		_, events, err := k.recordLocked(ctx, conditionRecord(kind, subject, begins, why, k.core.Now()))
		if err != nil {
			// The journal is the trouble: the core is told all the same, only the replay is not.
			k.log.Error("own trouble not journaled", "kind", kind, "subject", subject, "error", err)
			events = k.core.Record(conditionRecord(kind, subject, begins, why, k.core.Now()))
		}
		fresh = append(fresh, events...)
	}
	now := conditions{}
	for _, c := range k.troubles() {
		f := site.NewFinding(c.Kind, "", c.Subject, k.core.Now())
		now[f.Key()] = f
		if _, known := k.core.conditions[f.Key()]; !known {
			put(c.Kind, c.Subject, true, c.Because)
		}
	}
	for _, c := range k.core.conditions.list() {
		if _, stands := now[site.Key{Kind: c.Kind, Subject: c.Subject}]; !stands {
			put(c.Kind, c.Subject, false, "")
		}
	}
	return fresh
}

// close takes what is left and a last snapshot, so that the next start has nothing to feed.
func (k *keeper) close(ctx context.Context) error {
	k.commit(ctx)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.core.Now().IsZero() {
		return nil
	}
	return k.snapshot(ctx)
}

// swap commits what has come and goes on with another version of the site.
func (k *keeper) swap(ctx context.Context, s *site.Site, calOf map[string]uint32) error {
	k.commit(ctx)
	k.mu.Lock()
	defer k.mu.Unlock()
	data, err := k.core.Snapshot()
	if err != nil {
		return err
	}
	next := NewCore(s)
	if err := next.Restore(data); err != nil {
		return fmt.Errorf("go on with the new site file: %w", err)
	}
	k.core, k.calOf, k.cals = next, calOf, k.journal.Calibrations()
	for id := range k.latest {
		if s.Point(id) == nil {
			delete(k.latest, id)
		}
	}
	return nil
}
