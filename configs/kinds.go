package configs

import (
	"math"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/units"
	"roundsman/configs/strict"
	"roundsman/rules"
)

// kind fills in the condition of an alarm. It reports whether it is whole.
func (b *builder) kind(e *entry) bool {
	v := e.v.Get(e.key)
	if v == nil {
		return false
	}
	e.rule.While = b.terms(e.v.Get("while"))
	switch e.key {
	case "low", "low-low", "high", "high-high":
		return b.limit(e, v)
	case "rate":
		return b.rateLimit(e, v)
	case "deviation":
		return b.deviation(e, v)
	case "equals":
		return b.equals(e, v)
	case "bad":
		e.rule.Kind = rules.BadSignal
		if !v.Bool() {
			v.Failf("false says nothing; leave the rule out")
		}
		return v.Bool()
	case "stale":
		e.rule.Kind, e.rule.Window = rules.StaleSignal, b.positive(v, 0)
		return true
	case "stuck":
		return b.stuck(e, v)
	case "discrepancy":
		return b.discrepancy(e, v)
	case "not-reached":
		return b.notReached(e, v)
	case "total-above":
		return b.totalAbove(e, v)
	case "running-longer-than", "idle-longer-than":
		return b.runTime(e, v)
	case "starts-above":
		return b.startsAbove(e, v)
	}
	return b.formulaIsTrue(e, v)
}

func (b *builder) numeric(e *entry, v *strict.Value) bool {
	if e.point.Kind == collector.Text || e.point.Kind == collector.State {
		v.KeyFailf("%s is a %s and has no limits", e.point.Name, e.point.Kind)
		return false
	}
	return true
}

func (b *builder) limit(e *entry, v *strict.Value) bool {
	if v.IsTable() {
		if v = v.Get("limit"); v == nil {
			return false
		}
	}
	e.rule.Kind = map[string]rules.Kind{"low": rules.Low, "low-low": rules.LowLow, "high": rules.High, "high-high": rules.HighHigh}[e.key]
	if !b.numeric(e, v) {
		return false
	}
	x, ok := b.in(v, e.point.unit, "point")
	e.rule.Limit = x
	if ok && e.point.High > e.point.Low && (x < e.point.Low || x > e.point.High) {
		v.Failf("%s is outside the range of %s, %s to %s: it is never reached", v.Text(), e.point.Name, e.point.show(e.point.Low), e.point.show(e.point.High))
	}
	return ok
}

// show prints a value with the point's unit.
func (p *point) show(x float64) string {
	return units.Quantity{Value: x, Unit: p.unit}.String()
}

func (b *builder) rateLimit(e *entry, v *strict.Value) bool {
	e.rule.Kind, e.rule.Window = rules.Rate, b.positive(e.v.Get("over"), time.Minute)
	if !b.numeric(e, v) {
		return false
	}
	x, ok := b.differenceIn(v, perSecond(e.point.unit), "the rate of the point")
	if ok && x == 0 {
		v.Failf("a rate of 0 has no direction: below a negative rate it falls, above a positive one it rises")
		return false
	}
	e.rule.Limit, e.rule.Unit, e.rule.Digits = x, perSecond(e.point.unit).String(), 3
	return ok
}

func (b *builder) deviation(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.Deviation
	if !b.numeric(e, v) {
		return false
	}
	x, ok := b.differenceIn(v, e.point.unit, "point")
	e.rule.Limit = x
	if ok && x <= 0 {
		v.Failf("%s must be above 0", v.Text())
	}
	from := e.v.Get("from")
	if from == nil {
		return false
	}
	other := b.input(from)
	if other == nil {
		return false
	}
	if other.unit != e.point.unit {
		from.Failf("%s is %s, %s is %s: give both the same unit", other.Name, describe(other.unit), e.point.Name, describe(e.point.unit))
		return false
	}
	e.rule.Other = other.ID
	return ok
}

func (b *builder) equals(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.Equals
	if x, ok := map[string]float64{"true": 1, "on": 1, "false": 0, "off": 0}[v.Text()]; ok && e.point.Kind == collector.State {
		e.rule.Limit = x
		return true
	}
	if e.point.Kind == collector.Text && !e.point.v.Has("words") {
		v.KeyFailf("%s is a text without words; nothing can be compared with it", e.point.Name)
		return false
	}
	x, ok := b.termValue(v, e.point, v.Text())
	e.rule.Limit = x
	if ok && e.point.Kind == collector.State && x != 0 && x != 1 {
		v.Failf("%s is a state, 0 or 1: never %s", e.point.Name, v.Text())
	}
	return ok
}

// stuck needs a least movement: one step of the point's resolution where none is given.
func (b *builder) stuck(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.Stuck
	over, less := v, (*strict.Value)(nil)
	if v.IsTable() {
		over, less = v.Get("over"), v.Get("less-than")
	}
	e.rule.Window = b.positive(over, 0)
	e.rule.Limit = e.point.Resolution
	ok := over != nil
	if less != nil {
		e.rule.Limit, ok = b.differenceIn(less, e.point.unit, "point")
		if ok && e.rule.Limit <= 0 {
			less.Failf("%s must be above 0", less.Text())
		}
		return ok
	}
	if e.rule.Limit == 0 {
		v.KeyFailf("the resolution of %s is not known: say less-than which movement counts as none", e.point.Name)
		return false
	}
	return ok
}

func (b *builder) state(p *point, v *strict.Value, what string) bool {
	if p.Kind != collector.State {
		v.KeyFailf("%s is a %s, no state; %s", p.Name, p.Kind, what)
	}
	return p.Kind == collector.State
}

func (b *builder) discrepancy(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.Discrepancy
	with := v
	if v.IsTable() {
		if with = v.Get("with"); with == nil {
			return false
		}
	}
	if !b.state(e.point, v, "a discrepancy is between a state and what it must agree with") {
		return false
	}
	t, ok := b.term(with)
	if !ok {
		return false
	}
	if t.Point != collector.NoPoint && b.points[t.Point].Kind == collector.State && t.Op == rules.Equal && t.Value == 1 && !t.Not {
		e.rule.Other = t.Point
		return true
	}
	e.rule.Agree = t
	return true
}

func (b *builder) notReached(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.NotReached
	value, after := v.Get("value"), v.Get("after")
	if value == nil || after == nil || !b.numeric(e, v) {
		return false
	}
	x, ok := b.in(value, e.point.unit, "point")
	if ok && e.point.High > e.point.Low && (x < e.point.Low || x > e.point.High) {
		value.Failf("%s is outside the range of %s, %s to %s: it is never reached", value.Text(), e.point.Name, e.point.show(e.point.Low), e.point.show(e.point.High))
	}
	e.rule.Limit, e.rule.Fallen = x, v.Get("falling").Bool()
	e.rule.Window = b.positive(v.Get("within"), 0)
	e.rule.After = b.terms(after)
	return ok && len(e.rule.After) > 0 && e.rule.Window > 0
}

func (b *builder) totalAbove(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.TotalAbove
	if n := v.Get("point"); n != nil && e.v.Has("point") && n.Text() != e.point.Name {
		n.Failf("the rule's point is %s; give one of them", e.point.Name)
	}
	value := v.Get("value")
	if value == nil || !b.numeric(e, v) {
		return false
	}
	x, ok := b.differenceIn(value, e.point.unit, "point")
	if ok && x < 0 {
		value.Failf("%s must not be below 0", value.Text())
	}
	e.rule.Limit, e.rule.Window = x, b.positive(v.Get("over"), 0)
	return ok && e.rule.Window > 0
}

func (b *builder) runTime(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.RunsLonger
	if e.key == "idle-longer-than" {
		e.rule.Kind = rules.IdleLonger
	}
	e.rule.Window = b.positive(v, 0)
	e.rule.Limit, e.rule.Unit, e.rule.Digits = e.rule.Window.Seconds(), "s", 0
	return b.state(e.point, v, "only a state runs or stands") && e.rule.Window > 0
}

func (b *builder) startsAbove(e *entry, v *strict.Value) bool {
	e.rule.Kind, e.rule.Window, e.rule.Unit, e.rule.Digits = rules.StartsAbove, time.Hour, "starts", 0
	count := v
	if v.IsTable() {
		if count = v.Get("count"); count == nil {
			return false
		}
		e.rule.Window = b.positive(v.Get("over"), time.Hour)
	}
	e.rule.Limit = count.Float(0)
	if e.rule.Limit < 0 || e.rule.Limit != math.Trunc(e.rule.Limit) || e.rule.Limit > 100000 {
		count.Failf("%s is no count of starts", count.Text())
		return false
	}
	return b.state(e.point, v, "only a state has starts")
}

func (b *builder) formulaIsTrue(e *entry, v *strict.Value) bool {
	e.rule.Kind = rules.FormulaIsTrue
	f, err := b.condition(v)
	if err != nil {
		b.formulaError(v, err)
		return false
	}
	e.rule.Formula = f
	return true
}

func (b *builder) condition(v *strict.Value) (*compute.ConditionProgram, error) {
	return compute.CompileCondition(v.Text(), b.resolver(map[string]collector.PointID{}))
}

// onTotal reads '5m of 10m'.
func (b *builder) onTotal(v *strict.Value, r *rules.Rule) {
	if v == nil {
		return
	}
	first, last, ok := strings.Cut(v.Text(), " of ")
	total, err1 := units.ParseDuration(first)
	within, err2 := units.ParseDuration(last)
	switch {
	case !ok || err1 != nil || err2 != nil:
		v.Failf("%q is no share of time; expected one such as '5m of 10m'", short(v.Text()))
	case total <= 0 || total > within:
		v.Failf("%s: the first time must be longer than nothing and no longer than the second", v.Text())
	default:
		r.OnTotal, r.OnWithin = total, within
	}
}
