package plan_test

import (
	"fmt"

	"roundsman/collector/plan"
)

// Two stretches of registers four apart: on a serial line one read is cheaper than two.
func ExampleBuild() {
	line := plan.Line{Baud: 19200, CharBits: 11}
	items := []plan.Item{{Unit: 5, Table: 4, Start: 0, Count: 6}, {Unit: 5, Table: 4, Start: 10, Count: 6}}
	requests, err := plan.Build(items, nil, line)
	if err != nil {
		fmt.Println(err)
	}
	for _, r := range requests {
		fmt.Println(r.Start, r.Count, r.Items, line.Time(r))
	}
	fmt.Println(line.Total(plan.Each(items)))
	// Output:
	// 0 16 [0 1] 29.791667ms
	// 36.666666ms
}
