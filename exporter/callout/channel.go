// Package callout calls people about alarms: who, when, through what, and until
// somebody answers. This root holds what its channels share; each channel (SMS,
// mail, webhook, MQTT, web push) is a package below it.
//
// No message of it is a safety device: it says so, and the protection of people
// and plant stays in the controls.
package callout

import (
	"context"
	"errors"
	"fmt"
	"time"

	"roundsman/rules"
)

// Subject says what a message is about.
type Subject uint8

// The subjects of a message.
const (
	AboutAlarm     Subject = iota // an alarm started, or was escalated to this person
	AboutReturn                   // it returned to normal
	AboutHeldBack                 // what the rate limit held back meanwhile
	AboutDrill                    // a marked test: nothing is wrong
	AboutHeartbeat                // the box is alive
	AboutAnswer                   // an answer that named nothing was not enough to go by
)

var subjectWords = [...]string{"alarm", "return", "held back", "drill", "heartbeat", "answer"}

// String returns the subject's word.
func (s Subject) String() string {
	if int(s) < len(subjectWords) {
		return subjectWords[s]
	}
	return "unknown"
}

// Message is one message to one person through one channel, ready to be sent.
type Message struct {
	// Key is the same at every try: receivers and channels tell a repeat by it.
	Key string
	// Number is what the person answers with: 'ok 7'. 0: no answer is expected.
	Number  int
	Subject Subject
	// Alarm names the alarm (the first and worst of several); messages of one alarm share a thread.
	Alarm    string
	Thread   string
	Priority rules.Priority

	Site, Person string
	To           string // a phone number, a mail address, a URL, a topic, or a push subscription

	Title string // a subject line: 'Ardenmoor AIR header pressure low'
	Short string // for SMS and voice: at most 160 characters of the GSM alphabet where it can be
	Text  string // plain, for mail and push
	HTML  string // for mail; "" none
	Link  string // where the person may acknowledge; "" none

	Created time.Time
	Try     int  // 1 at the first
	Repeat  bool // an earlier try may have arrived: say so
	Late    bool // older than it should be when it is sent: say so
}

// Receipt is what a channel knows after it handed a message over.
type Receipt struct {
	Reference string // the channel's own name for it; "" none
	Delivered bool   // it is known to have reached the person's device, not only the next hop
}

// Channel sends messages one way. It is used by one goroutine at a time.
type Channel interface {
	// Kind returns the channel's word in the contacts file: sms, voice, mail, webhook, mqtt, push.
	Kind() string
	// Send hands the message over. It returns within its own time limit. A nil error means that the next hop took
	// it. Errors are Temporary unless they wrap ErrForGood (never for this message and address), ErrGone (the
	// address is dead: forget it) or ErrPerhaps (it may have been sent: a repeat must say so).
	Send(ctx context.Context, m *Message) (Receipt, error)
}

// Errors of channels, to be wrapped with what happened.
var (
	ErrForGood = errors.New("refused for good")
	ErrGone    = errors.New("address is gone")
	ErrPerhaps = errors.New("may have been sent")
)

// ForGood marks err as one that no retry mends.
func ForGood(err error) error { return fmt.Errorf("%w: %w", ErrForGood, err) }

// Gone marks err as the end of an address.
func Gone(err error) error { return fmt.Errorf("%w: %w", ErrGone, err) }

// Perhaps marks err as one after which nobody knows whether the message went.
func Perhaps(err error) error { return fmt.Errorf("%w: %w", ErrPerhaps, err) }

// Answer is what came back from a person: an SMS, or a click.
type Answer struct {
	From   string // the phone number or person it came from
	Text   string
	Number int // of the message it answers, 0 if it names none
	At     time.Time
}

// Caution ends every long text.
const Caution = "Watches only. Not a safety device. Isolate and release stored air and oil pressure by your lock-out procedure before touching anything."
