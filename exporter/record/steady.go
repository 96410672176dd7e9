package record

import (
	"time"

	"roundsman/collector"
)

const (
	// sureAfter is how long the wall clock must have stood before anything is let go because of its age: a clock that is set
	// a year on by mistake, and back when somebody notices, must not cost the record. Room on the disk is made all the same.
	sureAfter = 6 * time.Hour
	// leastLeap is the smallest step of the wall clock after which it must stand anew.
	leastLeap = time.Hour
)

// steady follows how long the wall clock has stood, since the start at most. The zero value has seen nothing.
type steady struct {
	known bool
	off   time.Duration // of the wall clock from the steady scale
	since collector.Moment
}

// sure takes a look and reports whether the clock has stood for long enough.
func (s *steady) sure(now collector.Moment, wall time.Time) bool {
	off := time.Duration(wall.UnixNano() - int64(now))
	if !s.known || (off-s.off).Abs() >= leastLeap {
		*s = steady{true, off, now}
	}
	return now.Sub(s.since) >= sureAfter
}
