package alarm

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
	"bayledger/agent/words"
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
	// Said again of the same alarm: the last answer holds, also over a restart.
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[0].ID, Value: 0})
	blob, err := d.Snapshot()
	require.NoError(t, err)
	d = New(s)
	require.NoError(t, d.Restore(blob))
	require.Equal(t, Rates{Raised: 2, Urgent: 1, PerDay: 2, Useless: 2, Peak: 2}, d.Rates())
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[0].ID, Value: 1})
	d.Record(site.Record{Time: night, Kind: site.RecAck, Subject: ev[0].ID, Value: 1})
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
		f.Because = site.Say("Shut since 01:38, and the meter still turns")
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

// saysWhatToDo: a short message has the whole first step, and what not to do.
func saysWhatToDo(t *testing.T, short string, v words.Voice, k site.KindInfo) {
	t.Helper()
	k = v.Row(k)
	first, _, _ := strings.Cut(strings.NewReplacer(v.Say(" of bay %s", "{bay}"), "", v.Say(" at bay %s", "{bay}"), "").Replace(k.FirstAction), "; ")
	before, after, _ := strings.Cut(strings.TrimSuffix(first, "."), "{shut-off}")
	require.Contains(t, short, before)
	require.Contains(t, short, after)
	require.Contains(t, short, cmp.Or(k.DoNotShort, k.DoNot))
}

// TestMessageFits: whatever names, units, severity, numbers and way to answer, the short message
// keeps to its length, and what must be in it is: bay, what, since when, the first step whole, what
// not to do, how to answer. Names are cut at words.
func TestMessageFits(t *testing.T) {
	seed := rand.Uint64()
	rng := rand.New(rand.NewPCG(seed, 1))
	defer func() {
		if t.Failed() {
			t.Logf("seed %d", seed)
		}
	}()
	vocabulary := strings.Fields("Tennisfreunde am Grünen Rain by the big lime tree, North half Übungsplätze Wettkampfanlage 7 second door on left — behind Kesselhaustreppe É")
	// name has at least so many characters.
	name := func(n int) string {
		var all []string
		for utf8.RuneCountInString(strings.Join(all, " ")) < n {
			all = append(all, vocabulary[rng.IntN(len(vocabulary))])
		}
		return strings.Join(all, " ")
	}
	ways := [][]string{{"bayledger ack 1"}, {"https://courts.example.net/a/MQphbm5hCnRpODN0cw.HBcT7hGjdYtC1QYZQeDIKA", "bayledger ack 1"},
		{"https://" + strings.Repeat("far.", 60) + "example/a/x", "bayledger ack 1"}}
	for trial := range 12 {
		s := plain(club(t))
		s.Display = []site.Display{site.MetricDisplay, site.USDisplay}[trial%2]
		s.Language = string(words.Languages[trial/2%len(words.Languages)])
		v := words.Of(s)
		s.Name, s.ShutOff, s.Bay("A1").Name = name(rng.IntN(120)), name(rng.IntN(120)), name(rng.IntN(120))
		for _, k := range site.Kinds {
			f := find(k.Kind, []string{"", "A1"}[rng.IntN(2)], func(f *site.Finding) {
				f.Since = night.Add(-time.Duration(rng.IntN(100)) * time.Hour)
				if rng.IntN(4) > 0 {
					f.RateM3S, f.VolumeM3, f.VolumeU = rng.Float64()/60, 3*rng.Float64(), rng.Float64()
				}
				if rng.IntN(4) > 0 {
					f.ToCrest, f.ToSoft = time.Duration(rng.IntN(300))*time.Minute, time.Duration(rng.IntN(3000))*time.Minute
				}
				f.Carried = rng.IntN(2) == 0
			})
			if f.Bay != "" && rng.IntN(3) == 0 {
				f.Bays = []string{"A1", "B1"}
			}
			if rng.IntN(3) == 0 {
				f.Subject = strings.Repeat("meter-", 5)
			}
			d := New(s)
			on, _ := d.Delays(f.Key())
			d.now = night
			e := d.entry(f.Key())
			e.finding, e.present, e.firstSeen = f, true, night.Add(-on)
			ev := d.settle(night)
			require.Len(t, ev, 1, k.Kind)
			for _, severity := range []site.Severity{site.Info, site.Warning, site.Urgent} {
				for _, lead := range []string{"", v.Say("Nobody has answered.")} {
					for _, way := range ways {
						ev[0].Severity = severity
						short, full := Message(s, ev[0], lead, way...)
						require.LessOrEqual(t, utf8.RuneCountInString(short), ShortMax, short)
						require.True(t, strings.HasPrefix(short, lead), short)
						require.Contains(t, short, v.Say("%s %s: %s since %s", "", "", v.Title(k.Kind), "")[3:])
						saysWhatToDo(t, short, v, k)
						require.Regexp(t, `[.?…] `+v.Say("Answer: %s", "")+`\S.*$`, short)
						require.True(t, strings.HasSuffix(short, v.Say("Answer: %s", way[0])) || strings.HasSuffix(short, v.Say("Answer: %s", "bayledger ack 1")), short)
						if f.Bay != "" && f.Bays == nil {
							require.Contains(t, short, v.Say("bay %s", strings.Fields(s.Bay("A1").Name + " A1")[0][:1]), short)
						}
						for before := range strings.SplitSeq(strings.TrimSuffix(short, "…"), "…") {
							if before == short || !strings.Contains(short, before+"…") {
								continue
							}
							last := before[strings.LastIndexAny(before, " ,")+1:]
							whole := slices.Contains(vocabulary, last) || slices.Contains(vocabulary, last+",") || strings.HasPrefix(f.Subject, last)
							require.True(t, whole || utf8.RuneCountInString(last) > 5, "%q is cut within a word: %s", last, short)
						}
						require.NotContains(t, short+full, "{")
					}
				}
			}
			over := ev[0]
			over.State = site.Cleared
			short, _ := Message(s, over, "")
			require.LessOrEqual(t, utf8.RuneCountInString(short), ShortMax, short)
			require.Contains(t, short, v.Title(k.Kind))
		}
	}
}

// TestMessageKeepsAll: with names as clubs have them and the command to answer, nothing is left out
// of an urgent message.
func TestMessageKeepsAll(t *testing.T) {
	s := plain(club(t))
	s.Name, s.ShutOff, s.Bay("A1").Name = "Harrowmere Tennis Club", "the red lever by the pump house door", "North half"
	for _, k := range []site.Kind{site.ValveStuckOpen, site.Overfill, site.Overflowing, site.OverflowFault} {
		f := find(k, "A1", func(f *site.Finding) {
			f.Since, f.RateM3S, f.VolumeM3, f.VolumeU = night, 18e-3/60, 0.45, 0.02
			f.ToCrest, f.ToSoft = 35*time.Minute, 3*time.Hour
		})
		ev := New(s).Tick(night.Add(25*time.Minute), []site.Finding{f})
		require.Len(t, ev, 1)
		short, _ := Message(s, ev[0], "")
		for _, part := range []string{"URGENT", "bay North half", info(k).Title, "since 01:40", "18 L/min", "450 ± 20 L", "soft surface in 3 h", "red lever", info(k).DoNotShort, "Answer: bayledger ack 1"} {
			require.Contains(t, strings.Replace(short, "Soft", "soft", 1), part, k)
		}
	}
}
