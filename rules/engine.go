package rules

import (
	"math"
	"math/bits"

	"roundsman/collector"
)

// Engine judges readings by a set of rules and owns the state of every alarm.
// It has no clock: everything follows from the moments, readings and acts it is
// given, so it runs alike live, in tests and over recorded data. How often it is
// called makes no difference either: a deadline that passed is dealt with first,
// at its own moment, and a value holds until the next reading.
//
// An Engine is used by one goroutine at a time.
type Engine struct {
	rules      []Rule
	conditions []condition
	alarms     []alarm // by rule
	terms      []term

	// Ranks order the work of one moment: conditions before the rules that use them, causes before
	// their consequences. The first len(conditions) ranks are conditions.
	byRank []int // condition or rule index

	inputs []input // by point

	due   deadlines
	dirty []uint64 // bits by rank
	todo  bool     // whether a bit is set
	round uint64
	now   collector.Moment
	begun bool

	sight    sight
	out      []Event
	tracking tracking
}

// input is a point as the engine sees it. Most readings are within quiet: they change nothing but themselves.
type input struct {
	quiet  band    // within all of its guards' bands and without a change of its terms
	stamp  uint64  // the round of the latest reading
	last   float64 // the last usable value
	latest collector.Reading
	guards []guard
	terms  []int32 // indices into Engine.terms
}

// guard lets a rule rest while the readings of a point are within a band: see watcher.quiet.
type guard struct {
	band
	rank int32
}

// Step takes the readings that arrived at now, appends the events that follow to events and returns them,
// with the moment at which Step must be called again even if no reading comes (collector.Never if none).
// Readings of points the engine does not know are passed over. A now before the last one counts as the last one.
func (e *Engine) Step(now collector.Moment, readings []collector.Reading, events []Event) ([]Event, collector.Moment) {
	e.out = events
	now = e.settle(now)
	e.round++
	for i := range readings {
		e.take(&readings[i])
	}
	e.expire(now)
	if e.todo {
		e.work()
	}
	events, e.out = e.out, nil
	return events, e.due.next()
}

// Next returns the moment at which Step must be called even if no reading comes.
func (e *Engine) Next() collector.Moment { return e.due.next() }

// Latest returns the latest reading of a point; unread if there was none.
func (e *Engine) Latest(p collector.PointID) collector.Reading {
	if p < 0 || int(p) >= len(e.inputs) {
		return collector.Fail(p, collector.NotRead, math.NaN(), 0, "")
	}
	return e.inputs[p].latest
}

// settle deals with all deadlines before now, each at its own moment, and makes it now.
func (e *Engine) settle(now collector.Moment) collector.Moment {
	if !e.begun {
		e.begun = true
		e.now = max(e.now, now)
		e.touchAll()
	}
	for next := e.due.next(); next < now; next = e.due.next() {
		e.now = max(e.now, next)
		e.round++
		e.expire(next)
		e.work()
	}
	e.now = max(e.now, now)
	return e.now
}

// expire marks everything due at now or before.
func (e *Engine) expire(now collector.Moment) {
	for e.due.next() <= now && e.due.next() != collector.Never {
		e.touch(e.due.pop())
	}
}

// take stores a reading and marks what it may change.
func (e *Engine) take(r *collector.Reading) {
	if uint(r.Point) >= uint(len(e.inputs)) {
		return
	}
	in := &e.inputs[r.Point]
	if in.stamp == e.round { // a second reading of one point: the first is judged before it
		e.work()
		e.round++
	}
	in.stamp = e.round
	in.latest = *r
	switch v := r.Value; {
	case !r.Quality.Usable():
		e.lose(in)
	case v >= in.quiet.lo && v <= in.quiet.hi:
		in.last = v
	case !usable(r):
		e.lose(in)
	default:
		in.last = v
		e.notice(in, v)
	}
}

// notice marks the rules and terms that cannot pass over the value.
func (e *Engine) notice(in *input, v float64) {
	for i := range in.guards {
		if g := &in.guards[i]; v < g.lo || v > g.hi {
			e.touch(int(g.rank))
		}
	}
	for _, i := range in.terms {
		t := &e.terms[i]
		if is := t.compare(v); is != t.truth || !t.known {
			t.truth, t.known = is, true
			e.touch(t.owner)
		}
	}
	e.narrow(in)
}

// narrow works out anew within which values nothing changes.
func (e *Engine) narrow(in *input) {
	q := open()
	for i := range in.guards {
		q = q.and(in.guards[i].band)
	}
	for _, i := range in.terms {
		q = q.and(e.terms[i].quiet(in.last))
	}
	in.quiet = q
}

// lose marks all rules of a point whose reading cannot be used. Terms keep their truth.
func (e *Engine) lose(in *input) {
	for i := range in.guards {
		e.touch(int(in.guards[i].rank))
	}
}

func (e *Engine) touch(rank int) {
	e.dirty[rank>>6] |= 1 << (rank & 63)
	e.todo = true
}

func (e *Engine) touchAll() {
	for rank := range e.byRank {
		e.touch(rank)
	}
}

// work judges all that is marked, in the order of ranks. What it marks itself is always of a higher rank.
func (e *Engine) work() {
	for w := range e.dirty {
		for e.dirty[w] != 0 {
			bit := bits.TrailingZeros64(e.dirty[w])
			e.dirty[w] &^= 1 << bit
			e.judge(w<<6 | bit)
		}
	}
	e.todo = false
}

func (e *Engine) judge(rank int) {
	if e.tracking.judged != nil {
		e.tracking.judged[rank>>6] |= 1 << (rank & 63)
	}
	i := e.byRank[rank]
	if rank >= len(e.conditions) {
		e.judgeAlarm(&e.alarms[i])
		return
	}
	c := &e.conditions[i]
	changed, next := c.update(e, e.now)
	e.due.set(rank, next)
	if changed {
		for _, u := range c.users {
			e.touch(u)
		}
	}
}
