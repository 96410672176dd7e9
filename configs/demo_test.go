package configs_test

import (
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/configs"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

func TestDemoLoads(t *testing.T) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range s.Notes {
		t.Logf("%v", n)
	}
	if _, err := rules.New(s.Points, s.Rules); err != nil {
		t.Errorf("the engine refuses the rules: %v", err)
	}
	if _, err := desk.New(desk.Options{Plan: s.Callout.Plan, Rules: s.Rules.Rules, Points: s.Points, Zone: s.Zone}); err != nil {
		t.Errorf("the desk refuses the plan: %v", err)
	}
	t.Logf("%d points, %d alarms, %d conditions", len(s.Points), len(s.Rules.Rules), len(s.Rules.Conditions))
}

func TestExampleLoads(t *testing.T) {
	s, err := configs.LoadFile("examples/small-site.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if own := siteRules(s); len(own) != 8 || len(s.Notes) != 0 {
		t.Errorf("%d alarms, want 8; notes: %v", len(own), s.Notes)
	}
}

// The demonstration reads 70 points over its three links, and every alarm
// carries the fields of rationalisation (ISA-18.2, from memory): consequence,
// response, severity, time to respond; a note never calls.
func TestDemoIsRationalised(t *testing.T) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	read := len(s.MQTT[0].Points)
	for _, o := range s.Modbus {
		read += len(o.Points)
		for id, u := range o.Units {
			if u.Marker == nil || u.Marker.Equals != 23205 {
				t.Errorf("link %s, unit %d has no marker", o.Name, id)
			}
		}
	}
	if read != 70 {
		t.Errorf("%d points are read over links, want 70", read)
	}
	if len(s.Notes) != 0 {
		t.Errorf("notes: %v", s.Notes)
	}
	for _, r := range s.Rules.Rules {
		if r.Consequence == "" || r.Response == "" || r.Severity == rules.NoSeverity || r.TimeToRespond == 0 {
			t.Errorf("%s: consequence %q, response %q, severity %v, %v to respond", r.Name, r.Consequence, r.Response, r.Severity, r.TimeToRespond)
		}
		if r.Priority != max(r.Priority, rules.PriorityFor(r.Severity, r.TimeToRespond)) {
			t.Errorf("%s: priority %v is below what the matrix gives", r.Name, r.Priority)
		}
		if r.Priority >= rules.MediumPriority && r.CallOut == "" {
			t.Errorf("%s: priority %v calls nobody", r.Name, r.Priority)
		}
	}
}

// Loading twice gives the same points in the same order.
func TestPointOrderIsStable(t *testing.T) {
	fsys, name := configs.Demo()
	first, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	for range 5 {
		again, err := configs.Load(fsys, name)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range again.Points {
			if p.Name != first.Points[i].Name || p.ID != first.Points[i].ID {
				t.Fatalf("point %d was %s, is %s", i, first.Points[i].Name, p.Name)
			}
		}
	}
}

// A drum of 60 kg from which 45 kg a day are taken is told once, as soon as half a day of readings shows it: 45 kg last
// a day, and 37.5 kg are left by then. A new drum is no alarm.
func TestDrumTellsADayBefore(t *testing.T) {
	fsys, name := configs.Demo()
	s, err := configs.Load(fsys, name)
	if err != nil {
		t.Fatal(err)
	}
	set, err := compute.New(s.Points, s.Compute)
	if err != nil {
		t.Fatal(err)
	}
	engine, err := rules.New(s.Points, s.Rules)
	if err != nil {
		t.Fatal(err)
	}
	mass, _ := s.Point("drum.wax.mass")
	open, _ := s.Point("wash.open")
	start := time.Date(2026, 6, 3, 0, 0, 0, 0, s.Zone)
	var rang []float64
	for i := range 60 * 12 { // of five minutes
		m := collector.At(start.Add(time.Duration(i) * 5 * time.Minute))
		kg := 60 - 45.0/24/12*float64(i)
		if kg < 15.5 {
			kg = 250
		}
		in := []collector.Reading{{Point: mass.ID, Value: kg, Quality: collector.Good, At: m}, {Point: open.ID, Value: 1, Quality: collector.Good, At: m}}
		events, _ := engine.Step(m, append(in, set.Step(m, in, nil)...), nil)
		for _, e := range events {
			if s.Rules.Rules[e.Rule].Name == "drum-last-day:drum.wax.lasts" && e.Kind == rules.EventStarted {
				rang = append(rang, kg)
			}
		}
	}
	if len(rang) != 1 || rang[0] > 45 || rang[0] < 35 {
		t.Errorf("it rang at %v kg", rang)
	}
}
