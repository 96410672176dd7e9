package configs_test

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/modbus"
	"roundsman/collector/scaling"
	"roundsman/configs"
	"roundsman/rules"
)

// with loads the site of the wrong lines with right ones added.
func with(t *testing.T, section, text string) *configs.Site {
	t.Helper()
	s, err := site(t, badLine{section: section, text: text}.files())
	if err != nil {
		t.Fatalf("%s\n%v", text, err)
	}
	return s
}

func modbusPoint(t *testing.T, s *configs.Site, name string) modbus.Point {
	t.Helper()
	want, ok := s.Point(name)
	for _, o := range s.Modbus {
		for _, p := range o.Points {
			if ok && p.ID == want.ID {
				return p
			}
		}
	}
	t.Fatalf("%s is on no modbus link", name)
	return modbus.Point{}
}

// The values of the table of 4-20 mA signals: x = lo + (I - 4) (hi - lo) / 16.
func TestSignals(t *testing.T) {
	for _, c := range []struct {
		text string
		raw  float64
		want float64
	}{
		{"signal: 4-20mA, raw-per-mA: 1000, range: [0 bar, 16 bar]", 9600, 5.6},
		{"signal: 4-20mA, raw-per-mA: 1000, range: [-10 degC, 110 degC]", 5000, -2.5},
		{"signal: 4-20mA, raw-per-mA: 1000, scale: {from: [4 mA, 20 mA], to: [0 m, 2.4 m]}", 13000, 1.35},
		{"scale: {from: [0, 27648], to: [0 bar, 160 bar]}", 13824, 80},
		{"scale: {from: [27648, 0], to: [160 bar, 0 bar]}", 6912, 40},
		{"scale: 0.1 degC", -53, -5.3},
		{"unit: psi, scale: {from: [0, 100], to: [0 bar, 1 bar]}", 100, 14.503773773},
		{"unit: degF, scale: {from: [0, 100], to: [0 degC, 100 degC]}", 100, 212},
		{"unit: degF, scale: 1 degC", 10, 18},
		{"table: [[0, 0 L], [10, 50 L], [20, 200 L]]", 15, 125},
		{"signal: 4-20mA, square-root: true, scale: {from: [4 mA, 20 mA], to: ['0 %', '100 %']}", 8, 50},
	} {
		s := with(t, "points", "  p: {link: plc, holding: 100, type: int16, "+c.text+"}")
		p := modbusPoint(t, s, "p")
		got := apply(p.Scale, c.raw)
		if math.Abs(got-c.want) > 1e-9*max(1, math.Abs(c.want)) {
			t.Errorf("%s: %v means %v, want %v", c.text, c.raw, got, c.want)
		}
	}
}

// A card that sends 0 at 4 mA and 27648 at 20 mA still tells a broken wire.
func TestCountsOfALoop(t *testing.T) {
	s := with(t, "points", "  p: {link: plc, holding: 100, type: int16, signal: 4-20mA, scale: {from: [0, 27648], to: [0 bar, 16 bar]}}")
	p := modbusPoint(t, s, "p").Scale
	if p.RawPerMilliamp != 1728 || p.RawAtZero != -6912 {
		t.Fatalf("%+v", p)
	}
	c, err := scaling.New(0, p)
	if err != nil {
		t.Fatal(err)
	}
	if r := c.Judge(13824, 1); r.Value != 8 || r.Quality != collector.Good {
		t.Errorf("12 mA: %+v", r)
	}
	c.Judge(-900, 2)
	if r := c.Judge(-900, collector.Moment(10*time.Second)); r.Fault != collector.SignalLow {
		t.Errorf("3.48 mA: %+v", r)
	}
}

// apply draws the curve by its definition, apart from package scaling.
func apply(s scaling.Spec, raw float64) float64 {
	i := 1
	for i < len(s.Points)-1 && raw > s.Points[i].Raw {
		i++
	}
	a, z := s.Points[i-1], s.Points[i]
	if s.Curve == scaling.SquareRoot {
		return z.Value * math.Sqrt((raw-a.Raw)/(z.Raw-a.Raw))
	}
	return a.Value + (raw-a.Raw)*(z.Value-a.Value)/(z.Raw-a.Raw)
}

func TestPoints(t *testing.T) {
	for _, c := range []struct {
		text string
		want collector.Point
	}{
		{"  b: {link: plc, coil: 3}", collector.Point{Kind: collector.State, Link: "plc"}},
		{"  b: {link: plc, holding: 30, bit: 15}", collector.Point{Kind: collector.State, Link: "plc"}},
		{"  b: {link: plc, holding: 30, length: 8}", collector.Point{Kind: collector.Text, Link: "plc"}},
		{"  b: {link: plc, holding: 30, type: float32, unit: bar, range: [0, 20]}", collector.Point{Link: "plc", Unit: "bar", High: 20, Digits: 2}},
		{"  b: {link: plc, holding: 30, type: int16, scale: 0.1 degC, range: [-40, 30]}", collector.Point{Link: "plc", Unit: "degC", Low: -40, High: 30, Resolution: 0.1, Digits: 1}},
		{"  b: {link: plc, holding: 30, type: uint32, kind: counter, unit: cars}", collector.Point{Link: "plc", Unit: "cars", Kind: collector.Counter, Resolution: 1}},
		{"  b: {link: yard, topic: g/state, words: {online: 1, offline: 0}}", collector.Point{Link: "yard", Kind: collector.State}},
		{"  b: {station: hall, tank: {level: t.level, shape: vertical-cylinder, diameter: 1 m, height: 2 m}}", collector.Point{Station: "hall", Unit: "L", Digits: 2}},
		{"  b: {pulses: n.pulses, per-pulse: 10 gal}", collector.Point{Unit: "gal/min", Digits: 2}},
		{"  b: {rate: a.pressure, over: 1m}", collector.Point{Unit: "bar/s", Digits: 2}},
		{"  b: {ratio: [a.pressure, a.pressure], digits: 1}", collector.Point{Unit: "ratio", Digits: 1}},
		{"  b: {mean: a.running, over: 1h, unit: '%', digits: 0}", collector.Point{Unit: "%"}},
	} {
		s := with(t, "points", c.text)
		got, _ := s.Point("b")
		c.want.ID, c.want.Name = 4, "b"
		if c.want.Station == "" {
			c.want.Station = "b"
		}
		if c.want.Low == 0 && c.want.High == 0 {
			got.Low, got.High = noNaN(t, got.Low), noNaN(t, got.High)
		}
		if got != c.want {
			t.Errorf("%s\n got %+v\nwant %+v", c.text, got, c.want)
		}
	}
}

func noNaN(t *testing.T, x float64) float64 {
	t.Helper()
	if !math.IsNaN(x) {
		t.Errorf("a range of %v where none is given", x)
	}
	return 0
}

// Computed points, run by package compute: what the file says is what comes out.
func TestComputed(t *testing.T) {
	for _, c := range []struct {
		text string
		in   map[string]float64
		want float64
	}{
		{"  c: {difference: [a.pressure, a.pressure]}", map[string]float64{"a.pressure": 7}, 0},
		{"  c: {sum: [a.pressure, a.pressure], unit: psi}", map[string]float64{"a.pressure": 1}, 2 * 14.503773773},
		{"  c: {ratio: [a.pressure, a.pressure], unit: '%'}", map[string]float64{"a.pressure": 5}, 100},
		{"  c: {ratio: {of: a.pressure, share-with: a.pressure}}", map[string]float64{"a.pressure": 5}, 0.5},
		{"  c: {ratio: [k, a.pressure], unit: '%'}\n  k: {link: plc, holding: 70, type: int16, unit: kPa}", map[string]float64{"a.pressure": 2, "k": 50}, 25},
		{"  c: {ratio: [t.level, a.pressure], unit: mm}", map[string]float64{"a.pressure": 2, "t.level": 1}, 500},
		{"  c: {formula: 'a.running ? a.pressure * 2 : 0'}", map[string]float64{"a.pressure": 5, "a.running": 1}, 10},
		// The partial cylinder of 1.8 m by 4.2 m: 14.238 % of its volume below 20 % of its height.
		{"  c: {tank: {level: l, shape: horizontal-cylinder, diameter: 1.8 m, length: 420 cm}, unit: L}\n  l: {link: plc, holding: 70, type: int16, scale: 0.1 %}", map[string]float64{"l": 20}, 0.1423786 * math.Pi * 0.81 * 4.2 * 1000},
		{"  c: {tank: {level: t.level, shape: vertical-cylinder, diameter: 1.6 m, height: 2.5 m}, unit: m3}", map[string]float64{"t.level": 1}, math.Pi * 0.64},
		{"  c: {tank: {level: t.level, shape: strapping, strapping: [[0 m, 0 L], [50 cm, 100 L], [2 m, 1 m3]]}}", map[string]float64{"t.level": 0.25}, 50},
		// A metre of water at 4 degC on the gauge is 9.80665 kPa, conventionally.
		{"  c: {hydrostatic: {pressure: a.pressure, density: 1000 kg/m3, above: 10 cm}}", map[string]float64{"a.pressure": 0.0980665}, 1.1},
	} {
		s := with(t, "points", c.text)
		set, err := compute.New(s.Points, s.Compute)
		if err != nil {
			t.Fatal(err)
		}
		var in []collector.Reading
		for name, v := range c.in {
			p, _ := s.Point(name)
			in = append(in, collector.Reading{Point: p.ID, Value: v, Quality: collector.Good, At: 1})
		}
		p, _ := s.Point("c")
		set.Step(1, in, nil)
		if got := set.Latest(p.ID); got.Quality != collector.Good || math.Abs(got.Value-c.want) > 1e-6*max(1, c.want) {
			t.Errorf("%s\n got %v %s, want %v", c.text, got.Value, got.Reason(), c.want)
		}
	}
}

// Flow and total take what a pulse stands for into the point's unit, and the roll-over from the register's width.
func TestPulses(t *testing.T) {
	s := with(t, "points", "  f: {pulses: n.pulses, per-pulse: 10 L, over: 2m}\n  t: {total: n.pulses, per-pulse: 10 L, unit: m3}\n  s: {pulses: w, over: 5m}\n  w: {link: plc, holding: 40, type: uint16, kind: counter, scale: 50 L}")
	f, total, own := s.Compute[0].Flow, s.Compute[1].Total, s.Compute[2].Flow
	if perMinute := f.PerPulse / f.PerTime.Seconds(); math.Abs(perMinute-600) > 1e-9 || f.Modulus != 1<<32 || f.Over != 2*time.Minute {
		t.Errorf("a pulse of 10 L a second is 600 L/min: %+v", f)
	}
	if math.Abs(total.PerPulse-0.01) > 1e-15 || total.Modulus != 1<<32 {
		t.Errorf("a pulse of 10 L in m3: %+v", total)
	}
	if own.PerPulse != 60 || own.Modulus != 65536*50 {
		t.Errorf("a counter that is in litres already: %+v", own)
	}
}

func TestRuleValues(t *testing.T) {
	load := func(text string) rules.Rule {
		t.Helper()
		s := with(t, "rules", text)
		return s.Rules.Rules[0]
	}
	if r := load("  r: {point: a.pressure, rate: -8 kPa/s, over: 8s, priority: high}"); math.Abs(r.Limit+0.08) > 1e-15 || r.Window != 8*time.Second || r.Unit != "bar/s" {
		t.Errorf("rate: %+v", r)
	}
	if r := load("  r: {point: a.running, equals: on, priority: low}"); r.Limit != 1 || r.Kind != rules.Equals || r.OnDelay != 0 {
		t.Errorf("equals: %+v", r)
	}
	if r := load("  r: {point: a.pressure, stuck: 30m, while: a.running, priority: low}"); r.Limit != 16.0/27648 || r.Window != 30*time.Minute || len(r.While) != 1 {
		t.Errorf("stuck: %+v", r)
	}
	if r := load("  r: {point: a.running, discrepancy: 'a.pressure > 1 bar', priority: low}"); r.Other != collector.NoPoint || r.Agree.Op != rules.Greater || r.Agree.Value != 1 {
		t.Errorf("discrepancy: %+v", r)
	}
	if r := load("  r: {point: a.running, starts-above: {count: 3, over: 4m}, priority: note}"); r.Limit != 3 || r.Window != 4*time.Minute {
		t.Errorf("starts-above: %+v", r)
	}
	if r := load("  r: {formula: 'a.pressure < 5 and a.running', on-delay: 3s, priority: low}"); r.Point != 0 || r.Formula == nil || r.OnDelay != 3*time.Second {
		t.Errorf("formula: %+v", r)
	}
	if r := load("  r: {point: t.level, low: 50 cm, deadband: 5 cm, on-delay: 1m, severity: major, time-to-respond: 20m, latch: true, realarm-after: 1h}"); math.Abs(r.Limit-0.5) > 1e-15 || math.Abs(r.Deadband-0.05) > 1e-15 || r.Priority != rules.LowPriority || !r.Latch || r.Realarm != time.Hour {
		t.Errorf("low: %+v", r)
	}
}

// One entry with two limits makes two alarms, each with its own delays and words.
func TestTwoLimits(t *testing.T) {
	s := with(t, "rules", `  tank-low:
    point: t.level
    low: 0.8 m
    low-low: {limit: 0.4 m, on-delay: 5s, severity: major, response: Now.}
    deadband: 0.1 m
    on-delay: 60s
    severity: minor
    time-to-respond: 20m
    response: Soon.
  next: {point: a.running, equals: true, priority: low, caused-by: [tank-low]}
  only: {point: a.running, equals: false, priority: low, caused-by: [tank-low-low]}`)
	r := siteRules(s)
	if len(r) != 4 || r[0].Name != "tank-low" || r[1].Name != "tank-low-low" {
		t.Fatalf("%+v", r)
	}
	if r[0].Limit != 0.8 || r[0].OnDelay != time.Minute || r[0].Response != "Soon." || r[0].Severity != rules.Minor {
		t.Errorf("low: %+v", r[0])
	}
	if r[1].Limit != 0.4 || r[1].OnDelay != 5*time.Second || r[1].Response != "Now." || r[1].Severity != rules.Major || r[1].Deadband != 0.1 {
		t.Errorf("low-low: %+v", r[1])
	}
	if got := r[2].CausedBy; len(got) != 2 {
		t.Errorf("a rule as cause means all its alarms: %v", got)
	}
	if got := r[3].CausedBy; len(got) != 1 || got[0] != 1 {
		t.Errorf("one alarm as cause: %v", got)
	}
}

// A rule over several points gives one alarm for each, and finds the links' own points too.
func TestManyPoints(t *testing.T) {
	s := with(t, "rules", "  lost: {points: [link.*.up, a.running, link.plc.up], equals: false, on-delay: 30s, priority: low}")
	var got []string
	for _, r := range siteRules(s) {
		got = append(got, r.Name)
	}
	want := "lost:link.plc.up lost:link.line.up lost:link.yard.up lost:a.running"
	if strings.Join(got, " ") != want {
		t.Errorf("got %v, want %s", got, want)
	}
}

// Starting values by the type of signal (EEMUA 191 and ISA-18.2-2009, from
// memory: pressure 2 % and 15 s, level 5 % and 60 s), and a word about each.
func TestStartingValues(t *testing.T) {
	s := with(t, "rules", "  p: {point: a.pressure, low: 5.5 bar, severity: major, time-to-respond: 20m}\n  l: {point: t.level, low: 0.5 m, severity: major, time-to-respond: 2m}")
	p, l := s.Rules.Rules[0], s.Rules.Rules[1]
	if p.Deadband != 0.32 || p.OnDelay != 15*time.Second {
		t.Errorf("pressure of 0 to 16 bar: deadband %v, on-delay %v", p.Deadband, p.OnDelay)
	}
	if l.Deadband != 0.1 || l.OnDelay != 30*time.Second {
		t.Errorf("level of 0 to 2 m, 2 min to respond: deadband %v, on-delay %v; a delay takes a quarter of that time at most", l.Deadband, l.OnDelay)
	}
	want := `r.yaml:2:3: remark: rules.p: no deadband is given for low: 0.32 bar, 2 % of the range, to start with
r.yaml:2:3: remark: rules.p: no on-delay is given for low: 15s to start with
r.yaml:3:3: remark: rules.l: no deadband is given for low: 0.1 m, 5 % of the range, to start with
r.yaml:3:3: remark: rules.l: no on-delay is given for low: 30s to start with`
	var got []string
	for _, n := range s.Notes {
		if n.File == "r.yaml" {
			got = append(got, n.String())
		}
	}
	if strings.Join(got, "\n") != want {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), want)
	}
}

func TestNotes(t *testing.T) {
	for _, c := range []struct{ section, text, want string }{
		{"top", "listen: {address: 0.0.0.0:9480, trusted-network: true}", "site.yaml:2:1: remark: listen: everybody who reaches 0.0.0.0:9480 can see the pages, unencrypted"},
		{"top", "rules: rules/*.yaml", "site.yaml:2:8: warning: rules: no file fits rules/*.yaml"},
		{"links", "  x: {mqtt: tcp://192.0.2.1:1883, username: u, password-file: f}", "site.yaml:6:7: remark: links.x.mqtt: the password goes to 192.0.2.1 unencrypted; ssl:// encrypts it"},
		{"links", "  x: {modbus: tcp://192.0.2.1:502, units: {7: {turnaround: 5ms}}}", "site.yaml:6:44: remark: links.x.units.7: no point is read from unit 7"},
		{"links", "  x: {modbus: tcp://192.0.2.1:502, timeout: 21s}", "site.yaml:6:45: warning: links.x.timeout: 21s: a link that waits so long looks stuck: the service manager ends the daemon when a link shows no sign of life for 45s (half of WatchdogSec=90s in its unit)"},
		{"points", "  b: {link: plc, holding: 10, type: int16}", "site.yaml:11:3: remark: points.b: reads the same register as a.pressure"},
		{"conditions", "  c: not a.running", "site.yaml:13:3: remark: conditions.c: nothing uses this condition"},
	} {
		found := false
		notes := with(t, c.section, c.text).Notes
		for _, n := range notes {
			found = found || strings.HasPrefix(n.String(), c.want)
		}
		if !found {
			t.Errorf("%s\n got %v\nwant %s", c.text, notes, c.want)
		}
	}
}

// A serial line that cannot keep its intervals is warned of: 90 single registers far apart, each second, at 19 200 baud.
func TestIntervalsTooShort(t *testing.T) {
	var b strings.Builder
	for i := range 90 {
		b.WriteString("  s" + strings.Repeat("x", i) + ": {link: line, holding: " + strconv.Itoa(i*300) + "}\n")
	}
	s := with(t, "points", b.String())
	for _, n := range s.Notes {
		if strings.Contains(n.String(), "warning: links.line: busy for") && strings.Contains(n.Text, "the intervals cannot be kept") {
			return
		}
	}
	t.Errorf("no warning: %v", s.Notes)
}

// siteRules are the rules of the site's own files.
func siteRules(s *configs.Site) []rules.Rule {
	return slices.DeleteFunc(slices.Clone(s.Rules.Rules), func(r rules.Rule) bool { return strings.HasPrefix(r.Defined, "roundsman's own") })
}

// Roundsman rings about itself with the same engine, on every point of its own that the site's rules leave alone.
func TestOwnRules(t *testing.T) {
	names := func(s *configs.Site) string {
		var own []string
		for _, r := range s.Rules.Rules {
			if strings.HasPrefix(r.Defined, "roundsman's own") {
				own = append(own, r.Name)
			}
		}
		return strings.Join(own, " ")
	}
	const all = "box-record box-disk box-clock box-files box-link:link.plc.up box-link:link.line.up box-link:link.yard.up box-device:link.plc.unit.1.good"
	if got := names(with(t, "rules", "  a: {point: a.running, equals: true, priority: low}")); got != all {
		t.Errorf("a site that says nothing of the box: got %s, want %s", got, all)
	}
	s := with(t, "rules", "  disk: {point: box.disk.free, low: 20 %, on-delay: 60s, priority: low}\n  plc: {point: link.plc.up, equals: false, on-delay: 60s, priority: high}")
	const rest = "box-record box-clock box-files box-link:link.line.up box-link:link.yard.up box-device:link.plc.unit.1.good"
	if got := names(s); got != rest {
		t.Errorf("a site with rules of its own: got %s, want %s", got, rest)
	}
	if p := s.Points[s.Box.Disk]; p.Name != "box.disk.free" || p.Unit != "%" || p.Station != "box" {
		t.Errorf("point of the disk: %+v", p)
	}
}

func TestRecordSize(t *testing.T) {
	for text, want := range map[string]int64{"16 MB": 16e6, "2 GB": 2e9, "1.5 GB": 1.5e9, "1 GiB": 1 << 30, "2 TB": 2e12} {
		s, err := site(t, map[string]string{"site.yaml": "site: {name: X, time-zone: UTC}\nrecord: {size: " + text + "}\nlinks:\n  plc: {modbus: 'tcp://127.0.0.1:502'}\npoints:\n  a: {station: s, link: plc, holding: 0}\n"})
		if err != nil || s.Record.Size != want {
			t.Errorf("%s: got %v, %v", text, s, err)
		}
	}
}
