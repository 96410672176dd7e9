// Package signin lets named people in: who they are, by a password of which only
// an argon2id hash is kept, and for how long a browser is remembered. It has no
// clock, no disk and no web page: a Door is given the moment, the accounts and a
// Book that keeps what must survive a restart, and answers who a token is.
//
//	door := signin.New(signin.Options{Accounts: accounts, Book: book, Now: clock.Now})
//	token, who, err := door.SignIn(ctx, "n.quill", password, "192.0.2.7")
//	who, ok := door.Who(token)
//
// A token is 32 random bytes and is shown to the browser once; the door and the
// record hold its SHA-256 alone, so that a copy of the record lets nobody in.
package signin

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"roundsman/collector"
)

// Kinds of entry in a Book, in the words of the journal.
const (
	SignedIn   = "signed in"
	SignedOut  = "signed out"
	SignedAway = "signed out everywhere"
	Refused    = "sign-in refused" // one or more of them
)

// Entry is one line for the journal. It never holds a password, nor a name that nobody here has: people type
// passwords into the field of the name.
type Entry struct {
	Kind, Who, Why string // Kind "": there is nothing to tell
}

// Book keeps what must survive a restart. Its calls do not overlap.
type Book interface {
	// Keep has the sessions and the entry written when it returns nil. The document is JSON; its moments are on the
	// scale of at.
	Keep(at collector.Moment, doc []byte, entry Entry) error
}

// Options are what a door is built with. Accounts and Now must be given.
type Options struct {
	// Accounts returns those who may sign in. It is asked at each look and must be quick; an error means that nobody
	// can be told apart now, and nobody is let in.
	Accounts func() ([]Account, error)
	// Now is the present moment.
	Now func() collector.Moment
	// Book keeps sessions; nil: they end with the program.
	Book Book
	// Trouble is told what could not be kept; nil for nothing. It may be called from any goroutine.
	Trouble func(error)
	// Cost of the hash that is compared when nobody has the name; zero: DefaultCost. It should be that of the accounts.
	Cost Cost
}

// Who is a person that is signed in.
type Who struct {
	Name  string // as in the accounts: 'n.quill'
	Shown string // as pages and journal show them
	Role  Role
}

var (
	// ErrWrong: the name or the password, and nobody learns which.
	ErrWrong = errors.New("name or password is wrong")
	// ErrBusy: too many wait for their password to be looked at.
	ErrBusy = errors.New("too many people are signing in just now; try again in a few seconds")
)

// WaitError means that there were too many wrong tries.
type WaitError struct{ For time.Duration }

// Error says how long to wait.
func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong tries; wait %s", e.For.Round(time.Second))
}

// mostWaiting is how many may wait for the one hashing at a time; each takes a few hundredths of a second.
const mostWaiting = 8

// Door knows who is in. It is safe for simultaneous use.
type Door struct {
	opts    Options
	nobody  Hash          // what is compared when nobody has the name
	queue   chan struct{} // a place for each who waits
	hashing chan struct{} // one place: a hash takes megabytes and a core
	keeping sync.Mutex    // a later document is never overtaken by an earlier one

	mu       sync.Mutex // guards what follows
	sessions map[digest]*session
	limits   *limits
	refused  refusals
}

// New returns a door with nobody inside.
func New(opts Options) *Door {
	if opts.Cost == (Cost{}) {
		opts.Cost = DefaultCost
	}
	if opts.Trouble == nil {
		opts.Trouble = func(error) {}
	}
	return &Door{opts: opts, nobody: opts.Cost.nobody(), queue: make(chan struct{}, mostWaiting), hashing: make(chan struct{}, 1),
		sessions: map[digest]*session{}, limits: newLimits()}
}

// Any reports whether anybody has an account, or whether that cannot be told just now.
func (d *Door) Any() bool {
	accounts, err := d.opts.Accounts()
	return err != nil || len(accounts) > 0
}

// SignIn lets a person in who comes from an address (an IP address, with or without port) and returns the token that
// their browser shows from now on. Errors are ErrWrong, ErrBusy, a *WaitError, or why accounts cannot be read. A wrong
// name takes as long as a wrong password.
func (d *Door) SignIn(ctx context.Context, name, password, from string) (token string, who Who, err error) {
	now := d.opts.Now()
	from = host(from)
	if wait := d.take(name, from, now); wait > 0 {
		d.refuse("", from, now)
		return "", Who{}, &WaitError{wait}
	}
	accounts, err := d.opts.Accounts()
	if err != nil {
		return "", Who{}, err
	}
	account, known := find(accounts, name)
	hash := d.nobody
	if known {
		hash = account.Hash
	}
	good, err := d.matches(ctx, hash, password)
	if err != nil {
		d.giveBack(name, from)
		return "", Who{}, err
	}
	if !good || !known {
		d.refuse(account.shown(), from, now)
		return "", Who{}, ErrWrong
	}
	d.giveBack(name, from)
	token = d.enter(account, now)
	d.keep(Entry{Kind: SignedIn, Who: account.shown(), Why: "from " + from})
	return token, account.who(), nil
}

// matches compares, one at a time.
func (d *Door) matches(ctx context.Context, h Hash, password string) (bool, error) {
	select {
	case d.queue <- struct{}{}:
		defer func() { <-d.queue }()
	default:
		return false, ErrBusy
	}
	select {
	case d.hashing <- struct{}{}:
		defer func() { <-d.hashing }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	return h.Matches(password), nil
}

func (d *Door) take(name, from string, now collector.Moment) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.limits.take(name, from, now)
}

func (d *Door) giveBack(name, from string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.limits.giveBack(name, from)
}

// refuse counts a refusal; name is "" unless somebody here has it.
func (d *Door) refuse(name, from string, now collector.Moment) {
	d.mu.Lock()
	entry, due := d.refused.count(name, from, now)
	d.mu.Unlock()
	if due {
		d.keep(entry)
	}
}

// host is the address without its port.
func host(from string) string {
	if a, err := netip.ParseAddrPort(from); err == nil {
		return a.Addr().Unmap().String()
	}
	return from
}
