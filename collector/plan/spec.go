// Package plan finds the requests that read a set of registers at least cost
// on the line: the round plan.
//
// A request costs line time of its own besides what it carries, so it can be
// cheaper to read a few registers for nothing than to ask twice. Build weighs
// the two by the Line it is given and returns a plan that no other beats, and
// Line.Time says how long each of its requests keeps the line busy.
//
//	requests, err := plan.Build(items, limit, plan.Line{Baud: 19200, CharBits: 11})
package plan

import "time"

// Item is one value to be read: Count registers (or bits) of a table from Start.
type Item struct {
	Unit  uint8
	Table uint8 // the function code that reads it: 1, 2 bits; 3, 4 registers
	Start uint16
	Count uint16
}

// Request is one read. Items are the indices of the items it serves.
type Request struct {
	Unit  uint8
	Table uint8
	Start uint16
	Count uint16
	Items []int
}

// Limit is what one device allows for one table.
type Limit struct {
	Max       int    // most registers or bits a request
	Forbidden []Span // addresses no request may touch
}

// Span is a stretch of addresses, both ends included.
type Span struct{ First, Last uint16 }

// Line is the cost model of a link.
type Line struct {
	Baud       int                            // 0: no serial line, a request costs RoundTrip and its bytes nothing
	CharBits   int                            // bits a character: 11 by the standard, 10 for 8N1
	Gap        time.Duration                  // pause before each request beyond the 3.5 silent characters
	RoundTrip  time.Duration                  // TCP: cost of one exchange
	PerByte    time.Duration                  // TCP: cost of one byte more
	Turnaround func(unit uint8) time.Duration // what a device takes to begin its answer; nil: 0
}
