package compute

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/tank"
)

// newWork makes the one computation that the spec sets, and lists its inputs.
func (s *Set) newWork(sp *Spec) (work, []Input, error) {
	makers := []struct {
		name string
		set  bool
		make func() (work, []Input, error)
	}{
		{"difference", sp.Difference != nil, func() (work, []Input, error) { return newDifference(sp.Difference) }},
		{"sum", sp.Sum != nil, func() (work, []Input, error) { return newSum(sp.Sum) }},
		{"ratio", sp.Ratio != nil, func() (work, []Input, error) { return newRatio(sp.Ratio) }},
		{"flow", sp.Flow != nil, func() (work, []Input, error) { return newFlow(sp.Flow) }},
		{"total", sp.Total != nil, func() (work, []Input, error) { return newTotal(sp.Total) }},
		{"volume", sp.Volume != nil, func() (work, []Input, error) { return newVolume(sp.Volume) }},
		{"level", sp.Level != nil, func() (work, []Input, error) { return newLevel(sp.Level) }},
		{"rate", sp.Rate != nil, func() (work, []Input, error) { return newRate(sp.Rate) }},
		{"mean", sp.Mean != nil, func() (work, []Input, error) { return newMean(sp.Mean) }},
		{"formula", sp.Formula != nil, func() (work, []Input, error) { return s.newFormula(sp) }},
		{"leak test", sp.LeakTest != nil, func() (work, []Input, error) { return s.newLeakTest(sp) }},
		{"leak figure", sp.LeakFigure != nil, func() (work, []Input, error) { return newLeakFigure(sp.LeakFigure) }},
	}
	var names []string
	var w work
	var inputs []Input
	var err error
	for _, m := range makers {
		if !m.set {
			continue
		}
		names = append(names, m.name)
		if w, inputs, err = m.make(); err != nil {
			err = fmt.Errorf("%s: %w", m.name, err)
		}
	}
	switch len(names) {
	case 0:
		return nil, nil, errors.New("nothing says how to compute it")
	case 1:
		return w, inputs, err
	}
	return nil, nil, fmt.Errorf("computed in more than one way: %s", strings.Join(names, ", "))
}

func newDifference(d *Difference) (work, []Input, error) {
	return difference{}, []Input{d.A, d.B}, nil
}

type difference struct{}

func (difference) compute(v []float64) (float64, collector.Fault, string) {
	return v[0] - v[1], collector.NoFault, ""
}

func newSum(s *Sum) (work, []Input, error) {
	if len(s.Terms) == 0 {
		return nil, nil, errors.New("no terms")
	}
	return sum{}, slices.Clone(s.Terms), nil
}

type sum struct{}

func (sum) compute(values []float64) (float64, collector.Fault, string) {
	t := 0.0
	for _, v := range values {
		t += v
	}
	return t, collector.NoFault, ""
}

func newRatio(r *Ratio) (work, []Input, error) {
	if r.Least < 0 || math.IsNaN(r.Least) {
		return nil, nil, fmt.Errorf("least divisor %v is below 0", r.Least)
	}
	q := &ratio{ofSum: r.OfSum, least: r.Least}
	if r.Least > 0 {
		q.tooLittle = fmt.Sprintf("too little to divide by so far, it takes more than %v", r.Least)
	}
	return q, []Input{r.A, r.B}, nil
}

type ratio struct {
	ofSum bool
	least float64
	// tooLittle says that there is not enough yet for a ratio that means something
	tooLittle string
}

func (r *ratio) compute(v []float64) (float64, collector.Fault, string) {
	d := v[1]
	if r.ofSum {
		d += v[0]
	}
	switch {
	case r.least > 0 && d <= r.least:
		return 0, collector.NotRead, r.tooLittle
	case d == 0:
		return 0, collector.NoResult, "the divisor is 0"
	}
	return v[0] / d, collector.NoFault, ""
}

func newVolume(v *Volume) (work, []Input, error) {
	if v.Tank == nil {
		return nil, nil, errors.New("no tank shape")
	}
	h := v.Tank.Height()
	if !(h > 0) || math.IsInf(h, 0) {
		return nil, nil, fmt.Errorf("tank height %v m is not above 0", h)
	}
	return &volume{
		shape: v.Tank, height: h, share: v.Share, factor: oneIfZero(v.Factor),
		above: fmt.Sprintf("level above the tank's height of %.4g m", h),
	}, []Input{v.Level}, nil
}

type volume struct {
	shape          tank.Shape
	height, factor float64
	share          bool
	above          string
}

// A level a little outside the tank is the sensor's zero or span, not a fault.
const levelSlack = 0.02 // of the height

func (t *volume) compute(v []float64) (float64, collector.Fault, string) {
	level := v[0]
	if t.share {
		level *= t.height
	}
	liquid := t.shape.Volume(level) * t.factor
	switch {
	case level > t.height*(1+levelSlack):
		return liquid, collector.OverRange, t.above
	case level < -t.height*levelSlack:
		return liquid, collector.UnderRange, "level below the tank's bottom"
	}
	return liquid, collector.NoFault, ""
}

func newLevel(l *Level) (work, []Input, error) {
	if l.Density < 0 || math.IsNaN(l.Density) {
		return nil, nil, fmt.Errorf("density %v kg/m3 is below 0", l.Density)
	}
	w := &level{density: l.Density, above: l.Above, factor: oneIfZero(l.Factor)}
	inputs := []Input{l.Pressure}
	switch {
	case l.Density > 0: // the site's own figure wins
	case l.Temperature != nil:
		inputs = append(inputs, *l.Temperature)
	default:
		w.density = tank.WaterDensity(l.Degrees)
	}
	return w, inputs, nil
}

type level struct {
	density       float64 // kg/m3; 0: of water at the temperature
	above, factor float64
}

func (l *level) compute(v []float64) (float64, collector.Fault, string) {
	rho := l.density
	if rho == 0 {
		if !(v[1] >= -5 && v[1] <= 100) {
			return 0, collector.NoResult, "no liquid water at the temperature given"
		}
		rho = tank.WaterDensity(v[1])
	}
	return (tank.Head(v[0], rho) + l.above) * l.factor, collector.NoFault, ""
}

func (s *Set) newFormula(sp *Spec) (work, []Input, error) {
	f := sp.Formula
	resolve := func(name string) (collector.Point, bool) {
		id, ok := f.Names[name]
		if !ok || !s.known(id) {
			return collector.Point{}, false
		}
		return s.points[id], true
	}
	for _, name := range slices.Sorted(maps.Keys(f.Names)) {
		if id := f.Names[name]; !s.known(id) {
			return nil, nil, fmt.Errorf("%s: point %d is not one of the site's", name, id)
		}
	}
	w := &formula{factor: oneIfZero(f.Factor)}
	var err error
	if s.points[sp.Point].Kind == collector.State {
		var c *ConditionProgram
		if c, err = CompileCondition(f.Source, resolve); err == nil {
			w.program = &c.p
		}
	} else {
		w.program, err = Compile(f.Source, resolve)
	}
	if err != nil {
		return nil, nil, err
	}
	if len(w.program.points) == 0 {
		return nil, nil, errors.New("takes no point, so it would never be computed")
	}
	inputs := make([]Input, len(w.program.points))
	for i, p := range w.program.points {
		inputs[i] = Input{Point: p, Factor: 1}
	}
	return w, inputs, nil
}

type formula struct {
	program *Program
	factor  float64
}

func (f *formula) compute(v []float64) (float64, collector.Fault, string) {
	x, err := f.program.number(v)
	if err != nil {
		return 0, collector.NoResult, err.Error()
	}
	return x * f.factor, collector.NoFault, ""
}

func oneIfZero(f float64) float64 {
	if f == 0 {
		return 1
	}
	return f
}

func positive(what string, d time.Duration) error {
	if d <= 0 {
		return fmt.Errorf("%s %v is not above 0", what, d)
	}
	return nil
}
