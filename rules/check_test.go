package rules_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

func TestEveryErrorOfASet(t *testing.T) {
	ok := rules.Rule{Name: "a", Kind: rules.Low, Limit: 5, Other: collector.NoPoint, Defined: "air.yaml:4"}
	with := func(change func(*rules.Rule)) []rules.Rule {
		r := ok
		change(&r)
		return []rules.Rule{r}
	}
	condition := func(c rules.Condition) []rules.Condition { return []rules.Condition{c} }
	nowhere := rules.Term{Point: collector.NoPoint, Condition: 3}
	tests := []struct {
		name string
		set  rules.Set
		want string
	}{
		{"point", rules.Set{Rules: with(func(r *rules.Rule) { r.Point = 99 })}, "air.yaml:4: a: point 99 does not exist"},
		{"no point", rules.Set{Rules: with(func(r *rules.Rule) { r.Point = collector.NoPoint })}, "air.yaml:4: a: point -1 does not exist"},
		{"no name", rules.Set{Rules: with(func(r *rules.Rule) { r.Name = "" })}, "air.yaml:4: rule 0: has no name"},
		{"twice", rules.Set{Rules: []rules.Rule{ok, ok}}, "air.yaml:4: a: a second rule of this name"},
		{"kind", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind = 99 })}, "air.yaml:4: a: unknown kind of condition"},
		{"limit", rules.Set{Rules: with(func(r *rules.Rule) { r.Limit = math.NaN() })}, "air.yaml:4: a: limit is not a number"},
		{"deadband", rules.Set{Rules: with(func(r *rules.Rule) { r.Deadband = -1 })}, "air.yaml:4: a: deadband must be 0 or more"},
		{"time", rules.Set{Rules: with(func(r *rules.Rule) { r.OnDelay = -time.Second })}, "air.yaml:4: a: negative time -1s"},
		{"long", rules.Set{Rules: with(func(r *rules.Rule) { r.Realarm = math.MaxInt64 })}, "air.yaml:4: a: 2562047h47m16.854775807s is longer than ten years"},
		{"on-total", rules.Set{Rules: with(func(r *rules.Rule) { r.OnTotal, r.OnWithin = 3, 2 })}, "air.yaml:4: a: on-total: 3ns do not fit into 2ns"},
		{"window", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind = rules.RunsLonger })}, "air.yaml:4: a: running-longer-than needs a time"},
		{"rate", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window, r.Limit = rules.Rate, 1, 0 })}, "air.yaml:4: a: rate of 0 has no direction"},
		{"rate deadband", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window, r.Limit, r.Deadband = rules.Rate, 1, -1, 2 })},
			"air.yaml:4: a: deadband 2 is wider than the limit -1: it would not end"},
		{"starts deadband", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window, r.Deadband = rules.StartsAbove, 1, 6 })},
			"air.yaml:4: a: deadband 6 is wider than the limit 5: it would not end"},
		{"starts", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window, r.Limit = rules.StartsAbove, 1, 1e6 })},
			"air.yaml:4: a: more than 100000 starts cannot be counted"},
		{"below 0", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Other, r.Limit = rules.Deviation, 1, -1 })},
			"air.yaml:4: a: deviation: limit -1 is below 0\nair.yaml:4: a: deadband 0 is wider than the limit -1: it would not end"},
		{"stuck", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window, r.Limit = rules.Stuck, 1, 0 })}, "air.yaml:4: a: stuck: the least movement must be over 0"},
		{"other", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind = rules.Deviation })}, "air.yaml:4: a: deviation needs another point"},
		{"discrepancy", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Other = rules.Discrepancy, 99 })}, "air.yaml:4: a: point 99 does not exist"},
		{"agree", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Agree = rules.Discrepancy, nowhere })}, "air.yaml:4: a: condition 3 does not exist"},
		{"after", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind, r.Window = rules.NotReached, 1 })}, "air.yaml:4: a: not-reached needs 'after'"},
		{"formula", rules.Set{Rules: with(func(r *rules.Rule) { r.Kind = rules.FormulaIsTrue })}, "air.yaml:4: a: no formula"},
		{"formula point", rules.Set{Rules: with(func(r *rules.Rule) {
			r.Kind, r.Formula = rules.FormulaIsTrue, formulaOf{points: []collector.PointID{44}}
		})}, "air.yaml:4: a: formula: point 44 does not exist"},
		{"while", rules.Set{Rules: with(func(r *rules.Rule) { r.While = []rules.Term{{Point: 99}, {Op: 9}, {Value: math.NaN()}} })},
			"air.yaml:4: a: point 99 does not exist\nair.yaml:4: a: unknown comparison\nair.yaml:4: a: compares with no number"},
		{"indices", rules.Set{Rules: with(func(r *rules.Rule) { r.CausedBy, r.SuppressWhen = []int{1}, []int{-1} })},
			"air.yaml:4: a: caused-by: 1 does not exist\nair.yaml:4: a: suppress-when: -1 does not exist"},
		{"circle of causes", rules.Set{Rules: []rules.Rule{{Name: "x", CausedBy: []int{1}}, {Name: "y", CausedBy: []int{2}, Defined: "b.yaml:9"}, {Name: "z", CausedBy: []int{1}}}},
			"b.yaml:9: caused-by: goes in a circle: y, z, y"},
		{"its own cause", rules.Set{Rules: with(func(r *rules.Rule) { r.CausedBy = []int{0} })}, "air.yaml:4: caused-by: goes in a circle: a, a"},
		{"condition term", rules.Set{Conditions: condition(rules.Condition{Name: "c", Until: []rules.Term{nowhere}})}, "c: condition 3 does not exist"},
		{"condition time", rules.Set{Conditions: condition(rules.Condition{Name: "c", Hold: -1})}, "c: negative time -1ns"},
		{"condition name", rules.Set{Conditions: condition(rules.Condition{})}, "condition 0: has no name"},
		{"circle of conditions", rules.Set{Conditions: condition(rules.Condition{Name: "c", Terms: []rules.Term{{Point: collector.NoPoint}}})},
			"conditions: go in a circle: c, c"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := rules.New(points(8), tt.set)
			if err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
	if _, err := rules.New(points(8), rules.Set{Rules: []rules.Rule{ok}}); err != nil {
		t.Errorf("the sound rule: %v", err)
	}
	list := points(2)
	list[1].ID = 7
	if _, err := rules.New(list, rules.Set{}); err == nil || !strings.Contains(err.Error(), "point p1: has id 7 at place 1") {
		t.Errorf("point ids out of order: %v", err)
	}
}

func TestReadingsOfUnknownPoints(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5}}})
	r.step(0, good(-1, 1), good(8, 1), good(1<<30, 1))
	r.want("nothing", "")
	if got := r.engine.Latest(8); got.Quality.Usable() {
		t.Errorf("point 8: %+v", got)
	}
	r.step(1, good(0, 4))
	if got := r.engine.Latest(0); got.Value != 4 || got.At != second {
		t.Errorf("point 0: %+v, want 4 at 1 s", got)
	}
}
