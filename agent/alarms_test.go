package agent

import (
	"context"
	"encoding/json"
	"math"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"bayledger/agent/alarm"
	"bayledger/agent/clock"
	"bayledger/agent/page"
	"bayledger/agent/relay"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/agent/sitefile"
)

// What the alarms rest on is put on record when it is another than before: at a start with other
// delays or dead bands, and not at a start with the same.
func TestWhatAlarmsRestOnIsOnRecord(t *testing.T) {
	dir := t.TempDir()
	starts := func(change func(b *site.Bay)) (texts []string) {
		h := startHouse(t, dir, vouched(), false)
		h.a.keeper = h.k
		s := smallSite()
		change(s.Bay("A1"))
		require.NoError(t, h.a.acceptSiteFile(t.Context(), &sitefile.Config{Site: s, Text: "the same"}))
		records, err := h.a.journal.Records(t.Context(), 0, 0, site.RecKinds)
		require.NoError(t, err)
		for _, r := range records {
			texts = append(texts, r.Text)
		}
		h.stop(t)
		return texts
	}
	usual := func(*site.Bay) {}
	own := func(b *site.Bay) {
		b.DeadBandM = 0.006
		b.Delays = map[site.Kind]site.Delay{site.Overfill: {On: -1, Off: 20 * time.Minute}}
	}
	require.Len(t, starts(usual), 1)
	require.Len(t, starts(usual), 1, "nothing has changed")
	texts := starts(own)
	require.Len(t, texts, 2)
	require.Equal(t, []string{"bay A1: dead band 0.006 m, was by band and noise", "bay A1: delays of overfill on the table's, off 20m0s, were the table's"},
		alarm.Changes([]byte(texts[0]), []byte(texts[1])))
	require.Len(t, starts(usual), 3)
}

// The end of an overfilled bay's alarm waits for the settling time the account has learned.
func TestEndOfALevelAlarmWaitsForTheChamber(t *testing.T) {
	c := NewCore(smallSite())
	_, off := c.Desk.Delays(site.Key{Bay: "A1", Kind: site.Overfill})
	require.Equal(t, c.Ledger.Settling("A1"), off)
	require.GreaterOrEqual(t, off, 30*time.Minute, "no chamber counts as settled sooner")
	_, off = c.Desk.Delays(site.Key{Bay: "A1", Kind: site.ValveStuckOpen})
	require.Equal(t, time.Minute, off)
	require.Zero(t, c.Ledger.Settling("Z9"))
}

// The retained list of open alarms holds what has not cleared: an alarm in its delay stays on it,
// or whoever hears the topics would take every flicker for an end and a new beginning.
func TestOpenAlarmsStayInTheirDelay(t *testing.T) {
	s := smallSite()
	s.Bay("A1").Delays = map[site.Kind]site.Delay{site.Leak: {Off: time.Minute}}
	d := alarm.New(s)
	at := time.Date(2026, 7, 3, 23, 40, 0, 0, time.UTC)
	f := site.NewFinding(site.Leak, "A1", "", at)
	f.RateM3S = math.NaN()
	list := func(at time.Time, found ...site.Finding) (out []bool) {
		d.Tick(at, found)
		for _, a := range openAlarms(&page.View{Site: s, Alarms: d.Open()}) {
			out = append(out, a.Gone)
		}
		return out
	}
	require.Equal(t, []bool{false}, list(at, f))
	require.Equal(t, []bool{true}, list(at.Add(10*time.Second)))
	require.Equal(t, []bool{false}, list(at.Add(20*time.Second), f))
	require.Equal(t, []bool{true}, list(at.Add(30*time.Second)))
	require.Empty(t, list(at.Add(90*time.Second)), "over, though nobody has answered")
}

// A machine that starts again with its clock an hour behind, and with nobody to vouch for it, goes
// on behind what the broker keeps: live values go by the journal's time, which never goes back.
func TestEndToEndLiveValuesAfterAStartWithTheClockSetBack(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	var mu sync.Mutex
	var seen []time.Time
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("reader").SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		var v struct{ T site.Stamp }
		if json.Unmarshal(m.Payload(), &v) == nil {
			mu.Lock()
			defer mu.Unlock()
			seen = append(seen, v.T.Time)
		}
	}))
	done := c.Connect()
	require.True(t, done.WaitTimeout(time.Minute) && done.Error() == nil)
	defer c.Disconnect(0)
	done = c.Subscribe("bayledger/club/live/#", 1, nil)
	require.True(t, done.WaitTimeout(time.Minute) && done.Error() == nil)

	dir, m := t.TempDir(), vouched()
	run := func(readings int) {
		h := startHouse(t, dir, m, false)
		o := relay.DefaultOptions()
		o.Broker, o.Standing = broker.URL, func() site.Standing {
			h.k.mu.Lock()
			defer h.k.mu.Unlock()
			return site.Standing{ClockSure: h.k.times.standing.Sure}
		}
		r, err := relay.New(o, smallSite(), nil, nil, clock.NewScaled(m.l.Wall, 1), h.a.log, "")
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- r.Run(ctx) }()
		<-r.Online()
		h.k.after = func(samples []site.Sample, _ []site.Event) { r.Live(samples) }
		for range readings {
			sent := r.Status().Live
			m.pass(5 * time.Second)
			h.poll()
			h.k.commit(t.Context())
			require.Eventually(t, func() bool { return r.Status().Live > sent }, time.Minute, time.Millisecond)
		}
		h.stop(t)
		cancel()
		require.NoError(t, <-ended)
	}
	run(3)
	m.l = clock.Look{Wall: m.l.Wall.Add(-time.Hour), Boot: m.l.Boot, Kernel: clock.Unsynchronised}
	run(3)
	require.Eventually(t, func() bool { mu.Lock(); defer mu.Unlock(); return len(seen) >= 6 }, time.Minute, 5*time.Millisecond)
	mu.Lock()
	defer mu.Unlock()
	for i, at := range seen[1:] {
		require.True(t, at.After(seen[i]), "%s after %s", at, seen[i])
	}
}
