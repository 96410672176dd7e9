// Package exporter holds what everything that shows, sends or keeps shares: a
// finished view of the room. The judging goroutine publishes views; metrics,
// pages and the JSON interface read the latest one and never change it.
package exporter

import (
	"sync/atomic"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Site is what does not change while the daemon runs (a reload publishes a new one).
type Site struct {
	Name   string
	Zone   *time.Location
	Points []collector.Point
	Rules  []rules.Rule
	Demo   bool
}

// Equipment is a snapshot of one machine's run time.
type Equipment struct {
	Name, Station string
	Running       bool
	Known         bool // whether Running is known now
	RunSeconds    float64
	Starts        uint64
	UnseenSeconds float64
	Services      []ServiceDue
	Asked         []MeterQuestion // the oldest first
}

// ServiceDue is work that is due by run time.
type ServiceDue struct {
	Service      string
	EverySeconds float64
	DueSeconds   float64   // run time left until it; below 0 it is overdue
	LastTime     time.Time // when it was done last; zero: never, counted since the machine is watched
	LastWho      string
}

// Figure is one figure of how the alarm system does, as a gauge in base units; its name ends with its unit.
type Figure struct {
	Name, Unit, Help string
	Value            float64
}

// CallCount counts messages to people by channel and outcome, since the start.
type CallCount struct {
	Channel, Outcome string
	N                uint64
}

// CallFigures tell how calling people is doing.
type CallFigures struct {
	Waiting int
	Oldest  time.Duration // age of the oldest message that nobody took yet; 0: none
	Counts  []CallCount
}

// View is the room at one moment. It is not changed after it was published.
type View struct {
	Site      *Site
	At        collector.Moment
	Time      time.Time // of At, UTC
	Started   time.Time
	Readings  []collector.Reading // by PointID
	Alarms    []rules.Status      // by rule
	Links     []collector.LinkStatus
	Equipment []Equipment
	Calls     *CallFigures // nil: nobody is called
	Figures   []Figure     // of the alarm system; those that do not exist are left out
	Round     uint64       // counts published views
}

// Board holds the latest view and wakes those who wait for the next one. It tells the judge whether anybody looks: a view
// of a thousand points is some 400 kB, which nobody needs four times a second while no page is open.
type Board struct {
	latest atomic.Pointer[View]
	asked  atomic.Bool // somebody has looked since the latest was published
	next   atomic.Pointer[chan struct{}]
	clock  *collector.Clock
}

// NewBoard returns a board that shows v. The clock is the one v's moments are on.
func NewBoard(clock *collector.Clock, v *View) *Board {
	b := &Board{clock: clock}
	c := make(chan struct{})
	b.next.Store(&c)
	b.latest.Store(v)
	return b
}

// Clock returns the clock of the views' moments.
func (b *Board) Clock() *collector.Clock { return b.clock }

// View returns the latest view, never nil, and asks for the next one soon.
func (b *Board) View() *View {
	if !b.asked.Load() {
		b.asked.Store(true)
	}
	return b.latest.Load()
}

// Peek returns the latest view, never nil, for those who follow whatever comes and are in no hurry.
func (b *Board) Peek() *View { return b.latest.Load() }

// Asked reports whether View was called since the last Publish.
func (b *Board) Asked() bool { return b.asked.Load() }

// Changed returns a channel that is closed at the next Publish. Take it before View to miss nothing.
func (b *Board) Changed() <-chan struct{} { return *b.next.Load() }

// Publish shows v. Only the judging goroutine calls it.
func (b *Board) Publish(v *View) {
	c := make(chan struct{})
	b.asked.Store(false)
	b.latest.Store(v)
	close(*b.next.Swap(&c))
}
