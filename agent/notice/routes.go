package notice

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/mail"
	"net/smtp"
	"net/url"
	"os"
	"strings"
	"time"

	"bayledger/agent/site"
)

// Email sends by SMTP over TLS, never in the clear.
type Email struct {
	// Server is host:port. StartTLS begins in the clear and turns to TLS before anything else is
	// said (port 587); otherwise TLS from the first byte (port 465).
	Server   string
	StartTLS bool
	// Username is empty for a server that asks for none. Password is called at every message.
	Username string
	Password func() (string, error)
	From     string
	// To is one address: a letter holds a link that answers in this person's name.
	To string
	// CAFile holds the authority of the server's certificate, empty for the system's.
	CAFile string
}

// Validate returns every mistake, with paths relative to the e-mail's own section.
func (e *Email) Validate() site.Problems {
	var p site.Problems
	host, port, err := net.SplitHostPort(e.Server)
	switch {
	case err != nil || host == "" || port == "":
		p.Add("server", `write for example "mail.example.org:465"`, "%q is not host:port", e.Server)
	case port == "587" && !e.StartTLS:
		p.Add("starttls", "write starttls: yes, or port 465", "port 587 speaks in the clear until it is asked for TLS")
	case port == "465" && e.StartTLS:
		p.Add("starttls", "leave starttls out, or write port 587", "port 465 speaks TLS from the first byte")
	}
	if _, err := mail.ParseAddress(e.From); err != nil {
		p.Add("from", `write for example "watch@example.org"`, "%q is not an e-mail address", e.From)
	}
	if _, err := mail.ParseAddress(e.To); err != nil {
		p.Add("to", `write for example "keeper@example.org"`, "%q is not an e-mail address", e.To)
	}
	if e.Username == "" && e.Password != nil {
		p.Add("username", "give the username too", "there is a password but no username")
	}
	return p
}

// Name implements Route.
func (e *Email) Name() string { return "e-mail to " + bare(e.To) + " by " + e.Server }

// session logs in and names sender and receiver. end closes the connection.
func (e *Email) session(ctx context.Context) (c *smtp.Client, end func(), err error) {
	host, _, err := net.SplitHostPort(e.Server)
	if err != nil {
		return nil, nil, err
	}
	config := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if e.CAFile != "" {
		pem, err := os.ReadFile(e.CAFile)
		if err != nil {
			return nil, nil, fmt.Errorf("read the authority's certificate: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, nil, fmt.Errorf("read the authority's certificate: %s holds none", e.CAFile)
		}
	}
	var d net.Dialer
	raw, err := d.DialContext(ctx, "tcp", e.Server)
	if err != nil {
		return nil, nil, err
	}
	// The client below knows no context: closing its connection ends it.
	forget := context.AfterFunc(ctx, func() { _ = raw.Close() })
	hangUp := func() { forget(); _ = raw.Close() }
	defer func() {
		if err != nil {
			hangUp()
		}
	}()
	conn := raw
	if !e.StartTLS {
		t := tls.Client(conn, config)
		if err := t.HandshakeContext(ctx); err != nil {
			return nil, nil, err
		}
		conn = t
	}
	if c, err = smtp.NewClient(conn, host); err != nil {
		return nil, nil, fmt.Errorf("greet the server: %w", err)
	}
	if e.StartTLS {
		// Without the extension this is an error: a line in the clear is not used.
		if err := c.StartTLS(config); err != nil {
			return nil, nil, fmt.Errorf("turn to TLS: %w", err)
		}
	}
	if e.Username != "" {
		password := ""
		if e.Password != nil {
			if password, err = e.Password(); err != nil {
				return nil, nil, err
			}
		}
		if err := c.Auth(smtp.PlainAuth("", e.Username, password, host)); err != nil {
			return nil, nil, fmt.Errorf("log in: %w", err)
		}
	}
	if err := c.Mail(bare(e.From)); err != nil {
		return nil, nil, fmt.Errorf("sender refused: %w", err)
	}
	if err := c.Rcpt(bare(e.To)); err != nil {
		return nil, nil, fmt.Errorf("%s refused: %w", bare(e.To), err)
	}
	return c, hangUp, nil
}

// Probe goes as far as naming the receiver and sends nothing.
func (e *Email) Probe(ctx context.Context) error {
	c, end, err := e.session(ctx)
	if err != nil {
		return err
	}
	defer end()
	if err := c.Reset(); err != nil {
		return fmt.Errorf("give up the message again: %w", err)
	}
	_ = c.Quit() // nothing hangs on it
	return nil
}

// Send implements Route.
func (e *Email) Send(ctx context.Context, m Message) error {
	c, end, err := e.session(ctx)
	if err != nil {
		return err
	}
	defer end()
	w, err := c.Data()
	if err != nil {
		return fmt.Errorf("send: %w", err)
	}
	if _, err := w.Write(e.letter(m)); err != nil {
		return fmt.Errorf("send: %w", err)
	}
	if err := w.Close(); err != nil { // the server's yes
		return fmt.Errorf("send: %w", err)
	}
	_ = c.Quit() // the message is theirs already
	return nil
}

func bare(address string) string {
	a, err := mail.ParseAddress(address)
	if err != nil {
		return address
	}
	return a.Address
}

// letter is the message after RFC 5322, in UTF-8.
func (e *Email) letter(m Message) []byte {
	var b bytes.Buffer
	_, domain, _ := strings.Cut(bare(e.From), "@")
	line := func(name, value string) {
		// A line break inside a value would begin another header.
		fmt.Fprintf(&b, "%s: %s\r\n", name, strings.NewReplacer("\r", " ", "\n", " ").Replace(value))
	}
	line("From", e.From)
	line("To", e.To)
	line("Subject", mime.QEncoding.Encode("utf-8", strings.NewReplacer("\r", " ", "\n", " ").Replace(m.Short)))
	line("Date", m.Time.Format(time.RFC1123Z))
	line("Message-ID", "<"+m.Key+"@"+domain+">")
	line("Auto-Submitted", "auto-generated") // keeps absence notes from answering (RFC 3834)
	line("MIME-Version", "1.0")
	line("Content-Type", "text/plain; charset=utf-8")
	line("Content-Transfer-Encoding", "quoted-printable")
	b.WriteString("\r\n")
	q := quotedprintable.NewWriter(&b)
	_, _ = io.WriteString(q, m.Short+"\n\n"+m.Long) // a buffer does not fail
	_ = q.Close()
	return b.Bytes()
}

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
