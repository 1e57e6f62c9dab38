package relay

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
)

// TestTopicsAndPayloads: what a reader finds is what the design fixes: topics, units, times.
func TestTopicsAndPayloads(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	j, q := newJournal(t)
	s := club()
	o := fast(broker.URL)
	o.Standing = func() site.Standing { return site.Standing{JournalOK: true, Samples: 7} }
	r := start(t, o, s, q, nil, clock.Real{})
	bad := reading("A2-level", 0, math.NaN())
	bad.Quality, bad.Why = site.Bad, site.WhyTimeout
	unsure := reading("A1-flow", 0, 18.5e-3/60)
	unsure.Quality = site.Uncertain
	r.Live([]site.Sample{reading("A1-level", 0, 0.0635), unsure, bad, reading("pressure", 0, 251300), reading("nowhere", 0, 1)})
	r.Alarms([]site.OpenAlarm{{Event: event(1)}})
	put(t, j, event(1), event(2))
	r.waitOnline()
	r.until("all sent", func(s Status) bool { return s.Live == 4 && s.Events == 2 })
	in := subscribe(t, broker.URL, "bayledger/#", false)
	in.until("everything retained", func(m []message) bool { return len(m) >= 7 })

	want := map[string]string{
		"bayledger/riedhof/live/A1/A1-level":   `{"t":"2026-07-03T12:00:00.000Z","v":63.5,"q":"good"}`,
		"bayledger/riedhof/live/A1/A1-flow":    `{"t":"2026-07-03T12:00:00.000Z","v":18.5,"q":"uncertain"}`,
		"bayledger/riedhof/live/A2/A2-level":   `{"t":"2026-07-03T12:00:00.000Z","q":"bad"}`,
		"bayledger/riedhof/live/site/pressure": `{"t":"2026-07-03T12:00:00.000Z","v":251.3,"q":"good"}`,
		"bayledger/riedhof/points": `[{"point":"A1-flow","bay":"A1","court":"c1","quantity":"flow_rate","device":"unit-1","unit":"L/min"},` +
			`{"point":"A1-level","bay":"A1","court":"c1","quantity":"water_level","device":"unit-1","unit":"mm"},` +
			`{"point":"A2-level","bay":"A2","court":"c1","quantity":"water_level","device":"unit-2","unit":"mm"},` +
			`{"point":"pressure","bay":"","court":"","quantity":"supply_pressure","device":"unit-3","unit":"kPa"}]`,
	}
	for topic, payload := range want {
		got, ok := in.last(topic)
		require.True(t, ok, topic)
		require.Equal(t, payload, got, topic)
	}
	alarms, ok := in.last("bayledger/riedhof/alarms")
	require.True(t, ok)
	var list []site.Event
	require.NoError(t, json.Unmarshal([]byte(alarms), &list))
	require.Len(t, list, 1)
	require.Equal(t, event(1).ID, list[0].ID)
	text, ok := in.last("bayledger/riedhof/status")
	require.True(t, ok)
	st := object(t, text)
	require.Equal(t, "online", st["state"])
	require.Equal(t, "r1", st["revision"])
	require.Equal(t, map[string]any{"clock_sure": false, "journal_ok": true, "samples": 7., "samples_bad": 0., "samples_unjournaled": 0.}, st["watch"])

	// Events are not retained: this reader came late and sees only what comes now.
	put(t, j, event(3))
	in.until("an event", func(m []message) bool { return slices.Equal(seqs(t, m), []int64{3}) })
	r.Alarms(nil)
	in.until("no open alarm", func([]message) bool { p, _ := in.last("bayledger/riedhof/alarms"); return p == "[]" })

	// A reader made by others sees the same.
	out, err := servertestSub(t, broker.Port, "bayledger/riedhof/live/A1/A1-level")
	require.NoError(t, err)
	require.Equal(t, want["bayledger/riedhof/live/A1/A1-level"], strings.TrimSpace(out))

	// Good-bye: the status says so, and the will stays unsaid.
	r.stop()
	in.until("offline", func([]message) bool {
		p, _ := in.last("bayledger/riedhof/status")
		return object(t, p)["state"] == "offline"
	})
	text, _ = in.last("bayledger/riedhof/status")
	require.Equal(t, "stopped", object(t, text)["reason"])
	require.NotContains(t, object(t, text), "watch", "what is not running stands nowhere")
}

// TestFalseAck is the trap of the library: with automatic reconnection, or a session that is not
// clean, its token says "done" for a message whose acknowledgement never came. Here the
// acknowledgements of events are taken off the wire: nothing may leave the queue.
func TestFalseAck(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	j, q := newJournal(t)
	in := subscribe(t, broker.URL, "bayledger/riedhof/events", false)
	var mu sync.Mutex
	ids := map[uint16]bool{} // packet ids of events under way
	wire.set(func(fromBroker bool, p []byte) bool {
		mu.Lock()
		defer mu.Unlock()
		switch {
		case !fromBroker && packetType(p) == typePublish && strings.HasSuffix(publishTopic(p), "/events"):
			ids[packetID(p)] = true
		case fromBroker && packetType(p) == typePuback && ids[packetID(p)]:
			delete(ids, packetID(p))
			return true
		}
		return false
	})
	o := fast(wire.url)
	o.AckTimeout = time.Second
	r := start(t, o, club(), q, nil, clock.Real{})
	r.waitOnline()
	put(t, j, event(1), event(2), event(3))
	// The broker has them, and says so, several times over; we never hear it.
	in.until("sent again and again", func(m []message) bool { return len(m) >= 9 })
	wire.cut() // and a connection that breaks meanwhile is no acknowledgement either
	in.until("sent once more", func(m []message) bool { return len(m) >= 12 })
	require.Empty(t, q.acks())
	require.Zero(t, r.Status().Events)
	left, err := q.Next(t.Context(), 10)
	require.NoError(t, err)
	require.Len(t, left, 3)
	require.Contains(t, r.log.String(), "does not acknowledge")

	wire.set(nil)
	r.until("acknowledged at last", func(s Status) bool { return s.Events == 3 })
	left, err = q.Next(t.Context(), 10)
	require.NoError(t, err)
	require.Empty(t, left)
	// Each sending was in order and from the first that was not acknowledged.
	got := seqs(t, in.messages())
	prev := int64(0)
	for _, n := range got {
		require.True(t, n == 1 || n == prev+1, "%v", got)
		prev = n
	}
}

// TestLibraryStillLies keeps the reason for our own reconnecting in view: when this fails, the
// library has been mended and the package comment is out of date.
func TestLibraryStillLies(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	wire.set(func(fromBroker bool, p []byte) bool { return fromBroker && packetType(p) == typePuback })
	o := mqtt.NewClientOptions().AddBroker(wire.url).SetClientID("liar").SetAutoReconnect(true).SetCleanSession(false).
		SetMaxReconnectInterval(50 * time.Millisecond)
	c := mqtt.NewClient(o)
	require.True(t, c.Connect().WaitTimeout(patience))
	defer c.Disconnect(100)
	token := c.Publish("x", 1, false, []byte("1"))
	require.False(t, token.WaitTimeout(100*time.Millisecond))
	wire.cut()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error(), "done without an acknowledgement")
	require.Positive(t, wire.count())
}

// TestOutages: the broker is stopped, killed and cut off while events keep coming. A reader with
// a lasting session gets every one, in order but for what is sent twice.
func TestOutages(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	j, q := newJournal(t)
	in := subscribe(t, broker.URL, "bayledger/riedhof/events", true)
	o := fast(wire.url)
	o.Window = 4
	r := start(t, o, club(), q, nil, clock.Real{})
	r.waitOnline()
	n := 0
	send := func(k int) {
		for range k {
			n++
			put(t, j, event(n))
			r.Live([]site.Sample{reading("A1-level", n, float64(n)/1000)})
		}
	}
	settled := func() { r.until("all acknowledged", func(s Status) bool { return int(s.Events) >= n }) }
	send(10)
	settled()
	in.until("the first ten", func(m []message) bool { return len(m) >= 10 })
	broker.Stop()
	send(30)
	broker.Start()
	settled()
	for range 5 {
		send(10)
		wire.cut()
		send(10)
	}
	settled()
	in.until("every event", func(m []message) bool {
		seen := map[int64]bool{}
		for _, s := range seqs(t, m) {
			seen[s] = true
		}
		return len(seen) == n
	})
	high := int64(0)
	for _, s := range seqs(t, in.messages()) {
		require.LessOrEqual(t, s, high+1, "an event came before one that is older")
		high = max(high, s)
	}
	require.GreaterOrEqual(t, r.Status().Connections, uint64(3))
	// Kill -9 loses what the broker retained; the next connection tells it all again.
	broker.Kill()
	broker.Start()
	late := subscribe(t, broker.URL, "bayledger/riedhof/#", true)
	late.until("live value, points and status again", func([]message) bool {
		v, ok := late.last("bayledger/riedhof/live/A1/A1-level")
		_, points := late.last("bayledger/riedhof/points")
		st, online := late.last("bayledger/riedhof/status")
		return ok && points && online && object(t, v)["v"] == float64(n) && object(t, st)["state"] == "online"
	})
}

// TestLiveNeverGoesBack: while the broker is away only the newest value is kept, and what a
// reader sees of a point only goes forwards.
func TestLiveNeverGoesBack(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	in := subscribe(t, broker.URL, "bayledger/riedhof/live/#", true)
	r := start(t, fast(wire.url), club(), nil, nil, clock.Real{})
	r.waitOnline()
	const last = 3000
	for n := range last {
		r.Live([]site.Sample{reading("A1-level", n, float64(n)/1000), reading("A1-level", n-1, -1)})
		if n%500 == 499 {
			wire.cut()
		}
	}
	in.until("the newest", func([]message) bool {
		v, ok := in.last("bayledger/riedhof/live/A1/A1-level")
		return ok && object(t, v)["v"] == float64(last-1)
	})
	prev := time.Time{}
	for _, m := range in.messages() {
		var v liveValue
		require.NoError(t, json.Unmarshal([]byte(m.payload), &v))
		require.False(t, v.T.Before(prev), "a value went back in time")
		prev = v.T.Time
	}
	st := r.Status()
	require.Positive(t, st.Conflated)
	require.LessOrEqual(t, st.Live, uint64(last+10))
}

// TestClockPutRight: values dated by a clock that ran ahead do not shut out what comes after it
// is put right.
func TestClockPutRight(t *testing.T) {
	r, err := New(fast("tcp://127.0.0.1:1"), club(), nil, nil, fixed{noon}, discard(), "")
	require.NoError(t, err)
	r.Live([]site.Sample{reading("A1-level", 86400, 0.1)})
	r.Live([]site.Sample{reading("A1-level", 0, 0.2)})
	require.Equal(t, 0.2, r.newest["A1-level"].Value)
	r.Live([]site.Sample{reading("A1-level", -5, 0.3)})
	require.Equal(t, 0.2, r.newest["A1-level"].Value)
}

// TestLiveNeverGoesBackOverAStart: a daemon that starts without its journal and with a clock that was
// set back does not write over what the broker keeps, until time has come level or somebody
// vouches for the clock.
func TestLiveNeverGoesBackOverAStart(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	const topic = "bayledger/riedhof/live/A1/A1-level"
	in := subscribe(t, broker.URL, "bayledger/riedhof/live/#", false)
	value := func(want float64) func([]message) bool {
		return func([]message) bool {
			v, ok := in.last(topic)
			return ok && object(t, v)["v"] == want
		}
	}
	first := start(t, fast(broker.URL), club(), nil, nil, fixed{noon})
	first.Live([]site.Sample{reading("A1-level", 0, 0.080), reading("A2-level", 0, 0.080)})
	in.until("the newest", value(80))
	first.stop()

	var vouched atomic.Bool
	o := fast(broker.URL)
	o.Standing = func() site.Standing { return site.Standing{ClockSure: vouched.Load()} }
	second := start(t, o, club(), nil, nil, fixed{noon.Add(-time.Hour)})
	second.waitOnline()
	second.Live([]site.Sample{reading("A1-level", -3600, 0.070), reading("A2-level", 1, 0.081)})
	in.until("the other point, which is not behind", func([]message) bool {
		v, ok := in.last("bayledger/riedhof/live/A2/A2-level")
		return ok && object(t, v)["v"] == 81.0
	})
	require.True(t, value(80)(nil), "a value went back in time")
	second.Live([]site.Sample{reading("A1-level", 5, 0.085)})
	in.until("time has come level", value(85))
	second.stop()

	// The clock was ahead before, and is right now.
	vouched.Store(true)
	third := start(t, o, club(), nil, nil, fixed{noon.Add(-time.Hour)})
	third.waitOnline()
	third.Live([]site.Sample{reading("A1-level", -3600, 0.071)})
	in.until("put right", value(71))
	third.Live([]site.Sample{reading("A1-level", -3601, 0.072), reading("A1-level", -3599, 0.073)})
	in.until("and on", value(73))
	for _, m := range in.messages() {
		require.NotContains(t, m.payload, ":70", "sent all the same")
		require.NotContains(t, m.payload, ":72", "sent all the same")
	}
}

// TestWill: a connection that breaks makes the broker say so.
func TestWill(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	in := subscribe(t, broker.URL, "bayledger/riedhof/status", false)
	o := fast(wire.url)
	o.RetryMin, o.RetryMax = time.Hour, time.Hour
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.waitOnline()
	wire.cut()
	in.until("the will", func([]message) bool {
		p, ok := in.last("bayledger/riedhof/status")
		return ok && object(t, p)["state"] == "offline" && object(t, p)["reason"] == "lost"
	})
	r.until("it knows", func(s Status) bool { return !s.Connected && strings.Contains(s.Err, "lost") })
}

// TestStatusKeepsTelling: a retained status is only worth its time.
func TestStatusKeepsTelling(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	in := subscribe(t, broker.URL, "bayledger/riedhof/status", false)
	o := fast(broker.URL)
	o.StatusEvery = 30 * time.Millisecond
	start(t, o, club(), nil, nil, clock.Real{})
	in.until("several", func(m []message) bool { return len(m) >= 4 })
	seen := map[any]bool{}
	for _, m := range in.messages() {
		seen[object(t, m.payload)["t"]] = true
	}
	require.Greater(t, len(seen), 1)
}

// TestRemovedBay: what a former site file left on the broker goes, at a connection and at a
// reload; other sites and other topics stay.
func TestRemovedBay(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	old := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(broker.URL).SetClientID("old"))
	require.True(t, old.Connect().WaitTimeout(patience))
	defer old.Disconnect(100)
	for _, topic := range []string{"bayledger/riedhof/live/Z9/Z9-level", "bayledger/riedhof/live/A1/A1-level", "bayledger/elsewhere/live/Z9/Z9-level", "bayledger/riedhof/other"} {
		require.True(t, old.Publish(topic, 1, true, []byte(`{"t":"2026-07-01T00:00:00.000Z","v":1,"q":"good"}`)).WaitTimeout(patience))
	}
	r := start(t, fast(broker.URL), club(), nil, nil, clock.Real{})
	r.Live([]site.Sample{reading("A2-level", 0, 0.1)})
	r.until("sent", func(s Status) bool { return s.Live == 1 })
	topicsLeft := func() []string {
		in := subscribe(t, broker.URL, "bayledger/#", false)
		in.until("status", func([]message) bool { _, ok := in.last("bayledger/riedhof/status"); return ok })
		in.until("the other site", func([]message) bool { _, ok := in.last("bayledger/elsewhere/live/Z9/Z9-level"); return ok })
		var left []string
		for _, m := range in.messages() {
			if m.retained {
				left = append(left, m.topic)
			}
		}
		slices.Sort(left)
		return left
	}
	require.Equal(t, []string{"bayledger/elsewhere/live/Z9/Z9-level", "bayledger/riedhof/live/A1/A1-level", "bayledger/riedhof/live/A2/A2-level",
		"bayledger/riedhof/other", "bayledger/riedhof/points", "bayledger/riedhof/status"}, topicsLeft())

	watch := subscribe(t, broker.URL, "bayledger/riedhof/live/#", false)
	less := club()
	less.Points = slices.DeleteFunc(less.Points, func(p site.Point) bool { return p.Bay == "A2" })
	less.Courts[0].Bays = less.Courts[0].Bays[:1]
	r.Reload(less)
	watch.until("cleared", func([]message) bool { p, ok := watch.last("bayledger/riedhof/live/A2/A2-level"); return ok && p == "" })
	r.Live([]site.Sample{reading("A2-level", 9, 0.1), reading("A1-level", 9, 0.1)})
	r.until("sent", func(s Status) bool { return s.Live == 2 })
	require.NotContains(t, topicsLeft(), "bayledger/riedhof/live/A2/A2-level")
}

// TestHistory: batches in the journal's order, at least once, over an outage.
func TestHistory(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	j, q := newJournal(t)
	hq, err := j.Queue(t.Context(), "mqtt-history", true)
	require.NoError(t, err)
	in := subscribe(t, broker.URL, "bayledger/riedhof/history", true)
	const n = 1700
	var batch []site.Sample
	for i := range n {
		batch = append(batch, reading("A1-level", i, float64(i)/1000))
	}
	_, err = j.Append(t.Context(), batch[:1000])
	require.NoError(t, err)
	o := fast(wire.url)
	o.History = true
	r := start(t, o, club(), q, hq, clock.Real{})
	r.until("the first thousand", func(s Status) bool { return s.History >= 1000 })
	wire.cut()
	_, err = j.Append(t.Context(), batch[1000:])
	require.NoError(t, err)
	r.until("all", func(s Status) bool { return s.History >= n && hq.Backlog() == 0 })
	var got []historyValue
	in.until("all", func(m []message) bool {
		got = got[:0]
		for _, x := range m {
			var b []historyValue
			require.NoError(t, json.Unmarshal([]byte(x.payload), &b))
			require.LessOrEqual(t, len(b), historyBatch)
			got = append(got, b...)
		}
		return len(got) >= n
	})
	next := int64(1)
	for _, v := range got {
		require.LessOrEqual(t, v.Seq, next, "a gap")
		if v.Seq == next {
			require.Equal(t, float64(next-1), *v.V)
			next++
		}
	}
	require.Equal(t, int64(n+1), next)
}

// TestSilentBroker: a broker that takes the connection and never answers, before or after the
// handshake, blocks nobody and is named.
func TestSilentBroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var conns sync.Map
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			conns.Store(c, true)
		}
	}()
	t.Cleanup(func() {
		_ = l.Close()
		conns.Range(func(c, _ any) bool { _ = c.(net.Conn).Close(); return true })
	})
	o := fast("tcp://" + l.Addr().String())
	o.ConnectTimeout = 300 * time.Millisecond
	r := start(t, o, club(), nil, nil, clock.Real{})
	began := time.Now()
	for n := range 100000 {
		r.Live([]site.Sample{reading("A1-level", n, 0.1)})
	}
	require.Less(t, time.Since(began), 5*time.Second, "Live must not wait for the broker")
	r.until("it is named", func(s Status) bool { return !s.Connected && s.Err != "not connected yet" })
	require.Len(t, r.newest, 1, "memory is bounded by the points")
	r.stop()

	// Answers CONNECT and then nothing more.
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	wire := tap(t, broker.URL)
	wire.set(func(fromBroker bool, p []byte) bool { return fromBroker && packetType(p) != 2 })
	o = fast(wire.url)
	o.AckTimeout = 300 * time.Millisecond
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.until("it is named", func(s Status) bool { return strings.Contains(s.Err, "does not acknowledge") })
	wire.set(nil)
	r.waitOnline()
}

// TestStopWhileConnecting: an end that comes in the middle of a handshake is not waited for.
func TestStopWhileConnecting(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	o := fast("tcp://" + l.Addr().String())
	o.ConnectTimeout = time.Hour
	r := start(t, o, club(), nil, nil, clock.Real{})
	c, err := l.Accept()
	require.NoError(t, err)
	defer c.Close()
	_, err = c.Read(make([]byte, 1)) // it is inside the handshake
	require.NoError(t, err)
	r.stop()
}

func TestCredentials(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{Username: "club", Password: "right"})
	o := fast(broker.URL)
	o.Username = "club"
	var mu sync.Mutex
	secret := "wrong-and-secret"
	o.Password = func() (string, error) {
		mu.Lock()
		defer mu.Unlock()
		if secret == "" {
			return "", errors.New("read secret: the file /etc/x is empty")
		}
		return secret, nil
	}
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.until("refused", func(s Status) bool {
		return strings.Contains(s.Err, "Not Authorized") || strings.Contains(s.Err, "not Authorized")
	})
	mu.Lock()
	secret = ""
	mu.Unlock()
	r.until("no password", func(s Status) bool { return strings.Contains(s.Err, "password for the broker") })
	mu.Lock()
	secret = "right"
	mu.Unlock()
	r.waitOnline()
	require.NotContains(t, r.log.String(), "wrong-and-secret")
}

func TestTLS(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{TLS: true})
	o := fast(broker.URL)
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.until("the certificate is not trusted", func(s Status) bool { return strings.Contains(s.Err, "give the authority's file as ca") })
	r.stop()

	o.CAFile = servertest.NewCertificates(t).CAFile // somebody else's authority
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.until("nor by another authority", func(s Status) bool { return strings.Contains(s.Err, "give the authority's file as ca") })
	r.stop()

	o.CAFile = broker.CAFile
	o.Broker = strings.Replace(broker.URL, "localhost", "127.0.0.2", 1)
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.until("another name", func(s Status) bool { return s.Err != "not connected yet" })
	r.stop()

	o.Broker = broker.URL
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.waitOnline()
	r.stop()

	o.CAFile = filepath.Join(t.TempDir(), "missing")
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.until("no such file", func(s Status) bool { return strings.Contains(s.Err, "read the authority's certificate") })
	require.NoError(t, os.WriteFile(o.CAFile, []byte("no certificate"), 0o600))
	r.until("no certificate in it", func(s Status) bool { return strings.Contains(s.Err, "holds none") })
}

// TestClientCertificate: a broker that asks for one gets it.
func TestClientCertificate(t *testing.T) {
	// The client's own authority joins the one the broker trusts.
	caPEM, certFile, keyFile := clientCertificate(t)
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{TLS: true, Conf: "require_certificate true\n"})
	trust, err := os.ReadFile(broker.CAFile)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(broker.CAFile, append(trust, caPEM...), 0o600))
	broker.Stop()
	broker.Start()
	o := fast(broker.URL)
	o.CAFile = broker.CAFile
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.until("refused", func(s Status) bool { return s.Err != "not connected yet" && !s.Connected })
	r.stop()
	o.CertFile, o.KeyFile = certFile, keyFile
	r = start(t, o, club(), nil, nil, clock.Real{})
	r.waitOnline()
}

// TestQueueFault: with its queue gone the relay still tells what is live, and goes on with the
// queue when it is back.
func TestQueueFault(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	j, q := newJournal(t)
	q.mu.Lock()
	q.fail = errors.New("disk full")
	q.mu.Unlock()
	put(t, j, event(1))
	r := start(t, fast(broker.URL), club(), q, nil, clock.Real{})
	r.waitOnline()
	for n := range 3 {
		r.Live([]site.Sample{reading("A1-level", n, 0.1)})
		r.until("live", func(s Status) bool { return s.Live == uint64(n+1) })
	}
	require.Equal(t, 1, strings.Count(r.log.String(), "queue cannot be used"), "logged once:\n%s", r.log)
	q.mu.Lock()
	q.fail = nil
	q.mu.Unlock()
	r.Kick()
	r.until("events again", func(s Status) bool { return s.Events == 1 })
	require.Contains(t, r.log.String(), "queue works again")
}

// TestLogsEdges: an outage of any length is a line for each cause and one for its end.
func TestLogsEdges(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	o := fast(broker.URL)
	r := start(t, o, club(), nil, nil, clock.Real{})
	r.waitOnline()
	broker.Stop()
	r.until("away", func(s Status) bool { return strings.Contains(s.Err, "refused") })
	broker.Start()
	r.until("back", func(s Status) bool { return s.Connected })
	text := r.log.String()
	require.Equal(t, 1, strings.Count(text, "broker reached again"), text)
	seen := map[string]bool{}
	for line := range strings.Lines(text) {
		if _, cause, away := strings.Cut(line, "broker away"); away {
			require.False(t, seen[cause], "one line for each cause:\n%s", text)
			seen[cause] = true
		}
	}
	require.NotEmpty(t, seen)
}

// TestFlush: on a stepped clock every reading is published before time moves on, and a broker
// that goes away does not stop it.
func TestFlush(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	j, q := newJournal(t)
	clk := clock.NewStepped(noon, nil)
	o := fast(broker.URL)
	o.Flush = true
	ours := clk.Work()
	r := start(t, o, club(), q, nil, clk)
	r.waitOnline()
	in := subscribe(t, broker.URL, "bayledger/riedhof/#", false)
	const steps = 200
	for n := 1; n <= steps; n++ {
		r.Live([]site.Sample{reading("A1-level", n, float64(n)/1000), reading("A2-level", n, float64(n)/1000)})
		put(t, j, event(n))
		r.Kick()
		require.NoError(t, clk.Wait(t.Context(), noon.Add(time.Duration(n)*time.Second)))
		st := r.Status()
		require.Equal(t, uint64(2*n), st.Live, "time moved before the values were sent")
		require.Equal(t, uint64(n), st.Events, "time moved before the event was acknowledged")
		require.Zero(t, st.Conflated)
	}
	in.until("everything", func(m []message) bool { return len(seqs(t, m)) == steps })
	broker.Stop()
	for n := steps + 1; n < steps+50; n++ {
		r.Live([]site.Sample{reading("A1-level", n, 0)})
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		require.NoError(t, clk.Wait(ctx, noon.Add(time.Duration(n)*time.Second)), "the clock stands still without a broker")
		cancel()
	}
	r.stop()
	r.Live([]site.Sample{reading("A1-level", 10000, 0)})
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	require.NoError(t, clk.Wait(ctx, noon.Add(time.Hour)), "a relay that has ended holds the clock")
	ours()
}

// TestStopSendsWhatWasNoted: the last readings before a stop reach the broker, every time.
func TestStopSendsWhatWasNoted(t *testing.T) {
	broker := servertest.Mosquitto(t, servertest.MosquittoOptions{})
	j, q := newJournal(t)
	in := subscribe(t, broker.URL, "bayledger/riedhof/#", false)
	for n := 1; n <= 20; n++ {
		r := start(t, fast(broker.URL), club(), q, nil, clock.Real{})
		r.waitOnline()
		r.Live([]site.Sample{reading("A1-level", n, float64(n)/1000), reading("A2-level", n, float64(n)/1000)})
		put(t, j, event(n))
		r.Kick()
		r.stop()
		require.Equal(t, uint64(2), r.Status().Live)
		require.Equal(t, uint64(1), r.Status().Events)
	}
	in.until("every event", func(m []message) bool { return len(seqs(t, m)) == 20 })
}

func TestValidate(t *testing.T) {
	rows := []struct {
		name string
		set  func(*Options)
		path string // of the one problem; "" for none
		says string
	}{
		{"as it is", func(*Options) {}, "", ""},
		{"no broker", func(o *Options) { o.Broker = "" }, "broker", "no broker"},
		{"not an address", func(o *Options) { o.Broker = "broker" }, "broker", "not the address"},
		{"no host", func(o *Options) { o.Broker = "tcp://:1883" }, "broker", "not the address"},
		{"another scheme", func(o *Options) { o.Broker = "http://h:1" }, "broker", "not a scheme"},
		{"TLS", func(o *Options) { o.Broker, o.CAFile = "mqtts://h", "/ca" }, "", ""},
		{"certificates on a plain line", func(o *Options) { o.CAFile = "/ca" }, "broker", "not encrypted"},
		{"password in the address", func(o *Options) { o.Broker = "tcp://me:topsecret@h:1" }, "broker", "does not stand in an address"},
		{"path", func(o *Options) { o.Broker = "tcp://h:1/x" }, "broker", "goes on"},
		{"empty prefix", func(o *Options) { o.Prefix = "" }, "prefix", "empty"},
		{"several levels", func(o *Options) { o.Prefix = "water/courts" }, "", ""},
		{"wildcard (MQTT 4.7.1-1)", func(o *Options) { o.Prefix = "a/+/b" }, "prefix", "+ or #"},
		{"hash", func(o *Options) { o.Prefix = "a#" }, "prefix", "+ or #"},
		{"NUL (MQTT 4.7.3-2)", func(o *Options) { o.Prefix = "a\x00" }, "prefix", "not valid"},
		{"not UTF-8", func(o *Options) { o.Prefix = "a\xff" }, "prefix", "not valid"},
		{"broker's own tree (MQTT 4.7.2)", func(o *Options) { o.Prefix = "$SYS" }, "prefix", "$"},
		{"empty level", func(o *Options) { o.Prefix = "/a" }, "prefix", "empty"},
		{"password without username (MQTT 3.1.2-22)", func(o *Options) { o.Password = func() (string, error) { return "", nil } }, "username", "no username"},
		{"certificate without key", func(o *Options) { o.Broker, o.CertFile = "ssl://h", "/c" }, "cert", "key"},
		{"no keep alive", func(o *Options) { o.KeepAlive = 0 }, "keep_alive", "longer than nothing"},
		{"keep alive beyond MQTT's (3.1.2.10)", func(o *Options) { o.KeepAlive = 20 * time.Hour }, "keep_alive", "18h12m15s"},
		{"pauses", func(o *Options) { o.RetryMax = time.Millisecond }, "retry_max", "shorter"},
		{"window", func(o *Options) { o.Window = 0 }, "window", "1 and 1000"},
	}
	for _, row := range rows {
		o := DefaultOptions()
		o.Broker = "tcp://127.0.0.1:1883"
		row.set(&o)
		p := o.Validate()
		if row.path == "" {
			require.Empty(t, p, row.name)
			continue
		}
		require.Len(t, p, 1, row.name)
		require.Equal(t, row.path, p[0].Path, row.name)
		require.Contains(t, p[0].String(), row.says, row.name)
		require.NotContains(t, p[0].String(), "topsecret")
	}
	_, err := New(Options{}, club(), nil, nil, clock.Real{}, discard(), "")
	require.Error(t, err)
}

// TestClientID: 20 of the characters every broker must take (MQTT 3.1.1, 3.1.3-5), stable, and
// different for another site or prefix.
func TestClientID(t *testing.T) {
	o := DefaultOptions()
	id := o.clientID("riedhof")
	require.Regexp(t, `^[0-9a-zA-Z]{1,23}$`, id)
	require.Equal(t, id, o.clientID("riedhof"))
	require.NotEqual(t, id, o.clientID("elsewhere"))
	p := o
	p.Prefix = "other"
	require.NotEqual(t, id, p.clientID("riedhof"))
	p.ClientID = "mine"
	require.Equal(t, "mine", p.clientID("riedhof"))
}

// TestWire: 12 digits keep a meter's register and drop what scaling adds.
func TestWire(t *testing.T) {
	s := club()
	rows := []struct {
		point string
		v     float64
		want  string
	}{
		{"A1-level", 0.0635, "63.5"}, {"A1-level", 0.0001, "0.1"}, {"A1-level", 0, "0"}, {"A1-level", -0.012345, "-12.345"},
		{"A1-flow", 20e-3 / 60, "20"}, {"pressure", 251300, "251.3"}, {"pressure", math.Inf(1), "null"},
	}
	for _, row := range rows {
		b, err := json.Marshal(wire(s.Point(row.point), reading(row.point, 0, row.v)))
		require.NoError(t, err)
		require.Equal(t, row.want, string(b), fmt.Sprint(row.v))
	}
	volume := &site.Point{ID: "m", Quantity: site.Volume}
	require.Equal(t, 12345678.901, *wire(volume, site.Sample{Value: 12345.678901}))
}
