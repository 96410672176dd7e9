package rules

import (
	"math"

	"roundsman/collector"
)

// New returns an engine that judges by set. It checks the whole set and returns all that is wrong with it,
// joined, each with the place where it was defined. The points must be in the order of their ids.
func New(points []collector.Point, set Set) (*Engine, error) {
	if err := check(points, &set); err != nil {
		return nil, err
	}
	e := &Engine{
		rules:      set.Rules,
		conditions: make([]condition, len(set.Conditions)),
		alarms:     make([]alarm, len(set.Rules)),
		inputs:     make([]input, len(points)),
		due:        newDeadlines(len(set.Conditions) + len(set.Rules)),
		dirty:      make([]uint64, (len(set.Conditions)+len(set.Rules)+63)/64),
		now:        math.MinInt64,
	}
	for p := range points {
		unread := collector.Fail(collector.PointID(p), collector.NotRead, math.NaN(), 0, "")
		unread.Quality = collector.Unread
		e.inputs[p] = input{quiet: shut(), latest: unread, last: math.NaN()}
	}
	e.rankAll(&set)
	for i := range set.Conditions {
		e.addCondition(i, &set.Conditions[i])
	}
	for i := range e.rules {
		e.addAlarm(i)
	}
	e.link()
	return e, nil
}

// rankAll orders conditions by use, then rules by cause.
func (e *Engine) rankAll(set *Set) {
	order, _ := sortByNeed(len(set.Conditions), func(i int) []int { return set.Conditions[i].needs() })
	for rank, i := range order {
		e.conditions[i].rank = rank
	}
	e.byRank = append(e.byRank, order...)
	order, _ = sortByNeed(len(set.Rules), func(i int) []int { return set.Rules[i].CausedBy })
	for rank, i := range order {
		e.alarms[i].rank = len(e.conditions) + rank
	}
	e.byRank = append(e.byRank, order...)
}

func (e *Engine) addCondition(i int, def *Condition) {
	c := &e.conditions[i]
	c.def = def
	c.terms = e.addTerms(c.rank, def.Any, def.Terms...)
	c.until = e.addTerms(c.rank, false, def.Until...)
}

func (e *Engine) addAlarm(i int) {
	a, r := &e.alarms[i], &e.rules[i]
	a.rule, a.index, a.input, a.cause = r, i, &e.inputs[r.Point], -1
	a.measure, a.worst = math.NaN(), math.NaN()
	a.watcher = newWatcher(r)
	a.low = r.Kind == Low || r.Kind == LowLow || r.Kind == Rate && r.Limit < 0 || r.Kind == NotReached && !r.Fallen
	switch r.Kind {
	case Low, LowLow, High, HighHigh, Equals, BadSignal, Discrepancy, NotReached, FormulaIsTrue:
		a.direct = true
	}
	if r.hasOther() {
		a.other = &e.inputs[r.Other].latest
	}
	if f, ok := a.watcher.(*formula); ok {
		for _, p := range r.Formula.Points() {
			f.inputs = append(f.inputs, &e.inputs[p].latest)
		}
		f.values = make([]float64, len(f.inputs))
	}
	a.while = e.addTerms(a.rank, false, r.While...)
	switch {
	case r.Kind == NotReached:
		a.after = e.addTerms(a.rank, false, r.After...)
	case r.Kind == Discrepancy && a.other == nil:
		a.after = e.addTerms(a.rank, false, r.Agree)
	}
}

// hasOther reports whether Other takes part.
func (r *Rule) hasOther() bool {
	return (r.Kind == Deviation || r.Kind == Discrepancy) && r.Other != collector.NoPoint
}

func (e *Engine) addTerms(owner int, either bool, list ...Term) terms {
	from := len(e.terms)
	for _, t := range list {
		e.terms = append(e.terms, term{Term: t, owner: owner})
	}
	return terms{from, len(e.terms), either}
}

// link makes the ways from points, conditions and causes to what depends on them.
func (e *Engine) link() {
	for i := range e.rules {
		r, rank := &e.rules[i], e.alarms[i].rank
		for _, p := range append(r.otherPoints(), r.Point) {
			in := &e.inputs[p]
			in.guards = append(in.guards, guard{shut(), int32(rank)})
		}
		for _, c := range r.CausedBy {
			e.alarms[c].effects = append(e.alarms[c].effects, rank)
		}
		for _, c := range r.SuppressWhen {
			e.conditions[c].users = append(e.conditions[c].users, rank)
		}
	}
	for i := range e.alarms { // now that no slice of guards grows any more
		a := &e.alarms[i]
		for k := range a.input.guards {
			if g := &a.input.guards[k]; int(g.rank) == a.rank {
				a.guard = g
			}
		}
	}
	e.linkTerms()
}

// otherPoints returns the points besides Point whose readings the watcher looks at.
func (r *Rule) otherPoints() []collector.PointID {
	var list []collector.PointID
	if r.hasOther() {
		list = append(list, r.Other)
	}
	if r.Kind == Discrepancy && r.Other == collector.NoPoint && r.Agree.Point != collector.NoPoint {
		list = append(list, r.Agree.Point) // whether it is usable counts, beside its truth
	}
	if r.Kind == FormulaIsTrue {
		list = append(list, r.Formula.Points()...)
	}
	return list
}

func (e *Engine) linkTerms() {
	for i := range e.terms {
		t := &e.terms[i]
		if t.Point != collector.NoPoint {
			in := &e.inputs[t.Point]
			in.terms = append(in.terms, int32(i))
			continue
		}
		c := &e.conditions[t.Condition]
		c.users = append(c.users, t.owner)
	}
}

// needs returns the conditions that this one is made of.
func (c *Condition) needs() []int {
	var list []int
	for _, ts := range [][]Term{c.Terms, c.Until} {
		for _, t := range ts {
			if t.Point == collector.NoPoint {
				list = append(list, t.Condition)
			}
		}
	}
	return list
}

// sortByNeed orders 0 to n-1 so that everything comes after what it needs, else as it was.
// If that cannot be, it returns a cycle.
func sortByNeed(n int, needs func(int) []int) (order, cycle []int) {
	const fresh, open, done = 0, 1, 2
	state := make([]int, n)
	var path []int
	var visit func(int) bool
	visit = func(i int) bool {
		path = append(path, i)
		state[i] = open
		for _, k := range needs(i) {
			if state[k] == open {
				path = append(path, k)
				return false
			}
			if state[k] == fresh && !visit(k) {
				return false
			}
		}
		state[i] = done
		path = path[:len(path)-1]
		order = append(order, i)
		return true
	}
	for i := range n {
		if state[i] == fresh && !visit(i) {
			last := path[len(path)-1]
			for path[0] != last {
				path = path[1:]
			}
			return nil, path
		}
	}
	return order, nil
}
