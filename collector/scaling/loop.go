package scaling

import (
	"math"
	"strconv"

	"roundsman/collector"
)

// Limits of a 4-20 mA current in mA: NAMUR NE 43. NE 43's texts differ on which
// band owns the limits themselves; here 3.6 and 21.0 are failures, 3.8 and 20.5 measurements.
const (
	failLow     = 3.6
	measureLow  = 3.8
	rangeStart  = 4.0
	rangeEnd    = 20.0
	measureHigh = 20.5
	failHigh    = 21.0
	// rounding is the slack for currents that come as float32.
	rounding = 2e-6
)

// band is where a current lies.
type band uint8

const (
	within band = iota // 4 to 20 mA
	under              // 3.8 to 4 mA: valid, below the range's start
	over               // 20 to 20.5 mA: valid, above the range's end
	betweenLow
	betweenHigh
	failedLow
	failedHigh
)

// bandOf returns the NE 43 band of a current in mA.
func bandOf(mA float64) band {
	switch {
	case mA <= failLow+rounding:
		return failedLow
	case mA >= failHigh-rounding:
		return failedHigh
	case mA < measureLow-rounding:
		return betweenLow
	case mA > measureHigh+rounding:
		return betweenHigh
	case mA < rangeStart-rounding:
		return under
	case mA > rangeEnd+rounding:
		return over
	}
	return within
}

func (c *Channel) milliamps(raw float64) float64 {
	return (raw - c.spec.RawAtZero) / c.spec.RawPerMilliamp
}

// judgeLoop judges the current. It returns a reading and true when the current
// says that there is no measurement, or that it stands between the bands.
//
// Between the bands there is no valid statement, so the last one goes on: after
// a failure it is still one, else the measurement is uncertain.
func (c *Channel) judgeLoop(raw float64, at collector.Moment) (band, collector.Reading, bool) {
	mA := c.milliamps(raw)
	b := bandOf(mA)
	if b <= over {
		c.failing = false
		return b, collector.Reading{}, false
	}
	if b < failedLow && !c.failing {
		r := c.reading(collector.SignalBetween, raw, at, c.betweenWords(b, mA))
		r.Value = c.clamped(c.Value(raw))
		return b, r, true
	}
	if !c.failing {
		c.failing, c.failingSince = true, at
	}
	return b, c.failed(b, mA, raw, at), true
}

// failed returns the reading of a current in a failure band, or next to it after
// it was there. While held, the last measurement stands, a doubted one too: going
// back to the one before would end a delay that the doubted one began.
func (c *Channel) failed(b band, mA, raw float64, at collector.Moment) collector.Reading {
	fault := collector.SignalLow
	if b == failedHigh || b == betweenHigh {
		fault = collector.SignalHigh
	}
	switch held := at.Sub(c.failingSince) < c.spec.Hold; {
	case held && c.measured:
		r := c.reading(collector.SignalBetween, raw, at, c.failWords(fault, mA))
		r.Value = c.last
		return r
	case held:
		return c.reading(collector.NotRead, raw, at, c.failWords(fault, mA))
	}
	c.still.seen = false
	return c.reading(fault, raw, at, c.failWords(fault, mA))
}

// nearMilliamps is how far a current may move before it is told anew.
const nearMilliamps = 0.01

func (c *Channel) failWords(fault collector.Fault, mA float64) string {
	if c.told.still(fault, mA, nearMilliamps) {
		return c.told.text
	}
	text := formatMilliamps(mA)
	switch {
	case fault == collector.SignalLow && mA > failLow:
		text += ", not back over 3.8 mA since it failed, wire or sensor broken"
	case text == "3.6 mA":
		text += " is not above 3.6 mA, wire or sensor broken"
	case fault == collector.SignalLow:
		text += " is below 3.6 mA, wire or sensor broken"
	case mA < failHigh:
		text += ", not back under 20.5 mA since it failed, short circuit or sensor broken"
	case text == "21 mA":
		text += " is not below 21 mA, short circuit or sensor broken"
	default:
		text += " is above 21 mA, short circuit or sensor broken"
	}
	return c.told.keep(fault, mA, text)
}

func (c *Channel) betweenWords(b band, mA float64) string {
	if c.told.still(collector.SignalBetween, mA, nearMilliamps) {
		return c.told.text
	}
	text := formatMilliamps(mA) + " is between failure and measurement, 3.6 to 3.8 mA"
	if b == betweenHigh {
		text = formatMilliamps(mA) + " is between measurement and failure, 20.5 to 21 mA"
	}
	return c.told.keep(collector.SignalBetween, mA, text)
}

func formatMilliamps(mA float64) string {
	return strconv.FormatFloat(math.Round(mA*1000)/1000, 'f', -1, 64) + " mA"
}
