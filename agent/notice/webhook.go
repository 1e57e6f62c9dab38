package notice

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"

	"bayledger/agent/site"
)

// Webhook posts JSON to one person's address.
type Webhook struct {
	person string
	// url and token are read at every message, so that they may change and are never kept here.
	url, token func() (string, error)
	client     *http.Client
}

// NewWebhook returns the webhook of the person of that id. token may be nil; it is sent as a
// bearer token. No redirect is followed: a login page must not count as an answer.
func NewWebhook(person string, url, token func() (string, error)) *Webhook {
	return &Webhook{person: person, url: url, token: token,
		client: &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// Name implements Route. The address is a secret.
func (w *Webhook) Name() string { return "webhook of " + w.person }

// address reads the address and says what keeps it from being used. No error repeats it.
func (w *Webhook) address() (string, error) {
	text, err := w.url()
	if err != nil {
		return "", err
	}
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "" || (u.Scheme != "https" && u.Scheme != "http"):
		return "", errors.New("what is kept as its address is none; write for example https://example.org/hook")
	case u.Scheme == "http" && u.Hostname() != "localhost" && !net.ParseIP(u.Hostname()).IsLoopback():
		return "", errors.New("its address begins with http; a message to another machine is sent by https only")
	}
	return text, nil
}

// Probe connects to the address and posts nothing.
func (w *Webhook) Probe(ctx context.Context) error {
	text, err := w.address()
	if err != nil {
		return err
	}
	u, err := url.Parse(text)
	if err != nil {
		return errors.New("the address cannot be used")
	}
	port := u.Port()
	if port == "" {
		port = u.Scheme // a name for the port, which net knows
	}
	address := net.JoinHostPort(u.Hostname(), port)
	var c net.Conn
	if u.Scheme == "https" {
		c, err = (&tls.Dialer{Config: &tls.Config{MinVersion: tls.VersionTLS12}}).DialContext(ctx, "tcp", address)
	} else {
		c, err = (&net.Dialer{}).DialContext(ctx, "tcp", address)
	}
	if err != nil {
		return err
	}
	return c.Close()
}

// hook is the body of a webhook's request.
type hook struct {
	V     int         `json:"v"`
	Key   string      `json:"key"`
	Sort  string      `json:"sort"`
	Short string      `json:"short"`
	Long  string      `json:"long"`
	Event *site.Event `json:"event,omitempty"`
}

// Send implements Route. Only a 2xx answer counts.
func (w *Webhook) Send(ctx context.Context, m Message) error {
	body, err := json.Marshal(hook{1, m.Key, m.Sort, m.Short, m.Long, m.Event})
	if err != nil {
		return err
	}
	to, err := w.address()
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, to, bytes.NewReader(body))
	if err != nil {
		return errors.New("the address cannot be used") // the error would hold the path
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", m.Key)
	if w.token != nil {
		token, err := w.token()
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := w.client.Do(req)
	if err != nil {
		if inner, ok := errors.AsType[*url.Error](err); ok {
			err = inner.Err // without the address
		}
		return err
	}
	defer res.Body.Close()
	if res.StatusCode < 200 || res.StatusCode > 299 {
		return fmt.Errorf("answered %s", res.Status)
	}
	return nil
}
