package relay

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"bayledger/agent/clock"
	"bayledger/agent/servertest"
	"bayledger/agent/site"
	"bayledger/historian/journal"
)

// patience bounds what a test waits for; nothing that works takes a tenth of it.
const patience = 60 * time.Second

func club() *site.Site {
	return &site.Site{
		ID: "riedhof", Name: "Riedhof", Zone: time.UTC, Revision: "r1",
		Courts: []site.Court{{ID: "c1", Name: "Court 1", Bays: []site.Bay{{ID: "A1", Court: "c1"}, {ID: "A2", Court: "c1"}}}},
		Points: []site.Point{
			{ID: "A1-flow", Bay: "A1", Quantity: site.Flow, Device: "unit-1"},
			{ID: "A1-level", Bay: "A1", Quantity: site.Level, Device: "unit-1"},
			{ID: "A2-level", Bay: "A2", Quantity: site.Level, Device: "unit-2"},
			{ID: "pressure", Quantity: site.Pressure, Device: "unit-3"},
		},
	}
}

var noon = time.Date(2026, 7, 3, 12, 0, 0, 0, time.UTC)

func reading(point string, n int, value float64) site.Sample {
	return site.Sample{Point: point, Time: noon.Add(time.Duration(n) * time.Second), Value: value}
}

func event(n int) site.Event {
	k := site.Key{Bay: "A1", Kind: site.Overfill}
	at := noon.Add(time.Duration(n) * time.Second)
	return site.Event{V: 1, ID: site.EventID("riedhof", k, at), Seq: int64(n), Time: site.Stamp{Time: at}, Since: site.Stamp{Time: at},
		Site: "riedhof", Bay: "A1", Kind: site.Overfill, State: site.Raised, Severity: site.Warning, Because: fmt.Sprintf("event %d", n)}
}

// queue is the real journal's queue of events behind the relay's interface.
type queue struct {
	*journal.EventQueue
	mu    sync.Mutex
	acked []int64
	fail  error
}

func (q *queue) Next(ctx context.Context, limit int) ([]Event, error) {
	q.mu.Lock()
	err := q.fail
	q.mu.Unlock()
	if err != nil {
		return nil, err
	}
	stored, err := q.EventQueue.Next(ctx, limit)
	out := make([]Event, len(stored))
	for i, s := range stored {
		out[i] = Event{Pos: s.Pos, Event: s.Event}
	}
	return out, err
}

func (q *queue) Ack(ctx context.Context, pos int64) error {
	q.mu.Lock()
	q.acked = append(q.acked, pos)
	q.mu.Unlock()
	return q.EventQueue.Ack(ctx, pos)
}

func (q *queue) acks() []int64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return append([]int64(nil), q.acked...)
}

func newJournal(t *testing.T) (*journal.Journal, *queue) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.DefaultOptions(t.TempDir()))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, j.Close()) })
	q, err := j.EventQueue(t.Context(), "mqtt")
	require.NoError(t, err)
	return j, &queue{EventQueue: q}
}

func put(t *testing.T, j *journal.Journal, events ...site.Event) {
	t.Helper()
	for _, e := range events {
		_, err := j.AppendEvent(t.Context(), e)
		require.NoError(t, err)
	}
}

// fast are options that do not make a test wait.
func fast(broker string) Options {
	o := DefaultOptions()
	o.Broker = broker
	o.RetryMin, o.RetryMax = 20*time.Millisecond, 200*time.Millisecond
	o.AckTimeout, o.ConnectTimeout = 5*time.Second, 2*time.Second
	return o
}

// running is a relay whose Run is under way.
type running struct {
	*Relay
	t      *testing.T
	cancel context.CancelFunc
	done   chan error
	log    *servertest.Log
}

func start(t *testing.T, o Options, s *site.Site, q Events, h History, clk clock.Clock) *running {
	t.Helper()
	log := &servertest.Log{}
	r, err := New(o, s, q, h, clk, slog.New(slog.NewTextHandler(log, nil)), "test")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	run := &running{Relay: r, t: t, cancel: cancel, done: make(chan error, 1), log: log}
	go func() { run.done <- r.Run(ctx) }()
	t.Cleanup(run.stop)
	return run
}

// stop ends the relay and checks that it does so in time.
func (r *running) stop() {
	r.cancel()
	select {
	case err, ok := <-r.done:
		if ok {
			require.NoError(r.t, err)
			close(r.done)
		}
	case <-time.After(5 * time.Second):
		r.t.Fatal("Run did not end within 5 s")
	}
}

func (r *running) waitOnline() {
	r.t.Helper()
	select {
	case <-r.Online():
	case <-time.After(patience):
		r.t.Fatalf("never online: %+v\n%s", r.Status(), r.log)
	}
}

// until waits for a condition on the status.
func (r *running) until(what string, ok func(Status) bool) {
	r.t.Helper()
	require.Eventually(r.t, func() bool { return ok(r.Status()) }, patience, 5*time.Millisecond, "%s: %+v\n%s", what, r.Status(), r.log)
}

type message struct {
	topic    string
	payload  string
	retained bool
}

// reader is an independent subscriber.
type reader struct {
	t      *testing.T
	client mqtt.Client
	mu     sync.Mutex
	got    []message
	news   chan struct{}
}

// subscribe reads everything under filter. A lasting reader keeps its session over restarts of
// the broker.
func subscribe(t *testing.T, broker, filter string, lasting bool, more ...func(*mqtt.ClientOptions)) *reader {
	t.Helper()
	r := &reader{t: t, news: make(chan struct{}, 1)}
	o := mqtt.NewClientOptions().AddBroker(broker).SetClientID("reader" + fmt.Sprint(time.Now().UnixNano())).
		SetCleanSession(!lasting).SetAutoReconnect(lasting).SetMaxReconnectInterval(50 * time.Millisecond).SetConnectRetryInterval(50 * time.Millisecond)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		r.mu.Lock()
		r.got = append(r.got, message{m.Topic(), string(m.Payload()), m.Retained()})
		r.mu.Unlock()
		select {
		case r.news <- struct{}{}:
		default:
		}
	})
	for _, f := range more {
		f(o)
	}
	r.client = mqtt.NewClient(o)
	ok := func(tok mqtt.Token) {
		require.True(t, tok.WaitTimeout(patience))
		require.NoError(t, tok.Error())
	}
	ok(r.client.Connect())
	sub := r.client.Subscribe(filter, 1, nil)
	ok(sub)
	for f, code := range sub.(*mqtt.SubscribeToken).Result() {
		require.LessOrEqual(t, code, byte(2), "subscription to %s refused", f)
	}
	t.Cleanup(func() { r.client.Disconnect(100) })
	return r
}

func (r *reader) messages() []message {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]message(nil), r.got...)
}

// last is the newest payload of a topic.
func (r *reader) last(topic string) (string, bool) {
	for _, m := range reversed(r.messages()) {
		if m.topic == topic {
			return m.payload, true
		}
	}
	return "", false
}

func reversed(m []message) []message {
	out := make([]message, 0, len(m))
	for i := len(m) - 1; i >= 0; i-- {
		out = append(out, m[i])
	}
	return out
}

// until waits until what has come satisfies ok.
func (r *reader) until(what string, ok func([]message) bool) {
	r.t.Helper()
	limit := time.After(patience)
	for !ok(r.messages()) {
		select {
		case <-r.news:
		case <-limit:
			r.t.Fatalf("%s: never came; got %v", what, r.messages())
		}
	}
}

// seqs are the sequence numbers of the events that came.
func seqs(t *testing.T, m []message) []int64 {
	t.Helper()
	var out []int64
	for _, x := range m {
		if strings.HasSuffix(x.topic, "/events") {
			e, err := site.ParseEvent([]byte(x.payload))
			require.NoError(t, err)
			out = append(out, e.Seq)
		}
	}
	return out
}

func object(t *testing.T, payload string) map[string]any {
	t.Helper()
	var m map[string]any
	require.NoError(t, json.Unmarshal([]byte(payload), &m))
	return m
}

// wireTap stands between the relay and a broker and passes MQTT packets on, but for those that
// drop names.
type wireTap struct {
	url    string
	target string

	mu      sync.Mutex
	drop    func(fromBroker bool, packet []byte) bool
	conns   map[net.Conn]bool
	dropped int
	wg      sync.WaitGroup
}

func tap(t *testing.T, target string) *wireTap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w := &wireTap{url: "tcp://" + l.Addr().String(), target: strings.TrimPrefix(target, "tcp://"), conns: map[net.Conn]bool{}}
	w.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			w.wg.Go(func() { w.pass(c) })
		}
	})
	t.Cleanup(func() {
		require.NoError(t, l.Close())
		w.cut()
		w.wg.Wait()
	})
	return w
}

func (w *wireTap) set(drop func(fromBroker bool, packet []byte) bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.drop = drop
}

// cut breaks every connection without a good-bye.
func (w *wireTap) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.conns {
		if tcp, ok := c.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0)
		}
		_ = c.Close()
	}
	clear(w.conns)
}

func (w *wireTap) count() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.dropped
}

func (w *wireTap) pass(client net.Conn) {
	broker, err := net.Dial("tcp", w.target)
	if err != nil {
		_ = client.Close()
		return
	}
	w.mu.Lock()
	w.conns[client], w.conns[broker] = true, true
	w.mu.Unlock()
	var both sync.WaitGroup
	one := func(from, to net.Conn, fromBroker bool) {
		defer func() { _, _ = from.Close(), to.Close() }()
		in := bufio.NewReader(from)
		for {
			packet, err := readPacket(in)
			if err != nil {
				return
			}
			w.mu.Lock()
			gone := w.drop != nil && w.drop(fromBroker, packet)
			if gone {
				w.dropped++
			}
			w.mu.Unlock()
			if gone {
				continue
			}
			if _, err := to.Write(packet); err != nil {
				return
			}
		}
	}
	both.Go(func() { one(client, broker, false) })
	both.Go(func() { one(broker, client, true) })
	both.Wait()
}

// readPacket reads one MQTT control packet whole (MQTT 3.1.1, 2.2.3: remaining length).
func readPacket(in *bufio.Reader) ([]byte, error) {
	first, err := in.ReadByte()
	if err != nil {
		return nil, err
	}
	packet := []byte{first}
	length, shift := 0, 0
	for {
		b, err := in.ReadByte()
		if err != nil {
			return nil, err
		}
		packet = append(packet, b)
		length |= int(b&0x7f) << shift
		shift += 7
		if b&0x80 == 0 {
			break
		}
	}
	body := make([]byte, length)
	if _, err := io.ReadFull(in, body); err != nil {
		return nil, err
	}
	return append(packet, body...), nil
}

const (
	typePublish = 3
	typePuback  = 4
)

func packetType(p []byte) byte { return p[0] >> 4 }

// publishTopic is the topic of a PUBLISH packet.
func publishTopic(p []byte) string {
	i := 1
	for p[i]&0x80 != 0 {
		i++
	}
	i++
	n := int(p[i])<<8 | int(p[i+1])
	return string(p[i+2 : i+2+n])
}

// packetID is the packet id of a PUBACK, or of a PUBLISH with QoS above 0.
func packetID(p []byte) uint16 {
	i := 1
	for p[i]&0x80 != 0 {
		i++
	}
	i++
	if packetType(p) == typePublish {
		i += 2 + (int(p[i])<<8 | int(p[i+1]))
	}
	return uint16(p[i])<<8 | uint16(p[i+1])
}
