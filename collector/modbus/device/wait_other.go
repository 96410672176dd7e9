//go:build !linux

package device

import (
	"runtime"
	"time"
)

// waitUntil sleeps as far as Go's timers are exact and is busy for the rest.
func waitUntil(until time.Time) {
	if d := time.Until(until) - 2*time.Millisecond; d > 0 {
		time.Sleep(d)
	}
	for time.Now().Before(until) {
		runtime.Gosched()
	}
}
