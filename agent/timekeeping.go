package agent

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"bayledger/agent/clock"
	"bayledger/agent/site"
)

// timekeeping is what the keeper does about a machine whose clock may be wrong: readings are
// journaled with provisional times until somebody vouches for it, and then dated. It is guarded
// by the keeper's lock.
type timekeeping struct {
	watched *clock.Watched // nil: the clock is right by definition, as in the demo
	boot    string
	// standing is what was found last.
	standing clock.Standing
	// owed is a change the journal has not taken yet.
	owed clock.Change
	// before is the last provisional time, which was wrong by shift: a reading may have been on
	// its way while the clock was put right.
	before time.Time
	shift  time.Duration
	// began tells, once, of a span that was dated at the start.
	began time.Duration
}

// beginTime brings journal and clock together: what was known of this boot's time goes on.
func (a *Agent) beginTime(ctx context.Context) (*timekeeping, error) {
	boot, err := BootID()
	if err != nil {
		return nil, err
	}
	j := a.journal
	if err := j.Boot(ctx, boot); err != nil {
		return nil, err
	}
	watched, ok := a.clk.(*clock.Watched)
	if !ok {
		return &timekeeping{standing: clock.Standing{Sure: true}}, nil
	}
	t := &timekeeping{watched: watched, boot: boot}
	begin := clock.Start{Newest: j.Newest(), Own: a.cfg.OwnClock}
	begin.Base, begin.Dated, _ = j.BootBase(boot)
	base, dated := watched.Begin(begin)
	switch {
	case dated && begin.Dated && base.Sub(begin.Base).Abs() < time.Second: // the journal knows
	case dated:
		t.began, err = j.Date(ctx, boot, base)
	case a.cfg.OwnClock:
		err = j.Unvouched(ctx, boot, base)
	default:
		err = j.Undated(ctx, boot, base)
	}
	if err != nil {
		return nil, err
	}
	if t.owed, t.standing = watched.Check(); !t.standing.Sure {
		a.part("keeper").Warn("nothing vouches for the clock; readings wait for their date", "note", t.standing.Note.String(), "provisional", watched.Now())
	}
	return t, nil
}

// followClock looks at the machine's clock, dates what was waiting for it, and puts every
// correction on record.
func (k *keeper) followClock(ctx context.Context) []site.Event {
	t := k.times
	if t.watched == nil {
		return nil
	}
	var change clock.Change
	change, t.standing = t.watched.Check()
	if !change.Base.IsZero() {
		if t.owed.Dated { // it was never taken: the newer base dates those readings too
			change.Dated, change.Before, change.Shift = true, t.owed.Before, t.owed.Shift+change.Shift
		}
		t.owed = change
	}
	var fresh []site.Event
	put := func(shift time.Duration, text string) {
		k.log.Info("the clock was put right", "by_s", shift.Seconds(), "was", text)
		r := site.Record{Time: k.clk.Now(), Kind: site.RecClock, Who: "daemon", Value: shift.Seconds(), Value2: site.Unknown(), Text: text}
		_, events, err := k.recordLocked(ctx, r)
		if err != nil {
			k.log.Error("correction of the clock not journaled", "error", err)
		}
		fresh = append(fresh, events...)
	}
	if t.began != 0 {
		put(t.began, "readings of this boot were dated at a start")
		t.began = 0
	}
	if t.owed.Base.IsZero() {
		return fresh
	}
	if _, err := k.journal.Date(ctx, t.boot, t.owed.Base); err != nil {
		k.log.Error("readings cannot be dated yet", "error", err)
		return fresh
	}
	text := "the clock was stepped"
	if t.owed.Dated {
		text = "readings of this boot were dated"
		t.before, t.shift = t.owed.Before, max(0, t.owed.Shift)
	}
	put(t.owed.Shift, text)
	t.owed = clock.Change{}
	return fresh
}

// mend gives a reading the kind of time the journal expects at the moment, and marks it where
// the clock is known to be ahead.
func (t *timekeeping) mend(s *site.Sample) {
	switch {
	case t.owed.Dated && t.owed.Shift > 0: // still provisional in the journal
		if s.Time.After(t.owed.Before) {
			s.Time = s.Time.Add(-t.owed.Shift)
		}
	case !s.Time.After(t.before):
		s.Time = s.Time.Add(t.shift)
	}
	if t.standing.Ahead > time.Second && s.Quality == site.Good {
		s.Quality, s.Why = site.Uncertain, site.WhyClock
	}
}

// BootID names this boot of the machine.
func BootID() (string, error) {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", fmt.Errorf("name this boot: %w", err)
	}
	if len(b) == 0 {
		return "", errors.New("name this boot: the kernel's boot_id is empty")
	}
	return string(b[:len(b)-1]), nil
}
