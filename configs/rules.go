package configs

import (
	"path"
	"slices"
	"strings"

	"roundsman/collector"
	"roundsman/configs/strict"
	"roundsman/rules"
)

// ruleRef is one rule of a file: its alarms are rules first to last-1 of the set.
type ruleRef struct {
	v           *strict.Value
	first, last int
}

// entry is one alarm while the set is being built: limit keys may stand at its
// limit (own) or at the rule (v).
type entry struct {
	v, own *strict.Value
	key    string // of its kind: 'low-low'
	point  *point
	rule   rules.Rule
}

// get returns an alarm key of the limit, or else of the rule.
func (e *entry) get(k string) *strict.Value {
	if v := e.own.Get(k); v != nil {
		return v
	}
	return e.v.Get(k)
}

var limitKinds = []string{"low", "low-low", "high", "high-high"}

var otherKinds = []string{"rate", "deviation", "equals", "bad", "stale", "stuck", "discrepancy", "not-reached",
	"total-above", "running-longer-than", "idle-longer-than", "starts-above", "formula"}

// mostAlarms bounds what the patterns of the rule files may grow to.
const (
	mostAlarms = 20000
	mostCauses = 1000000
)

func (b *builder) readRules(files []*strict.Value) {
	b.ruleIndex = map[string]ruleRef{}
	for _, f := range files {
		for _, v := range f.Get("rules").Entries() {
			if !b.addRule(v) {
				return
			}
		}
	}
	b.addOwnRules()
	b.nameAlarms()
	if !b.linkCauses() {
		return
	}
	b.site.Rules.Conditions = b.conditions.list
	b.checkRules(b.entries)
}

// addRule adds the alarms of a rule. It reports whether there is room for more.
func (b *builder) addRule(v *strict.Value) bool {
	if !goodName(v) {
		return true
	}
	if first, ok := b.ruleIndex[v.Key()]; ok {
		v.KeyFailf("a second rule of this name, the first is at %s", first.v.Place())
		return true
	}
	ref := ruleRef{v: v, first: len(b.entries)}
	b.entries = append(b.entries, b.readRule(v)...)
	ref.last = len(b.entries)
	b.ruleIndex[v.Key()] = ref
	if len(b.entries) > mostAlarms {
		v.KeyFailf("more than %d alarms", mostAlarms)
	}
	return len(b.entries) <= mostAlarms
}

func (b *builder) nameAlarms() {
	b.alarms = map[string]int{}
	for i, e := range b.entries {
		if other, ok := b.alarms[e.rule.Name]; ok {
			e.v.KeyFailf("its alarm %s has the name of another, at %s", e.rule.Name, b.entries[other].v.Place())
			continue
		}
		b.alarms[e.rule.Name] = i
	}
}

// linkCauses resolves caused-by. It reports whether all could be.
func (b *builder) linkCauses() bool {
	pairs := 0
	b.site.Rules.Rules = slices.Grow(b.site.Rules.Rules, len(b.entries)) // a large site's are the most there is of it in memory
	for _, e := range b.entries {
		e.rule.CausedBy = b.causes(e)
		if pairs += len(e.rule.CausedBy); pairs > mostCauses {
			e.v.KeyFailf("more than %d pairs of cause and consequence", mostCauses)
			return false
		}
		b.site.Rules.Rules = append(b.site.Rules.Rules, e.rule)
	}
	return true
}

// readRule returns the alarms of one rule.
func (b *builder) readRule(v *strict.Value) []*entry {
	kinds := b.kindsOf(v)
	if len(kinds) == 0 {
		return nil
	}
	b.windowKeysFit(v, kinds)
	pts, several := b.pointsOf(v, kinds[0])
	var out []*entry
	for i, k := range kinds {
		for _, p := range pts {
			if len(out) > mostAlarms {
				return out
			}
			e := &entry{v: v, key: k, point: p}
			if own := v.Get(k); own.IsTable() && slices.Contains(limitKinds, k) {
				e.own = own
			}
			e.rule = rules.Rule{Name: alarmName(v.Key(), k, i), Defined: v.Place(), Point: p.ID, Other: collector.NoPoint, Unit: p.Unit, Digits: max(p.Digits, 0)}
			e.rule.Agree = rules.Term{Point: collector.NoPoint, Condition: -1}
			if several {
				e.rule.Name += ":" + p.Name
			}
			if b.kind(e) {
				b.alarm(e)
				out = append(out, e)
			}
		}
	}
	return out
}

// alarmName names the alarms of a rule with several limits. The first keeps
// the rule's name; another ends in its own kind, in the place of a 'low' or
// 'high' that the name ends in already: reservoir-low, reservoir-low-low.
func alarmName(rule, kind string, i int) string {
	if i == 0 {
		return rule
	}
	for _, end := range []string{"-low", "-high"} {
		rule = strings.TrimSuffix(rule, end)
	}
	return rule + "-" + kind
}

// kindsOf returns the kinds of condition that a rule has: one, or several limits.
func (b *builder) kindsOf(v *strict.Value) []string {
	var limits, others []string
	for _, k := range limitKinds {
		if v.Has(k) {
			limits = append(limits, k)
		}
	}
	for _, k := range otherKinds {
		if v.Has(k) {
			others = append(others, k)
		}
	}
	found := slices.Concat(limits, others)
	switch {
	case len(found) == 0:
		v.Missing("no condition is given (%s)", strings.Join(slices.Concat(limitKinds, otherKinds), ", "))
	case len(others) > 1, len(others) == 1 && len(limits) > 0:
		v.KeyFailf("%s and %s: a rule has one condition; make two rules", found[0], found[1])
		return nil
	}
	return found
}

// windowKeysFit complains about keys that belong to another kind of condition.
func (b *builder) windowKeysFit(v *strict.Value, kinds []string) {
	if kinds[0] != "rate" {
		misplaced(v, "goes with rate", "over")
	} else if !v.Has("over") {
		v.Missing("over is missing: a rate over which time?")
	}
	if kinds[0] != "deviation" {
		misplaced(v, "goes with deviation", "from")
	} else if !v.Has("from") {
		v.Missing("from is missing: a deviation from which point?")
	}
}

// pointsOf returns the points of a rule, and whether it may have several.
func (b *builder) pointsOf(v *strict.Value, kind string) (pts []*point, several bool) {
	names := v.Get("point")
	switch {
	case v.Has("point") && v.Has("points"):
		v.KeyFailf("point and points are the same; give one of them")
		return nil, false
	case v.Has("points"):
		names = v.Get("points")
	case v.Has("point"):
	default:
		return b.impliedPoint(v, kind), false
	}
	several = names.IsList()
	for _, n := range names.Entries() {
		if strings.ContainsAny(n.Text(), "*?[") {
			several = true
			pts = append(pts, b.matching(n)...)
			continue
		}
		p := b.byName[n.Text()]
		if p == nil {
			n.Failf("unknown point %q%s", short(n.Text()), n.Guess(n.Text(), b.names...))
			continue
		}
		pts = append(pts, p)
	}
	return unique(pts), several
}

// unique drops points that two patterns found.
func unique(pts []*point) []*point {
	seen := map[*point]bool{}
	return slices.DeleteFunc(pts, func(p *point) bool {
		was := seen[p]
		seen[p] = true
		return was
	})
}

// impliedPoint is the point of a rule that names it inside its condition.
func (b *builder) impliedPoint(v *strict.Value, kind string) []*point {
	switch kind {
	case "total-above":
		if n := v.Get(kind).Get("point"); n != nil {
			if p := b.byName[n.Text()]; p != nil {
				return []*point{p}
			}
			n.Failf("unknown point %q%s", short(n.Text()), n.Guess(n.Text(), b.names...))
			return nil
		}
	case "formula":
		if f, err := b.condition(v.Get(kind)); err == nil && len(f.Points()) > 0 {
			return []*point{b.points[f.Points()[0]]}
		} else if err != nil {
			b.formulaError(v.Get(kind), err)
			return nil
		}
	}
	v.Missing("point is missing: which point is judged?")
	return nil
}

func (b *builder) matching(n *strict.Value) []*point {
	var out []*point
	if _, err := path.Match(n.Text(), ""); err != nil {
		n.Failf("%q is no pattern; expected one such as power.*", short(n.Text()))
		return nil
	}
	for _, p := range b.points {
		if ok, _ := path.Match(n.Text(), p.Name); ok {
			out = append(out, p)
		}
	}
	if len(out) == 0 {
		n.Failf("no point fits %q", short(n.Text()))
	}
	return out
}

// concerns reports whether a rule over all links or devices can be the cause of an alarm on the other point: the
// loss of one device must not silence the sensors of another.
func (p *point) concerns(other *point) bool {
	switch {
	case p.tells == nothing || other.link == nil:
		return true
	case p.link != other.link:
		return false
	}
	return p.tells == wholeLink || other.tells != wholeLink && p.registers.Unit == other.registers.Unit
}

// causes finds the rules of caused-by. Of a rule over several links or devices it takes those that the alarm's point
// is read by.
func (b *builder) causes(e *entry) []int {
	var out []int
	v := e.get("caused-by")
	for _, c := range v.Entries() {
		ref, ok := b.ruleIndex[c.Text()]
		alarm, single := b.alarms[c.Text()]
		switch {
		case !ok && !single:
			c.Failf("unknown rule %q%s", short(c.Text()), c.GuessFrom(c.Text(), b.ruleNames))
		case ok && ref.v == e.v:
			c.Failf("%s cannot be its own cause", c.Text())
		case ok:
			several := ref.last-ref.first > 1
			for i := ref.first; i < ref.last; i++ {
				if !several || b.entries[i].point.concerns(e.point) {
					out = append(out, i)
				}
			}
		default:
			out = append(out, alarm)
		}
	}
	return out
}

func (b *builder) ruleNames() []string {
	out := make([]string, 0, len(b.ruleIndex))
	for n := range b.ruleIndex {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}
