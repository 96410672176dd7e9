package configs_test

import (
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/configs"
)

// leakLine is a leak test that is right; one part of it is replaced.
const leakLine = `  d: {leak-test: {pressure: a.pressure, loaded: a.running, while: not z, volume: 500 L}}`

func TestLeakTestErrors(t *testing.T) {
	for _, c := range []struct{ name, from, to, want string }{
		{"right", "", "", ""},
		{"pressure unknown", "a.pressure", "a.presure", `site.yaml:11:29: points.d.leak-test.pressure: unknown point "a.presure" (did you mean a.pressure?)`},
		{"pressure is a level", "pressure: a.pressure", "pressure: t.level", `site.yaml:11:29: points.d.leak-test.pressure: t.level is a length (m), wanted is a pressure (bar)`},
		{"loaded is a number", "loaded: a.running", "loaded: a.pressure", `site.yaml:11:49: points.d.leak-test.loaded: a.pressure is a number, no state`},
		{"no volume", ", volume: 500 L", "", `site.yaml:11:7: points.d.leak-test: volume is missing`},
		{"no while", "while: not z, ", "", `site.yaml:11:7: points.d.leak-test: while is missing`},
		{"volume in bar", "500 L", "500 bar", `site.yaml:11:82: points.d.leak-test.volume: 500 bar: wanted is a volume (L)`},
		{"no volume at all", "500 L", "0 L", `site.yaml:11:82: points.d.leak-test.volume: 0 L must be above 0`},
		{"term unknown", "not z", "not y", `site.yaml:11:67: points.d.leak-test.while: unknown point or condition "y"`},
		{"most below least", "500 L", "500 L, most: 1m", `site.yaml:11:7: points.d.leak-test: at most 1m0s is shorter than at least 2m0s`},
		{"working pressure", "500 L", "500 L, working-pressure: 0.5 bar", `site.yaml:11:7: points.d.leak-test: working pressure 0.5 bar is not above 0.9 bar, where leaks are choked`},
		{"unit", "}}", "}, unit: bar}", `site.yaml:11:3: points.d: a leak is a flow, the point is a pressure (bar)`},
	} {
		line := badLine{section: "points", text: strings.Replace(leakLine, c.from, c.to, 1)}
		if c.from == "" {
			line.text = leakLine
		}
		_, err := site(t, line.files())
		if got := errorsOf(t, err); got != c.want {
			t.Errorf("%s:\n got: %s\nwant: %s", c.name, got, c.want)
		}
	}
}

func TestLeakFigureErrors(t *testing.T) {
	for text, want := range map[string]string{
		`  e: {leak-figure: {of: a.pressure, tells: usual}}`:               `site.yaml:12:25: points.e.leak-figure.of: a.pressure is no leak test`,
		`  e: {leak-figure: {of: d, tells: usul}}`:                         `site.yaml:12:35: points.e.leak-figure.tells: unknown figure of a leak test "usul" (did you mean usual?)`,
		`  e: {leak-figure: {of: d, tells: share}, unit: L/s}`:             `site.yaml:12:3: points.e: share is a ratio (ratio), the point is a flow (L/s)`,
		`  e: {leak-figure: {of: d, tells: usual}, unit: m3/h}`:            ``,
		`  e: {difference: [d, a.pressure]}`:                               `site.yaml:12:23: points.e.difference[2]: a.pressure is a pressure (bar), wanted is a flow (L/s)`,
		`  e: {leak-figure: {of: d, tells: sourcebook}, while: a.running}`: `site.yaml:12:48: points.e.while: does not go with leak-figure`,
	} {
		line := badLine{section: "points", text: leakLine + "\n" + text}
		_, err := site(t, line.files())
		if got := errorsOf(t, err); got != want {
			t.Errorf("%s\n got: %s\nwant: %s", text, got, want)
		}
	}
}

func TestLeakConditions(t *testing.T) {
	for _, c := range []struct{ while, conditions, idle, errors string }{
		{"not z", "", "(not (a.running))", ""},
		{"[not a.running, a.pressure > 200 kPa]", "", "(not a.running) and (a.pressure > 2)", ""},
		{"y", "  y: {any: [not a.running, t.level <= 1 m]}", "((not a.running) or (t.level <= 1))", ""},
		{"y", "  y: {all: [z], hold: 1m}", "", `site.yaml:11:67: points.d.leak-test.while: y has hold, until, at-most or hours; a leak test takes conditions made of points alone`},
		{"y", "  y: {hours: {monday: '07:00-20:00'}}", "", `site.yaml:11:67: points.d.leak-test.while: y has hold, until, at-most or hours; a leak test takes conditions made of points alone`},
		{"y", "  y: x\n  x: y", "", `site.yaml:14:3: conditions.y: waits for itself: y -> x -> y`},
	} {
		files := badLine{section: "points", text: strings.Replace(leakLine, "not z", c.while, 1)}.files()
		files["site.yaml"] = strings.Replace(files["site.yaml"], "  z: a.running\n", "  z: a.running\n"+c.conditions+"\n", 1)
		s, err := site(t, files)
		if got := errorsOf(t, err); got != c.errors {
			t.Errorf("%s:\n got: %s\nwant: %s", c.while, got, c.errors)
		}
		if c.errors != "" {
			continue
		}
		if got := s.Compute[0].LeakTest.Idle; got != c.idle {
			t.Errorf("%s: %s, want %s", c.while, got, c.idle)
		}
		if _, err := compute.New(s.Points, s.Compute); err != nil {
			t.Errorf("%s: %v", c.while, err)
		}
	}
}

func TestLeakTestValues(t *testing.T) {
	line := `  d: {leak-test: {pressure: a.pressure, loaded: a.running, while: z, volume: 130 gal, delivery: 100 ft3/min, temperature: b, every: 6h, most-fall: 1 bar}, unit: ft3/min}
  b: {link: plc, holding: 30, type: int16, scale: 0.1 degF}`
	s, err := site(t, badLine{section: "points", text: line}.files())
	if err != nil {
		t.Fatal(err)
	}
	l := s.Compute[0].LeakTest
	near := func(what string, got, want float64) {
		t.Helper()
		if d := got - want; d > 1e-6*want || d < -1e-6*want {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	near("volume", l.Test.Vessel.Volume, 130*3.785411784)
	near("delivery", l.Test.Delivery, 100*0.4719474432)
	near("factor", l.Factor, 1/0.4719474432)
	near("temperature", l.Celsius.Factor, 5./9)
	if l.Test.Every != 6*time.Hour || l.Test.MostFall != 1 || s.Points[l.Celsius.Point].Name != "b" || l.Loaded == collector.NoPoint {
		t.Errorf("%+v", l)
	}
}

func TestDemoTestsItsLeaks(t *testing.T) {
	s, err := configs.Load(configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range s.Compute {
		if c.LeakTest != nil {
			if want := "((not wash.open)) and (not conveyor.running)"; c.Name != "air.leak.rate" || c.LeakTest.Idle != want {
				t.Errorf("%s tests while %s, want %s", c.Name, c.LeakTest.Idle, want)
			}
			return
		}
	}
	t.Error("the demo site has no leak test")
}
