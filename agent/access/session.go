package access

import (
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"
)

const (
	// SessionFor is how long a session lasts at most, SessionIdle how long without a request:
	// a keeper who comes every morning logs in once a month.
	SessionFor  = 30 * 24 * time.Hour
	SessionIdle = 7 * 24 * time.Hour
	// mostSessions bounds the sessions of one person; the oldest gives way.
	mostSessions = 20
)

type session struct {
	name       string
	hash       string // the password it was opened with: a new one ends it
	made, seen time.Time
}

// cookieName has the prefix that makes browsers refuse the cookie from anywhere but this host
// over TLS, where there is TLS.
func (s *Store) cookieName() string {
	if s.secure {
		return "__Host-ledger"
	}
	return "ledger"
}

var (
	dummyOnce sync.Once
	dummyHash string
)

// LogIn checks name and password and opens a session; the cookie carries it. Wrong tries are
// slowed by name and by address: the error is then a *WaitError. ErrRefused takes as long for a
// name that does not exist.
func (s *Store) LogIn(name, password, address string) (*http.Cookie, error) {
	byName, byAddr := nameKey(name), addressKey(address)
	s.mu.Lock()
	if wait := max(s.tries.wait(byName, s.now()), s.tries.wait(byAddr, s.now())); wait > 0 {
		s.mu.Unlock()
		return nil, &WaitError{wait}
	}
	// Counted as failed before it is tried, so that tries side by side do not slip through.
	s.tries.failed(byName, s.now(), byPerson)
	s.tries.failed(byAddr, s.now(), byAddress)
	err := s.refresh()
	hash := ""
	if i := s.c.find(name); i >= 0 {
		hash = s.c.Users[i].Hash
	}
	s.mu.Unlock()
	if err != nil {
		return nil, err
	}

	s.hashing.Lock()
	known := hash != ""
	if !known {
		dummyOnce.Do(func() { dummyHash = hashPassword(rand.Text()) })
		hash = dummyHash
	}
	good, err := false, error(nil)
	if len(password) <= 4*PasswordMax {
		good, err = verifyPassword(password, hash)
	}
	s.hashing.Unlock()
	if err != nil {
		return nil, fmt.Errorf("access: user %s: %w", name, err)
	}
	if !known || !good {
		return nil, ErrRefused
	}

	token := rand.Text() + rand.Text()
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tries.passed(byName)
	s.tries.passed(byAddr)
	s.makeRoom(name, now)
	s.sessions[sha256.Sum256([]byte(token))] = &session{name: name, hash: hash, made: now, seen: now}
	return &http.Cookie{Name: s.cookieName(), Value: token, Path: "/", MaxAge: int(SessionFor.Seconds()), HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode}, nil
}

// makeRoom drops sessions that have ended, and the oldest of somebody who has too many. mu is
// held.
func (s *Store) makeRoom(name string, now time.Time) {
	var oldest [32]byte
	n := 0
	for k, x := range s.sessions {
		if x.over(now) {
			delete(s.sessions, k)
			continue
		}
		if x.name == name {
			if n == 0 || x.made.Before(s.sessions[oldest].made) {
				oldest = k
			}
			n++
		}
	}
	if n >= mostSessions {
		delete(s.sessions, oldest)
	}
}

func (x *session) over(now time.Time) bool {
	return now.Sub(x.made) >= SessionFor || now.Sub(x.seen) >= SessionIdle
}

// dropSessions ends the sessions of people who are gone or have another password. mu is held.
func (s *Store) dropSessions() {
	for k, x := range s.sessions {
		if i := s.c.find(x.name); i < 0 || s.c.Users[i].Hash != x.hash {
			delete(s.sessions, k)
		}
	}
}

// Who returns who makes a request: by the session's cookie, or a program by its bearer token.
// ok is false for a stranger.
func (s *Store) Who(r *http.Request) (u User, ok bool, err error) {
	if token, found := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); found {
		return s.bearer(token)
	}
	c, err := r.Cookie(s.cookieName())
	if errors.Is(err, http.ErrNoCookie) {
		return User{}, false, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.refresh(); err != nil {
		return User{}, false, err
	}
	x := s.sessions[sha256.Sum256([]byte(c.Value))]
	now := s.now()
	if x == nil || x.over(now) {
		return User{}, false, nil
	}
	x.seen = now
	i := s.c.find(x.name)
	return User{Name: x.name, Role: s.c.Users[i].Role, Made: s.c.Users[i].Made}, true, nil
}

func (s *Store) bearer(token string) (User, bool, error) {
	sum := sha256.Sum256([]byte(token))
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.refresh(); err != nil {
		return User{}, false, err
	}
	for _, u := range s.c.Users {
		// Comparing hashes of a 128-bit secret needs no constant time: what leaks is the hash.
		if u.Token != nil && string(u.Token) == string(sum[:]) {
			return User{Name: u.Name, Role: Reader, Made: u.Made, Token: true}, true, nil
		}
	}
	return User{}, false, nil
}

// LogOut ends the session of a request and returns the cookie that removes it.
func (s *Store) LogOut(r *http.Request) *http.Cookie {
	if c, err := r.Cookie(s.cookieName()); err == nil {
		s.mu.Lock()
		delete(s.sessions, sha256.Sum256([]byte(c.Value)))
		s.mu.Unlock()
	}
	return &http.Cookie{Name: s.cookieName(), Path: "/", MaxAge: -1, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteStrictMode}
}
