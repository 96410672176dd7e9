package rules

// trigger is what can move an alarm from one state to another.
type trigger uint8

const (
	conditionTrue  trigger = iota // past the on-delay
	conditionFalse                // past the off-delay
	acknowledge
	realarm // the re-alarm time is over and the condition still true
	reset
	shelve
	unshelve // by a person, or the end of its time
	suppress
	unsuppress
	takeOut
	putBack
)

// option is a choice of the rule that a row of the table depends on.
type option uint8

const (
	always   option = iota
	latching        // Rule.Latch
	selfAck         // Rule.AutoAcknowledge
	noAsk           // Rule.NoReturnAck
)

func (o option) fits(r *Rule) bool {
	switch o {
	case latching:
		return r.Latch
	case selfAck:
		return r.AutoAcknowledge
	case noAsk:
		return r.NoReturnAck
	}
	return true
}

// transition is one row of the table.
type transition struct {
	from State
	on   trigger
	when option
	to   State
	kind EventKind
}

// The short names of the figure in ISA-18.2, clause 5.5 (from memory).
const (
	norm  = Normal               // A
	unack = Unacknowledged       // B
	acked = Acknowledged         // C
	rtnun = ReturnUnacknowledged // D
	ltunk = LatchUnacknowledged  // E
	ltack = LatchAcknowledged    // F
	shlvd = Shelved              // G
	dsupr = SuppressedByDesign   // H
	oosrv = OutOfService         // I
)

// table holds the states and transitions of ISA-18.2 / IEC 62682 (from memory).
// Of the rows of one state and trigger the first that fits the rule counts; no row: nothing happens.
//
// From G, H and I an alarm comes back to A, and at once goes on to B when its condition is true then:
// a new activation with a line of its own. After H the on-delay starts anew (ours; the standard leaves it open).
// A reset in E is refused: it needs the acknowledgement first (ours; the standard leaves it to the site).
var table = [...]transition{
	{norm, conditionTrue, selfAck, acked, EventStarted},
	{norm, conditionTrue, always, unack, EventStarted},
	{unack, acknowledge, always, acked, EventAcknowledged},
	{unack, conditionFalse, latching, ltunk, EventReturned},
	{unack, conditionFalse, noAsk, norm, EventReturned},
	{unack, conditionFalse, always, rtnun, EventReturned},
	{acked, conditionFalse, latching, ltack, EventReturned},
	{acked, conditionFalse, always, norm, EventReturned},
	{acked, realarm, always, unack, EventRealarmed},
	{rtnun, acknowledge, always, norm, EventAcknowledged},
	{rtnun, conditionTrue, selfAck, acked, EventStarted},
	{rtnun, conditionTrue, always, unack, EventStarted},
	{ltunk, acknowledge, always, ltack, EventAcknowledged},
	{ltunk, conditionTrue, selfAck, acked, EventStarted},
	{ltunk, conditionTrue, always, unack, EventStarted},
	{ltack, conditionTrue, selfAck, acked, EventStarted},
	{ltack, conditionTrue, always, unack, EventStarted},
	{ltack, reset, always, norm, EventReset},

	{norm, shelve, always, shlvd, EventShelved},
	{unack, shelve, always, shlvd, EventShelved},
	{acked, shelve, always, shlvd, EventShelved},
	{rtnun, shelve, always, shlvd, EventShelved},
	{ltunk, shelve, always, shlvd, EventShelved},
	{ltack, shelve, always, shlvd, EventShelved},
	{shlvd, unshelve, always, norm, EventUnshelved},

	{norm, suppress, always, dsupr, EventSuppressed},
	{unack, suppress, always, dsupr, EventSuppressed},
	{acked, suppress, always, dsupr, EventSuppressed},
	{rtnun, suppress, always, dsupr, EventSuppressed},
	{ltunk, suppress, always, dsupr, EventSuppressed},
	{ltack, suppress, always, dsupr, EventSuppressed},
	{dsupr, unsuppress, always, norm, EventUnsuppressed},

	{norm, takeOut, always, oosrv, EventTakenOut},
	{unack, takeOut, always, oosrv, EventTakenOut},
	{acked, takeOut, always, oosrv, EventTakenOut},
	{rtnun, takeOut, always, oosrv, EventTakenOut},
	{ltunk, takeOut, always, oosrv, EventTakenOut},
	{ltack, takeOut, always, oosrv, EventTakenOut},
	{shlvd, takeOut, always, oosrv, EventTakenOut},
	{dsupr, takeOut, always, oosrv, EventTakenOut},
	{oosrv, putBack, always, norm, EventPutBack},

	// Nothing rings in these three, and every change of the condition is journalled.
	{shlvd, conditionTrue, always, shlvd, EventConditionTrue},
	{shlvd, conditionFalse, always, shlvd, EventConditionFalse},
	{dsupr, conditionTrue, always, dsupr, EventConditionTrue},
	{dsupr, conditionFalse, always, dsupr, EventConditionFalse},
	{oosrv, conditionTrue, always, oosrv, EventConditionTrue},
	{oosrv, conditionFalse, always, oosrv, EventConditionFalse},
}

// find returns the row that applies, nil if none does.
func find(r *Rule, from State, on trigger) *transition {
	for n := range table {
		t := &table[n]
		if t.from == from && t.on == on && t.when.fits(r) {
			return t
		}
	}
	return nil
}
