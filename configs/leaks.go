package configs

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/leak"
	"roundsman/collector/units"
	"roundsman/configs/strict"
	"roundsman/rules"
)

// leakCondition is a leak test whose condition is read when all conditions are known.
type leakCondition struct {
	v    *strict.Value
	test *compute.LeakTest
}

// leakTest reads a test that is made by itself.
func (b *builder) leakTest(p *point, v *strict.Value, s *compute.Spec) bool {
	t := &compute.LeakTest{Names: map[string]collector.PointID{}}
	s.LeakTest = t
	f, err := units.ConvertDifference(must("L/s"), p.unit)
	if err != nil {
		p.v.KeyFailf("a leak is a flow, the point is %s", describe(p.unit))
		return false
	}
	t.Factor = f
	in, ok1 := b.inputIn(v.Get("pressure"), must("bar"))
	t.Pressure = in
	loaded, ok2 := b.stateOf(v.Get("loaded"))
	t.Loaded = loaded
	ok3 := true
	if c := v.Get("temperature"); c != nil {
		in, ok := b.inputIn(c, must("degC"))
		t.Celsius, ok3 = &in, ok
	}
	ok4 := b.leakSpec(v, &t.Test)
	if w := v.Get("while"); w != nil {
		b.leaks = append(b.leaks, leakCondition{w, t})
	}
	return ok1 && ok2 && ok3 && ok4 && v.Has("while")
}

// stateOf finds a point that must be a state.
func (b *builder) stateOf(v *strict.Value) (collector.PointID, bool) {
	p := b.input(v)
	if p == nil {
		return collector.NoPoint, false
	}
	if p.Kind != collector.State {
		v.Failf("%s is a %s, no state", p.Name, p.Kind)
		return collector.NoPoint, false
	}
	return p.ID, true
}

func (b *builder) leakSpec(v *strict.Value, t *leak.Spec) bool {
	good := true
	for _, k := range []struct {
		key  string
		unit string
		to   *float64
	}{
		{"volume", "L", &t.Vessel.Volume}, {"delivery", "L/s", &t.Delivery}, {"working-pressure", "bar", &t.Vessel.Working},
		{"atmosphere", "bar", &t.Vessel.Atmosphere}, {"reference-pressure", "bar", &t.Vessel.Reference},
		{"reference-temperature", "degC", &t.Vessel.Degrees}, {"least-fall", "bar", &t.LeastFall}, {"most-fall", "bar", &t.MostFall},
	} {
		if x := v.Get(k.key); x != nil {
			n, ok := b.in(x, must(k.unit), "")
			if ok && n <= 0 && k.unit != "degC" {
				x.Failf("%s must be above 0", x.Text())
				ok = false
			}
			*k.to, good = n, good && ok
		}
	}
	t.Settle, t.Every = b.positive(v.Get("settle"), 0), b.positive(v.Get("every"), 0)
	t.Least, t.Most = b.positive(v.Get("least"), 0), b.positive(v.Get("most"), 0)
	if !good || !v.Has("volume") {
		return false
	}
	if err := t.Check(); err != nil {
		v.KeyFailf("%v", err)
		return false
	}
	return true
}

func leakTellsWords() []string { return []string{"usual", "share", "sourcebook"} }

// leakFigure reads another figure of a leak test.
func (b *builder) leakFigure(p *point, v *strict.Value, s *compute.Spec) bool {
	of, tells := v.Get("of"), v.Get("tells")
	q := b.input(of)
	if q == nil || tells == nil {
		return false
	}
	if q.computed != "leak-test" {
		of.Failf("%s is no leak test", q.Name)
		return false
	}
	f := &compute.LeakFigure{Of: q.ID, Tells: compute.LeakTells(slices.Index(leakTellsWords(), tells.Text()))}
	s.LeakFigure = f
	from := must("L/s")
	if f.Tells == compute.LeakShare {
		from = must("ratio")
	}
	factor, err := units.ConvertDifference(from, p.unit)
	if err != nil {
		p.v.KeyFailf("%s is %s, the point is %s", tells.Text(), describe(from), describe(p.unit))
		return false
	}
	f.Factor = factor
	return true
}

// leakUnit is the unit of a figure that names none.
func (b *builder) leakUnit(v *strict.Value) units.Unit {
	if v.Get("tells").Text() == "share" {
		return must("%")
	}
	return b.unitOf(v.Get("of"))
}

// leakConditions turns what must hold for a leak test into an expression: the test is made before the rules are judged.
func (b *builder) leakConditions() {
	for _, l := range b.leaks {
		parts := []string{}
		for _, v := range l.v.Entries() {
			t, ok := b.term(v)
			if !ok {
				continue
			}
			text, ok := b.expression(v, t, l.test.Names)
			if ok {
				parts = append(parts, text)
			}
		}
		if l.test.Idle = strings.Join(parts, " and "); len(parts) < len(l.v.Entries()) {
			l.test.Idle = "false" // what is wrong was said
		}
	}
}

// expression writes a term as an expression over points.
func (b *builder) expression(v *strict.Value, t rules.Term, names map[string]collector.PointID) (string, bool) {
	text, ok := "", true
	if t.Condition >= 0 {
		text, ok = b.conditionExpression(v, t.Condition, names)
	} else {
		p := b.points[t.Point]
		names[p.Name] = p.ID
		text = p.Name
		if p.Kind != collector.State || t.Op != rules.Equal || t.Value != 1 {
			text = fmt.Sprintf("(%s %s %s)", p.Name, opSign(t.Op), strconv.FormatFloat(t.Value, 'g', -1, 64))
		}
	}
	if t.Not {
		text = "(not " + text + ")"
	}
	return text, ok
}

func (b *builder) conditionExpression(v *strict.Value, i int, names map[string]collector.PointID) (string, bool) {
	c := &b.conditions.list[i]
	if c.Hold != 0 || c.Until != nil || c.AtMost != 0 || c.Hours != nil {
		v.Failf("%s has hold, until, at-most or hours; a leak test takes conditions made of points alone", c.Name)
		return "", false
	}
	join := " and "
	if c.Any {
		join = " or "
	}
	var parts []string
	for _, t := range c.Terms {
		if t.Condition >= i { // waits for itself, which was said
			return "", false
		}
		text, ok := b.expression(v, t, names)
		if !ok {
			return "", false
		}
		parts = append(parts, text)
	}
	if len(parts) == 0 {
		return "", false
	}
	return "(" + strings.Join(parts, join) + ")", true
}

// opSign returns how a comparison is written.
func opSign(op rules.Op) string {
	for _, o := range ops {
		if o.op == op && o.sign != "=" {
			return o.sign
		}
	}
	return "=="
}

func leakTestShape() *strict.Shape {
	return strict.TableOf(
		needed("pressure", text(), "The pressure of the receiver, gauge."),
		needed("loaded", text(), "The state that tells that the compressor gives air; of one that starts and stops, that it runs."),
		needed("while", texts(), "Terms that must all hold: then nothing draws air."),
		needed("volume", measure(), "Volume of the receiver and of the pipes open to it."),
		key("delivery", measure(), "What the compressor gives, free air; then large leaks are told by the load test."),
		key("temperature", text(), "Temperature of the receiver's air, where it is measured; steady if not given."),
		key("working-pressure", measure(), "Gauge pressure at which leaks are told and compared; 7 bar."),
		key("atmosphere", measure(), "Absolute pressure around the site; 1.01325 bar."),
		key("reference-pressure", measure(), "Absolute pressure at which free air is told; 1.01325 bar, ISO 1217 has 1 bar."),
		key("reference-temperature", measure(), "Temperature at which free air is told where the air's is measured; 20 degC."),
		key("settle", duration(), "Wait after the last draw or unloading: air just compressed cools; 1m."),
		key("least", duration(), "Shortest bleed-down; 2m."),
		key("most", duration(), "Longest bleed-down; 30m."),
		key("least-fall", measure(), "Least fall of pressure that tells something; 0.2 bar."),
		key("most-fall", measure(), "A bleed-down ends after this fall; 1.5 bar."),
		key("every", duration(), "From a result to the next test; 1h."),
	)
}

func leakFigureShape() *strict.Shape {
	return strict.TableOf(
		needed("of", text(), "The point of the leak test."),
		needed("tells", strict.OneOf("figure of a leak test", leakTellsWords()...), "usual: median of 28 days without the newest day; share: of the delivery, by the load test; sourcebook: the bleed-down times 1.25."),
	)
}
