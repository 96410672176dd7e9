package configs_test

import (
	"testing"

	"roundsman/configs"
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
