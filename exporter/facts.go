package exporter

import "time"

// Fact is one thing that a technician compares with the device at commissioning, in words.
type Fact struct{ Name, Words string }

// PointFacts tell how a point is read.
type PointFacts struct {
	Facts []Fact
	Every time.Duration // from one reading to the next; 0: whenever the device speaks
	Quiet time.Duration // how long it may be silent without being stale; 0: not said
}
