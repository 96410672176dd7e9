package main

import (
	"encoding/json"
	"log/slog"
	"math"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/leak"
	"roundsman/collector/practice/model"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// airRoom is the demo site's air: the practice plant, its computed points and its rules, stepped once a second.
type airRoom struct {
	*model.Model
	site   *configs.Site
	set    *compute.Set
	engine *rules.Engine
	begun  map[string]bool // alarms that started
	tests  []leak.Result
}

func newAirRoom(t *testing.T, begin time.Time) *airRoom {
	t.Helper()
	site, err := configs.Load(configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	r := &airRoom{Model: model.New(model.Config{Seed: 11, Start: begin}), site: site, begun: map[string]bool{}}
	if r.set, err = compute.New(site.Points, site.Compute); err != nil {
		t.Fatal(err)
	}
	if r.engine, err = rules.New(site.Points, site.Rules); err != nil {
		t.Fatal(err)
	}
	return r
}

func (r *airRoom) play(d time.Duration) {
	for end := r.Now().Add(d); r.Now().Before(end); {
		r.Step(time.Second)
		s, now := r.State(), collector.At(r.Now())
		var batch []collector.Reading
		for name, v := range map[string]float64{
			"air.header.pressure": math.Round(1000*s.Air.Header) / 1000, "air.compressor.loaded": contact(s.Air.Loaded),
			"air.compressor.running": contact(s.Air.Running), "wash.open": contact(s.Traffic.Open), "conveyor.running": contact(s.Traffic.Conveyor),
		} {
			p, _ := r.site.Point(name)
			batch = append(batch, collector.Reading{Point: p.ID, Value: v, Quality: collector.Good, At: now})
		}
		batch = append(batch, r.set.Step(now, batch, nil)...)
		events, _ := r.engine.Step(now, batch, nil)
		for _, e := range events {
			if e.Kind == rules.EventStarted {
				r.begun[r.site.Rules.Rules[e.Rule].Name] = true
			}
		}
		r.set.LeakTests(func(_ collector.PointID, res leak.Result) { r.tests = append(r.tests, res) })
	}
}

func contact(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

func (r *airRoom) latest(name string) collector.Reading {
	p, _ := r.site.Point(name)
	return r.set.Latest(p.ID)
}

func TestDemoFindsItsLeakAndCallsAStep(t *testing.T) {
	r := newAirRoom(t, time.Date(2026, 11, 24, 19, 50, 0, 0, time.UTC))
	usual := leak.Kept{}
	for day := 2; day < 6; day++ { // four nights of before
		usual.Past = append(usual.Past, leak.Past{At: collector.At(r.Now().AddDate(0, 0, -day)), Rate: 0.6})
	}
	p, _ := r.site.Point("air.leak.rate")
	r.set.RestoreLeaks([]compute.Leak{{Point: p.ID, Kept: usual}})
	r.play(90 * time.Minute)
	if got := r.latest("air.leak.rate"); got.Quality != collector.Good || math.Abs(got.Value-0.6) > 0.02 {
		t.Errorf("the leak reads %.3f, %s %s, the plant leaks 0.6 L/s", got.Value, got.Quality, got.Reason())
	}
	if r.begun["leak-step"] || r.begun["leak-large"] {
		t.Errorf("alarms of the usual leak: %v", r.begun)
	}
	r.Set(model.AirLeak, true)
	r.play(2 * time.Hour)
	if got := r.latest("air.leak.rate"); got.Quality != collector.Good || math.Abs(got.Value-8.6) > 0.3 {
		t.Errorf("after the step it reads %.3f, %s %s, the plant leaks 8.6 L/s", got.Value, got.Quality, got.Reason())
	}
	if got := r.latest("air.leak.usual"); math.Abs(got.Value-0.6) > 0.01 {
		t.Errorf("usual is %.3f", got.Value)
	}
	if !r.begun["leak-step"] || !r.begun["leak-large"] {
		t.Errorf("alarms after the step: %v", r.begun)
	}
}

// leakJudge is a judge with no more than keeping leaks takes.
func leakJudge(t *testing.T) *judge {
	t.Helper()
	site, err := configs.Load(configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	set, err := compute.New(site.Points, site.Compute)
	if err != nil {
		t.Fatal(err)
	}
	return &judge{compute: set, site: &exporter.Site{Points: site.Points}, log: slog.New(slog.DiscardHandler)}
}

func TestLeakTestsAreKept(t *testing.T) {
	j, now := leakJudge(t), collector.At(time.Date(2026, 11, 25, 3, 0, 0, 0, time.UTC))
	i := slices.IndexFunc(j.site.Points, func(p collector.Point) bool { return p.Name == "air.leak.rate" })
	last := leak.Result{Method: leak.ByBleedDown, Bleed: leak.Bleed{Start: now - 1000, End: now, Rate: 0.6, Settled: true}}
	j.compute.RestoreLeaks([]compute.Leak{{Point: collector.PointID(i), Kept: leak.Kept{Last: &last, Rested: now, Seen: now}}})

	c := record.Change{}
	j.keepLeaks(&c, now)
	if len(c.Papers) != 0 {
		t.Error("a step without a result writes to the disk")
	}
	c.Whole = true
	j.keepLeaks(&c, now)
	paper, ok := c.Papers["leak test air.leak.rate"]
	if !ok || !json.Valid(paper.Doc) {
		t.Fatalf("papers %v", c.Papers)
	}
	// The record gives it back on the clock of another run.
	shift := 5 * time.Hour
	anew := leakJudge(t)
	paper.At = paper.At.Add(shift)
	anew.compute.RestoreLeaks(leaksOf(anew.site.Points, anew.keptLeaks(map[string]record.Paper{"leak test air.leak.rate": paper, "leak test air.gone": paper})))
	kept := anew.compute.Leaks()[0].Kept
	if kept.Rested != now.Add(shift) || kept.Last == nil || kept.Last.End != now.Add(shift) || kept.Last.Rate != 0.6 {
		t.Errorf("restored %+v", kept)
	}
	_ = anew.keptLeaks(map[string]record.Paper{"leak test air.leak.rate": {Doc: []byte("{")}}) // said in the log, no panic
}

func TestLeakLine(t *testing.T) {
	r := leak.Result{Method: leak.ByBleedDown, Bleed: leak.Bleed{Start: 1, End: 1 + collector.Moment(10*time.Minute), StartPressure: 8.1, EndPressure: 6.9, Rate: 0.6, First: 0.8, Second: 0.5}}
	l := leakLine(&collector.Point{Name: "leak", Unit: "ft3/min"}, r)
	if math.Abs(l.Value-0.6/0.4719474432) > 1e-9 || l.Quality != collector.Uncertain || l.Length != 10*time.Minute || l.Kind != record.LeakTested {
		t.Errorf("%+v", l)
	}
	if want := "bleed-down from 8.1 to 6.9 bar in 10m0s, first half 0.80 L/s, second 0.50 L/s"; l.Why != want {
		t.Errorf("%q, want %q", l.Why, want)
	}
}
