package rules

import (
	"math/bits"

	"roundsman/collector"
)

// tracking remembers what Changed told last. It costs nothing until Track.
type tracking struct {
	judged     []uint64 // bits by rank: judged since the last Changed; nil: not tracked
	alarms     []alarmMark
	conditions []conditionMark
}

// alarmMark is what of an alarm's memory is worth telling when it changes.
type alarmMark struct {
	state                      State
	active, lostSaid           bool
	since, started, truthSince collector.Moment
	activations                uint64
	until                      collector.Moment
	ackBy, by, why             string
	wait                       Wait
	tallyOpen                  bool
	tallyFrom                  collector.Moment
	spans                      int
	while, after               uint64 // truths of the terms
	window                     windowMark
	watcher                    marked // nil if its window has nothing of the kind
}

// windowMark is the part of a window that changes seldom enough to be told each time.
type windowMark struct {
	wait  Wait
	at    collector.Moment
	n     int
	on    bool
	armed bool
}

type conditionMark struct {
	truth, known, base, inner, latched, holding bool
	began, ended                                collector.Moment
	terms                                       uint64
}

// marked is a watcher with something worth telling at once.
type marked interface{ mark() windowMark }

func (w *stuck) mark() windowMark { return windowMark{wait: w.cover} }
func (w *runs) mark() windowMark  { return windowMark{wait: w.time} }

func (w *notReached) mark() windowMark {
	return windowMark{at: w.from, on: w.began, armed: w.armed}
}

func (w *starts) mark() windowMark {
	m := windowMark{n: w.at.len(), on: w.on, armed: w.known}
	if m.n > 0 {
		m.at = *w.at.last()
	}
	return m
}

// Track makes what the engine knows now the base of what Changed tells. Call it after Restore, or after New when
// there is nothing to restore: an alarm that never changed since New need not be remembered.
func (e *Engine) Track() {
	e.tracking = tracking{
		judged:     make([]uint64, len(e.dirty)),
		alarms:     make([]alarmMark, len(e.alarms)),
		conditions: make([]conditionMark, len(e.conditions)),
	}
	for i := range e.alarms {
		e.tracking.alarms[i] = e.alarms[i].mark(e)
	}
	for i := range e.conditions {
		e.tracking.conditions[i] = e.conditions[i].mark(e)
	}
}

// Changed calls alarm and condition, by name, for each whose memory changed since the last call or Track: its state
// and all that goes with it, a delay that began, was held, went on or ended, a truth of its terms, a start or a run.
// It tells nothing before Track, and allocates nothing while nothing changed.
//
// What moves with every reading is no change, and is left out or told as it was at the latest change, so that an
// engine that restores it errs neither way by the time that was not kept. A window of Rate begins anew and its last
// slope stands until it is full; one of Stuck begins anew unless it stands unmoved; one of TotalAbove keeps the rises
// it had, and what came between the latest change and the restart is not counted. Value and Peak are those of the
// latest change. The windows of StartsAbove, RunsLonger, IdleLonger and NotReached are exact. Save keeps all.
func (e *Engine) Changed(alarm func(name string, m AlarmMemory), condition func(name string, m ConditionMemory)) {
	for w := range e.tracking.judged {
		for set := e.tracking.judged[w]; set != 0; set &= set - 1 {
			rank := w<<6 | bits.TrailingZeros64(set)
			if i := e.byRank[rank]; rank < len(e.conditions) {
				e.tellCondition(i, condition)
			} else {
				e.tellAlarm(i, alarm)
			}
		}
		e.tracking.judged[w] = 0
	}
}

func (e *Engine) tellAlarm(i int, tell func(string, AlarmMemory)) {
	a := &e.alarms[i]
	if a.marked(e, &e.tracking.alarms[i]) {
		return
	}
	e.tracking.alarms[i] = a.mark(e)
	kept := a.save(e)
	kept.settle(a.verdict)
	tell(e.rules[i].Name, kept)
}

func (e *Engine) tellCondition(i int, tell func(string, ConditionMemory)) {
	m := e.conditions[i].mark(e)
	if m == e.tracking.conditions[i] {
		return
	}
	e.tracking.conditions[i] = m
	tell(e.conditions[i].def.Name, e.conditions[i].save(e))
}

// settle leaves out of a window what will be out of date when it is restored at a later time.
func (m *AlarmMemory) settle(v verdict) {
	switch m.Kind {
	case Rate:
		m.Samples = nil
	case Stuck:
		if v != yes {
			m.Samples, m.Lows, m.Counted = nil, nil, Wait{}
		}
	case TotalAbove:
		m.Known, m.Measure = false, 0 // else the next reading would count as one great rise
	}
}

func (a *alarm) mark(e *Engine) alarmMark {
	m := alarmMark{
		state: a.state, active: a.active, lostSaid: a.lostSaid, since: a.since, started: a.started, truthSince: a.truthSince,
		activations: a.activations, until: a.until, ackBy: a.ackBy, by: a.by, why: a.why,
		wait: a.wait, tallyOpen: a.tally.open, tallyFrom: a.tally.since, spans: a.tally.spans.len(),
		while: e.termMark(a.while.from, a.while.to), after: e.termMark(a.after.from, a.after.to),
	}
	if w, ok := a.watcher.(marked); ok {
		m.watcher, m.window = w, w.mark()
	}
	return m
}

// marked reports whether the mark is the present one, without making another: most alarms that were judged
// have not changed. What changes most often comes first.
func (a *alarm) marked(e *Engine, m *alarmMark) bool {
	return a.wait == m.wait && a.state == m.state && a.active == m.active && a.since == m.since &&
		a.tally.open == m.tallyOpen && a.tally.since == m.tallyFrom && a.tally.spans.len() == m.spans &&
		a.started == m.started && a.truthSince == m.truthSince && a.activations == m.activations &&
		a.lostSaid == m.lostSaid && a.until == m.until && a.ackBy == m.ackBy && a.by == m.by && a.why == m.why &&
		(a.while.empty() || e.termMark(a.while.from, a.while.to) == m.while) &&
		(a.after.empty() || e.termMark(a.after.from, a.after.to) == m.after) &&
		(m.watcher == nil || m.watcher.mark() == m.window)
}

func (c *condition) mark(e *Engine) conditionMark {
	return conditionMark{
		truth: c.truth, known: c.known, base: c.base, inner: c.inner, latched: c.latched, holding: c.holding,
		began: c.began, ended: c.ended, terms: e.termMark(c.terms.from, c.until.to),
	}
}

// termMark mixes the truths of terms into one number.
func (e *Engine) termMark(from, to int) uint64 {
	var mark uint64
	for i := from; i < to; i++ {
		mark *= 3
		if t := &e.terms[i]; t.known {
			mark++
			if t.truth {
				mark++
			}
		}
	}
	return mark
}
