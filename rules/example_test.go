package rules_test

import (
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Air sinks under its low limit, comes back, and somebody acknowledges.
func Example() {
	list := []collector.Point{{ID: 0, Name: "air.header.pressure", Unit: "bar", Digits: 1}}
	set := rules.Set{Rules: []rules.Rule{{
		Name: "air-low", Point: 0, Kind: rules.Low, Limit: 5.5, Deadband: 0.3, Other: collector.NoPoint,
		OnDelay: 5 * time.Second, OffDelay: 30 * time.Second, Unit: "bar", Digits: 1,
	}}}
	engine, err := rules.New(list, set)
	if err != nil {
		fmt.Println(err)
		return
	}
	var events []rules.Event
	at := func(s int) collector.Moment { return collector.Moment(s) * collector.Moment(time.Second) }
	for _, step := range []struct {
		second int
		bar    float64
	}{{0, 7.9}, {10, 5.3}, {15, 5.3}, {60, 6.4}} {
		reading := collector.Reading{Point: 0, Value: step.bar, Quality: collector.Good, At: at(step.second)}
		events, _ = engine.Step(at(step.second), []collector.Reading{reading}, events)
	}
	fmt.Println("next look at", time.Duration(engine.Next()))
	events, _ = engine.Step(engine.Next(), nil, events)
	events, _ = engine.Act(at(95), rules.Act{Kind: rules.ActAcknowledge, Rule: 0, Who: "Ann"}, events)
	for _, ev := range events {
		fmt.Println(time.Duration(ev.At), ev.Kind, "->", ev.To, "|", set.Rules[ev.Rule].Describe(ev.Value, list))
	}
	// Output:
	// next look at 1m30s
	// 15s started -> unacknowledged | air.header.pressure 5.3 bar, low limit 5.5 bar
	// 1m30s returned -> returned unacknowledged | air.header.pressure 6.4 bar, low limit 5.5 bar
	// 1m35s acknowledged -> normal | air.header.pressure 6.4 bar, low limit 5.5 bar
}
