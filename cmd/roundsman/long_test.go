package main

import "testing"

// heavy leaves a test out under the race detector: it drives the built program, or one goroutine through days of fake
// time, and there is little to detect in it. '.ci/run' runs these without the detector.
func heavy(t *testing.T) {
	t.Helper()
	if raced {
		t.Skip("run without the race detector: it drives another process, or one goroutine through days")
	}
}
