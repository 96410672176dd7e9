package rules

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"roundsman/collector"
)

// maxStarts bounds the memory of a rule that counts starts.
const maxStarts = 100_000

// longest bounds every time of a rule, so that no deadline leaves the time scale.
const longest = 10 * 366 * 24 * time.Hour

// checker gathers all that is wrong with a set.
type checker struct {
	points []collector.Point
	set    *Set
	errs   []error
}

// check returns all that is wrong with a set, joined; nil if it can be judged by.
func check(points []collector.Point, set *Set) error {
	c := &checker{points: points, set: set}
	for i := range points {
		if points[i].ID != collector.PointID(i) {
			c.fail("", "point "+points[i].Name, "has id %d at place %d", points[i].ID, i)
		}
	}
	names := make(map[string]bool, len(set.Rules))
	for i := range set.Rules {
		r := &set.Rules[i]
		c.name(r.Defined, "rule", i, r.Name, names)
		c.rule(r)
	}
	clear(names)
	for i := range set.Conditions {
		k := &set.Conditions[i]
		c.name("", "condition", i, k.Name, names)
		c.terms("", k.Name, k.Terms)
		c.terms("", k.Name, k.Until)
		c.times("", k.Name, k.Hold, k.AtMost)
	}
	if len(c.errs) == 0 {
		c.cycles()
	}
	return errors.Join(c.errs...)
}

func (c *checker) fail(defined, name, format string, args ...any) {
	text := name + ": " + fmt.Sprintf(format, args...)
	if defined != "" {
		text = defined + ": " + text
	}
	c.errs = append(c.errs, errors.New(text))
}

// name: state is kept by name, so each needs one of its own.
func (c *checker) name(defined, what string, i int, name string, names map[string]bool) {
	switch {
	case name == "":
		c.fail(defined, fmt.Sprintf("%s %d", what, i), "has no name")
	case names[name]:
		c.fail(defined, name, "a second %s of this name", what)
	}
	names[name] = true
}

func (c *checker) isPoint(p collector.PointID) bool { return p >= 0 && int(p) < len(c.points) }

func (c *checker) rule(r *Rule) {
	fail := func(format string, args ...any) { c.fail(r.Defined, r.Name, format, args...) }
	if !c.isPoint(r.Point) {
		fail("point %d does not exist", r.Point)
	}
	if int(r.Kind) >= len(kindWords) {
		fail("unknown kind of condition")
	}
	if math.IsNaN(r.Limit) || math.IsInf(r.Limit, 0) {
		fail("limit is not a number")
	}
	if !(r.Deadband >= 0) || math.IsInf(r.Deadband, 0) {
		fail("deadband must be 0 or more")
	}
	c.times(r.Defined, r.Name, r.OnDelay, r.OffDelay, r.OnTotal, r.OnWithin, r.Window, r.Realarm)
	if r.OnTotal > r.OnWithin {
		fail("on-total: %s do not fit into %s", r.OnTotal, r.OnWithin)
	}
	c.terms(r.Defined, r.Name, r.While)
	c.indices(r, "caused-by", r.CausedBy, len(c.set.Rules))
	c.indices(r, "suppress-when", r.SuppressWhen, len(c.set.Conditions))
	c.kind(r, fail)
}

// kind checks what the rule's kind of condition needs.
func (c *checker) kind(r *Rule, fail func(string, ...any)) {
	switch r.Kind {
	case Rate, Stuck, NotReached, TotalAbove, RunsLonger, IdleLonger, StartsAbove:
		if r.Window <= 0 {
			fail("%s needs a time", r.Kind)
		}
	}
	switch r.Kind {
	case Rate:
		if r.Limit == 0 {
			fail("rate of 0 has no direction")
		}
		if r.Deadband > math.Abs(r.Limit) {
			fail("deadband %g is wider than the limit %g: it would not end", r.Deadband, r.Limit)
		}
	case Deviation, TotalAbove, StartsAbove:
		if r.Limit < 0 {
			fail("%s: limit %g is below 0", r.Kind, r.Limit)
		}
		if r.Deadband > r.Limit {
			fail("deadband %g is wider than the limit %g: it would not end", r.Deadband, r.Limit)
		}
	case Stuck:
		if r.Limit <= 0 {
			fail("stuck: the least movement must be over 0")
		}
	}
	switch r.Kind {
	case Deviation:
		if !c.isPoint(r.Other) {
			fail("deviation needs another point")
		}
	case Discrepancy:
		if r.Other == collector.NoPoint {
			c.terms(r.Defined, r.Name, []Term{r.Agree})
		} else if !c.isPoint(r.Other) {
			fail("point %d does not exist", r.Other)
		}
	case NotReached:
		if len(r.After) == 0 {
			fail("not-reached needs 'after'")
		}
		c.terms(r.Defined, r.Name, r.After)
	case StartsAbove:
		if r.Limit > maxStarts {
			fail("more than %d starts cannot be counted", maxStarts)
		}
	case FormulaIsTrue:
		c.formula(r, fail)
	}
}

func (c *checker) times(defined, name string, list ...time.Duration) {
	for _, d := range list {
		switch {
		case d < 0:
			c.fail(defined, name, "negative time %s", d)
		case d > longest:
			c.fail(defined, name, "%s is longer than ten years", d)
		}
	}
}

func (c *checker) formula(r *Rule, fail func(string, ...any)) {
	if r.Formula == nil {
		fail("no formula")
		return
	}
	for _, p := range r.Formula.Points() {
		if !c.isPoint(p) {
			fail("formula: point %d does not exist", p)
		}
	}
}

func (c *checker) terms(defined, name string, list []Term) {
	for _, t := range list {
		switch {
		case t.Point != collector.NoPoint && !c.isPoint(t.Point):
			c.fail(defined, name, "point %d does not exist", t.Point)
		case t.Point == collector.NoPoint && (t.Condition < 0 || t.Condition >= len(c.set.Conditions)):
			c.fail(defined, name, "condition %d does not exist", t.Condition)
		case t.Op > NotEqual:
			c.fail(defined, name, "unknown comparison")
		case math.IsNaN(t.Value):
			c.fail(defined, name, "compares with no number")
		}
	}
}

func (c *checker) indices(r *Rule, key string, list []int, n int) {
	for _, i := range list {
		if i < 0 || i >= n {
			c.fail(r.Defined, r.Name, "%s: %d does not exist", key, i)
		}
	}
}

// cycles: two alarms that are each other's cause would silence each other.
func (c *checker) cycles() {
	set := c.set
	if _, cycle := sortByNeed(len(set.Rules), func(i int) []int { return set.Rules[i].CausedBy }); cycle != nil {
		c.fail(set.Rules[cycle[0]].Defined, "caused-by", "goes in a circle: %s",
			path(cycle, func(i int) string { return set.Rules[i].Name }))
	}
	if _, cycle := sortByNeed(len(set.Conditions), func(i int) []int { return set.Conditions[i].needs() }); cycle != nil {
		c.fail("", "conditions", "go in a circle: %s", path(cycle, func(i int) string { return set.Conditions[i].Name }))
	}
}

func path(cycle []int, name func(int) string) string {
	words := make([]string, len(cycle))
	for i, k := range cycle {
		words[i] = name(k)
	}
	return strings.Join(words, ", ")
}
