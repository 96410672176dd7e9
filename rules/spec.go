// Package rules judges readings: compiled rules, alarm states after ISA-18.2 /
// IEC 62682, and the events of their changes. It is pure: it has no clock, no
// goroutine and no I/O; everything follows from (now, readings, acts). The same
// engine runs live, in tests and over recorded data.
package rules

import (
	"time"

	"roundsman/collector"
)

// Kind is a kind of condition.
type Kind uint8

// The kinds. Limits are in the point's unit.
const (
	Low Kind = iota
	LowLow
	High
	HighHigh
	Rate          // mean change per second over Window beyond Limit: below a negative Limit, above a positive one
	Deviation     // |point - Other| above Limit
	Equals        // equals Limit (states: 0 or 1)
	BadSignal     // the point's reading is bad
	StaleSignal   // nothing new for Window (0: only when the link itself calls the reading stale)
	Stuck         // moved by less than Limit over Window, while the While terms hold
	Discrepancy   // point and Other disagree: two states, or a state and the term that must equal it (Agree)
	NotReached    // Limit not reached within Window after After became true (AfterBelow: reached means fallen to)
	TotalAbove    // the point rose by more than Limit over Window
	RunsLonger    // the state has been 1 for Window, counting only while While holds
	IdleLonger    // the state has been 0 for Window, counting only while While holds ('24 h of open time')
	StartsAbove   // more than Limit starts of the state within Window (sliding)
	FormulaIsTrue // a formula
)

// Op compares a point with a value in a Term.
type Op uint8

// The comparisons of a Term.
const (
	Less Op = iota
	LessOrEqual
	Greater
	GreaterOrEqual
	Equal
	NotEqual
)

// Term is one simple truth: a point compared with a value, or a named condition, or another's negation.
// While the point's reading is bad the term keeps its last truth. Before the first it is false, with Not too: what is
// not known silences nobody.
type Term struct {
	Point     collector.PointID // NoPoint when Condition is used
	Op        Op
	Value     float64
	Condition int // index into Set.Conditions, -1 none
	Not       bool
}

// Condition is a named truth for suppress-when, while and after: all Terms hold (Any: at least one).
type Condition struct {
	Name  string
	Terms []Term
	Any   bool
	// Hold keeps it true for so long after its terms cease to hold ('for 3 minutes after a backwash').
	Hold time.Duration
	// Until, if given, makes it a latch: it becomes true when Terms become true and ends when all of
	// Until hold, or AtMost after it began ('from a start below 4 bar until cut-out, at most 4 min').
	Until  []Term
	AtMost time.Duration
	// Hours, if given, must hold too: the condition is true only inside (or, NotHours, outside) the hours.
	Hours    Hours
	NotHours bool
}

// Hours tells opening hours. The engine asks it at each change it announced.
type Hours interface {
	// At reports whether the moment is inside the hours and when that changes next.
	At(m collector.Moment) (inside bool, next collector.Moment)
}

// Severity is the worst that follows if nobody responds.
type Severity uint8

// The severities.
const (
	NoSeverity Severity = iota
	Minor
	Major
	Severe
)

// Priority orders alarms for the person who must respond.
type Priority uint8

// The priorities. A note is journalled and listed and never calls.
const (
	NoPriority Priority = iota
	Note
	LowPriority
	MediumPriority
	HighPriority
)

// Rule is one compiled line of judgement about one point: one alarm.
// Units are already the point's own.
type Rule struct {
	Name  string // the alarm's name; a rule over several points gives one alarm each: 'sensor-fault:air.dew.point'
	Point collector.PointID
	Kind  Kind

	Limit  float64
	Other  collector.PointID // Deviation, Discrepancy; else NoPoint
	Agree  Term              // Discrepancy with Other NoPoint: the state must equal the term
	Window time.Duration     // Rate, Stale, Stuck, NotReached, TotalAbove, RunsLonger, IdleLonger, StartsAbove
	After  []Term            // NotReached
	Fallen bool              // NotReached: reached means at or below
	// While must hold for the condition to count; when it ceases the condition is false.
	While []Term
	// Formula, for FormulaIsTrue: a compiled expression over points; see package collector/compute.
	Formula Formula

	Deadband          float64
	OnDelay, OffDelay time.Duration
	OnTotal, OnWithin time.Duration // starts also when true for OnTotal of the last OnWithin, counted since the last return
	Latch             bool
	AutoAcknowledge   bool
	NoReturnAck       bool          // returning to normal needs no acknowledgement
	Realarm           time.Duration // back to unacknowledged after so long still active; 0 never

	Priority      Priority
	Severity      Severity
	TimeToRespond time.Duration
	Consequence   string
	Response      string
	CallOut       string
	CausedBy      []int // indices of rules whose activity suppresses this one by design
	SuppressWhen  []int // indices of conditions

	Unit    string // of Limit and of the value shown
	Digits  int
	Defined string // file:line, for messages
}

// Formula is a boolean expression over points, compiled elsewhere.
type Formula interface {
	// Points returns the points it reads.
	Points() []collector.PointID
	// Eval returns the truth of the expression for these readings, one for each of Points.
	// It is not called while one of them is bad or unread.
	Eval(values []float64) (bool, error)
}

// Set is all that an engine judges by.
type Set struct {
	Rules      []Rule
	Conditions []Condition
}
