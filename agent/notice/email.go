package notice

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"strings"

	"github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"

	"bayledger/agent/certs"
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
	if _, err := netmail.ParseAddress(e.From); err != nil {
		p.Add("from", `write for example "watch@example.org"`, "%q is not an e-mail address", e.From)
	}
	if _, err := netmail.ParseAddress(e.To); err != nil {
		p.Add("to", `write for example "keeper@example.org"`, "%q is not an e-mail address", e.To)
	}
	if e.Username == "" && e.Password != nil {
		p.Add("username", "give the username too", "there is a password but no username")
	}
	return p
}

// Name implements Route.
func (e *Email) Name() string { return "e-mail to " + bare(e.To) + " by " + e.Server }

// logIns are the ways to log in, best first; the line is encrypted before any of them.
var logIns = []mail.SMTPAuthType{mail.SMTPAuthPlain, mail.SMTPAuthLogin, mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthCramMD5}

// session is a connection on which the server has been greeted, TLS is up and the log-in done.
type session struct {
	client *mail.Client
	smtp   *smtp.Client
	end    func()
}

// open connects and logs in. What it returns must be ended.
func (e *Email) open(ctx context.Context) (s session, err error) {
	host, _, err := net.SplitHostPort(e.Server)
	if err != nil {
		return s, err
	}
	config, err := certs.Client(host, e.CAFile, "", "")
	if err != nil {
		return s, err
	}
	// The library leaves the connection open when greeting or log-in fail, and once connected it
	// knows no context: the connection is kept here and closed by whichever comes first.
	var conn net.Conn
	var forget func() bool
	s.end = func() {
		if conn != nil {
			forget()
			_ = conn.Close() // a message that was taken over is theirs already
		}
	}
	dial := func(ctxDial context.Context, network, _ string) (net.Conn, error) {
		raw, err := new(net.Dialer).DialContext(ctxDial, network, e.Server)
		if err != nil {
			return nil, err
		}
		conn, forget = raw, context.AfterFunc(ctx, func() { _ = raw.Close() })
		if e.StartTLS {
			return raw, nil
		}
		t := tls.Client(raw, config)
		return t, t.HandshakeContext(ctxDial)
	}
	policy := mail.TLSMandatory // a line in the clear is not used
	if !e.StartTLS {
		policy = mail.NoTLS // it is up from the first byte
	}
	// A machine's own name is nobody's business, and a failed RSET would make a letter that was
	// taken look as if it had not been.
	options := []mail.Option{mail.WithHELO("localhost"), mail.WithDialContextFunc(dial), mail.WithTLSPolicy(policy),
		mail.WithTLSConfig(config), mail.WithTimeout(sendWithin), mail.WithoutRset(), mail.WithoutNoop()}
	if e.Username != "" {
		password := ""
		if e.Password != nil {
			if password, err = e.Password(); err != nil {
				return s, err
			}
		}
		options = append(options, mail.WithOpportunisticSMTPAuth(logIns...), mail.WithUsername(e.Username), mail.WithPassword(password))
	}
	if s.client, err = mail.NewClient(host, options...); err != nil {
		return s, err
	}
	if s.smtp, err = s.client.DialToSMTPClientWithContext(ctx); err != nil {
		s.end()
		return s, inTime(ctx, err)
	}
	return s, nil
}

// inTime says that time was up where the error only says that the connection was closed for it.
func inTime(ctx context.Context, err error) error {
	if why := ctx.Err(); why != nil {
		return fmt.Errorf("the mail server did not answer in time: %w", why)
	}
	return err
}

// Probe goes as far as naming the receiver and sends nothing.
func (e *Email) Probe(ctx context.Context) error {
	s, err := e.open(ctx)
	if err != nil {
		return err
	}
	defer s.end()
	if err := s.smtp.Mail(bare(e.From)); err != nil {
		return fmt.Errorf("sender refused: %w", err)
	}
	if err := s.smtp.Rcpt(bare(e.To)); err != nil {
		return fmt.Errorf("%s refused: %w", bare(e.To), err)
	}
	if err := s.smtp.Reset(); err != nil {
		return fmt.Errorf("give up the message again: %w", err)
	}
	_ = s.smtp.Quit() // nothing hangs on it
	return nil
}

// Send implements Route.
func (e *Email) Send(ctx context.Context, m Message) error {
	letter, err := e.letter(m)
	if err != nil {
		return err
	}
	s, err := e.open(ctx)
	if err != nil {
		return err
	}
	defer s.end()
	if err := s.client.SendWithSMTPClient(s.smtp, letter); err != nil {
		return inTime(ctx, err)
	}
	_ = s.smtp.Quit() // the message is theirs already
	return nil
}

func bare(address string) string {
	a, err := netmail.ParseAddress(address)
	if err != nil {
		return address
	}
	return a.Address
}

// letter is the message after RFC 5322, in UTF-8.
func (e *Email) letter(m Message) (*mail.Msg, error) {
	l := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := errors.Join(l.From(e.From), l.To(e.To)); err != nil {
		return nil, err
	}
	_, domain, _ := strings.Cut(bare(e.From), "@")
	l.Subject(strings.NewReplacer("\r", " ", "\n", " ").Replace(m.Short))
	l.SetDateWithValue(m.Time)
	l.SetMessageIDWithValue(m.Key + "@" + domain)
	l.SetGenHeader("Auto-Submitted", "auto-generated") // keeps absence notes from answering (RFC 3834)
	l.SetBodyString(mail.TypeTextPlain, m.Short+"\n\n"+m.Long)
	return l, nil
}
