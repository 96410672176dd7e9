package scaling_test

import (
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/scaling"
)

// A pressure transmitter, 4 to 20 mA as microamperes for 0 to 16 bar, whose wire breaks.
func ExampleChannel_Judge() {
	c, err := scaling.New(0, scaling.Spec{
		Points: []scaling.Pair{{Raw: 4000, Value: 0}, {Raw: 20000, Value: 16}},
		Loop:   true, RawPerMilliamp: 1000,
		Low: 0, High: 16, MaxRate: 0.5, Unit: "bar",
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, raw := range []float64{12000, 11600, 8000, 11500, 3480, 3480, 3480} {
		r := c.Judge(raw, collector.Moment(i)*collector.Moment(time.Second))
		fmt.Printf("%5.0f uA: %4.1f bar, %v", raw, r.Value, r.Quality)
		if why := r.Reason(); why != "" {
			fmt.Printf(" (%s)", why)
		}
		fmt.Println()
	}
	// Output:
	// 12000 uA:  8.0 bar, good
	// 11600 uA:  7.6 bar, good
	//  8000 uA:  4.0 bar, uncertain (changed faster than it can: fell by 3.6 bar in 1s, at most 0.5 bar/s is believed at once)
	// 11500 uA:  7.5 bar, good
	//  3480 uA:  7.5 bar, uncertain (signal between the bands: 3.48 mA is below 3.6 mA, wire or sensor broken)
	//  3480 uA:  7.5 bar, uncertain (signal between the bands: 3.48 mA is below 3.6 mA, wire or sensor broken)
	//  3480 uA:  0.0 bar, bad (signal too low: 3.48 mA is below 3.6 mA, wire or sensor broken)
}

func ExampleHampel() {
	window := []float64{41.2, 40.8, 41.5, 41.0, 47.9, 41.1, 40.7}
	for _, v := range window {
		if spike, median := scaling.Hampel(v, window, 0.1); spike {
			fmt.Printf("%v stands out from %v\n", v, median)
		}
	}
	// Output: 47.9 stands out from 41.1
}
