package exporter

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"roundsman/collector"
)

// Comparison is a point's reading beside what a person read off the gauge next to its sensor, at commissioning or
// after work on it. Values are in the point's unit.
type Comparison struct {
	Point      string
	Unit       string // "" for a plain number or state
	Reads      float64
	Gauge      float64
	Tolerance  float64 // 0: none is known
	Left       bool    // as left, after work; else as found
	Instrument string  // the gauge: its number or name; "": not said
	Digits     int     // decimals to show
	Doubt      string  // what was wrong with the reading itself; ""
}

// Comparisons keeps comparisons in the journal.
type Comparisons interface {
	// Compare keeps a comparison that a person made. The error says that it is not on the record. It is called once a
	// request, from any goroutine, and waits for the judging goroutine.
	Compare(ctx context.Context, c Comparison, who string) error
}

// shareOfRange is how far gauge and transmitter may be apart: 2 % of the range (common practice, no source).
const shareOfRange = 0.02

// Tolerance returns by how much a point may differ from a good gauge: 2 % of its range, where none is known of the
// gauge's value.
func Tolerance(p *collector.Point, gauge float64) float64 {
	switch {
	case p.Kind == collector.State:
		return 0.5
	case p.High > p.Low:
		return shareOfRange * (p.High - p.Low)
	}
	return shareOfRange * math.Abs(gauge)
}

// Difference is the reading less the gauge.
func (c *Comparison) Difference() float64 { return c.Reads - c.Gauge }

// Within reports whether the difference is within the tolerance.
func (c *Comparison) Within() bool {
	return math.Abs(c.Difference()) <= c.Tolerance*(1+1e-9)+1e-12
}

// Word is how the comparison is called: as found, as left.
func (c *Comparison) Word() string {
	if c.Left {
		return "as left"
	}
	return "as found"
}

// Verdict is 'within 0.32 bar' or 'more than 0.32 bar off'.
func (c *Comparison) Verdict() string {
	if c.Within() {
		return "within " + c.value(c.Tolerance)
	}
	return "more than " + c.value(c.Tolerance) + " off"
}

// String returns the comparison in one line, for the journal: 'reads 7.81 bar, gauge 7.90 bar: -0.09 bar, within 0.32 bar; gauge PI-7'.
func (c *Comparison) String() string {
	s := fmt.Sprintf("reads %s, gauge %s: %s, %s", c.value(c.Reads), c.value(c.Gauge), c.signed(), c.Verdict())
	if c.Doubt != "" {
		s += "; the reading is " + c.Doubt
	}
	if c.Instrument != "" {
		s += "; gauge " + c.Instrument
	}
	return s
}

func (c *Comparison) signed() string {
	s := c.value(c.Difference())
	if !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

// value shows a value with one decimal more than the point has, two at least, without noughts behind, and its unit.
func (c *Comparison) value(v float64) string {
	places := math.Pow10(max(c.Digits+1, 2))
	v = math.Round(v*places) / places
	if v == 0 {
		v = 0 // no minus before a nought
	}
	return strings.TrimSpace(strconv.FormatFloat(v, 'f', -1, 64) + " " + c.Unit)
}
