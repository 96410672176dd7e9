package scaling

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"roundsman/collector"
)

// Channel judges one signal. It belongs to the goroutine of its link.
type Channel struct {
	point       collector.PointID
	spec        Spec
	least, most float64 // ends of the calibration
	low, high   float64 // ends of the range; infinite where there is none
	worst, best float64 // range with NE 43's margins: below worst and above best is no measurement
	plain       bool    // only curve and range are judged

	failing      bool // the current was in a failure band and has not been valid since
	failingSince collector.Moment
	last         float64 // the last measurement, believed or doubted
	measured     bool    // there is one
	rate         change
	still        rest
	window       recent
	told         remark
}

// Shares of the span that NE 43 allows outside the range: 3.8 mA and 20.5 mA.
const (
	marginLow  = 0.2 / 16
	marginHigh = 0.5 / 16
	// slack keeps the rounding of a float32 from deciding at a limit, as a share of the span.
	slack = 1e-6
)

const defaultHold = 2 * time.Second

// New returns the channel of a point. The error says which part of spec contradicts itself.
func New(p collector.PointID, spec Spec) (*Channel, error) {
	if err := spec.check(); err != nil {
		return nil, err
	}
	spec.Points = append([]Pair(nil), spec.Points...)
	if spec.Hold == 0 {
		spec.Hold = defaultHold
	}
	if spec.RawPerMilliamp == 0 {
		spec.RawPerMilliamp = 1
	}
	c := &Channel{point: p, spec: spec}
	c.setEnds()
	c.setRange()
	c.plain = spec.Kind != collector.State && spec.Kind != collector.Text && !spec.Loop && !spec.Clamp &&
		spec.MaxRate == 0 && spec.StuckAfter == 0 && spec.Spike == 0
	return c, nil
}

// check refuses what contradicts itself.
func (s Spec) check() error {
	if err := s.checkPoints(); err != nil {
		return fmt.Errorf("scale: %w", err)
	}
	words := s.Kind == collector.State || s.Kind == collector.Text
	switch {
	case words && (len(s.Points) > 0 || s.Loop || s.MaxRate != 0 || s.Spike != 0):
		return fmt.Errorf("scale: a %v is neither scaled nor judged as a signal", s.Kind)
	case s.Loop && (s.RawPerMilliamp < 0 || notFinite(s.RawPerMilliamp)):
		return fmt.Errorf("raw per mA: %v is not a number above 0", s.RawPerMilliamp)
	case s.Loop && notFinite(s.RawAtZero):
		return fmt.Errorf("raw at 0 mA: %v is not finite", s.RawAtZero)
	case s.Low > s.High || s.Low == s.High && s.Low != 0:
		return fmt.Errorf("range: %v to %v does not rise", s.Low, s.High)
	case s.MaxRate < 0 || notFinite(s.MaxRate):
		return fmt.Errorf("max rate: %v is not a rate of 0 or more", s.MaxRate)
	case s.Spike != 0 && (s.Spike < shortest || s.Spike > longest):
		return fmt.Errorf("spike: a window of %d readings is not within %d to %d", s.Spike, shortest, longest)
	case s.StuckAfter < 0:
		return fmt.Errorf("stuck after: %v is negative", s.StuckAfter)
	case s.Step < 0 || notFinite(s.Step):
		return fmt.Errorf("step: %v is not a step of 0 or more", s.Step)
	}
	return nil
}

func (c *Channel) setEnds() {
	c.least, c.most = math.Inf(1), math.Inf(-1)
	for _, p := range c.spec.Points {
		c.least, c.most = min(c.least, p.Value), max(c.most, p.Value)
	}
}

// setRange sets the range's ends; where only one is given there is no span, and so no margin.
func (c *Channel) setRange() {
	c.low, c.high = math.Inf(-1), math.Inf(1)
	if c.spec.Low == 0 && c.spec.High == 0 {
		c.worst, c.best = c.low, c.high
		return
	}
	span := 0.0
	if c.spec.Low < c.spec.High && !notFinite(c.spec.High-c.spec.Low) {
		span = c.spec.High - c.spec.Low
	}
	if !math.IsNaN(c.spec.Low) {
		c.low = c.spec.Low - slack*span
	}
	if !math.IsNaN(c.spec.High) {
		c.high = c.spec.High + slack*span
	}
	c.worst, c.best = c.low-marginLow*span, c.high+marginHigh*span
}

// Reset forgets what was seen, as after a pause in which the device may have
// been exchanged: the next reading is believed as the first one is.
func (c *Channel) Reset() {
	c.failing, c.measured = false, false
	c.rate, c.still, c.window = change{}, rest{}, recent{}
}

// Judge scales and judges one raw value read at a moment. The outcome depends
// only on the spec, the values before it since the last Reset, and these two.
// It does not allocate while the reading is good or its fault stands unchanged.
//
// The worst finding is told: no number, failed current, current between the
// bands, out of range, too fast or a spike, not moving, under or over range.
func (c *Channel) Judge(raw float64, at collector.Moment) collector.Reading {
	if notFinite(raw) {
		return c.notANumber(raw, at)
	}
	if c.plain { // most points of most rounds: the short way to what judgeValue says of a value in its range
		if v := c.Value(raw); v >= c.low && v <= c.high && !notFinite(v) {
			c.last, c.measured = v, true
			return collector.Reading{Point: c.point, Quality: collector.Good, Value: v, Raw: raw, At: at}
		}
	}
	switch c.spec.Kind {
	case collector.State:
		return c.state(raw, at)
	case collector.Text:
		return collector.Reading{Point: c.point, Quality: collector.Good, Value: raw, Raw: raw, At: at}
	}
	var b band
	if c.spec.Loop {
		current, r, done := c.judgeLoop(raw, at)
		if done {
			return r
		}
		b = current
	}
	return c.judgeValue(b, raw, at)
}

func (c *Channel) state(raw float64, at collector.Moment) collector.Reading {
	r := collector.Reading{Point: c.point, Quality: collector.Good, Raw: raw, At: at}
	if raw != 0 {
		r.Value = 1
	}
	return r
}

func (c *Channel) notANumber(raw float64, at collector.Moment) collector.Reading {
	c.still.seen = false
	return c.reading(collector.NotANumber, raw, at, strconv.FormatFloat(raw, 'g', -1, 64))
}

// judgeValue judges a value whose signal is valid.
func (c *Channel) judgeValue(b band, raw float64, at collector.Moment) collector.Reading {
	v := c.Value(raw)
	switch {
	case notFinite(v):
		return c.notANumber(raw, at)
	case v < c.worst || v > c.best:
		c.still.seen = false
		return c.reading(collector.OutOfRange, raw, at, c.rangeWords(v))
	}
	fault, detail := c.doubts(v, at)
	switch {
	case fault != collector.NoFault:
	case b == under || v < c.low:
		fault = collector.UnderRange
	case b == over || v > c.high:
		fault = collector.OverRange
	}
	r := c.reading(fault, raw, at, detail)
	r.Value = c.clamped(v)
	c.last, c.measured = r.Value, true
	return r
}

// doubts looks for what makes a valid value uncertain. Each check sees every value.
func (c *Channel) doubts(v float64, at collector.Moment) (fault collector.Fault, detail string) {
	stuck := c.spec.StuckAfter > 0 && c.still.stuck(v, at, c.spec.StuckAfter, c.spec.Step)
	spike, median := false, 0.0
	if c.spec.Spike > 0 {
		spike, median = c.window.spike(v, c.spec.Spike, c.spec.Step)
	}
	before := c.rate
	switch {
	case !c.rate.believe(v, at, c.spec.MaxRate, c.spec.Step):
		return collector.TooFast, c.rateWords(before, v, at)
	case spike:
		return collector.TooFast, c.spikeWords(v, median)
	case stuck:
		return collector.Unmoving, c.stuckWords()
	}
	return collector.NoFault, ""
}

// reading returns a reading with a fault, its quality and words.
func (c *Channel) reading(f collector.Fault, raw float64, at collector.Moment, detail string) collector.Reading {
	if f == collector.NoFault && c.told.fault != collector.NoFault {
		c.told = remark{}
	}
	return collector.Fail(c.point, f, raw, at, detail)
}
