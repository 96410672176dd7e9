package device

import (
	"time"

	"golang.org/x/sys/unix"
)

// spin is the last stretch before a moment, spent busy: a nanosleep call comes
// back some 85 us late, Go's timers up to a millisecond.
const spin = 100 * time.Microsecond

func waitUntil(until time.Time) {
	if d := time.Until(until) - 3*time.Millisecond; d > 0 {
		time.Sleep(d)
	}
	if d := time.Until(until) - spin; d > 0 {
		ts := unix.NsecToTimespec(int64(d))
		_ = unix.Nanosleep(&ts, nil) // a signal cuts it short; the loop below goes on
	}
	for time.Now().Before(until) {
	}
}
