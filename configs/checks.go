package configs

import (
	"fmt"
	"slices"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/sorting"
	"roundsman/rules"
)

// mostCompared bounds with how many limits on its point a limit is compared.
const mostCompared = 100

// checkRules makes the checks that need all rules.
func (b *builder) checkRules(all []*entry) {
	byPoint := map[collector.PointID][]*entry{}
	for _, e := range all {
		if e.rule.Kind <= rules.HighHigh {
			byPoint[e.rule.Point] = append(byPoint[e.rule.Point], e)
		}
	}
	for _, p := range b.points {
		for i, e := range byPoint[p.ID] {
			b.endless(e)
			for _, other := range byPoint[p.ID][:min(i, mostCompared)] {
				b.contradiction(other, e)
			}
		}
	}
	b.causeCycles(all)
	b.silentCauses(all)
}

// silentCauses warns of alarms that call, but not while a cause of theirs is active that calls nobody: consequences are
// told with their cause.
func (b *builder) silentCauses(all []*entry) {
	if !b.calls {
		return
	}
	for _, e := range all {
		if e.rule.CallOut == "" {
			continue
		}
		for _, cause := range e.rule.CausedBy {
			if c := all[cause]; c.rule.CallOut == "" {
				e.get("caused-by").Warnf("while %s is active nobody is called about %s: a consequence is told with its cause, and that has no call-out", c.rule.Name, e.rule.Name)
			}
		}
	}
}

// limitAt returns where the limit of an alarm is written.
func (e *entry) say(format string, args ...any) {
	if l := e.own.Get("limit"); l != nil {
		l.Failf(format, args...)
		return
	}
	e.v.Get(e.key).Failf(format, args...)
}

// endless complains about a deadband that reaches beyond the instrument's range.
func (b *builder) endless(e *entry) {
	r, p := &e.rule, e.point
	if !(p.High > p.Low) {
		return
	}
	if low := r.Kind <= rules.LowLow; low && r.Limit <= p.High && r.Limit+r.Deadband > p.High || !low && r.Limit >= p.Low && r.Limit-r.Deadband < p.Low {
		e.sayDeadband("a deadband of %s reaches out of the range of %s, %s to %s: the alarm would not end",
			p.show(r.Deadband), p.Name, p.show(p.Low), p.show(p.High))
	}
}

func (e *entry) sayDeadband(format string, args ...any) {
	if d := e.get("deadband"); d != nil {
		d.Failf(format, args...)
		return
	}
	e.say(format, args...)
}

// contradiction compares two limits on one point; the second stands later in the files.
func (b *builder) contradiction(a, z *entry) {
	first, second := a, z
	if a.rule.Kind > z.rule.Kind {
		first, second = z, a
	}
	l, h := first.rule.Limit, second.rule.Limit
	where := func(e *entry) string {
		if a.v == z.v {
			return e.key
		}
		return fmt.Sprintf("%s of %s", e.key, e.rule.Name)
	}
	if a.v != z.v && (a.v.Has("while") || z.v.Has("while")) {
		return // 'low' of the summer and 'low-low' of the winter need not agree
	}
	p := z.point
	switch k1, k2 := first.rule.Kind, second.rule.Kind; {
	case k1 == rules.Low && k2 == rules.LowLow && h >= l:
		second.say("%s is not below %s, %s: low-low is the harder limit", p.show(h), where(first), p.show(l))
	case k1 == rules.High && k2 == rules.HighHigh && h <= l:
		second.say("%s is not above %s, %s: high-high is the harder limit", p.show(h), where(first), p.show(l))
	case k1 > rules.LowLow || k2 < rules.High:
	case l >= h:
		z.say("%s overlaps with %s, %s: one of them is always in alarm", p.show(z.rule.Limit), where(a), p.show(a.rule.Limit))
	case first.rule.Deadband >= h-l:
		first.sayDeadband("a deadband of %s is wider than the band up to %s, %s: the alarm would not end before the next",
			p.show(first.rule.Deadband), where(second), p.show(h))
	case second.rule.Deadband >= h-l:
		second.sayDeadband("a deadband of %s is wider than the band down to %s, %s: the alarm would not end before the next",
			p.show(second.rule.Deadband), where(first), p.show(l))
	}
}

// causeCycles complains about alarms that are each other's cause: they would silence each other.
func (b *builder) causeCycles(all []*entry) {
	list := b.site.Rules.Rules
	state := make([]uint8, len(list)) // 0 new, 1 on the way, 2 done
	var visit func(i int, path []string)
	visit = func(i int, path []string) {
		path = append(path, list[i].Name)
		switch state[i] {
		case 2:
			return
		case 1:
			path = path[slices.Index(path, list[i].Name):]
			all[i].get("caused-by").KeyFailf("goes in a circle, and each would silence the next: %s", chain(path))
			return
		}
		state[i] = 1
		for _, c := range list[i].CausedBy {
			visit(c, path)
		}
		state[i] = 2
	}
	for i := range list {
		visit(i, nil)
	}
}

// checkAddresses complains about registers that two points read differently.
func (b *builder) checkAddresses() {
	type lane struct {
		link  string
		unit  uint8
		table modbus.Table
	}
	lanes := map[lane][]*point{}
	for _, p := range b.points {
		if p.registers.ok && p.Type != modbus.Bit && p.Type != modbus.Bool {
			k := lane{p.Link, p.registers.Unit, p.Table}
			lanes[k] = append(lanes[k], p)
		}
	}
	for _, list := range lanes {
		sorting.StableFunc(list, func(a, z *point) int { return int(a.Start) - int(z.Start) })
		for i := 1; i < len(list); i++ {
			overlap(list[i-1], list[i])
		}
	}
}

// overlap complains about two points on the same registers; the later in the file is told.
func overlap(a, z *point) {
	if int(a.Start)+int(a.Count()) <= int(z.Start) {
		return
	}
	if a.ID > z.ID {
		a, z = z, a
	}
	switch {
	case a.Start == z.Start && a.Type == z.Type && a.Order == z.Order:
		z.v.Remarkf("reads the same register as %s", a.Name)
	case a.Start == z.Start:
		z.v.KeyFailf("%s is %s %s here and %s %s in %s", z.Address, z.Type, z.Order, a.Type, a.Order, a.Name)
	default:
		z.v.KeyFailf("%s overlaps with %s of %s", z.Address, a.Address, a.Name)
	}
}

// checkConditions remarks on conditions that nothing uses.
func (b *builder) checkConditions() {
	for i, v := range b.conditions.at {
		if v != nil && !b.conditions.used[i] {
			v.Remarkf("nothing uses this condition")
		}
	}
}
