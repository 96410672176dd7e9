// Package scaling turns the raw number of a device into a judged reading in
// the point's unit: scaling, 4-20 mA supervision, range, rate and movement.
//
// A channel judges one signal and remembers what it needs for that:
//
//	c, err := scaling.New(id, scaling.Spec{
//		Points: []scaling.Pair{{4000, 0}, {20000, 16}}, // uA to bar
//		Loop:   true, RawPerMilliamp: 1000,
//		Low: 0, High: 16, MaxRate: 0.5, Unit: "bar",
//	})
//	r := c.Judge(12000, now) // 8 bar, good
//	r = c.Judge(3480, later) // bad: 3.48 mA is below 3.6 mA, wire or sensor broken
//
// What is doubted is never hidden: a reading that changed too fast, a spike, a
// signal that does not move keeps its value and becomes uncertain, and limit
// rules judge it. Only what is not a measurement at all becomes bad.
package scaling

import (
	"time"

	"roundsman/collector"
)

// Curve is the shape between the raw value and the point's unit.
type Curve uint8

// The curves.
const (
	Straight   Curve = iota // through Points, straight from one to the next; outside them the end pieces go on
	SquareRoot              // flow from differential pressure: hi * sqrt((raw-lo)/(hi-lo)), 0 below the start
)

// Pair is one pair of a calibration: raw value and value in the point's unit.
type Pair struct{ Raw, Value float64 }

// Spec is what the site file says of one signal. The zero value passes numbers through.
type Spec struct {
	Points []Pair // two (a scale) or more (a calibration table), rising in Raw; none: value = raw
	Curve  Curve
	Clamp  bool // keep the value inside the ends of Points

	// Loop turns on NAMUR NE 43 supervision: (Raw - RawAtZero) / RawPerMilliamp is a 4-20 mA current.
	Loop           bool
	RawPerMilliamp float64 // raw counts per mA, 1 if the device sends mA; 0 is 1
	RawAtZero      float64 // raw value at 0 mA: -6912 on a card that sends 0 at 4 mA and 27648 at 20 mA
	// Hold is how long the current must stand in a failure band before it is called a fault; default 2 s, negative: none.
	// Meanwhile the reading is uncertain and keeps the last value; unread if there is none yet.
	Hold time.Duration

	// Low and High are the instrument's range in the point's unit; NaN: none, and none if both are 0. A value
	// further outside than NE 43's over-range (1.25 % below, 3.125 % above the span) is bad.
	Low, High float64
	// MaxRate is the fastest believable change in units per second; 0: not judged.
	MaxRate float64
	// Spike is the number of readings, 5 to 11, in the window of a Hampel filter that makes spikes uncertain; 0: none.
	Spike int
	// StuckAfter makes a reading uncertain that has not moved by more than Step for so long; 0: not judged.
	StuckAfter time.Duration
	Step       float64 // one resolution step in the point's unit

	Kind collector.Kind
	Unit string // the unit's symbol, for words; may be ""
}
