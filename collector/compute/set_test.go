package compute_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/tank"
)

const start = collector.Moment(1_700_000_000_000_000_000)

func sec(s float64) collector.Moment { return start + collector.Moment(math.Round(s*1e9)) }

// points makes n points named by letters: a, b, c ...
func points(n int) []collector.Point {
	p := make([]collector.Point, n)
	for i := range p {
		p[i] = collector.Point{ID: collector.PointID(i), Name: string(rune('a' + i))}
	}
	return p
}

func good(p collector.PointID, v, s float64) collector.Reading {
	return collector.Reading{Point: p, Value: v, Quality: collector.Good, At: sec(s)}
}

func bad(p collector.PointID, s float64, why string) collector.Reading {
	return collector.Fail(p, collector.NoAnswer, 0, sec(s), why)
}

func in(p collector.PointID) compute.Input { return compute.Input{Point: p} }

func newSet(t testing.TB, pts []collector.Point, specs ...compute.Spec) *compute.Set {
	t.Helper()
	for i := range specs {
		if specs[i].Name == "" {
			specs[i].Name = pts[specs[i].Point].Name
		}
	}
	s, err := compute.New(pts, specs)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// one computes point 'c' of inputs 'a' and 'b' by the spec, all at second 0.
func one(t *testing.T, spec compute.Spec, values ...float64) collector.Reading {
	t.Helper()
	spec.Point = 2
	s := newSet(t, points(3), spec)
	var batch []collector.Reading
	for i, v := range values {
		batch = append(batch, good(collector.PointID(i), v, 0))
	}
	out := s.Step(sec(0), batch, nil)
	if len(out) != 1 || out[0].Point != 2 {
		t.Fatalf("%d readings: %+v", len(out), out)
	}
	return out[0]
}

func TestComputations(t *testing.T) {
	cylinder, err := tank.HorizontalCylinder(1.8, 4.2, tank.Ends{})
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		spec   compute.Spec
		values []float64
		want   float64
		tol    float64
	}{
		{"difference", compute.Spec{Difference: &compute.Difference{A: in(0), B: in(1)}}, []float64{6.2, 5.9}, 0.3, 1e-12},
		{"difference in other units", compute.Spec{Difference: &compute.Difference{A: in(0), B: compute.Input{Point: 1, Factor: 0.01, Offset: 1}}}, []float64{6, 250}, 2.5, 1e-12},
		{"sum", compute.Spec{Sum: &compute.Sum{Terms: []compute.Input{in(0), in(1), in(1)}}}, []float64{1, 2}, 5, 0},
		{"ratio", compute.Spec{Ratio: &compute.Ratio{A: in(0), B: in(1)}}, []float64{480, 10}, 48, 0},
		// reclaim / (reclaim + fresh) of 31.5 and 10.2 m3
		{"reuse", compute.Spec{Ratio: &compute.Ratio{A: in(0), B: in(1), OfSum: true}}, []float64{31.5, 10.2}, 0.755396, 5e-7},
		// partial cylinder by closed form, h 0.36 m of 1.8 x 4.2 m, in litres
		{"volume", compute.Spec{Volume: &compute.Volume{Level: in(0), Tank: cylinder, Factor: 1000}}, []float64{0.36}, 1521.698, 5e-4},
		{"volume of a share", compute.Spec{Volume: &compute.Volume{Level: compute.Input{Point: 0, Factor: 0.01}, Share: true, Tank: cylinder, Factor: 1000}}, []float64{90}, 10131.467, 5e-4},
		// h = p / (rho g) with the density of Tanaka et al. 2001
		{"level, 20 kPa at 5 degC", compute.Spec{Level: &compute.Level{Pressure: compute.Input{Point: 0, Factor: 1000}, Degrees: 5}}, []float64{20}, 2.039500, 5e-7},
		{"level, 24.525 kPa at 30 degC", compute.Spec{Level: &compute.Level{Pressure: compute.Input{Point: 0, Factor: 1000}, Temperature: &compute.Input{Point: 1}}}, []float64{24.525, 30}, 2.511783, 5e-7},
		{"level, rho 1000, sensor 0.1 m up, in mm", compute.Spec{Level: &compute.Level{Pressure: in(0), Density: 1000, Above: 0.1, Factor: 1000}}, []float64{9806.65}, 1100, 1e-9},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := one(t, tc.spec, tc.values...)
			if r.Quality != collector.Good || r.Fault != collector.NoFault || math.Abs(r.Value-tc.want) > tc.tol || r.At != sec(0) {
				t.Errorf("%+v, want %v", r, tc.want)
			}
		})
	}
}

func TestNoResult(t *testing.T) {
	box, err := tank.Rectangular(2, 1.5, 2)
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name   string
		spec   compute.Spec
		values []float64
		fault  collector.Fault
		detail string
	}{
		{"ratio to 0", compute.Spec{Ratio: &compute.Ratio{A: in(0), B: in(1)}}, []float64{3, 0}, collector.NoResult, "the divisor is 0"},
		{"ratio to little", compute.Spec{Ratio: &compute.Ratio{A: in(0), B: in(1), Least: 5}}, []float64{3, 5}, collector.NotRead, "too little to divide by so far, it takes more than 5"},
		{"ratio of nothing", compute.Spec{Ratio: &compute.Ratio{A: in(0), B: in(1), OfSum: true}}, []float64{3, -3}, collector.NoResult, "the divisor is 0"},
		{"overflow", compute.Spec{Sum: &compute.Sum{Terms: []compute.Input{in(0), in(1)}}}, []float64{math.MaxFloat64, math.MaxFloat64}, collector.NoResult, "the result is not a finite number"},
		{"NaN", compute.Spec{Sum: &compute.Sum{Terms: []compute.Input{in(0), in(1)}}}, []float64{math.NaN(), 1}, collector.NoResult, "the result is not a finite number"},
		{"steam", compute.Spec{Level: &compute.Level{Pressure: in(0), Temperature: &compute.Input{Point: 1}}}, []float64{1000, 130}, collector.NoResult, "no liquid water at the temperature given"},
		{"formula", compute.Spec{Formula: &compute.Formula{Source: "a / b", Names: map[string]collector.PointID{"a": 0, "b": 1}}}, []float64{1, 0}, collector.NoResult, "division by 0"},
		{"over the rim", compute.Spec{Volume: &compute.Volume{Level: in(0), Tank: box}}, []float64{2.1}, collector.OverRange, "level above the tank's height of 2 m"},
		{"below the bottom", compute.Spec{Volume: &compute.Volume{Level: in(0), Tank: box}}, []float64{-0.1}, collector.UnderRange, "level below the tank's bottom"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := one(t, tc.spec, tc.values...)
			if r.Fault != tc.fault || r.Quality != tc.fault.Quality() || r.Detail != tc.detail {
				t.Errorf("%+v, want %v: %s", r, tc.fault, tc.detail)
			}
		})
	}
}

func TestQualityCarriesThrough(t *testing.T) {
	doubt := good(0, 4, 1)
	doubt.Quality, doubt.Fault, doubt.Detail = collector.Uncertain, collector.TooFast, "3 bar in 1 s"
	hint := good(0, 4, 1)
	hint.Fault = collector.Hinted
	for _, tc := range []struct {
		name    string
		batch   []collector.Reading
		quality collector.Quality
		fault   collector.Fault
		reason  string
		at      float64
	}{
		{"good", []collector.Reading{good(0, 5, 1), good(1, 3, 1)}, collector.Good, collector.NoFault, "", 1},
		{"as old as the older", []collector.Reading{good(0, 5, 7), good(1, 3, 2)}, collector.Good, collector.NoFault, "", 2},
		{"unread", []collector.Reading{good(0, 5, 1)}, collector.Unread, collector.NotRead, "not read yet: b", 1},
		{"lost is worse than unread", []collector.Reading{bad(0, 1, "")}, collector.Bad, collector.InputLost, "input lost: a: no answer", 1},
		{"bad", []collector.Reading{good(0, 5, 1), bad(1, 1, "3 tries")}, collector.Bad, collector.InputLost, "input lost: b: no answer: 3 tries", 1},
		{"the first of two bad ones", []collector.Reading{bad(0, 1, ""), bad(1, 1, "3 tries")}, collector.Bad, collector.InputLost, "input lost: a: no answer", 1},
		{"bad is worse than uncertain", []collector.Reading{doubt, bad(1, 1, "")}, collector.Bad, collector.InputLost, "input lost: b: no answer", 1},
		{"uncertain", []collector.Reading{doubt, good(1, 3, 1)}, collector.Uncertain, collector.TooFast, "changed faster than it can: a: 3 bar in 1 s", 1},
		{"a hint is the input's own", []collector.Reading{hint, good(1, 3, 1)}, collector.Good, collector.NoFault, "", 1},
		{"not from the future", []collector.Reading{good(0, 5, 1e9), good(1, 3, 1e9)}, collector.Good, collector.NoFault, "", 10},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newSet(t, points(3), compute.Spec{Point: 2, Difference: &compute.Difference{A: in(0), B: in(1)}})
			out := s.Step(sec(10), tc.batch, nil)
			if len(out) != 1 {
				t.Fatalf("%d readings", len(out))
			}
			r := out[0]
			if r.Quality != tc.quality || r.Fault != tc.fault || r.Reason() != tc.reason || r.At != sec(tc.at) {
				t.Errorf("%v, %v, %q at %v, want %v, %v, %q at %v", r.Quality, r.Fault, r.Reason(), r.At.Sub(start), tc.quality, tc.fault, tc.reason, tc.at)
			}
		})
	}
}

func TestOrderOfDependency(t *testing.T) {
	// e = d + c, d = c + b, c = a + b; given the wrong way round
	sum := func(p collector.PointID, a, b collector.PointID) compute.Spec {
		return compute.Spec{Point: p, Sum: &compute.Sum{Terms: []compute.Input{in(a), in(b)}}}
	}
	s := newSet(t, points(7), sum(4, 3, 2), sum(3, 2, 1), sum(2, 0, 1), sum(6, 5, 5))
	out := s.Step(sec(1), []collector.Reading{good(0, 1, 1), good(1, 10, 1), good(0, 2, 1)}, nil)
	want := []float64{2: 12, 3: 22, 4: 34}
	if len(out) != 3 {
		t.Fatalf("%d readings, want 3: each once: %+v", len(out), out)
	}
	for i, r := range out {
		if r.Point != collector.PointID(i+2) || r.Value != want[r.Point] {
			t.Errorf("reading %d: %+v, want point %d with %v", i, r, i+2, want[i+2])
		}
	}
	if s.Latest(4).Value != 34 {
		t.Errorf("the latest of e is %+v", s.Latest(4))
	}
	// a foreign reading of a computed point changes nothing; out is appended to
	out = s.Step(sec(2), []collector.Reading{good(3, 99, 2), good(0, 3, 2), good(77, 1, 2)}, out)
	if len(out) != 6 || out[4].Value != 23 || s.Latest(3).Value != 23 {
		t.Errorf("%+v", out)
	}
	if out = s.Step(sec(3), nil, out[:0]); len(out) != 0 {
		t.Errorf("nothing in, %+v out", out)
	}
	if out = s.Step(sec(3), []collector.Reading{bad(0, 3, "")}, out[:0]); len(out) != 3 || out[2].Reason() != "input lost: d: input lost: c: input lost: a: no answer" {
		t.Errorf("%+v", out)
	}
}

func TestNewErrors(t *testing.T) {
	sum := func(p collector.PointID, terms ...collector.PointID) compute.Spec {
		s := compute.Spec{Point: p, Name: string(rune('a' + p)), Sum: &compute.Sum{}}
		for _, t := range terms {
			s.Sum.Terms = append(s.Sum.Terms, in(t))
		}
		return s
	}
	flow := func(f compute.Flow) compute.Spec { return compute.Spec{Point: 2, Name: "c", Flow: &f} }
	for _, tc := range []struct {
		name  string
		specs []compute.Spec
		want  string
	}{
		{"itself", []compute.Spec{sum(0, 0)}, "computed points take each other in a circle: a -> a"},
		{"two", []compute.Spec{sum(0, 1), sum(1, 0)}, "computed points take each other in a circle: a -> b -> a"},
		{"three behind one", []compute.Spec{sum(4, 0), sum(0, 1), sum(1, 2), sum(2, 0)}, "in a circle: a -> b -> c -> a"},
		{"two circles", []compute.Spec{sum(0, 1), sum(1, 0), sum(2, 3), sum(3, 2)}, "a -> b -> a\ncomputed points take each other in a circle: c -> d -> c"},
		{"unknown input", []compute.Spec{sum(0, 1, 9)}, "a: input 2: point 9 is not one of the site's"},
		{"no input", []compute.Spec{sum(0, collector.NoPoint)}, "a: input 1: point -1 is not one of the site's"},
		{"unknown point", []compute.Spec{{Point: 12, Name: "x", Sum: &compute.Sum{}}}, "x: point 12 is not one of the site's"},
		{"twice", []compute.Spec{sum(0, 1), sum(0, 2)}, "a: computed twice"},
		{"nothing", []compute.Spec{{Point: 0, Name: "a"}}, "a: nothing says how to compute it"},
		{"two ways", []compute.Spec{{Point: 0, Name: "a", Sum: &compute.Sum{Terms: []compute.Input{in(1)}}, Total: &compute.Total{Counter: 1, PerPulse: 1}}}, "a: computed in more than one way: sum, total"},
		{"no terms", []compute.Spec{sum(0)}, "a: sum: no terms"},
		{"no pulse", []compute.Spec{flow(compute.Flow{Over: time.Minute, PerTime: time.Minute})}, "c: flow: per pulse 0 is not above 0"},
		{"no window", []compute.Spec{flow(compute.Flow{PerPulse: 1, PerTime: time.Minute})}, "c: flow: over 0s is not above 0"},
		{"bad modulus", []compute.Spec{flow(compute.Flow{PerPulse: 1, PerTime: time.Minute, Over: time.Minute, Modulus: -1})}, "c: flow: modulus -1 is not a number from 0 on"},
		{"no tank", []compute.Spec{{Point: 0, Name: "a", Volume: &compute.Volume{Level: in(1)}}}, "a: volume: no tank shape"},
		{"formula", []compute.Spec{{Point: 0, Name: "a", Formula: &compute.Formula{Source: "b + x", Names: map[string]collector.PointID{"b": 1}}}}, "a: formula: column 5: unknown point x"},
		{"constant formula", []compute.Spec{{Point: 0, Name: "a", Formula: &compute.Formula{Source: "1 + 2"}}}, "a: formula: takes no point, so it would never be computed"},
		{"circle of formulas", []compute.Spec{
			{Point: 0, Name: "a", Formula: &compute.Formula{Source: "b + 1", Names: map[string]collector.PointID{"b": 1}}},
			{Point: 1, Name: "b", Formula: &compute.Formula{Source: "a + 1", Names: map[string]collector.PointID{"a": 0}}}}, "in a circle: a -> b -> a"},
		{"all at once", []compute.Spec{sum(0), sum(1, 9)}, "a: sum: no terms\nb: input 1"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, err := compute.New(points(8), tc.specs)
			if err == nil || !strings.Contains(err.Error(), tc.want) || s != nil {
				t.Errorf("%v, want %q", err, tc.want)
			}
		})
	}
}

// TestAgainstNaive holds random chains of sums and differences to plain recursion.
func TestAgainstNaive(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		const inputs, all = 5, 20
		var specs []compute.Spec
		terms := map[collector.PointID][2]collector.PointID{}
		for p := collector.PointID(inputs); p < all; p++ {
			a, b := collector.PointID(rng.IntN(int(p))), collector.PointID(rng.IntN(int(p)))
			terms[p] = [2]collector.PointID{a, b}
			specs = append(specs, compute.Spec{Point: p, Difference: &compute.Difference{A: in(a), B: in(b)}})
		}
		rng.Shuffle(len(specs), func(i, k int) { specs[i], specs[k] = specs[k], specs[i] })
		s := newSet(t, points(all), specs...)
		latest := map[collector.PointID]collector.Reading{}
		var value func(p collector.PointID) (float64, bool)
		value = func(p collector.PointID) (float64, bool) {
			tm, ok := terms[p]
			if !ok {
				r := latest[p]
				return r.Value, r.Quality.Usable()
			}
			a, okA := value(tm[0])
			b, okB := value(tm[1])
			return a - b, okA && okB
		}
		for step := range 20 {
			var batch []collector.Reading
			for range 1 + rng.IntN(3) {
				r := good(collector.PointID(rng.IntN(inputs)), float64(rng.IntN(100)), float64(step))
				if rng.IntN(10) == 0 {
					r = bad(r.Point, float64(step), "")
				}
				batch = append(batch, r)
				latest[r.Point] = r
			}
			out := s.Step(sec(float64(step)), batch, nil)
			var order []collector.PointID
			for _, r := range out {
				order = append(order, r.Point)
				want, ok := value(r.Point)
				if r.Quality.Usable() != ok || ok && r.Value != want {
					t.Fatalf("%+v, want %v, %v", r, want, ok)
				}
			}
			slices.Sort(order)
			if len(slices.Compact(order)) != len(out) {
				t.Fatalf("a point twice in one step: %v", order)
			}
		}
	}
}

// A sum is as old as its older input, but its slope is that of now.
func TestWindowOverComputedPoint(t *testing.T) {
	s := newSet(t, points(4),
		compute.Spec{Point: 2, Sum: &compute.Sum{Terms: []compute.Input{in(0), in(1)}}},
		compute.Spec{Point: 3, Rate: &compute.Rate{Of: in(2), Over: time.Minute, PerTime: time.Second}})
	s.Step(sec(0), []collector.Reading{good(1, 100, 0)}, nil)
	var out []collector.Reading
	for x := 1.0; x < 100; x++ {
		out = s.Step(sec(x), []collector.Reading{good(0, 2*x, x)}, out[:0])
	}
	if out[0].At != sec(0) || out[0].Value != 298 || math.Abs(out[1].Value-2) > 1e-12 {
		t.Errorf("%+v", out)
	}
}

// everything is a set with each kind but formulas.
func everything(t testing.TB) *compute.Set {
	box, err := tank.Rectangular(2, 1.5, 2)
	if err != nil {
		t.Fatal(err)
	}
	return newSet(t, points(14),
		compute.Spec{Point: 4, Difference: &compute.Difference{A: in(0), B: in(1)}},
		compute.Spec{Point: 5, Sum: &compute.Sum{Terms: []compute.Input{in(0), in(1), in(4)}}},
		compute.Spec{Point: 6, Ratio: &compute.Ratio{A: in(0), B: in(1)}},
		compute.Spec{Point: 7, Flow: &compute.Flow{Counter: 2, PerPulse: 10, PerTime: time.Minute, Over: time.Minute}},
		compute.Spec{Point: 8, Total: &compute.Total{Counter: 2, PerPulse: 10}},
		compute.Spec{Point: 9, Volume: &compute.Volume{Level: in(0), Tank: box}},
		compute.Spec{Point: 10, Level: &compute.Level{Pressure: in(0), Degrees: 20}},
		compute.Spec{Point: 11, Rate: &compute.Rate{Of: in(0), Over: 10 * time.Minute, PerTime: time.Minute}},
		compute.Spec{Point: 12, Mean: &compute.Mean{Of: in(0), Over: 10 * time.Minute, While: 3}},
	)
}

func batchAt(buf []collector.Reading, s float64) []collector.Reading {
	buf = buf[:0]
	buf = append(buf, good(0, 1+0.5*math.Sin(s), s), good(1, 2, s), good(2, math.Floor(s/40), s), good(3, float64(int(s)/100%2), s))
	if int(s)%7 == 0 {
		buf[1] = bad(1, s, "3 tries")
	}
	return buf
}

func TestStepDoesNotAllocate(t *testing.T) {
	s := everything(t)
	var in, out []collector.Reading
	now := 0.0
	step := func() {
		now++
		in = batchAt(in, now)
		out = s.Step(sec(now), in, out[:0])
	}
	for range 3000 {
		step()
	}
	if len(out) != 9 {
		t.Fatalf("%d readings", len(out))
	}
	in = in[:0]
	allocs := testing.AllocsPerRun(1000, func() {
		now++
		in = append(in[:0], good(0, 1+0.5*math.Sin(now), now), good(1, 2, now), good(2, math.Floor(now/40), now), good(3, 1, now))
		out = s.Step(sec(now), in, out[:0])
	})
	if allocs != 0 {
		t.Errorf("%v allocations a step", allocs)
	}
	// a fault that stands is not told anew
	lost := bad(1, now, "3 tries")
	in = append(in[:0], lost)
	s.Step(sec(now), in, out[:0])
	if allocs := testing.AllocsPerRun(100, func() { out = s.Step(sec(now), in, out[:0]) }); allocs != 0 {
		t.Errorf("%v allocations a step with a bad input", allocs)
	}
}

func BenchmarkStep(b *testing.B) {
	s := everything(b)
	var in, out []collector.Reading
	now := 0.0
	b.ReportAllocs()
	for b.Loop() {
		now++
		in = append(in[:0], good(0, 1+0.5*math.Sin(now), now), good(1, 2, now), good(2, math.Floor(now/40), now), good(3, 1, now))
		out = s.Step(sec(now), in, out[:0])
	}
	b.ReportMetric(float64(len(out)), "points/op")
}

func ExampleSet_Step() {
	points := []collector.Point{{ID: 0, Name: "filter.in.pressure"}, {ID: 1, Name: "filter.out.pressure"}, {ID: 2, Name: "filter.dp"}}
	set, err := compute.New(points, []compute.Spec{{
		Point: 2, Name: "filter.dp",
		Difference: &compute.Difference{A: compute.Input{Point: 0}, B: compute.Input{Point: 1}},
	}})
	if err != nil {
		fmt.Println(err)
		return
	}
	now := collector.Moment(1)
	out := set.Step(now, []collector.Reading{
		{Point: 0, Value: 3.5, Quality: collector.Good, At: now},
		{Point: 1, Value: 2.25, Quality: collector.Good, At: now},
	}, nil)
	fmt.Println(points[out[0].Point].Name, out[0].Value, out[0].Quality)
	out = set.Step(now, []collector.Reading{collector.Fail(1, collector.NoAnswer, 0, now, "3 tries")}, out[:0])
	fmt.Println(points[out[0].Point].Name, out[0].Quality, out[0].Reason())
	// Output:
	// filter.dp 1.25 good
	// filter.dp bad input lost: filter.out.pressure: no answer: 3 tries
}
