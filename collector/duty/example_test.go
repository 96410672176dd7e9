package duty_test

import (
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

func ExampleMeter() {
	m := duty.New(duty.Spec{Name: "reclaim.pump.1", HoldAtMost: 5 * time.Minute})
	m.OnInterval(func(i duty.Interval) { fmt.Println(i.Kind, i.Length(), i.Why) })
	now := collector.Moment(0)
	for _, running := range []float64{0, 1, 1, 0, 0} {
		m.Observe(now, &collector.Reading{Value: running, Quality: collector.Good, At: now})
		now = now.Add(2 * time.Minute)
	}
	f := m.Figures(now)
	fmt.Printf("%v of %v, %d start, duty %.0f %%\n", f.Run, f.Seen, f.Starts, 100*f.Duty())
	// Output:
	// run 4m0s stopped
	// 4m0s of 10m0s, 1 start, duty 40 %
}

func ExampleAllowedStarts() {
	a, err := duty.AllowedStarts(7.5, 4, 0)
	fmt.Println(a.PerHour, a.Rest, a.Row, err)
	// Output: 10.7 50s 15 <nil>
}
