package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The lines are of the form that the benchmark data format asks for (golang.org/design/14313-benchmark-format): a name
// that begins with Benchmark, a count, and pairs of value and unit.
func TestRead(t *testing.T) {
	r := results{}
	r.read("rules", `goos: linux
pkg: roundsman/rules
cpu: Benchmark of a processor 2
BenchmarkOneRule-2   	   10000	     123.5 ns/op	         6.400 ns/rule	        17.20 x-expr-struct
BenchmarkSerial/baud=9600/registers=1-16 	 12 	 1e+06 ns/op	 1.015 x-minimum
BenchmarkSerial/baud=9600/registers=1-16 	 12 	 1e+06 ns/op	 1.019 x-minimum
BenchmarkPlain 5 7 ns/op
BenchmarkCut-2
--- FAIL: BenchmarkBroken
BenchmarkOdd-2 many 7 ns/op
PASS
`)
	for _, c := range []struct {
		bench, unit string
		want        span
	}{
		{"BenchmarkOneRule", "ns/rule", span{6.4, 6.4, 6.4, 1}},
		{"BenchmarkOneRule", "x-expr-struct", span{17.2, 17.2, 17.2, 1}},
		{"BenchmarkSerial/baud=9600/registers=1", "x-minimum", span{1.015, 1.017, 1.019, 2}},
		{"BenchmarkPlain", "ns/op", span{7, 7, 7, 1}},
	} {
		got := spanOf(r[key{"rules", c.bench, c.unit}])
		if got.n != c.want.n || got.low != c.want.low || got.high != c.want.high || math.Abs(got.median-c.want.median) > 1e-9 {
			t.Errorf("%s %s: %+v, want %+v", c.bench, c.unit, got, c.want)
		}
	}
	if len(r) != 6 {
		t.Errorf("%d metrics, want 6: %v", len(r), r)
	}
}

func TestVerdict(t *testing.T) {
	r := row{goal: most(1.03, "")}
	for _, c := range []struct {
		values []float64
		want   string
	}{
		{[]float64{1.01, 1.02, 1.03}, met},
		{[]float64{1.01, 1.02, 1.2}, mostlyMet},
		{[]float64{1.01, 1.04, 1.2}, missed},
		{nil, unknown},
	} {
		if got := r.verdict(spanOf(c.values)); got != c.want {
			t.Errorf("%v: %s, want %s", c.values, got, c.want)
		}
	}
	if got := (row{goal: least(0.97, "")}).verdict(spanOf([]float64{0.9})); got != missed {
		t.Errorf("0.9 is %s of at least 0.97", got)
	}
}

func TestFigure(t *testing.T) {
	for v, want := range map[float64]string{
		1.0124: "1.012", 1.0004: "1", 17.23: "17.2", 6.42: "6.42", 0.1234: "0.123", 104: "104", 1043.7: "1044", 100: "100", 2: "2", 25.8: "25.8", 0.35: "0.35",
	} {
		if got := figure(v); got != want {
			t.Errorf("%v: %s, want %s", v, got, want)
		}
	}
}

// Each row names a benchmark and a metric that stand in its package, so that no row can be 'not measured' for a name.
func TestRowsAreThere(t *testing.T) {
	reported := regexp.MustCompile(`ReportMetric\([^\n]*"([^"]+)"\)`)
	all := table[:len(table):len(table)]
	for _, c := range curves {
		all = append(all, c.row)
	}
	for _, r := range all {
		files, err := filepath.Glob(filepath.Join("..", "..", r.suite.dir, "*_test.go"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: no tests in %s", r.work, r.suite.dir)
		}
		var text strings.Builder
		for _, f := range files {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			text.Write(b)
		}
		name, _, _ := strings.Cut(r.bench, "/")
		if !strings.Contains(text.String(), "func "+name+"(") {
			t.Errorf("%s: no %s in %s", r.work, name, r.suite.dir)
		}
		if ok, err := regexp.MatchString(r.suite.pattern, name); err != nil || !ok {
			t.Errorf("%s: %s does not match %s", r.work, name, r.suite.pattern)
		}
		found := false
		for _, m := range reported.FindAllStringSubmatch(text.String(), -1) {
			found = found || m[1] == r.unit
		}
		if !found {
			t.Errorf("%s: nothing in %s reports %q", r.work, r.suite.dir, r.unit)
		}
	}
}

func TestPage(t *testing.T) {
	rows := []row{
		{"a work that is met", suite{dir: "a"}, "BenchmarkA", "x", most(2, "ms")},
		{"another", suite{dir: "b"}, "BenchmarkB", "x", least(0.9, "")},
	}
	h := &hall{got: results{{"a", "BenchmarkA", "x"}: {1, 1.5, 2}}, wrong: map[suite]string{{dir: "b"}: "b: not measured: no broker"}}
	var out bytes.Buffer
	if code := page(&out, machine{}, rows, nil, h); code != 1 {
		t.Errorf("a row that was not measured ends in %d", code)
	}
	for _, want := range []string{"a work that is met  1 - 2 (1.5)  <= 2 ms  met\n", "another             -            >= 0.9   not measured\n", "b: not measured: no broker", "1 met, 0 by median, 0 not met, 1 not measured"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}

func TestArguments(t *testing.T) {
	var errs bytes.Buffer
	for _, args := range [][]string{{"--bogus"}, {"surplus"}} {
		if code := run(t.Context(), args, &errs, &errs); code != 2 {
			t.Errorf("%v ends in %d, want 2", args, code)
		}
	}
	if code := run(t.Context(), []string{"--only", "no such row"}, &errs, &errs); code == 0 || !strings.Contains(errs.String(), "no row holds no such row") {
		t.Errorf("no row: %d, %s", code, &errs)
	}
	if got := chosen(table, []string{"mqtt"}); len(got) < 2 || len(got) > 4 {
		t.Errorf("%d rows hold mqtt", len(got))
	}
}
