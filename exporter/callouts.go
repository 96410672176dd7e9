package exporter

import (
	"context"
	"errors"
	"time"
)

// LinkPath is the path of the page behind a one-time link, before its token. It is short because it goes by SMS.
const LinkPath = "/a/"

// Errors of one-time links.
var (
	ErrLinkForged  = errors.New("this link is not one of ours")
	ErrLinkExpired = errors.New("this link has expired")
	ErrLinkUsed    = errors.New("this link was used already")
)

// Claim is what a one-time link stands for: this person acknowledges this activation of this alarm.
type Claim struct {
	Alarm      string
	Activation uint64 // as rules.Status counts them: a later one needs a link of its own
	Person     string // id of the contact
	Expires    time.Time
	ID         string // of the link, to mark it used
}

// Links are the one-time links of messages. They are safe for simultaneous use.
type Links interface {
	// Look returns what a token stands for and changes nothing. The error is ErrLinkForged, ErrLinkExpired or
	// ErrLinkUsed; with the latter two the claim is there.
	Look(token string, now time.Time) (Claim, error)
	// Use is Look, and marks the link as used.
	Use(token string, now time.Time) (Claim, error)
	// Return makes a link good again whose acknowledgement could not be done.
	Return(c Claim)
}

// Call is one message of the call-out to one person, ready to be shown: no secret, no address and no link is in it.
type Call struct {
	Key       string
	Subject   string // alarm, return, held back, drill, ...
	Alarm     string // "" none
	Contact   string // the person's id
	Person    string // their name
	Title     string // its subject line
	Number    int    // what the person answers with; 0: no answer is expected
	State     string // in words: waiting, sending, handed over, delivered, ...
	Done      bool   // nothing more is tried
	Channel   string // where it waits, or what took it; "" none
	To        string // the end of a phone number, '…4567'; "" for other addresses
	Tries     int
	Error     string    // of the latest try that failed; "" none
	Reference string    // the receipt: the channel's own name for it; "" none
	Written   time.Time // UTC
	Next      time.Time // the next try is not before; zero: at once, or none
	Ended     time.Time // when the state became final; zero: not yet
}

// CallQuery chooses messages.
type CallQuery struct {
	Waiting bool   // only those that nobody took yet
	Alarm   string // "": all
	Limit   int    // at most so many; 0: all that are kept
}

// Reach tells whether people can be called at this moment.
type Reach struct {
	Waiting     int           // messages that nobody took yet
	Oldest      time.Duration // age of the oldest of them; 0: none
	Reachable   bool          // anybody can be called; true too where nobody is to be
	Reason      string        // why nobody can be
	Unreachable []string      // ids of people whose every address fails
	Channels    []Way
}

// Way is one channel as people read it.
type Way struct {
	Name, Kind string
	Waiting    int
	Failing    bool
	Error      string
}

// Callouts is what is known of calling people. It is safe for simultaneous use.
type Callouts interface {
	// Calls returns the messages that the query chooses, newest first.
	Calls(ctx context.Context, q CallQuery) ([]Call, error)
	// Answers returns the latest journal lines about calls, newest first: answers, drills, calls that reached nobody.
	Answers(ctx context.Context, limit int) ([]Line, error)
	// Reach returns a snapshot. It does not block.
	Reach() Reach
}

// Errors of phones.
var (
	ErrNoPhone     = errors.New("there is no such phone")
	ErrPhoneLimit  = errors.New("no more phones can be kept")
	ErrPhoneRefuse = errors.New("this is no subscription of a phone")
)

// Phone is a phone on which a person installed the panel, so that web push reaches it.
type Phone struct {
	ID     string // tells nothing of the phone's address
	Person string // id
	Name   string // how its owner knows it: 'Android phone'
	Added  time.Time
	Stale  bool // it was installed with another key of the site: it must be installed anew
}

// Phones keeps the phones of people. It is safe for simultaneous use.
type Phones interface {
	// PublicKey returns the site's key as a page hands it to the browser when it subscribes.
	PublicKey() (string, error)
	// Store keeps a browser's subscription, given as JSON, and returns when it is on the record. One that is
	// known already is kept once, for the person who stored it last. The error may wrap ErrPhoneLimit or ErrPhoneRefuse.
	Store(ctx context.Context, person, name string, subscription Secret) (Phone, error)
	// List returns the phones of a person, the oldest first; of everybody for "".
	List(person string) []Phone
	// Remove forgets a person's phone and returns when that is on the record. The error may wrap ErrNoPhone.
	Remove(ctx context.Context, person, id string) error
	// Test sends a person's phone a message marked as a test and returns when its push service took it. The error may wrap ErrNoPhone.
	Test(ctx context.Context, person, id string) error
}
