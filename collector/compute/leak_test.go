package compute_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/leak"
	"roundsman/collector/practice/model"
)

// The points of a leak test: what it takes, then what it gives.
const (
	leakHeader collector.PointID = iota
	leakLoaded
	leakOpen
	leakConveyor
	leakRate
	leakUsual
	leakShare
	leakBook
)

func leakPoints() []collector.Point {
	names := []string{"header", "loaded", "open", "conveyor", "rate", "usual", "share", "book"}
	var out []collector.Point
	for i, n := range names {
		p := collector.Point{ID: collector.PointID(i), Name: n}
		if id := p.ID; id >= leakLoaded && id <= leakConveyor {
			p.Kind = collector.State
		}
		out = append(out, p)
	}
	return out
}

const leakPsi = 0.0689475729316836

func leakSpecs() []compute.Spec {
	return []compute.Spec{ // figures first: the order of the file is nobody's business
		{Point: leakUsual, Name: "usual", LeakFigure: &compute.LeakFigure{Of: leakRate}},
		{Point: leakShare, Name: "share", LeakFigure: &compute.LeakFigure{Of: leakRate, Tells: compute.LeakShare, Factor: 100}},
		{Point: leakBook, Name: "book", LeakFigure: &compute.LeakFigure{Of: leakRate, Tells: compute.LeakSourcebook}},
		{Point: leakRate, Name: "rate", LeakTest: &compute.LeakTest{
			Pressure: compute.Input{Point: leakHeader, Factor: leakPsi}, Loaded: leakLoaded,
			Idle: "not open and not conveyor", Names: map[string]collector.PointID{"open": leakOpen, "conveyor": leakConveyor},
			Test: leak.Spec{Vessel: leak.Vessel{Volume: 500}, Delivery: 30}, Factor: 60,
		}},
	}
}

func leakSet(t *testing.T) *compute.Set {
	t.Helper()
	s, err := compute.New(leakPoints(), leakSpecs())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// leakNight is the practice plant in one batch a second, its header in psi.
type leakNight struct {
	*model.Model
	batch []collector.Reading
}

func (n *leakNight) next() (collector.Moment, []collector.Reading) {
	n.Step(time.Second)
	s, now := n.State(), collector.At(n.Now())
	n.batch = n.batch[:0]
	for i, v := range []float64{s.Air.Header / leakPsi, bit(s.Air.Loaded), bit(s.Traffic.Open), bit(s.Traffic.Conveyor)} {
		n.batch = append(n.batch, collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: now})
	}
	return now, n.batch
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func TestLeakTestOfThePracticePlant(t *testing.T) {
	n := &leakNight{Model: model.New(model.Config{Seed: 7, Start: time.Date(2026, 11, 24, 19, 30, 0, 0, time.UTC)})}
	s := leakSet(t)
	tests := 0
	count := func(p collector.PointID, r leak.Result) {
		tests++
		if p != leakRate || math.Abs(r.Rate-0.6) > 0.006 {
			t.Errorf("point %d: %s, %.3f L/s", p, r.Words(), r.Rate)
		}
	}
	var out []collector.Reading
	for range 4 * 3600 {
		now, batch := n.next()
		out = s.Step(now, batch, out[:0])
		s.LeakTests(count)
	}
	if tests < 2 || tests > 4 {
		t.Fatalf("%d tests", tests)
	}
	want := map[collector.PointID]float64{leakRate: 36, leakBook: 0.6 * 1.25, leakShare: 100 * 0.6 / 30}
	for p, v := range want {
		if r := s.Latest(p); r.Quality != collector.Good || math.Abs(r.Value-v) > 0.1*v {
			t.Errorf("point %d reads %.3f, %s %s, want %g", p, r.Value, r.Quality, r.Reason(), v)
		}
	}
	if r := s.Latest(leakUsual); r.Quality != collector.Unread || !strings.HasPrefix(r.Detail, "fewer than three") {
		t.Errorf("usual in the first night: %s, %q", r.Quality, r.Detail)
	}
	s.LeakTests(count) // told once
	if tests > 4 {
		t.Error("a test was told twice")
	}
	t.Run("inputs lost", func(t *testing.T) { leakStands(t, s, n) })
	t.Run("restart", func(t *testing.T) { leakRestart(t, s, n) })
}

// leakStands: the result stands although its inputs are lost, for a week.
func leakStands(t *testing.T, s *compute.Set, n *leakNight) {
	now, batch := n.next()
	before := s.Latest(leakRate)
	for i := range batch {
		batch[i] = collector.Fail(batch[i].Point, collector.NoAnswer, 0, now, "")
	}
	s.Step(now, batch, nil)
	if r := s.Latest(leakRate); r.Quality != collector.Good || r.Value != before.Value {
		t.Errorf("with its inputs lost it reads %g, %s %s", r.Value, r.Quality, r.Reason())
	}
	for i := range batch {
		batch[i].At = now.Add(8 * 24 * time.Hour)
	}
	s.Step(now.Add(8*24*time.Hour), batch, nil)
	if r := s.Latest(leakRate); r.Quality != collector.Bad || r.Reason() != "stale: no leak test for a week" {
		t.Errorf("after eight days it reads %g, %s %q", r.Value, r.Quality, r.Reason())
	}
}

func leakRestart(t *testing.T, s *compute.Set, n *leakNight) {
	kept := s.Leaks()
	text, err := json.Marshal(kept[0].Kept)
	if err != nil || len(kept) != 1 || kept[0].Point != leakRate {
		t.Fatalf("%v, %v", kept, err)
	}
	var back leak.Kept
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	anew := leakSet(t)
	anew.RestoreLeaks([]compute.Leak{{Point: leakRate, Kept: back}, {Point: leakHeader, Kept: back}})
	now, batch := n.next()
	anew.Step(now, batch, nil)
	if r := anew.Latest(leakRate); r.Quality != collector.Good || math.Abs(r.Value-36) > 0.4 {
		t.Errorf("after a restart it reads %g, %s %s", r.Value, r.Quality, r.Reason())
	}
}

func TestLeakTestNeedsItsConditionSeen(t *testing.T) {
	n := &leakNight{Model: model.New(model.Config{Seed: 7, Start: time.Date(2026, 11, 24, 23, 0, 0, 0, time.UTC)})}
	s := leakSet(t)
	for range 3600 {
		now, batch := n.next()
		batch[leakOpen] = collector.Fail(leakOpen, collector.NoAnswer, 0, now, "")
		s.Step(now, batch, nil)
	}
	s.LeakTests(func(_ collector.PointID, r leak.Result) {
		t.Errorf("a test while nobody knows whether air is drawn: %s", r.Words())
	})
}

func TestLeakTestIsSilentBeforeTheFirst(t *testing.T) {
	n := &leakNight{Model: model.New(model.Config{Seed: 7, Start: time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)})}
	s := leakSet(t)
	now, batch := n.next()
	s.Step(now, batch, nil)
	if r := s.Latest(leakRate); r.Quality != collector.Unread || r.Detail != "waits until nothing draws air" {
		t.Errorf("%s, %q", r.Quality, r.Detail)
	}
	if r := s.Latest(leakShare); r.Quality != collector.Unread {
		t.Errorf("a figure of no test is %s", r.Quality)
	}
}

func TestLeakTestRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(specs []compute.Spec)
		want   string
	}{
		{"no volume", func(s []compute.Spec) { s[3].LeakTest.Test.Vessel.Volume = 0 }, "rate: leak test: volume 0 L is not above 0"},
		{"condition", func(s []compute.Spec) { s[3].LeakTest.Idle = "not opened" }, "rate: leak test: while nothing draws air: column 5: unknown point opened"},
		{"figure of nothing", func(s []compute.Spec) { s[0].LeakFigure.Of = leakHeader }, "usual: header is no leak test"},
		{"no such figure", func(s []compute.Spec) { s[0].LeakFigure.Tells = 9 }, "usual: leak figure: no such figure"},
	} {
		specs := leakSpecs()
		c.change(specs)
		if _, err := compute.New(leakPoints(), specs); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}
