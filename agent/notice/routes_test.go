package notice

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

// sink is an SMTP server after RFC 5321 that keeps what it takes.
type sink struct {
	addr     string
	ca       string
	startTLS bool // offers STARTTLS on a plain line
	refuse   string
	silent   bool
	config   *tls.Config

	mu      sync.Mutex
	letters []string
	auth    []string
	rcpt    []string
	clear   []string // lines that came before TLS
	wg      sync.WaitGroup
}

func newSink(t *testing.T, set func(*sink)) *sink {
	t.Helper()
	certs := servertest.NewCertificates(t)
	pair, err := tls.LoadX509KeyPair(certs.CertFile, certs.KeyFile)
	require.NoError(t, err)
	s := &sink{ca: certs.CAFile, config: &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}}
	if set != nil {
		set(s)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.addr = l.Addr().String()
	s.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s.wg.Go(func() { s.serve(c) })
		}
	})
	t.Cleanup(func() { require.NoError(t, l.Close()); s.wg.Wait() })
	return s
}

func (s *sink) serve(c net.Conn) {
	defer func() { _ = c.Close() }()
	secure := !s.startTLS
	if secure {
		c = tls.Server(c, s.config)
	}
	if s.silent {
		_, _ = io.Copy(io.Discard, c)
		return
	}
	in := bufio.NewReader(c)
	say := func(line string) { _, _ = io.WriteString(c, line+"\r\n") }
	say("220 sink")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		s.mu.Lock()
		if !secure {
			s.clear = append(s.clear, line)
		}
		s.mu.Unlock()
		verb := strings.ToUpper(strings.SplitN(line, " ", 2)[0])
		switch {
		case s.refuse != "" && verb == s.refuse:
			say("550 not here")
		case verb == "EHLO" && !secure && s.startTLS:
			say("250-sink\r\n250 STARTTLS")
		case verb == "EHLO":
			say("250-sink\r\n250 AUTH PLAIN")
		case verb == "STARTTLS":
			say("220 go on")
			c = tls.Server(c, s.config)
			in, secure = bufio.NewReader(c), true
		case verb == "AUTH":
			plain, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(line, "AUTH PLAIN "))
			s.mu.Lock()
			s.auth = append(s.auth, string(plain))
			s.mu.Unlock()
			if strings.HasSuffix(string(plain), "\x00right") {
				say("235 welcome")
			} else {
				say("535 no")
			}
		case verb == "RCPT":
			if strings.Contains(line, "nobody@") {
				say("550 no such box")
				continue
			}
			s.mu.Lock()
			s.rcpt = append(s.rcpt, line)
			s.mu.Unlock()
			say("250 ok")
		case verb == "DATA":
			say("354 go on")
			var letter strings.Builder
			for {
				l, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				letter.WriteString(strings.TrimPrefix(l, "."))
			}
			s.mu.Lock()
			s.letters = append(s.letters, letter.String())
			s.mu.Unlock()
			say("250 taken")
		case verb == "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

func email(s *sink) *Email {
	return &Email{Server: s.addr, StartTLS: s.startTLS, From: "Watch <watch@example.org>", To: []string{"keeper@example.org"}, CAFile: s.ca,
		Now: func() time.Time { return night }}
}

var letterMessage = Message{Key: "k1", Sort: "alarm", Short: "URGENT Riedhof: 450 ± 20 L\r\nBcc: evil@example.org", Long: strings.Repeat("a long line ", 30) + "\n.\nafter a dot\n"}

func TestEmail(t *testing.T) {
	for _, startTLS := range []bool{false, true} {
		s := newSink(t, func(s *sink) { s.startTLS = startTLS })
		e := email(s)
		e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
		e.To = append(e.To, "nobody@example.org")
		require.NoError(t, e.Send(t.Context(), letterMessage))
		require.Len(t, s.letters, 1)
		require.Equal(t, []string{"\x00watch\x00right"}, s.auth)
		require.Equal(t, []string{"RCPT TO:<keeper@example.org>"}, s.rcpt)
		for _, line := range s.clear {
			require.Contains(t, []string{"EHLO localhost", "STARTTLS"}, line, "said before TLS")
		}
		m, err := mail.ReadMessage(strings.NewReader(s.letters[0]))
		require.NoError(t, err)
		require.Empty(t, m.Header.Get("Bcc"), "a line break in the text became a header")
		subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
		require.NoError(t, err)
		require.Equal(t, "URGENT Riedhof: 450 ± 20 L  Bcc: evil@example.org", subject)
		require.Equal(t, "<k1@example.org>", m.Header.Get("Message-Id"))
		at, err := m.Header.Date()
		require.NoError(t, err)
		require.True(t, at.Equal(night))
		body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
		require.NoError(t, err)
		lines := func(text string) string { return strings.ReplaceAll(text, "\r\n", "\n") }
		require.Equal(t, lines(letterMessage.Short+"\n\n"+letterMessage.Long), lines(string(body)))
	}
}

// TestEmailFails: whatever goes wrong is an error, so that the message is kept, and no password
// is said on a line that is not encrypted or not the server's.
func TestEmailFails(t *testing.T) {
	rows := []struct {
		name string
		sink func(*sink)
		set  func(*Email)
		says string
	}{
		{"untrusted certificate", nil, func(e *Email) { e.CAFile = "" }, "certificate"},
		{"server without STARTTLS", func(s *sink) { s.startTLS, s.refuse = true, "STARTTLS" }, nil, "turn to TLS"},
		{"wrong password", nil, func(e *Email) { e.Password = func() (string, error) { return "wrong", nil } }, "log in"},
		{"no password to be had", nil, func(e *Email) { e.Password = func() (string, error) { return "", errors.New("read secret: gone") } }, "gone"},
		{"sender refused", func(s *sink) { s.refuse = "MAIL" }, nil, "sender refused"},
		{"nobody taken", nil, func(e *Email) { e.To = []string{"nobody@example.org"} }, "no such box"},
		{"letter refused", func(s *sink) { s.refuse = "DATA" }, nil, "send"},
		{"no authority's file", nil, func(e *Email) { e.CAFile = "/nowhere" }, "authority"},
		{"a server that never answers", func(s *sink) { s.silent = true }, nil, ""},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			s := newSink(t, row.sink)
			e := email(s)
			e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
			if row.set != nil {
				row.set(e)
			}
			ctx, cancel := contextFor(t, row.name)
			defer cancel()
			err := e.Send(ctx, letterMessage)
			require.Error(t, err)
			require.ErrorContains(t, err, row.says)
			require.Empty(t, s.letters)
			require.NotContains(t, strings.Join(s.clear, "\n"), "AUTH")
		})
	}
	down := &Email{Server: "127.0.0.1:1", From: "a@b.c", To: []string{"a@b.c"}, Now: time.Now}
	require.Error(t, down.Send(t.Context(), letterMessage))
}

func TestWebhook(t *testing.T) {
	var got *http.Request
	var body hook
	code := 204
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = r
		_ = json.NewDecoder(r.Body).Decode(&body)
		if code == 302 {
			w.Header().Set("Location", "/login")
		}
		w.WriteHeader(code)
	}))
	defer server.Close()
	h := NewWebhook(server.URL+"/hook/secret-path", func() (string, error) { return "tok", nil })
	require.NoError(t, h.Send(t.Context(), letterMessage))
	require.Equal(t, "Bearer tok", got.Header.Get("Authorization"))
	require.Equal(t, "k1", got.Header.Get("Idempotency-Key"))
	require.Equal(t, hook{1, "k1", "alarm", letterMessage.Short, letterMessage.Long, nil}, body)
	for _, code = range []int{302, 401, 500} { // a portal's login page is no answer
		require.Error(t, h.Send(t.Context(), letterMessage), code)
	}
	server.Close()
	err := h.Send(t.Context(), letterMessage)
	require.Error(t, err)
	require.NotContains(t, err.Error()+h.Name(), "secret-path")
}

func TestRoutesValidate(t *testing.T) {
	good := Email{Server: "mail.example.org:465", From: "a@example.org", To: []string{"b@example.org"}}
	require.Empty(t, good.Validate())
	bad := Email{Server: "mail", From: "x", To: []string{"y"}, Password: func() (string, error) { return "", nil }}
	require.Len(t, bad.Validate(), 4)
	require.Len(t, (&Email{Server: "h:1", From: "a@b.c"}).Validate(), 1)
	for u, ok := range map[string]bool{"https://example.org/x": true, "http://127.0.0.1:9/x": true, "http://localhost/x": true,
		"http://example.org/x": false, "ftp://example.org": false, "x": false, "": false} {
		require.Equal(t, ok, len(NewWebhook(u, nil).Validate()) == 0, u)
	}
}

// contextFor gives a try its time: a moment where the server never answers.
func contextFor(t *testing.T, name string) (context.Context, context.CancelFunc) {
	if strings.Contains(name, "never answers") {
		return context.WithTimeout(t.Context(), 300*time.Millisecond)
	}
	return context.WithTimeout(t.Context(), 30*time.Second)
}
