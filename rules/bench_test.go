package rules_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/vm"

	"roundsman/collector"
	"roundsman/rules"
)

// swing is a signal that stays on one side of the limits, as signals do.
var swing = [...]float64{7.8, 7.9, 8.1, 7.6, 7.2, 6.9, 7.4, 7.7}

// One limit rule with deadband and delays on one reading, as readings come: in a round of a hundred points. Beside it,
// in turn, the bare condition (quality, limit, deadband; no delay, no state) in the formula library.
func BenchmarkOneRule(b *testing.B) {
	const turn = 100
	var set rules.Set
	for p := range turn {
		set.Rules = append(set.Rules, rules.Rule{Name: fmt.Sprint("low-", p), Point: collector.PointID(p), Kind: rules.Low, Limit: 5.5, Deadband: 0.3,
			OnDelay: 5 * time.Second, OffDelay: 30 * time.Second})
	}
	engine, err := rules.New(points(turn), set)
	if err != nil {
		b.Fatal(err)
	}
	type env struct {
		V      float64 `expr:"v"`
		Active bool    `expr:"active"`
		Usable bool    `expr:"usable"`
	}
	const source = "usable and (v < 5.5 or active and v < 5.8)"
	byStruct, err := expr.Compile(source, expr.Env(env{}), expr.AsBool())
	if err != nil {
		b.Fatal(err)
	}
	byMap, err := expr.Compile(source, expr.Env(map[string]any{"v": 0.0, "active": false, "usable": true}), expr.AsBool())
	if err != nil {
		b.Fatal(err)
	}
	var machine vm.VM
	var events []rules.Event
	now := collector.Moment(0)
	readings := make([]collector.Reading, turn)
	for p := range readings {
		readings[p] = good(p, swing[p%len(swing)])
	}
	values := map[string]any{"v": 0.0, "active": false, "usable": true}
	boxed := [len(swing)]any{}
	for i, v := range swing {
		boxed[i] = v
	}
	run := func(program *vm.Program, env any) {
		if out, err := machine.Run(program, env); err != nil || out.(bool) {
			b.Fatal(out, err)
		}
	}
	turns := []func(){
		func() {
			now += second
			events, _ = engine.Step(now, readings, events[:0])
		},
		func() { // each reading in a call of its own, as a message from a broker may come
			for i := range readings {
				now += second
				events, _ = engine.Step(now, readings[i:i+1], events[:0])
			}
		},
		func() {
			for i := range turn {
				run(byStruct, env{V: swing[i%len(swing)], Usable: true})
			}
		},
		func() {
			for i := range turn {
				values["v"] = boxed[i%len(swing)]
				run(byMap, values)
			}
		},
	}
	took := make([]samples, len(turns))
	for b.Loop() {
		for k, do := range turns {
			start := time.Now()
			for range 10 {
				do()
			}
			took[k] = append(took[k], float64(time.Since(start).Nanoseconds())/turn/10)
		}
	}
	ours, structs, maps := took[0].median(), took[2].median(), took[3].median()
	b.ReportMetric(ours, "ns/rule")
	b.ReportMetric(took[1].median(), "ns/lone-rule")
	b.ReportMetric(structs, "ns/expr-struct")
	b.ReportMetric(maps, "ns/expr-map")
	b.ReportMetric(structs/ours, "x-expr-struct")
	b.ReportMetric(maps/ours, "x-expr-map")
	if n := testing.AllocsPerRun(1000, turns[0]); n != 0 {
		b.Errorf("%g allocations", n)
	}
}

// samples of one measure; their median does not mind that the machine is shared.
type samples []float64

func (s samples) median() float64 {
	slices.Sort(s)
	return s[len(s)/2]
}

// bigSite is 1,000 points and 3,000 rules of the usual mix.
func bigSite(b testing.TB) *rules.Engine { return siteOf(b, 1000) }

// siteOf is n points with three rules each: two limits a point, and each tenth of the kinds with a window.
func siteOf(b testing.TB, n int) *rules.Engine {
	b.Helper()
	set := rules.Set{Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{term(0, 1e9)}}}}
	for p := range n {
		id := collector.PointID(p)
		set.Rules = append(set.Rules,
			rules.Rule{Point: id, Kind: rules.Low, Limit: 5.5, Deadband: 0.3, OnDelay: 5 * time.Second, OffDelay: 30 * time.Second,
				OnTotal: 5 * time.Minute, OnWithin: 10 * time.Minute, SuppressWhen: []int{0}},
			rules.Rule{Point: id, Kind: rules.High, Limit: 9, Deadband: 0.3, OnDelay: 5 * time.Second})
		third := rules.Rule{Point: id, Kind: rules.BadSignal, OnDelay: 30 * time.Second}
		switch p % 10 {
		case 0:
			third = rules.Rule{Point: id, Kind: rules.Rate, Limit: -0.8, Window: 8 * time.Second}
		case 1:
			third = rules.Rule{Point: id, Kind: rules.StaleSignal, Window: time.Minute}
		case 2:
			third = rules.Rule{Point: id, Kind: rules.Stuck, Limit: 0.1, Window: time.Minute}
		case 3:
			third = rules.Rule{Point: id, Kind: rules.Deviation, Other: collector.PointID((p + 1) % n), Limit: 4}
		case 4:
			third = rules.Rule{Point: id, Kind: rules.TotalAbove, Limit: 1e6, Window: time.Minute}
		case 5:
			third = rules.Rule{Point: id, Kind: rules.StartsAbove, Limit: 6, Window: time.Hour}
		}
		set.Rules = append(set.Rules, third)
	}
	for i := range set.Rules {
		set.Rules[i].Name = fmt.Sprint("r", i)
	}
	engine, err := rules.New(points(n), set)
	if err != nil {
		b.Fatal(err)
	}
	return engine
}

// bigSecond returns what a large site does each second, every window full. One reading in fifty moves beyond a limit for
// a while, so delays start and stop all the time.
func bigSecond(b testing.TB) (step func()) { return secondOf(b, 1000) }

func secondOf(b testing.TB, n int) (step func()) {
	engine := siteOf(b, n)
	readings := make([]collector.Reading, n)
	var events []rules.Event
	now := collector.Moment(0)
	step = func() {
		now += second
		readingsOf(readings, now)
		for next := engine.Next(); next < now; next = engine.Next() {
			events, _ = engine.Step(next, nil, events[:0])
		}
		events, _ = engine.Step(now, readings, events[:0])
	}
	for range 700 {
		step()
	}
	return step
}

// How much of one core a large site takes.
func BenchmarkLargeSite(b *testing.B) {
	step := bigSecond(b)
	b.ReportAllocs()
	for b.Loop() {
		step()
	}
	perStep := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	b.ReportMetric(100*perStep/1e9, "%core")
	b.ReportMetric(perStep/3000, "ns/rule")
}

func TestLargeSiteAllocatesNothing(t *testing.T) {
	if n := testing.AllocsPerRun(100, bigSecond(t)); n != 0 {
		t.Errorf("%g allocations a second in steady state", n)
	}
}

// A snapshot of 3,000 alarms into memory that is used again.
func BenchmarkStatus(b *testing.B) {
	engine := bigSite(b)
	engine.Step(second, nil, nil)
	var list []rules.Status
	b.ReportAllocs()
	for b.Loop() {
		list = engine.Status(list)
	}
}
