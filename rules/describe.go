package rules

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"roundsman/collector"
)

// slope words a change, whose unit is one per second: 'air.header.pressure falls by 0.12 bar/s'.
func (r *Rule) slope(point string, value float64) string {
	switch {
	case math.IsNaN(value):
		return point + " changes"
	case value < 0:
		return point + " falls by " + r.quantity(-value)
	}
	return point + " rises by " + r.quantity(value)
}

// Describe returns the alarm in words for people: 'air.header.pressure 5.3 bar, low limit 5.5 bar'.
// The value is that of an Event or a Status; NaN reads 'no reading'. The points are the engine's.
func (r *Rule) Describe(value float64, points []collector.Point) string {
	point := pointName(points, r.Point)
	now := point + " " + r.quantity(value)
	switch r.Kind {
	case Low, LowLow, High, HighHigh:
		return fmt.Sprintf("%s, %s limit %s", now, r.Kind, r.quantity(r.Limit))
	case Rate:
		return fmt.Sprintf("%s, limit %s over %s", r.slope(point, value), r.quantity(math.Abs(r.Limit)), period(r.Window))
	case Deviation:
		return fmt.Sprintf("%s differs from %s by %s, limit %s", point, pointName(points, r.Other), r.quantity(value), r.quantity(r.Limit))
	case Equals:
		if isState(points, r.Point) {
			return point + " is " + onOff(r.Limit)
		}
		return fmt.Sprintf("%s is %s", point, r.quantity(r.Limit))
	case BadSignal:
		return point + " has no usable reading"
	case StaleSignal:
		return point + " has sent nothing new" + longerThan(value, r.Window)
	case Stuck:
		return fmt.Sprintf("%s moved by %s in %s, at least %s expected", point, r.quantity(value), period(r.Window), r.quantity(r.Limit))
	case Discrepancy:
		return fmt.Sprintf("%s does not agree with %s", now, r.counterpart(points))
	case NotReached:
		return fmt.Sprintf("%s, %s not reached within %s", now, r.quantity(r.Limit), period(r.Window))
	case TotalAbove:
		return fmt.Sprintf("%s rose by %s in %s, limit %s", point, r.quantity(value), period(r.Window), r.quantity(r.Limit))
	case RunsLonger:
		return point + " runs" + longerThan(value, r.Window)
	case IdleLonger:
		return point + " is idle" + longerThan(value, r.Window)
	case StartsAbove:
		return fmt.Sprintf("%s started %s times in %s, limit %s", point, plain(value), period(r.Window), plain(r.Limit))
	}
	return now
}

func isState(points []collector.Point, p collector.PointID) bool {
	return p >= 0 && int(p) < len(points) && points[p].Kind == collector.State
}

func onOff(v float64) string {
	if isOn(v) {
		return "on"
	}
	return "off"
}

// lostWords tells a fault as a fault, with what the device sent and the last good value, so that nobody takes it for
// the limit: 'signal too low: 3.4 mA is below 3.6 mA, wire or sensor broken; last good 7.6 bar'.
func (r *Rule) lostWords(reading *collector.Reading, last float64) string {
	words := reading.Reason()
	if words == "" {
		words = "not a number"
	}
	if math.IsNaN(last) {
		return words + "; never read well"
	}
	return words + "; last good " + r.quantity(last)
}

// counterpart names what the point must agree with.
func (r *Rule) counterpart(points []collector.Point) string {
	switch {
	case r.Other != collector.NoPoint:
		return pointName(points, r.Other)
	case r.Agree.Point == collector.NoPoint:
		return "its condition"
	}
	not := ""
	if r.Agree.Not {
		not = "not "
	}
	return fmt.Sprintf("%s%s %s %s", not, pointName(points, r.Agree.Point), r.Agree.Op, plain(r.Agree.Value))
}

// quantity prints a value with the rule's digits and unit. A rule's limit may be finer than the digits worth
// showing of a reading: then it gets the digits it needs.
func (r *Rule) quantity(v float64) string {
	if math.IsNaN(v) {
		return "no reading"
	}
	text := strconv.FormatFloat(v, 'f', r.Digits, 64)
	if exact := plain(v); v == r.Limit && len(exact) > len(text) && len(exact) < 12 {
		text = exact
	}
	if text = strings.TrimSpace(text); r.Unit == "" {
		return text
	}
	return text + " " + r.Unit
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// longerThan prints for how long, where it is known, and the limit.
func longerThan(seconds float64, limit time.Duration) string {
	var b strings.Builder
	if !math.IsNaN(seconds) {
		b.WriteString(" for " + period(time.Duration(seconds*float64(time.Second))))
	}
	if limit > 0 {
		b.WriteString(", limit " + period(limit))
	}
	return b.String()
}

// period prints a time without idle zeros: 90s is 1m30s, two hours are 2h.
func period(d time.Duration) string {
	if d >= 10*time.Second {
		d = d.Round(time.Second)
	}
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

func pointName(points []collector.Point, p collector.PointID) string {
	if p < 0 || int(p) >= len(points) {
		return "point " + strconv.Itoa(int(p))
	}
	return points[p].Name
}
