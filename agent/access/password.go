package access

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// The cost of a hash: Argon2id with 19 MiB, two passes and one lane, the least the OWASP Password
// Storage Cheat Sheet recommends (from memory); more would starve a Pi with 512 MB. A stored hash
// names its own cost, so raising it later keeps old ones good.
const (
	hashMemoryKiB = 19 * 1024
	hashPasses    = 2
	hashLanes     = 1
	hashBytes     = 32
	saltBytes     = 16
)

// Bounds of a password: NIST SP 800-63B, 5.1.1.2 (from memory), asks for at least 8 characters
// and for at least 64 to be allowed; no rule about their kinds.
const (
	PasswordMin = 8
	PasswordMax = 256
)

// CheckPassword returns what is wrong with a password, or "".
func CheckPassword(p string) string {
	switch n := utf8.RuneCountInString(p); {
	case !utf8.ValidString(p):
		return "the password is not text"
	case n < PasswordMin:
		return fmt.Sprintf("the password has %d characters; use at least %d, a few words are good", n, PasswordMin)
	case n > PasswordMax:
		return fmt.Sprintf("the password is longer than %d characters", PasswordMax)
	case oneLetter(p):
		return "the password is one character again and again"
	}
	return ""
}

func oneLetter(p string) bool {
	first, size := utf8.DecodeRuneInString(p)
	return strings.Trim(p[size:], string(first)) == ""
}

// hashPassword returns the PHC string of a password with a fresh salt.
func hashPassword(p string) string {
	salt := make([]byte, saltBytes)
	rand.Read(salt)
	sum := argon2.IDKey([]byte(p), salt, hashPasses, hashMemoryKiB, hashLanes, hashBytes)
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemoryKiB, hashPasses, hashLanes, b64(salt), b64(sum))
}

var errHash = errors.New("not an Argon2id hash of version 19 within the allowed cost")

// verifyPassword reports whether the password gives the hash. A hash that cannot be read or that
// would cost more than a machine can give is an error.
func verifyPassword(p, phc string) (bool, error) {
	f := strings.Split(phc, "$")
	var version int
	var memory, passes uint32
	var lanes uint8
	if len(f) != 6 || f[0] != "" || f[1] != "argon2id" {
		return false, errHash
	}
	if n, err := fmt.Sscanf(f[2], "v=%d", &version); n != 1 || err != nil || version != argon2.Version {
		return false, errHash
	}
	if n, err := fmt.Sscanf(f[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); n != 3 || err != nil {
		return false, errHash
	}
	if memory < 8 || memory > 256*1024 || passes < 1 || passes > 16 || lanes < 1 || lanes > 16 {
		return false, errHash
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(f[4])
	want, err2 := base64.RawStdEncoding.DecodeString(f[5])
	if err1 != nil || err2 != nil || len(salt) < 8 || len(want) < 16 || len(want) > 64 {
		return false, errHash
	}
	sum := argon2.IDKey([]byte(p), salt, passes, memory, lanes, uint32(len(want)))
	return subtle.ConstantTimeCompare(sum, want) == 1, nil
}
