package relay

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayledger/agent/certs"
	"bayledger/agent/site"
)

const (
	// goodbye bounds what is still done for the broker after ctx has ended: what was noted is
	// sent, and the good-bye.
	goodbye = 2 * time.Second
	// historyBatch is the most samples in one history message.
	historyBatch = 500
	// maxKept bounds how many kept values are noted at once; the rest are found next time.
	maxKept = 4096
	// sweepQuiet is how long kept values are waited for after the broker has answered.
	sweepQuiet = 50 * time.Millisecond
)

// session is one connection from its begin to its end. It reports whether there was one. The
// client is used for this connection only: see the package comment.
func (r *Relay) session(ctx context.Context, up func()) (connected bool, err error) {
	c := &conn{r: r, lost: make(chan error, 1), kept: make(chan kept, maxKept)}
	r.mu.Lock()
	c.site = r.site
	r.mu.Unlock()
	c.topics = topicsOf(r.opts.Prefix, c.site.ID)
	c.since = r.clk.Now()
	if err := c.connect(ctx); err != nil {
		return false, err
	}
	// A connection that is given up ends without a good-bye, so that the broker tells the will.
	// Disconnect then only ends what the library has running.
	defer c.client.Disconnect(100)
	defer c.socket.close()

	if err := c.birth(ctx); err != nil {
		return true, c.whyLost(err)
	}
	up()
	r.count(func(s *Status) {
		s.Connected, s.Err, s.Since = true, "", r.clk.Now()
		s.Connections++
	})
	r.onlineO.Do(func() { close(r.online) })
	sending, cancel := outlast(ctx, goodbye)
	defer cancel()
	if err = c.serve(ctx, sending); err == nil {
		err = c.leave(sending)
	}
	return true, c.whyLost(err)
}

// outlast returns a context that ends when ctx has ended and grace has passed.
func outlast(ctx context.Context, grace time.Duration) (context.Context, context.CancelFunc) {
	late, cancel := context.WithCancel(context.WithoutCancel(ctx))
	stop := context.AfterFunc(ctx, func() {
		t := time.NewTimer(grace)
		defer t.Stop()
		select {
		case <-t.C:
			cancel()
		case <-late.Done():
		}
	})
	return late, func() { stop(); cancel() }
}

// kept is a live value the broker keeps: its topic and its time, zero when it has none.
type kept struct {
	topic string
	t     time.Time
}

// conn is one connection.
type conn struct {
	r      *Relay
	client mqtt.Client
	socket socket
	topics topics
	site   *site.Site
	since  time.Time
	lost   chan error
	kept   chan kept // live values the broker keeps, to be looked at
}

// connect opens the connection; it ends with ctx.
func (c *conn) connect(ctx context.Context) error {
	o := c.r.opts
	var config *tls.Config
	if secure(c.r.broker) {
		var err error
		if config, err = certs.Client(c.r.broker.Hostname(), o.CAFile, o.CertFile, o.KeyFile); err != nil {
			return err
		}
	}
	var password string
	if o.Password != nil {
		var err error
		if password, err = o.Password(); err != nil {
			return fmt.Errorf("password for the broker: %w", err)
		}
	}
	var dialErr error // set before the token completes
	p := mqtt.NewClientOptions()
	p.Servers = []*url.URL{c.r.broker}
	p.SetClientID(o.clientID(c.site.ID)).SetUsername(o.Username).SetPassword(password)
	// The three that keep the token honest; see the package comment.
	p.SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true)
	p.SetProtocolVersion(4)
	p.SetKeepAlive(o.KeepAlive).SetPingTimeout(min(o.KeepAlive, 10*time.Second))
	p.SetConnectTimeout(o.ConnectTimeout).SetWriteTimeout(o.AckTimeout)
	p.SetBinaryWill(c.topics.status(), encode(c.status("offline", "lost")), 1, true)
	p.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case c.lost <- err:
		default: // one reason is enough
		}
	})
	p.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		if m.Retained() && len(m.Payload()) > 0 {
			var v liveValue
			_ = json.Unmarshal(m.Payload(), &v) // what is not ours has no time
			select {
			case c.kept <- kept{m.Topic(), v.T.Time}:
			default: // the rest are found at the next connection
			}
		}
	})
	p.SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
		var s net.Conn
		s, dialErr = c.dial(ctx, config)
		return s, dialErr
	})
	c.client = mqtt.NewClient(p)
	// The handshake of MQTT has no context: closing the socket ends it.
	stop := context.AfterFunc(ctx, c.socket.close)
	defer stop()
	token := c.client.Connect()
	<-token.Done() // bounded by dial and the library's ConnectTimeout, ended by the socket's close
	if err := token.Error(); err != nil {
		if dialErr != nil {
			err = dialErr
		}
		if more := advice(err); more != "" {
			return fmt.Errorf("connect to the broker: %w; %s", err, more)
		}
		return fmt.Errorf("connect to the broker: %w", err)
	}
	return nil
}

func (c *conn) dial(ctx context.Context, config *tls.Config) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, c.r.opts.ConnectTimeout)
	defer cancel()
	var d net.Dialer
	raw, err := d.DialContext(ctx, "tcp", address(c.r.broker))
	if err != nil {
		return nil, err
	}
	s := raw
	if config != nil {
		t := tls.Client(raw, config)
		if err := t.HandshakeContext(ctx); err != nil {
			return nil, errors.Join(err, ignoreClosed(raw.Close()))
		}
		s = t
	}
	c.socket.set(s)
	return s, nil
}

func ignoreClosed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

func (c *conn) status(state, reason string) status {
	now := c.r.clk.Now()
	_, offset := now.In(c.site.Zone).Zone()
	var watch *site.Standing
	if ask := c.r.opts.Standing; ask != nil && state == "online" {
		w := ask()
		watch = &w
	}
	return status{Watch: watch, State: state, T: site.Stamp{Time: now}, Since: site.Stamp{Time: c.since},
		Revision: c.site.Revision, Version: c.r.version, Reason: reason,
		Started: site.Stamp{Time: c.r.opts.Started}, Name: c.site.Name, Units: c.site.Display.String(), ShutOff: c.site.ShutOff, UTCOffsetS: offset, TellsItself: c.r.opts.TellsItself}
}

// birth says that we are there, finds what the broker still keeps of points that are gone, and
// marks everything for sending.
func (c *conn) birth(ctx context.Context) error {
	if err := c.send(ctx, c.topics.status(), 1, true, encode(c.status("online", ""))); err != nil {
		return err
	}
	c.r.mu.Lock()
	for id := range c.r.newest {
		c.r.pending[id] = true
	}
	c.r.resync = true
	c.r.told = !c.r.haveAlarms
	c.r.mu.Unlock()
	return nil
}

// sweep asks the broker for every live value it keeps of this site, clears those that belong to no
// point of it, and notes the times of the others. A broker that does not let us read is left as it
// is.
func (c *conn) sweep(ctx context.Context) error {
	sub := c.client.Subscribe(c.topics.allLive(), 0, nil)
	if err := c.await(ctx, sub); err != nil {
		if c.client.IsConnectionOpen() && ctx.Err() == nil {
			c.r.log.Warn("stale topics cannot be looked for", "topic", c.topics.allLive(), "err", err.Error())
			return nil
		}
		return err
	}
	// The broker sends what it keeps before it answers what we say next.
	if err := c.await(ctx, c.client.Unsubscribe(c.topics.allLive())); err != nil {
		return err
	}
	points := map[string]string{}
	for i := range c.site.Points {
		points[c.topics.live(&c.site.Points[i])] = c.site.Points[i].ID
	}
	// Two messages may still be on their way inside the library.
	quiet := time.NewTimer(sweepQuiet)
	defer quiet.Stop()
	for {
		select {
		case k := <-c.kept:
			if id, ok := points[k.topic]; ok {
				c.r.keeps(id, k.t)
				continue
			}
			if !strings.HasPrefix(k.topic, c.topics.root+"/live/") {
				continue
			}
			if err := c.send(ctx, k.topic, 1, true, nil); err != nil {
				return err
			}
		case <-quiet.C:
			return nil
		}
	}
}

// serve sends what there is to send until ctx ends, and returns nil when all that was noted by
// then is with the broker, or until the connection is lost. Nothing is broken off by the end of
// ctx; sending bounds how long it may take after that.
func (c *conn) serve(ctx, sending context.Context) error {
	var events, history <-chan struct{}
	if c.r.events != nil {
		events = c.r.events.Changed()
	}
	if c.r.history != nil {
		history = c.r.history.Changed()
	}
	beat := time.NewTicker(c.r.opts.StatusEvery)
	defer beat.Stop()
	more := true
	for {
		if !more {
			select {
			case <-ctx.Done():
			case err := <-c.lost:
				return err
			case <-c.r.wake:
			case <-events:
			case <-history:
			case <-beat.C:
				if err := c.send(sending, c.topics.status(), 1, true, encode(c.status("online", ""))); err != nil {
					return err
				}
				continue
			}
		}
		stopped := ctx.Err() != nil // the round after this sends what was noted before the stop
		var err error
		if more, err = c.round(sending); err != nil || stopped {
			return err
		}
	}
}

// round sends everything that is noted and a window of each queue, and reports whether the queues
// hold more.
func (c *conn) round(ctx context.Context) (more bool, err error) {
	r := c.r
	r.mu.Lock()
	tokens := r.tokens
	r.tokens = nil
	resync := r.resync
	r.resync = false
	c.site = r.site
	r.mu.Unlock()
	defer func() {
		if more && err == nil {
			r.mu.Lock()
			r.tokens = append(r.tokens, tokens...) // not done before the queues are empty
			r.mu.Unlock()
			return
		}
		for _, done := range tokens {
			done()
		}
	}()
	if resync {
		if err := c.send(ctx, c.topics.points(), 1, true, pointsPayload(c.site)); err != nil {
			return false, err
		}
		if err := c.sweep(ctx); err != nil {
			return false, err
		}
	}
	type live struct {
		topic   string
		payload []byte
	}
	var values []live
	sure := r.sure()
	r.mu.Lock()
	alarms, tellAlarms := r.alarms, !r.told
	r.told = true
	for i := range c.site.Points { // in the order of ids: the map's own order would differ each time
		p := &c.site.Points[i]
		if r.pending[p.ID] && !r.behind(r.newest[p.ID], sure) {
			values = append(values, live{c.topics.live(p), livePayload(p, r.newest[p.ID])})
		}
	}
	clear(r.pending)
	r.mu.Unlock()
	for _, v := range values {
		if err := c.await(ctx, c.client.Publish(v.topic, 0, true, v.payload)); err != nil {
			return false, fmt.Errorf("publish a live value: %w", err)
		}
		r.count(func(s *Status) { s.Live++ })
	}
	if tellAlarms {
		if err := c.send(ctx, c.topics.alarms(), 1, true, alarmsPayload(alarms)); err != nil {
			return false, err
		}
	}
	moreEvents, err := c.sendEvents(ctx)
	if err != nil {
		return false, err
	}
	moreHistory, err := c.sendHistory(ctx)
	return moreEvents || moreHistory, err
}

// sendEvents sends one window of events in order and acknowledges to the queue what the broker
// has acknowledged without a gap.
func (c *conn) sendEvents(ctx context.Context) (more bool, err error) {
	if c.r.events == nil {
		return false, nil
	}
	batch, err := c.r.events.Next(ctx, c.r.opts.Window)
	if c.r.queueFault(ctx, "events", err) {
		return false, nil
	}
	tokens := make([]mqtt.Token, len(batch))
	for i, e := range batch {
		tokens[i] = c.client.Publish(c.topics.events(), 1, false, encode(e.Event))
	}
	acked := 0
	for _, t := range tokens {
		if err = c.await(ctx, t); err != nil {
			break
		}
		acked++
	}
	if acked > 0 {
		c.acked(func(s *Status) { s.Events += uint64(acked) })
		// The broker has them: that must be noted even while we are being stopped.
		if c.r.queueFault(ctx, "events", c.r.events.Ack(context.WithoutCancel(ctx), batch[acked-1].Pos)) && err == nil {
			return false, nil
		}
	}
	if err != nil {
		return false, fmt.Errorf("publish events: %w", err)
	}
	return len(batch) == c.r.opts.Window, nil
}

func (c *conn) sendHistory(ctx context.Context) (more bool, err error) {
	if c.r.history == nil {
		return false, nil
	}
	page, next, err := c.r.history.Next(ctx, historyBatch)
	if c.r.queueFault(ctx, "samples", err) {
		return false, nil
	}
	batch := make([]historyValue, 0, len(page))
	for _, x := range page {
		if p := c.site.Point(x.Sample.Point); p != nil { // one that left the site file has no unit any more
			batch = append(batch, historyValue{x.Seq, x.Sample.Point, site.Stamp{Time: x.Sample.Time}, wire(p, x.Sample), x.Sample.Quality.String()})
		}
	}
	if len(batch) > 0 {
		if err := c.send(ctx, c.topics.history(), 1, false, encode(batch)); err != nil {
			return false, err
		}
		c.acked(func(s *Status) { s.History += uint64(len(batch)) })
	}
	if c.r.queueFault(ctx, "samples", c.r.history.Ack(context.WithoutCancel(ctx), next)) {
		return false, nil
	}
	return len(page) == historyBatch, nil
}

// send publishes and waits for the acknowledgement.
func (c *conn) send(ctx context.Context, topic string, qos byte, retained bool, payload []byte) error {
	if payload == nil {
		payload = []byte{}
	}
	if err := c.await(ctx, c.client.Publish(topic, qos, retained, payload)); err != nil {
		return fmt.Errorf("publish %s: %w", topic[len(c.r.opts.Prefix)+1:], err)
	}
	c.acked(func(*Status) {})
	return nil
}

func (c *conn) acked(f func(*Status)) {
	c.r.count(func(s *Status) {
		s.LastAck = c.r.clk.Now()
		f(s)
	})
}

var errNoAck = errors.New("the broker does not acknowledge")

// await waits for a token, but not longer than an acknowledgement may take, nor beyond ctx.
func (c *conn) await(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	default:
	}
	limit := time.NewTimer(c.r.opts.AckTimeout)
	defer limit.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-limit.C:
		return errNoAck
	case <-ctx.Done():
		return ctx.Err()
	}
}

// leave tells the broker that this is no fault: the will would not be sent after a clean
// disconnection, and the status would stay "online".
func (c *conn) leave(ctx context.Context) error {
	if err := c.send(ctx, c.topics.status(), 1, true, encode(c.status("offline", "stopped"))); err != nil {
		return err // the will says it
	}
	c.client.Disconnect(100)
	return nil
}

// whyLost says why a connection that stood is over: the library's reason when it has given one,
// else what the sending ran into. Which of the two notices a cut first is chance.
func (c *conn) whyLost(err error) error {
	select {
	case err = <-c.lost:
	default:
	}
	return fmt.Errorf("connection to the broker lost: %w", err)
}
