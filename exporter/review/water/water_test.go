package water_test

import (
	"compress/gzip"
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

	"roundsman/collector/outsidetest"
	"roundsman/collector/practice/model"
	"roundsman/exporter/review"
	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/minutes/minutestest"
	"roundsman/exporter/review/water"
)

func named(p string) minutes.Signal { return minutes.Signal{Point: p} }

func reviewed(t *testing.T, s minutes.Source, p water.Plan, span review.Span) water.Figures {
	t.Helper()
	f, err := water.Review(context.Background(), s, p, span)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func near(t *testing.T, what string, got minutes.Known, want, margin float64) {
	t.Helper()
	if !(math.Abs(float64(got)-want) <= margin) {
		t.Errorf("%s: got %.6g, want %.6g within %g", what, float64(got), want, margin)
	}
}

// TestDaysOfAHousesMeter holds daily sums against those an independent script made of the published minutes (AMPds2).
func TestDaysOfAHousesMeter(t *testing.T) {
	dir := outsidetest.Data(t, "water-meter")
	var reference struct {
		File struct {
			First float64   `json:"counter_first"`
			Last  float64   `json:"counter_last"`
			Daily []dayOfIt `json:"daily"`
		} `json:"2012-04.csv.gz"`
	}
	text, err := os.ReadFile(dir + "/reference/figures.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &reference); err != nil {
		t.Fatal(err)
	}
	s := house(t, dir+"/2012-04.csv.gz")
	span := review.Span{From: time.Date(2012, 4, 2, 0, 0, 0, 0, time.UTC), To: time.Date(2012, 4, 30, 0, 0, 0, 0, time.UTC)}
	f := reviewed(t, s, water.Plan{Fresh: []minutes.Signal{named("counter")}}, span)
	near(t, "all", f.Use.Fresh, reference.File.Last-reference.File.First, 1e-6)
	if len(reference.File.Daily) != 28 {
		t.Fatalf("%d days there", len(reference.File.Daily))
	}
	for _, want := range reference.File.Daily {
		i := slices.IndexFunc(f.Days, func(d water.Day) bool { return d.Day == want.Day })
		if i < 0 {
			t.Errorf("no %s", want.Day)
			continue
		}
		near(t, want.Day, minutes.Known(f.Days[i].Fresh), want.Litres, 1e-3)
	}
}

type dayOfIt struct {
	Day    string  `json:"day_utc"`
	Litres float64 `json:"litres"`
}

func house(t *testing.T, path string) *minutestest.Source {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	plain, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(plain).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var s minutestest.Source
	for _, row := range rows[1:] {
		unix, err1 := strconv.ParseInt(row[0], 10, 64)
		litres, err2 := strconv.ParseFloat(row[1], 64)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		s.Add("counter", time.Unix(unix, 0).UTC(), litres)
	}
	return &s
}

// plant plays a Saturday and its night of the practice plant, with meters that count whole pulses.
type plant struct {
	minutestest.Source
	span          review.Span
	before, after model.State
	washes        int
}

func play(t *testing.T) *plant {
	t.Helper()
	begin := time.Date(2026, 6, 13, 6, 0, 0, 0, time.UTC)
	p := &plant{span: review.Span{From: begin, To: begin.Add(24 * time.Hour)}}
	m := model.New(model.Config{Seed: 5, Start: begin.Add(-time.Minute)})
	p.before = m.State()
	washing := false
	for m.Now().Before(p.span.To) {
		m.Step(2 * time.Second)
		p.look(m.Now().Add(-2*time.Second), m.State())
		if s := m.State(); s.Water.Backwash != washing {
			washing = s.Water.Backwash
			if washing {
				p.washes++
			}
		}
	}
	p.after = m.State()
	return p
}

func (p *plant) look(at time.Time, s model.State) {
	w, l := &s.Water, &s.Water.Ledger
	p.Add("fresh", at, 10*math.Floor(l.City/10))
	p.Add("reclaim", at, 50*math.Floor(l.Supplied/50))
	p.Add("cars", at, float64(s.Traffic.Left))
	p.Add("away", at, l.Lost+l.Sewer+l.Spilled)
	p.Add("permeate", at, l.Permeate)
	p.Add("lifted", at, l.Lifted)
	p.Add("stored", at, w.Stored)
	p.Add("ro.volume", at, w.Spot*1130.9734)
	p.Add("difference", at, math.Round(1000*(w.FilterIn-w.FilterOut))/1000)
	p.Add("turbidity", at, w.Turbidity)
	p.State("open", at, s.Traffic.Open)
	p.State("lift", at, w.Lift != [2]bool{})
	p.State("backwash", at, w.Backwash)
}

var plantPlan = water.Plan{
	Fresh: []minutes.Signal{named("fresh")}, Reclaim: []minutes.Signal{named("reclaim")}, Vehicles: named("cars"), Open: named("open"),
	Tanks: []water.Tank{
		{Name: "whole plant", Volume: named("stored"), In: []minutes.Signal{named("fresh")}, Out: []minutes.Signal{named("away")}},
		{Name: "ro tank", Volume: named("ro.volume"), In: []minutes.Signal{named("permeate")}},
	},
	Filters: []water.Filter{{Name: "reclaim filter", Difference: named("difference"), Flowing: named("lift"), Backwash: named("backwash"),
		Through: named("lifted"), After: named("turbidity"), Due: 1.2}},
}

func TestPracticePlant(t *testing.T) {
	p := play(t)
	t.Run("use", func(t *testing.T) { plantUse(t, p) })
	t.Run("tank and filter", func(t *testing.T) { plantTankAndFilter(t, p) })
	t.Run("table", func(t *testing.T) { plantTable(t, p) })
}

func plantUse(t *testing.T, p *plant) {
	plan := plantPlan
	plan.Tanks = plan.Tanks[:1] // 'gone' adds up tanks; the others are part of the whole
	f := reviewed(t, p, plan, p.span)
	cars := float64(p.after.Traffic.Left - p.before.Traffic.Left)
	ledger := p.after.Water.Ledger
	near(t, "vehicles", f.Use.Vehicles, cars, 1)
	near(t, "reclaimed", f.Use.Reclaim, ledger.Supplied, 101)
	near(t, "fresh", f.Use.Fresh, ledger.City, 21)
	// The plant is made so: 48 L of water a car, 80 % of it reclaimed, 9.6 L lost.
	near(t, "gone a vehicle", f.Use.GonePerVehicle, 9.6, 0.4)
	near(t, "reuse", f.Use.Reuse, 0.81, 0.03)
	near(t, "all water a vehicle", f.Use.TotalPerVehicle, 50.4, 3)
	near(t, "balance of the whole", f.Tanks[0].Error, 0, 0.01)
	if f.Use.FreshPerVehicle > 15 || f.Use.Resets != 0 || f.Night.Nights != 1 {
		t.Errorf("%g L fresh a vehicle, %d resets, %d nights", f.Use.FreshPerVehicle, f.Use.Resets, f.Night.Nights)
	}
	for _, d := range f.Findings {
		if d.Verdict != review.Good && d.Figure != "fresh water at night" {
			t.Errorf("%s is %s: %g", d.Figure, d.Verdict, d.Value)
		}
	}
	if d := f.Findings[slices.IndexFunc(f.Findings, func(d review.Finding) bool { return d.Figure == "fresh a vehicle" })]; d.Remark == "" {
		t.Error("9.6 L is told without what is published")
	}
}

func plantTankAndFilter(t *testing.T, p *plant) {
	f := reviewed(t, p, plantPlan, p.span)
	ro := f.Tanks[1]
	cars := float64(p.after.Traffic.Left - p.before.Traffic.Left)
	near(t, "spot-free rinse drawn, by the balance", ro.Unmetered, 4*cars, 0.01*4*cars)
	near(t, "ro tank at night", ro.NightLossPerHour, 0, 1)
	near(t, "present use", ro.UsePerHour, 13*4, 20) // Saturday's last hour brings about 13 cars
	near(t, "lasts", ro.HoursToEmpty, float64(ro.End/ro.UsePerHour), 1e-9)
	r := f.Filters[0]
	if r.Backwashes != p.washes || p.washes < 2 {
		t.Fatalf("%d backwashes, the plant made %d", r.Backwashes, p.washes)
	}
	near(t, "difference before a backwash", r.Dirty, 0.8, 0.06)
	if r.Clean > 0.5 || r.Difference < r.Clean || r.Difference > r.Dirty || r.Most < 0.8 || r.Most > 1 {
		t.Errorf("difference %g, clean %g, dirty %g, most %g", r.Difference, r.Clean, r.Dirty, r.Most)
	}
	near(t, "litres between backwashes", r.BackwashLitres, float64(f.Use.Reclaim)/float64(p.washes), 0.5*float64(f.Use.Reclaim)/float64(p.washes))
	if !r.BackwashHours.Is() || r.OpenHours > r.BackwashHours || !r.TurbidityAfter.Is() || !r.DirtyTurbidity.Is() || !r.CleanTurbidity.Is() {
		t.Errorf("between %g h, open %g h, turbidity %g, %g, %g", r.BackwashHours, r.OpenHours, r.TurbidityAfter, r.DirtyTurbidity, r.CleanTurbidity)
	}
}

var day = time.Date(2026, 6, 8, 0, 0, 0, 0, time.UTC)

// week makes thirty days open from 7 to 20 with a hundred cars, looked at each ten minutes.
func week(change func(s *minutestest.Source, at time.Time, open bool, hour int)) *minutestest.Source {
	var s minutestest.Source
	for i := range 30 * 144 {
		at := day.Add(time.Duration(i) * 10 * time.Minute)
		for m := range 10 { // the states of each minute
			s.State("open", at.Add(time.Duration(m)*time.Minute), at.Hour() >= 7 && at.Hour() < 20)
		}
		change(&s, at, at.Hour() >= 7 && at.Hour() < 20, i)
	}
	return &s
}

var thirty = review.Span{From: day, To: day.AddDate(0, 0, 30)}

func TestOvernightLossesAndBalance(t *testing.T) {
	var fresh, in, out, volume, cars float64 = 1000, 0, 0, 3000, 0
	s := week(func(s *minutestest.Source, at time.Time, open bool, _ int) {
		fresh += 5 // 30 L/h, night and day
		if open {
			cars += 100. / 78
			in, out = in+50, out+40
			volume += 50 - 40 - 4 // 4 L in ten minutes run past the meters
		}
		out += 3 // a pump that runs day and night, metered
		volume -= 3
		volume -= 10 // and 60 L/h at all times
		if volume < 500 {
			volume, in = volume+2000, in+2000
		}
		s.Add("fresh", at, fresh)
		s.Add("in", at, in)
		s.Add("out", at, out)
		s.Add("volume", at, volume)
		s.Add("cars", at, cars)
	})
	f := reviewed(t, s, water.Plan{Fresh: []minutes.Signal{named("fresh")}, Vehicles: named("cars"), Open: named("open"),
		Tanks: []water.Tank{{Name: "tank", Volume: named("volume"), In: []minutes.Signal{named("in")}, Out: []minutes.Signal{named("out")}}}}, thirty)
	near(t, "fresh at night", f.Night.FreshPerHour, 30, 0.5)
	near(t, "worst night", f.Night.WorstPerHour, 30, 1)
	near(t, "night hours", minutes.Known(f.Night.Hours), 29*10.5+6.5+3.5-31./6, 0.1) // seen from the first look of each to the last
	tank := f.Tanks[0]
	near(t, "missing", tank.Missing, 30*(78*4+144*10), 30)
	near(t, "closing error", tank.Error, float64(tank.Missing/tank.In), 1e-12)
	near(t, "night loss", tank.NightLossPerHour, 60, 1e-9)
	near(t, "use of the last hour open", tank.UsePerHour, 240, 45)
	for _, want := range []string{"Fresh water runs at night: 30 L/h", "tank does not balance: 52", "tank loses 60 L/h at night"} {
		if !slices.ContainsFunc(f.Advice, func(a string) bool { return strings.HasPrefix(a, want) }) {
			t.Errorf("no %q in %q", want, f.Advice)
		}
	}
}

// Nights that nobody saw tell nothing: neither those in which the box was off nor the ends of one that was seen in part. What
// a meter rose over a gap may have come before.
func TestNightsNotSeen(t *testing.T) {
	hours := func(at time.Time) bool { return at.Hour() >= 7 && at.Hour() < 20 }
	plan := water.Plan{Fresh: []minutes.Signal{named("fresh")}, Hours: hours,
		Tanks: []water.Tank{{Name: "tank", Volume: named("volume"), In: []minutes.Signal{named("fresh")}}}}
	var s minutestest.Source
	fresh, volume := 0., 5000.
	for i := range 6 * 24 * 60 {
		at := day.Add(time.Duration(i) * time.Minute)
		fresh += 24. / 60
		if volume -= 6. / 60; hours(at) {
			fresh += 10
		}
		// off through the second night, and from 19:00 to 01:00 of the third
		if !at.Before(day.Add(42*time.Hour)) && at.Before(day.Add(57*time.Hour)) || !at.Before(day.Add(67*time.Hour)) && at.Before(day.Add(73*time.Hour)) {
			continue
		}
		s.Add("fresh", at, fresh)
		s.Add("volume", at, volume)
	}
	f := reviewed(t, &s, plan, review.Span{From: day, To: day.AddDate(0, 0, 6)})
	minute := 1. / 60
	near(t, "night hours", minutes.Known(f.Night.Hours), 6.5-minute+3*(10.5-minute)+6-minute+3.5-minute, 1e-6)
	near(t, "fresh at night", f.Night.FreshPerHour, 24, 1e-6)
	near(t, "worst night", f.Night.WorstPerHour, 24, 1e-6)
	near(t, "night loss", f.Tanks[0].NightLossPerHour, 24+6, 1e-6)
	if f.Night.Nights != 6 {
		t.Errorf("%d nights, want 6", f.Night.Nights)
	}
	f = reviewed(t, &s, plan, review.Span{From: day.AddDate(0, 1, 0), To: day.AddDate(0, 2, 0)})
	if f.Night.FreshPerHour.Is() || f.Night.Hours != 0 || f.Use.Fresh.Is() || f.Tanks[0].NightLossPerHour.Is() {
		t.Errorf("a month that nobody saw: %+v, %+v, %+v", f.Night, f.Use, f.Tanks[0])
	}
	if len(f.Findings) != 0 || len(f.Advice) != 1 || !strings.HasPrefix(f.Advice[0], "Nothing was seen") {
		t.Errorf("it is judged: %+v, %q", f.Findings, f.Advice)
	}
}

func TestFreshAVehicleGrows(t *testing.T) {
	var fresh, cars float64
	s := week(func(s *minutestest.Source, at time.Time, open bool, i int) {
		if open {
			cars += 100. / 78
			fresh += 100. / 78 * (40 + 0.5*float64(i/144)) // half a litre more each day
		}
		s.Add("fresh", at, fresh)
		s.Add("cars", at, cars)
	})
	f := reviewed(t, s, water.Plan{Fresh: []minutes.Signal{named("fresh")}, Vehicles: named("cars"), Open: named("open")}, thirty)
	near(t, "growth in 30 days", f.Use.Trend, 15, 0.3)
	near(t, "fresh a vehicle", f.Use.FreshPerVehicle, 47.25, 0.1)
	if len(f.Days) != 30 || f.Use.TrendLow <= 0 || !slices.ContainsFunc(f.Advice, func(a string) bool { return strings.HasPrefix(a, "Fresh water a vehicle grows by 15.0 L") }) {
		t.Errorf("%d days, from %g on, %q", len(f.Days), f.Use.TrendLow, f.Advice)
	}
}

func TestTurbidityAroundABackwash(t *testing.T) {
	var s minutestest.Source
	for i := range 120 { // a backwash from minute 60 to 63, bubbles for three minutes after it
		at, v := day.Add(time.Duration(i)*time.Minute), 80.
		switch {
		case i >= 66:
			v = 20
		case i >= 63:
			v = 300
		}
		s.State("wash", at, i >= 60 && i < 63)
		s.Add("difference", at, map[bool]float64{true: 0.9, false: 0.3}[i < 60])
		s.Add("before", at, 100)
		s.Add("after", at, v)
	}
	f := reviewed(t, &s, water.Plan{Filters: []water.Filter{{Name: "f", Difference: named("difference"), Backwash: named("wash"), Before: named("before"), After: named("after")}}},
		review.Span{From: day, To: day.Add(2 * time.Hour)})
	r := f.Filters[0]
	near(t, "turbidity before the backwash", r.DirtyTurbidity, 80, 1e-9)
	near(t, "turbidity after it, without the bubbles", r.CleanTurbidity, 20, 1e-9)
	near(t, "turbidity before the filter", r.TurbidityBefore, 100, 1e-9)
	near(t, "difference before", r.Dirty, 0.9, 1e-9)
	near(t, "difference after", r.Clean, 0.3, 1e-9)
	near(t, "since the backwash", r.SinceBackwash, 57./60, 1e-9)
	if r.Backwashes != 1 || r.BackwashHours.Is() {
		t.Errorf("%d backwashes, %g h between", r.Backwashes, r.BackwashHours)
	}
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		fresh, reclaim float64 // L a vehicle
		want           map[string]review.Verdict
	}{
		{9.6, 40.8, map[string]review.Verdict{"fresh a vehicle": review.Good, "all water a vehicle": review.Good, "reused": review.Good}},
		{113, 40, map[string]review.Verdict{"fresh a vehicle": review.Good, "all water a vehicle": review.Look, "reused": review.Look}},
		{248, 60, map[string]review.Verdict{"fresh a vehicle": review.Look, "all water a vehicle": review.Poor, "reused": review.Poor}},
		{300, 1, map[string]review.Verdict{"fresh a vehicle": review.Poor, "all water a vehicle": review.Poor, "reused": review.Poor}},
	} {
		var s minutestest.Source
		for i := range 11 {
			at := day.Add(time.Duration(i) * time.Minute)
			s.Add("fresh", at, c.fresh*float64(10*i))
			s.Add("reclaim", at, c.reclaim*float64(10*i))
			s.Add("cars", at, float64(10*i))
		}
		f := reviewed(t, &s, water.Plan{Fresh: []minutes.Signal{named("fresh")}, Reclaim: []minutes.Signal{named("reclaim")}, Vehicles: named("cars")}, thirty)
		got := map[string]review.Verdict{}
		for _, d := range f.Findings {
			got[d.Figure] = d.Verdict
		}
		for figure, want := range c.want {
			if got[figure] != want {
				t.Errorf("%g L fresh, %g L reclaimed: %s is %s, want %s", c.fresh, c.reclaim, figure, got[figure], want)
			}
		}
	}
}

func TestFewVehiclesAreNotJudged(t *testing.T) {
	var s minutestest.Source
	for i := range 11 {
		at := day.Add(time.Duration(i) * time.Minute)
		s.Add("fresh", at, 300*float64(i))
		s.Add("cars", at, float64(i))
	}
	f := reviewed(t, &s, water.Plan{Fresh: []minutes.Signal{named("fresh")}, Vehicles: named("cars")}, thirty)
	for _, d := range f.Findings {
		if d.Verdict != review.NotJudged || d.Remark != "fewer than 50 vehicles" {
			t.Errorf("%+v", d)
		}
	}
	if len(f.Findings) != 1 {
		t.Errorf("%d findings", len(f.Findings))
	}
}

func TestNothingKnownIsNull(t *testing.T) {
	var s minutestest.Source
	f := reviewed(t, &s, water.Plan{Tanks: []water.Tank{{Name: "tank"}}, Filters: []water.Filter{{Name: "filter"}}}, thirty)
	text, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"freshPerVehicle":null`, `"days":[]`, `"closingError":null`, `"cleanDifference":null`, `"findings":[]`, `"hoursToEmpty":null`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %s in %s", want, text)
		}
	}
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil || strings.Contains(b.String(), "NaN") {
		t.Errorf("%v\n%s", err, b.String())
	}
	if errs := (water.Plan{}).Missing(); len(errs) != 3 || len(plantPlan.Missing()) != 0 {
		t.Errorf("missing %v", errs)
	}
}

type broken struct{ after int }

var errDisk = errors.New("disk gone")

func (b *broken) Minutes(context.Context, string, time.Time, time.Time) iter.Seq2[minutes.Minute, error] {
	return func(yield func(minutes.Minute, error) bool) {
		if b.after--; b.after < 0 {
			yield(minutes.Minute{}, errDisk)
		}
	}
}

func TestErrorsOfTheSourceComeThrough(t *testing.T) {
	for after := range 14 {
		if _, err := water.Review(context.Background(), &broken{after}, plantPlan, thirty); !errors.Is(err, errDisk) {
			t.Errorf("after %d good reads: %v", after, err)
		}
	}
	if _, err := water.Review(context.Background(), &broken{99}, plantPlan, review.Span{From: day, To: day}); err == nil {
		t.Error("an empty span was reviewed")
	}
}

// plantTable holds the table to 80 columns.
func plantTable(t *testing.T, p *plant) {
	f := reviewed(t, p, plantPlan, p.span)
	var b strings.Builder
	if err := f.Table(&b, time.UTC); err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(b.String()) {
		if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
			t.Errorf("%d columns: %s", n, line)
		}
	}
	for _, want := range []string{"fresh water a vehicle", "whole plant", "reclaim filter", "2026-06-13", "backwash to backwash"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}
