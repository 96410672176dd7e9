package configs

import (
	"errors"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// computedUnit returns the unit of a computed point that names none: that of
// what it is made from.
func (b *builder) computedUnit(p *point) units.Unit {
	v := p.v.Get(p.computed)
	switch p.computed {
	case "difference", "sum":
		if e := v.Entries(); len(e) > 0 {
			return b.unitOf(e[0])
		}
	case "ratio":
		return b.ratioUnit(v)
	case "mean":
		return b.unitOf(v)
	case "rate":
		return perSecond(b.unitOf(v))
	case "pulses":
		u, _ := b.pulseUnit(p, v).Per(must("min"))
		return u
	case "total":
		return b.pulseUnit(p, v)
	case "tank":
		return must("L")
	case "hydrostatic":
		return must("m")
	case "leak-test":
		return must("L/s")
	case "leak-figure":
		return b.leakUnit(v)
	}
	return units.None
}

// ratioUnit is ratio for two of a kind, else the unit of what is above the line.
func (b *builder) ratioUnit(v *strict.Value) units.Unit {
	of, to := v.Get("of"), v.Get("to")
	if e := v.Entries(); v.IsList() && len(e) == 2 {
		of, to = e[0], e[1]
	} else if v.Has("share-with") {
		return must("ratio")
	}
	if of == nil || to == nil {
		return units.None
	}
	a, z := b.unitOf(of), b.unitOf(to)
	if _, err := units.ConvertDifference(a, z); err == nil {
		return must("ratio")
	}
	return a
}

// unitOf returns the unit of a point named by v, settling it first.
func (b *builder) unitOf(v *strict.Value) units.Unit {
	if p := b.byName[v.Text()]; p != nil {
		b.settle(p)
		return p.unit
	}
	return units.None
}

// pulseUnit returns what the pulses of a counter mean: the unit of per-pulse, or the counter's own.
func (b *builder) pulseUnit(p *point, counter *strict.Value) units.Unit {
	if q, err := units.ParseQuantity(p.v.Get("per-pulse").Text()); err == nil {
		return q.Unit
	}
	return b.unitOf(counter)
}

// input finds the point that v names. It is nil, and said so, if there is none.
func (b *builder) input(v *strict.Value) *point {
	if v == nil {
		return nil
	}
	p := b.byName[v.Text()]
	if p == nil {
		v.Failf("unknown point %q%s", short(v.Text()), v.Guess(v.Text(), b.names...))
		return nil
	}
	if p.Kind == collector.Text {
		v.Failf("%s is a text; nothing can be computed from it", p.Name)
		return nil
	}
	return p
}

// inputIn is input, converted to a unit.
func (b *builder) inputIn(v *strict.Value, u units.Unit) (compute.Input, bool) {
	p := b.input(v)
	if p == nil {
		return compute.Input{}, false
	}
	f, o, err := units.Convert(p.unit, u)
	if err != nil {
		v.Failf("%s is %s, wanted is %s", p.Name, describe(p.unit), describe(u))
		return compute.Input{}, false
	}
	return compute.Input{Point: p.ID, Factor: f, Offset: o}, true
}

// compute hands a computed point to package compute.
func (b *builder) compute(p *point) {
	v := p.v.Get(p.computed)
	if v == nil {
		return
	}
	b.strangers(p)
	s := compute.Spec{Point: p.ID, Name: p.Name}
	ok := map[string]func(*point, *strict.Value, *compute.Spec) bool{
		"difference": b.difference, "sum": b.sum, "ratio": b.ratio, "pulses": b.flow, "total": b.total,
		"tank": b.volume, "hydrostatic": b.level, "rate": b.rate, "mean": b.mean, "formula": b.formula,
		"leak-test": b.leakTest, "leak-figure": b.leakFigure,
	}[p.computed](p, v, &s)
	if ok {
		b.site.Compute = append(b.site.Compute, s)
	}
}

// strangers complains about keys that belong to another computation.
func (b *builder) strangers(p *point) {
	goes := map[string][]string{
		"per-pulse": {"pulses", "total"}, "rolls-over-at": {"pulses", "total"},
		"over": {"pulses", "rate", "mean"}, "while": {"mean"},
	}
	for _, k := range computedOnly {
		with := goes[k]
		if !slices.Contains(with, p.computed) {
			misplaced(p.v, "does not go with "+p.computed, k)
		}
	}
}

func (b *builder) difference(p *point, v *strict.Value, s *compute.Spec) bool {
	e := v.Entries()
	if len(e) != 2 {
		return false
	}
	a, ok1 := b.inputIn(e[0], p.unit)
	z, ok2 := b.inputIn(e[1], p.unit)
	s.Difference = &compute.Difference{A: a, B: z}
	return ok1 && ok2
}

func (b *builder) sum(p *point, v *strict.Value, s *compute.Spec) bool {
	s.Sum = &compute.Sum{}
	all := true
	for _, e := range v.Entries() {
		in, ok := b.inputIn(e, p.unit)
		all = all && ok
		s.Sum.Terms = append(s.Sum.Terms, in)
	}
	return all
}

// ratio reads [A, B] or {of: A, to: B} or {of: A, share-with: B}. Two of a
// kind give a plain ratio or %; two of different kinds give A's unit (litres a car).
func (b *builder) ratio(p *point, v *strict.Value, s *compute.Spec) bool {
	r := &compute.Ratio{}
	s.Ratio = r
	of, to := v.Get("of"), v.Get("to")
	if e := v.Entries(); v.IsList() && len(e) == 2 {
		of, to = e[0], e[1]
	} else if v.Has("to") == v.Has("share-with") {
		v.KeyFailf("expected to or share-with, one of them")
		return false
	} else if w := v.Get("share-with"); w != nil {
		to, r.OfSum = w, true
	}
	a, d := b.input(of), b.input(to)
	if a == nil || d == nil {
		return false
	}
	r.Least, _ = b.optional(v.Get("least"), d.unit, d.Name)
	r.A, r.B = compute.Input{Point: a.ID, Factor: 1}, compute.Input{Point: d.ID, Factor: 1}
	f, o, err := units.Convert(d.unit, a.unit)
	if err != nil {
		if r.OfSum {
			to.Failf("%s is %s, %s is %s: they do not add up", d.Name, describe(d.unit), a.Name, describe(a.unit))
			return false
		}
		in, ok := b.inputIn(of, p.unit)
		r.A = in
		return ok
	}
	r.B.Factor, r.B.Offset = f, o
	return b.inPercent(p, r)
}

// inPercent fits a ratio of like things to the point's unit.
func (b *builder) inPercent(p *point, r *compute.Ratio) bool {
	if p.unit == units.None {
		return true
	}
	f, err := units.ConvertDifference(must("ratio"), p.unit)
	if err != nil {
		p.v.Get("unit").Failf("%s: the ratio of two like things is a plain number or %%", p.unit)
		return false
	}
	if r.OfSum && f != 1 {
		// a/(a+b) in % cannot be had by scaling one input; package compute computes a plain share.
		p.v.Get("unit").Failf("%s: a share is a ratio from 0 to 1 (a limit may be written in %%)", p.unit)
		return false
	}
	r.A.Factor *= f
	return true
}

// pulses reads counter, per-pulse and roll-over for a flow or total in the unit u.
func (b *builder) pulses(p *point, v *strict.Value, u units.Unit) (counter *point, perPulse, modulus float64, ok bool) {
	counter = b.input(v)
	if counter == nil {
		return nil, 0, 0, false
	}
	q := units.Quantity{Value: 1, Unit: counter.unit}
	if pp := p.v.Get("per-pulse"); pp != nil {
		if q, ok = b.quantity(pp); !ok {
			return nil, 0, 0, false
		}
		if q.Value <= 0 {
			pp.Failf("%s must be above 0", pp.Text())
			return nil, 0, 0, false
		}
	}
	f, err := units.ConvertDifference(q.Unit, u)
	if err != nil {
		p.v.KeyFailf("the pulses count %s, the point is %s", describe(q.Unit), describe(p.unit))
		return nil, 0, 0, false
	}
	return counter, q.Value * f, b.modulus(p, counter), true
}

// modulus returns the value at which the counter begins again: as written, or by its type and scale.
func (b *builder) modulus(p, counter *point) float64 {
	if m := p.v.Get("rolls-over-at"); m != nil {
		return m.Float(0)
	}
	if counter.link == nil || counter.link.modbus == nil {
		return 0
	}
	step := counter.Resolution
	if step == 0 {
		step = 1
	}
	return modulusOf(counter.Type) * step
}

func (b *builder) flow(p *point, v *strict.Value, s *compute.Spec) bool {
	base := volumeOfFlow(p.unit)
	counter, per, modulus, ok := b.pulses(p, v, base)
	if !ok {
		return false
	}
	f, err := units.ConvertDifference(perSecond(base), p.unit)
	if err != nil {
		p.v.KeyFailf("pulses give a flow, the point is %s", describe(p.unit))
		return false
	}
	s.Flow = &compute.Flow{Counter: counter.ID, PerPulse: per * f, PerTime: time.Second,
		Over: b.positive(p.v.Get("over"), time.Minute), Modulus: modulus}
	return true
}

// volumeOfFlow returns a unit that a flow in u carries per second: any that, per second, converts to u.
func volumeOfFlow(u units.Unit) units.Unit {
	for _, symbol := range []string{"L", "m", "kg", "cars", "pulses", "starts", "kWh"} {
		if v := must(symbol); v != units.None {
			if _, err := units.ConvertDifference(perSecond(v), u); err == nil {
				return v
			}
		}
	}
	return units.None
}

func (b *builder) total(p *point, v *strict.Value, s *compute.Spec) bool {
	counter, per, modulus, ok := b.pulses(p, v, p.unit)
	if !ok {
		return false
	}
	s.Total = &compute.Total{Counter: counter.ID, PerPulse: per, Modulus: modulus}
	return true
}

func (b *builder) volume(p *point, v *strict.Value, s *compute.Spec) bool {
	shape := b.tank(v)
	level := b.input(v.Get("level"))
	f, err := units.ConvertDifference(must("m3"), p.unit)
	if err != nil {
		p.v.KeyFailf("a tank gives a volume, the point is %s", describe(p.unit))
		return false
	}
	if shape == nil || level == nil {
		return false
	}
	s.Volume = &compute.Volume{Tank: shape, Factor: f, Level: compute.Input{Point: level.ID}}
	in, ok := b.inputAny(v.Get("level"), level, must("m"), must("ratio"))
	s.Volume.Level, s.Volume.Share = in, isRatio(level.unit)
	return ok
}

func isRatio(u units.Unit) bool {
	_, err := units.ConvertDifference(u, must("ratio"))
	return err == nil && u != units.None
}

// inputAny converts to the first unit that fits.
func (b *builder) inputAny(v *strict.Value, p *point, us ...units.Unit) (compute.Input, bool) {
	for _, u := range us {
		if f, o, err := units.Convert(p.unit, u); err == nil && p.unit != units.None {
			return compute.Input{Point: p.ID, Factor: f, Offset: o}, true
		}
	}
	v.Failf("%s is %s; a level is a length, or a share of the height in %%", p.Name, describe(p.unit))
	return compute.Input{}, false
}

func (b *builder) level(p *point, v *strict.Value, s *compute.Spec) bool {
	in, ok := b.inputIn(v.Get("pressure"), must("Pa"))
	l := &compute.Level{Pressure: in, Degrees: 15}
	s.Level = l
	var ok1, ok2 bool
	l.Density, ok1 = b.optional(v.Get("density"), must("kg/m3"), "")
	l.Above, ok2 = b.optional(v.Get("above"), must("m"), "")
	if t := v.Get("temperature"); t != nil {
		if named := b.byName[t.Text()]; named != nil {
			in, good := b.inputIn(t, must("degC"))
			l.Temperature, ok = &in, ok && good
		} else {
			x, good := b.in(t, must("degC"), "")
			l.Degrees, ok = x, ok && good
		}
	}
	f, err := units.ConvertDifference(must("m"), p.unit)
	if err != nil {
		p.v.KeyFailf("hydrostatic gives a level, the point is %s", describe(p.unit))
		return false
	}
	l.Factor = f
	return ok && ok1 && ok2
}

func (b *builder) rate(p *point, v *strict.Value, s *compute.Spec) bool {
	of := b.input(v)
	if of == nil {
		return false
	}
	f, err := units.ConvertDifference(perSecond(of.unit), p.unit)
	if err != nil {
		p.v.KeyFailf("the rate of %s is %s, the point is %s", of.Name, describe(perSecond(of.unit)), describe(p.unit))
		return false
	}
	s.Rate = &compute.Rate{Of: compute.Input{Point: of.ID, Factor: f}, Over: b.window(p), PerTime: time.Second}
	return true
}

// window returns over, which rates and means need.
func (b *builder) window(p *point) time.Duration {
	if !p.v.Has("over") {
		p.v.Missing("over is missing: a %s over which time?", p.computed)
	}
	return b.positive(p.v.Get("over"), time.Minute)
}

func (b *builder) mean(p *point, v *strict.Value, s *compute.Spec) bool {
	of := b.input(v)
	if of == nil {
		return false
	}
	m := &compute.Mean{Over: b.window(p), While: collector.NoPoint}
	s.Mean = m
	from := of.unit
	if of.Kind == collector.State && p.unit != units.None {
		from = must("ratio")
	}
	f, o, err := units.Convert(from, p.unit)
	if err != nil {
		p.v.KeyFailf("the mean of %s is %s, the point is %s", of.Name, describe(from), describe(p.unit))
		return false
	}
	m.Of = compute.Input{Point: of.ID, Factor: f, Offset: o}
	if w := p.v.Get("while"); w != nil {
		on := b.input(w)
		if on == nil {
			return false
		}
		if on.Kind != collector.State {
			w.Failf("%s is a %s, no state", on.Name, on.Kind)
			return false
		}
		m.While = on.ID
	}
	return true
}

func (b *builder) formula(p *point, v *strict.Value, s *compute.Spec) bool {
	names := map[string]collector.PointID{}
	_, err := compute.Compile(v.Text(), b.resolver(names))
	if err != nil {
		b.formulaError(v, err)
		return false
	}
	s.Formula = &compute.Formula{Source: v.Text(), Names: names, Factor: 1}
	return true
}

// resolver finds points for a formula and notes which it found.
func (b *builder) resolver(names map[string]collector.PointID) compute.Resolve {
	return func(name string) (collector.Point, bool) {
		p := b.byName[name]
		if p == nil {
			return collector.Point{}, false
		}
		names[name] = p.ID
		return p.Point, true
	}
}

func (b *builder) formulaError(v *strict.Value, err error) {
	e, ok := errors.AsType[*compute.Error](err)
	if !ok {
		v.Failf("%v", err)
		return
	}
	hint := ""
	if name, unknown := strings.CutPrefix(e.Reason, "unknown point "); unknown {
		hint = v.Guess(name, b.names...)
	}
	v.At(e.Line, e.Column, "%s%s", e.Reason, hint)
}
