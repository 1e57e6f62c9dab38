package access

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"strconv"
	"strings"
	"time"
)

// Link is what a signed link allows: one answer to one alarm, by the person it was sent to, until
// its end. It needs no log-in, so it travels only to that person.
//
// Its text is short enough for a text message: alarm, person and end, one to a line, and the
// first half of their HMAC-SHA256 (RFC 2104, 5: not less than half of the hash).
type Link struct {
	// Alarm is its id, or the number of an event that told it. Neither field holds a line break.
	Alarm, Who string
	// Until counts in whole seconds.
	Until time.Time
}

// ErrLink is returned for a link that was changed, cut, or has run out.
var ErrLink = errors.New("this link is not valid, or no longer")

// mostLink bounds what is decoded.
const mostLink = 1024

// Sign returns the text of a link, made of letters, digits, - _ and one dot.
func (s *Store) Sign(l Link) (string, error) {
	if strings.Contains(l.Alarm+l.Who, "\n") {
		return "", errors.New("access: link: a line break in the name of an alarm or a person")
	}
	body := []byte(l.Alarm + "\n" + l.Who + "\n" + strconv.FormatInt(l.Until.Unix(), 36))
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.refresh(); err != nil {
		return "", err
	}
	return encode(body) + "." + encode(seal(s.c.Key, body)), nil
}

// Verify returns what a link allows. ErrLink means that it allows nothing.
func (s *Store) Verify(text string) (Link, error) {
	payload, mac, ok := strings.Cut(text, ".")
	if !ok || len(text) > mostLink {
		return Link{}, ErrLink
	}
	body, err1 := base64.RawURLEncoding.Strict().DecodeString(payload)
	sum, err2 := base64.RawURLEncoding.Strict().DecodeString(mac)
	if err1 != nil || err2 != nil {
		return Link{}, ErrLink
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.refresh(); err != nil {
		return Link{}, err
	}
	if !hmac.Equal(sum, seal(s.c.Key, body)) {
		return Link{}, ErrLink
	}
	part := strings.Split(string(body), "\n")
	if len(part) != 3 {
		return Link{}, ErrLink
	}
	until, err := strconv.ParseInt(part[2], 36, 64)
	if err != nil || !s.now().Before(time.Unix(until, 0)) {
		return Link{}, ErrLink
	}
	return Link{Alarm: part[0], Who: part[1], Until: time.Unix(until, 0).UTC()}, nil
}

// seal is the first half of the HMAC-SHA256 of a link's body. The prefix keeps it apart from other uses of the key.
func seal(key, body []byte) []byte {
	m := hmac.New(sha256.New, key)
	m.Write([]byte("bayledger link 2\n"))
	m.Write(body)
	return m.Sum(nil)[:sha256.Size/2]
}
