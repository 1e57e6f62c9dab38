package servertest

import (
	"bufio"
	"crypto/tls"
	"encoding/base64"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
)

// MailOptions shape a mail server. The zero value speaks TLS from the first byte and takes
// everything.
type MailOptions struct {
	// StartTLS offers STARTTLS on a plain line; Stripped leaves the offer out, as somebody in
	// between would.
	StartTLS, Stripped bool
	// Refuse is a verb answered with 550. Silent is a verb never answered, or CONNECT. HangUp takes
	// the letter and hangs up before it says so.
	Refuse, Silent string
	HangUp         bool
}

// MailServer is an SMTP server after RFC 5321 that keeps what it takes. Its one password is
// "right", and it has no box for nobody@.
type MailServer struct {
	// Addr is host:port, CAFile the authority of its certificate.
	Addr, CAFile string

	o      MailOptions
	config *tls.Config

	mu      sync.Mutex
	down    bool
	letters []string
	auth    []string
	rcpt    []string
	clear   []string
	open    int
	wg      sync.WaitGroup
}

// Mail starts a mail server that ends with the test.
func Mail(t testing.TB, o MailOptions) *MailServer {
	t.Helper()
	certs := NewCertificates(t)
	pair, err := tls.LoadX509KeyPair(certs.CertFile, certs.KeyFile)
	if err != nil {
		t.Fatalf("servertest: mail: %v", err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatalf("servertest: mail: %v", err)
	}
	s := &MailServer{Addr: l.Addr().String(), CAFile: certs.CAFile, o: o,
		config: &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}}
	s.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s.wg.Go(func() { s.serve(c) })
		}
	})
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Errorf("servertest: mail: %v", err)
		}
		s.wg.Wait()
	})
	return s
}

// Down makes the server hang up on everybody, or take mail again.
func (s *MailServer) Down(down bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.down = down
}

// Letters are the letters taken so far, as they came.
func (s *MailServer) Letters() []string { return s.copy(&s.letters) }

// Auth are the answers to AUTH PLAIN, decoded.
func (s *MailServer) Auth() []string { return s.copy(&s.auth) }

// Recipients are the RCPT lines that were taken.
func (s *MailServer) Recipients() []string { return s.copy(&s.rcpt) }

// Clear are the lines that came before TLS.
func (s *MailServer) Clear() []string { return s.copy(&s.clear) }

func (s *MailServer) copy(of *[]string) []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), *of...)
}

func (s *MailServer) note(in *[]string, line string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	*in = append(*in, line)
}

// Open is how many connections are open.
func (s *MailServer) Open() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.open
}

func (s *MailServer) serve(c net.Conn) {
	s.mu.Lock()
	down := s.down
	s.open++
	s.mu.Unlock()
	defer func() {
		_ = c.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		s.open--
	}()
	if down {
		return
	}
	secure := !s.o.StartTLS
	if secure {
		c = tls.Server(c, s.config)
	}
	if s.o.Silent == "CONNECT" {
		_, _ = io.Copy(io.Discard, c)
		return
	}
	in := bufio.NewReader(c)
	say := func(line string) { _, _ = io.WriteString(c, line+"\r\n") }
	say("220 mail")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		if !secure {
			s.note(&s.clear, line)
		}
		verb := strings.ToUpper(strings.SplitN(line, " ", 2)[0])
		switch {
		case s.o.Silent == verb:
			_, _ = io.Copy(io.Discard, in)
			return
		case s.o.Refuse != "" && verb == s.o.Refuse:
			say("550 not here")
		case verb == "EHLO" && !secure && s.o.Stripped:
			say("250-mail\r\n250 AUTH PLAIN LOGIN")
		case verb == "EHLO" && !secure:
			say("250-mail\r\n250 STARTTLS")
		case verb == "EHLO":
			say("250-mail\r\n250 AUTH PLAIN")
		case verb == "STARTTLS":
			say("220 go on")
			c = tls.Server(c, s.config)
			in, secure = bufio.NewReader(c), true
		case verb == "AUTH":
			plain, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(line, "AUTH PLAIN "))
			s.note(&s.auth, string(plain))
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
			s.note(&s.rcpt, line)
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
			s.note(&s.letters, letter.String())
			if s.o.HangUp {
				return
			}
			say("250 taken")
		case verb == "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}
