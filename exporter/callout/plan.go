package callout

import (
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Plan is the contacts file as the call-out works by it. It does not change; a reload brings a new one.
type Plan struct {
	Site     string
	Contacts []Contact
	Rotas    []Rota
	Routes   []Route

	// NoClock are called instead of a rota while the box's clock is not set; empty: all contacts.
	NoClock []Who

	// Merge is how long the first message of a burst may wait for others to join it. 0: 2 s; below 0: no wait.
	Merge time.Duration
	// PerHour is how many messages one person gets in any hour before the rest is held back and told as a count.
	// The first message of a high priority alarm is never held back. 0: no limit.
	PerHour int
}

// Contact is a person who can be called.
type Contact struct {
	ID, Name string
	// Addresses are tried in order: the next when one fails for good or is not through after Patience.
	Addresses []Address
	Patience  time.Duration
	// Wake are rung besides, each time a message of a high alarm goes to the person, so that they wake and read it.
	Wake []Address
}

// Address is one way to reach a person.
type Address struct {
	Channel string // the name of a channel in the contacts file
	To      string
}

// Rota is who takes turns.
type Rota struct {
	Name string
	Turn Turn
}

// Turn tells who is on duty, in the site's time zone with its daylight saving.
type Turn interface {
	// On returns the ids of those on duty at a moment and when that changes next (collector.Never: not again).
	On(m collector.Moment) (people []string, next collector.Moment)
}

// Route is what a rule's call-out names: who hears of its alarm, in which order.
type Route struct {
	Name  string
	Steps []Step
	// Again repeats the last step after so long without an acknowledgement; 0: never.
	Again time.Duration
	// Quiet, by priority, are the hours in which nobody is called: the call waits for their end and is dropped if
	// the alarm is over by then. Nil: none. There are none for high priority.
	Quiet [rules.HighPriority + 1]rules.Hours
	// Open, if not nil, are the only hours in which this route calls at all; outside the alarm is only listed.
	Open rules.Hours
	// Return is told when the alarm is back to normal: those who were called, and these.
	Return []Who
}

// Step is one rung of the ladder: reached After the alarm started, unless somebody acknowledged before.
type Step struct {
	After time.Duration
	Who   []Who
}

// Who is a person or the one on duty in a rota.
type Who struct {
	Person string // id; "" for a rota
	Rota   int    // index into Plan.Rotas; used when Person is ""
}
