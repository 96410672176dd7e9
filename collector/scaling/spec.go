// Package scaling turns the raw number of a device into a judged reading in
// the point's unit: scaling, 4-20 mA supervision, range, rate and movement.
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

	// Loop turns on NAMUR NE 43 supervision: Raw divided by RawPerMilliamp is a 4-20 mA current.
	Loop           bool
	RawPerMilliamp float64 // raw counts per mA, 1 if the device sends mA
	// Hold is how long the current must stand in a failure band before it is called a fault; default 2 s.
	// Meanwhile the reading is uncertain.
	Hold time.Duration

	// Low and High are the instrument's range in the point's unit; NaN: none. A value further outside than
	// NE 43's over-range (1.25 % below, 3.125 % above the span) is bad.
	Low, High float64
	// MaxRate is the fastest believable change in units per second; 0: not judged.
	MaxRate float64
	// StuckAfter makes a reading uncertain that has not moved by more than Step for so long; 0: not judged.
	StuckAfter time.Duration
	Step       float64 // one resolution step in the point's unit

	Kind collector.Kind
}
