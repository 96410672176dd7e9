package compute

import (
	"errors"
	"fmt"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/leak"
)

// LeakTest is the leak by the newest leak test, made by itself while nothing draws air. Its value stands until the
// next test, whatever its inputs are worth meanwhile; it is uncertain while the newest test did not settle, and stale
// after a week without one.
type LeakTest struct {
	Pressure Input             // in bar gauge
	Loaded   collector.PointID // a state: the compressor gives air
	Celsius  *Input            // of the receiver's air, in degC; nil: not measured
	// Idle is an expression over points that is true while nothing draws air; Names are those in it.
	Idle   string
	Names  map[string]collector.PointID
	Test   leak.Spec
	Factor float64 // from L/s to the point's unit; 0 is 1
}

// LeakFigure is another figure of a leak test.
type LeakFigure struct {
	Of     collector.PointID // a LeakTest
	Tells  LeakTells
	Factor float64 // to the point's unit, from L/s or, for Share, a ratio; 0 is 1
}

// LeakTells says which figure.
type LeakTells uint8

// The figures of a leak test.
const (
	LeakUsual      LeakTells = iota // median of 28 days, without the newest day
	LeakShare                       // share of the compressor's delivery by the load test
	LeakSourcebook                  // the sourcebook's figure, times 1.25
)

// leakStale is how long the result of a test is told.
const leakStale = 7 * 24 * time.Hour

// standing is work whose result stands by itself, whatever its inputs are worth at the moment. stand is called once for
// each batch that has a reading of one of them.
type standing interface {
	stand(now collector.Moment) (float64, collector.Fault, string)
}

// The inputs of a leak test; those of its condition follow.
const (
	leakPressure = iota
	leakLoaded
	leakCelsius
)

func (s *Set) newLeakTest(sp *Spec) (work, []Input, error) {
	l := sp.LeakTest
	tester, err := leak.New(l.Test)
	if err != nil {
		return nil, nil, err
	}
	idle, err := CompileCondition(l.Idle, func(name string) (collector.Point, bool) {
		id, ok := l.Names[name]
		if !ok || !s.known(id) {
			return collector.Point{}, false
		}
		return s.points[id], true
	})
	if err != nil {
		return nil, nil, fmt.Errorf("while nothing draws air: %w", err)
	}
	inputs := []Input{l.Pressure, {Point: l.Loaded, Factor: 1}}
	first := leakCelsius
	if l.Celsius != nil {
		inputs = append(inputs, *l.Celsius)
		first++
	}
	for _, p := range idle.Points() {
		inputs = append(inputs, Input{Point: p, Factor: 1})
	}
	w := &leakTest{tester: tester, idle: idle, first: first, factor: oneIfZero(l.Factor), seen: make([]seen, len(inputs))}
	w.values = make([]float64, len(inputs)-first)
	return w, inputs, nil
}

// leakTest steps a tester once a batch, when all of the batch's readings have come.
type leakTest struct {
	tester *leak.Tester
	idle   *ConditionProgram
	first  int // input of the condition
	factor float64

	seen    []seen
	at      collector.Moment // of the newest reading
	values  []float64        // scratch
	words   string           // of the newest result
	results []leak.Result    // not yet taken by Set.LeakTests
}

// seen is what an input is worth.
type seen struct {
	value  float64
	usable bool
}

// mostResults bounds what waits to be taken: tests are an hour apart.
const mostResults = 16

func (w *leakTest) observe(input int, v float64, usable bool, at collector.Moment) {
	w.seen[input] = seen{v, usable}
	w.at = max(w.at, at)
}

// compute is not called: the result stands by itself.
func (w *leakTest) compute([]float64) (float64, collector.Fault, string) {
	return 0, collector.NotRead, ""
}

func (w *leakTest) stand(now collector.Moment) (float64, collector.Fault, string) {
	if r, ok := w.tester.Step(w.look(now)); ok {
		w.words = r.Words()
		if w.results = append(w.results, r); len(w.results) > mostResults {
			w.results = w.results[1:]
		}
	}
	last, ok := w.tester.Last()
	switch {
	case !ok:
		return 0, collector.NotRead, w.tester.Waits()
	case now.Sub(last.End) > leakStale:
		return 0, collector.Stale, "no leak test for a week"
	case !last.Settled:
		return max(last.Rate, 0) * w.factor, collector.Unsettled, w.words
	}
	return max(last.Rate, 0) * w.factor, collector.NoFault, ""
}

func (w *leakTest) look(now collector.Moment) leak.Look {
	l := leak.Look{At: min(w.at, now), Pressure: math.NaN(), Celsius: math.NaN(), Idle: w.quiet()}
	if p := w.seen[leakPressure]; p.usable {
		l.Pressure = p.value
	}
	if s := w.seen[leakLoaded]; s.usable {
		l.Loaded = truth(s.value > 0.5)
	}
	if w.first > leakCelsius && w.seen[leakCelsius].usable {
		l.Celsius = w.seen[leakCelsius].value
	}
	return l
}

func (w *leakTest) quiet() leak.Truth {
	for i := range w.values {
		s := &w.seen[w.first+i]
		if !s.usable {
			return leak.Unseen
		}
		w.values[i] = s.value
	}
	idle, err := w.idle.Eval(w.values)
	if err != nil {
		return leak.Unseen
	}
	return truth(idle)
}

func truth(b bool) leak.Truth {
	if b {
		return leak.Yes
	}
	return leak.No
}

func newLeakFigure(f *LeakFigure) (work, []Input, error) {
	if f.Tells > LeakSourcebook {
		return nil, nil, errors.New("no such figure")
	}
	return &leakFigure{of: f.Of, tells: f.Tells, factor: oneIfZero(f.Factor)}, []Input{{Point: f.Of, Factor: 1}}, nil
}

type leakFigure struct {
	of     collector.PointID
	test   *leak.Tester // of the cell it is a figure of
	tells  LeakTells
	factor float64
}

func (w *leakFigure) compute([]float64) (float64, collector.Fault, string) {
	last, ok := w.test.Last()
	if !ok {
		return 0, collector.NotRead, ""
	}
	switch w.tells {
	case LeakShare:
		if last.Cycles == 0 {
			return 0, collector.NotRead, "no load cycle before the newest test"
		}
		return last.Share() * w.factor, collector.NoFault, ""
	case LeakSourcebook:
		if last.Method != leak.ByBleedDown {
			return 0, collector.NotRead, "the newest test was no bleed-down"
		}
		return last.Sourcebook * w.factor, collector.NoFault, ""
	}
	usual, ok := w.test.Usual()
	if !ok {
		return 0, collector.NotRead, "fewer than three settled tests before the newest day"
	}
	return usual * w.factor, collector.NoFault, ""
}

// join gives the figures of leak tests their tests.
func joinLeaks(points []collector.Point, cells []*cell) error {
	tests := map[collector.PointID]*leakTest{}
	for _, c := range cells {
		if t, ok := c.work.(*leakTest); ok {
			tests[c.point] = t
		}
	}
	var errs []error
	for _, c := range cells {
		f, ok := c.work.(*leakFigure)
		if !ok {
			continue
		}
		if t := tests[f.of]; t != nil {
			f.test = t.tester
			continue
		}
		errs = append(errs, fmt.Errorf("%s: %s is no leak test", points[c.point].Name, points[f.of].Name))
	}
	return errors.Join(errs...)
}

// Leak is what a leak test knows, to be written down and given back after a restart.
type Leak struct {
	Point collector.PointID
	Kept  leak.Kept
}

// Leaks returns what all leak tests know.
func (s *Set) Leaks() []Leak {
	var list []Leak
	for _, c := range s.cells {
		if t, ok := c.work.(*leakTest); ok {
			list = append(list, Leak{c.point, t.tester.Keep()})
		}
	}
	return list
}

// RestoreLeaks gives leak tests what they knew. Those of points that are no leak tests any more are passed over. Call it
// before the first Step.
func (s *Set) RestoreLeaks(list []Leak) {
	for _, k := range list {
		for _, c := range s.cells {
			if t, ok := c.work.(*leakTest); ok && c.point == k.Point {
				t.tester.Restore(k.Kept)
				if last, ok := t.tester.Last(); ok {
					t.words = last.Words()
				}
			}
		}
	}
}

// LeakTests calls f with each leak test that has ended since the last call.
func (s *Set) LeakTests(f func(collector.PointID, leak.Result)) {
	for _, c := range s.cells {
		if t, ok := c.work.(*leakTest); ok {
			for _, r := range t.results {
				f(c.point, r)
			}
			t.results = t.results[:0]
		}
	}
}
