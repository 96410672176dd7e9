package configs

import (
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus"
	"roundsman/collector/scaling"
	"roundsman/collector/units"
	"roundsman/configs/strict"
)

// scaling reads what the point's raw value means and how it is judged.
func (b *builder) scaling(p *point) scaling.Spec {
	v := p.v
	s := scaling.Spec{Low: p.Low, High: p.High, Kind: p.Kind, Unit: p.Unit, Clamp: v.Get("clamp").Bool()}
	if p.Kind == collector.Text || p.Kind == collector.State {
		misplaced(v, "a "+p.Kind.String()+" has no scale", "scale", "table", "square-root", "clamp", "signal", "raw-per-mA", "max-rate", "spike-window")
		return s
	}
	b.loop(v, &s)
	b.curve(p, &s)
	p.Low, p.High = s.Low, s.High
	p.Resolution = resolution(p, s)
	s.Step = p.Resolution
	s.MaxRate = b.maxRate(p)
	s.StuckAfter = b.positive(v.Get("stuck-after"), 0)
	s.Spike = v.Get("spike-window").Int(0)
	return s
}

func (b *builder) loop(v *strict.Value, s *scaling.Spec) {
	s.Loop = v.Get("signal") != nil
	if r := v.Get("raw-per-mA"); r != nil && r.Float(0) <= 0 {
		r.Failf("%s must be above 0", r.Text())
	}
	s.RawPerMilliamp = v.Get("raw-per-mA").Float(1)
	if s.Loop {
		s.Hold = 2 * time.Second
	}
}

// curve reads scale or table. The ends of a scale from one pair to another are
// the instrument's range where none is given: that is what its label says.
func (b *builder) curve(p *point, s *scaling.Spec) {
	v := p.v
	scale, table := v.Get("scale"), v.Get("table")
	switch {
	case v.Has("scale") && v.Has("table"):
		v.KeyFailf("scale and table: a point has one of them")
	case table != nil:
		s.Points = b.calibration(p, table, s)
	case scale.IsTable():
		b.twoPoints(p, scale, s)
	case scale != nil:
		if x, ok := b.differenceIn(scale, p.unit, "point"); ok {
			s.Points = []scaling.Pair{{Raw: 0, Value: 0}, {Raw: 1, Value: x}}
			if x == 0 {
				scale.Failf("a count of 0 tells nothing")
			}
		}
	case s.Loop && !v.Has("scale") && !math.IsNaN(p.Low):
		s.Points = []scaling.Pair{{Raw: 4 * s.RawPerMilliamp, Value: p.Low}, {Raw: 20 * s.RawPerMilliamp, Value: p.High}}
	case s.Loop && !v.Has("scale"):
		v.Get("signal").KeyFailf("4-20mA of what? give a range or a scale")
	}
	b.root(v, s)
}

func (b *builder) root(v *strict.Value, s *scaling.Spec) {
	r := v.Get("square-root")
	if !r.Bool() {
		return
	}
	if len(s.Points) != 2 {
		r.KeyFailf("goes with a scale of two ends")
		return
	}
	s.Curve = scaling.SquareRoot
}

func (b *builder) twoPoints(p *point, scale *strict.Value, s *scaling.Spec) {
	from, to := scale.Get("from").Entries(), scale.Get("to").Entries()
	if len(from) != 2 || len(to) != 2 {
		return
	}
	var pairs [2]scaling.Pair
	ok := true
	for i := range pairs {
		raw, ok1 := b.raw(from[i], s)
		value, ok2 := b.in(to[i], p.unit, "point")
		pairs[i] = scaling.Pair{Raw: raw, Value: value}
		ok = ok && ok1 && ok2
	}
	switch {
	case !ok:
		return
	case pairs[0].Raw == pairs[1].Raw:
		scale.Get("from").Failf("both ends are %s", from[0].Text())
		return
	case pairs[0].Value == pairs[1].Value:
		scale.Get("to").Failf("both ends are %s", to[0].Text())
		return
	case pairs[0].Raw > pairs[1].Raw:
		pairs[0], pairs[1] = pairs[1], pairs[0]
	}
	s.Points = pairs[:]
	if s.Loop && !p.v.Has("raw-per-mA") && b.counts(from) {
		// a card that spreads its counts over 4 to 20 mA
		s.RawPerMilliamp = (pairs[1].Raw - pairs[0].Raw) / 16
		s.RawAtZero = pairs[0].Raw - 4*s.RawPerMilliamp
	}
	if math.IsNaN(s.Low) {
		s.Low, s.High = min(pairs[0].Value, pairs[1].Value), max(pairs[0].Value, pairs[1].Value)
	}
}

// counts reports whether raw values are written as bare counts.
func (b *builder) counts(vs []*strict.Value) bool {
	for _, v := range vs {
		if q, err := units.ParseQuantity(v.Text()); err != nil || q.Unit != units.None {
			return false
		}
	}
	return true
}

// raw reads a raw value: a bare number is counts, mA become counts.
func (b *builder) raw(v *strict.Value, s *scaling.Spec) (float64, bool) {
	q, ok := b.quantity(v)
	if !ok || q.Unit == units.None {
		return q.Value, ok
	}
	ma, err := q.In(must("mA"))
	if err != nil {
		v.Failf("%s: a raw value is counts or mA", v.Text())
		return 0, false
	}
	return ma * s.RawPerMilliamp, true
}

func (b *builder) calibration(p *point, table *strict.Value, s *scaling.Spec) []scaling.Pair {
	var out []scaling.Pair
	for _, row := range table.Entries() {
		e := row.Entries()
		if len(e) != 2 {
			return nil
		}
		raw, ok1 := b.raw(e[0], s)
		value, ok2 := b.in(e[1], p.unit, "point")
		if !ok1 || !ok2 {
			return nil
		}
		if n := len(out); n > 0 && raw <= out[n-1].Raw {
			e[0].Failf("%s does not rise above the entry before", e[0].Text())
			return nil
		}
		out = append(out, scaling.Pair{Raw: raw, Value: value})
	}
	return out
}

// resolution returns what one raw count means, at the finest piece of the curve; 0 where a count is no step.
func resolution(p *point, s scaling.Spec) float64 {
	switch {
	case p.link == nil || p.link.modbus == nil || p.Type == modbus.Float32 || p.Type == modbus.Float64:
		return 0
	case len(s.Points) < 2:
		return 1
	}
	finest := math.Inf(1)
	for i := 1; i < len(s.Points); i++ {
		a, z := s.Points[i-1], s.Points[i]
		if step := math.Abs((z.Value - a.Value) / (z.Raw - a.Raw)); step > 0 {
			finest = min(finest, step)
		}
	}
	if math.IsInf(finest, 0) {
		return 0
	}
	return finest
}

func (b *builder) maxRate(p *point) float64 {
	v := p.v.Get("max-rate")
	if v == nil {
		return 0
	}
	r, ok := b.differenceIn(v, perSecond(p.unit), "rate of the point")
	if ok && r <= 0 {
		v.Failf("%s must be above 0", v.Text())
	}
	return r
}
