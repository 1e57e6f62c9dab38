package alarm

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// TestFlood is the counter of ANSI/ISA-18.2-2016 table 5: a flood begins with more than 10 new
// alarms in 10 minutes and ends with fewer than 5.
func TestFlood(t *testing.T) {
	raise := func(n int) *tally {
		var c tally
		for i := range n {
			c.raisedAt(site.Warning, night.Add(time.Duration(i)*time.Second))
		}
		return &c
	}
	c := raise(10)
	c.step(night.Add(time.Minute))
	require.False(t, c.Flood, "10 in 600 s")
	c = raise(11)
	c.step(night.Add(time.Minute))
	require.True(t, c.Flood, "11 in 600 s")
	c.step(night.Add(FloodWindow + 5*time.Second))
	require.True(t, c.Flood, "5 in 600 s: still")
	c.step(night.Add(FloodWindow + 6*time.Second))
	require.False(t, c.Flood, "4 in 600 s: over")
}

func TestRates(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	urgent := find(site.ValveStuckOpen, "A1", func(f *site.Finding) { f.ToCrest = time.Minute })
	leak := find(site.Leak, "B1")
	ev := d.Tick(night, []site.Finding{urgent, leak, find(site.Overfill, "A1")})
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[0].ID, Value: 1})
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[1].ID, Value: 0})
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[1].ID, Value: site.Unknown()})
	require.Equal(t, Rates{Raised: 2, Urgent: 1, PerDay: 2, Useful: 1, Useless: 1, Peak: 2}, d.Rates(), "folded effects do not count")
	for i := range 9 * 24 * 6 {
		d.Tick(night.Add(time.Duration(i)*10*time.Minute), []site.Finding{leak})
	}
	r := d.Rates()
	require.Equal(t, 1, r.Standing)
	require.InDelta(t, 2.0/9, r.PerDay, 0.001)
	for i := range 25 * 24 * 6 {
		d.Tick(night.Add(9*24*time.Hour+time.Duration(i)*10*time.Minute), []site.Finding{leak})
	}
	require.Equal(t, 0, d.Rates().Raised, "older than 30 days is forgotten")
}

func TestMessage(t *testing.T) {
	s := plain(club(t))
	stuck := find(site.ValveStuckOpen, "A1", func(f *site.Finding) {
		f.Since = night
		f.RateM3S, f.VolumeM3, f.VolumeU = 18e-3/60, 0.45, 0.02
		f.ToCrest = 35 * time.Minute
		f.Because = "Shut since 01:38, and the meter still turns"
	})
	ev := New(s).Tick(night.Add(25*time.Minute), []site.Finding{stuck})[0]
	short, long := Message(s, ev, "")
	require.Equal(t, "URGENT Riedhof, bay A1: Valve stuck open since 01:40: 18 L/min, 450 ± 20 L. Overflow runs in 35 min. "+
		"Shut the hand valve, or the main at the pump house, left of the door. Cabinet: dry hands only. Answer: bayledger ack 1", short)
	for _, part := range []string{"Riedhof, bay A1, Court 1", "01:40 (2026-07-03 23:40 UTC)", "the meter still turns", "450 ± 20 L",
		"35 min", "Shut the hand valve", "wet hands", "the pump house, left of the door", "bayledger ack 1", ev.ID} {
		require.Contains(t, long, part)
	}

	us := plain(club(t))
	us.Display = site.USDisplay
	short, _ = Message(us, ev, "", "press 1", "bayledger ack 1")
	require.Contains(t, short, "4.8 gal/min, 119 ± 5 gal.")
	require.Contains(t, short, "Answer: press 1")

	d := New(s)
	d.Tick(night, []site.Finding{stuck})
	over := d.Tick(night.Add(40*time.Minute), nil)[0]
	short, long = Message(s, over, "")
	require.Equal(t, "Over at Riedhof, bay A1: Valve stuck open, 01:40 to 02:20. 450 ± 20 L in all.", short)
	require.NotContains(t, long, "Do first")
}

// TestMessageFits: whatever the names, the short message keeps to its length, and what must be
// in it is.
func TestMessageFits(t *testing.T) {
	for _, long := range []bool{false, true} {
		lead := ""
		if long {
			lead = "Nobody has answered."
		}
		s := plain(club(t))
		if long {
			s.Name = strings.Repeat("Tennisfreunde am Grünen Rain ", 4)
			s.ShutOff = strings.Repeat("the second door on the left behind the boiler, then down ", 3)
			s.Bay("A1").Name = strings.Repeat("North half by the big lime tree ", 3)
		}
		for _, k := range site.Kinds {
			for _, bay := range []string{"", "A1"} {
				f := find(k.Kind, bay, func(f *site.Finding) {
					f.RateM3S, f.VolumeM3, f.VolumeU = 18e-3/60, 0.45, 0.02
					f.ToCrest, f.ToSoft = 35*time.Minute, 3*time.Hour
				})
				d := New(s)
				var ev []site.Event
				for n := range 100 {
					ev = append(ev, d.Tick(at(n), []site.Finding{f})...)
				}
				require.NotEmpty(t, ev, k.Kind)
				short, full := Message(s, ev[0], lead)
				require.LessOrEqual(t, utf8.RuneCountInString(short), ShortMax, k.Kind)
				require.True(t, strings.HasSuffix(short, "Answer: bayledger ack 1"), short)
				require.NotContains(t, short+full, "{")
				require.Contains(t, full, info(k.Kind).Title)
				if !long {
					action := strings.NewReplacer(" of bay "+bay, "", " at bay "+bay, "").Replace(ev[0].FirstAction)
					require.Contains(t, short, action, "%s: the first action is cut", k.Kind)
				}
			}
		}
	}
}
