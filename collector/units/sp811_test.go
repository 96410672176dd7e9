package units_test

import (
	"math"
	"testing"

	"roundsman/collector/units"
)

// Factors as printed in NIST SP 811 (2008), Appendix B.8, seven digits; those
// marked exact are bold there (exact by definition).
func TestSP811Factors(t *testing.T) {
	const half = 5e-7 // half a unit of the seventh digit of a number that begins with 1
	tests := []struct {
		from, to string
		factor   float64
		exact    bool
	}{
		{"bar", "Pa", 1e5, true},
		{"mbar", "Pa", 1e2, true},
		{"hPa", "Pa", 1e2, true},
		{"kPa", "Pa", 1e3, true},
		{"MPa", "Pa", 1e6, true},
		{"psi", "Pa", 6.894757e3, false},
		{"kgf/cm2", "Pa", 9.80665e4, true},
		{"atm", "Pa", 1.01325e5, true},
		{"mmHg", "Pa", 1.333224e2, false},
		{"torr", "Pa", 1.333224e2, false},
		{"inHg", "Pa", 3.386389e3, false},
		{"inH2O", "Pa", 2.490889e2, false},
		{"ftH2O", "Pa", 2.989067e3, false},
		{"mmH2O", "Pa", 9.80665, true},
		{"gal", "m3", 3.785412e-3, false},
		{"impgal", "m3", 4.54609e-3, true},
		{"ft3", "m3", 2.831685e-2, false},
		{"in3", "m3", 1.638706e-5, false},
		{"L", "m3", 1e-3, true},
		{"gal/min", "m3/s", 6.309020e-5, false},
		{"ft3/min", "m3/s", 4.719474e-4, false},
		{"hp", "W", 7.456999e2, false},
		{"hp-electric", "W", 7.46e2, true},
		{"hp-metric", "W", 7.354988e2, false}, // from memory; 75 kgf m/s is exact
		{"kWh", "J", 3.6e6, true},
		{"Btu/h", "W", 2.930711e-1, false},
		{"in", "m", 2.54e-2, true},
		{"ft", "m", 3.048e-1, true},
		{"lb", "kg", 4.5359237e-1, true},
		{"d", "s", 8.64e4, true},
		{"h", "s", 3.6e3, true},
	}
	for _, tt := range tests {
		factor, offset, err := units.Convert(unit(t, tt.from), unit(t, tt.to))
		if err != nil || offset != 0 {
			t.Errorf("%s to %s: offset %v, %v", tt.from, tt.to, offset, err)
			continue
		}
		if tt.exact && factor != tt.factor || math.Abs(factor/tt.factor-1) > half {
			t.Errorf("%s to %s: factor %.12g, SP 811 prints %.7g", tt.from, tt.to, factor, tt.factor)
		}
	}
}

// Exact values that follow from the definitions in SP 811 (yard and pound of
// 1959, standard gravity, standard atmosphere), to the last digit given.
func TestExactValues(t *testing.T) {
	tests := []struct {
		text, to string
		want     float64
	}{
		{"1 inH2O", "Pa", 249.08891},
		{"1 ftH2O", "Pa", 2989.06692},
		{"1 mmHg", "Pa", 133.322387415},
		{"760 torr", "Pa", 101325},
		{"1 gal", "L", 3.785411784},
		{"1 kgal", "m3", 3.785411784},
		{"1 ft3", "L", 28.316846592},
		{"1 in3", "mL", 16.387064},
		{"1 ft3/min", "m3/h", 1.69901079552},
		{"1 ft3/min", "L/min", 28.316846592},
		{"1 gal/min", "L/min", 3.785411784},
		{"1 hp-metric", "W", 735.49875},
		{"36 m3/h", "L/s", 10},
		{"0.3 bar", "Pa", 30000},
		{"0.1 kPa", "bar", 0.001},
		{"1 mS/cm", "uS/cm", 1000},
		{"1 %", "ppm", 10000},
		{"3600 1/h", "Hz", 1},
		{"6 %/min", "ratio/s", 0.001},
		{"12 h/d", "%", 50},
		{"24 kWh/d", "kW", 1},
		// temperature pairs, exact by definition
		{"-40 degF", "degC", -40},
		{"32 degF", "degC", 0},
		{"41 degF", "degC", 5},
		{"68 degF", "degC", 20},
		{"104 degF", "degC", 40},
		{"158 degF", "degC", 70},
		{"176 degF", "degC", 80},
		{"212 degF", "degC", 100},
		{"221 degF", "degC", 105},
		{"105 degC", "degF", 221},
		{"0 degF", "degC", -17.77777777777777777777},
		{"0 degC", "K", 273.15},
		{"0 K", "degF", -459.67},
		{"18 degF/min", "degC/min", 10},
	}
	for _, tt := range tests {
		q, err := units.ParseQuantity(tt.text)
		if err != nil {
			t.Fatal(err)
		}
		got, err := q.In(unit(t, tt.to))
		if err != nil || got != tt.want {
			t.Errorf("%s is %.17g %s, %v; want exactly %.17g", tt.text, got, tt.to, err, tt.want)
		}
	}
}

// Values to the digits printed by GNU units 2.22.
func TestTwelveDigits(t *testing.T) {
	tests := []struct {
		text, to string
		want     float64
		digits   float64
	}{
		{"1 psi", "Pa", 6894.75729317, 1e-12},
		{"1 torr", "Pa", 133.322368421, 1e-12},
		{"1 inHg", "Pa", 3386.38864034, 1e-12},
		{"1 hp", "W", 745.699871582, 1e-12},
		{"1 Btu/h", "W", 0.293071070172, 1e-12},
		{"1 bar", "psi", 14.503773773, 1e-11},
		{"1 bar", "inH2O", 401.463075976, 2e-12},
		{"1 bar", "mmHg", 750.061575846, 1e-12},
		{"1 bar", "kgf/cm2", 1.01971621298, 1e-11},
		{"1 psi", "bar", 0.0689475729317, 1e-12},
		{"80 psi", "bar", 5.51580583, 1e-8},
		{"100 psi", "bar", 6.89475729, 1e-8},
		{"5.5 bar", "psi", 79.7707558, 1e-8},
		{"11 kW", "hp", 14.7512430, 1e-8},
		{"1 m3/h", "gal/min", 4.40286754, 1e-8},
		{"1 m3/h", "L/min", 16.6666667, 1e-8},
		{"1 gal", "ft3", 0.133680556, 1e-8},
	}
	for _, tt := range tests {
		q, err := units.ParseQuantity(tt.text)
		if err != nil {
			t.Fatal(err)
		}
		got, err := q.In(unit(t, tt.to))
		if err != nil || math.Abs(got/tt.want-1) > tt.digits {
			t.Errorf("%s is %.13g %s, %v; want %.13g", tt.text, got, tt.to, err, tt.want)
		}
	}
}

func TestDifference(t *testing.T) {
	c, f := unit(t, "degC"), unit(t, "degF")
	factor, err := units.ConvertDifference(c, f)
	if err != nil || factor*10 != 18 {
		t.Errorf("10 degC of difference are %v degF, %v; want 18", factor*10, err)
	}
	got, err := units.Quantity{Value: 10, Unit: c}.InDifference(f)
	if err != nil || got != 18 {
		t.Errorf("10 degC of difference are %v degF, %v; want 18", got, err)
	}
	bare := units.Quantity{Value: 10}
	if v, err := bare.In(f); v != 10 || err != nil {
		t.Errorf("a bare 10 is %v in the point's unit, %v", v, err)
	}
	if v, err := bare.InDifference(f); v != 10 || err != nil {
		t.Errorf("a bare 10 is a difference of %v in the point's unit, %v", v, err)
	}
}

// Every pair there and back is the identity to the last few bits, and Convert's
// two numbers give what In gives.
func TestConvertAgreesWithIn(t *testing.T) {
	pairs := 0
	for _, a := range units.Symbols() {
		for _, b := range units.Symbols() {
			from, to := unit(t, a), unit(t, b)
			factor, offset, err := units.Convert(from, to)
			if err != nil {
				continue
			}
			pairs++
			there, _ := units.Quantity{Value: 37.5, Unit: from}.In(to)
			back, _ := units.Quantity{Value: there, Unit: to}.In(from)
			if math.Abs(back-37.5) > 1e-13*37.5*10 {
				t.Errorf("37.5 %s comes back from %s as %.17g", a, b, back)
			}
			if fast := math.FMA(37.5, factor, offset); math.Abs(fast-there) > 3e-16*(math.Abs(there)+math.Abs(offset)) {
				t.Errorf("37.5 %s is %.17g %s by factor and offset, %.17g exactly", a, fast, b, there)
			}
		}
	}
	if pairs < 500 {
		t.Errorf("only %d pairs convert", pairs)
	}
}
