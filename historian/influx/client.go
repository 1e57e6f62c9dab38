package influx

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxlog "github.com/influxdata/influxdb-client-go/v2/log"
)

// quiet turns off the client library's own logger, which is one for the whole process and
// prints to stderr; every error it would print reaches us as a value.
var quiet = sync.OnceFunc(func() { influxlog.Log = nil })

// bodyKept is how much of a refusal is read: enough for the words of any server.
const bodyKept = 4096

// answer is what a server said when it did not store a batch.
type answer struct {
	Status int
	Header http.Header
	Body   string // its first bodyKept bytes
}

func (a *answer) Error() string {
	words := a.words()
	if words == "" {
		return fmt.Sprintf("the server answered %d %s", a.Status, http.StatusText(a.Status))
	}
	return fmt.Sprintf("the server answered %d: %s", a.Status, words)
}

// wordsShown is how much of the body goes into messages and logs.
const wordsShown = 300

// words is the body in one line, short enough for a log.
func (a *answer) words() string {
	text := strings.Join(strings.Fields(strings.ToValidUTF8(a.Body, "?")), " ")
	if len(text) <= wordsShown {
		return text
	}
	cut := wordsShown
	for !utf8.RuneStart(text[cut]) {
		cut--
	}
	return text[:cut] + "..."
}

// retryAfter is what the server asks for in seconds or as a date, 0 when it does not ask.
func (a *answer) retryAfter(now time.Time) time.Duration {
	text := a.Header.Get("Retry-After")
	if s, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(text); err == nil && t.After(now) {
		return t.Sub(now)
	}
	return 0
}

// transport lets nothing but 204 through as an answer. The client library takes every 2xx for
// success and follows redirects, so that a captive portal's page would count as stored; and it
// keeps the text of an error only in the form of InfluxDB 1 and 2. It also shows the token, so
// that a replaced one is used without a new client.
type transport struct {
	base  *http.Transport
	token func() (string, error)

	mu     sync.Mutex
	known  string
	loaded bool
}

func (t *transport) RoundTrip(r *http.Request) (*http.Response, error) {
	token, err := t.current()
	if err != nil {
		if r.Body != nil {
			_ = r.Body.Close() // a RoundTripper closes the body whatever happens
		}
		return nil, err
	}
	r = r.Clone(r.Context())
	r.Header.Del("Authorization")
	if token != "" {
		r.Header.Set("Authorization", "Token "+token)
	}
	resp, err := t.base.RoundTrip(r)
	if err != nil || resp.StatusCode == http.StatusNoContent {
		return resp, err
	}
	defer resp.Body.Close()
	// What could not be read of a refusal does not change that it is one.
	body, _ := io.ReadAll(io.LimitReader(resp.Body, bodyKept))
	_, _ = io.CopyN(io.Discard, resp.Body, 64<<10) // so that the connection can be used again
	if resp.StatusCode == http.StatusUnauthorized || resp.StatusCode == http.StatusForbidden {
		t.forget()
	}
	return nil, &answer{Status: resp.StatusCode, Header: resp.Header, Body: string(body)}
}

// tokenError is a token that cannot be read: something for a person.
type tokenError struct{ error }

func (e tokenError) Unwrap() error { return e.error }

func (t *transport) current() (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.token == nil || t.loaded {
		return t.known, nil
	}
	token, err := t.token()
	if err != nil {
		return "", tokenError{fmt.Errorf("token: %w", err)}
	}
	t.known, t.loaded = token, true
	return token, nil
}

func (t *transport) forget() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.loaded = false
}

// client writes batches to one bucket.
type client struct {
	api   influxdb2.Client
	write api.WriteAPIBlocking
	base  *http.Transport
}

func newClient(o Options) (*client, error) {
	quiet()
	base := &http.Transport{
		MaxIdleConnsPerHost:   2,
		IdleConnTimeout:       90 * time.Second,
		TLSHandshakeTimeout:   o.Timeout,
		ResponseHeaderTimeout: o.Timeout,
		ForceAttemptHTTP2:     true,
	}
	if o.Proxy != "" {
		u, err := url.Parse(o.Proxy)
		if err != nil {
			return nil, fmt.Errorf("proxy: %w", err)
		}
		base.Proxy = http.ProxyURL(u)
	}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("certificates: %w", err)
		}
		pool, err := x509.SystemCertPool()
		if err != nil {
			pool = x509.NewCertPool()
		}
		if !pool.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("certificates: %s holds no certificate in PEM form", o.CAFile)
		}
		base.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}
	options := influxdb2.DefaultOptions().
		SetHTTPClient(&http.Client{Transport: &transport{base: base, token: o.Token}, Timeout: o.Timeout}).
		SetPrecision(time.Millisecond).
		SetUseGZip(!o.Plain)
	c := &client{base: base}
	c.api = influxdb2.NewClientWithOptions(o.URL, "", options)
	c.write = c.api.WriteAPIBlocking(o.Org, o.Bucket)
	return c, nil
}

func (c *client) close() {
	c.api.Close()
	c.base.CloseIdleConnections()
}

// verdict is what to do after a request.
type verdict int

const (
	stored   verdict = iota
	refused          // the server refuses lines of the batch: halve it
	tooLarge         // halve it, but no line is bad
	later            // try the same again, after a while
	person           // a person has to put something right; try again now and then
	ended            // our own context ended
)

// send writes lines and sorts the outcome. err is nil only for stored.
func (c *client) send(ctx context.Context, lines []byte) (verdict, error) {
	err := c.write.WriteRecord(ctx, string(lines))
	if err == nil {
		return stored, nil
	}
	if ctx.Err() != nil {
		return ended, ctx.Err()
	}
	a, ok := errors.AsType[*answer](err)
	if !ok {
		if _, ok := errors.AsType[tokenError](err); ok {
			return person, err
		}
		if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
			return person, err
		}
		return later, err
	}
	switch s := a.Status; {
	case s == http.StatusBadRequest, s == http.StatusUnprocessableEntity:
		return refused, a
	case s == http.StatusRequestEntityTooLarge:
		return tooLarge, a
	case s == http.StatusTooManyRequests, s == http.StatusRequestTimeout:
		return later, a
	case s == http.StatusInternalServerError && strings.Contains(a.Body, "retention policy not found"):
		return person, a // looks like a fault of the server and is configuration
	case s >= 400 && s < 500:
		return person, a
	default:
		// 5xx; and 2xx or 3xx that are no answer of the database: a portal, a login page.
		return later, a
	}
}

// allDropped reports whether the server says that it dropped every one of n lines: InfluxDB
// counts them in the text of a partial write.
func allDropped(err error, n int) bool {
	a, ok := errors.AsType[*answer](err)
	if !ok || !strings.Contains(a.Body, "partial write") {
		return false
	}
	_, count, found := strings.Cut(a.Body, "dropped=")
	if !found {
		return false
	}
	digits := 0
	for digits < len(count) && count[digits] >= '0' && count[digits] <= '9' {
		digits++
	}
	dropped, err := strconv.Atoi(count[:digits])
	return err == nil && dropped == n
}
