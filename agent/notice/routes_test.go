package notice

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"mime/quotedprintable"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"bayledger/agent/servertest"
)

func email(s *servertest.MailServer, startTLS bool) *Email {
	return &Email{Server: s.Addr, StartTLS: startTLS, From: "Watch <watch@example.org>", To: "keeper@example.org", CAFile: s.CAFile}
}

var letterMessage = Message{Key: "k1", Sort: "alarm", Time: night, Short: "URGENT Riedhof: 450 ± 20 L\r\nBcc: evil@example.org", Long: strings.Repeat("a long line ", 30) + "\n.\nafter a dot\n"}

func TestEmail(t *testing.T) {
	for _, startTLS := range []bool{false, true} {
		s := servertest.Mail(t, servertest.MailOptions{StartTLS: startTLS})
		e := email(s, startTLS)
		e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
		require.NoError(t, e.Send(t.Context(), letterMessage))
		require.Len(t, s.Letters(), 1)
		require.Equal(t, []string{"\x00watch\x00right"}, s.Auth())
		require.Equal(t, []string{"RCPT TO:<keeper@example.org>"}, s.Recipients())
		for _, line := range s.Clear() {
			require.Contains(t, []string{"EHLO localhost", "STARTTLS"}, line, "said before TLS")
		}
		m, err := mail.ReadMessage(strings.NewReader(s.Letters()[0]))
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
		mail servertest.MailOptions
		set  func(*Email)
		says string
	}{
		{"untrusted certificate", servertest.MailOptions{}, func(e *Email) { e.CAFile = "" }, "certificate"},
		{"server without STARTTLS", servertest.MailOptions{StartTLS: true, Refuse: "STARTTLS"}, nil, "turn to TLS"},
		{"wrong password", servertest.MailOptions{}, func(e *Email) { e.Password = func() (string, error) { return "wrong", nil } }, "log in"},
		{"no password to be had", servertest.MailOptions{}, func(e *Email) { e.Password = func() (string, error) { return "", errors.New("read secret: gone") } }, "gone"},
		{"sender refused", servertest.MailOptions{Refuse: "MAIL"}, nil, "sender refused"},
		{"nobody taken", servertest.MailOptions{}, func(e *Email) { e.To = "nobody@example.org" }, "no such box"},
		{"letter refused", servertest.MailOptions{Refuse: "DATA"}, nil, "send"},
		{"no authority's file", servertest.MailOptions{}, func(e *Email) { e.CAFile = "/nowhere" }, "authority"},
		{"a server that never answers", servertest.MailOptions{Silent: true}, nil, ""},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			s := servertest.Mail(t, row.mail)
			e := email(s, row.mail.StartTLS)
			e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
			if row.set != nil {
				row.set(e)
			}
			ctx, cancel := contextFor(t, row.name)
			defer cancel()
			err := e.Send(ctx, letterMessage)
			require.Error(t, err)
			require.ErrorContains(t, err, row.says)
			require.Empty(t, s.Letters())
			require.NotContains(t, strings.Join(s.Clear(), "\n"), "AUTH")
		})
	}
	down := &Email{Server: "127.0.0.1:1", From: "a@b.c", To: "a@b.c"}
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
	text := func(s string) func() (string, error) { return func() (string, error) { return s, nil } }
	h := NewWebhook("anna", text(server.URL+"/hook/secret-path"), text("tok"))
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

func TestEmailValidate(t *testing.T) {
	good := Email{Server: "mail.example.org:465", From: "a@example.org", To: "b@example.org"}
	require.Empty(t, good.Validate())
	bad := Email{Server: "mail", From: "x", To: "y", Password: func() (string, error) { return "", nil }}
	require.Len(t, bad.Validate(), 4)
	for server, startTLS := range map[string]bool{"h:587": true, "h:465": false} { // RFC 8314, 3.3 and 7.3
		e := Email{Server: server, StartTLS: startTLS, From: "a@b.c", To: "a@b.c"}
		require.Empty(t, e.Validate(), server)
		e.StartTLS = !startTLS
		require.Len(t, e.Validate(), 1, server)
	}
}

// TestWebhookAddress: what is sent in the clear stays on this machine, and no message repeats the
// address, which is a secret.
func TestWebhookAddress(t *testing.T) {
	for u, ok := range map[string]bool{"https://example.org/x": true, "http://127.0.0.1:9/x": true, "http://localhost/x": true,
		"http://example.org/secret": false, "ftp://example.org/secret": false, "secret": false, "": false, "http://exa mple/secret": false} {
		_, err := NewWebhook("anna", func() (string, error) { return u, nil }, nil).address()
		require.Equal(t, ok, err == nil, u)
		if err != nil {
			require.NotContains(t, err.Error(), "secret")
		}
	}
	err := NewWebhook("anna", func() (string, error) { return "", errors.New("read secret: gone") }, nil).Send(t.Context(), letterMessage)
	require.ErrorContains(t, err, "gone")
}

// contextFor gives a try its time: a moment where the server never answers.
func contextFor(t *testing.T, name string) (context.Context, context.CancelFunc) {
	if strings.Contains(name, "never answers") {
		return context.WithTimeout(t.Context(), 300*time.Millisecond)
	}
	return context.WithTimeout(t.Context(), 30*time.Second)
}
