package alarm

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// club is an invented club of two courts with two bays each, attended 07:00 to 19:00.
func club(t testing.TB) *site.Site {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	bay := func(court, id string) site.Bay { return site.Bay{ID: id, Court: court, AreaM2: 80} }
	s := &site.Site{
		ID: "riedhof", Name: "Riedhof", Zone: zone, ShutOff: "the pump house, left of the door",
		Attended: site.DayWindow{From: 7 * 60, To: 19 * 60}, Revision: "r1",
		Courts: []site.Court{
			{ID: "c1", Name: "Court 1", Bays: []site.Bay{bay("c1", "A1"), bay("c1", "A2")}},
			{ID: "c2", Name: "Court 2", Bays: []site.Bay{bay("c2", "B1"), bay("c2", "B2")}},
		},
		Points: []site.Point{
			{ID: "A1-level", Bay: "A1", Quantity: site.Level, Device: "unit-1", Link: "line-1"},
			{ID: "A2-level", Bay: "A2", Quantity: site.Level, Device: "unit-2", Link: "line-1"},
			{ID: "B1-level", Bay: "B1", Quantity: site.Level, Device: "unit-3", Link: "line-2"},
		},
	}
	return s
}

// night is 01:40 local time of a summer night.
var night = time.Date(2026, 7, 3, 23, 40, 0, 0, time.UTC)

// want is what a test expects of one event.
type want struct {
	state site.State
	key   site.Key
	cause string // kind of the cause, "" for none
}

func told(s *site.Site, events []site.Event) []want {
	var w []want
	for _, e := range events {
		cause := ""
		if e.CauseID != "" {
			for _, k := range site.Kinds {
				if idHasKind(e.CauseID, k.Kind) {
					cause = string(k.Kind)
				}
			}
		}
		w = append(w, want{e.State, e.Key(), cause})
	}
	return w
}

func idHasKind(id string, k site.Kind) bool {
	var parts []string
	start := 0
	for i := range len(id) {
		if id[i] == '/' {
			parts = append(parts, id[start:i])
			start = i + 1
		}
	}
	return len(parts) == 4 && parts[2] == string(k)
}

func find(k site.Kind, bay string, more ...func(*site.Finding)) site.Finding {
	f := site.NewFinding(k, bay, "", night.Add(-time.Hour))
	for _, m := range more {
		m(&f)
	}
	return f
}

func key(k site.Kind, bay string) site.Key { return site.Key{Bay: bay, Kind: k} }

// plain takes every delay away, so that a test shows one thing only.
func plain(s *site.Site) *site.Site {
	for b := range s.Bays() {
		b.Delays = map[site.Kind]site.Delay{}
		for _, k := range site.Kinds {
			b.Delays[k.Kind] = site.Delay{}
		}
	}
	return s
}

func phaseOf(d *Desk, k site.Key) Phase {
	for _, a := range d.Open() {
		if a.Event.Key() == k {
			return a.Phase
		}
	}
	return Normal
}

// TestTransitions walks every row of the state table of ANSI/ISA-18.2-2016 and IEC 62682 (as
// quoted in alerta's isa_18_2.py, and OPC UA Part 9 B.1.5 for the re-alarm timer).
func TestTransitions(t *testing.T) {
	f := find(site.Overfill, "A1")
	k := f.Key()
	const step = 10 * time.Second
	// A trial is a desk with one finding that is there or not.
	type trial struct {
		*testing.T
		d    *Desk
		at   time.Time
		on   bool
		last []site.Event
		f    site.Finding
	}
	tick := func(r *trial) {
		r.at = r.at.Add(step)
		var fs []site.Finding
		if r.on {
			fs = append(fs, r.f)
		}
		r.last = r.d.Tick(r.at, fs)
	}
	put := func(r *trial, rec site.Record) {
		rec.Time = r.at
		if rec.Kind != site.RecMaintenance && rec.Kind != site.RecSeason {
			for _, a := range r.d.Open() {
				rec.Subject = a.Event.ID
			}
		}
		r.last = r.d.Record(rec)
	}
	appear := func(r *trial) { r.on = true; tick(r) }
	vanish := func(r *trial) { r.on = false; tick(r) }
	ack := func(r *trial) { put(r, site.Record{Kind: site.RecAck, Who: "kim", Value: site.Unknown()}) }
	shelve := func(r *trial) {
		put(r, site.Record{Kind: site.RecShelve, Until: r.at.Add(time.Hour), Text: "valve on order"})
	}
	unshelve := func(r *trial) { put(r, site.Record{Kind: site.RecUnshelve}) }
	work := func(r *trial) { put(r, site.Record{Kind: site.RecMaintenance, Bay: "A1", Until: r.at.Add(time.Hour)}) }
	done := func(r *trial) { put(r, site.Record{Kind: site.RecMaintenance, Bay: "A1", Until: r.at}) }
	winter := func(r *trial) { put(r, site.Record{Kind: site.RecSeason, Text: "closed"}) }
	spring := func(r *trial) { put(r, site.Record{Kind: site.RecSeason, Text: "open"}) }
	wait := func(d time.Duration) func(*trial) {
		return func(r *trial) {
			for end := r.at.Add(d); r.at.Before(end); {
				tick(r)
			}
		}
	}
	// jump lets time pass unseen but for its last instant.
	jump := func(d time.Duration) func(*trial) {
		return func(r *trial) { r.at = r.at.Add(d - step); tick(r) }
	}
	worse := func(r *trial) { r.f.ToCrest = 20 * time.Minute; tick(r) }
	type steps = []func(*trial)

	rows := []struct {
		name   string
		before steps
		from   Phase
		event  func(*trial)
		to     Phase
		tells  []site.State
	}{
		{"normal, condition true", nil, Normal, appear, Unacknowledged, []site.State{site.Raised}},
		{"normal, ack", nil, Normal, ack, Normal, nil},
		{"unacknowledged, ack", steps{appear}, Unacknowledged, ack, Acknowledged, nil},
		{"unacknowledged, condition clears", steps{appear}, Unacknowledged, vanish, ReturnedUnacknowledged, []site.State{site.Cleared}},
		{"acknowledged, condition clears", steps{appear, ack}, Acknowledged, vanish, Normal, []site.State{site.Cleared}},
		{"acknowledged, graver", steps{appear, ack}, Acknowledged, worse, Unacknowledged, []site.State{site.Updated}},
		{"acknowledged, ack again", steps{appear, ack}, Acknowledged, ack, Acknowledged, nil},
		{"returned, ack", steps{appear, vanish}, ReturnedUnacknowledged, ack, Normal, nil},
		{"returned, condition true again", steps{appear, vanish}, ReturnedUnacknowledged, appear, Unacknowledged, []site.State{site.Raised}},
		{"returned, forgotten after a week", steps{appear, vanish, jump(KeepReturned - 10*time.Second)}, ReturnedUnacknowledged, tick, Normal, nil},
		{"unacknowledged, shelve", steps{appear}, Unacknowledged, shelve, Shelved, nil},
		{"acknowledged, shelve", steps{appear, ack}, Acknowledged, shelve, Shelved, nil},
		{"shelved, graver", steps{appear, shelve}, Shelved, worse, Shelved, nil},
		{"shelved, unshelve and abnormal", steps{appear, ack, shelve}, Shelved, unshelve, Unacknowledged, []site.State{site.Raised}},
		{"shelved, time out and abnormal", steps{appear, shelve, wait(time.Hour - 10*time.Second)}, Shelved, wait(10 * time.Second), Unacknowledged, []site.State{site.Raised}},
		{"shelved, condition clears", steps{appear, ack, shelve}, Shelved, vanish, Normal, []site.State{site.Cleared}},
		{"shelved, time out and normal", steps{appear, ack, shelve, vanish, wait(time.Hour)}, Normal, tick, Normal, nil},
		{"normal, suppressed and condition true", steps{winter}, Normal, appear, SuppressedByDesign, nil},
		{"unacknowledged, suppressed", steps{appear}, Unacknowledged, winter, SuppressedByDesign, nil},
		{"suppressed, on again and abnormal", steps{winter, appear}, SuppressedByDesign, spring, Unacknowledged, []site.State{site.Raised}},
		{"suppressed after ack, on again and abnormal", steps{appear, ack, winter}, SuppressedByDesign, spring, Unacknowledged, []site.State{site.Raised}},
		{"suppressed, on again and normal", steps{winter, appear, vanish}, Normal, spring, Normal, nil},
		{"suppressed while open, condition clears", steps{appear, ack, winter}, SuppressedByDesign, vanish, Normal, []site.State{site.Cleared}},
		{"normal, out of service and condition true", steps{work}, Normal, appear, OutOfService, nil},
		{"unacknowledged, out of service", steps{appear}, Unacknowledged, work, OutOfService, nil},
		{"acknowledged, out of service", steps{appear, ack}, Acknowledged, work, OutOfService, nil},
		{"out of service, returned and abnormal", steps{work, appear}, OutOfService, done, Unacknowledged, []site.State{site.Raised}},
		{"out of service, its end comes and abnormal", steps{work, appear, wait(time.Hour - 20*time.Second)}, OutOfService, wait(10 * time.Second), Unacknowledged, []site.State{site.Raised}},
		{"out of service, returned and normal", steps{work, appear, vanish}, Normal, done, Normal, nil},
		{"normal, shelve", nil, Normal, shelve, Normal, nil},
		{"normal, suppressed", nil, Normal, winter, Normal, nil},
		{"normal, out of service", nil, Normal, work, Normal, nil},
		{"returned, shelve", steps{appear, vanish}, ReturnedUnacknowledged, shelve, ReturnedUnacknowledged, nil},
		{"returned, suppressed", steps{appear, vanish}, ReturnedUnacknowledged, winter, ReturnedUnacknowledged, nil},
		{"returned, suppressed and condition true again", steps{appear, vanish, winter}, ReturnedUnacknowledged, appear, SuppressedByDesign, nil},
		{"returned, out of service", steps{appear, vanish}, ReturnedUnacknowledged, work, ReturnedUnacknowledged, nil},
		{"acknowledged, suppressed", steps{appear, ack}, Acknowledged, winter, SuppressedByDesign, nil},
		{"shelved, suppressed", steps{appear, shelve}, Shelved, winter, SuppressedByDesign, nil},
		{"shelved, ack", steps{appear, shelve}, Shelved, ack, Shelved, nil},
		{"shelved, shelved for longer", steps{appear, shelve, wait(50 * time.Minute), shelve, wait(50 * time.Minute)}, Shelved, tick, Shelved, nil},
		{"unacknowledged, unshelve", steps{appear}, Unacknowledged, unshelve, Unacknowledged, nil},
		{"suppressed, ack", steps{appear, winter}, SuppressedByDesign, ack, SuppressedByDesign, nil},
		{"suppressed and shelved, on again", steps{appear, winter, shelve}, SuppressedByDesign, spring, Shelved, nil},
		{"suppressed, out of service", steps{appear, winter}, SuppressedByDesign, work, OutOfService, nil},
		{"out of service, ack", steps{appear, work}, OutOfService, ack, OutOfService, nil},
		{"out of service, suppressed, and returned", steps{appear, work, winter}, OutOfService, done, SuppressedByDesign, nil},
		{"out of service, condition clears", steps{appear, ack, work}, OutOfService, vanish, Normal, []site.State{site.Cleared}},
		{"out of service outranks shelved", steps{appear, shelve}, Shelved, work, OutOfService, nil},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			r := &trial{T: t, d: New(plain(club(t))), at: night, f: f}
			tick(r)
			for _, s := range row.before {
				s(r)
			}
			require.Equal(t, row.from, phaseOf(r.d, k), "before")
			r.last = nil
			row.event(r)
			var states []site.State
			for _, e := range r.last {
				states = append(states, e.State)
			}
			require.Equal(t, row.to, phaseOf(r.d, k), "after")
			require.Equal(t, row.tells, states)
		})
	}
}

// TestReAlarm: an urgent alarm that stands answered is told again after ReAlarm, but not in the
// night: at 01:40 answered it asks at 13:40, at 15:40 answered at 07:00.
func TestReAlarm(t *testing.T) {
	for answered, again := range map[time.Time]time.Time{
		night:                     night.Add(ReAlarm),
		night.Add(14 * time.Hour): time.Date(2026, 7, 5, 5, 0, 0, 0, time.UTC),
	} {
		d := New(plain(club(t)))
		f := find(site.ValveStuckOpen, "A1", func(f *site.Finding) { f.ToCrest = time.Minute })
		first := d.Tick(answered, []site.Finding{f})
		d.Record(site.Record{Time: answered, Kind: site.RecAck, Subject: first[0].ID, Value: 1})
		at := answered.Add(10 * time.Second)
		for ; at.Before(again); at = at.Add(10 * time.Second) {
			require.Empty(t, d.Tick(at, []site.Finding{f}), at)
		}
		require.Equal(t, Acknowledged, phaseOf(d, f.Key()))
		told := d.Tick(at, []site.Finding{f})
		require.Len(t, told, 1)
		require.Equal(t, site.Raised, told[0].State)
		asked, _ := Find(d.Open(), told[0].ID)
		require.Equal(t, again, asked.Asked)
		require.Equal(t, Unacknowledged, phaseOf(d, f.Key()))
	}
}

// TestDelays has the semantics of OPC UA Part 9 B.1.5: the condition must hold for the whole
// on-delay before it is raised, and be gone for the whole off-delay before it clears. The levels
// are the worked example of the alarm-management notes: limit 80, dead band 5, both delays 60 s.
func TestDelays(t *testing.T) {
	type span struct {
		level   float64
		seconds int
	}
	rows := []struct {
		name  string
		spans []span
		tells []site.State
	}{
		{"81 for 59 s", []span{{81, 59}, {70, 1}}, nil},
		{"81 for 60 s", []span{{81, 60}}, []site.State{site.Raised}},
		{"a dip of one second begins the on-delay anew", []span{{81, 50}, {70, 1}, {81, 59}, {70, 1}}, nil},
		{"76 is inside the dead band: held", []span{{81, 60}, {76, 600}}, []site.State{site.Raised}},
		{"74 for 59 s: held", []span{{81, 60}, {74, 59}, {81, 1}}, []site.State{site.Raised}},
		{"74 for 60 s: clear", []span{{81, 60}, {74, 60}}, []site.State{site.Raised, site.Cleared}},
		{"a peak of one second begins the off-delay anew", []span{{81, 60}, {74, 50}, {81, 1}, {74, 59}, {81, 1}}, []site.State{site.Raised}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			s := club(t)
			s.Bay("A1").Delays = map[site.Kind]site.Delay{site.Overfill: {On: time.Minute, Off: time.Minute}}
			d := New(s)
			var states []site.State
			at, high := night, false
			for i, sp := range row.spans {
				// A span of n seconds is seen at its first and its last instant and between.
				for sec := range sp.seconds + 1 {
					if i > 0 && sec == 0 {
						continue // its first instant is the last one's end
					}
					if sp.level > 80 {
						high = true
					} else if sp.level < 75 {
						high = false
					}
					var fs []site.Finding
					if high {
						fs = append(fs, find(site.Overfill, "A1"))
					}
					for _, e := range d.Tick(at, fs) {
						states = append(states, e.State)
					}
					at = at.Add(time.Second)
				}
				if i+1 < len(row.spans) {
					// The next span begins where this one ends: its first instant counts 0 s.
					next := row.spans[i+1].level
					if next > 80 {
						high = true
					} else if next < 75 {
						high = false
					}
					var fs []site.Finding
					if high {
						fs = append(fs, find(site.Overfill, "A1"))
					}
					for _, e := range d.Tick(at, fs) {
						states = append(states, e.State)
					}
					at = at.Add(time.Second)
				}
			}
			require.Equal(t, row.tells, states)
		})
	}
}

func TestDelaysOfAPlace(t *testing.T) {
	s := club(t)
	i := slices.IndexFunc(s.Points, func(p site.Point) bool { return p.ID == "A1-level" })
	s.Points[i].Interval = 10 * time.Minute
	s.Points = append(s.Points, site.Point{ID: "pressure", Quantity: site.Pressure, Interval: 4 * time.Minute},
		site.Point{ID: "B2-meter", Bay: "B2", Quantity: site.Volume, Interval: time.Minute})
	s.Bay("A2").Delays = map[site.Kind]site.Delay{site.Overflowing: {On: 3 * time.Minute, Off: -1}, site.Overfill: {On: -1, Off: 12 * time.Minute}}
	d := New(s)
	d.Settling = func(bay string) time.Duration {
		return map[string]time.Duration{"A1": 15 * time.Minute, "A2": 50 * time.Minute, "B1": 50 * time.Minute, "B2": time.Minute}[bay]
	}
	rows := []struct {
		name    string
		k       site.Key
		on, off time.Duration
	}{
		{"the table's", key(site.Overflowing, "B1"), time.Minute, 5 * time.Minute},
		{"two readings where readings are rare", key(site.Overflowing, "A1"), 20 * time.Minute, 20 * time.Minute},
		{"no delay stays none", key(site.Leak, "A1"), 0, 0},
		{"the bay's own, negative keeps the table's", key(site.Overflowing, "A2"), 3 * time.Minute, 5 * time.Minute},
		{"what is judged by the level waits for the chamber", key(site.Overfill, "B1"), 0, 50 * time.Minute},
		{"at least the table's, where the chamber is quick", key(site.Drying, "B2"), 0, 10 * time.Minute},
		{"at least two readings", key(site.Drying, "A1"), 0, 20 * time.Minute},
		{"two readings of the meter, which are rarer than the level's", key(site.ValveStuckOpen, "B2"), 0, 2 * time.Minute},
		{"of the point named", site.Key{Bay: "B2", Kind: site.ValveStuckOpen, Subject: "B1-level"}, 0, time.Minute},
		{"of the site's own points", key(site.PressureOutOfBand, ""), 8 * time.Minute, 8 * time.Minute},
		{"the bay's own, however slow the chamber", key(site.Overfill, "A2"), 0, 12 * time.Minute},
	}
	for _, row := range rows {
		on, off := d.Delays(row.k)
		require.Equal(t, row.on, on, row.name)
		require.Equal(t, row.off, off, row.name)
	}
}

// TestRationaleIsKept: whatever an alarm rests on changes what is put on record, and the change is
// named.
func TestRationaleIsKept(t *testing.T) {
	text := func(s *site.Site) []byte {
		b, err := Rationale(s)
		require.NoError(t, err)
		return b
	}
	before := text(club(t))
	require.Equal(t, string(before), string(text(club(t))))
	require.Empty(t, Changes(before, before))
	s := club(t)
	s.Bay("A1").DeadBandM = 0.004
	s.Bay("B2").Delays = map[site.Kind]site.Delay{site.Drying: {On: 5 * time.Minute, Off: -1}, site.Leak: {}}
	after := text(s)
	require.Equal(t, []string{
		"bay A1: dead band 0.004 m, was by band and noise",
		"bay B2: delays of leak on 0s, off 0s, were the table's",
		"bay B2: delays of drying on 5m0s, off the table's, were the table's",
	}, Changes(before, after))
	require.Equal(t, []string{
		"bay A1: dead band by band and noise, was 0.004 m",
		"bay B2: delays of leak the table's, were on 0s, off 0s",
		"bay B2: delays of drying the table's, were on 5m0s, off the table's",
	}, Changes(after, before))

	// Every column of the table counts; none is left out of what is kept.
	for i := range reflect.TypeFor[site.KindInfo]().NumField() {
		field := reflect.TypeFor[site.KindInfo]().Field(i)
		t.Run(field.Name, func(t *testing.T) {
			var r rationale
			require.NoError(t, json.Unmarshal(before, &r))
			require.Equal(t, site.Kinds, r.Kinds)
			v := reflect.ValueOf(&r.Kinds[3]).Elem().Field(i)
			switch v.Kind() {
			case reflect.String:
				v.SetString("other")
			case reflect.Bool:
				v.SetBool(!v.Bool())
			case reflect.Slice:
				v.SetZero()
			case reflect.Uint8:
				v.SetUint(v.Uint() + 1)
			default:
				v.SetInt(v.Int() + 1)
			}
			other, err := json.Marshal(r)
			require.NoError(t, err)
			require.NotEmpty(t, Changes(before, other))
		})
	}
	require.Empty(t, Changes([]byte("[]"), after), "before there was one")
}

// TestPause: over a pause longer than a minute nobody knows what held, so delays begin anew.
func TestPause(t *testing.T) {
	s := club(t)
	s.Bay("A1").Delays = map[site.Kind]site.Delay{site.Overfill: {On: time.Minute, Off: time.Minute}}
	f := []site.Finding{find(site.Overfill, "A1")}
	d := New(s)
	require.Empty(t, d.Tick(night, f))
	require.Empty(t, d.Tick(night.Add(2*time.Hour), f), "present before and after an outage")
	require.Len(t, d.Tick(night.Add(2*time.Hour+time.Minute), f), 1)
	require.Empty(t, d.Tick(night.Add(2*time.Hour+70*time.Second), nil))
	require.Empty(t, d.Tick(night.Add(4*time.Hour), nil), "absent before and after an outage")
	require.Len(t, d.Tick(night.Add(4*time.Hour+time.Minute), nil), 1)
}

func TestTimeBackwards(t *testing.T) {
	d := New(plain(club(t)))
	d.Tick(night, nil)
	e := d.Tick(night.Add(-time.Hour), []site.Finding{find(site.Leak, "A1")})
	require.Len(t, e, 1)
	require.Equal(t, night, e[0].Time.Time)
}

func TestRecordsThatNameNothing(t *testing.T) {
	d := New(plain(club(t)))
	d.Tick(night, []site.Finding{find(site.Leak, "A1")})
	before, err := d.Snapshot()
	require.NoError(t, err)
	for _, r := range []site.Record{
		{Kind: site.RecAck, Subject: "riedhof/A1/leak//2020-01-01T00:00:00.000Z"},
		{Kind: site.RecShelve, Subject: "nothing", Until: night.Add(time.Hour)},
		{Kind: site.RecShelve, Subject: d.Open()[0].Event.ID, Until: night.Add(-time.Hour)},
		{Kind: site.RecUnshelve, Subject: ""},
		{Kind: site.RecDip, Bay: "A1", Value: 0.1},
	} {
		r.Time = night
		require.Empty(t, d.Record(r))
	}
	after, err := d.Snapshot()
	require.NoError(t, err)
	require.Equal(t, string(before), string(after))
}

func TestMaintenanceAndShelfEnds(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	d.Record(site.Record{Time: night, Kind: site.RecMaintenance, Bay: "A1", Who: "kim"})
	d.Record(site.Record{Time: night, Kind: site.RecMaintenance, Until: night.Add(time.Hour), Who: "lee", Text: "new pump"})
	require.Equal(t, []Work{
		{Bay: "", Who: "lee", Until: night.Add(time.Hour), Text: "new pump"},
		{Bay: "A1", Who: "kim", Until: night.Add(OpenEnd)},
	}, d.Maintenance())
	require.Empty(t, d.Tick(night, []site.Finding{find(site.Leak, "B1"), find(site.Leak, "A1")}))
	open := d.Open()
	require.Len(t, open, 2)
	require.Equal(t, "maintenance until 02:40 by lee", open[0].Why)
	require.Equal(t, []want{{site.Raised, key(site.Leak, "B1"), ""}},
		told(s, d.Tick(night.Add(time.Hour), []site.Finding{find(site.Leak, "B1"), find(site.Leak, "A1")})))
	var id string
	for _, a := range d.Open() {
		if a.Told {
			id = a.Event.ID
		}
	}
	d.Record(site.Record{Time: night.Add(time.Hour), Kind: site.RecShelve, Subject: id, Until: night.Add(1000 * time.Hour), Who: "kim", Text: "liner comes in May"})
	a, ok := Find(d.Open(), id)
	require.True(t, ok)
	require.Equal(t, night.Add(time.Hour+MaxShelf), a.ShelvedUntil)
	require.Equal(t, "shelved until Sat 11 Jul 02:40 by kim: liner comes in May", a.Why)
}

// TestSeason: out of season only what can still hurt is told.
func TestSeason(t *testing.T) {
	s := plain(club(t))
	d := New(s)
	d.Record(site.Record{Time: night, Kind: site.RecSeason, Text: "closed"})
	require.True(t, d.Season())
	got := told(s, d.Tick(night, []site.Finding{find(site.Drying, "A1"), find(site.FreezeRisk, ""), find(site.ValveStuckOpen, "A2"), find(site.Overfill, "A2")}))
	require.Equal(t, []want{{site.Raised, key(site.ValveStuckOpen, "A2"), ""}, {site.Raised, key(site.FreezeRisk, ""), ""}}, got[:2])
	require.Len(t, got, 2)
}

func TestFind(t *testing.T) {
	d := New(plain(club(t)))
	f := find(site.ValveStuckOpen, "A1")
	first := d.Tick(night, []site.Finding{find(site.Leak, "B1"), f})
	f.ToCrest = time.Minute
	second := d.Tick(night.Add(10*time.Second), []site.Finding{find(site.Leak, "B1"), f})
	require.Len(t, second, 1)
	for _, ref := range []string{first[0].ID, fmt.Sprint(first[0].Seq), fmt.Sprint(second[0].Seq)} {
		a, ok := Find(d.Open(), ref)
		require.True(t, ok, ref)
		require.Equal(t, f.Key(), a.Event.Key())
	}
	for _, ref := range []string{"", "0", "99", "riedhof"} {
		_, ok := Find(d.Open(), ref)
		require.False(t, ok, ref)
	}
}

// TestSparse: numbers that grow for a day give a handful of records, each later than the last
// by more.
func TestSparse(t *testing.T) {
	d := New(plain(club(t)))
	rng := rand.New(rand.NewPCG(1, 2))
	var times []time.Time
	for i := range 8640 {
		at := night.Add(time.Duration(i) * 10 * time.Second)
		f := find(site.ValveStuckOpen, "A1", func(f *site.Finding) {
			f.RateM3S = 20e-3 / 60 * (1 + 0.03*rng.NormFloat64())
			f.VolumeM3 = 0.05 + 20e-3/60*at.Sub(night).Seconds()
			f.VolumeU = 0.02 * f.VolumeM3
			f.ToCrest = max(0, 40*time.Minute-at.Sub(night))
		})
		for _, e := range d.Tick(at, []site.Finding{f}) {
			times = append(times, e.Time.Time)
		}
	}
	require.GreaterOrEqual(t, len(times), 4)
	require.LessOrEqual(t, len(times), 8)
	for i := 1; i < len(times); i++ {
		require.GreaterOrEqual(t, times[i].Sub(times[i-1]), pauses[min(i-1, len(pauses)-1)])
	}
	// Figures that do not move say nothing, ever.
	d = New(plain(club(t)))
	n := 0
	for i := range 8640 {
		n += len(d.Tick(night.Add(time.Duration(i)*10*time.Second), []site.Finding{find(site.Leak, "A1", func(f *site.Finding) {
			f.RateM3S = 5e-3 / 3600 * (1 + 0.05*rng.NormFloat64())
		})}))
	}
	require.Equal(t, 1, n)
}

// TestRestoreIsExact cuts a random season of findings and records at every tick, restores the
// snapshot into a fresh desk, and asks both for what comes next.
func TestRestoreIsExact(t *testing.T) {
	seed := uint64(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC).Unix())
	for trial := range 4 {
		rng := rand.New(rand.NewPCG(seed, uint64(trial)))
		s := club(t)
		d := New(s)
		at := night
		for tick := range 150 {
			at = at.Add(10 * time.Second)
			if rng.IntN(40) == 0 {
				at = at.Add(time.Duration(rng.IntN(7200)) * time.Second)
			}
			findings := randomFindings(rng, at)
			rec, has := randomRecord(rng, d, at)
			blob, err := d.Snapshot()
			require.NoError(t, err)
			other := New(s)
			require.NoError(t, other.Restore(blob))
			back, err := other.Snapshot()
			require.NoError(t, err)
			require.Equal(t, string(blob), string(back))
			if has {
				require.Equal(t, d.Record(rec), other.Record(rec), "trial %d tick %d", trial, tick)
			}
			require.Equal(t, d.Tick(at, findings), other.Tick(at, findings), "trial %d tick %d", trial, tick)
			require.Equal(t, d.Rates(), other.Rates())
			d = other // go on with the restored one
		}
	}
}

func randomFindings(rng *rand.Rand, at time.Time) []site.Finding {
	var fs []site.Finding
	for _, k := range site.Kinds {
		for _, bay := range []string{"", "A1", "A2"} {
			if rng.IntN(12) != 0 {
				continue
			}
			f := site.NewFinding(k.Kind, bay, "", at.Add(-time.Duration(rng.IntN(1e6))*time.Millisecond))
			if rng.IntN(2) == 0 {
				f.RateM3S, f.VolumeM3, f.VolumeU = rng.Float64()*1e-3, rng.Float64(), rng.Float64()*0.1
			}
			if rng.IntN(3) == 0 {
				f.ToCrest = time.Duration(rng.Int64N(int64(10 * time.Hour)))
			}
			if rng.IntN(3) == 0 {
				f.Bays = []string{"A1", "A2"}
			}
			fs = append(fs, f)
		}
	}
	return fs
}

func randomRecord(rng *rand.Rand, d *Desk, at time.Time) (site.Record, bool) {
	r := site.Record{Time: at, Value: site.Unknown(), Value2: site.Unknown()}
	open := d.Open()
	if len(open) > 0 {
		r.Subject = open[rng.IntN(len(open))].Event.ID
	}
	switch rng.IntN(30) {
	case 0, 1, 2:
		r.Kind, r.Who, r.Value = site.RecAck, "kim", float64(rng.IntN(2))
	case 3:
		r.Kind, r.Until = site.RecShelve, at.Add(time.Duration(rng.IntN(3600))*time.Second)
	case 4:
		r.Kind = site.RecUnshelve
	case 5:
		r.Kind, r.Bay, r.Until = site.RecMaintenance, "A1", at.Add(time.Duration(rng.IntN(1200)-200)*time.Second)
	case 6:
		r.Kind, r.Text = site.RecSeason, []string{"open", "closed"}[rng.IntN(2)]
	default:
		return r, false
	}
	return r, true
}

// TestStory judges the events of random nights by what every reader relies on.
func TestStory(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 7))
		s := club(t)
		d := New(s)
		open := map[string]site.Event{}
		var seq int64
		at := night
		judge := func(events []site.Event) {
			for _, e := range events {
				require.Equal(t, seq+1, e.Seq, "seed %d", seed)
				seq = e.Seq
				was, known := open[e.ID]
				switch e.State {
				case site.Raised:
					require.True(t, !known || e.CauseID == "", "seed %d: %s raised again under a cause", seed, e.ID)
					open[e.ID] = e
				case site.Updated:
					require.True(t, known, "seed %d: update of %s, which is not open", seed, e.ID)
					open[e.ID] = e
				case site.Cleared:
					require.True(t, known, "seed %d: %s cleared, which is not open", seed, e.ID)
					require.Equal(t, was.CauseID, e.CauseID)
					delete(open, e.ID)
				}
				if e.State != site.Cleared && e.CauseID != "" {
					_, there := open[e.CauseID]
					require.True(t, there, "seed %d: %s is folded under %s, which is not open", seed, e.ID, e.CauseID)
					require.Empty(t, open[e.CauseID].CauseID, "seed %d: a cause that is itself folded", seed)
				}
				if known && e.State != site.Raised {
					require.GreaterOrEqual(t, gravity(e.Severity), gravity(was.Severity), "seed %d: severity fell", seed)
				}
				line, err := site.ParseEvent(mustJSON(t, e))
				require.NoError(t, err)
				require.Equal(t, e.ID, line.ID)
			}
		}
		for range 200 {
			at = at.Add(10 * time.Second)
			if rec, ok := randomRecord(rng, d, at); ok {
				judge(d.Record(rec))
			}
			judge(d.Tick(at, randomFindings(rng, at)))
		}
		// All work and shelves end, all findings go: everything that was raised must clear.
		judge(d.Record(site.Record{Time: at, Kind: site.RecSeason, Text: "open"}))
		for range 2 * 3600 / 10 {
			at = at.Add(10 * time.Second)
			judge(d.Tick(at, nil))
		}
		require.Empty(t, open, "seed %d", seed)
		for _, a := range d.Open() {
			require.Equal(t, ReturnedUnacknowledged, a.Phase, "seed %d", seed)
		}
	}
}

// BenchmarkTick is what an hour of standing alarms costs the core at each tick.
func BenchmarkTick(b *testing.B) {
	s := club(b)
	findings := []site.Finding{find(site.ValveStuckOpen, "A1"), find(site.Overfill, "A1"), find(site.Leak, "A2"), find(site.Leak, "B1")}
	d := New(s)
	at := night
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(10 * time.Second)
		d.Tick(at, findings)
	}
}
