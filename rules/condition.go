package rules

import (
	"math"

	"roundsman/collector"
)

// term is a Term of one owner with what is known of it.
type term struct {
	Term
	owner int // rank of the condition or rule it belongs to
	truth bool
	known bool // its point was read once
}

// compare judges a usable value.
func (t *Term) compare(v float64) bool {
	var is bool
	switch t.Op {
	case Less:
		is = v < t.Value
	case LessOrEqual:
		is = v <= t.Value
	case Greater:
		is = v > t.Value
	case GreaterOrEqual:
		is = v >= t.Value
	case Equal:
		is = v == t.Value
	case NotEqual:
		is = v != t.Value
	}
	return is != t.Not
}

// quiet returns values around v, the point's own, for which the term says the same; none before it is known.
func (t *term) quiet(v float64) band {
	if !t.known || math.IsNaN(v) || t.compare(v) != t.truth { // restored, and not read since
		return shut()
	}
	b := open()
	over, under := math.Nextafter(t.Value, math.Inf(1)), math.Nextafter(t.Value, math.Inf(-1))
	switch {
	case t.Op == Less || t.Op == GreaterOrEqual:
		over = t.Value
	case t.Op == LessOrEqual || t.Op == Greater:
		under = t.Value
	case v == t.Value:
		return band{v, v}
	}
	if v >= over {
		b.lo = over
	} else {
		b.hi = under
	}
	return b
}

// terms is a range of the engine's terms.
type terms struct {
	from, to int
	any      bool
}

func (t terms) empty() bool { return t.from == t.to }

// holds reports the truth of the terms together and whether each was known once. No terms hold.
func (e *Engine) holds(ts terms) (truth, known bool) {
	truth, known = !ts.any || ts.empty(), true
	for i := ts.from; i < ts.to; i++ {
		is, k := e.truth(&e.terms[i])
		known = known && k
		if ts.any {
			truth = truth || is
		} else {
			truth = truth && is
		}
	}
	return truth, known
}

// truth returns the truth of one term; what is not known yet is false.
func (e *Engine) truth(t *term) (truth, known bool) {
	if t.Point != collector.NoPoint {
		return t.truth, t.known
	}
	c := &e.conditions[t.Condition]
	return c.known && c.truth != t.Not, c.known
}

// sure reports whether the terms rest on readings that are usable now.
func (e *Engine) sure(ts terms) bool {
	for i := ts.from; i < ts.to; i++ {
		t := &e.terms[i]
		if t.Point != collector.NoPoint && !usable(&e.inputs[t.Point].latest) {
			return false
		}
	}
	return true
}

// condition is a Condition at work.
type condition struct {
	def          *Condition
	terms, until terms
	rank         int
	users        []int // ranks of the conditions and rules that use it

	truth, known bool
	base         bool             // the terms, at the last look
	latched      bool             // between its beginning and Until or AtMost
	began        collector.Moment // of the latch
	inner        bool             // before Hold and Hours
	ended        collector.Moment // when inner ended
	holding      bool             // Hold runs since ended
}

func (c *condition) isLatch() bool { return !c.until.empty() || c.def.AtMost > 0 }

// update judges the condition anew and returns whether its truth changed and when to look again.
func (c *condition) update(e *Engine, now collector.Moment) (changed bool, next collector.Moment) {
	base, known := e.holds(c.terms)
	inner, next := base, collector.Never
	if c.isLatch() {
		inner, next = c.latch(e, now, base)
	}
	c.base = base
	truth, due := c.hold(now, inner)
	next = min(next, due)
	if c.def.Hours != nil {
		inside, due := c.def.Hours.At(now)
		truth = truth && inside != c.def.NotHours
		if due > now {
			next = min(next, due)
		}
	}
	changed = truth != c.truth || known != c.known
	c.truth, c.known = truth, known || c.known
	return changed, next
}

// latch begins when the terms become true and ends when Until holds or AtMost is over.
func (c *condition) latch(e *Engine, now collector.Moment, base bool) (bool, collector.Moment) {
	if base && !c.base {
		c.latched, c.began = true, now
	}
	if !c.latched {
		return false, collector.Never
	}
	if !c.until.empty() {
		if ended, _ := e.holds(c.until); ended {
			c.latched = false
			return false, collector.Never
		}
	}
	if c.def.AtMost <= 0 {
		return true, collector.Never
	}
	end := c.began.Add(c.def.AtMost)
	c.latched = now < end
	if !c.latched {
		return false, collector.Never
	}
	return true, end
}

// hold keeps it true for Hold after inner ended.
func (c *condition) hold(now collector.Moment, inner bool) (bool, collector.Moment) {
	if c.inner && !inner {
		c.ended, c.holding = now, c.def.Hold > 0
	}
	c.inner = inner
	if inner || !c.holding {
		return inner, collector.Never
	}
	end := c.ended.Add(c.def.Hold)
	c.holding = now < end
	if !c.holding {
		return false, collector.Never
	}
	return true, end
}
