package access

import (
	"cmp"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sync"
	"syscall"
	"time"
)

// Role says what somebody may do.
type Role string

// The two roles: a reader sees, a keeper also answers alarms and puts things on record.
const (
	Reader Role = "reader"
	Keeper Role = "keeper"
)

// User is one person, or a program that reads.
type User struct {
	Name string
	Role Role
	Made time.Time
	// Token is true for a program that reads with a bearer token and cannot log in.
	Token bool
}

// Errors a caller branches on. Each is a sentence for people.
var (
	// ErrRefused does not say whether the name or the password was wrong.
	ErrRefused = errors.New("name and password do not belong together")
	ErrExists  = errors.New("there is somebody of that name already")
	ErrUnknown = errors.New("there is nobody of that name")
	ErrToken   = errors.New("this invitation is not valid: it was used, has run out, or was mistyped")
)

// InputError is a name or password that cannot be taken, in a sentence that says why.
type InputError struct{ Says string }

func (e *InputError) Error() string { return e.Says }

// WaitError says that log-ins under this name or from this address must wait.
type WaitError struct{ For time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong tries; wait %s", e.For.Round(time.Second))
}

// InviteFor is how long an invitation is good.
const InviteFor = 24 * time.Hour

// content is the file. Secrets in it are hashes, except the signing key.
type content struct {
	V       int      `json:"v"`
	Key     []byte   `json:"key"`
	Users   []stored `json:"users"`
	Invites []invite `json:"invites,omitempty"`
}

type stored struct {
	Name string    `json:"name"`
	Role Role      `json:"role"`
	Made time.Time `json:"made"`
	// Hash is an Argon2id PHC string, Token the SHA-256 of a bearer token: one of them is set.
	// A token has 128 random bits, so a fast hash is enough for it.
	Hash  string `json:"hash,omitempty"`
	Token []byte `json:"token,omitempty"`
}

type invite struct {
	Hash  []byte    `json:"hash"`
	Role  Role      `json:"role"`
	Until time.Time `json:"until"`
}

const contentVersion = 1

// Store keeps who may do what. It is safe for concurrent use, and several processes may use one
// file: each change is made under a lock on it.
type Store struct {
	path   string
	now    func() time.Time
	secure bool

	// mu guards what follows. It is not held while a password is hashed.
	mu       sync.Mutex
	c        content
	stamp    fileStamp
	sessions map[[32]byte]*session
	tries    limiter

	// hashing lets one password be hashed at a time, so that a flood of log-ins costs 19 MiB
	// and not the machine.
	hashing sync.Mutex
}

// fileStamp tells whether the file has changed.
type fileStamp struct {
	mod  time.Time
	size int64
	ino  uint64
}

// Open reads the file, or begins a new one when there is none. secure says that the page is
// served over TLS, so that the session's cookie goes nowhere else. now is the clock for ends
// and waits.
func Open(path string, secure bool, now func() time.Time) (*Store, error) {
	s := &Store{path: path, now: now, secure: secure, sessions: map[[32]byte]*session{}}
	s.tries.init()
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.refresh()
	if errors.Is(err, fs.ErrNotExist) {
		return s, s.change(func(*content) error { return nil })
	}
	return s, err
}

// refresh reads the file again when it has changed. mu is held.
func (s *Store) refresh() error {
	f, err := os.Open(s.path)
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		return fmt.Errorf("access: %s may be read by others (mode %#o): it holds the key of every link; run chmod 600 on it", s.path, mode)
	}
	stamp := fileStamp{info.ModTime(), info.Size(), inode(info)}
	if stamp == s.stamp {
		return nil
	}
	var c content
	d := json.NewDecoder(f)
	d.DisallowUnknownFields()
	if err := d.Decode(&c); err != nil {
		return fmt.Errorf("access: %s: %w", s.path, err)
	}
	if c.V != contentVersion {
		return fmt.Errorf("access: %s has version %d, this program writes %d", s.path, c.V, contentVersion)
	}
	s.c, s.stamp = c, stamp
	s.dropSessions()
	return nil
}

func inode(info fs.FileInfo) uint64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return st.Ino
	}
	return 0
}

// change carries out f on the newest content and writes the file durably: temporary file, sync,
// rename, sync of the folder. Another process waits meanwhile. mu is held.
func (s *Store) change(f func(*content) error) error {
	lock, err := os.OpenFile(s.path+".lock", os.O_CREATE|os.O_RDWR|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	defer lock.Close() // ends the lock, too
	if err := giveBack(lock, s.path); err != nil {
		return fmt.Errorf("access: %w", err)
	}
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil {
		return fmt.Errorf("access: lock %s: %w", lock.Name(), err)
	}
	if err := s.refresh(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	c := s.c
	c.V = contentVersion
	c.Users, c.Invites = slices.Clone(c.Users), slices.Clone(c.Invites)
	if len(c.Key) == 0 {
		c.Key = make([]byte, 32)
		rand.Read(c.Key)
	}
	if err := f(&c); err != nil {
		return err
	}
	now := s.now()
	c.Invites = slices.DeleteFunc(c.Invites, func(i invite) bool { return !now.Before(i.Until) })
	slices.SortFunc(c.Users, func(a, b stored) int { return cmp.Compare(a.Name, b.Name) })
	text, err := json.MarshalIndent(c, "", "\t")
	if err != nil {
		return fmt.Errorf("access: %w", err)
	}
	if err := writeFile(s.path, append(text, '\n')); err != nil {
		return fmt.Errorf("access: write %s: %w", s.path, err)
	}
	return s.refresh()
}

func writeFile(path string, text []byte) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, filepath.Base(path)+".*") // mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err = giveBack(f, path); err == nil {
		_, err = f.Write(text)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return nil // the file is there; a folder that cannot be opened cannot be synced
	}
	return errors.Join(d.Sync(), d.Close())
}

// giveBack gives a file root has made to the owner of the users file it stands for or beside, or,
// where that is root's too or is not there yet, of its folder: `sudo bayledger user invite` must not
// keep the service from its own users. A file with a second name is left alone: whoever may write
// in the folder may have put it there to be given what is not theirs.
func giveBack(f *os.File, path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	if info, err := f.Stat(); err != nil {
		return err
	} else if st, ok := info.Sys().(*syscall.Stat_t); !ok || !info.Mode().IsRegular() || st.Uid != 0 || st.Nlink != 1 {
		return nil
	}
	for _, name := range []string{path, filepath.Dir(path)} {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Uid != 0 {
			return f.Chown(int(st.Uid), int(st.Gid))
		}
	}
	return nil
}

var namePattern = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} ._@-]{0,39}$`)

// CheckName returns what is wrong with a person's name, or "".
func CheckName(name string) string {
	if !namePattern.MatchString(name) {
		return "a name is 1 to 40 letters, digits, spaces and . _ @ -, and starts with a letter or digit"
	}
	return ""
}

func checkRole(r Role) error {
	if r != Reader && r != Keeper {
		return &InputError{fmt.Sprintf("%q is not a role; use %s or %s", r, Reader, Keeper)}
	}
	return nil
}

// Users lists everybody in order of name.
func (s *Store) Users() ([]User, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.refresh(); err != nil {
		return nil, err
	}
	out := make([]User, len(s.c.Users))
	for i, u := range s.c.Users {
		out[i] = User{Name: u.Name, Role: u.Role, Made: u.Made, Token: u.Token != nil}
	}
	return out, nil
}

// Add makes a person. The error is an *InputError or ErrExists when the input is at fault.
func (s *Store) Add(name string, role Role, password string) error {
	hash, err := s.prepare(name, role, password)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.change(func(c *content) error { return c.add(stored{Name: name, Role: role, Made: s.now().UTC(), Hash: hash}) })
}

func (s *Store) prepare(name string, role Role, password string) (hash string, err error) {
	if says := cmp.Or(CheckName(name), CheckPassword(password)); says != "" {
		return "", &InputError{says}
	}
	if err := checkRole(role); err != nil {
		return "", err
	}
	s.hashing.Lock()
	defer s.hashing.Unlock()
	return hashPassword(password), nil
}

func (c *content) add(u stored) error {
	if c.find(u.Name) >= 0 {
		return ErrExists
	}
	c.Users = append(c.Users, u)
	return nil
}

func (c *content) find(name string) int {
	return slices.IndexFunc(c.Users, func(u stored) bool { return u.Name == name })
}

// SetPassword replaces a person's password and ends their sessions.
func (s *Store) SetPassword(name, password string) error {
	hash, err := s.prepare(name, Keeper, password)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.change(func(c *content) error {
		i := c.find(name)
		if i < 0 || c.Users[i].Token != nil {
			return ErrUnknown
		}
		c.Users[i].Hash = hash
		return nil
	})
}

// Remove removes a person or a program and ends their sessions.
func (s *Store) Remove(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.change(func(c *content) error {
		i := c.find(name)
		if i < 0 {
			return ErrUnknown
		}
		c.Users = slices.Delete(c.Users, i, i+1)
		return nil
	})
}

// AddToken makes a program that reads, and returns the bearer token it must show. The token is
// not kept and cannot be had again.
func (s *Store) AddToken(name string) (token string, err error) {
	if says := CheckName(name); says != "" {
		return "", &InputError{says}
	}
	token = rand.Text()
	sum := sha256.Sum256([]byte(token))
	s.mu.Lock()
	defer s.mu.Unlock()
	err = s.change(func(c *content) error {
		return c.add(stored{Name: name, Role: Reader, Made: s.now().UTC(), Token: sum[:]})
	})
	if err != nil {
		return "", err
	}
	return token, nil
}

// Invite returns a token with which one person may choose name and password, once, within
// InviteFor.
func (s *Store) Invite(role Role) (token string, err error) {
	if err := checkRole(role); err != nil {
		return "", err
	}
	token = rand.Text()
	sum := sha256.Sum256([]byte(token))
	s.mu.Lock()
	defer s.mu.Unlock()
	err = s.change(func(c *content) error {
		c.Invites = append(c.Invites, invite{Hash: sum[:], Role: role, Until: s.now().UTC().Add(InviteFor)})
		return nil
	})
	if err != nil {
		return "", err
	}
	return token, nil
}

// Redeem makes a person of an invitation and uses it up. Wrong tokens from one address are
// slowed like wrong passwords.
func (s *Store) Redeem(token, name, password, address string) error {
	sum := sha256.Sum256([]byte(token))
	match := func(i invite) bool { return string(i.Hash) == string(sum[:]) && s.now().Before(i.Until) }
	key := addressKey(address)
	s.mu.Lock()
	if wait := s.tries.wait(key, s.now()); wait > 0 {
		s.mu.Unlock()
		return &WaitError{wait}
	}
	err := s.refresh()
	good := slices.ContainsFunc(s.c.Invites, match)
	if !good {
		s.tries.failed(key, s.now(), byAddress)
	}
	s.mu.Unlock()
	if err != nil {
		return err
	}
	if !good {
		return ErrToken
	}
	hash, err := s.prepare(name, Keeper, password)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.change(func(c *content) error {
		i := slices.IndexFunc(c.Invites, match)
		if i < 0 {
			return ErrToken // used by somebody else meanwhile
		}
		role := c.Invites[i].Role
		c.Invites = slices.Delete(c.Invites, i, i+1)
		return c.add(stored{Name: name, Role: role, Made: s.now().UTC(), Hash: hash})
	})
}

func encode(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }
