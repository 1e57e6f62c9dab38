package clock

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// machine is a machine whose clocks a test turns.
type machine struct {
	l Look
}

func (m *machine) clock() *Watched {
	return NewWatched(Machine{Look: func() Look { return m.l }, SinceBoot: func() time.Duration { return m.l.Boot }})
}

// pass lets time go by.
func (m *machine) pass(d time.Duration) { m.l.Boot += d; m.l.Wall = m.l.Wall.Add(d) }

// set turns the wall clock, as a person or a time service does.
func (m *machine) set(d time.Duration) { m.l.Wall = m.l.Wall.Add(d) }

var morning = time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)

// booted is a machine that was started twenty seconds ago and shows a time nobody vouches for.
func booted(wall time.Time) *machine {
	return &machine{Look{Wall: wall, Boot: 20 * time.Second, Kernel: Unsynchronised}}
}

func TestTheFirstTimeIsRatherTooEarlyAndAfterTheNewestReading(t *testing.T) {
	newest := morning
	for name, c := range map[string]struct {
		start Start
		wall  time.Time
		want  time.Time
	}{
		"the saved clock of a machine without a battery": {Start{Newest: newest}, newest.Add(-3 * time.Second), newest.Add(time.Second)},
		"1970":                                  {Start{Newest: newest}, time.Unix(20, 0), newest.Add(time.Second)},
		"a battery, and six hours switched off": {Start{Newest: newest}, newest.Add(6 * time.Hour), newest.Add(5 * time.Hour)},
		"a battery, and half an hour switched off":        {Start{Newest: newest}, newest.Add(30 * time.Minute), newest.Add(time.Second)},
		"a year that cannot be believed":                  {Start{Newest: newest}, newest.AddDate(9, 0, 0), newest.Add(time.Second)},
		"nothing is known yet":                            {Start{}, time.Unix(20, 0), epoch.Add(time.Second)},
		"a site that says its clock is all there is":      {Start{Newest: newest, Own: true}, newest.Add(6 * time.Hour), newest.Add(6 * time.Hour)},
		"the same, but the clock shows less than was":     {Start{Newest: newest, Own: true}, newest.Add(-6 * time.Hour), newest.Add(time.Second)},
		"a second start of the program in the same boot":  {Start{Newest: newest, Base: newest.Add(time.Minute)}, time.Unix(20, 0), newest.Add(80 * time.Second)},
		"a base that would lie before the newest reading": {Start{Newest: newest, Base: newest.Add(-time.Hour), Dated: true}, newest, newest.Add(time.Second)},
	} {
		t.Run(name, func(t *testing.T) {
			m := booted(c.wall)
			w := m.clock()
			_, dated := w.Begin(c.start)
			require.Equal(t, c.start.Dated, dated)
			require.Equal(t, c.want, w.Now())
			_, s := w.Check()
			require.Equal(t, c.start.Own || c.start.Dated, s.Sure)
		})
	}
}

func TestTimesAreDatedOnceSomebodyVouches(t *testing.T) {
	m := booted(morning.Add(-3 * time.Second))
	w := m.clock()
	base, dated := w.Begin(Start{Newest: morning})
	require.False(t, dated)
	m.pass(time.Minute)
	c, s := w.Check()
	require.Equal(t, Change{}, c)
	require.False(t, s.Sure)
	require.Equal(t, "nobody has set it since the machine was started", s.Note.String())

	before := w.Now()
	m.set(9 * time.Hour)
	require.Equal(t, before, w.Now(), "a clock that is set without a voucher is not followed")
	m.l.Kernel = Synchronised
	c, s = w.Check()
	require.Equal(t, Change{Dated: true, Base: m.l.Wall.Add(-m.l.Boot), Before: before, Shift: m.l.Wall.Sub(before)}, c)
	require.Equal(t, m.l.Wall, w.Now())
	require.Equal(t, c.Shift, c.Base.Sub(base))
	require.Equal(t, Standing{Sure: true}, s)
	c, _ = w.Check()
	require.Equal(t, Change{}, c, "said once")
}

func TestTheServicesFileVouchesWhereTheKernelMayNotBeAsked(t *testing.T) {
	m := booted(morning)
	m.l.Kernel = Unknown
	w := m.clock()
	_, dated := w.Begin(Start{})
	require.False(t, dated)
	m.l.SyncFile = m.l.Wall
	c, s := w.Check()
	require.True(t, c.Dated)
	require.True(t, s.Sure)
	m.set(-10 * time.Minute)
	c, s = w.Check()
	require.Equal(t, Change{}, c)
	require.Equal(t, "somebody has set it by -10m0s and nothing vouches for that; it is not followed", s.Note.String())
	m.l.SyncFile = m.l.Wall // the service has set it again
	c, _ = w.Check()
	require.Equal(t, -10*time.Minute, c.Shift)
}

// A kernel that has gone nine hours without a correction says no, though the service has set the
// clock in this boot.
func TestTheServicesFileIsEnoughToBeginWith(t *testing.T) {
	m := booted(morning)
	m.l.SyncFile = morning.Add(-time.Second)
	_, dated := m.clock().Begin(Start{})
	require.True(t, dated)
}

func TestAStepForwardsIsFollowedAndOneBackwardsIsWalked(t *testing.T) {
	m := booted(morning)
	m.l.Kernel = Synchronised
	w := m.clock()
	_, dated := w.Begin(Start{})
	require.True(t, dated)
	require.Equal(t, m.l.Wall, w.Now())

	m.set(40 * time.Second)
	c, s := w.Check()
	require.Equal(t, 40*time.Second, c.Shift)
	require.True(t, s.Sure)
	require.Equal(t, m.l.Wall, w.Now())

	m.set(-time.Minute)
	before := w.Now()
	c, s = w.Check()
	require.Equal(t, -time.Minute, c.Shift)
	require.Equal(t, before, w.Now(), "time never goes back")
	require.False(t, s.Sure)
	require.Equal(t, time.Minute, s.Ahead)
	for range 599 { // a minute ahead at a tenth takes ten
		m.pass(time.Second)
		c, s = w.Check()
		require.Equal(t, Change{}, c)
		now := w.Now()
		require.Equal(t, before.Add(900*time.Millisecond), now)
		before = now
	}
	require.Equal(t, 100*time.Millisecond, s.Ahead)
	m.pass(time.Second)
	_, s = w.Check()
	require.Equal(t, Standing{Sure: true}, s)
	require.Equal(t, m.l.Wall, w.Now())
}

// A clock that is years ahead would take decades: the note says so, and what to do.
func TestALongWalkSaysWhatEndsIt(t *testing.T) {
	for ahead, want := range map[time.Duration]string{
		2 * time.Hour: "it was ahead and is 2h0m0s ahead still; it runs slower until true time has come level",
		3 * time.Hour: "it was ahead and is 3h0m0s ahead still; it runs slower until true time has come level, in 30h0m0s; " +
			"if that is too long, stop the daemon and run bayledger journal redate",
	} {
		m := booted(morning.Add(ahead))
		m.l.Kernel = Synchronised
		w := m.clock()
		w.Begin(Start{})
		m.set(-ahead)
		_, s := w.Check()
		require.Equal(t, want, s.Note.String())
	}
}

func TestAClockAheadWhenItIsDatedWalksToo(t *testing.T) {
	m := booted(morning.Add(2 * time.Hour)) // a battery clock set two hours wrong: one of them is the margin
	w := m.clock()
	w.Begin(Start{Newest: morning.Add(-time.Minute)})
	provisional := w.Now()
	m.set(-2 * time.Hour)
	m.l.Kernel = Synchronised
	c, s := w.Check()
	require.Equal(t, -time.Hour, c.Shift)
	require.Equal(t, time.Hour, s.Ahead)
	require.Equal(t, provisional, w.Now())
}

func TestADayWithoutAVoucherIsGoodAndNotMore(t *testing.T) {
	m := booted(morning)
	m.l.Kernel = Synchronised
	w := m.clock()
	w.Begin(Start{})
	m.l.Kernel = Unsynchronised
	m.pass(24 * time.Hour)
	_, s := w.Check()
	require.True(t, s.Sure)
	m.pass(time.Hour)
	_, s = w.Check()
	require.False(t, s.Sure)
	require.Equal(t, "nobody has vouched for it for 25h0m0s", s.Note.String())
	require.Equal(t, m.l.Wall, w.Now(), "the times stay good to seconds and go on")
}

func TestAVouchedClockThatShowsLessThanTheNewestReadingIsNotBelieved(t *testing.T) {
	m := booted(morning)
	m.l.Kernel = Synchronised
	w := m.clock()
	_, dated := w.Begin(Start{Newest: morning.Add(48 * time.Hour)})
	require.False(t, dated)
	_, s := w.Check()
	require.False(t, s.Sure)
	require.Equal(t, "it shows 2027-03-01T06:00:00Z, and the newest reading is of 2027-03-03T06:00:00Z; "+
		"if it is that reading that is wrong, stop the daemon and run bayledger journal redate", s.Note.String())
}
