package notice

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/site"
	"bayledger/historian/journal"
)

func club(t *testing.T) *site.Site {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	return &site.Site{ID: "riedhof", Name: "Riedhof", Zone: zone,
		Courts: []site.Court{{ID: "c1", Bays: []site.Bay{{ID: "A1", Court: "c1"}, {ID: "A2", Court: "c1"}}}}}
}

// night is 01:40 in the site's summer time.
var night = time.Date(2026, 7, 3, 23, 40, 0, 0, time.UTC)

// route keeps what it is given, or fails.
type route struct {
	name string
	got  []Message
	fail error
}

func (r *route) Name() string { return r.name }
func (r *route) Send(_ context.Context, m Message) error {
	if r.fail != nil {
		return r.fail
	}
	r.got = append(r.got, m)
	return nil
}

func (r *route) take() []string {
	var out []string
	for _, m := range r.got {
		out = append(out, m.Sort+": "+m.Short)
	}
	r.got = nil
	return out
}

// events is the real journal's queue behind the interface.
type events struct{ *journal.EventQueue }

func (q events) Next(ctx context.Context, limit int) ([]Event, error) {
	stored, err := q.EventQueue.Next(ctx, limit)
	out := make([]Event, len(stored))
	for i, s := range stored {
		out[i] = Event{s.Pos, s.Event}
	}
	return out, err
}

type store struct{ b []byte }

func (s *store) Load(context.Context) ([]byte, error)   { return s.b, nil }
func (s *store) Save(_ context.Context, b []byte) error { s.b = b; return nil }

type plainWords struct{}

func (plainWords) Message(e site.Event, _, lead string) (string, string) {
	return strings.TrimLeft(fmt.Sprintf("%s %s %s %s", lead, e.Severity, e.Kind, e.State), " "), "long " + e.ID
}
func (plainWords) Line(e site.Event) string { return string(e.Kind) }
func (plainWords) Notes() []string          { return []string{"Kim works at A2."} }

// bench is the notifiers of two people over a real journal, moved by hand.
type bench struct {
	t             *testing.T
	j             *journal.Journal
	who           [2]*Notifier
	first, second *route
	stores        [2]store
	standing      []Standing
	seq           int64
}

func newBench(t *testing.T) *bench {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.DefaultOptions(t.TempDir()))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	b := &bench{t: t, j: j, first: &route{name: "first"}, second: &route{name: "second"}}
	b.restart()
	return b
}

func (b *bench) restart() {
	for i, r := range []*route{b.first, b.second} {
		q, err := b.j.EventQueue(b.t.Context(), "notice-"+r.name)
		require.NoError(b.t, err)
		p := DefaultPerson()
		p.ID, p.Route, p.Second = r.name, r, r == b.second
		b.who[i] = New(p, club(b.t), events{q}, func() []Standing { return b.standing }, plainWords{}, &b.stores[i], clock.Real{}, slog.New(slog.DiscardHandler))
		b.who[i].remember(b.t.Context())
	}
}

func (b *bench) event(at time.Time, k site.Kind, s site.State, sev site.Severity, cause string) site.Event {
	b.seq++
	e := site.Event{V: 1, ID: site.EventID("riedhof", site.Key{Bay: "A1", Kind: k}, night), Seq: b.seq, Time: site.Stamp{Time: at},
		Since: site.Stamp{Time: night}, Site: "riedhof", Bay: "A1", Kind: k, State: s, Severity: sev, CauseID: cause, Raised: site.Stamp{Time: night}}
	_, err := b.j.AppendEvent(b.t.Context(), e)
	require.NoError(b.t, err)
	return e
}

// at lets both work through what is due.
func (b *bench) at(d time.Duration) {
	for _, n := range b.who {
		require.NoError(b.t, n.step(b.t.Context(), night.Add(d)))
	}
}

// TestWhoIsTold: urgent at once, its end too; warnings and effects wait or stay quiet.
func TestWhoIsTold(t *testing.T) {
	b := newBench(t)
	b.event(night, site.ValveStuckOpen, site.Raised, site.Urgent, "")
	b.event(night, site.Overfill, site.Raised, site.Urgent, "riedhof/A1/valve-stuck-open//x")
	b.event(night, site.Leak, site.Raised, site.Warning, "")
	b.at(0)
	require.Equal(t, []string{"alarm: urgent valve-stuck-open raised"}, b.first.take())
	b.event(night.Add(time.Minute), site.ValveStuckOpen, site.Updated, site.Urgent, "")
	b.event(night.Add(time.Minute), site.Leak, site.Updated, site.Urgent, "")
	b.at(time.Minute)
	require.Equal(t, []string{"alarm: urgent leak updated"}, b.first.take(), "a warning that turns urgent is told, numbers are not")
	b.event(night.Add(2*time.Minute), site.ValveStuckOpen, site.Cleared, site.Urgent, "")
	b.event(night.Add(2*time.Minute), site.Overfill, site.Cleared, site.Urgent, "riedhof/A1/valve-stuck-open//x")
	b.at(2 * time.Minute)
	require.Equal(t, []string{"over: urgent valve-stuck-open cleared"}, b.first.take(), "only what was told is over")
	b.event(night.Add(3*time.Minute), site.Overfill, site.Raised, site.Urgent, "")
	b.at(3 * time.Minute)
	require.Equal(t, []string{"alarm: urgent overfill raised"}, b.first.take(), "an effect whose cause is gone stands on its own")
	require.Empty(t, b.second.take())
}

// TestFrostIsToldWhilePeopleAreThere: a frost that may come before morning is told as a warning in the
// attended hours, once; after them it waits unless it is urgent; a note is told to nobody.
func TestFrostIsToldWhilePeopleAreThere(t *testing.T) {
	b := newBench(t)
	for _, n := range b.who {
		n.site.Attended = site.DayWindow{From: 7 * 60, To: 19 * 60}
	}
	const noon, home = 12*time.Hour + 20*time.Minute, 17*time.Hour + 20*time.Minute // 14:00 and 19:00
	b.event(night.Add(noon), site.FreezeRisk, site.Raised, site.Info, "")
	b.event(night.Add(noon), site.Leak, site.Raised, site.Warning, "")
	b.at(noon)
	require.NotContains(t, strings.Join(b.first.take(), " "), "alarm:", "a note, and a warning that can wait")
	b.event(night.Add(home-time.Minute), site.FreezeRisk, site.Updated, site.Warning, "")
	b.event(night.Add(home-time.Minute), site.FreezeRisk, site.Updated, site.Warning, "")
	b.at(home - time.Minute)
	require.Equal(t, []string{"alarm: warning freeze-risk updated"}, b.first.take())
	b.event(night.Add(home), site.FreezeRisk, site.Updated, site.Warning, "")
	b.at(home)
	require.Empty(t, b.first.take())
	b.event(night.Add(home+time.Hour), site.FreezeRisk, site.Updated, site.Urgent, "")
	b.at(home + time.Hour)
	require.Equal(t, []string{"alarm: urgent freeze-risk updated"}, b.first.take())
	b.event(night.Add(home+12*time.Hour), site.FreezeRisk, site.Cleared, site.Urgent, "")
	b.at(home + 12*time.Hour)
	require.Contains(t, b.first.take(), "over: urgent freeze-risk cleared")
	b.event(night.Add(home+13*time.Hour), site.FreezeRisk, site.Raised, site.Warning, "")
	b.event(night.Add(home+13*time.Hour), site.Drying, site.Raised, site.Warning, "")
	b.at(home + 13*time.Hour) // 08:00
	require.Equal(t, []string{"alarm: warning freeze-risk raised"}, b.first.take())
	require.Empty(t, b.second.take())
}

// TestEscalation: just before, at, and after; an answer ends it; once for each asking, also over
// a restart; and whoever was called is told when it is over.
func TestEscalation(t *testing.T) {
	b := newBench(t)
	e := b.event(night, site.ValveStuckOpen, site.Raised, site.Urgent, "")
	b.standing = []Standing{{Event: e, Present: true, Asked: night}}
	b.at(15*time.Minute - time.Second)
	require.Empty(t, b.second.take())
	b.restart()
	b.at(15 * time.Minute)
	require.Equal(t, []string{"escalation: Nobody has answered. urgent valve-stuck-open raised"}, b.second.take())
	b.restart()
	b.at(30 * time.Minute)
	require.Empty(t, b.second.take())
	// Answered, and asked again after twelve hours.
	b.first.take()
	b.event(night.Add(12*time.Hour), site.ValveStuckOpen, site.Raised, site.Urgent, "")
	b.standing[0].Asked = night.Add(12 * time.Hour)
	b.at(12 * time.Hour)
	require.Contains(t, b.first.take(), "alarm: urgent valve-stuck-open raised")
	b.at(12*time.Hour + 14*time.Minute)
	require.Empty(t, b.second.take())
	b.at(12*time.Hour + 15*time.Minute)
	require.Len(t, b.second.take(), 1)
	b.event(night.Add(13*time.Hour), site.ValveStuckOpen, site.Cleared, site.Urgent, "")
	b.standing = nil
	b.at(13 * time.Hour)
	require.Equal(t, []string{"over: urgent valve-stuck-open cleared"}, b.second.take())
	require.Equal(t, []string{"over: urgent valve-stuck-open cleared"}, b.first.take())

	b = newBench(t)
	e = b.event(night, site.ValveStuckOpen, site.Raised, site.Urgent, "")
	for _, s := range []Standing{{Event: e, Acked: true, Present: true, Asked: night}, {Event: e, Asked: night}} {
		b.standing = []Standing{s}
		b.at(time.Hour)
		require.Empty(t, b.second.take(), "%+v", s)
	}
}

// TestMorning: 06:30 in the site's time, once a day, never when it is late.
func TestMorning(t *testing.T) {
	b := newBench(t)
	half := time.Date(2026, 7, 4, 4, 30, 0, 0, time.UTC).Sub(night) // 06:30 CEST
	b.at(half - time.Second)
	require.Empty(t, b.first.take())
	b.at(half)
	require.Equal(t, []string{"morning: Riedhof: all is well. 2 bays watched. Kim works at A2."}, b.first.take())
	b.restart()
	b.at(half + time.Minute)
	require.Empty(t, b.first.take())
	leak := b.event(night, site.Leak, site.Raised, site.Warning, "")
	b.standing = []Standing{{Event: leak, Present: true}, {Event: site.Event{Kind: site.Overfill, Severity: site.Info}, Present: true}}
	b.at(half + 24*time.Hour)
	require.Equal(t, []string{"morning: Riedhof: 1 to look at this morning: leak. Kim works at A2."}, b.first.take())
	// More than a telephone shows: whole entries, the gravest, and how many more.
	for range 60 {
		b.standing = append(b.standing, Standing{Event: leak, Present: true})
	}
	line := b.who[0].line("2026-07-05")
	require.Regexp(t, `^Riedhof: 61 to look at this morning: (leak; ){38}leak; and 22 more\. Kim works at A2\.$`, line.Short)
	require.LessOrEqual(t, len(line.Short), 300)
	b.who[0].site.Name = strings.Repeat("A name without end. ", 20)
	require.Regexp(t, `^(A name without end\. )*A name without…$`, b.who[0].line("2026-07-05").Short)
	b.who[0].site.Name = "Riedhof"
	b.who[0].site.Language = "de"
	b.standing = nil
	b.at(half + 2*24*time.Hour)
	require.Equal(t, []string{"morning: Riedhof: alles in Ordnung. 2 Becken überwacht. Kim works at A2."}, b.first.take())
	b.at(half + 3*24*time.Hour + morningFor + time.Second)
	require.Empty(t, b.first.take(), "a morning line at 08:30 is of no use")
	require.Empty(t, b.second.take(), "the morning line is for those who look first")
}

// TestOutage: nothing is lost while no route works, nothing is told that is too old or over by
// then, and order and memory hold over a restart in between.
func TestOutage(t *testing.T) {
	b := newBench(t)
	b.first.fail = errors.New("no network")
	b.event(night, site.ValveStuckOpen, site.Raised, site.Urgent, "")
	b.event(night.Add(time.Hour), site.ValveStuckOpen, site.Cleared, site.Urgent, "")
	b.event(night.Add(time.Hour), site.Leak, site.Raised, site.Urgent, "")
	for i := range 3 {
		require.ErrorContains(t, b.who[0].step(t.Context(), night.Add(time.Hour+time.Duration(i)*time.Second)), "no network")
	}
	b.restart()
	b.first.fail = nil
	b.at(2 * time.Hour)
	require.Equal(t, []string{"alarm: urgent leak raised"}, b.first.take())
	// What was told before the outage, and ended in it, is told to be over.
	b.first.fail = errors.New("no network")
	b.event(night.Add(2*time.Hour), site.Leak, site.Updated, site.Urgent, "")
	b.event(night.Add(2*time.Hour), site.Leak, site.Cleared, site.Urgent, "")
	require.Error(t, b.who[0].step(t.Context(), night.Add(2*time.Hour)))
	b.first.fail = nil
	b.at(3 * time.Hour)
	require.Equal(t, []string{"over: urgent leak cleared"}, b.first.take())
	b.event(night, site.Drying, site.Raised, site.Urgent, "")
	b.at(DefaultPerson().Useful + time.Second)
	require.NotContains(t, b.first.take(), "alarm: urgent drying raised")
}

// TestOneMailboxBroken: nobody's broken way keeps a page from anybody else, or is given up.
func TestOneMailboxBroken(t *testing.T) {
	b := newBench(t)
	third := &route{name: "third", fail: errors.New("refused")}
	q, err := b.j.EventQueue(t.Context(), "notice-third")
	require.NoError(t, err)
	p := DefaultPerson()
	p.ID, p.Route = "third", third
	n := New(p, club(t), events{q}, func() []Standing { return nil }, plainWords{}, nil, clock.Real{}, slog.New(slog.DiscardHandler))
	b.event(night, site.ValveStuckOpen, site.Raised, site.Urgent, "")
	require.Error(t, n.step(t.Context(), night))
	b.at(0)
	require.Len(t, b.first.take(), 1)
	third.fail = nil
	require.NoError(t, n.step(t.Context(), night.Add(time.Hour)))
	require.Len(t, third.take(), 1)
}

// TestPauses grow to a limit and end with the first success; the trouble is there to be read.
func TestPauses(t *testing.T) {
	n := newBench(t).who[0]
	var got []time.Duration
	for range 8 {
		n.settle(t.Context(), night, errors.New("x"))
		got = append(got, n.pause)
	}
	require.Equal(t, []time.Duration{10 * time.Second, 20 * time.Second, 40 * time.Second, 80 * time.Second, 160 * time.Second, retryMax, retryMax, retryMax}, got)
	require.Equal(t, "x", n.Trouble())
	n.settle(t.Context(), night, nil)
	require.Zero(t, n.pause)
	require.Empty(t, n.Trouble())
}
