package alarm

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

func mustJSON(t testing.TB, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return b
}

// TestArrowsPointDown: the desk looks for causes above their effects in the table, so an arrow
// that points upwards would never be found, and none can make a circle.
func TestArrowsPointDown(t *testing.T) {
	for _, c := range site.Kinds {
		for _, x := range c.Explains {
			require.Less(t, rank(c.Kind), rank(x.Kind), "%s explains %s", c.Kind, x.Kind)
		}
	}
}

func at(n int) time.Time { return night.Add(time.Duration(n) * 10 * time.Second) }

func TestFold(t *testing.T) {
	stuck, over, run := find(site.ValveStuckOpen, "A1"), find(site.Overfill, "A1"), find(site.Overflowing, "A1")
	type ticks = [][]site.Finding
	rows := []struct {
		name  string
		ticks ticks
		tells []want
	}{
		{"effect with its cause", ticks{{over, stuck}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, over.Key(), "valve-stuck-open"}}},
		{"effect after its cause", ticks{{stuck}, {stuck, over}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, over.Key(), "valve-stuck-open"}}},
		{"effect before its cause is folded when it comes", ticks{{over}, {over, stuck}},
			[]want{{site.Raised, over.Key(), ""}, {site.Raised, stuck.Key(), ""}, {site.Updated, over.Key(), "valve-stuck-open"}}},
		{"cause clears and the effect stands", ticks{{stuck, over}, {over}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, over.Key(), "valve-stuck-open"},
				{site.Cleared, stuck.Key(), ""}, {site.Raised, over.Key(), ""}}},
		{"effect clears first", ticks{{stuck, over}, {stuck}, {}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, over.Key(), "valve-stuck-open"},
				{site.Cleared, over.Key(), "valve-stuck-open"}, {site.Cleared, stuck.Key(), ""}}},
		{"both clear at once", ticks{{stuck, over}, {}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, over.Key(), "valve-stuck-open"},
				{site.Cleared, stuck.Key(), ""}, {site.Cleared, over.Key(), "valve-stuck-open"}}},
		{"a chain hangs on its root", ticks{{over, run, stuck}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, run.Key(), "valve-stuck-open"}, {site.Raised, over.Key(), "valve-stuck-open"}}},
		{"a new root takes the chain over", ticks{{over, run}, {over, run, stuck}},
			[]want{{site.Raised, run.Key(), ""}, {site.Raised, over.Key(), "overflowing"}, {site.Raised, stuck.Key(), ""},
				{site.Updated, run.Key(), "valve-stuck-open"}, {site.Updated, over.Key(), "valve-stuck-open"}}},
		{"the root clears and the chain below it stands", ticks{{over, run, stuck}, {over, run}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, run.Key(), "valve-stuck-open"}, {site.Raised, over.Key(), "valve-stuck-open"},
				{site.Cleared, stuck.Key(), ""}, {site.Raised, run.Key(), ""}, {site.Updated, over.Key(), "overflowing"}}},
		{"another bay's trouble is its own", ticks{{stuck, find(site.Overfill, "A2")}},
			[]want{{site.Raised, stuck.Key(), ""}, {site.Raised, key(site.Overfill, "A2"), ""}}},
		{"no supply explains every bay", ticks{{find(site.NoSupply, ""), find(site.ValveStuckClosed, "A1"), find(site.Drying, "B2")}},
			[]want{{site.Raised, key(site.NoSupply, ""), ""}, {site.Raised, key(site.ValveStuckClosed, "A1"), "no-supply"},
				{site.Raised, key(site.Drying, "B2"), "no-supply"}}},
		{"seepage explains the bays it names only", ticks{{
			find(site.SeepageBetweenBays, "A1", func(f *site.Finding) { f.Bays = []string{"A1", "A2"} }),
			find(site.Drying, "A1"), find(site.Overfill, "A2"), find(site.Drying, "B1")}},
			[]want{{site.Raised, key(site.SeepageBetweenBays, "A1"), ""}, {site.Raised, key(site.Overfill, "A2"), "seepage-between-bays"},
				{site.Raised, key(site.Drying, "A1"), "seepage-between-bays"}, {site.Raised, key(site.Drying, "B1"), ""}}},
		{"a silent line explains what is read through it", ticks{{
			site.NewFinding(site.LinkDown, "", "line-1", night), site.NewFinding(site.NoData, "A1", "A1-level", night),
			site.NewFinding(site.NoData, "", "unit-2", night), site.NewFinding(site.NoData, "B1", "B1-level", night)}},
			[]want{{site.Raised, site.Key{Bay: "B1", Kind: site.NoData, Subject: "B1-level"}, ""},
				{site.Raised, site.Key{Kind: site.LinkDown, Subject: "line-1"}, ""},
				{site.Raised, site.Key{Kind: site.NoData, Subject: "unit-2"}, "link-down"},
				{site.Raised, site.Key{Bay: "A1", Kind: site.NoData, Subject: "A1-level"}, "link-down"}}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			s := plain(club(t))
			i := info(site.LinkDown)
			d := New(s)
			var got []want
			for n, fs := range row.ticks {
				got = append(got, told(s, d.Tick(at(n), fs))...)
			}
			// Kinds without a bay keep the table's delays: hold what is there until they pass.
			last := row.ticks[len(row.ticks)-1]
			for n := len(row.ticks); time.Duration(n)*10*time.Second <= i.OnDelay+time.Minute && len(last) > 0; n++ {
				got = append(got, told(s, d.Tick(at(n), last))...)
			}
			require.Equal(t, row.tells, got)
		})
	}
}

// TestEffectWaitsForItsCause: while a cause is in its on-delay its effects are not told, or one
// fault would be told five times before it is named.
func TestEffectWaitsForItsCause(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	fs := []site.Finding{find(site.ValveStuckClosed, "A1"), find(site.ValveStuckClosed, "B1"), find(site.NoSupply, "")}
	for n := range 6 {
		require.Empty(t, d.Tick(at(n), fs), "%d", n)
	}
	require.Equal(t, []want{{site.Raised, key(site.NoSupply, ""), ""},
		{site.Raised, key(site.ValveStuckClosed, "A1"), "no-supply"}, {site.Raised, key(site.ValveStuckClosed, "B1"), "no-supply"}},
		told(s, d.Tick(at(6), fs)))
	// A cause that flickers does not hide its effects: the tick without it tells them.
	d = New(s)
	require.Empty(t, d.Tick(at(0), fs))
	require.Len(t, d.Tick(at(1), fs[:2]), 2)
}

// TestEffectLingers: an effect with an off-delay that ends with its cause is not told in between.
func TestEffectLingers(t *testing.T) {
	s := club(t)
	stuck, over := find(site.ValveStuckOpen, "A1"), find(site.Overfill, "A1")
	_, off := New(s).Delays(over.Key())
	require.Equal(t, 10*time.Minute, off)
	for _, stays := range []time.Duration{off - 10*time.Second, off} {
		d := New(s)
		d.Tick(night, []site.Finding{stuck, over})
		clock := night
		var got []want
		var cleared time.Time
		for cleared.IsZero() {
			clock = clock.Add(10 * time.Second)
			ev := d.Tick(clock, []site.Finding{over})
			got = append(got, told(s, ev)...)
			if len(ev) > 0 {
				cleared = clock
			}
		}
		require.Equal(t, []want{{site.Cleared, stuck.Key(), ""}}, got)
		got = nil
		for clock.Before(cleared.Add(stays)) {
			clock = clock.Add(10 * time.Second)
			got = append(got, told(s, d.Tick(clock, []site.Finding{over}))...)
		}
		if stays < off {
			require.Empty(t, got)
			continue
		}
		require.Equal(t, []want{{site.Raised, over.Key(), ""}}, got)
	}
}

// TestCauseIsSharpened: folded effects lend their cause the time left, the numbers it lacks and
// the severity, and the cause tells it as an update.
func TestCauseIsSharpened(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	low := find(site.LowFlow, "A1")
	dry := find(site.Drying, "A1", func(f *site.Finding) { f.ToSoft = 30 * time.Minute; f.VolumeM3 = 0.2; f.VolumeU = 0.02 })
	first := d.Tick(at(0), []site.Finding{low})
	require.Equal(t, site.Warning, first[0].Severity)
	require.Nil(t, first[0].TimeLeftS)
	second := d.Tick(at(1), []site.Finding{low, dry})
	require.Equal(t, []want{{site.Updated, low.Key(), ""}, {site.Raised, dry.Key(), "low-flow"}}, told(s, second))
	require.Equal(t, site.Urgent, second[0].Severity, "a cause is as grave as what it does")
	require.InDelta(t, 1800, *second[0].TimeLeftS, 0)
	require.InDelta(t, 200, *second[0].Litres, 1e-9)
	require.InDelta(t, 20, *second[0].LitresU, 1e-9)
	require.Empty(t, d.Tick(at(2), []site.Finding{low, dry}), "nothing new")
}

// TestFalseReadingsLendNothing: what a broken sensor shows is not water, so it makes nobody
// hurry.
func TestFalseReadingsLendNothing(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	ev := d.Tick(at(0), []site.Finding{find(site.LevelSensorFault, "A1"),
		find(site.Overfill, "A1", func(f *site.Finding) { f.ToCrest = time.Minute })})
	require.Equal(t, site.Warning, ev[0].Severity)
	require.Nil(t, ev[0].TimeLeftS)
	require.Equal(t, ev[0].ID, ev[1].CauseID)
}

// TestMutedCauseExplainsNothing: a cause that is not told cannot carry its effects.
func TestMutedCauseExplainsNothing(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	d.Record(site.Record{Time: night, Kind: site.RecMaintenance, Bay: "A1", Until: night.Add(time.Hour)})
	seep := find(site.SeepageBetweenBays, "A1", func(f *site.Finding) { f.Bays = []string{"A1", "A2"} })
	dry := find(site.Drying, "A2")
	require.Equal(t, []want{{site.Raised, dry.Key(), ""}}, told(s, d.Tick(at(0), []site.Finding{seep, dry})))
}

// TestSuppressedIsVisible: everything kept quiet is listed with its cause.
func TestSuppressedIsVisible(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	ev := d.Tick(at(0), []site.Finding{find(site.ValveStuckOpen, "A1"), find(site.Overfill, "A1")})
	var seen bool
	for _, a := range d.Open() {
		if a.Event.Kind == site.Overfill {
			seen = true
			require.Equal(t, SuppressedByDesign, a.Phase)
			require.False(t, a.Told)
			require.Equal(t, ev[0].ID, a.Cause)
			require.Equal(t, "folded under "+ev[0].ID, a.Why)
		}
	}
	require.True(t, seen)
}

// TestSeverity: consequence times time to respond (design; attended 07:00 to 19:00).
func TestSeverity(t *testing.T) {
	local := func(hour, min int) time.Time {
		zone, err := time.LoadLocation("Europe/Vienna")
		require.NoError(t, err)
		return time.Date(2026, 7, 4, hour, min, 0, 0, zone)
	}
	lph := func(x float64) func(*site.Finding) { return func(f *site.Finding) { f.RateM3S = x / 3.6e6 } }
	crest := func(d time.Duration) func(*site.Finding) { return func(f *site.Finding) { f.ToCrest = d } }
	soft := func(d time.Duration) func(*site.Finding) { return func(f *site.Finding) { f.ToSoft = d } }
	sure := func(p float64) func(*site.Finding) { return func(f *site.Finding) { f.Confidence = p } }
	rows := []struct {
		name string
		at   time.Time
		f    site.Finding
		want site.Severity
	}{
		{"5 L/h leak in the night is a morning line", local(2, 0), find(site.Leak, "A1", lph(5)), site.Warning},
		{"99 L/h leak at 02:00: 495 L by 07:00", local(2, 0), find(site.Leak, "A1", lph(99)), site.Warning},
		{"101 L/h leak at 02:00: 505 L by 07:00", local(2, 0), find(site.Leak, "A1", lph(101)), site.Urgent},
		{"101 L/h leak at noon: somebody looks within the hour", local(12, 0), find(site.Leak, "A1", lph(101)), site.Warning},
		{"600 L/h at noon: 500 L within the hour", local(12, 0), find(site.Leak, "A1", lph(600)), site.Urgent},
		{"a bay that overflows before 07:00", local(2, 0), find(site.ValveStuckOpen, "A1", crest(4*time.Hour)), site.Urgent},
		{"a bay that overflows after 07:00", local(2, 0), find(site.ValveStuckOpen, "A1", crest(6*time.Hour)), site.Warning},
		{"soft in 50 minutes at noon", local(12, 0), find(site.Overfill, "A1", soft(50*time.Minute)), site.Urgent},
		{"soft in 70 minutes at noon", local(12, 0), find(site.Overfill, "A1", soft(70*time.Minute)), site.Warning},
		{"frost before morning", local(22, 0), find(site.FreezeRisk, "", crest(5*time.Hour)), site.Urgent},
		{"frost before morning, nineteen to one", local(22, 0), find(site.FreezeRisk, "", crest(5*time.Hour), sure(0.95)), site.Urgent},
		{"frost before morning, three to one", local(22, 0), find(site.FreezeRisk, "", crest(5*time.Hour), sure(0.75)), site.Warning},
		{"a night that may freeze, nobody knows when", local(15, 0), find(site.FreezeRisk, "", sure(0.9)), site.Info},
		{"frost before morning, as likely as not", local(22, 0), find(site.FreezeRisk, "", soft(5*time.Hour), sure(0.5)), site.Info},
		{"frost after people have come", local(22, 0), find(site.FreezeRisk, "", crest(10*time.Hour), sure(0.95)), site.Warning},
		{"frost tomorrow night", local(22, 0), find(site.FreezeRisk, "", crest(24*time.Hour)), site.Warning},
		{"dead meter whatever it says", local(2, 0), find(site.MeterFault, "A1", crest(0)), site.Warning},
		{"historian away in the night is a daytime ticket", local(2, 0), find(site.SinkUnreachable, ""), site.Warning},
		{"nothing known", local(2, 0), find(site.ValveStuckOpen, "A1"), site.Warning},
	}
	for _, row := range rows {
		require.Equal(t, row.want, Severity(club(t), row.f, row.at), row.name)
	}
	// The hours between two looks on the night the clocks go back: 19:00 to 07:00 is 13 hours.
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	require.Equal(t, 13*time.Hour, NextLook(club(t), time.Date(2026, 10, 24, 19, 0, 0, 0, zone)))
	require.Equal(t, time.Hour, NextLook(club(t), time.Date(2026, 10, 25, 18, 59, 0, 0, zone)))
}

// TestWarningTurnsUrgent: the same leak is a warning by day and urgent when the last one goes
// home, told once; it does not fall back in the morning.
func TestWarningTurnsUrgent(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	leak := find(site.Leak, "A1", func(f *site.Finding) { f.RateM3S = 60 / 3.6e6 })
	zone := s.Zone
	var got []site.Event
	for clock := time.Date(2026, 7, 4, 18, 0, 0, 0, zone); clock.Before(time.Date(2026, 7, 5, 9, 0, 0, 0, zone)); clock = clock.Add(10 * time.Second) {
		got = append(got, d.Tick(clock, []site.Finding{leak})...)
	}
	require.Equal(t, []want{{site.Raised, leak.Key(), ""}, {site.Updated, leak.Key(), ""}}, told(s, got))
	require.Equal(t, site.Urgent, got[1].Severity)
	require.Equal(t, time.Date(2026, 7, 4, 17, 0, 0, 0, time.UTC), got[1].Time.Time)
	require.Equal(t, got[0].ID, got[1].ID)
	require.Equal(t, site.Urgent, d.Open()[0].Now.Severity)
}

// TestAnsweredTurnsUrgent: who has answered is asked again only when what he answered has become
// worse than he could know, not because the hours in which people look have ended
// (ANSI/ISA-18.2-2016: re-alarming is for a change, and used sparingly). Attended 07:00 to 19:00;
// the alarm begins at 15:00 and is answered at 16:00.
func TestAnsweredTurnsUrgent(t *testing.T) {
	zone := club(t).Zone
	clock := func(hour, min int) time.Time { return time.Date(2026, 7, 4, hour, min, 0, 0, zone) }
	lph := func(x float64) float64 { return x / 3.6e6 }
	seven := clock(31, 0) // next morning
	rows := []struct {
		name   string
		answer bool
		f      func(f *site.Finding, now time.Time)
		urgent time.Time // when it is told as urgent; zero for never
	}{
		{"a steady leak nobody answered", false, func(f *site.Finding, _ time.Time) { f.RateM3S = lph(60) }, clock(19, 0)},
		{"a steady leak", true, func(f *site.Finding, now time.Time) {
			f.RateM3S = lph(60)
			f.VolumeM3 = 0.06 * now.Sub(clock(15, 0)).Hours()
		}, time.Time{}},
		{"half as fast again in the night", true, func(f *site.Finding, now time.Time) {
			f.RateM3S = lph(60)
			if !now.Before(clock(22, 0)) {
				f.RateM3S = lph(90)
			}
		}, clock(22, 0)},
		{"a little faster in the night", true, func(f *site.Finding, now time.Time) {
			f.RateM3S = lph(60)
			if !now.Before(clock(22, 0)) {
				f.RateM3S = lph(85)
			}
		}, time.Time{}},
		{"twice as fast while people are there: when they go", true, func(f *site.Finding, now time.Time) {
			f.RateM3S = lph(60)
			if !now.Before(clock(17, 0)) {
				f.RateM3S = lph(120)
			}
		}, clock(19, 0)},
		{"a rate that was not known", true, func(f *site.Finding, now time.Time) {
			if !now.Before(clock(20, 0)) {
				f.RateM3S = lph(60)
			}
		}, clock(20, 0)},
		{"500 L more than the rate that was answered makes", true, func(f *site.Finding, now time.Time) {
			f.RateM3S = lph(60)
			f.VolumeM3 = 0.06 * now.Sub(clock(15, 0)).Hours()
			if !now.Before(clock(21, 0)) {
				f.VolumeM3 += 0.5
			}
		}, clock(21, 0)},
		{"the overflow will run at 03:00, as was said", true, func(f *site.Finding, now time.Time) {
			f.ToCrest = max(time.Second, clock(27, 0).Sub(now))
			if now.After(clock(26, 50)) {
				f.ToCrest = 10 * time.Minute // mended: it rises no more
			}
		}, time.Time{}},
		{"and it does run", true, func(f *site.Finding, now time.Time) { f.ToCrest = max(0, clock(27, 0).Sub(now)) }, clock(26, 59).Add(10 * time.Second)},
		{"it will run three hours earlier", true, func(f *site.Finding, now time.Time) {
			f.ToCrest = clock(27, 0).Sub(now)
			if !now.Before(clock(20, 0)) {
				f.ToCrest = clock(24, 0).Sub(now)
			}
		}, clock(20, 0)},
		{"it will run two hours earlier", true, func(f *site.Finding, now time.Time) {
			f.ToCrest = max(10*time.Minute, clock(27, 0).Sub(now))
			if !now.Before(clock(20, 0)) {
				f.ToCrest = max(10*time.Minute, clock(25, 0).Sub(now))
			}
		}, time.Time{}},
		{"a soft surface that nobody spoke of", true, func(f *site.Finding, now time.Time) {
			f.ToCrest = max(10*time.Minute, clock(27, 0).Sub(now))
			if !now.Before(clock(20, 0)) {
				f.ToSoft = 5 * time.Hour
			}
		}, clock(20, 0)},
	}
	for _, row := range rows {
		for _, restart := range []bool{false, true} {
			s := plain(club(t))
			d := New(s)
			var urgent []time.Time
			for now := clock(15, 0); now.Before(seven); now = now.Add(10 * time.Second) {
				f := find(site.Leak, "A1")
				row.f(&f, now)
				for _, e := range d.Tick(now, []site.Finding{f}) {
					if e.Severity == site.Urgent && e.State != site.Cleared {
						urgent = append(urgent, now)
						require.Equal(t, Unacknowledged, phaseOf(d, f.Key()), row.name)
					}
				}
				if row.answer && now.Equal(clock(16, 0)) {
					require.Equal(t, site.Warning, d.Open()[0].Now.Severity, row.name)
					d.Record(site.Record{Time: now, Kind: site.RecAck, Subject: d.Open()[0].Event.ID, Value: 1})
				}
				if restart && now.Equal(clock(18, 0)) {
					blob, err := d.Snapshot()
					require.NoError(t, err)
					d = New(s)
					require.NoError(t, d.Restore(blob))
				}
			}
			if row.urgent.IsZero() {
				require.Empty(t, urgent, row.name)
				require.Equal(t, Acknowledged, phaseOf(d, key(site.Leak, "A1")), row.name)
				require.Equal(t, site.Warning, d.Open()[0].Now.Severity, row.name)
				continue
			}
			require.NotEmpty(t, urgent, row.name)
			require.True(t, row.urgent.Equal(urgent[0]), "%s: %s", row.name, urgent[0])
		}
	}
}

func TestBecauseAndCarried(t *testing.T) {
	s := plain(club(t))
	ev := New(s).Tick(night, []site.Finding{find(site.ValveStuckOpen, "A1", func(f *site.Finding) {
		f.Because = site.Say("Shut since 01:38, and the meter has counted 12 pulses.")
		f.ToCrest, f.ToSoft, f.Carried = 40*time.Minute, 3*time.Hour, true
		f.OrKind, f.WouldDecide = site.MeterFault, site.Say("a look at the meter")
		f.Confidence = 0.9
	})})[0]
	require.Equal(t, "Shut since 01:38, and the meter has counted 12 pulses; the overflow carries the whole flow, so the court does not flood.", ev.Because)
	require.InDelta(t, 2400, *ev.TimeLeftS, 0)
	require.InDelta(t, 2400, *ev.ToCrestS, 0)
	require.InDelta(t, 10800, *ev.ToSoftS, 0)
	require.True(t, ev.Carried)
	require.Equal(t, "Shut the hand valve of bay A1, or the main at the pump house, left of the door.", ev.FirstAction)
	require.Equal(t, "r1", ev.Revision)
	require.Equal(t, site.MeterFault, ev.OrKind)
}

func TestRestoreRefuses(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	d.Tick(night, []site.Finding{find(site.Leak, "A1")})
	good, err := d.Snapshot()
	require.NoError(t, err)
	other := club(t)
	other.ID = "elsewhere"
	for _, row := range []struct {
		name string
		d    *Desk
		text string
	}{
		{"not JSON", d, "{"}, {"another version", d, `{"v":2,"site":"riedhof"}`}, {"another site", New(other), string(good)},
	} {
		before, err := row.d.Snapshot()
		require.NoError(t, err)
		require.Error(t, row.d.Restore([]byte(row.text)), row.name)
		after, err := row.d.Snapshot()
		require.NoError(t, err)
		require.Equal(t, string(before), string(after), row.name)
	}
}
