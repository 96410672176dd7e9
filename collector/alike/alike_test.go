package alike_test

import (
	"math"
	"testing"

	"roundsman/collector"
	"roundsman/collector/alike"
	"roundsman/collector/tank"
)

type input struct {
	point  collector.PointID
	Factor float64
}

type settings struct {
	Name  string
	In    []input
	By    map[string]collector.PointID
	More  *input
	Shape tank.Shape
	Read  func()
	Unit  map[uint8]int
}

func of(p collector.PointID) settings {
	return settings{Name: "flow", In: []input{{p, 2}, {collector.NoPoint, math.NaN()}}, By: map[string]collector.PointID{"a": p + 1}, More: &input{p, 1},
		Shape: cylinder(1.8), Read: func() {}, Unit: map[uint8]int{1: 5}}
}

func cylinder(diameter float64) tank.Shape {
	s, err := tank.VerticalCylinder(diameter, 4.2)
	if err != nil {
		panic(err)
	}
	return s
}

// Two that differ by their numbering alone are alike; each thing that is said otherwise makes them differ.
func TestValues(t *testing.T) {
	by5 := func(p collector.PointID) collector.PointID {
		if p == collector.NoPoint {
			return p
		}
		return p + 5
	}
	for _, tt := range []struct {
		name string
		edit func(*settings)
		want bool
	}{
		{"numbered anew", func(*settings) {}, true},
		{"empty instead of none", func(s *settings) { s.In = append([]input{}, s.In...) }, true},
		{"name", func(s *settings) { s.Name = "rate" }, false},
		{"point in a list", func(s *settings) { s.In[0].point++ }, false},
		{"no point", func(s *settings) { s.In[1].point = 4 }, false},
		{"factor", func(s *settings) { s.In[0].Factor = 3 }, false},
		{"a number instead of none", func(s *settings) { s.In[1].Factor = 0 }, false},
		{"longer list", func(s *settings) { s.In = append(s.In, input{}) }, false},
		{"point in a map", func(s *settings) { s.By["a"] = 1 }, false},
		{"other key", func(s *settings) { s.By = map[string]collector.PointID{"b": 8} }, false},
		{"point behind a pointer", func(s *settings) { s.More.point = 2 }, false},
		{"nothing behind a pointer", func(s *settings) { s.More = nil }, false},
		{"size in an interface", func(s *settings) { s.Shape = cylinder(1.9) }, false},
		{"type in an interface", func(s *settings) { s.Shape = nil }, false},
		{"no function", func(s *settings) { s.Read = nil }, false},
		{"function", func(s *settings) { s.Read = func() { panic("never called") } }, true},
		{"unit", func(s *settings) { s.Unit[1] = 6 }, false},
	} {
		a, b := of(2), of(7)
		tt.edit(&b)
		if got := alike.Values(a, b, by5); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
		if !alike.Same(b, b) {
			t.Errorf("%s: not the same as itself", tt.name)
		}
	}
	if alike.Same(1, "1") || alike.Same(nil, 1) || !alike.Same(nil, nil) {
		t.Error("values of two types")
	}
}
