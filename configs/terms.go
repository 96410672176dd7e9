package configs

import (
	"strings"

	"roundsman/collector"
	"roundsman/configs/strict"
	"roundsman/rules"
)

// ops are the comparisons of a term, longest first so that '<=' is not read as '<'.
var ops = []struct {
	sign string
	op   rules.Op
}{
	{"<=", rules.LessOrEqual}, {">=", rules.GreaterOrEqual}, {"!=", rules.NotEqual}, {"==", rules.Equal},
	{"<", rules.Less}, {">", rules.Greater}, {"=", rules.Equal},
}

// terms reads one term or a list of them. It returns nil when one is wrong.
func (b *builder) terms(v *strict.Value) []rules.Term {
	var out []rules.Term
	ok := true
	for _, e := range v.Entries() {
		t, good := b.term(e)
		ok = ok && good
		out = append(out, t)
	}
	if !ok {
		return nil
	}
	return out
}

const termForm = "expected a term such as 'air.compressor.running', 'not wash.open' or 'oil.temperature > 35 degC'"

// term reads 'POINT', 'not POINT', 'POINT < 4 bar', 'CONDITION' or 'not CONDITION'.
func (b *builder) term(v *strict.Value) (rules.Term, bool) {
	text := strings.TrimSpace(v.Text())
	t := rules.Term{Point: collector.NoPoint, Condition: -1}
	if rest, ok := strings.CutPrefix(text, "not "); ok {
		t.Not, text = true, strings.TrimSpace(rest)
	}
	name, value := text, ""
	if i := strings.IndexAny(text, "<>=!"); i >= 0 {
		name = strings.TrimSpace(text[:i])
		for _, o := range ops {
			if rest, ok := strings.CutPrefix(text[i:], o.sign); ok {
				t.Op, value = o.op, strings.TrimSpace(rest)
				break
			}
		}
		if value == "" {
			v.Failf("%q compares with nothing; %s", short(text), termForm)
			return t, false
		}
	}
	if name == "" || strings.ContainsAny(name, " \t") {
		v.Failf("%q is no term; %s", short(v.Text()), termForm)
		return t, false
	}
	return b.resolve(v, t, name, value)
}

// resolve finds the point or condition a term names.
func (b *builder) resolve(v *strict.Value, t rules.Term, name, value string) (rules.Term, bool) {
	if i, ok := b.conditions.find(name); ok {
		if value != "" {
			v.Failf("%s is a condition; it holds or not, and compares with nothing", name)
			return t, false
		}
		t.Condition = i
		b.conditions.use(i)
		return t, true
	}
	p := b.byName[name]
	if p == nil {
		v.Failf("unknown point or condition %q%s", short(name), v.GuessFrom(name, func() []string { return append(b.conditions.names(), b.names...) }))
		return t, false
	}
	t.Point = p.ID
	if value != "" {
		x, ok := b.termValue(v, p, value)
		t.Value = x
		return t, ok
	}
	t.Op, t.Value = rules.Equal, 1
	if p.Kind != collector.State {
		v.Failf("%s is a %s, no state; compare it with a value: '%s > 5%s'", name, p.Kind, name, blankUnit(p))
		return t, false
	}
	return t, true
}

func blankUnit(p *point) string {
	if p.Unit == "" {
		return ""
	}
	return " " + p.Unit
}

// termValue reads the value a point is compared with, a word of the point's own included.
func (b *builder) termValue(v *strict.Value, p *point, value string) (float64, bool) {
	for _, w := range p.v.Get("words").Entries() {
		if w.Key() == value {
			return w.Float(0), true
		}
	}
	return b.inText(v, value, p)
}
