package procedure

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/site"
)

// The rules of the isolation valve, one by one.
func TestIsolateRules(t *testing.T) {
	s := aSite()
	b := New(s, nil)
	at := morning
	ask := func(text, subject string) (bool, string) {
		do, said := b.Isolate(at, text, subject, "daemon")
		if said != nil {
			b.Record(*said)
			return do, said.Text
		}
		return do, ""
	}
	shut := func(subject string) {
		b.Record(site.Record{Time: at, Kind: site.RecIsolation, Subject: subject, Text: MainShut})
	}
	opened := func() { b.Record(site.Record{Time: at, Kind: site.RecIsolation, Subject: "by hand", Text: MainOpened}) }

	do, says := ask("", "alarm 1")
	require.False(t, do, "no valve")
	require.Empty(t, says)
	s.Isolation = &site.Isolation{Device: "pump", MostPerDay: 2, Travel: 20 * time.Second}
	do, says = ask("", "alarm 1")
	require.False(t, do, "named, not enabled")
	require.Empty(t, says)
	s.Isolation.Enabled = true
	do, says = ask("", "alarm 1")
	require.False(t, do)
	require.Equal(t, "not shut: nobody has proved the valve yet", says)
	do, says = ask("", "alarm 1")
	require.False(t, do)
	require.Empty(t, says, "an alarm told again is not refused again")
	do, _ = ask(PersonOrder, "a burst")
	require.False(t, do, "nor on a person's word")
	do, _ = ask(IsolationOrder, "the proof")
	require.True(t, do, "only the proof itself may")
	b.st.Isolation, b.st.Coil = at, coilOf(s.Isolation)
	s.Isolation.Address = 9
	do, says = ask("", "alarm 1a")
	require.False(t, do, "another coil than the one that was proved")
	require.Contains(t, says, "nobody has proved")
	s.Isolation.Address = 0

	do, says = ask("", "")
	require.False(t, do)
	require.Contains(t, says, "no reason")
	b.Record(site.Record{Time: at, Kind: site.RecIsolation, Text: MainHeld, Until: at.Add(time.Hour)})
	do, says = ask("", "alarm 2")
	require.False(t, do)
	require.Contains(t, says, "held off by a person")
	do, _ = ask(PersonOrder, "a burst")
	require.True(t, do, "a person's word counts in a hold-off")
	at = at.Add(2 * time.Hour)
	do, _ = ask("", "alarm 2")
	require.True(t, do, "when the hold-off is over an alarm that stands may ask again")
	do, _ = ask("", "alarm 3")
	require.True(t, do)
	shut("alarm 3")
	do, says = ask("", "alarm 4")
	require.False(t, do)
	require.Contains(t, says, "shut already")
	require.True(t, b.Main().Shut)
	opened()
	require.False(t, b.Main().Shut)
	do, says = ask("", "alarm 3")
	require.False(t, do, "what a person has opened is not shut again for the same alarm")
	require.Empty(t, says)
	at = at.Add(time.Hour)
	shut("alarm 5")
	opened()
	do, says = ask("", "alarm 6")
	require.False(t, do)
	require.Contains(t, says, "2 times in 24 hours")
	at = at.Add(24 * time.Hour)
	do, _ = ask("", "alarm 7")
	require.True(t, do)
	b.Record(site.Record{Time: at, Kind: site.RecIsolation, Subject: "alarm 7", Text: MainFailed + "no answer"})
	require.Equal(t, "no answer", b.Main().Trouble)
	do, _ = ask("", "alarm 7")
	require.False(t, do, "one that failed is not tried for ever")
	b.Record(site.Record{Time: at, Kind: site.RecIsolation, Subject: "alarm 7a", Text: MainFailed + "no answer"})
	do, says = ask("", "alarm 7b")
	require.False(t, do, "what did not confirm may have shut: it counts")
	require.Contains(t, says, "2 times in 24 hours")
	do, _ = ask(PersonOrder, "a burst")
	require.True(t, do, "a person is there and sees")
	at = at.Add(24 * time.Hour)
	s.Isolation.DryRun = true
	do, says = ask("", "alarm 8")
	require.False(t, do)
	require.Equal(t, MainDry, says)
}

// Only water that comes in and must not is stopped by shutting the main.
func TestClosesOnlyForWaterThatComesIn(t *testing.T) {
	e := site.Event{Kind: site.ValveStuckOpen, Severity: site.Urgent, State: site.Raised}
	require.True(t, Closes(e))
	for _, change := range []func(*site.Event){
		func(e *site.Event) { e.Severity = site.Warning },
		func(e *site.Event) { e.State = site.Cleared },
		func(e *site.Event) { e.CauseID = "x" },
		func(e *site.Event) { e.Kind = site.Leak },
		func(e *site.Event) { e.Kind = site.Drying },
	} {
		other := e
		change(&other)
		require.False(t, Closes(other), other)
	}
}

// What shut the main is said in people's words, never as the identity of an alarm or of a procedure.
func TestWhyTheMainIsShut(t *testing.T) {
	x := newBench(t)
	x.s.Isolation = &site.Isolation{Enabled: true, Device: "pump", Travel: time.Minute, MostPerDay: 2}
	alarm := func(bay string, k site.Kind) string { return site.EventID("club", site.Key{Bay: bay, Kind: k}, x.now) }
	x.start(IsolationProof, "")
	for subject, want := range map[string]string{
		alarm("A1", site.ValveStuckOpen): "valve stuck open, bay A1",
		alarm("", site.SupplyLineLeak):   "supply line leak",
		x.run().ID:                       "isolation valve proof",
		"a burst by court 1/2":           "a burst by court 1/2",
		"first-fill":                     "first-fill",
	} {
		require.Equal(t, want, x.b.house.reason(subject))
	}
}

// A valve that shuts sooner than the site file says makes the pipe hammer: its proof fails. One that
// takes its time passes; one that does not shut fails.
func TestProofOfAValveThatShutsTooFast(t *testing.T) {
	prove := func(shuts time.Duration) Verdict {
		x := newBench(t)
		x.s.Isolation = &site.Isolation{Enabled: true, Device: "pump", Travel: time.Minute, MostPerDay: 2}
		for i := range x.s.Points {
			if x.s.Points[i].ID == "main-meter" {
				x.s.Points[i].PulseM3 = 1e-3
			}
		}
		x.start(IsolationProof, "")
		require.NoError(t, x.answer(""))
		flows := time.Duration(1 << 62)
		began := x.now
		step := func() {
			if x.now.Sub(began) < flows {
				x.total[""] += 4e-3
			}
			x.step()
		}
		for x.run().Now.Step == "running" {
			step()
		}
		require.NoError(t, x.answer(""))
		began, flows = x.now, shuts
		for x.run() != nil && x.run().Now.Step == "seen" && x.run().Now.Verdict.State == Watching {
			step()
		}
		r := x.run()
		if r.Now.Step == "seen" {
			require.NotContains(t, r.Now.Can, "skip")
			require.True(t, x.b.Proved().IsZero())
			return r.Now.Verdict
		}
		require.False(t, x.b.Proved().IsZero())
		require.NoError(t, x.answer("")) // it is said to be open
		x.wait(5 * time.Minute)
		require.Equal(t, "reopen", x.run().Now.Step, "and no water comes")
		began, flows = x.now, time.Hour
		for range 10 {
			step()
		}
		require.Nil(t, x.run())
		return Verdict{State: Passed}
	}
	require.Equal(t, Passed, prove(50*time.Second).State)
	fast := prove(0)
	require.Equal(t, Failed, fast.State)
	require.Contains(t, fast.Says, "makes the pipe hammer")
	never := prove(time.Hour)
	require.Equal(t, Failed, never.State)
	require.Contains(t, never.Says, "did not shut")
}
