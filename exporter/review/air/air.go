// Package air reviews the compressed air of a site over a span: how hard the compressor works, how good the pressure was,
// how much leaks and what that costs.
//
//	figures, err := air.Review(ctx, source, plan, span)
//	figures.Table(os.Stdout)
//
// It is pure: it takes one-minute figures and finished leak tests from a Source and returns figures. Load factor is loaded
// time over running time, the share of leaks and the cost of air are those of the US DOE's Improving Compressed Air System
// Performance: A Sourcebook for Industry (read second-hand). All leak figures are estimates.
package air

import (
	"context"
	"iter"
	"time"

	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
)

// Source is what a review reads.
type Source interface {
	minutes.Source
	// LeakTests gives the finished leak tests of a point, from <= At < to, in order of time. Their rates are in its unit.
	LeakTests(ctx context.Context, point string, from, to time.Time) iter.Seq2[Test, error]
}

// Loader is a Source that knows the loadings of a machine.
type Loader interface {
	// Loadings gives those that began from <= At < to, in order of time.
	Loadings(ctx context.Context, name string, from, to time.Time) iter.Seq2[Loading, error]
}

// Loading is one, or several that nobody saw apart.
type Loading struct {
	At time.Time
	N  int // how many
}

// AtLeastWords says so before a number that may be too low.
func (l *Load) AtLeastWords(number string) string {
	if l.AtLeast && l.Cycles > 0 {
		return "at least " + number
	}
	return number
}

// Plan says which points are what. What is not named or 0 is left out of the review.
type Plan struct {
	Pressure minutes.Signal // of the header, in bar gauge
	Minimum  float64        // bar gauge: what the tunnel needs
	Loaded   minutes.Signal // a state: the compressor gives air
	Running  minutes.Signal // a state: its motor turns
	Open     minutes.Signal // a state: the wash takes cars
	// Hours tells whether the wash is open by its opening hours, where no state does; nil: always.
	Hours func(time.Time) bool
	// LoadedOf is under which name the record counts the loadings of the machine whose load Loaded is, each by its begin;
	// "": it does not, and minutes tell how many there were at least.
	LoadedOf string
	Leak     minutes.Signal // whose leak tests are reviewed, and how their rates come into L/s
	Delivery float64        // of the compressor, L/s of free air
	Cost     Cost
	Zone     *time.Location // of the nights; nil: UTC
}

// Points returns the points whose minutes a review reads.
func (p *Plan) Points() []string { return minutes.Names(p.Pressure, p.Loaded, p.Running, p.Open) }

// Cost is what air costs.
type Cost struct {
	Specific float64 // kWh of electricity for a cubic metre of free air; kW per m3/min is 60 times that
	Price    float64 // of a kWh, in Currency
	Currency string
	Hours    float64 // in a year under pressure; 0: 8,760
}

// Test is one finished leak test; see package collector/leak.
type Test struct {
	At      time.Time `json:"at"`      // its end
	Seconds float64   `json:"seconds"` // its length
	Rate    float64   `json:"rate"`    // L/s of free air at the working pressure
	Settled bool      `json:"settled"`
	Words   string    `json:"words"` // what it rests on
}

// Figures are what a span tells. Numbers that are not known are null.
type Figures struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`

	Pressure Pressure `json:"pressure"`
	Load     Load     `json:"load"`
	Leak     Leak     `json:"leak"`

	Findings []review.Finding `json:"findings"` // worst first
	Advice   []string         `json:"advice"`   // in plain words
}

// Pressure is that of the header, bar gauge.
type Pressure struct {
	Mean     minutes.Known `json:"mean"`
	MeanOpen minutes.Known `json:"meanOpen"` // while the wash was open
	Min      minutes.Known `json:"min"`      // while the wash was open
	Max      minutes.Known `json:"max"`
	Minimum  minutes.Known `json:"minimum"` // what the tunnel needs
	// BelowSeconds is about how long it was below that while open: within a minute by its least and greatest value. Dips
	// counts how often.
	BelowSeconds minutes.Known `json:"belowSeconds"`
	Dips         int           `json:"dips"`
	OpenSeconds  minutes.Known `json:"openSeconds"` // open and seen
	SeenSeconds  minutes.Known `json:"seenSeconds"`
}

// Load is how the compressor worked.
type Load struct {
	LoadedSeconds  minutes.Known `json:"loadedSeconds"`
	RunningSeconds minutes.Known `json:"runningSeconds"` // motor turning
	SeenSeconds    minutes.Known `json:"seenSeconds"`
	Factor         minutes.Known `json:"factor"` // loaded over running, 0 to 1
	Share          minutes.Known `json:"share"`  // loaded over all time seen
	// Cycles counts loadings: load cycles, not motor starts. AtLeast: they are counted by minutes, where two within a
	// minute count as one.
	Cycles         int           `json:"cycles"`
	AtLeast        bool          `json:"cyclesAtLeast"`
	CyclesPerHour  minutes.Known `json:"cyclesPerHour"`       // of running
	WorstHour      int           `json:"worstHour"`           // most loadings in any hour
	WorstHourEnds  *time.Time    `json:"worstHourEnds"`       // null: none
	ClosedPerHour  minutes.Known `json:"closedCyclesPerHour"` // loadings an hour while the wash was closed
	MeanLoadSecond minutes.Known `json:"meanLoadSeconds"`
	MeanUse        minutes.Known `json:"meanUse"` // L/s of free air: delivery times share
}
