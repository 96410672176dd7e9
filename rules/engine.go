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

	guards  []guard // grouped by point
	guardOf []int   // guards of point p are guards[guardOf[p]:guardOf[p+1]]
	termOf  []int   // terms of point p are termList[termOf[p]:termOf[p+1]]
	termOn  []int32 // indices into terms

	latest []collector.Reading // by point
	last   []float64           // by point: the last usable value
	stamps []uint64            // by point: the round of its latest reading

	due   deadlines
	dirty []uint64 // bits by rank
	todo  bool     // whether a bit is set
	round uint64
	now   collector.Moment
	begun bool

	sight sight
	out   []Event
}

// guard lets most readings of a point pass its rule unlooked: see watcher.quiet.
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
	if p < 0 || int(p) >= len(e.latest) {
		return collector.Fail(p, collector.NotRead, math.NaN(), 0, "")
	}
	return e.latest[p]
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
	p := int(r.Point)
	if uint(p) >= uint(len(e.latest)) {
		return
	}
	if e.stamps[p] == e.round { // a second reading of one point: the first is judged before it
		e.work()
		e.round++
	}
	e.stamps[p] = e.round
	e.latest[p] = *r
	if !usable(r) {
		e.lose(p)
		return
	}
	v := r.Value
	e.last[p] = v
	for i := e.guardOf[p]; i < e.guardOf[p+1]; i++ {
		if g := &e.guards[i]; v < g.lo || v > g.hi {
			e.touch(int(g.rank))
		}
	}
	for _, i := range e.termOn[e.termOf[p]:e.termOf[p+1]] {
		t := &e.terms[i]
		if is := t.compare(v); is != t.truth || !t.known {
			t.truth, t.known = is, true
			e.touch(t.owner)
		}
	}
}

// lose marks all rules of a point whose reading cannot be used. Terms keep their truth.
func (e *Engine) lose(p int) {
	for i := e.guardOf[p]; i < e.guardOf[p+1]; i++ {
		e.touch(int(e.guards[i].rank))
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
