package air_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"iter"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/leak"
	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/model"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/minutes/minutestest"
)

// source is minutes and leak tests in memory.
type source struct {
	minutestest.Source
	tests []air.Test
	err   error
}

func (s *source) LeakTests(_ context.Context, _ string, from, to time.Time) iter.Seq2[air.Test, error] {
	return func(yield func(air.Test, error) bool) {
		if s.err != nil {
			yield(air.Test{}, s.err)
		}
		for _, t := range s.tests {
			if !t.At.Before(from) && t.At.Before(to) && !yield(t, nil) {
				return
			}
		}
	}
}

func named(p string) minutes.Signal { return minutes.Signal{Point: p} }

var plan = air.Plan{
	Pressure: named("header"), Minimum: 5.5, Loaded: named("loaded"), Running: named("running"), Open: named("open"), Leak: named("leak"),
	Delivery: 30, Cost: air.Cost{Specific: 0.105, Price: 0.25, Currency: "EUR"},
}

func reviewed(t *testing.T, s air.Source, p air.Plan, span review.Span) air.Figures {
	t.Helper()
	f, err := air.Review(context.Background(), s, p, span)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func near(t *testing.T, what string, got minutes.Known, want, relative float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: got %.6g, want %.6g", what, float64(got), want)
	}
}

// TestLoadOfACompressorOnATrain holds the load figures against those an independent script made of the published readings
// (MetroPT-3, 1 February 2020): running 2,488 s of 9,901, on load 506 s in five loadings.
func TestLoadOfACompressorOnATrain(t *testing.T) {
	file, err := os.Open(outsidetest.Data(t, "metropt3", "normal-2020-02-01.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := func(name string) int { return slices.Index(rows[0], name) }
	var s source
	var first, last time.Time
	for _, row := range rows[1:] {
		at, err := time.Parse(time.DateTime, row[0])
		if err != nil {
			t.Fatal(err)
		}
		if first.IsZero() {
			first = at
		}
		last = at
		s.State("loaded", at, row[column("DV_eletric")] == "1")
		s.State("running", at, value(t, row[column("Motor_current")]) > 1)
		s.Add("header", at, value(t, row[column("TP3")]))
	}
	f := reviewed(t, &s, air.Plan{Pressure: named("header"), Loaded: named("loaded"), Running: named("running"), Minimum: 8.2}, review.Span{From: first, To: last.Truncate(time.Minute)})
	near(t, "load factor", f.Load.Factor, 506./2488, 0.01)
	near(t, "loaded share", f.Load.Share, 506./9901, 0.01)
	near(t, "running", f.Load.RunningSeconds, 2488, 0.01)
	near(t, "mean pressure", f.Pressure.Mean, 8.946646, 0.0005)
	near(t, "lowest", f.Pressure.Min, 8.066, 1e-9)
	near(t, "time below 8.2 bar", f.Pressure.BelowSeconds, 872, 0.1)
	if f.Load.Cycles != 5 || f.Pressure.Dips != 5 {
		t.Errorf("%d loadings and %d dips, want 5 and 5", f.Load.Cycles, f.Pressure.Dips)
	}
}

func value(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestReviewOfThePracticePlant plays an evening and a night: what the review finds is what the plant is.
func TestReviewOfThePracticePlant(t *testing.T) {
	begin := time.Date(2026, 11, 24, 17, 0, 0, 0, time.UTC)
	m := model.New(model.Config{Seed: 3, Start: begin})
	x, err := leak.New(leak.Spec{Vessel: leak.Vessel{Volume: 500}, Delivery: 30})
	if err != nil {
		t.Fatal(err)
	}
	var s source
	before := m.State().Air
	for m.Now().Before(begin.Add(12 * time.Hour)) {
		m.Step(time.Second)
		st, at := m.State(), m.Now().Add(-time.Second)
		s.Add("header", at, st.Air.Header)
		s.State("loaded", at, st.Air.Loaded)
		s.State("running", at, st.Air.Running)
		s.State("open", at, st.Traffic.Open)
		r, ok := x.Step(leak.Look{At: collector.At(at), Pressure: st.Air.Header, Celsius: math.NaN(), Loaded: truth(st.Air.Loaded),
			Idle: truth(!st.Traffic.Open && !st.Traffic.Conveyor)})
		if ok {
			s.tests = append(s.tests, air.Test{At: at, Seconds: r.End.Sub(r.Start).Seconds(), Rate: r.Rate, Settled: r.Settled, Words: r.Words()})
		}
	}
	after := m.State().Air
	f := reviewed(t, &s, plan, review.Span{From: begin, To: begin.Add(12 * time.Hour)})
	near(t, "air used", f.Load.MeanUse, (after.Delivered-before.Delivered)/(12*3600), 0.01)
	near(t, "loadings", minutes.Known(f.Load.Cycles), float64(after.Loads-before.Loads), 0.02)
	near(t, "leak", f.Leak.Latest, 0.6, 0.01)
	near(t, "share", f.Leak.Share, 0.02, 0.01)
	// 0.6 L/s are 18,922 m3 a year, at 0.105 kWh and 0.25 a kWh.
	near(t, "cost", f.Leak.Cost, 0.6*3.6*8760*0.105*0.25, 0.01)
	near(t, "open", f.Pressure.OpenSeconds, 3*3600, 0.01)
	if len(f.Leak.Tests) < 4 || len(f.Leak.Nights) != 1 || f.Leak.Line != nil || f.Pressure.Dips != 0 {
		t.Errorf("%d tests, %d nights, line %v, %d dips", len(f.Leak.Tests), len(f.Leak.Nights), f.Leak.Line, f.Pressure.Dips)
	}
	if want := []string{"Nothing asks for action."}; !slices.Equal(f.Advice, want) {
		t.Errorf("advice %q", f.Advice)
	}
	for _, d := range f.Findings {
		if d.Verdict != review.Good {
			t.Errorf("%s is %s: %g", d.Figure, d.Verdict, d.Value)
		}
	}
}

func truth(b bool) leak.Truth {
	if b {
		return leak.Yes
	}
	return leak.No
}

func TestCostOfTipSheet3(t *testing.T) {
	// DOE, Compressed Air Tip Sheet #3 (from memory): 7,000 h, 0.05 dollars a kWh, 18 kW for 100 cfm, holes with 0.61.
	const cfm = 0.028316846592 / 60 * 1000 // L/s
	for _, c := range []struct{ holes, cfm, dollars float64 }{{100, 1.5, 5764.5}, {50, 5.9, 11336.85}, {10, 104, 39967.2}} {
		s := source{tests: []air.Test{{At: monday, Rate: c.holes * c.cfm * 0.61 * cfm, Settled: true}}}
		perCubicMetre := 0.18 / (cfm * 3.6) // kW a cfm, in kWh a m3
		f := reviewed(t, &s, air.Plan{Leak: named("leak"), Cost: air.Cost{Specific: perCubicMetre, Price: 0.05, Currency: "dollars", Hours: 7000}}, week)
		near(t, "cost a year", f.Leak.Cost, c.dollars, 1e-9)
		near(t, "each litre a second", f.Leak.CostASecond*f.Leak.Latest, c.dollars, 1e-9)
	}
}

var (
	monday = time.Date(2026, 6, 8, 2, 0, 0, 0, time.UTC)
	week   = review.Span{From: monday.AddDate(0, 0, -1), To: monday.AddDate(0, 0, 30)}
)

// nightly makes two tests a night at two in the morning.
func nightly(rates ...float64) *source {
	s := &source{}
	for i, r := range rates {
		at := monday.AddDate(0, 0, i)
		s.tests = append(s.tests, air.Test{At: at, Rate: r - 0.01, Settled: true}, air.Test{At: at.Add(time.Hour), Rate: r + 0.01, Settled: true},
			air.Test{At: at.Add(2 * time.Hour), Rate: 9, Settled: false})
	}
	return s
}

func TestLeakTrend(t *testing.T) {
	f := reviewed(t, nightly(0.60, 0.62, 0.59, 0.66, 0.70, 0.68, 0.73), plan, week)
	// numpy.polyfit of the seven nights; scipy's t for the interval (collector/trendline holds that).
	near(t, "slope in 30 days", f.Leak.PerMonth, 0.664286, 1e-5)
	if !f.Leak.Rising || f.Leak.Falling || f.Leak.PerMonthLow >= f.Leak.PerMonth || f.Leak.PerMonthHigh <= f.Leak.PerMonth {
		t.Errorf("rising %t: %g (%g to %g)", f.Leak.Rising, f.Leak.PerMonth, f.Leak.PerMonthLow, f.Leak.PerMonthHigh)
	}
	if f.Leak.NotSettled != 7 || len(f.Leak.Nights) != 7 || f.Leak.Nights[0] != (air.Night{Day: "2026-06-07", Rate: 0.60, Tests: 2}) {
		t.Errorf("%d not settled, nights %v", f.Leak.NotSettled, f.Leak.Nights)
	}
	if len(f.Advice) == 0 || !strings.HasPrefix(f.Advice[0], "The leak grows by 0.66 L/s in 30 days") {
		t.Errorf("advice %q", f.Advice)
	}
	chance := reviewed(t, nightly(0.60, 0.66, 0.58, 0.63, 0.59), plan, week)
	if chance.Leak.Rising || chance.Leak.Falling || chance.Advice[0] != "The last leak test is 25.9 d old." {
		t.Errorf("chance is told as a trend: %q", chance.Advice)
	}
}

func TestLeakStep(t *testing.T) {
	f := reviewed(t, nightly(0.60, 0.62, 0.59, 0.61, 1.6), plan, week)
	near(t, "usual", f.Leak.Usual, 0.605, 1e-9)
	if !strings.HasPrefix(f.Advice[0], "The leak stepped up: 1.60 L/s in the last night, usual are 0.6") {
		t.Errorf("advice %q", f.Advice)
	}
	few := reviewed(t, nightly(0.60, 0.62, 1.6), plan, week)
	if few.Leak.Usual.Is() {
		t.Errorf("two nights make %g usual", few.Leak.Usual)
	}
}

func TestLargeLeakIsPoor(t *testing.T) {
	f := reviewed(t, nightly(8.6), plan, week)
	if d := f.Findings[0]; d.Verdict != review.Poor || d.Figure != "leak, of the delivery" {
		t.Errorf("first finding %+v", d)
	}
	if !slices.ContainsFunc(f.Advice, func(a string) bool {
		return strings.HasPrefix(a, "29 % of what the compressor gives leaks away, day and night, about 7119 EUR a year.")
	}) {
		t.Errorf("advice %q", f.Advice)
	}
}

func TestLowPressureIsTold(t *testing.T) {
	s := &source{}
	for i := range 120 {
		at := monday.Add(time.Duration(i) * time.Minute)
		p := 7.5
		if i >= 30 && i < 36 {
			p = 5.0
		}
		s.Add("header", at, p)
		s.State("open", at, i < 60)
	}
	f := reviewed(t, s, plan, review.Span{From: monday, To: monday.Add(2 * time.Hour)})
	near(t, "below", f.Pressure.BelowSeconds, 360, 1e-9)
	near(t, "open", f.Pressure.OpenSeconds, 3600, 1e-9)
	if f.Pressure.Dips != 1 || !strings.HasPrefix(f.Advice[0], "The header was below 5.5 bar for about 6.0 min while cars washed, once.") {
		t.Errorf("%d dips, %q", f.Pressure.Dips, f.Advice)
	}
}

func TestNothingKnownIsNull(t *testing.T) {
	f := reviewed(t, &source{}, air.Plan{}, week)
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"mean":null`, `"factor":null`, `"latest":null`, `"costAYear":null`, `"tests":[]`, `"nights":[]`, `"line":null`, `"findings":[]`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %s in %s", want, text)
		}
	}
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil || strings.Contains(b.String(), "NaN") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if errs := (air.Plan{}).Missing(); len(errs) != 2 || len(plan.Missing()) != 0 {
		t.Errorf("missing %v", errs)
	}
}

func TestErrors(t *testing.T) {
	if _, err := air.Review(context.Background(), &source{}, plan, review.Span{From: monday, To: monday}); err == nil {
		t.Error("an empty span was reviewed")
	}
	gone := errors.New("disk gone")
	if _, err := air.Review(context.Background(), &source{err: gone}, plan, week); !errors.Is(err, gone) {
		t.Errorf("%v, want the disk's error", err)
	}
}

func TestTableFitsEightyColumns(t *testing.T) {
	s := nightly(0.60, 0.62, 0.69, 0.76, 0.80, 0.88, 1.23)
	for i := range 600 {
		at := monday.Add(time.Duration(i) * time.Minute)
		s.Add("header", at, 5.4)
		s.State("open", at, i < 400)
		s.State("loaded", at, i%7 < 6)
		s.State("running", at, true)
	}
	f := reviewed(t, s, plan, week)
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(b.String()) {
		if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for _, want := range []string{"leak, last night", "1.23 L/s", "rising", "load cycles an hour closed", "2026-06-13"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}

// A span that nobody saw is not praised: there is no time below the minimum, and nothing is said to be well.
func TestNothingSeen(t *testing.T) {
	src := source{} // none of its points is known
	f, err := air.Review(t.Context(), &src, air.Plan{Pressure: minutes.Signal{Point: "p"}, Loaded: minutes.Signal{Point: "l"}, Running: minutes.Signal{Point: "r"}, Minimum: 5.5}, review.Span{From: time.Unix(0, 0), To: time.Unix(86400, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if f.Pressure.BelowSeconds.Is() || f.Load.LoadedSeconds.Is() || f.Load.RunningSeconds.Is() || len(f.Findings) != 0 || len(f.Advice) != 1 || !strings.HasPrefix(f.Advice[0], "Nothing was seen") {
		t.Errorf("%+v, %+v, %+v, %q", f.Pressure, f.Load, f.Findings, f.Advice)
	}
}

// loader is a source whose record follows the load of a machine.
type loader struct {
	source
	loadings []air.Loading
}

func (l *loader) Loadings(_ context.Context, name string, from, to time.Time) iter.Seq2[air.Loading, error] {
	return func(yield func(air.Loading, error) bool) {
		for _, x := range l.loadings {
			if name == "compressor/load" && !x.At.Before(from) && x.At.Before(to) && !yield(x, nil) {
				return
			}
		}
	}
}

// Three loadings within one minute are one by its minutes, and three by the runs of a machine whose load is followed; where
// that was followed for a part only, the minutes tell more, and it is said that there were at least so many.
func TestLoadingsByRuns(t *testing.T) {
	begin := time.Unix(0, 0).UTC()
	span := review.Span{From: begin, To: begin.Add(time.Hour)}
	run := func(second, n int) air.Loading {
		return air.Loading{At: begin.Add(time.Duration(second) * time.Second), N: n}
	}
	for _, tt := range []struct {
		name          string
		of            string
		loadings      []air.Loading
		cycles, worst int
		atLeast       bool
	}{
		{"not followed", "", nil, 2, 2, true},
		{"followed", "compressor/load", []air.Loading{run(605, 1), run(620, 1), run(640, 1), run(1810, 1)}, 4, 4, false},
		{"followed since the second", "compressor/load", []air.Loading{run(1810, 1)}, 2, 2, true},
	} {
		src := &loader{loadings: tt.loadings}
		for second := range 3600 {
			at := begin.Add(time.Duration(second) * time.Second)
			src.State("l", at, second == 605 || second == 620 || second == 640 || second == 1810)
		}
		f, err := air.Review(t.Context(), src, air.Plan{Loaded: minutes.Signal{Point: "l"}, LoadedOf: tt.of}, span)
		if err != nil {
			t.Fatal(err)
		}
		if l := f.Load; l.Cycles != tt.cycles || l.WorstHour != tt.worst || l.AtLeast != tt.atLeast {
			t.Errorf("%s: %d cycles, worst hour %d, at least %v", tt.name, l.Cycles, l.WorstHour, l.AtLeast)
		}
		var table strings.Builder
		if err := f.Table(&table, time.UTC); err != nil || strings.Contains(table.String(), "at least so many") != tt.atLeast || !strings.Contains(table.String(), "of 60.0 min") {
			t.Errorf("%s: %v\n%s", tt.name, err, &table)
		}
	}
}
