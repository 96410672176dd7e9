package record

import (
	"time"

	"roundsman/collector"
)

// Doubt makes the housework doubt the wall clock, as Run does after a step.
func (u *Upkeep) Doubt(unsure bool) { u.unsure = unsure }

// Steady follows a wall clock as Run does.
type Steady struct{ s steady }

// Sure takes a look at it.
func (s *Steady) Sure(now collector.Moment, wall time.Time) bool { return s.s.sure(now, wall) }
