package rules

import (
	"time"

	"roundsman/collector"
)

// State is the state of an alarm; letters as in the figure of ISA-18.2, clause 5.5.
type State uint8

// The states.
const (
	Normal               State = iota // A
	Unacknowledged                    // B
	Acknowledged                      // C
	ReturnUnacknowledged              // D
	LatchUnacknowledged               // E
	LatchAcknowledged                 // F
	Shelved                           // G
	SuppressedByDesign                // H
	OutOfService                      // I
)

// What happened to an alarm.
type EventKind uint8

// The kinds of event.
const (
	EventStarted      EventKind = iota // condition true past its on-delay: a new activation
	EventReturned                      // condition false past its off-delay
	EventAcknowledged                  // by a person
	EventRealarmed                     // unacknowledged again, because it lasted
	EventReset                         // a latched alarm reset by a person
	EventShelved                       // taken off for a time by a person
	EventUnshelved                     // by a person, or by the end of its time (Who empty)
	EventSuppressed                    // suppressed by design: Why names the condition or the cause
	EventUnsuppressed                  // no longer suppressed; the on-delay starts anew
	EventTakenOut                      // out of service, by a person
	EventPutBack                       // in service again, by a person
	EventReadingLost                   // still active, its signal went bad: must be taken as still in alarm
	EventReadingFound                  // the signal is usable again
	// EventConditionTrue and EventConditionFalse are changes of the condition while shelved, suppressed
	// or out of service: journalled, never called out.
	EventConditionTrue
	EventConditionFalse
)

// Event is one change of one alarm: one line of the journal.
type Event struct {
	At       collector.Moment
	Rule     int // index into Set.Rules
	Kind     EventKind
	From, To State
	// Value is what was compared with Limit: the point's reading, or the slope, difference, movement, total, number of
	// starts; seconds where a time is judged (stale, runs, idle). NaN if there is none.
	Value    float64
	Limit    float64 // NaN where there is none (bad, discrepancy, formula)
	Quality  collector.Quality
	Who, Why string           // of a person's act; Why also names the suppressing condition or cause, and at a start what is wrong with the reading, if anything
	Until    collector.Moment // end of a shelve
}

// Status is a snapshot of one alarm.
type Status struct {
	Rule           int
	State          State
	Active         bool             // the condition is true, whatever the state
	Since          collector.Moment // when the state changed last
	Started        collector.Moment // start of the present or last activation
	Activations    uint64
	Value          float64 // what it is judged by now or was last, as in Event; NaN before the first
	Peak           float64 // the worst value of this activation, or of the last until it is acknowledged; else NaN
	ReadingLost    bool    // active, and its reading is bad: must be taken as still in alarm
	AcknowledgedBy string
	By, Why        string           // who shelved or took it out, and why; what suppresses it
	Until          collector.Moment // end of a shelve
	Cause          int              // index of the rule that suppresses it, -1 none
	Consequences   []int            // active rules listed under this one
}

// Act is what a person does to an alarm.
type Act struct {
	Kind ActKind
	Rule int
	Who  string
	Why  string
	For  time.Duration // Shelve
	// Activation, if not 0, is the only one the act is meant for, as Status counts them: a link of a message must not
	// acknowledge what began anew since.
	Activation uint64
}

// ActKind is the kind of an act.
type ActKind uint8

// The acts.
const (
	ActAcknowledge ActKind = iota
	ActReset
	ActShelve
	ActUnshelve
	ActTakeOut
	ActPutBack
)
