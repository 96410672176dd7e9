package compute

import (
	"roundsman/collector"
	"roundsman/collector/alike"
)

// Follow lets the set go on from another one of the same room: windows, counters, leak tests and the latest readings of
// what did not change are taken over, as they are. ids gives each point of before its number in this set, NoPoint to one
// that is gone; changed says, by the numbers of this set, which points are new or made otherwise. Follow marks in it the computed
// points that are: a computed point goes on only if it is computed as before from points that did not change.
//
// Call it before the first Step; before must not be used afterwards, but for Counts and Leaks, which tell what it knew.
func (s *Set) Follow(before *Set, ids []collector.PointID, changed []bool) {
	as := func(p collector.PointID) collector.PointID {
		if p < 0 || int(p) >= len(ids) {
			return collector.NoPoint
		}
		return ids[p]
	}
	was := map[collector.PointID]*cell{}
	for _, c := range before.cells {
		if p := as(c.point); p != collector.NoPoint {
			was[p] = c
		}
	}
	for _, c := range s.cells { // each after all it takes
		old := was[c.point]
		if old == nil || old.changed(c, as, changed) {
			changed[c.point] = true
			continue
		}
		c.work, c.note = old.work, old.note
	}
	_ = joinLeaks(s.points, s.cells) // they were joined before
	for old, r := range before.latest {
		if p := as(collector.PointID(old)); p != collector.NoPoint && !changed[p] {
			r.Point = p
			s.latest[p], s.moments[p] = r, before.moments[old]
		}
	}
}

// changed reports whether the new cell computes otherwise than c did, or from something else.
func (c *cell) changed(now *cell, as func(collector.PointID) collector.PointID, changed []bool) bool {
	if changed[now.point] || !alike.Values(*c.spec, *now.spec, as) {
		return true
	}
	for _, in := range now.inputs {
		if changed[in.Point] {
			return true
		}
	}
	return false
}
