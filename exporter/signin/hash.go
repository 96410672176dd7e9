package signin

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Cost is what one hash costs.
type Cost struct {
	Memory  uint32 // KiB
	Passes  uint32
	Threads uint8
}

// DefaultCost fits a small box. RFC 9106, section 4, recommends 64 MiB, 3 passes and 4 lanes where memory is short;
// that is more than the whole daemon may take, and four threads would take every core from the judging. 19 MiB with 2
// passes on one lane costs somebody who guesses offline about the same (OWASP, Password Storage Cheat Sheet, from
// memory), and one at a time is all the door computes.
var DefaultCost = Cost{Memory: 19 << 10, Passes: 2, Threads: 1}

const (
	saltBytes = 16 // RFC 9106, section 3.1, for passwords
	keyBytes  = 32
	// A file must not make the box compute for minutes or take all its memory.
	mostMemory  = 256 << 10 // KiB
	mostPasses  = 16
	mostThreads = 8
	mostKey     = 64 // bytes, of salt and key
)

// Hash is what is kept of a password.
type Hash struct {
	cost      Cost
	salt, key []byte
}

// NewHash hashes a password with a new salt.
func (c Cost) NewHash(password string) Hash {
	h := Hash{cost: c, salt: make([]byte, saltBytes)}
	_, _ = rand.Read(h.salt) // it never fails; the program ends instead
	h.key = h.compute(password, keyBytes)
	return h
}

// nobody returns a hash that no password has.
func (c Cost) nobody() Hash {
	h := Hash{cost: c, salt: make([]byte, saltBytes), key: make([]byte, keyBytes)}
	_, _ = rand.Read(h.salt)
	_, _ = rand.Read(h.key)
	return h
}

func (h *Hash) compute(password string, n int) []byte {
	return argon2.IDKey([]byte(password), h.salt, h.cost.Passes, h.cost.Memory, h.cost.Threads, uint32(n))
}

// Matches reports whether the password is the one that was hashed. It takes the time and memory of its cost.
func (h Hash) Matches(password string) bool {
	return subtle.ConstantTimeCompare(h.compute(password, len(h.key)), h.key) == 1
}

// String writes the hash in the common text form of such hashes: '$argon2id$v=19$m=19456,t=2,p=1$SALT$KEY'.
func (h Hash) String() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.cost.Memory, h.cost.Passes, h.cost.Threads,
		b64.EncodeToString(h.salt), b64.EncodeToString(h.key))
}

// LogValue keeps hashes out of logs.
func (h Hash) LogValue() slog.Value { return slog.StringValue("argon2id") }

// tag tells this hash from others of the same person and says nothing about the password: a new password has another.
func (h Hash) tag() string {
	sum := sha256.Sum256([]byte(h.String()))
	return hex.EncodeToString(sum[:8])
}

var errHash = errors.New("its hash is not of the form $argon2id$v=19$m=19456,t=2,p=1$SALT$KEY")

// ParseHash reads what String writes. Its errors do not quote it.
func ParseHash(text string) (Hash, error) {
	var h Hash
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return h, errHash
	}
	c := &h.cost
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.Memory, &c.Passes, &c.Threads); n != 3 || err != nil {
		return h, errHash
	}
	var err error
	if h.salt, err = base64.RawStdEncoding.Strict().DecodeString(parts[4]); err != nil {
		return h, errHash
	}
	if h.key, err = base64.RawStdEncoding.Strict().DecodeString(parts[5]); err != nil {
		return h, errHash
	}
	if h.String() != text {
		return h, errHash
	}
	return h, h.check()
}

func (h *Hash) check() error {
	c := h.cost
	switch {
	case c.Threads < 1 || c.Threads > mostThreads:
		return fmt.Errorf("its hash has p=%d; 1 to %d is possible", c.Threads, mostThreads)
	case c.Memory < 8*uint32(c.Threads) || c.Memory > mostMemory: // the least of RFC 9106, section 3.1
		return fmt.Errorf("its hash has m=%d; %d to %d is possible", c.Memory, 8*c.Threads, mostMemory)
	case c.Passes < 1 || c.Passes > mostPasses:
		return fmt.Errorf("its hash has t=%d; 1 to %d is possible", c.Passes, mostPasses)
	case len(h.salt) < 8 || len(h.salt) > mostKey:
		return fmt.Errorf("its salt has %d bytes; 8 to %d is possible", len(h.salt), mostKey)
	case len(h.key) < 16 || len(h.key) > mostKey:
		return fmt.Errorf("its hash has %d bytes; 16 to %d is possible", len(h.key), mostKey)
	}
	return nil
}

const (
	// ShortestPassword in letters. NIST SP 800-63B, section 5.1.1.2, asks for 8 and for no rules about kinds of
	// letters; it is the only factor here, so it is longer.
	ShortestPassword = 12
	// LongestPassword in bytes: it must fit into a form.
	LongestPassword = 256
)

// CheckPassword says what is wrong with a new password for a person of that name.
func CheckPassword(name, password string) error {
	switch {
	case utf8.RuneCountInString(password) < ShortestPassword:
		return fmt.Errorf("the password has fewer than %d letters; a few words that do not belong together are good", ShortestPassword)
	case len(password) > LongestPassword:
		return fmt.Errorf("the password has more than %d bytes", LongestPassword)
	case !utf8.ValidString(password), strings.ContainsAny(password, "\r\n\x00"):
		return errors.New("the password holds a character that a form cannot carry")
	case strings.Contains(strings.ToLower(password), name):
		return errors.New("the password holds the name")
	case strings.Count(password, password[:1]) == len(password):
		return errors.New("the password is one letter many times")
	}
	return nil
}
