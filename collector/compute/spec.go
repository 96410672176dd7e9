// Package compute makes points from other points: differences, sums, ratios,
// flows from pulses, tank volumes, levels from pressure, rates, means and formulas.
package compute

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/tank"
)

// Input is one point a computation takes: value*Factor + Offset is in the unit the computation wants.
type Input struct {
	Point          collector.PointID
	Factor, Offset float64
}

// Spec is one computed point. Exactly one of its computations is set.
type Spec struct {
	Point collector.PointID
	Name  string // for errors

	Difference *Difference
	Sum        *Sum
	Ratio      *Ratio
	Flow       *Flow
	Total      *Total
	Volume     *Volume
	Level      *Level
	Rate       *Rate
	Mean       *Mean
	Formula    *Formula
}

// Difference is A - B.
type Difference struct{ A, B Input }

// Sum adds its terms.
type Sum struct{ Terms []Input }

// Ratio is A / B; with OfSum it is A / (A + B). No result while the divisor is 0 (or not above Least).
type Ratio struct {
	A, B  Input
	OfSum bool
	Least float64
}

// Flow is the rate of a pulse counter, from the time between its pulses, in units per second times PerSecond.
type Flow struct {
	Counter  collector.PointID
	PerPulse float64       // the point's volume unit per pulse
	PerTime  time.Duration // the time unit of the flow: 1 m for L/min
	Over     time.Duration // longest look back; no pulse within it is zero flow
	Modulus  float64       // value at which the counter rolls over: 65536, 4294967296; 0: it does not
}

// Total counts pulses since the box began to look, roll-over and reset safe.
type Total struct {
	Counter  collector.PointID
	PerPulse float64
	Modulus  float64
}

// Volume is the content of a tank at a level.
type Volume struct {
	Level  Input // in metres, or with OfHeight as a share 0 to 1 of the tank's height
	Share  bool
	Tank   tank.Shape // volumes in cubic metres
	Factor float64    // from cubic metres to the point's unit
}

// Level is the level over a pressure sensor: h = p / (rho g).
type Level struct {
	Pressure    Input   // in pascals
	Density     float64 // kg/m3; 0: water at Temperature
	Temperature *Input  // degC
	Degrees     float64 // degC when Temperature is nil
	Above       float64 // metres of the sensor above the tank's bottom
	Factor      float64 // from metres to the point's unit
}

// Rate is the slope of a point over a window, by least squares, in its unit per PerTime.
type Rate struct {
	Of      Input
	Over    time.Duration
	PerTime time.Duration
}

// Mean is the time-weighted mean of a point over a window; of a state it is its share of time.
// While is a state point that must be 1 for time to count; NoPoint: all time counts.
type Mean struct {
	Of    Input
	Over  time.Duration
	While collector.PointID
}

// Formula is an expression over points.
type Formula struct {
	Source string
	// Names maps each name as it stands in Source to its point. Values enter as they are, in the point's unit.
	Names  map[string]collector.PointID
	Factor float64 // to the point's unit; 0 is 1
}
