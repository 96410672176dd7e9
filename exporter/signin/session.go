package signin

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
)

const (
	// LongestIdle is how long a browser is remembered that does not come: a phone must not ask for a password at the
	// moment an alarm rings, after a week off.
	LongestIdle = 10 * 24 * time.Hour
	// LongestSession is how long a browser is remembered that comes every day. NIST SP 800-63B, section 4.1.3, asks
	// for a new sign-in at least every 30 days at its first level.
	LongestSession = 30 * 24 * time.Hour
	// seenEach is how often it is written that a browser came; a restart takes so much from its idle time at most.
	seenEach = time.Hour
	// mostSessions of one person, and of all: the one not used for longest ends for a new one.
	mostSessions = 20
	mostOfAll    = 500

	tokenBytes = 32
)

// digest is the SHA-256 of a token.
type digest [sha256.Size]byte

// session is one browser of one person.
type session struct {
	name, tag   string // of the account, and of its hash when they signed in
	began, seen collector.Moment
	kept        collector.Moment // seen, as it was written last
	ended       chan struct{}    // closed when it ends
}

func (s *session) over(now collector.Moment) bool {
	return now.Sub(s.seen) >= LongestIdle || now.Sub(s.began) >= LongestSession
}

// enter makes a session and returns its token.
func (d *Door) enter(a Account, now collector.Moment) string {
	var secret [tokenBytes]byte
	_, _ = rand.Read(secret[:]) // it never fails; the program ends instead
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sweep(now)
	d.makeRoom(a.Name, mostSessions)
	d.makeRoom("", mostOfAll)
	d.sessions[sha256.Sum256(secret[:])] = &session{name: a.Name, tag: a.Hash.tag(), began: now, seen: now, kept: now, ended: make(chan struct{})}
	return base64.RawURLEncoding.EncodeToString(secret[:])
}

// makeRoom ends the sessions of a person (of all for "") that were used least lately, until there is room for one more.
func (d *Door) makeRoom(name string, most int) {
	var of []digest
	for k, s := range d.sessions {
		if name == "" || s.name == name {
			of = append(of, k)
		}
	}
	sorting.Func(of, func(a, b digest) int { return cmp.Compare(d.sessions[a].seen, d.sessions[b].seen) })
	for i := 0; i <= len(of)-most; i++ {
		d.end(of[i])
	}
}

// end forgets a session; mu is held.
func (d *Door) end(k digest) {
	close(d.sessions[k].ended)
	delete(d.sessions, k)
}

// sweep ends what is over; mu is held.
func (d *Door) sweep(now collector.Moment) {
	for k, s := range d.sessions {
		if s.over(now) {
			d.end(k)
		}
	}
}

func digestOf(token string) (digest, bool) {
	secret, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(secret) != tokenBytes {
		return digest{}, false
	}
	return sha256.Sum256(secret), true
}

// Who returns whose token it is. A token counts no more when it is over, signed out, or the person's password was changed
// or their account removed. Each look lengthens the session, up to LongestSession.
func (d *Door) Who(token string) (Who, bool) {
	who, _, ok := d.look(token)
	return who, ok
}

func (d *Door) look(token string) (Who, *session, bool) {
	k, ok := digestOf(token)
	if !ok {
		return Who{}, nil, false
	}
	accounts, err := d.opts.Accounts()
	if err != nil {
		return Who{}, nil, false
	}
	now := d.opts.Now()
	d.mu.Lock()
	// the map's own comparison tells nothing: who does not know the token cannot choose its digest
	s, ok := d.sessions[k]
	if !ok {
		d.mu.Unlock()
		return Who{}, nil, false
	}
	a, known := find(accounts, s.name)
	if !known || a.Hash.tag() != s.tag || s.over(now) {
		d.end(k)
		d.mu.Unlock()
		return Who{}, nil, false
	}
	s.seen = now
	due := now.Sub(s.kept) >= seenEach
	if due {
		s.kept = now
	}
	d.mu.Unlock()
	if due {
		d.keep(Entry{})
	}
	return a.who(), s, true
}

// Within returns a context that ends with ctx, with the token's session, or when that is over; for what lasts, such as
// a stream. It reports false if the token is nobody's.
func (d *Door) Within(ctx context.Context, token string) (context.Context, context.CancelFunc, bool) {
	_, s, ok := d.look(token)
	if !ok {
		return ctx, func() {}, false
	}
	ctx, cancel := context.WithTimeout(ctx, LongestSession-d.opts.Now().Sub(s.began))
	watched := make(chan struct{})
	go func() { // ends with the context, and cancel waits for it
		defer close(watched)
		select {
		case <-s.ended:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, func() { cancel(); <-watched }, true
}

// SignOut ends a token's session.
func (d *Door) SignOut(token string) { d.leave(token, SignedOut, false) }

// SignOutEverywhere ends all sessions of the person whose token it is.
func (d *Door) SignOutEverywhere(token string) { d.leave(token, SignedAway, true) }

func (d *Door) leave(token, kind string, everywhere bool) {
	who, ok := d.Who(token)
	if !ok {
		return
	}
	own, _ := digestOf(token)
	d.mu.Lock()
	for k, s := range d.sessions {
		if k == own || everywhere && s.name == who.Name {
			d.end(k)
		}
	}
	d.mu.Unlock()
	d.keep(Entry{Kind: kind, Who: who.Shown})
}

// kept is a session as the book has it.
type kept struct {
	Token string           `json:"token"` // SHA-256, hex
	Name  string           `json:"name"`
	Tag   string           `json:"tag"`
	Began collector.Moment `json:"began"`
	Seen  collector.Moment `json:"seen"`
}

type document struct {
	At       collector.Moment `json:"at"`
	Sessions []kept           `json:"sessions"`
}

// keep has the sessions and an entry written.
func (d *Door) keep(entry Entry) {
	if d.opts.Book == nil {
		return
	}
	d.keeping.Lock()
	defer d.keeping.Unlock()
	doc := document{At: d.opts.Now(), Sessions: []kept{}}
	d.mu.Lock()
	d.sweep(doc.At)
	for k, s := range d.sessions {
		doc.Sessions = append(doc.Sessions, kept{hex.EncodeToString(k[:]), s.name, s.tag, s.began, s.seen})
	}
	d.mu.Unlock()
	sorting.Func(doc.Sessions, func(a, b kept) int { return cmp.Compare(a.Token, b.Token) })
	text, err := json.Marshal(doc)
	if err == nil {
		err = d.opts.Book.Keep(doc.At, text, entry)
	}
	if err != nil {
		d.opts.Trouble(fmt.Errorf("sign-ins not kept: %w", err))
	}
}

// Restore lets those in again who were in when the document was kept; at is its moment on the present clock. Call it
// before anything else. After an error nobody is in.
func (d *Door) Restore(at collector.Moment, text []byte) error {
	var doc document
	if err := json.Unmarshal(text, &doc); err != nil {
		return fmt.Errorf("sign-ins: %w", err)
	}
	shift := at.Sub(doc.At)
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, s := range doc.Sessions {
		var k digest
		if n, err := hex.Decode(k[:], []byte(s.Token)); err != nil || n != len(k) || len(d.sessions) >= mostOfAll {
			continue // not ours: nobody
		}
		seen := s.Seen.Add(shift)
		d.sessions[k] = &session{name: s.Name, tag: s.Tag, began: s.Began.Add(shift), seen: seen, kept: seen, ended: make(chan struct{})}
	}
	d.sweep(d.opts.Now())
	return nil
}
