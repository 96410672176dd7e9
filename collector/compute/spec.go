// Package compute makes points from other points: differences, sums, ratios,
// flows from pulses, tank volumes, levels from pressure, rates, means, formulas and leak tests.
//
// A set is stepped with each batch of readings and gives those of the computed
// points that take them, each once, in order of dependency:
//
//	set, err := compute.New(points, specs)
//	out = set.Step(now, batch.Readings, out[:0])
//
// # Quality and time
//
// A result is as good as its worst input. A bad input makes it bad
// (input lost) and is named with its reason; an uncertain one makes it
// uncertain with that input's fault. One that was not read yet leaves the result
// unread too. A result that is not a finite number, a divisor of 0 and the like
// are bad (no result).
//
// A result is as old as its oldest input. A difference of two readings of
// different age is not newer than the older one, and stale rules must see that.
// A flow, total, rate or mean has the time of the newest reading of its own
// point. A time stamp of the future, and one more than a minute older than the
// one before, is a wrong clock: such a reading counts in windows from now on.
//
// # Formulas
//
// Point names stand as they are in a formula. Values are in the points' own
// units. States are 0 or 1 in arithmetic and truths where a truth is wanted:
//
//	fresh.litres / vehicles
//	hyd.pump.1.power * hyd.pump.1.running + 0.4
//	hyd.pump.1.running and not hyd.tank.low ? hyd.pressure : 0
//	max(filter.in.pressure - filter.out.pressure, 0)
//
// -a ^ 2 is -(a ^ 2) and a ^ b ^ c is a ^ (b ^ c). A name is read as long as it
// can be: where there are points a, b and a-b, 'a-b' is the third and 'a - b' a
// difference. There are + - * / ^, comparisons, and or not, condition ? a : b, the numbers,
// true and false, and the functions min, max (two or more), abs, round, floor,
// ceil and sqrt. Division by 0, a power or a root that is no real number end in
// an error, not in a figure. There are no loops, texts, lists, fields, clocks or
// definitions, so the time and memory of a formula are bounded by its length.
package compute

import (
	"time"

	"roundsman/collector"
	"roundsman/collector/tank"
)

// Input is one point a computation takes: value*Factor + Offset is in the unit
// the computation wants. A Factor of 0 is 1.
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
	LeakTest   *LeakTest
	LeakFigure *LeakFigure
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
	Most     float64       // most pulses a second that can be; 0: 1000
}

// Total counts pulses since the box began to look, roll-over and reset safe.
type Total struct {
	Counter  collector.PointID
	PerPulse float64
	Modulus  float64
	Most     float64
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
