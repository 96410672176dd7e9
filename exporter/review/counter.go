package review

import (
	"time"

	"roundsman/collector"
)

// Counter counts the starts of alarms as they happen: how many in the last ten minutes and the last hour, and whether
// there is a flood. Its memory is bounded: it keeps the moments of the last starts in a ring. Counts beyond the ring's
// size are given as that size; floods are exact all the same, their begin and end need ten starts only.
//
// It counts on the steady scale: a step of the wall clock changes nothing. After a start of the daemon, step it through
// the last hour's starts of the journal. It is used by one goroutine at a time.
type Counter struct {
	o      Options
	ring   []collector.Moment
	total  uint64 // starts so far; start number i stands at i modulo the ring's size
	ten    uint64 // number of the oldest start of the last ten minutes
	hour   uint64 // and of the last hour
	now    collector.Moment
	since  collector.Moment // begin of the present flood
	first  uint64           // start the present flood's count begins with
	peak   int
	inside bool
}

// ringSize is how many starts a Counter keeps: 32 KiB.
const ringSize = 4096

// FloodChange is the begin or end of a flood.
type FloodChange struct {
	At     collector.Moment
	Began  bool             // else it ended
	Since  collector.Moment // its begin
	Alarms int              // that made it begin; at the end, all of it
	Peak   int              // most in ten minutes so far, at most the ring's size
}

// Recent is the state of a Counter.
type Recent struct {
	TenMinutes, Hour int // starts within the last ten minutes and hour
	AtLeast          bool
	Flood            bool
	Since            collector.Moment // begin of the present flood
	Alarms           int              // of the present flood so far
}

// NewCounter returns a counter that has seen nothing. It errs on options that cannot be.
func NewCounter(o Options) (*Counter, error) {
	o = o.filled()
	if err := o.check(); err != nil {
		return nil, err
	}
	return &Counter{o: o, ring: make([]collector.Moment, max(ringSize, o.FloodBegins))}, nil
}

// Step counts the alarms that started at now, all of that moment in one call, and appends the floods that began or
// ended since the last call to changes. It returns the moment at which it wants to be called again even if nothing
// starts: the present flood may be over then. A now before the last one counts as the last one. Notes are not counted:
// the caller passes over them.
func (c *Counter) Step(now collector.Moment, starts int, changes []FloodChange) ([]FloodChange, collector.Moment) {
	c.now = max(c.now, now)
	if end := c.ends(); end < c.now || end == c.now && starts == 0 {
		changes = append(changes, c.end(end))
	}
	for range starts {
		c.ring[c.total%uint64(len(c.ring))] = c.now
		c.total++
	}
	c.ten, c.hour = c.oldest(c.ten, tenMinutes), c.oldest(c.hour, time.Hour)
	n := int(c.total - c.ten)
	if !c.inside && starts > 0 && n >= c.o.FloodBegins {
		c.inside, c.since, c.first, c.peak = true, c.now, c.ten, n
		changes = append(changes, FloodChange{At: c.now, Began: true, Since: c.now, Alarms: n, Peak: n})
	}
	c.peak = max(c.peak, n)
	return changes, c.ends()
}

// Recent returns the counts at a moment, at or after the last Step.
func (c *Counter) Recent(now collector.Moment) Recent {
	c.now = max(c.now, now)
	c.ten, c.hour = c.oldest(c.ten, tenMinutes), c.oldest(c.hour, time.Hour)
	r := Recent{TenMinutes: int(c.total - c.ten), Hour: int(c.total - c.hour), Flood: c.ends() > c.now && c.inside}
	r.AtLeast = r.Hour == len(c.ring)
	if r.Flood {
		r.Since, r.Alarms = c.since, int(c.total-c.first)
	}
	return r
}

// ends returns when the present flood is over if nothing starts any more; Never without one.
func (c *Counter) ends() collector.Moment {
	if !c.inside {
		return collector.Never
	}
	return c.ring[(c.total-uint64(c.o.FloodEnds))%uint64(len(c.ring))].Add(tenMinutes)
}

func (c *Counter) end(at collector.Moment) FloodChange {
	c.inside = false
	return FloodChange{At: at, Since: c.since, Alarms: int(c.total - c.first), Peak: c.peak}
}

// oldest moves on to the first start later than a width ago that is still in the ring.
func (c *Counter) oldest(i uint64, width time.Duration) uint64 {
	if size := uint64(len(c.ring)); c.total > size {
		i = max(i, c.total-size)
	}
	for i < c.total && c.ring[i%uint64(len(c.ring))] <= c.now.Add(-width) {
		i++
	}
	return i
}
