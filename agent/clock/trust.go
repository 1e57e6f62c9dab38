package clock

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// Vouch is what the kernel says of the machine's clock.
type Vouch int

// What the kernel may say.
const (
	// Unknown: the question is not allowed here, as in a service with ProtectClock.
	Unknown Vouch = iota
	Unsynchronised
	Synchronised
)

// Look is one look at the machine.
type Look struct {
	// Wall is the machine's clock.
	Wall time.Time
	// Boot is the time since the machine was started, standstill in sleep included. It never
	// steps.
	Boot   time.Duration
	Kernel Vouch
	// SyncFile is when the time service last touched the file that says it has set the clock in
	// this boot; zero when there is none.
	SyncFile time.Time
}

// Machine is what a Watched clock watches. This gives the machine it runs on.
type Machine struct {
	Look func() Look
	// SinceBoot is Look's Boot alone: it is asked for every reading.
	SinceBoot func() time.Duration
}

// Start says how a Watched clock begins.
type Start struct {
	// Newest is the time of the newest dated reading, zero when there is none. Whatever shows
	// less is wrong.
	Newest time.Time
	// Base, if not zero, is the time of this boot's zero as an earlier start of the program in
	// the same boot had it, and Dated whether somebody had vouched for it.
	Base  time.Time
	Dated bool
	// Own says that nobody will ever vouch for this machine's clock, and that it is to be used as
	// it is.
	Own bool
}

const (
	// margin is how much a clock that nobody vouches for is taken back, so that the time is
	// rather too early than too late: a correction forwards is a jump, one backwards a long walk.
	margin = time.Hour
	// farthest is how far after the newest reading an unvouched clock is believed.
	farthest = 7 * 24 * time.Hour
	// slack is a difference that is none: two looks at two clocks.
	slack = time.Millisecond
	// step is a difference worth a word.
	step = time.Second
	// holdover is how long a boot's own time is good without anybody vouching: a crystal's 50
	// millionths make four seconds of a day.
	holdover = 24 * time.Hour
	// walk: while it is ahead, the clock loses one part in so many.
	walk = 10
	// longWalk is a lead that a person should end.
	longWalk = 2 * time.Hour
)

// epoch is older than this program, so no time before it can be true.
var epoch = time.Date(2026, time.November, 1, 0, 0, 0, 0, time.UTC)

// Watched is the machine's clock under watch. It goes by the time since the boot, which nobody
// can set, and by one moment, the boot's zero, which Check takes from the machine's clock when
// somebody vouches for that. It never goes back: where it is found ahead, it runs slower by a
// tenth until true time has come level.
//
// Until somebody has vouched, its times are provisional and rather too early than too late.
// Base tells what they are reckoned from; Check then says once what the base truly was.
type Watched struct {
	machine Machine
	own     bool

	mu     sync.Mutex
	newest time.Time
	base   time.Time
	dated  bool
	// lead is how far ahead the clock was leadAt after the boot.
	lead    time.Duration
	leadAt  time.Duration
	vouched time.Duration // the boot's age when somebody last vouched
	file    time.Time     // the service's file when the base was last taken from the wall
	note    Note
}

// NewWatched returns a clock over a machine. Begin comes before anything else.
func NewWatched(m Machine) *Watched { return &Watched{machine: m} }

// Begin sets the clock going. It reports whether its times are dated, by somebody who vouches or
// by Start.Own, and the boot's zero they are reckoned from.
func (w *Watched) Begin(s Start) (base time.Time, dated bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l := w.machine.Look()
	w.own, w.newest = s.Own, later(s.Newest, epoch)
	earliest := w.newest.Add(time.Second)
	guess := l.Wall
	if !s.Own {
		guess = guess.Add(-margin)
		if guess.After(earliest.Add(farthest)) {
			guess = earliest
		}
	}
	w.base, w.dated, w.vouched, w.note = later(guess, earliest).Add(-l.Boot), false, l.Boot, say("nobody has set it since the machine was started")
	if !s.Base.IsZero() {
		w.base, w.dated = later(s.Base, earliest.Add(-l.Boot)), s.Dated
	}
	w.check(l)
	return w.base, w.dated
}

// Change is what a Check has found.
type Change struct {
	// Dated is true once: times the clock gave up to Before were provisional.
	Dated  bool
	Before time.Time
	// Shift is by how much the clock was wrong: positive when it was behind. Without Dated it is
	// a step of the machine's clock that somebody vouches for, 0 when there was none.
	Shift time.Duration
	// Base is the boot's zero from now on; zero when nothing has changed.
	Base time.Time
}

// Standing is what can be said of the clock.
type Standing struct {
	// Sure is true while somebody vouches, or has within a day, or nobody is expected to.
	Sure bool
	// Note says what is wrong, in half a sentence; no words when nothing is.
	Note Note
	// Ahead is how far the clock is known to be ahead of true time.
	Ahead time.Duration
}

// Note is said to people in their own language: English words with fmt's verbs, and what fills them.
type Note struct {
	Words string
	With  []any
}

func say(words string, with ...any) Note { return Note{words, with} }

// String is the note in English.
func (n Note) String() string { return fmt.Sprintf(n.Words, n.With...) }

// Check looks at the machine and follows what can be trusted.
func (w *Watched) Check() (Change, Standing) {
	w.mu.Lock()
	defer w.mu.Unlock()
	l := w.machine.Look()
	c := w.check(l)
	s := Standing{Note: w.note, Ahead: w.ahead(l.Boot)}
	s.Sure = w.dated && s.Note.Words == ""
	if w.own && !w.dated {
		s.Sure, s.Note = true, Note{}
	}
	return c, s
}

func (w *Watched) check(l Look) Change {
	truth := l.Wall.Add(-l.Boot)
	off := truth.Sub(w.base) // positive: we are behind the machine's clock
	vouched := w.trusts(l, off)
	if !w.dated {
		switch {
		case !vouched:
			return Change{}
		case !l.Wall.After(w.newest):
			w.note = say("it shows %s, and the newest reading is of %s; if it is that reading that is wrong, stop the daemon and run bayledger journal redate", l.Wall.UTC().Format(time.RFC3339), w.newest.UTC().Format(time.RFC3339))
			return Change{}
		}
		c := Change{Dated: true, Base: truth, Before: w.at(l.Boot), Shift: off}
		w.dated = true
		w.follow(l, truth)
		return c
	}
	if !vouched {
		w.note = Note{}
		if off.Abs() > step {
			w.note = say("somebody has set it by %v and nothing vouches for that; it is not followed", off.Round(time.Second))
		} else if age := l.Boot - w.vouched; age > holdover {
			w.note = say("nobody has vouched for it for %v", age.Round(time.Hour))
		}
		return Change{}
	}
	var c Change
	if off.Abs() > step {
		c.Shift, c.Base = off, truth
	}
	if off.Abs() > slack {
		w.follow(l, truth)
	}
	w.vouched, w.note = l.Boot, Note{}
	if ahead := w.ahead(l.Boot); ahead > step {
		w.note = say("it was ahead and is %v ahead still; it runs slower until true time has come level", ahead.Round(time.Second))
		if ahead > longWalk {
			w.note = say("it was ahead and is %v ahead still; it runs slower until true time has come level, in %v; if that is too long, stop the daemon and run bayledger journal redate",
				ahead.Round(time.Second), (walk * ahead).Round(time.Hour))
		}
	}
	return c
}

// trusts reports whether somebody vouches for the machine's clock. The time service's file says
// that the clock was set in this boot, which is enough to begin with. Later it says so of a
// step only when it was touched since.
func (w *Watched) trusts(l Look, off time.Duration) bool {
	switch {
	case l.Kernel == Synchronised:
		return true
	case l.SyncFile.IsZero():
		return false
	case !w.dated:
		return true
	}
	return l.Kernel == Unknown && (off.Abs() <= step || !l.SyncFile.Equal(w.file))
}

// follow takes the boot's zero from the machine's clock; what the clock was ahead it stays
// ahead, and loses on the way.
func (w *Watched) follow(l Look, base time.Time) {
	ahead := w.at(l.Boot).Sub(base.Add(l.Boot))
	w.base, w.lead, w.leadAt = base, max(0, ahead), l.Boot
	w.vouched, w.file, w.note = l.Boot, l.SyncFile, Note{}
}

func (w *Watched) ahead(boot time.Duration) time.Duration {
	return max(0, w.lead-(boot-w.leadAt)/walk)
}

func (w *Watched) at(boot time.Duration) time.Time {
	return w.base.Add(boot + w.ahead(boot))
}

// Now implements Clock.
func (w *Watched) Now() time.Time {
	boot := w.machine.SinceBoot()
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at(boot).UTC()
}

// Wait implements Clock. A correction of the clock meanwhile changes nothing: the wait is as
// long as it was when it began.
func (w *Watched) Wait(ctx context.Context, t time.Time) error { return sleep(ctx, t.Sub(w.Now())) }

// Work implements Clock.
func (w *Watched) Work() func() { return func() {} }

// IsReal reports whether a clock goes as fast as the machine's own, so that a wait of it is a
// wait of real time.
func IsReal(c Clock) bool {
	switch c.(type) {
	case Real, *Watched:
		return true
	}
	return false
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
