package callout

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"roundsman/exporter"
)

// Errors of links.
var (
	ErrLinkForged  = exporter.ErrLinkForged
	ErrLinkExpired = exporter.ErrLinkExpired
	ErrLinkUsed    = exporter.ErrLinkUsed
)

// DefaultLinkLife is how long a link is good.
const DefaultLinkLife = 4 * time.Hour

// Claim is what a link stands for.
type Claim = exporter.Claim

// Links makes and checks the one-time links of messages: signed with HMAC-SHA-256, good for one activation of one alarm
// and one person, for a short time, once. A GET of the page may only Look: programs that scan mail fetch links. The
// POST of a person's button does Use. It is safe for simultaneous use.
type Links struct {
	key  []byte
	life time.Duration

	mu      sync.Mutex
	used    map[string]time.Time // by ID, with the end of the link
	changed bool
}

// usedKept is how long after its end a used link is remembered, should the clock go back.
const usedKept = 7 * 24 * time.Hour

// A token is: version, id, end in seconds since 1970, activation, length of the alarm's name, the names, and the sum. It
// is short because it goes by SMS: the sum is cut to half, which RFC 2104, section 5 allows, and 128 bits cannot be guessed.
const (
	linkVersion = 2
	linkID      = 8
	linkHead    = 1 + linkID + 4
	linkSum     = sha256.Size / 2
)

// NewLinks returns links signed with a key of at least 32 bytes. Used are the links that were used before, as Used told.
func NewLinks(key []byte, life time.Duration, used map[string]time.Time) (*Links, error) {
	if len(key) < sha256.Size {
		return nil, fmt.Errorf("key of links: %d bytes, at least %d", len(key), sha256.Size)
	}
	l := &Links{key: key, life: life, used: map[string]time.Time{}}
	if life <= 0 {
		l.life = DefaultLinkLife
	}
	for id, end := range used {
		l.used[id] = end
	}
	return l, nil
}

// Mint returns the token of a new link: URL-safe, without padding.
func (l *Links) Mint(alarm string, activation uint64, person string, now time.Time) string {
	b := make([]byte, linkHead, linkHead+2*binary.MaxVarintLen64+len(alarm)+len(person)+linkSum)
	b[0] = linkVersion
	_, _ = rand.Read(b[1 : 1+linkID])                                        // never fails: crypto/rand ends the program where there is no randomness
	binary.BigEndian.PutUint32(b[1+linkID:], uint32(now.Add(l.life).Unix())) // good until 2106
	b = binary.AppendUvarint(b, activation)
	b = binary.AppendUvarint(b, uint64(len(alarm)))
	b = append(append(b, alarm...), person...)
	return base64.RawURLEncoding.EncodeToString(append(b, l.sign(b)...))
}

func (l *Links) sign(b []byte) []byte {
	h := hmac.New(sha256.New, l.key)
	h.Write(b)
	return h.Sum(nil)[:linkSum]
}

// Look returns what a token stands for, and changes nothing. The error is ErrLinkForged, ErrLinkExpired or ErrLinkUsed;
// with the latter two the claim is there, for words to the person.
func (l *Links) Look(token string, now time.Time) (Claim, error) {
	c, err := l.read(token)
	if err != nil {
		return Claim{}, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return c, l.good(&c, now)
}

// Use is Look, and marks the link as used. Keep Used with the acknowledgement, as one change of the record.
func (l *Links) Use(token string, now time.Time) (Claim, error) {
	c, err := l.read(token)
	if err != nil {
		return Claim{}, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.good(&c, now); err != nil {
		return c, err
	}
	l.used[c.ID], l.changed = c.Expires, true
	return c, nil
}

// Return makes a link good again whose acknowledgement could not be done.
func (l *Links) Return(c Claim) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.used, c.ID)
	l.changed = true
}

// good tells why a link is not. With the lock held.
func (l *Links) good(c *Claim, now time.Time) error {
	if _, used := l.used[c.ID]; used {
		return ErrLinkUsed
	}
	if !now.Before(c.Expires) {
		return ErrLinkExpired
	}
	return nil
}

func (l *Links) read(token string) (Claim, error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) < linkHead+2+linkSum || len(b) > 4096 {
		return Claim{}, ErrLinkForged
	}
	b, sum := b[:len(b)-linkSum], b[len(b)-linkSum:]
	if !hmac.Equal(sum, l.sign(b)) || b[0] != linkVersion { // hmac.Equal takes the same time whatever differs
		return Claim{}, ErrLinkForged
	}
	activation, size := binary.Uvarint(b[linkHead:])
	rest := b[linkHead+max(size, 0):]
	n, more := binary.Uvarint(rest)
	if size <= 0 || more <= 0 || n > uint64(len(rest)-more) {
		return Claim{}, ErrLinkForged
	}
	names := rest[more:]
	return Claim{
		ID: hex.EncodeToString(b[1 : 1+linkID]), Expires: time.Unix(int64(binary.BigEndian.Uint32(b[1+linkID:])), 0).UTC(),
		Activation: activation, Alarm: string(names[:n]), Person: string(names[n:]),
	}, nil
}

// Used returns the links that were used and whether that changed since the last call. Those long expired are forgotten.
func (l *Links) Used(now time.Time) (used map[string]time.Time, changed bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	changed, l.changed = l.changed, false
	if !changed {
		return nil, false
	}
	used = make(map[string]time.Time, len(l.used))
	for id, end := range l.used {
		if now.Sub(end) > usedKept {
			delete(l.used, id)
			continue
		}
		used[id] = end
	}
	return used, true
}

// LoadKey reads the key of links from a file, and makes both if there is none. The file is written beside and renamed,
// for its owner alone; one that others may read is refused.
func LoadKey(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return makeKey(path)
	case err != nil:
		return nil, fmt.Errorf("key of links: %w", err)
	case info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("key of links: %s: others may read it (mode %04o); chmod 600", path, info.Mode().Perm())
	}
	key, err := os.ReadFile(path)
	if err == nil && len(key) != sha256.Size {
		err = fmt.Errorf("%s: %d bytes, not %d; remove it for a new one", path, len(key), sha256.Size)
	}
	if err != nil {
		return nil, fmt.Errorf("key of links: %w", err)
	}
	return key, nil
}

func makeKey(path string) (key []byte, err error) {
	key = make([]byte, sha256.Size)
	_, _ = rand.Read(key) // never fails
	f, err := os.CreateTemp(filepath.Dir(path), ".key-*")
	if err != nil {
		return nil, fmt.Errorf("key of links: %w", err)
	}
	_, err = f.Write(key)
	err = errors.Join(err, f.Sync(), f.Close()) // CreateTemp makes it for the owner alone
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return nil, fmt.Errorf("key of links: %w", err)
	}
	return key, nil
}
