package review

import (
	"time"

	"roundsman/rules"
)

// Figures are the figures of an alarm system over a span. Shares are 0 to 1, lengths seconds.
type Figures struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// SeenSeconds is for how long of the span somebody looked. Means and shares of time are of that.
	SeenSeconds float64 `json:"seenSeconds"`
	Alarms      int     `json:"alarms"` // that rang
	Notes       int     `json:"notes"`  // started too, kept apart, in no other figure but Rules

	PerDay    float64 `json:"perDay"`
	Hour      Rate    `json:"hour"`
	TenMinute Rate    `json:"tenMinutes"`
	BusyHours Busy    `json:"hoursAbove30"`   // hours with more than 30 alarms
	BusyTens  Busy    `json:"periodsAbove10"` // fixed ten-minute periods with more than 10 alarms

	FloodBegins int    `json:"floodBegins"` // alarms in ten minutes that begin a flood
	FloodEnds   int    `json:"floodEnds"`   // it ends below so many
	Sliding     Floods `json:"floodsSliding"`
	Fixed       Floods `json:"floodsFixed"`

	Different   int        `json:"different"` // alarms that rang at least once
	Frequent    []Frequent `json:"mostFrequent"`
	FrequentAll float64    `json:"mostFrequentShare"` // share of all of them together

	Chattering []Repeating `json:"chattering"` // worst first
	Fleeting   []Brief     `json:"fleeting"`   // worst first
	// FleetingSeconds is within what time a fleeting alarm is over.
	FleetingSeconds float64 `json:"fleetingSeconds"`
	Stale           Stale   `json:"stale"`

	Priorities  []PriorityShare `json:"priorities"` // highest first
	Acknowledge Acknowledge     `json:"acknowledge"`

	Rules []RuleFigures `json:"rules"` // every rule with an activation, notes too, most frequent first

	// Repaired counts activations that ended or were acknowledged before they started, because the wall clock was set
	// back meanwhile: they count as having done so at once.
	Repaired int `json:"repaired"`

	Findings []Finding `json:"findings"` // each figure beside what is recommended, worst first
}

// Rate is how often alarms start in periods of one length.
type Rate struct {
	Mean          float64   `json:"mean"` // all alarms, over the time seen of the span
	PeakFixed     int       `json:"peakFixed"`
	PeakFixedAt   time.Time `json:"peakFixedFrom,omitzero"` // begin of the first such clock period
	PeakSliding   int       `json:"peakSliding"`
	PeakSlidingAt time.Time `json:"peakSlidingTo,omitzero"` // when so many had started within the period before
}

// Busy is how many clock periods had more alarms than a number.
type Busy struct {
	Periods int     `json:"periods"`
	Share   float64 `json:"share"` // of the span's time
}

// Floods are the floods that reach into the span.
type Floods struct {
	Share    float64 `json:"share"` // of the span's time
	Seconds  float64 `json:"seconds"`
	Episodes []Flood `json:"episodes"` // in the order of time
}

// Flood is one flood.
type Flood struct {
	Begin  time.Time `json:"begin"`        // may be before the span
	End    time.Time `json:"end,omitzero"` // zero: not over at the span's end
	Alarms int       `json:"alarms"`       // those that made it begin, and all until its end
	Peak   int       `json:"peak"`         // most in ten minutes
}

// Frequent is one of the alarms that ring most often.
type Frequent struct {
	Alarm  string  `json:"alarm"`
	Point  string  `json:"point"`
	Alarms int     `json:"alarms"`
	Share  float64 `json:"share"`
}

// Repeating is an alarm that chattered.
type Repeating struct {
	Alarm   string    `json:"alarm"`
	Windows int       `json:"windows"` // starts that were followed by two more within a minute
	Starts  int       `json:"starts"`  // within such minutes
	First   time.Time `json:"first"`   // start of the first such minute
}

// Brief is an alarm with fleeting activations.
type Brief struct {
	Alarm  string `json:"alarm"`
	Alarms int    `json:"alarms"`
}

// Stale tells of alarms active for more than a day without being shelved, suppressed or taken out of service.
type Stale struct {
	Most   int       `json:"mostOnADay"`      // on one day of UTC
	MostOn time.Time `json:"mostOn,omitzero"` // the first such day
	Alarms []Lasting `json:"alarms"`          // longest first
}

// Lasting is one activation that became stale.
type Lasting struct {
	Alarm   string    `json:"alarm"`
	Start   time.Time `json:"start"`
	End     time.Time `json:"end,omitzero"` // zero: active at the span's end
	Seconds float64   `json:"activeSeconds"`
}

// PriorityShare is what part of the alarms has a priority.
type PriorityShare struct {
	Priority rules.Priority `json:"priority"`
	Alarms   int            `json:"alarms"`
	Share    float64        `json:"share"`
}

// Acknowledge is how long alarms that started in the span waited for a person.
type Acknowledge struct {
	Alarms int `json:"alarms"` // that a person acknowledged
	Nobody int `json:"nobody"` // that nobody acknowledged, though they asked for it at first
	Itself int `json:"itself"` // whose rule acknowledges itself
	// Median and P90 are over the acknowledged ones, absent without any. Between two of them it is linear
	// (type 7 of Hyndman and Fan, Sample Quantiles in Statistical Packages, The American Statistician 50, 1996).
	Median *float64 `json:"medianSeconds,omitempty"`
	P90    *float64 `json:"p90Seconds,omitempty"`
}

// RuleFigures are the figures of one rule.
type RuleFigures struct {
	Rule        string         `json:"rule"`
	Point       string         `json:"point"`
	Priority    rules.Priority `json:"priority"`
	Activations int            `json:"activations"`    // that started in the span
	Share       float64        `json:"share"`          // of all alarms; 0 for a note
	Active      float64        `json:"activeSeconds"`  // within the span
	Longest     float64        `json:"longestSeconds"` // of those active in the span, from their start
	Chattering  int            `json:"chattering"`     // windows, as in Repeating
	Fleeting    int            `json:"fleeting"`
	Stale       int            `json:"stale"`
}
