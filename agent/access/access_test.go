package access

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const words = "stone clay water"

// watchClock is a clock a test moves.
type watchClock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *watchClock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }
func (c *watchClock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

func open(t *testing.T) (*Store, *watchClock) {
	t.Helper()
	c := &watchClock{t: time.Date(2026, 7, 14, 5, 0, 0, 0, time.UTC)}
	s, err := Open(filepath.Join(t.TempDir(), "users.json"), true, c.now)
	require.NoError(t, err)
	return s, c
}

func with(c *http.Cookie) *http.Request {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	if c != nil {
		r.AddCookie(c)
	}
	return r
}

// TestHashOfTheReference: hashes made by the reference implementation.
// source: P-H-C/phc-winner-argon2, src/test.c, the Argon2id vectors of version 19 (from memory;
// that they verify and their neighbours do not is the check).
func TestHashOfTheReference(t *testing.T) {
	rows := []struct {
		name, password, phc string
		good                bool
	}{
		{"m=2^16 t=2 p=1", "password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc", true},
		{"m=2^8 t=2 p=1", "password", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", true},
		{"m=2^8 t=2 p=2", "password", "$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc", true},
		{"another password", "differentpassword", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", false},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			ok, err := verifyPassword(row.password, row.phc)
			require.NoError(t, err)
			require.Equal(t, row.good, ok)
		})
	}
}

func TestHashIsSaltedAndReadsBack(t *testing.T) {
	a, b := hashPassword(words), hashPassword(words)
	require.NotEqual(t, a, b)
	for _, h := range []string{a, b} {
		ok, err := verifyPassword(words, h)
		require.NoError(t, err)
		require.True(t, ok)
	}
}

// TestHashRefused: what cannot be read, or would cost more than a small machine has.
func TestHashRefused(t *testing.T) {
	for _, phc := range []string{
		"", "plain", "$argon2i$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=16$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=4194304,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=0,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$", "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$!!", "$argon2id$v=19$m=256$c29tZXNhbHQ$nf65EOgL",
	} {
		_, err := verifyPassword("password", phc)
		require.ErrorIs(t, err, errHash, phc)
	}
}

func TestNamesAndPasswords(t *testing.T) {
	s, _ := open(t)
	rows := []struct{ name, user, password, says string }{
		{"no name", "", words, "a name is"},
		{"line break in a name", "ann\nroot", words, "a name is"},
		{"markup", "<b>", words, "a name is"},
		{"short password", "ann", "1234567", "7 characters"},
		{"one letter of two bytes", "ann", "ääääääää", "again and again"},
		{"one letter", "ann", "aaaaaaaaaaaa", "again and again"},
		{"too long", "ann", strings.Repeat("ab", 200), "longer"},
		{"not text", "ann", "abcdefg\xff\xfe", "not text"},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			err := s.Add(row.user, Keeper, row.password)
			var in *InputError
			require.ErrorAs(t, err, &in)
			require.Contains(t, in.Says, row.says)
		})
	}
	require.NoError(t, s.Add("Ann-Lee O.", Keeper, words))
	require.ErrorIs(t, s.Add("Ann-Lee O.", Reader, words), ErrExists)
	require.ErrorIs(t, s.SetPassword("bob", words), ErrUnknown)
	require.ErrorIs(t, s.Remove("bob"), ErrUnknown)
	var in *InputError
	require.ErrorAs(t, s.Add("bob", "boss", words), &in)
}

func TestLogInAndOut(t *testing.T) {
	s, c := open(t)
	require.NoError(t, s.Add("ann", Keeper, words))
	cookie, err := s.LogIn("ann", words, "10.0.0.1")
	require.NoError(t, err)
	require.True(t, cookie.HttpOnly && cookie.Secure)
	require.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	require.Equal(t, "__Host-ledger", cookie.Name)
	require.Equal(t, "/", cookie.Path)

	u, ok, err := s.Who(with(cookie))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, "ann", u.Name)
	require.Equal(t, Keeper, u.Role)

	forged := *cookie
	forged.Value += "x"
	for _, stranger := range []*http.Cookie{nil, &forged, {Name: cookie.Name}} {
		_, ok, err = s.Who(with(stranger))
		require.NoError(t, err)
		require.False(t, ok)
	}
	// Used once a week it lasts a month, to the second.
	for range 4 {
		c.add(SessionIdle - time.Second)
		_, ok, _ = s.Who(with(cookie))
		require.True(t, ok)
	}
	c.add(SessionFor - 4*(SessionIdle-time.Second) - time.Second)
	_, ok, _ = s.Who(with(cookie))
	require.True(t, ok)
	c.add(time.Second)
	_, ok, _ = s.Who(with(cookie))
	require.False(t, ok)

	cookie, err = s.LogIn("ann", words, "10.0.0.1")
	require.NoError(t, err)
	c.add(SessionIdle)
	_, ok, _ = s.Who(with(cookie))
	require.False(t, ok, "a week without a request")

	cookie, err = s.LogIn("ann", words, "10.0.0.1")
	require.NoError(t, err)
	gone := s.LogOut(with(cookie))
	require.Negative(t, gone.MaxAge)
	_, ok, _ = s.Who(with(cookie))
	require.False(t, ok)
}

// TestSessionsEndWithThePerson: in another process, too.
func TestSessionsEndWithThePerson(t *testing.T) {
	s, c := open(t)
	other, err := Open(s.path, true, c.now)
	require.NoError(t, err)
	for name, change := range map[string]func(*Store, string) error{
		"password": func(s *Store, name string) error { return s.SetPassword(name, words+"!") },
		"removed":  func(s *Store, name string) error { return s.Remove(name) },
	} {
		t.Run(name, func(t *testing.T) {
			require.NoError(t, s.Add(name, Keeper, words))
			cookie, err := s.LogIn(name, words, "10.0.0.1")
			require.NoError(t, err)
			_, ok, _ := s.Who(with(cookie))
			require.True(t, ok)
			require.NoError(t, change(other, name))
			_, ok, err = s.Who(with(cookie))
			require.NoError(t, err)
			require.False(t, ok)
		})
	}
}

func TestSessionsAreBounded(t *testing.T) {
	s, c := open(t)
	require.NoError(t, s.Add("ann", Keeper, words))
	hash := s.c.Users[0].Hash
	now := c.now()
	for i := range mostSessions {
		s.sessions[[32]byte{byte(i + 1)}] = &session{name: "ann", hash: hash, made: now.Add(time.Duration(i) * time.Second), seen: now}
	}
	_, err := s.LogIn("ann", words, "10.0.0.1")
	require.NoError(t, err)
	require.Len(t, s.sessions, mostSessions)
	require.NotContains(t, s.sessions, [32]byte{1}, "the oldest gives way")
}

// TestTriesAreSlowed: just before the end of a wait, and at it.
func TestTriesAreSlowed(t *testing.T) {
	s, c := open(t)
	require.NoError(t, s.Add("ann", Keeper, words))
	var wait *WaitError
	for range byPerson.free {
		_, err := s.LogIn("ann", "wrong words", "10.0.0.1")
		require.ErrorIs(t, err, ErrRefused)
	}
	_, err := s.LogIn("ann", words, "10.0.0.2")
	require.ErrorAs(t, err, &wait, "the right password waits, too, and from anywhere")
	require.Equal(t, time.Second, wait.For)
	c.add(time.Second - time.Nanosecond)
	_, err = s.LogIn("ann", words, "10.0.0.2")
	require.ErrorAs(t, err, &wait)
	c.add(time.Nanosecond)
	_, err = s.LogIn("ann", words, "10.0.0.2")
	require.NoError(t, err)
	_, err = s.LogIn("ann", "wrong words", "10.0.0.1")
	require.ErrorIs(t, err, ErrRefused, "a log-in that worked starts the count afresh")
}

func TestNobodyIsLockedOutForLong(t *testing.T) {
	var l limiter
	l.init()
	now := time.Date(2026, 7, 14, 5, 0, 0, 0, time.UTC)
	for range 100 {
		l.failed("name ann", now, byPerson)
		l.failed("address x", now, byAddress)
	}
	require.Equal(t, time.Minute, l.wait("name ann", now))
	require.Equal(t, 15*time.Minute, l.wait("address x", now))
	require.Zero(t, l.wait("address y", now))
	l.failed("name ann", now.Add(forget), byPerson)
	require.Zero(t, l.wait("name ann", now.Add(forget)), "a day later the count starts afresh")
	for i := range mostKeys + 50 {
		l.failed(fmt.Sprint("address ", i), now.Add(time.Duration(i)*time.Second), byAddress)
	}
	require.LessOrEqual(t, len(l.keys), mostKeys)
	require.Contains(t, l.keys, fmt.Sprint("address ", mostKeys+49))
}

func TestTryingNamesIsSlowed(t *testing.T) {
	s, _ := open(t)
	var err error
	for i := range byAddress.free + 1 {
		_, err = s.LogIn(fmt.Sprint("name", i), words, "10.0.0.1")
	}
	var wait *WaitError
	require.ErrorAs(t, err, &wait)
	require.ErrorAs(t, s.Redeem("x", "bob", words, "10.0.0.1"), &wait)
}

// Who owns a network of IPv6 has no more tries than who has one address, and a name that nobody can
// have is not kept at its length.
func TestTriesAreCountedByWhoCanMakeThem(t *testing.T) {
	s, _ := open(t)
	var err error
	for i := range byAddress.free + 1 {
		_, err = s.LogIn(fmt.Sprint("name", i), words, fmt.Sprintf("2001:db8:0:1::%x", i+1))
	}
	var wait *WaitError
	require.ErrorAs(t, err, &wait)
	_, err = s.LogIn("ann", words, "2001:db8:0:2::1")
	require.ErrorIs(t, err, ErrRefused, "another network")
	_, err = s.LogIn(strings.Repeat("x", 10000), words, "10.0.0.1")
	require.ErrorIs(t, err, ErrRefused)
	for key := range s.tries.keys {
		require.Less(t, len(key), 100)
	}
}

// What `sudo bayledger user` writes in the service's folder is the service's to read and to write.
func TestRootKeepsTheServiceFromNothing(t *testing.T) {
	s, _ := open(t)
	want := os.Geteuid()
	if want == 0 {
		want = 65534
		require.NoError(t, os.Chown(filepath.Dir(s.path), want, want))
	}
	for range 2 { // the second goes by the file's owner
		_, err := s.Invite(Keeper)
		require.NoError(t, err)
		for _, name := range []string{s.path, s.path + ".lock"} {
			info, err := os.Stat(name)
			require.NoError(t, err)
			require.EqualValues(t, want, info.Sys().(*syscall.Stat_t).Uid, name)
			require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		}
	}
}

// Whoever may write in the folder could name somebody else's file as the lock, to be given it by root. A link
// is refused, and a file with a second name keeps its owner.
func TestRootGivesAwayNothingButItsOwn(t *testing.T) {
	for name, link := range map[string]func(old, new string) error{"symbolic": os.Symlink, "hard": os.Link} {
		t.Run(name, func(t *testing.T) {
			s, _ := open(t)
			other := filepath.Join(t.TempDir(), "other")
			require.NoError(t, os.WriteFile(other, nil, 0o600))
			require.NoError(t, os.RemoveAll(s.path+".lock"))
			require.NoError(t, link(other, s.path+".lock"))
			if os.Geteuid() == 0 {
				require.NoError(t, os.Chown(filepath.Dir(s.path), 65534, 65534))
			}
			_, err := s.Invite(Keeper)
			require.Equal(t, name == "symbolic", errors.Is(err, syscall.ELOOP), "%v", err)
			info, err := os.Stat(other)
			require.NoError(t, err)
			require.EqualValues(t, os.Geteuid(), info.Sys().(*syscall.Stat_t).Uid)
		})
	}
}

func TestInvitation(t *testing.T) {
	s, c := open(t)
	token, err := s.Invite(Keeper)
	require.NoError(t, err)
	require.NotEmpty(t, token)
	require.ErrorIs(t, s.Redeem(token+"x", "ann", words, "a"), ErrToken)
	var in *InputError
	require.ErrorAs(t, s.Redeem(token, "ann", "short", "a"), &in, "a bad password does not use it up")
	require.NoError(t, s.Redeem(token, "ann", words, "a"))
	require.ErrorIs(t, s.Redeem(token, "bob", words, "a"), ErrToken, "it works once")
	_, err = s.LogIn("ann", words, "a")
	require.NoError(t, err)

	token, err = s.Invite(Reader)
	require.NoError(t, err)
	c.add(InviteFor - time.Nanosecond)
	require.NoError(t, s.Redeem(token, "rob", words, "a"))
	token, err = s.Invite(Reader)
	require.NoError(t, err)
	c.add(InviteFor)
	require.ErrorIs(t, s.Redeem(token, "sue", words, "a"), ErrToken)
	users, err := s.Users()
	require.NoError(t, err)
	require.Len(t, users, 2)
	require.Equal(t, Reader, users[1].Role)
}

// TestInvitationOnceForTwo: two people with one token at the same moment.
func TestInvitationOnceForTwo(t *testing.T) {
	s, _ := open(t)
	token, err := s.Invite(Keeper)
	require.NoError(t, err)
	errs := make([]error, 4)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = s.Redeem(token, fmt.Sprint("ann", i), words, "a") })
	}
	wg.Wait()
	good := 0
	for _, err := range errs {
		if err == nil {
			good++
		} else {
			require.ErrorIs(t, err, ErrToken)
		}
	}
	require.Equal(t, 1, good)
}

func TestBearer(t *testing.T) {
	s, _ := open(t)
	token, err := s.AddToken("prometheus")
	require.NoError(t, err)
	r := with(nil)
	r.Header.Set("Authorization", "Bearer "+token)
	u, ok, err := s.Who(r)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, Reader, u.Role)
	require.True(t, u.Token)
	for _, wrong := range []string{"", "x", token + "x"} {
		r.Header.Set("Authorization", "Bearer "+wrong)
		_, ok, _ = s.Who(r)
		require.False(t, ok)
	}
	_, err = s.LogIn("prometheus", token, "a")
	require.ErrorIs(t, err, ErrRefused, "a program cannot log in")
	require.ErrorIs(t, s.SetPassword("prometheus", words), ErrUnknown)
}

func TestLink(t *testing.T) {
	s, c := open(t)
	until := c.now().Add(12 * time.Hour)
	text, err := s.Sign(Link{Alarm: "millbrook/A3/valve-stuck-open//2026-07-14T01:40:00.000Z", Who: "ann", Until: until})
	require.NoError(t, err)
	require.Regexp(t, `^[A-Za-z0-9_.-]+$`, text)
	l, err := s.Verify(text)
	require.NoError(t, err)
	require.Equal(t, Link{Alarm: "millbrook/A3/valve-stuck-open//2026-07-14T01:40:00.000Z", Who: "ann", Until: until}, l)
	short, err := s.Sign(Link{Alarm: "417", Who: "ann", Until: until})
	require.NoError(t, err)
	require.Less(t, len(short), 50, "it has to fit into a text message")
	_, err = s.Sign(Link{Alarm: "417", Who: "ann\nbob", Until: until})
	require.Error(t, err)
	c.add(12*time.Hour - time.Nanosecond)
	_, err = s.Verify(text)
	require.NoError(t, err)
	c.add(time.Nanosecond)
	_, err = s.Verify(text)
	require.ErrorIs(t, err, ErrLink)

	c.add(-time.Hour)
	for i := range text { // no single character can be changed
		b := []byte(text)
		b[i] ^= 1
		_, err = s.Verify(string(b))
		require.ErrorIs(t, err, ErrLink, "character %d", i)
	}
	for _, bad := range []string{"", ".", text[:len(text)-1], text + "A", strings.Repeat("a", 4000) + ".b"} {
		_, err = s.Verify(bad)
		require.ErrorIs(t, err, ErrLink)
	}
	other, _ := open(t)
	_, err = other.Verify(text)
	require.ErrorIs(t, err, ErrLink, "another club's key")
}

func FuzzVerify(f *testing.F) {
	c := &watchClock{t: time.Date(2026, 7, 14, 5, 0, 0, 0, time.UTC)}
	s, err := Open(filepath.Join(f.TempDir(), "users.json"), true, c.now)
	require.NoError(f, err)
	good, err := s.Sign(Link{Alarm: "a", Who: "ann", Until: c.t.Add(time.Hour)})
	require.NoError(f, err)
	f.Add(good)
	f.Add("e30.e30")
	f.Fuzz(func(t *testing.T, text string) {
		if _, err := s.Verify(text); err == nil && text != good {
			t.Fatalf("%q was accepted", text)
		}
	})
}

func TestFile(t *testing.T) {
	s, c := open(t)
	require.NoError(t, s.Add("ann", Keeper, words))
	info, err := os.Stat(s.path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	text, err := os.ReadFile(s.path)
	require.NoError(t, err)
	require.NotContains(t, string(text), words)
	left, err := filepath.Glob(s.path + ".*")
	require.NoError(t, err)
	require.Equal(t, []string{s.path + ".lock"}, left, "no temporary file is left")

	again, err := Open(s.path, false, c.now)
	require.NoError(t, err)
	cookie, err := again.LogIn("ann", words, "a")
	require.NoError(t, err)
	require.False(t, cookie.Secure)
	require.Equal(t, "ledger", cookie.Name)

	require.NoError(t, os.Chmod(s.path, 0o640))
	_, err = Open(s.path, true, c.now)
	require.ErrorContains(t, err, "chmod 600")
	require.NoError(t, os.WriteFile(s.path, []byte("{"), 0o600))
	require.NoError(t, os.Chmod(s.path, 0o600))
	_, err = Open(s.path, true, c.now)
	require.Error(t, err)
	_, err = s.Users()
	require.Error(t, err, "a file that was spoilt lets nobody in")
	require.NoError(t, os.WriteFile(s.path, []byte(`{"v":9}`), 0o600))
	_, err = Open(s.path, true, c.now)
	require.ErrorContains(t, err, "version 9")
	_, err = Open(filepath.Join(t.TempDir(), "none", "users.json"), true, c.now)
	require.Error(t, err)
}

// TestTwoProcesses: two stores on one file lose nothing of each other.
func TestTwoProcesses(t *testing.T) {
	a, c := open(t)
	b, err := Open(a.path, true, c.now)
	require.NoError(t, err)
	var wg sync.WaitGroup
	errs := make([]error, 12)
	for i := range errs {
		wg.Go(func() { _, errs[i] = []*Store{a, b}[i%2].AddToken(fmt.Sprint("program", i)) })
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	users, err := a.Users()
	require.NoError(t, err)
	require.Len(t, users, len(errs))
}
