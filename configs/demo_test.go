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
	if len(s.Rules.Rules) != 8 || len(s.Notes) != 0 {
		t.Errorf("%d alarms, want 8; notes: %v", len(s.Rules.Rules), s.Notes)
	}
}
