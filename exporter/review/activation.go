package review

import (
	"time"

	"roundsman/rules"
)

// Ending says why an activation stopped ringing.
type Ending uint8

// The endings.
const (
	StillActive  Ending = iota
	Returned            // to normal: its condition became false
	Shelved             // by a person
	Suppressed          // by design
	TakenOut            // of service, by a person
	Removed             // its rule is gone
	UnseenEnding        // the next start came without an end on the journal
)

// Activation is one start of one alarm that a person was told of, and what became of it.
type Activation struct {
	Rule, Point string
	Priority    rules.Priority
	Start       time.Time
	End         time.Time // zero: still active
	Ending      Ending
	// Acknowledged is when a person first acknowledged it, before or after its end; zero: nobody did.
	Acknowledged time.Time
	// AcknowledgesItself: the rule asks nobody.
	AcknowledgesItself bool
}

// rings reports whether it is an alarm. What has no priority rings.
func (a *Activation) rings() bool { return a.Priority != rules.Note }

// attended reports whether a person acknowledged it while it was active.
func (a *Activation) attended() bool {
	return !a.Acknowledged.IsZero() && (a.End.IsZero() || a.Acknowledged.Before(a.End))
}
