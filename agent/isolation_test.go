package agent_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/procedure"
	"bayledger/agent/site"
	"bayledger/drivers/virtual"
)

// main is what is known of the isolation valve.
func (h *pumpHouse) main() *procedure.Main { return h.picture().Main }

// told reports whether an alarm of that kind stands, and under what it is folded.
func (h *pumpHouse) told(k site.Kind, bay string) (cause string, open bool) {
	for _, a := range h.a.View().Alarms {
		if a.Event.Kind == k && a.Present && (bay == "" || a.Event.Bay == bay) {
			return a.Cause, true
		}
	}
	return "", false
}

func (h *pumpHouse) eventually(d time.Duration, what string, so func() bool) {
	h.t.Helper()
	for end := h.clk.Now().Add(d); !so(); h.wait(10 * time.Second) {
		require.True(h.t, h.clk.Now().Before(end), "not %s within %s", what, d)
	}
}

// proof has the valve proved, with a person who opens it again.
func (h *pumpHouse) proof(stuck bool) {
	h.t.Helper()
	h.start(procedure.IsolationProof, "")
	r := h.work(procedure.IsolationProof, time.Hour, func(r *procedure.Running) {
		switch r.Now.Step {
		case "running", "order", "seen":
			h.openValve("A1", 10*time.Second)
		case "reopen":
			h.field.OpenMaster(stuck)
			h.openValve("A1", 10*time.Second)
		}
		if r.Now.Step == "order" {
			require.False(h.t, h.field.MasterShut(), "nothing is written before the person says so")
		}
		h.yes(r)
	})
	require.Nil(h.t, r)
	require.True(h.t, h.record(procedure.IsolationProof).SignedOff, h.record(procedure.IsolationProof).Results)
}

func master(c *virtual.Config) { c.Supply.Master, c.Supply.MasterS = true, 10 }

// A valve sticks open at night. Nobody has proved the isolation valve, so nothing is written; once
// it is proved the main is shut, the alarm says why, and what follows from it is folded. A person
// opens it, and it stays open.
func TestEndToEndIsolation(t *testing.T) {
	h := house(t, master)
	h.wait(4 * time.Hour) // into the evening, when nobody looks any more
	h.break_(virtual.StuckOpen, "B1", 0, 0)
	urgent := func() bool {
		for _, a := range h.a.View().Alarms {
			if procedure.Closes(a.Event) {
				return true
			}
		}
		return false
	}
	h.eventually(3*time.Hour, "urgent", urgent)
	h.wait(5 * time.Minute)
	require.False(t, h.field.MasterShut())
	require.False(t, h.main().Shut)
	h.field.Clear("B1")
	h.eventually(3*time.Hour, "over", func() bool { return !urgent() })

	h.proof(false)
	require.False(t, h.main().Proved.IsZero())
	h.say(procedure.Answer{Do: "main-opened", Why: "after the proof"})
	require.False(t, h.field.MasterShut())

	h.break_(virtual.StuckOpen, "B1", 0, 0)
	h.eventually(3*time.Hour, "shut", func() bool { return h.main().Shut })
	require.True(t, h.field.MasterShut())
	require.Equal(t, "valve stuck open, bay B1", h.main().Why)
	h.eventually(10*time.Minute, "told", func() bool { _, open := h.told(site.IsolationClosed, ""); return open })
	require.Empty(t, h.main().Trouble)
	h.eventually(30*time.Minute, "without pressure, folded", func() bool {
		cause, open := h.told(site.NoSupply, "")
		return open && strings.Contains(cause, "isolation-closed")
	})
	// A person opens it by hand: the main meter says so, and nothing shuts it again for the same
	// alarm.
	h.field.OpenMaster(false)
	h.eventually(30*time.Minute, "opened", func() bool { return !h.main().Shut })
	seq := func() (n int64) {
		for _, a := range h.a.View().Alarms {
			if a.Event.Kind == site.ValveStuckOpen {
				n = a.Event.Seq
			}
		}
		return n
	}
	was := seq()
	h.eventually(6*time.Hour, "told again", func() bool { return seq() > was })
	h.wait(time.Minute)
	require.False(t, h.field.MasterShut())
}

// A valve that does not follow its coil, and a device that refuses, are reported.
func TestEndToEndIsolationThatFails(t *testing.T) {
	h := house(t, master)
	h.wait(2 * time.Minute)
	h.proof(true) // opened again; from now on it sticks
	h.say(procedure.Answer{Do: "main-opened", Why: "after the proof"})
	h.openValve("A1", 2*time.Hour)
	h.wait(time.Minute)
	h.say(procedure.Answer{Do: "main-shut", Why: "a pipe has burst at the clubhouse"})
	h.eventually(time.Hour, "reported", func() bool { return h.main().Trouble != "" })
	require.Contains(t, h.main().Trouble, "the main meter still moves")
	h.eventually(time.Hour, "told", func() bool { _, open := h.told(site.NoData, ""); return open })
}
