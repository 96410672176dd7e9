package rules

import (
	"math"
	"slices"
	"time"

	"roundsman/collector"
)

// Memory is all that an engine knows of its alarms, as plain data without NaN, keyed by name, so that
// another engine goes on where it stopped: after a restart or with changed rules.
type Memory struct {
	At         collector.Moment // when it was taken
	Alarms     map[string]AlarmMemory
	Conditions map[string]ConditionMemory
}

// AlarmMemory is what is known of one alarm.
type AlarmMemory struct {
	Kind           Kind // a rule of another kind does not take over the window
	State          State
	Active         bool
	Since          collector.Moment
	Started        collector.Moment
	TruthSince     collector.Moment // when the condition became active
	Activations    uint64
	HasValue       bool // whether Value means something
	Value          float64
	HasPeak        bool // whether Peak means something
	Peak           float64
	LostSaid       bool // the loss of its reading was told
	AcknowledgedBy string
	By, Why        string
	Until          collector.Moment // end of a shelve

	Delay     Wait   // on-delay or off-delay in progress
	Tally     []Span // true times for OnTotal
	TallyOpen bool
	TallyFrom collector.Moment
	Terms     []Truth // of While, After and Agree

	// The window of the rule's kind: what they mean is the kind's own.
	Samples, Lows []Sample
	Measure       float64
	Known         bool
	Seen          collector.Moment
	Counted       Wait
}

// ConditionMemory is what is known of one condition.
type ConditionMemory struct {
	Truth, Known, Base, Inner, Latched, Holding bool
	Began, Ended                                collector.Moment
	Terms                                       []Truth // of Terms and Until
}

// Truth is what a term last said.
type Truth uint8

// The truths of a term.
const (
	NotKnown Truth = iota
	False
	True
)

// Save returns a copy of all the engine knows. Readings are not part of it.
func (e *Engine) Save() Memory {
	m := Memory{At: e.now, Alarms: make(map[string]AlarmMemory, len(e.alarms)), Conditions: make(map[string]ConditionMemory, len(e.conditions))}
	for i := range e.alarms {
		m.Alarms[e.rules[i].Name] = e.alarms[i].save(e)
	}
	for i := range e.conditions {
		c := &e.conditions[i]
		m.Conditions[c.def.Name] = c.save(e)
	}
	return m
}

func (c *condition) save(e *Engine) ConditionMemory {
	return ConditionMemory{
		Truth: c.truth, Known: c.known, Base: c.base, Inner: c.inner, Latched: c.latched, Holding: c.holding,
		Began: c.began, Ended: c.ended, Terms: e.truths(c.terms.from, c.until.to),
	}
}

func (a *alarm) save(e *Engine) AlarmMemory {
	m := AlarmMemory{
		Kind: a.rule.Kind, State: a.state, Active: a.active, Since: a.since, Started: a.started, TruthSince: a.truthSince,
		Activations: a.activations, LostSaid: a.lostSaid, AcknowledgedBy: a.ackBy, By: a.by, Why: a.why, Until: a.until,
		Delay: a.wait, Tally: a.tally.spans.list(), TallyOpen: a.tally.open, TallyFrom: a.tally.since,
		Terms: append(e.truths(a.while.from, a.while.to), e.truths(a.after.from, a.after.to)...),
	}
	value := e.value(a)
	if m.HasValue = !math.IsNaN(value); m.HasValue {
		m.Value = value
	}
	if peak := e.peak(a); !math.IsNaN(peak) {
		m.HasPeak, m.Peak = true, peak
	}
	a.watcher.save(&m)
	if math.IsNaN(m.Measure) {
		m.Measure = 0
	}
	return m
}

func (e *Engine) truths(from, to int) []Truth {
	var list []Truth
	for _, t := range e.terms[from:to] {
		switch {
		case !t.known:
			list = append(list, NotKnown)
		case t.truth:
			list = append(list, True)
		default:
			list = append(list, False)
		}
	}
	return list
}

// Restore goes on from a memory, by the names of rules and conditions; call it before the first Step. What has
// no name in the memory begins anew. Delays in progress, shelves and windows go on by the real time that passed:
// a delay that is over by now ends with the first reading that still meets its condition. Nothing is judged
// before readings come, except that shelves end. It returns the names of alarms in the memory that have no rule now.
func (e *Engine) Restore(now collector.Moment, m Memory) (gone []string) {
	e.now = max(e.now, now)
	known := make(map[string]bool, len(e.alarms))
	for i := range e.conditions {
		if k, ok := m.Conditions[e.conditions[i].def.Name]; ok {
			e.conditions[i].restore(e, &k)
		}
	}
	for i := range e.alarms {
		name := e.rules[i].Name
		known[name] = true
		if k, ok := m.Alarms[name]; ok {
			e.alarms[i].restore(e, &k)
		}
	}
	e.findCauses()
	for name := range m.Alarms {
		if !known[name] {
			gone = append(gone, name)
		}
	}
	slices.Sort(gone)
	return gone
}

func (c *condition) restore(e *Engine, m *ConditionMemory) {
	c.truth, c.known, c.base, c.inner, c.latched, c.holding = m.Truth, m.Known, m.Base, m.Inner, m.Latched, m.Holding
	c.began, c.ended = m.Began, m.Ended
	e.setTruths(m.Terms, c.terms, c.until)
}

func (a *alarm) restore(e *Engine, m *AlarmMemory) {
	a.state, a.active, a.since, a.started, a.truthSince = m.State, m.Active, m.Since, m.Started, m.TruthSince
	a.activations, a.lostSaid, a.ackBy, a.by, a.why, a.until = m.Activations, m.LostSaid, m.AcknowledgedBy, m.By, m.Why, m.Until
	if m.HasPeak {
		a.worst = m.Peak
	}
	if m.HasValue {
		a.measure = m.Value
		if a.direct && math.IsNaN(a.input.last) {
			a.input.last = m.Value
		}
	}
	if m.Kind != a.rule.Kind {
		return
	}
	a.wait = m.Delay
	a.tally.spans.fill(m.Tally)
	a.tally.open, a.tally.since = m.TallyOpen, m.TallyFrom
	e.setTruths(m.Terms, a.while, a.after)
	a.watcher.restore(m)
}

// setTruths gives terms their last truth, if they are still as many.
func (e *Engine) setTruths(list []Truth, groups ...terms) {
	n := 0
	for _, g := range groups {
		n += g.to - g.from
	}
	if n != len(list) {
		return
	}
	for _, g := range groups {
		for i := g.from; i < g.to; i++ {
			e.terms[i].known, e.terms[i].truth = list[0] != NotKnown, list[0] == True
			list = list[1:]
		}
	}
}

// findCauses works out again who suppresses whom, causes first, without an event.
func (e *Engine) findCauses() {
	for _, i := range e.byRank[len(e.conditions):] {
		a := &e.alarms[i]
		if a.state == SuppressedByDesign {
			if why, cause := e.suppressor(a); why != "" {
				a.why, a.cause = why, cause
			}
		}
		e.tellEffects(a)
	}
}

// Shifted returns the memory with every moment moved by d, for an engine whose time scale begins
// elsewhere, as after a restart with a corrected clock.
func (m Memory) Shifted(d time.Duration) Memory {
	move := func(at *collector.Moment) {
		if *at != 0 {
			*at = at.Add(d)
		}
	}
	moved := Memory{At: m.At.Add(d), Alarms: make(map[string]AlarmMemory, len(m.Alarms)), Conditions: make(map[string]ConditionMemory, len(m.Conditions))}
	for name, a := range m.Alarms {
		a.shift(move)
		moved.Alarms[name] = a
	}
	for name, c := range m.Conditions {
		move(&c.Began)
		move(&c.Ended)
		moved.Conditions[name] = c
	}
	return moved
}

func (m *AlarmMemory) shift(move func(*collector.Moment)) {
	for _, at := range []*collector.Moment{&m.Since, &m.Started, &m.TruthSince, &m.Until, &m.TallyFrom, &m.Seen, &m.Delay.First, &m.Counted.First} {
		move(at)
	}
	m.Tally, m.Samples, m.Lows = slices.Clone(m.Tally), slices.Clone(m.Samples), slices.Clone(m.Lows)
	for i := range m.Tally {
		move(&m.Tally[i].From)
		move(&m.Tally[i].To)
	}
	for i := range m.Samples {
		move(&m.Samples[i].At)
	}
	for i := range m.Lows {
		move(&m.Lows[i].At)
	}
}
