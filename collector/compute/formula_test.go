package compute_test

import (
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/collector/compute"
)

// names is a small site: its points by name, states where the value is 0 or 1.
func names(name string) (collector.Point, bool) {
	for i, p := range sitePoints {
		if p.Name == name {
			p.ID = collector.PointID(i)
			return p, true
		}
	}
	return collector.Point{}, false
}

var sitePoints = []collector.Point{
	{Name: "fresh.litres"}, {Name: "vehicles"}, {Name: "hyd.pump.1.running", Kind: collector.State},
	{Name: "hyd.pump.2.running", Kind: collector.State}, {Name: "hyd.power"}, {Name: "air.dew-point"},
	{Name: "air.dew"}, {Name: "point"}, {Name: "min"}, {Name: "a"}, {Name: "a-b"}, {Name: "tank.ä"},
}

// siteValues are by index of sitePoints.
var siteValues = []float64{480, 10, 1, 0, 7.5, -20, 3, 2, 6, 5, 100, 9}

func valuesOf(points []collector.PointID) []float64 {
	v := make([]float64, len(points))
	for i, p := range points {
		v[i] = siteValues[p]
	}
	return v
}

func TestFormula(t *testing.T) {
	for _, tc := range []struct {
		source string
		want   float64
	}{
		{"fresh.litres / vehicles", 48},
		{"7 / 2", 3.5},
		{"hyd.power * hyd.pump.1.running + 0.4", 7.9},
		{"hyd.pump.1.running and not hyd.pump.2.running ? hyd.power : 0", 7.5},
		{"hyd.pump.1.running + hyd.pump.2.running", 1},
		{"air.dew-point - air.dew", -23},
		{"air.dew-vehicles", -7}, // a hyphen that ends a name is a minus
		{"a-b", 100},             // the longest name wins
		{"a - b + 0*a-b", math.NaN()},
		{"min", 6},
		{"min(a, min, vehicles)", 5},
		{"max(a, 7)", 7},
		{"abs(air.dew-point)", 20},
		{"round(2.5) + floor(-1.5) + ceil(1.2) + sqrt(16)", 7},
		{"-2 ^ 2", -4},
		{"2 ^ 3 ^ 2", 512},
		{"2 ** 3", 8},
		{"9223372036854775807 + 1", 9223372036854775808},
		{"1e3 + .5 + 2.", 1002.5},
		{"(1 + 2)\n * a", 15},
		{"tank.ä + 1", 10},
		{"hyd.pump.1.running == (a > 3) ? 1 : 2", 1},
		{"hyd.pump.1.running == 1 ? 1 : 2", 1},
		{"true ? point : 0", 2},
	} {
		t.Run(tc.source, func(t *testing.T) {
			p, err := compute.Compile(tc.source, names)
			if math.IsNaN(tc.want) {
				if err == nil {
					t.Fatalf("Compile(%q) gave no error", tc.source)
				}
				return
			}
			if err != nil {
				t.Fatalf("Compile(%q): %v", tc.source, err)
			}
			got, err := p.Eval(valuesOf(p.Points()))
			if err != nil || math.Abs(got-tc.want) > 1e-12*math.Abs(tc.want) {
				t.Errorf("%q = %v, %v, want %v", tc.source, got, err, tc.want)
			}
		})
	}
}

func TestCondition(t *testing.T) {
	for _, tc := range []struct {
		source string
		want   bool
	}{
		{"hyd.pump.1.running", true},
		{"not hyd.pump.1.running", false},
		{"!hyd.pump.2.running && a > 4", true},
		{"hyd.pump.1.running and hyd.pump.2.running", false},
		{"hyd.pump.1.running or a / 0 > 1", true}, // decided before the division
		{"fresh.litres / vehicles > 40 and hyd.power >= 7.5", true},
		{"hyd.pump.1.running != hyd.pump.2.running", true},
		{"a > 3 ? hyd.pump.2.running : hyd.pump.1.running", false},
		{"a > 3 ? hyd.pump.1.running : false", true},
	} {
		t.Run(tc.source, func(t *testing.T) {
			p, err := compute.CompileCondition(tc.source, names)
			if err != nil {
				t.Fatalf("CompileCondition(%q): %v", tc.source, err)
			}
			got, err := p.Eval(valuesOf(p.Points()))
			if err != nil || got != tc.want {
				t.Errorf("%q is %v, %v, want %v", tc.source, got, err, tc.want)
			}
		})
	}
}

func TestFormulaErrors(t *testing.T) {
	for _, tc := range []struct{ source, want string }{
		{"", "column 1: empty"},
		{" \n ", "column 1: empty"},
		{"fresh.litres / vehicle", "column 16: unknown point vehicle"},
		{"fresh.litres.raw", "column 1: unknown point fresh.litres.raw"},
		{"1 +\n  fresh.liters", "line 2, column 3: unknown point fresh.liters"},
		{"now() - 3", "column 1: unknown function now"},
		{"len(a)", "column 1: unknown function len"},
		{"nil", "column 1: unknown point nil"},
		{"a == 'x'", "column 6: text has no place in a formula"},
		{"a + \"x\"", "column 5: text has no place in a formula"},
		{"1..5", "column 3: '.' right after a number"},
		{"a .. 5", "column 3: '.' has no place here"},
		{"[1,2]", "column 1: '[' has no place in a formula"},
		{"let x = 1; x", "column 1: unknown point let"},
		{"a | abs", "column 3: '|' has no place in a formula"},
		{"a = 3", "column 3: '=' sets nothing here, equality is '=='"},
		{"a % 3", "column 3: '%' has no place in a formula"},
		{"a ?? 3", "column 3: '??' has no place in a formula"},
		{"::abs(a)", "column 1: '::' has no place in a formula"},
		{"a // b", "column 3: comments have no place in a formula"},
		{"0x10", "column 2: 'x' right after a number"},
		{"1e", "column 2: exponent without digits"},
		{"a + ", "column 4: ends too early"},
		{"(a + 1", "column 6: ends too early"},
		{"1 < a < 9", "column 7: compare two values at a time: a < b and b < c"},
		{"a + (a > 3)", "column 3: invalid operation: + (mismatched types number and truth)"},
		{"a and a > 3", "column 3: invalid operation: and (mismatched types number and truth)"},
		{"not a", "column 1: invalid operation: not (mismatched type number)"},
		{"a > 3", "column 1: the result is a truth, a number is wanted: condition ? 1 : 0"},
		{"a > 3 ? 1 : false", "column 1: the result is neither a number nor a truth"},
		{"abs()", "column 1: not enough arguments to call abs"},
		{"abs(a, a)", "column 1: too many arguments to call abs"},
		{"a(3)", "column 1: number is not callable"},
		{"abs", "column 1: unknown point abs"},
		{"$env", "column 1: '$' has no place in a formula"},
		{"divide_(a, 2)", "column 1: unknown function divide_"},
		{"point_0_", "column 1: unknown point point_0_"},
		{"99999999999e999999999", "invalid float literal"},
	} {
		t.Run(tc.source, func(t *testing.T) {
			_, err := compute.Compile(tc.source, names)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Fatalf("Compile(%q): %v, want %s", tc.source, err, tc.want)
			}
			var e *compute.Error
			if !errors.As(err, &e) || e.Line < 1 || e.Column < 1 {
				t.Errorf("Compile(%q): %#v has no place", tc.source, err)
			}
		})
	}
	if _, err := compute.CompileCondition("a + 1", names); err == nil {
		t.Error("a number was taken for a truth")
	}
}

func TestFormulaWithoutResult(t *testing.T) {
	for _, tc := range []struct{ source, want string }{
		{"a / (vehicles - 10)", "division by 0"},
		{"(vehicles - 10) / (vehicles - 10)", "division by 0"},
		{"air.dew-point ^ 0.5", "a power that is no real number"},
		{"sqrt(air.dew-point)", "a root of a negative number"},
		{"1e308 * a * a", "the result is not a finite number"},
		{"10 ^ 999", "a power that is no real number"},
	} {
		p, err := compute.Compile(tc.source, names)
		if err != nil {
			t.Fatalf("Compile(%q): %v", tc.source, err)
		}
		if v, err := p.Eval(valuesOf(p.Points())); err == nil || err.Error() != tc.want {
			t.Errorf("%q = %v, %v, want %s", tc.source, v, err, tc.want)
		}
	}
	p, _ := compute.Compile("a + 1", names)
	if _, err := p.Eval([]float64{math.NaN()}); err == nil {
		t.Error("NaN was taken")
	}
	if _, err := p.Eval(nil); err == nil {
		t.Error("no values were taken for one point")
	}
	c, _ := compute.CompileCondition("a / 0 > 1", names)
	if v, err := c.Eval([]float64{1}); err == nil {
		t.Errorf("a / 0 > 1 is %v without an error", v)
	}
}

// hostile are formulas meant to hang the program or to fill its memory.
func hostile() map[string]string {
	nest := func(open, inner, shut string, n int) string {
		return strings.Repeat(open, n) + inner + strings.Repeat(shut, n)
	}
	return map[string]string{
		"deep brackets":        nest("(", "a", ")", 100_000),
		"brackets in bounds":   nest("(", "a", ")", 2000),
		"doubling comparisons": nest("1 < (", "1 < a < 2", ") < 2", 60),
		"ten thousand terms":   strings.Repeat("a+", 10_000) + "a",
		"terms in bounds":      strings.Repeat("a+", 1500) + "a",
		"repeat":               `repeat("x", 1000000000)`,
		"range":                "1..1000000000",
		"loop":                 "reduce(1..100000, #acc + #, 0)",
		"predicate":            "all([1,2,3], # > 1)",
		"huge text":            `"` + strings.Repeat("x", 10_000_000) + `"`,
		"huge number":          strings.Repeat("9", 10_000_000),
		"signs":                strings.Repeat("-", 4000) + "a",
		"nots":                 strings.Repeat("!", 4000) + "hyd.pump.1.running",
		"choices":              strings.Repeat("true?1:", 500) + "1",
		"powers":               strings.Repeat("9^", 1000) + "9",
		"power tower":          strings.Repeat("9^", 100) + "9",
		"long name":            strings.Repeat("x", 4000),
		"hyphens":              strings.Repeat("a-", 1500) + "a",
		"half a word":          "fresh.litres / \xff\xfe",
	}
}

func TestHostileFormulas(t *testing.T) {
	for name, source := range hostile() {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			p, err := compute.Compile(source, names)
			if err == nil && name == "power tower" {
				if v, err := p.Eval(nil); err == nil {
					t.Errorf("a tower of powers gave %v", v)
				}
				return
			}
			runtime.ReadMemStats(&after)
			if err == nil {
				t.Fatal("was taken")
			}
			if len(err.Error()) > 200 {
				t.Errorf("the error has %d bytes", len(err.Error()))
			}
			if used := after.TotalAlloc - before.TotalAlloc; used > 1<<20 {
				t.Errorf("refusing it took %d bytes", used)
			}
			t.Log(err)
		})
	}
}

// TestLongestFormula holds the greatest formula that is taken to a bound of work.
func TestLongestFormula(t *testing.T) {
	source := strings.Repeat("a+", 249) + "a"
	p, err := compute.Compile(source, names)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := compute.Compile(source+"+a", names); err == nil {
		t.Fatal("501 nodes were taken")
	}
	values := []float64{1.5}
	allocs := testing.AllocsPerRun(100, func() {
		if v, err := p.Eval(values); err != nil || v != 375 {
			t.Fatalf("%v, %v", v, err)
		}
	})
	if allocs > 500 {
		t.Errorf("%v allocations for 499 nodes", allocs)
	}
}

// rulesFormula is what package rules wants of a condition.
type rulesFormula interface {
	Points() []collector.PointID
	Eval(values []float64) (bool, error)
}

func TestConditionFitsRules(t *testing.T) {
	c, err := compute.CompileCondition("hyd.power > a and hyd.power < 100 and not hyd.pump.2.running", names)
	if err != nil {
		t.Fatal(err)
	}
	var f rulesFormula = c
	var got []string
	for _, p := range f.Points() {
		got = append(got, sitePoints[p].Name)
	}
	if want := "hyd.power a hyd.pump.2.running"; strings.Join(got, " ") != want {
		t.Errorf("points %v, want %s", got, want)
	}
	if v, err := f.Eval([]float64{7.5, 5, 0}); err != nil || !v {
		t.Errorf("%v, %v", v, err)
	}
	if v, err := f.Eval([]float64{7.5, 5, 1}); err != nil || v {
		t.Errorf("%v, %v", v, err)
	}
}

func TestFormulaAsUnderstood(t *testing.T) {
	for source, want := range map[string]string{
		"-a^2 + vehicles":           "((-(a ^ 2)) + vehicles)",
		"fresh.litres/vehicles/2":   "((fresh.litres / vehicles) / 2)",
		"a-b - a":                   "(a-b - a)",
		"a != 0 ? 1.50 : max(a, 2)": "((a != 0) ? 1.5 : max(a, 2))",
		"hyd.pump.1.running and not hyd.pump.2.running or a > 3 ? 1 : 0": "(((hyd.pump.1.running and (not hyd.pump.2.running)) or (a > 3)) ? 1 : 0)",
	} {
		p, err := compute.Compile(source, names)
		if err != nil {
			t.Fatal(err)
		}
		if got := p.String(); got != want {
			t.Errorf("%q is understood as %s, want %s", source, got, want)
		}
		again, err := compute.Compile(p.String(), names)
		if err != nil || again.String() != want {
			t.Errorf("%s does not compile to itself: %v, %v", want, again, err)
		}
	}
}

// Two names of one point give its value once.
func TestOnePointOfTwoNames(t *testing.T) {
	p, err := compute.Compile("x + y", func(name string) (collector.Point, bool) {
		return collector.Point{ID: 4, Name: name}, name == "x" || name == "y"
	})
	if err != nil || len(p.Points()) != 1 {
		t.Fatalf("%v, %v", p, err)
	}
	if v, err := p.Eval([]float64{3}); err != nil || v != 6 {
		t.Errorf("%v, %v", v, err)
	}
}

func TestFormulaPoints(t *testing.T) {
	pts := points(4)
	pts[0].Kind, pts[2].Kind = collector.State, collector.State
	named := map[string]collector.PointID{"a": 0, "b": 1}
	s := newSet(t, pts,
		compute.Spec{Point: 2, Formula: &compute.Formula{Source: "a and b > 3", Names: named}}, // a state: a truth is 1 or 0
		compute.Spec{Point: 3, Formula: &compute.Formula{Source: "a * b", Names: named, Factor: 1000}})
	out := s.Step(sec(0), []collector.Reading{good(0, 1, 0), good(1, 4, 0)}, nil)
	if len(out) != 2 || out[0].Value != 1 || out[1].Value != 4000 {
		t.Errorf("%+v", out)
	}
	out = s.Step(sec(1), []collector.Reading{good(0, 0, 1)}, nil)
	if out[0].Value != 0 || out[1].Value != 0 || out[0].At != sec(0) {
		t.Errorf("%+v", out)
	}
	for _, sp := range []compute.Spec{
		{Point: 2, Name: "c", Formula: &compute.Formula{Source: "a + b", Names: named}},
		{Point: 3, Name: "d", Formula: &compute.Formula{Source: "a and b > 3", Names: named}},
	} {
		if _, err := compute.New(pts, []compute.Spec{sp}); err == nil {
			t.Errorf("%s: %s was taken", sp.Name, sp.Formula.Source)
		}
	}
}

func FuzzCompile(f *testing.F) {
	for name, s := range hostile() {
		if len(s) < 5000 {
			f.Add(s)
		} else {
			f.Logf("%s is too long for a seed", name)
		}
	}
	for _, s := range []string{"fresh.litres / vehicles", "a-b", "not hyd.pump.1.running", "min(a, 3)", "a > 3 ? 1 : 0", "1 < a < 9", "a.b.c-1", "1e-3-a"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, source string) {
		p, err := compute.Compile(source, names)
		if err != nil {
			var e *compute.Error
			if !errors.As(err, &e) || e.Line < 1 || e.Column < 1 || e.Reason == "" {
				t.Fatalf("%q: %#v", source, err)
			}
			if strings.Contains(e.Reason, "point_") {
				t.Fatalf("%q: placeholder in %q", source, e.Reason)
			}
			if p != nil {
				t.Fatalf("%q: a program with an error", source)
			}
			return
		}
		if c, err := compute.CompileCondition(source, names); err == nil {
			_, _ = c.Eval(valuesOf(c.Points())) // a state alone is both; it must not crash
		}
		v, err := p.Eval(valuesOf(p.Points()))
		if shown := p.String(); len(shown) < 2000 { // brackets make it longer and deeper than the source may be
			if again, errAgain := compute.Compile(shown, names); errAgain == nil {
				w, errAgain := again.Eval(valuesOf(again.Points()))
				if w != v || (err == nil) != (errAgain == nil) {
					t.Fatalf("%q = %v, %v but %q = %v, %v", source, v, err, shown, w, errAgain)
				}
			} else if !strings.Contains(errAgain.Error(), "nested deeper") {
				t.Fatalf("%q is shown as %q: %v", source, shown, errAgain)
			}
		}
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Fatalf("%q = %v", source, v)
		}
	})
}

func BenchmarkFormula(b *testing.B) {
	for name, source := range map[string]string{
		"ratio": "fresh.litres / vehicles",
		"pumps": "hyd.pump.1.running and not hyd.pump.2.running ? hyd.power : 0",
		"long":  strings.Repeat("a+", 249) + "a",
	} {
		p, err := compute.Compile(source, names)
		if err != nil {
			b.Fatal(err)
		}
		values := valuesOf(p.Points())
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := p.Eval(values); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkRefuse(b *testing.B) {
	for name, source := range hostile() {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, _ = compute.Compile(source, names)
			}
		})
	}
}

func ExampleCompile() {
	resolve := func(name string) (collector.Point, bool) {
		id, ok := map[string]collector.PointID{"fresh.litres": 7, "vehicles": 9}[name]
		return collector.Point{ID: id, Name: name}, ok
	}
	p, err := compute.Compile("fresh.litres / vehicles", resolve)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(p.Points())
	fmt.Println(p.Eval([]float64{480, 10}))
	fmt.Println(p.Eval([]float64{480, 0}))
	_, err = compute.Compile("fresh.litres / cars", resolve)
	fmt.Println(err)
	// Output:
	// [7 9]
	// 48 <nil>
	// 0 division by 0
	// column 16: unknown point cars
}
