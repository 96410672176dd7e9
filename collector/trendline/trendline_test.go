package trendline_test

import (
	"errors"
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"roundsman/collector/outsidetest"
	"roundsman/collector/trendline"
)

// norris is the data set Norris of the NIST Statistical Reference Datasets (linear regression, lower difficulty), y then x.
var norris = [][2]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3},
	{449.1, 448.6}, {778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0},
	{448.9, 447.5}, {10.8, 11.6}, {557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3},
	{0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1}, {888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3},
	{228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: got %.15g, want %.15g", what, got, want)
	}
}

func fit(t *testing.T, x, y []float64) trendline.Line {
	t.Helper()
	l, err := trendline.Fit(x, y)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestFitAgainstCertifiedValues(t *testing.T) {
	var x, y []float64
	for _, p := range norris {
		y, x = append(y, p[0]), append(x, p[1])
	}
	l := fit(t, x, y)
	near(t, "slope", l.Slope, 1.00211681802045, 1e-13)
	near(t, "intercept", l.Intercept, -0.262323073774029, 1e-12)
	near(t, "residual", l.Residual, 0.884796396144373, 1e-13)
	const deviation, t34 = 0.429796848199937e-3, 2.032244509 // certified; t by table 2.032
	near(t, "interval", l.SlopeHigh-l.SlopeLow, 2*t34*deviation, 1e-8)
}

func TestFitOfPublishedLosses(t *testing.T) {
	// NAVFAC MO-209, Table 5-4: losses in scfm on the mean pressure of each step; its own line is 0.62 P - 12.75.
	l := fit(t, []float64{85, 75, 65, 55, 45, 35, 25}, []float64{40, 34, 28, 21, 15, 9, 3})
	near(t, "slope", l.Slope, 0.62, 0.005)
	near(t, "intercept", l.Intercept, -12.75, 1e-12)
	near(t, "loss at 96 psig", l.At(96), 47, 0.005)
}

func TestT975AgainstTable(t *testing.T) {
	// NIST/SEMATECH e-Handbook, table 1.3.6.7.2.
	table := map[int]float64{1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 7: 2.365, 8: 2.306, 9: 2.262, 10: 2.228,
		15: 2.131, 20: 2.086, 28: 2.048, 30: 2.042, 60: 2.000, 100: 1.984}
	for free, want := range table {
		if got := trendline.T975(free); math.Abs(got-want) > 0.0005001 {
			t.Errorf("T975(%d) = %.4f, want %.3f", free, got, want)
		}
	}
	if got := trendline.T975(1_000_000); math.Abs(got-1.959964) > 1e-5 {
		t.Errorf("T975 of a million = %.6f, want nearly 1.959964", got)
	}
}

func TestFitAgainstScipy(t *testing.T) {
	python := outsidetest.Python(t, "python3-scipy", "scipy")
	// Times as large as Unix days, four points only: little freedom and many digits to lose.
	x := []float64{20417, 20418, 20420, 20423, 20424}
	y := []float64{0.61, 0.58, 0.66, 0.71, 0.69}
	script := fmt.Sprintf(`from scipy import stats
r = stats.linregress(%s, %s)
h = stats.t.ppf(0.975, 3) * r.stderr
print(repr(float(r.slope)), repr(float(r.slope - h)), repr(float(r.slope + h)))`, list(x), list(y))
	out, err := exec.Command(python, "-c", script).Output()
	if err != nil {
		t.Fatal(err)
	}
	var slope, low, high float64
	if _, err := fmt.Sscan(string(out), &slope, &low, &high); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	l := fit(t, x, y)
	near(t, "slope", l.Slope, slope, 1e-9)
	near(t, "low end", l.SlopeLow, low, 1e-7)
	near(t, "high end", l.SlopeHigh, high, 1e-7)
}

func list(v []float64) string { return strings.Join(strings.Fields(fmt.Sprint(v)), ", ") }

func TestRisesOnlyBeyondChance(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5}
	for _, c := range []struct {
		name         string
		y            []float64
		rises, falls bool
	}{
		{"flat", []float64{1, 1, 1, 1, 1, 1}, false, false},
		{"straight up", []float64{0, 2, 4, 6, 8, 10}, true, false},
		{"straight down", []float64{10, 8, 6, 4, 2, 0}, false, true},
		{"chance", []float64{1, 3, 0, 2, 4, 1}, false, false},
	} {
		l := fit(t, x, c.y)
		if l.Rises() != c.rises || l.Falls() != c.falls {
			t.Errorf("%s: rises %t, falls %t with slope %g (%g to %g)", c.name, l.Rises(), l.Falls(), l.Slope, l.SlopeLow, l.SlopeHigh)
		}
	}
}

func TestFitRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		x, y []float64
		want error
	}{
		{"two points", []float64{1, 2}, []float64{1, 2}, trendline.ErrFew},
		{"one x", []float64{4, 4, 4}, []float64{1, 2, 3}, trendline.ErrUpright},
		{"not a number", []float64{1, 2, 3}, []float64{1, math.NaN(), 3}, trendline.ErrNumber},
		{"endless", []float64{1, 2, math.Inf(1)}, []float64{1, 2, 3}, trendline.ErrNumber},
	} {
		if l, err := trendline.Fit(c.x, c.y); !errors.Is(err, c.want) || l != (trendline.Line{}) {
			t.Errorf("%s: got %v, %v, want %v", c.name, l, err, c.want)
		}
	}
	if _, err := trendline.Fit([]float64{1, 2, 3}, []float64{1, 2}); err == nil {
		t.Error("unequal lists were fitted")
	}
}
