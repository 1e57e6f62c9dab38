package relay

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"bayledger/agent/certs"
)

// Probe connects to the broker beside a daemon that may be running, publishes one message that is
// not retained to <prefix>/<site>/check and waits until it comes back. What it returns names what
// to do.
func Probe(ctx context.Context, o Options, siteID string, now time.Time) error {
	if p := o.Validate(); len(p) > 0 {
		return p
	}
	broker, err := url.Parse(o.Broker)
	if err != nil {
		return err
	}
	var config *tls.Config
	scheme := "tcp"
	if secure(broker) {
		if config, err = certs.Client(broker.Hostname(), o.CAFile, o.CertFile, o.KeyFile); err != nil {
			return err
		}
		scheme = "ssl"
	}
	password := ""
	if o.Password != nil {
		if password, err = o.Password(); err != nil {
			return fmt.Errorf("password for the broker: %w", err)
		}
	}
	p := mqtt.NewClientOptions().SetClientID(o.clientID(siteID) + "c").SetUsername(o.Username).SetPassword(password).SetTLSConfig(config)
	p.Servers = []*url.URL{{Scheme: scheme, Host: address(broker)}}
	p.SetAutoReconnect(false).SetConnectRetry(false).SetCleanSession(true).SetProtocolVersion(4)
	p.SetConnectTimeout(o.ConnectTimeout).SetWriteTimeout(o.AckTimeout)
	client := mqtt.NewClient(p)
	await := func(what string, t mqtt.Token) error {
		select {
		case <-t.Done():
			if err := t.Error(); err != nil {
				return fmt.Errorf("%s: %w", what, err)
			}
			return nil
		case <-ctx.Done():
			return fmt.Errorf("%s: %w", what, ctx.Err())
		}
	}
	if err := await("connect", client.Connect()); err != nil {
		if more := advice(err); more != "" {
			return fmt.Errorf("%w; %s", err, more)
		}
		return err
	}
	defer client.Disconnect(100)
	topic, marker := topicsOf(o.Prefix, siteID).root+"/check", strconv.FormatInt(now.UnixNano(), 10)
	back := make(chan struct{}, 1)
	sub := client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		if string(m.Payload()) == marker {
			select {
			case back <- struct{}{}:
			default: // once is enough
			}
		}
	})
	if err := await("subscribe", sub); err != nil {
		return err
	}
	if s, ok := sub.(*mqtt.SubscribeToken); ok && s.Result()[topic] == 0x80 { // MQTT 3.1.1, 3.9.3
		return errors.New("the broker does not let this user read " + topic + ": its access list must let a site read and write its own tree")
	}
	if err := await("publish", client.Publish(topic, 1, false, marker)); err != nil {
		return err
	}
	select {
	case <-back:
		return nil
	case <-ctx.Done():
		return errors.New("the broker took a message to " + topic + " and did not give it back: its access list must let a site read and write its own tree")
	}
}
