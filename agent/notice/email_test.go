package notice

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net/mail"
	"os"
	"path/filepath"
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
		readsRight(t, s.Letters()[0])
	}
}

// readsRight reads letterMessage back with the standard library's reader.
func readsRight(t *testing.T, letter string) {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(letter))
	require.NoError(t, err)
	require.Empty(t, m.Header.Get("Bcc"), "a line break in the text became a header")
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	require.NoError(t, err)
	require.Equal(t, "URGENT Riedhof: 450 ± 20 L  Bcc: evil@example.org", subject)
	require.Equal(t, "<k1@example.org>", m.Header.Get("Message-Id"))
	require.Equal(t, "auto-generated", m.Header.Get("Auto-Submitted"))
	require.Empty(t, m.Header.Get("User-Agent"))
	require.Empty(t, m.Header.Get("X-Mailer"))
	at, err := m.Header.Date()
	require.NoError(t, err)
	require.True(t, at.Equal(night))
	body, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	require.NoError(t, err)
	lines := func(text string) string { return strings.TrimRight(strings.ReplaceAll(text, "\r\n", "\n"), "\n") }
	require.Equal(t, lines(letterMessage.Short+"\n\n"+letterMessage.Long), lines(string(body)))
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
		{"untrusted certificate after STARTTLS", servertest.MailOptions{StartTLS: true}, func(e *Email) { e.CAFile = "" }, "certificate"},
		{"certificate of another name", servertest.MailOptions{}, func(e *Email) { e.Server = strings.Replace(e.Server, "127.0.0.1", "localhost.localdomain", 1) }, "localhost.localdomain"},
		{"STARTTLS refused", servertest.MailOptions{StartTLS: true, Refuse: "STARTTLS"}, nil, "550"},
		{"STARTTLS taken out of the greeting", servertest.MailOptions{StartTLS: true, Stripped: true}, nil, "does not support STARTTLS"},
		{"wrong password", servertest.MailOptions{}, func(e *Email) { e.Password = func() (string, error) { return "wrong", nil } }, "SMTP AUTH failed: 535"},
		{"no password to be had", servertest.MailOptions{}, func(e *Email) { e.Password = func() (string, error) { return "", errors.New("read secret: gone") } }, "gone"},
		{"sender refused", servertest.MailOptions{Refuse: "MAIL"}, nil, "MAIL FROM"},
		{"nobody taken", servertest.MailOptions{}, func(e *Email) { e.To = "nobody@example.org" }, "no such box"},
		{"letter refused", servertest.MailOptions{Refuse: "DATA"}, nil, "DATA"},
		{"no authority's file", servertest.MailOptions{}, func(e *Email) { e.CAFile = "/nowhere" }, "authority"},
		{"silent from the first", servertest.MailOptions{Silent: "CONNECT"}, nil, "did not answer in time"},
		{"silent after the greeting", servertest.MailOptions{Silent: "EHLO"}, nil, "did not answer in time"},
		{"silent at the log-in", servertest.MailOptions{Silent: "AUTH"}, nil, "did not answer in time"},
		{"silent at the letter", servertest.MailOptions{Silent: "DATA"}, nil, "did not answer in time"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			s := servertest.Mail(t, row.mail)
			e := email(s, row.mail.StartTLS)
			e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
			if row.set != nil {
				row.set(e)
			}
			patience := 30 * time.Second
			if row.mail.Silent != "" {
				patience = 300 * time.Millisecond
			}
			ctx, cancel := context.WithTimeout(t.Context(), patience)
			defer cancel()
			err := e.Send(ctx, letterMessage)
			require.ErrorContains(t, err, row.says)
			require.NotContains(t, err.Error(), "right")
			require.Empty(t, s.Letters())
			require.NotContains(t, strings.Join(s.Clear(), "\n"), "AUTH")
			if row.mail.Refuse != "DATA" && row.mail.Silent != "DATA" { // Probe sends no letter
				again, cancel := context.WithTimeout(t.Context(), patience)
				defer cancel()
				require.Error(t, e.Probe(again))
			}
		})
	}
	down := &Email{Server: "127.0.0.1:1", From: "a@b.c", To: "a@b.c"}
	require.Error(t, down.Send(t.Context(), letterMessage))
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

// TestEmailOnce: what the server has taken is sent once, whatever it says afterwards; what it has
// not said yes to is sent again under the same Message-ID.
func TestEmailOnce(t *testing.T) {
	s := servertest.Mail(t, servertest.MailOptions{Refuse: "RSET"})
	require.NoError(t, email(s, false).Send(t.Context(), letterMessage))
	require.Len(t, s.Letters(), 1)
	s = servertest.Mail(t, servertest.MailOptions{Refuse: "QUIT"})
	require.NoError(t, email(s, false).Send(t.Context(), letterMessage))

	s = servertest.Mail(t, servertest.MailOptions{HangUp: true})
	for range 2 {
		require.Error(t, email(s, false).Send(t.Context(), letterMessage))
	}
	require.Len(t, s.Letters(), 2)
	for _, letter := range s.Letters() {
		require.Contains(t, letter, "Message-ID: <k1@example.org>")
	}
}

// TestEmailLetsGo: a server that was reached and then refused, or fell silent, is hung up on; the
// library by itself would leave the connection open at every try of a night.
func TestEmailLetsGo(t *testing.T) {
	for _, o := range []servertest.MailOptions{{}, {Refuse: "AUTH"}, {Refuse: "MAIL"}, {Silent: "EHLO"}, {Silent: "AUTH"}, {StartTLS: true, Stripped: true}} {
		s := servertest.Mail(t, o)
		e := email(s, o.StartTLS)
		e.Username, e.Password = "watch", func() (string, error) { return "right", nil }
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		if o.Silent != "" {
			cancel()
			ctx, cancel = context.WithTimeout(t.Context(), 300*time.Millisecond)
		}
		for range 3 {
			_ = e.Send(ctx, letterMessage) // how it went is told above
		}
		cancel()
		require.Eventually(t, func() bool { return s.Open() == 0 }, 10*time.Second, 5*time.Millisecond, "%+v", o)
	}
}

// peer is an independent mail server (aiosmtpd, of Debian): one user, both ways of TLS, the log-ins
// it is told to offer; every letter it takes goes into a folder.
const peer = `
import os, ssl, sys, time
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword
port, cert, key, way, hide, folder = sys.argv[1:]
class Box:
    n = 0
    async def handle_DATA(self, server, session, envelope):
        Box.n += 1
        with open("%s/%d.part" % (folder, Box.n), "wb") as f:
            f.write(("%s %s\r\n" % (envelope.mail_from, ",".join(envelope.rcpt_tos))).encode() + envelope.content)
        os.rename("%s/%d.part" % (folder, Box.n), "%s/%d" % (folder, Box.n))
        return "250 taken"
def who(server, session, envelope, mechanism, data):
    return AuthResult(success=isinstance(data, LoginPassword) and data.login == b"watch" and data.password == b"right", handled=False)
tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
tls.load_cert_chain(cert, key)
class Front(Controller):
    def factory(self):
        return SMTP(self.handler, hostname="mail", authenticator=who, auth_required=True, auth_exclude_mechanism=[hide],
                    tls_context=tls if way == "starttls" else None, require_starttls=way == "starttls", auth_require_tls=way == "starttls")
front = Front(Box(), hostname="127.0.0.1", port=int(port), ssl_context=tls if way == "tls" else None, server_hostname="localhost")
front.start()
while True:
    time.sleep(3600)
`

// TestEndToEndMail sends to a mail server that is not ours.
func TestEndToEndMail(t *testing.T) {
	for _, row := range []struct {
		name, way, hide string
	}{
		{"TLS from the first byte, PLAIN", "tls", "LOGIN"},
		{"STARTTLS, PLAIN", "starttls", "LOGIN"},
		{"STARTTLS, LOGIN", "starttls", "PLAIN"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			certs, folder, port := servertest.NewCertificates(t), t.TempDir(), servertest.FreePorts(t, 1)[0]
			address := fmt.Sprintf("127.0.0.1:%d", port)
			server := servertest.Command(t, servertest.Accepts(address), nil, "/usr/bin/python3", "-c", peer, fmt.Sprint(port), certs.CertFile, certs.KeyFile, row.way, row.hide, folder)
			password := "wrong"
			e := &Email{Server: address, StartTLS: row.way == "starttls", From: "Watch <watch@example.org>", To: "keeper@example.org", CAFile: certs.CAFile,
				Username: "watch", Password: func() (string, error) { return password, nil }}
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			require.ErrorContains(t, e.Send(ctx, letterMessage), "535", server.Log())
			password = "right"
			require.NoError(t, e.Probe(ctx), server.Log())
			require.NoError(t, e.Send(ctx, letterMessage), server.Log())
			taken, err := os.ReadDir(folder)
			require.NoError(t, err)
			require.Len(t, taken, 1, "the refused and the probe left none")
			letter, err := os.ReadFile(filepath.Join(folder, "1"))
			require.NoError(t, err)
			envelope, rest, _ := strings.Cut(string(letter), "\r\n")
			require.Equal(t, "watch@example.org keeper@example.org", envelope)
			readsRight(t, rest)
		})
	}
}
