package collector

import (
	"sync/atomic"
	"time"
)

// Moment is a point on the box's steady time scale, in nanoseconds. It begins
// at the Unix time the box believed in when it started and never steps,
// whatever happens to the wall clock: delays, shelves and run time are
// differences of moments. Recorded data use Unix time as their moments.
type Moment int64

// Never is later than every moment: a deadline that does not come.
const Never Moment = 1<<63 - 1

// Add returns the moment d later; Never stays Never.
func (m Moment) Add(d time.Duration) Moment {
	if m == Never {
		return Never
	}
	return m + Moment(d)
}

// Sub returns the time from o to m.
func (m Moment) Sub(o Moment) time.Duration { return time.Duration(m - o) }

// At returns the moment of a time stamp in recorded data.
func At(t time.Time) Moment { return Moment(t.UnixNano()) }

// Clock ties the steady scale to the wall clock. It is safe for simultaneous use.
type Clock struct {
	wall   func() time.Time
	begins Moment       // what wall told at the start
	start  time.Time    // of the steady scale
	step   atomic.Int64 // nanoseconds the wall clock has stepped since start
}

// NewClock returns a clock that begins now.
func NewClock() *Clock { return NewClockFrom(time.Now) }

// NewClockFrom returns a clock that begins now and asks wall what the wall clock tells, which may be wrong and step as
// it likes. Wall is called once here and once a Check.
func NewClockFrom(wall func() time.Time) *Clock {
	return &Clock{wall: wall, begins: At(wall()), start: time.Now()}
}

// Now returns the present moment.
func (c *Clock) Now() Moment { return c.begins.Add(time.Since(c.start)) }

// Time returns the wall time (UTC) of a moment, corrected by all steps seen so far.
func (c *Clock) Time(m Moment) time.Time {
	return time.Unix(0, int64(m)+c.step.Load()).UTC()
}

// Moment returns the moment of a wall time, such as a device's time stamp.
func (c *Clock) Moment(t time.Time) Moment {
	return Moment(t.UnixNano() - c.step.Load())
}

// Check compares the wall clock with the steady scale and returns by how much
// it stepped since the last look. Call it about once a second, from one goroutine.
func (c *Clock) Check() time.Duration {
	wall := c.wall().UnixNano()
	stepped := wall - int64(c.Now()) - c.step.Load()
	c.step.Add(stepped)
	return time.Duration(stepped)
}

// Later returns the later of two times.
func Later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Earlier returns the earlier of two times.
func Earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
