package record

import (
	"maps"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// Change is what one round wants kept, as one transaction. It may be used again after Clear.
type Change struct {
	At    collector.Moment // of the round; zero: now
	Lines []Line

	// Alarms and Conditions hold those whose memory changed; Gone names alarms that have no rule any more.
	Alarms     map[string]rules.AlarmMemory
	Conditions map[string]rules.ConditionMemory
	Gone       []string
	// Whole says that Alarms and Conditions are all there are: what is not among them is forgotten. For a planned
	// stop and after a reload, with rules.Engine.Save.
	Whole bool

	Duty   map[string]duty.Kept     // by equipment, those worth keeping now
	Counts map[string]compute.Count // by point; Count.Point is not kept
	// Intervals that have ended, in their order. Give what the meter knows then, in Duty, with the same change.
	Intervals []Finished
	Services  []Service

	Outbox // messages and what belongs to them
}

// KeepAlarm adds an alarm's memory; it fits rules.Engine.Changed.
func (c *Change) KeepAlarm(name string, m rules.AlarmMemory) {
	if c.Alarms == nil {
		c.Alarms = make(map[string]rules.AlarmMemory)
	}
	c.Alarms[name] = m
}

// KeepCondition adds a condition's memory; it fits rules.Engine.Changed.
func (c *Change) KeepCondition(name string, m rules.ConditionMemory) {
	if c.Conditions == nil {
		c.Conditions = make(map[string]rules.ConditionMemory)
	}
	c.Conditions[name] = m
}

// KeepAll adds all that an engine saved.
func (c *Change) KeepAll(m rules.Memory) {
	c.Alarms, c.Conditions, c.Whole = m.Alarms, m.Conditions, true
}

// Clear empties the change for its next use.
func (c *Change) Clear() {
	c.At, c.Lines, c.Gone, c.Whole = 0, c.Lines[:0], c.Gone[:0], false
	clear(c.Alarms)
	clear(c.Conditions)
	clear(c.Duty)
	clear(c.Counts)
	c.Intervals, c.Services = c.Intervals[:0], c.Services[:0]
	c.Outbox.clear()
}

// Empty reports whether there is nothing to keep.
func (c *Change) Empty() bool {
	return len(c.Lines)+len(c.Alarms)+len(c.Conditions)+len(c.Gone)+len(c.Duty)+len(c.Counts)+len(c.Intervals)+len(c.Services) == 0 && !c.Whole && c.Outbox.empty()
}

// queue is what waits to be written, with moments on the record's scale. It holds at most limit lines and, of
// everything else, the latest memory of each name.
type queue struct {
	limit      int
	lines      []Line
	lost       uint64 // lines dropped, all older than those in lines
	lostFrom   time.Time
	lostLast   Line // the latest of them
	whole      bool
	alarms     map[string]rules.AlarmMemory
	conditions map[string]rules.ConditionMemory
	gone       map[string]bool
	duty       map[string]duty.Kept
	counts     map[string]compute.Count
	runs       map[string]*runs
	looks      map[string]lastLook
	services   []Service
	outbox     waiting
}

func newQueue(limit int) queue {
	return queue{
		limit: limit, alarms: map[string]rules.AlarmMemory{}, conditions: map[string]rules.ConditionMemory{},
		gone: map[string]bool{}, duty: map[string]duty.Kept{}, counts: map[string]compute.Count{},
		runs: map[string]*runs{}, looks: map[string]lastLook{}, outbox: newWaiting(),
	}
}

func (q *queue) empty() bool {
	return len(q.lines)+len(q.alarms)+len(q.conditions)+len(q.gone)+len(q.duty)+len(q.counts)+len(q.runs)+len(q.services) == 0 && q.lost == 0 && !q.whole && q.outbox.empty()
}

// jumps reports whether a line waits at which the wall time steps.
func (q *queue) jumps() bool {
	return slices.ContainsFunc(q.lines, func(l Line) bool { return l.Kind.jumps() })
}

func (q *queue) clear() {
	clear(q.lines) // lets go of their strings
	q.lines, q.lost, q.whole = q.lines[:0], 0, false
	clear(q.alarms)
	clear(q.conditions)
	clear(q.gone)
	clear(q.duty)
	clear(q.counts)
	clear(q.runs)
	clear(q.looks)
	q.services = nil
	q.outbox.clear()
}

// push adds a line and drops the oldest for it if there is no room.
func (q *queue) push(l Line) {
	if len(q.lines) >= q.limit {
		if q.lost == 0 {
			q.lostFrom = q.lines[0].Time
		}
		q.lost++
		q.lostLast = q.lines[0]
		q.lines[0] = Line{}
		q.lines = q.lines[1:] // append moves them to the front of a new array now and then
	}
	q.lines = append(q.lines, l)
}

// take adds the memories of a change, moved by offset.
func (q *queue) take(c *Change, offset time.Duration) {
	if c.Whole {
		clear(q.alarms)
		clear(q.conditions)
		clear(q.gone)
		q.whole = true
	}
	for _, name := range c.Gone {
		delete(q.alarms, name)
		q.gone[name] = true
	}
	if len(c.Alarms)+len(c.Conditions) > 0 {
		m := rules.Memory{Alarms: c.Alarms, Conditions: c.Conditions}.Shifted(offset)
		maps.Copy(q.alarms, m.Alarms)
		maps.Copy(q.conditions, m.Conditions)
	}
	for name, k := range c.Duty {
		q.duty[name] = k.Shifted(offset)
	}
	for name, k := range c.Counts {
		k.Point, k.At = collector.NoPoint, shift(k.At, offset)
		q.counts[name] = k
	}
	q.outbox.take(&c.Outbox, offset)
}

// shift moves a moment; zero means none and stays.
func shift(m collector.Moment, d time.Duration) collector.Moment {
	if m == 0 {
		return 0
	}
	return m.Add(d)
}
