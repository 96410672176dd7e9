package rules

import "roundsman/collector"

type AlarmMemory struct {
	Samples, Lows []Sample
	Measure       float64
	Known         bool
	Seen          collector.Moment
	Counted       Wait
}
