package units_test

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"roundsman/collector/outsidetest"
	"roundsman/collector/units"
)

// gnuNames are our units in the words of GNU units; turbidity, acidity and
// counts have one unit a kind and nothing to compare.
var gnuNames = map[string]string{
	"Pa": "Pa", "hPa": "hPa", "kPa": "kPa", "MPa": "MPa", "bar": "bar", "mbar": "mbar", "psi": "psi", "atm": "atm",
	"torr": "torr", "mmHg": "mmHg", "inHg": "inHg", "mmH2O": "mmH2O", "inH2O": "inch water", "ftH2O": "foot water",
	"mH2O": "m water", "kgf/cm2": "kgf/cm^2",
	"m": "m", "km": "km", "dm": "dm", "cm": "cm", "mm": "mm", "um": "um", "in": "in", "ft": "ft",
	"m2": "m^2", "cm2": "cm^2", "mm2": "mm^2", "ft2": "ft^2", "in2": "in^2",
	"L": "L", "mL": "mL", "m3": "m^3", "gal": "usgallon", "kgal": "1000 usgallon", "impgal": "brgallon", "ft3": "ft^3", "in3": "in^3",
	"kg": "kg", "g": "g", "mg": "mg", "t": "tonne", "lb": "lb",
	"s": "s", "ms": "ms", "us": "us", "min": "min", "h": "hour", "d": "day",
	"V": "V", "mV": "mV", "kV": "kV", "A": "A", "mA": "mA", "uA": "uA", "kA": "kA", "ohm": "ohm", "kohm": "kohm", "Mohm": "Mohm",
	"W": "W", "mW": "mW", "kW": "kW", "MW": "MW", "hp": "hp", "hp-metric": "metrichorsepower", "hp-electric": "746 W",
	"J": "J", "kJ": "kJ", "MJ": "MJ", "Wh": "Wh", "kWh": "kWh", "MWh": "MWh", "Btu": "btu",
	"Hz": "Hz", "kHz": "kHz", "mHz": "mHz",
	"ratio": "1", "%": "0.01", "ppm": "ppm", "ppb": "ppb",
	"S/m": "S/m", "mS/cm": "mS/cm", "uS/cm": "uS/cm", "mS/m": "mS/m",
	"g/L": "g/L", "mg/L": "mg/L", "ug/L": "ug/L",
	// per time
	"L/s": "L/s", "L/min": "L/min", "L/h": "L/hour", "m3/h": "m^3/hour", "m3/s": "m^3/s", "gal/min": "gpm", "ft3/min": "cfm",
	"impgal/h": "brgallon/hour", "kgal/d": "1000 usgallon/day",
	"bar/s": "bar/s", "psi/min": "psi/min", "kPa/h": "kPa/hour",
	"%/min": "0.01/min", "ratio/h": "1/hour",
	"m/min": "m/min", "mm/s": "mm/s", "ft/min": "ft/min",
	"degC/min": "degC/min", "degF/h": "degF/hour", "K/s": "K/s",
	"kg/h": "kg/hour", "lb/min": "lb/min", "g/s": "g/s",
	"kWh/d": "kWh/day", "kW/min": "kW/min", "W/s": "W/s",
	"L/min/s": "L/min/s", "gal/min/min": "usgallon/min/min",
}

// An independent check of every pair that converts: GNU units, one process for all.
func TestAgainstGNUUnits(t *testing.T) {
	path := outsidetest.Program(t, "units", "units")
	type pair struct {
		from, to string
		ours     float64
	}
	var pairs []pair
	var ask strings.Builder
	add := func(from, to, have, want string, value float64) {
		got, err := units.Quantity{Value: value, Unit: unit(t, from)}.In(unit(t, to))
		if err != nil {
			return // does not convert
		}
		pairs = append(pairs, pair{from, to, got})
		fmt.Fprintf(&ask, "%s\n%s\n", have, want)
	}
	symbols := strings.Fields(strings.Join(units.Symbols(), " "))
	for s := range gnuNames {
		if strings.Contains(s, "/") {
			symbols = append(symbols, s)
		}
	}
	for _, from := range symbols {
		for _, to := range symbols {
			have, want := gnuNames[from], gnuNames[to]
			if have != "" && want != "" {
				add(from, to, have, want, 1)
			}
		}
	}
	scales := map[string]string{"degC": "tempC", "degF": "tempF", "K": "tempK"}
	for from, have := range scales {
		for to, want := range scales {
			for _, v := range []float64{0, 1, 41, 105, 300.5} {
				add(from, to, fmt.Sprintf("%s(%v)", have, v), want, v)
			}
		}
	}
	answers := askGNU(t, path, ask.String())
	if len(answers) != len(pairs) {
		t.Fatalf("%d answers to %d questions", len(answers), len(pairs))
	}
	for i, p := range pairs {
		// GNU units computes in float64 step by step.
		if math.Abs(answers[i]-p.ours) > 2e-15*max(math.Abs(p.ours), 1e-300) && math.Abs(answers[i]-p.ours) > offsetNoise(p.from) {
			t.Errorf("%s to %s: %.17g, GNU units says %.17g", p.from, p.to, p.ours, answers[i])
		}
	}
	t.Logf("%d pairs agree with GNU units", len(pairs))
	for _, s := range units.Symbols() {
		u := unit(t, s)
		if base, _ := units.Base(u); gnuNames[s] == "" && base != u && !strings.Contains("degF K VA kVA var kvar", s) {
			t.Errorf("%s converts to %s and is not compared", s, base)
		}
	}
}

// offsetNoise is the rounding of sums with 273.15 or 459.67 in them.
func offsetNoise(from string) float64 {
	if from == "degC" || from == "degF" || from == "K" {
		return 4e-13
	}
	return 0
}

func askGNU(t *testing.T, path, questions string) []float64 {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), path, "-t", "-o", "%.17g")
	cmd.Env = append(os.Environ(), "LC_ALL=C", "UNITS_ENGLISH=US")
	cmd.Stdin = strings.NewReader(questions)
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("GNU units: %v", err)
	}
	var answers []float64
	lines := bufio.NewScanner(strings.NewReader(string(out)))
	for lines.Scan() {
		v, err := strconv.ParseFloat(strings.TrimSpace(lines.Text()), 64)
		if err != nil {
			t.Fatalf("GNU units answers %q", lines.Text())
		}
		answers = append(answers, v)
	}
	return answers
}
