package access

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Link is what a signed link allows: one answer to one alarm, by the person it was sent to, until
// its end. It needs no log-in, so it travels only to that person.
type Link struct {
	Alarm string    `json:"a"`
	Who   string    `json:"w"`
	Until time.Time `json:"u"`
}

// ErrLink is returned for a link that was changed, cut, or has run out.
var ErrLink = errors.New("this link is not valid, or no longer")

// mostLink bounds what is decoded.
const mostLink = 1024

// Sign returns the text of a link, made of letters, digits, - _ and one dot.
func (s *Store) Sign(l Link) (string, error) {
	l.Until = l.Until.UTC().Truncate(time.Second)
	body, err := json.Marshal(l)
	if err != nil {
		return "", fmt.Errorf("access: link: %w", err)
	}
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
	var l Link
	if err := json.Unmarshal(body, &l); err != nil || !s.now().Before(l.Until) {
		return Link{}, ErrLink
	}
	return l, nil
}

// seal is the HMAC-SHA256 of a link's body. The prefix keeps it apart from other uses of the key.
func seal(key, body []byte) []byte {
	m := hmac.New(sha256.New, key)
	m.Write([]byte("bayledger link 1\n"))
	m.Write(body)
	return m.Sum(nil)
}
