package rules

import (
	"math"

	"roundsman/collector"
)

// alarm is a rule at work.
type alarm struct {
	delays
	index   int
	rank    int
	watcher watcher
	input   *input             // its own point
	guard   *guard             // of its own point
	other   *collector.Reading // nil unless the kind has one
	while   terms
	after   terms
	effects []int // ranks of its consequences

	state       State
	since       collector.Moment
	started     collector.Moment
	truthSince  collector.Moment // when the condition became active
	activations uint64
	verdict     verdict // the watcher's last, before While
	measure     float64 // the last one compared with the limit
	direct      bool    // the measure is the point's own value
	worst       float64
	low         bool // worse is less
	lost        bool // active without a usable reading
	lostSaid    bool
	ackBy       string
	by, why     string
	until       collector.Moment
	cause       int  // rule, -1 none
	speaks      bool // it suppresses its consequences
}

// judgeAlarm brings one alarm up to the present moment.
func (e *Engine) judgeAlarm(a *alarm) {
	if a.state == Shelved && e.now >= a.until {
		e.fire(a, unshelve, "", "")
	}
	e.weighSuppression(a)
	a.worst = e.peak(a)
	f, hold := e.look(a)
	was := a.active
	next := a.judge(e.now, f.verdict, hold)
	switch {
	case a.active && !was:
		a.truthSince, a.worst = e.now, f.measure
	case a.active:
		a.worst = worse(a.worst, f.measure, a.low)
	}
	e.tellFound(a)
	e.align(a, was)
	e.tellLost(a, f, hold)
	e.due.set(a.rank, min(next, f.next, e.remind(a)))
	if quiet := a.watcher.quiet(a.verdict, a.active, a.worst); quiet != a.guard.band {
		a.guard.band = quiet
		e.narrow(a.input)
	}
	e.tellEffects(a)
}

// look asks the watcher, and lets the While terms overrule it.
func (e *Engine) look(a *alarm) (f finding, hold bool) {
	point := &a.input.latest
	s := &e.sight
	*s = sight{now: e.now, point: point, other: a.other, fresh: a.input.stamp == e.round, active: a.active, while: true}
	if !a.while.empty() {
		s.while, _ = e.holds(a.while)
	}
	if !a.after.empty() {
		s.after, _ = e.holds(a.after)
		s.sure = e.sure(a.after)
	}
	f = a.watcher.look(s)
	if !math.IsNaN(f.measure) {
		a.measure = f.measure
	}
	a.verdict = f.verdict
	if !s.while {
		f.verdict = no
	}
	return f, point.Quality != collector.Unread
}

// worse returns the worse of two values; one that is NaN does not count.
func worse(a, b float64, low bool) float64 {
	if math.IsNaN(a) && !math.IsNaN(b) || low && b < a || !low && b > a {
		return b
	}
	return a
}

// align moves the alarm to the state that its condition asks for.
func (e *Engine) align(a *alarm, was bool) {
	switch a.state {
	case Shelved, SuppressedByDesign, OutOfService:
		if a.active == was {
			return
		}
	case Unacknowledged, Acknowledged:
		if a.active {
			return
		}
	default:
		if !a.active {
			return
		}
	}
	if a.active {
		e.fire(a, conditionTrue, "", "")
	} else {
		e.fire(a, conditionFalse, "", "")
	}
}

// weighSuppression suppresses the alarm while a condition or a cause asks for it.
func (e *Engine) weighSuppression(a *alarm) {
	if len(a.rule.CausedBy)+len(a.rule.SuppressWhen) == 0 {
		return
	}
	why, cause := e.suppressor(a)
	switch {
	case why == "" && a.state == SuppressedByDesign:
		e.fire(a, unsuppress, "", "")
		a.restart()
	case why != "" && a.state == SuppressedByDesign:
		a.why, a.cause = why, cause
	case why != "" && e.fire(a, suppress, "", why):
		a.cause = cause
	}
}

// suppressor names the cause that speaks for the alarm, else the condition that silences it.
func (e *Engine) suppressor(a *alarm) (why string, cause int) {
	for _, i := range a.rule.CausedBy {
		if e.alarms[i].speaks {
			return e.rules[i].Name, i
		}
	}
	for _, i := range a.rule.SuppressWhen {
		if e.conditions[i].truth {
			return e.conditions[i].def.Name, -1
		}
	}
	return "", -1
}

// tellEffects lets the consequences know when the alarm begins or ends to speak for them. It does so only while
// a person can see it: a cause that is itself shelved, out of service or silenced by a condition hides nobody else.
func (e *Engine) tellEffects(a *alarm) {
	seen := a.state == Unacknowledged || a.state == Acknowledged || a.state == SuppressedByDesign && a.cause >= 0
	if speaks := a.active && seen; speaks != a.speaks {
		a.speaks = speaks
		for _, rank := range a.effects {
			e.touch(rank)
		}
	}
}

// tellLost says once that an active alarm has lost its reading. A point that was not read yet is not lost.
func (e *Engine) tellLost(a *alarm, f finding, read bool) {
	a.lost = a.active && f.verdict == unknown && read
	switch {
	case a.lost && !a.lostSaid && (a.state == Unacknowledged || a.state == Acknowledged):
		a.lostSaid = true
		e.emit(a, EventReadingLost, a.state, "", "")
	case !a.lost && a.verdict == unknown: // nobody waits for it any more
		a.lostSaid = false
	}
}

// tellFound says once that a reading that was lost is usable again.
func (e *Engine) tellFound(a *alarm) {
	if a.lostSaid && a.verdict != unknown {
		a.lostSaid = false
		e.emit(a, EventReadingFound, a.state, "", "")
	}
}

// remind makes an acknowledged alarm unacknowledged again when it lasts. It returns the alarm's next own deadline.
func (e *Engine) remind(a *alarm) collector.Moment {
	switch {
	case a.state == Shelved:
		return a.until
	case a.state != Acknowledged || a.rule.Realarm <= 0:
		return collector.Never
	}
	at := a.since.Add(a.rule.Realarm)
	if e.now < at {
		return at
	}
	e.fire(a, realarm, "", "")
	return collector.Never
}

// fire applies the table. It reports whether there was a row.
func (e *Engine) fire(a *alarm, on trigger, who, why string) bool {
	t := find(a.rule, a.state, on)
	if t == nil {
		return false
	}
	from := a.state
	if t.to != from {
		a.state, a.since = t.to, e.now
	}
	switch t.kind {
	case EventStarted:
		a.started, a.ackBy = e.now, ""
		a.activations++
	case EventAcknowledged:
		a.ackBy = who
	case EventShelved, EventTakenOut, EventSuppressed:
		a.by, a.why, a.cause = who, why, -1
	case EventUnshelved, EventPutBack, EventUnsuppressed:
		a.by, a.why, a.cause = "", "", -1
	}
	e.emit(a, t.kind, from, who, why)
	if t.to != Shelved {
		a.until = 0
	}
	return true
}

func (e *Engine) emit(a *alarm, kind EventKind, from State, who, why string) {
	r := &a.input.latest
	ev := Event{
		At: e.now, Rule: a.index, Kind: kind, From: from, To: a.state,
		Value: e.value(a), Limit: a.limit(), Quality: r.Quality, Who: who, Why: why,
	}
	if a.direct && !usable(r) {
		ev.Value = math.NaN()
	}
	switch {
	case kind == EventStarted && a.rule.Kind == BadSignal:
		ev.Why = a.rule.lostWords(r, a.input.last)
	case kind == EventStarted && usable(r):
		ev.Why = r.Reason() // 'over range'; of a link or device why it is lost
	}
	if a.state == Shelved {
		ev.Until = a.until
	}
	e.out = append(e.out, ev)
}

// value returns what the alarm was judged by last: its point's last usable value, a slope, a count, the seconds
// counted until now. NaN: nothing yet.
func (e *Engine) value(a *alarm) float64 {
	if w, ok := a.watcher.(passing); ok {
		return w.current(e.now)
	}
	if a.direct {
		return a.input.last
	}
	return a.measure
}

// peak returns the worst value of the present or last activation. What grows by time alone grew since the last look.
func (e *Engine) peak(a *alarm) float64 {
	w, ok := a.watcher.(passing)
	if !ok || !a.active {
		return a.worst
	}
	return worse(a.worst, w.current(e.now), a.low)
}

// limit returns what the measure is compared with; seconds where a time is judged.
func (a *alarm) limit() float64 {
	switch a.rule.Kind {
	case StaleSignal, RunsLonger, IdleLonger:
		return a.rule.Window.Seconds()
	case BadSignal, FormulaIsTrue, Discrepancy:
		return math.NaN()
	}
	return a.rule.Limit
}
