package compute_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/expr-lang/expr"

	"roundsman/collector"
	"roundsman/collector/compute"
)

// Formulas mean what they mean in expr-lang/expr, the language they are written in: the same are taken, and they come
// to the same number or truth. What is ours: no chain of comparisons, no choice between kinds, no result that is not finite.
func TestReferenceLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	env := map[string]any{"a": 3.0, "b": -2.0, "c": 0.5}
	values := []float64{3, -2, 0.5}
	resolve := func(name string) (collector.Point, bool) {
		id := strings.Index("abc", name)
		return collector.Point{ID: collector.PointID(id), Name: name}, id >= 0 && len(name) == 1
	}
	taken, refused := 0, 0
	for range 4_000 {
		source := randomFormula(r, 1+r.IntN(5))
		program, errTheirs := expr.Compile(source, expr.Env(env))
		var points []collector.PointID
		var eval func([]float64) (float64, error)
		p, err := compute.Compile(source, resolve)
		if err == nil {
			points, eval = p.Points(), p.Eval
		} else if c, err2 := compute.CompileCondition(source, resolve); err2 == nil {
			points, err = c.Points(), nil
			eval = func(v []float64) (float64, error) {
				is, err := c.Eval(v)
				return map[bool]float64{true: 1}[is], err
			}
		}
		if err != nil {
			refused++
			ours := strings.Contains(err.Error(), "two values at a time") || strings.Contains(err.Error(), "neither a number")
			if errTheirs == nil && !ours {
				t.Fatalf("%s: %v, but the library takes it", source, err)
			}
			continue
		}
		taken++
		if errTheirs != nil {
			t.Fatalf("%s: was taken, the library says %v", source, errTheirs)
		}
		in := make([]float64, len(points))
		for i, id := range points {
			in[i] = values[id]
		}
		got, err := eval(in)
		if err != nil {
			continue // by 0, or no real number: the library goes on with Inf and NaN
		}
		out, err := expr.Run(program, env)
		if err != nil {
			t.Fatal(err)
		}
		want, isNumber := out.(float64)
		switch v := out.(type) {
		case bool:
			want = map[bool]float64{true: 1}[v]
		case int:
			want = float64(v)
		default:
			if !isNumber {
				t.Fatalf("%s gives %v", source, out)
			}
		}
		if math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s = %v, the library says %v", source, got, want)
		}
	}
	if taken < 500 || refused < 500 {
		t.Errorf("%d formulas were taken and %d refused: too few to tell", taken, refused)
	}
}

// randomFormula strings operands and operators together, so that how tightly each binds decides what they mean.
func randomFormula(r *rand.Rand, terms int) string {
	pick := func(words ...string) string { return words[r.IntN(len(words))] }
	var b strings.Builder
	for i := range terms {
		if i > 0 {
			b.WriteString(pick(" + ", " - ", " * ", " / ", " ^ ", " ** ", " < ", " >= ", " == ", " != ", " and ", " or ", " && ", " || "))
		}
		b.WriteString(pick("", "", "", "", "-", "not ", "!"))
		switch r.IntN(8) {
		case 0:
			b.WriteString("(" + randomFormula(r, 1+r.IntN(3)) + ")")
		case 1:
			b.WriteString(pick("abs(", "floor(", "max(c, ") + randomFormula(r, 1) + ")")
		case 2:
			b.WriteString(pick("true", "false", "(a > b)", "(c == 0.5)"))
		case 3:
			b.WriteString("(" + randomFormula(r, 2) + " ? " + randomFormula(r, 1) + " : " + randomFormula(r, 1) + ")")
		default:
			b.WriteString(pick("a", "b", "c", "1.5", "2.0", "0.25"))
		}
	}
	return b.String()
}
