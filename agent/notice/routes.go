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
	To       []string
	// CAFile holds the authority of the server's certificate, empty for the system's.
	CAFile string
	// Now dates the message.
	Now func() time.Time
}

// Validate returns every mistake, with paths relative to the e-mail's own section.
func (e *Email) Validate() site.Problems {
	var p site.Problems
	if host, port, err := net.SplitHostPort(e.Server); err != nil || host == "" || port == "" {
		p.Add("server", `write for example "mail.example.org:465"`, "%q is not host:port", e.Server)
	}
	if _, err := mail.ParseAddress(e.From); err != nil {
		p.Add("from", `write for example "watch@example.org"`, "%q is not an e-mail address", e.From)
	}
	if len(e.To) == 0 {
		p.Add("to", `write for example ["keeper@example.org"]`, "nobody is named")
	}
	for i, to := range e.To {
		if _, err := mail.ParseAddress(to); err != nil {
			p.Add(fmt.Sprintf("to[%d]", i), `write for example "keeper@example.org"`, "%q is not an e-mail address", to)
		}
	}
	if e.Username == "" && e.Password != nil {
		p.Add("username", "give the username too", "there is a password but no username")
	}
	return p
}

// Name implements Route.
func (e *Email) Name() string { return "e-mail by " + e.Server }

// Send implements Route.
func (e *Email) Send(ctx context.Context, m Message) (err error) {
	host, _, err := net.SplitHostPort(e.Server)
	if err != nil {
		return err
	}
	config := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if e.CAFile != "" {
		pem, err := os.ReadFile(e.CAFile)
		if err != nil {
			return fmt.Errorf("read the authority's certificate: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return fmt.Errorf("read the authority's certificate: %s holds none", e.CAFile)
		}
	}
	var d net.Dialer
	raw, err := d.DialContext(ctx, "tcp", e.Server)
	if err != nil {
		return err
	}
	defer raw.Close()
	// The client below knows no context: closing its connection ends it.
	defer context.AfterFunc(ctx, func() { _ = raw.Close() })()
	conn := raw
	if !e.StartTLS {
		t := tls.Client(conn, config)
		if err := t.HandshakeContext(ctx); err != nil {
			return err
		}
		conn = t
	}
	c, err := smtp.NewClient(conn, host)
	if err != nil {
		return fmt.Errorf("greet the server: %w", err)
	}
	defer c.Close()
	if e.StartTLS {
		// Without the extension this is an error: a line in the clear is not used.
		if err := c.StartTLS(config); err != nil {
			return fmt.Errorf("turn to TLS: %w", err)
		}
	}
	if e.Username != "" {
		password := ""
		if e.Password != nil {
			if password, err = e.Password(); err != nil {
				return err
			}
		}
		if err := c.Auth(smtp.PlainAuth("", e.Username, password, host)); err != nil {
			return fmt.Errorf("log in: %w", err)
		}
	}
	if err := c.Mail(bare(e.From)); err != nil {
		return fmt.Errorf("sender refused: %w", err)
	}
	taken, refused := 0, []error(nil)
	for _, to := range e.To {
		if err := c.Rcpt(bare(to)); err != nil {
			refused = append(refused, fmt.Errorf("%s refused: %w", to, err))
			continue
		}
		taken++
	}
	if taken == 0 {
		return errors.Join(refused...)
	}
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
	line("To", strings.Join(e.To, ", "))
	line("Subject", mime.QEncoding.Encode("utf-8", strings.NewReplacer("\r", " ", "\n", " ").Replace(m.Short)))
	line("Date", e.Now().Format(time.RFC1123Z))
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

// Webhook posts JSON.
type Webhook struct {
	URL string
	// Token, if set, is called at every message and sent as a bearer token.
	Token  func() (string, error)
	Client *http.Client
}

// NewWebhook returns a webhook whose client follows no redirect: a login page must not count as
// an answer.
func NewWebhook(u string, token func() (string, error)) *Webhook {
	return &Webhook{URL: u, Token: token, Client: &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// Validate returns every mistake.
func (w *Webhook) Validate() site.Problems {
	var p site.Problems
	u, err := url.Parse(w.URL)
	switch {
	case err != nil || u.Host == "" || (u.Scheme != "https" && u.Scheme != "http"):
		p.Add("url", `write for example "https://example.org/hook"`, "this is not the address of a webhook")
	case u.Scheme == "http" && u.Hostname() != "localhost" && !net.ParseIP(u.Hostname()).IsLoopback():
		p.Add("url", "write https://", "a message to another machine is not sent in the clear")
	}
	return p
}

// Name implements Route. The path may be a secret, so only the host is named.
func (w *Webhook) Name() string {
	u, err := url.Parse(w.URL)
	if err != nil {
		return "webhook"
	}
	return "webhook at " + u.Host
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
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(body))
	if err != nil {
		return errors.New("the address cannot be used") // the error would hold the path
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", m.Key)
	if w.Token != nil {
		token, err := w.Token()
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := w.Client.Do(req)
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
