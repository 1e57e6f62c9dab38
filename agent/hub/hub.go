package hub

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayledger/agent/certs"
)

// Hub holds the state of many sites. Make one with New, let Run feed it, and register it as a
// prometheus.Collector.
type Hub struct {
	opts Options
	log  *slog.Logger

	mu        sync.Mutex // guards what follows; held for one message or one scrape
	sites     map[string]*siteState
	connected bool
	messages  uint64
	refused   map[string]uint64 // by reason
	strangers map[string]bool   // unknown sites that were logged, at most maxStrangers
}

// maxStrangers bounds how many unknown sites are logged by name.
const maxStrangers = 100

// New makes a hub that knows its sites and has heard none.
func New(o Options, log *slog.Logger) (*Hub, error) {
	if p := o.Validate(); len(p) > 0 {
		return nil, p
	}
	h := &Hub{opts: o, log: log, sites: map[string]*siteState{}, strangers: map[string]bool{},
		refused: map[string]uint64{refusedSite: 0, refusedPoint: 0, refusedOther: 0, refusedMalformed: 0}}
	for _, id := range o.Sites {
		h.sites[id] = &siteState{id: id, live: map[string]reading{}}
	}
	return h, nil
}

// retryMin and retryMax bound the pause between two tries to connect.
const (
	retryMin = time.Second
	retryMax = 30 * time.Second
)

// Run listens until ctx ends; a broker that is away is tried again. It returns nil.
func (h *Hub) Run(ctx context.Context) error {
	pause, last := retryMin, ""
	for ctx.Err() == nil {
		began := time.Now()
		err := h.session(ctx)
		h.cut()
		if ctx.Err() != nil {
			return nil
		}
		if err.Error() != last {
			h.log.Warn("broker away", "broker", h.opts.Broker, "error", err)
			last = err.Error()
		}
		if time.Since(began) > retryMax {
			pause, last = retryMin, ""
		}
		wait := time.NewTimer(time.Duration(float64(pause) * (0.75 + 0.5*rand.Float64())))
		select {
		case <-ctx.Done():
			wait.Stop()
		case <-wait.C:
		}
		pause = min(2*pause, retryMax)
	}
	return nil
}

// session is one connection from its begin to its end.
func (h *Hub) session(ctx context.Context) error {
	broker, err := url.Parse(h.opts.Broker)
	if err != nil {
		return fmt.Errorf("broker's address: %w", err)
	}
	var config *tls.Config
	if broker.Scheme == "ssl" {
		if config, err = certs.Client("", h.opts.CAFile, h.opts.CertFile, h.opts.KeyFile); err != nil {
			return err
		}
	}
	var password string
	if h.opts.Password != nil {
		if password, err = h.opts.Password(); err != nil {
			return fmt.Errorf("password for the broker: %w", err)
		}
	}
	lost := make(chan error, 1)
	p := mqtt.NewClientOptions()
	p.Servers = []*url.URL{broker}
	p.SetClientID(clientID()).SetUsername(h.opts.Username).SetPassword(password).SetTLSConfig(config)
	p.SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetProtocolVersion(4)
	p.SetKeepAlive(30 * time.Second).SetPingTimeout(10 * time.Second).SetConnectTimeout(10 * time.Second).SetWriteTimeout(20 * time.Second)
	p.SetConnectionLostHandler(func(_ mqtt.Client, err error) { lost <- err }) // once for a client
	p.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { h.message(m.Topic(), m.Payload(), m.Retained()) })
	client := mqtt.NewClient(p)
	if err := await(ctx, client.Connect()); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer client.Disconnect(100)
	h.join()
	topics := map[string]byte{}
	for _, prefix := range h.opts.Prefixes {
		topics[prefix+"/+/status"], topics[prefix+"/+/points"], topics[prefix+"/+/alarms"] = 1, 1, 1
		topics[prefix+"/+/live/+/+"] = 0
	}
	sub := client.SubscribeMultiple(topics, nil)
	if err := await(ctx, sub); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for topic, code := range sub.(*mqtt.SubscribeToken).Result() {
		if code == 0x80 { // MQTT 3.1.1, 3.9.3
			return fmt.Errorf("the broker does not let this user read %s: look at its access list", topic)
		}
	}
	h.log.Info("listening", "broker", broker.Host, "prefixes", h.opts.Prefixes, "sites", len(h.opts.Sites))
	select {
	case <-ctx.Done():
		return ctx.Err()
	case err := <-lost:
		return fmt.Errorf("connection lost: %w", err)
	}
}

// await waits for a token, which the library's own timeouts bound, or for ctx.
func await(ctx context.Context, t mqtt.Token) error {
	limit := time.NewTimer(30 * time.Second)
	defer limit.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-limit.C:
		return errors.New("the broker does not answer")
	case <-ctx.Done():
		return ctx.Err()
	}
}

// join notes that a connection has begun: every site gets SilentAfter from now to say something.
func (h *Hub) join() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.connected = true
	now := time.Now()
	for _, s := range h.sites {
		s.heard = now
	}
}

func (h *Hub) cut() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.connected = false
}

// message takes one message of the broker. It does not block.
func (h *Hub) message(topic string, payload []byte, retained bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.messages++
	var id, what string
	for _, prefix := range h.opts.Prefixes {
		if rest, ours := strings.CutPrefix(topic, prefix+"/"); ours {
			id, what, _ = strings.Cut(rest, "/")
			if h.sites[id] != nil {
				break
			}
		}
	}
	s := h.sites[id]
	if s == nil {
		h.refused[refusedSite]++
		if !h.strangers[id] && len(h.strangers) < maxStrangers {
			h.strangers[id] = true
			h.log.Warn("a site nobody named publishes; name it or take its access away", "site", clip(id))
		}
		return
	}
	if !retained {
		s.heard = time.Now()
	}
	for why, n := range s.take(what, payload) {
		h.refused[why] += uint64(n)
	}
}

func clip(s string) string { return strings.ToValidUTF8(s[:min(len(s), 64)], "?") }

// inOrder are the sites by id.
func (h *Hub) inOrder() []*siteState {
	var list []*siteState
	for _, id := range slices.Sorted(maps.Keys(h.sites)) {
		list = append(list, h.sites[id])
	}
	return list
}
