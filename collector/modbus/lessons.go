package modbus

import (
	"cmp"
	"time"

	"roundsman/collector/plan"
	"roundsman/collector/sorting"
)

// lessons are what the devices' refusals taught about their maps. They hold
// for refusedWait and are then forgotten, so that a device that was repaired or
// re-programmed is read in whole blocks again.
type lessons map[lessonKey]lesson

type lessonKey struct {
	unit  uint8
	table Table
}

type lesson struct {
	max   int         // most items a request; 0: nothing learned
	gaps  []plan.Span // addresses between points that spoil a request
	until time.Time
}

// learn notes why a request was refused whose two halves were answered: the
// addresses between them, or, if there are none, its size.
func (l *Link) learn(r, a, b request, now time.Time) {
	k := lessonKey{r.unit.id, r.table}
	le := l.lessons[k]
	if end := a.start + a.count; end < b.start {
		le.gaps = append(le.gaps, plan.Span{First: end, Last: b.start - 1})
	} else if n := int(max(a.count, b.count)); le.max == 0 || n < le.max {
		le.max = n
	}
	le.until = now.Add(refusedWait)
	if l.lessons == nil {
		l.lessons = lessons{}
	}
	l.lessons[k] = le
	clear(l.plans)
}

// forget drops the lessons whose time is over.
func (l *Link) forget(now time.Time) {
	for k, le := range l.lessons {
		if now.After(le.until) {
			delete(l.lessons, k)
			clear(l.plans)
		}
	}
}

// refuse leaves slots out of the rounds until they are asked again.
func (l *Link) refuse(slots []int, why error, now time.Time) {
	for _, n := range slots {
		s := &l.slots[n]
		if s.refusal == nil {
			clear(l.plans)
		}
		s.refusal, s.retryAt = why, now.Add(refusedWait)
	}
}

// reprobe makes all refused slots due for another look: the device may have changed while it was away.
func (l *Link) reprobe(now time.Time) {
	for i := range l.slots {
		if s := &l.slots[i]; s.refusal != nil {
			s.retryAt = now
		}
	}
}

// sort puts slots into the order of their start, the longer first.
func (l *Link) sort(slots []int) {
	sorting.StableFunc(slots, func(i, j int) int {
		a, b := &l.slots[i], &l.slots[j]
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(b.Count(), a.Count()))
	})
}

// tight returns the request that reads just the slots, given in order of their start.
func (l *Link) tight(slots []int) request {
	r := l.alone(slots[0])
	end := int(r.start) + int(r.count)
	for _, n := range slots[1:] {
		s := &l.slots[n]
		end = max(end, int(s.Start)+int(s.Count()))
	}
	r.count = uint16(end - int(r.start))
	r.slots = slots
	return r
}
