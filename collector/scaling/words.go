package scaling

import (
	"fmt"
	"math"
	"strconv"

	"roundsman/collector"
)

// remark keeps the words last told, so that a standing fault is told in the
// same words and costs nothing.
type remark struct {
	fault collector.Fault
	value float64
	text  string
}

// still reports whether the words for a fault and value are those last told, the value being near enough.
func (m *remark) still(f collector.Fault, value, near float64) bool {
	return m.fault == f && math.Abs(value-m.value) <= near
}

func (m *remark) keep(f collector.Fault, value float64, text string) string {
	*m = remark{f, value, text}
	return text
}

// show returns a value with its unit, in six digits.
func (c *Channel) show(v float64) string {
	s := strconv.FormatFloat(v, 'g', 6, 64)
	if c.spec.Unit == "" {
		return s
	}
	return s + " " + c.spec.Unit
}

func (c *Channel) rangeWords(v float64) string {
	near := c.spec.Step
	if span := c.spec.High - c.spec.Low; !notFinite(span) {
		near = max(near, span/1000)
	}
	if c.told.still(collector.OutOfRange, v, near) {
		return c.told.text
	}
	text := ""
	switch {
	case math.IsNaN(c.spec.High):
		text = fmt.Sprintf("%s is below %s", c.show(v), c.show(c.spec.Low))
	case math.IsNaN(c.spec.Low):
		text = fmt.Sprintf("%s is above %s", c.show(v), c.show(c.spec.High))
	default:
		text = fmt.Sprintf("%s is outside %v to %s", c.show(v), c.spec.Low, c.show(c.spec.High))
	}
	return c.told.keep(collector.OutOfRange, v, text)
}

func (c *Channel) rateWords(before change, v float64, at collector.Moment) string {
	verb := "rose"
	if v < before.value {
		verb = "fell"
	}
	text := fmt.Sprintf("%s by %s in %v, at most %s/s is believed at once",
		verb, c.show(math.Abs(v-before.value)), at.Sub(before.at).Abs(), c.show(c.spec.MaxRate))
	return c.told.keep(collector.TooFast, v, text)
}

func (c *Channel) spikeWords(v, median float64) string {
	text := fmt.Sprintf("%s stands out from %s, the median of the last %d", c.show(v), c.show(median), c.spec.Spike)
	return c.told.keep(collector.TooFast, v, text)
}

func (c *Channel) stuckWords() string {
	if c.told.still(collector.Unmoving, 0, 0) {
		return c.told.text
	}
	text := fmt.Sprintf("has not moved by more than %s for %v", c.show(c.spec.Step), c.spec.StuckAfter)
	return c.told.keep(collector.Unmoving, 0, text)
}
