package review_test

import (
	"fmt"
	"time"

	"roundsman/exporter/review"
	"roundsman/rules"
)

// Lines of a journal to figures: 06:10 on a Saturday, header air sinks.
func Example() {
	saturday := time.Date(2026, 6, 6, 0, 0, 0, 0, time.UTC)
	var b review.Builder
	b.Priority = func(string) rules.Priority { return rules.HighPriority }
	for _, l := range []review.Line{
		{Time: saturday.Add(6*time.Hour + 10*time.Minute), Kind: "started", Alarm: "air-low"},
		{Time: saturday.Add(6*time.Hour + 11*time.Minute), Kind: "acknowledged", Alarm: "air-low"},
		{Time: saturday.Add(6*time.Hour + 40*time.Minute), Kind: "returned", Alarm: "air-low"},
	} {
		b.Add(l)
	}
	f, err := review.Alarms(b.Activations(), review.Span{From: saturday, To: saturday.AddDate(0, 0, 1)}, review.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Alarms, "alarm,", *f.Acknowledge.Median, "s to acknowledge,", f.Rules[0].Active, "s active")
	// Output: 1 alarm, 60 s to acknowledge, 1800 s active
}
