// Package duty counts run time and starts of equipment from what can be seen
// of it, and keeps apart what was not seen.
package duty

import (
	"time"

	"roundsman/collector"
)

// Spec is one piece of equipment as the site file describes it.
type Spec struct {
	Name          string
	Station       string
	Run           collector.PointID // a running contact, or a current or speed with Above
	Above         float64           // runs while the value of Run is over this; for a state 0.5
	Join          time.Duration     // a stop shorter than this is contact bounce; default 2 s
	HoldAtMost    time.Duration     // a reading stands for at most so long; the rest is unseen; default 3 times the poll
	RatedKW       float64
	StartsPerHour float64 // 0: not given
	Pair          string
	Service       []Service
}

// Service is work due after so many hours of running.
type Service struct {
	Name  string
	Every time.Duration
}
