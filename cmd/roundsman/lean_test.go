package main

import (
	"testing"
	"time"
)

func TestWorthReturning(t *testing.T) {
	const mib = 1 << 20
	for _, tt := range []struct {
		name      string
		kept, now int64
		since     time.Duration
		want      bool
	}{
		{"the start is over", 0, 55 * mib, returnLook, true},
		{"between two collections", 34 * mib, 38 * mib, returnLook, false},
		{"pages were opened", 34 * mib, 44 * mib, returnLook, true},
		{"a large site between two collections", 150 * mib, 180 * mib, returnLook, false},
		{"a large site was looked at", 150 * mib, 190 * mib, returnLook, true},
		{"a quiet minute", 34 * mib, 33 * mib, returnLast, true},
		{"not known", 0, 0, returnLook, false},
		{"not known, after a minute", 0, 0, returnLast, true},
	} {
		if got := worthReturning(tt.kept, tt.now, tt.since); got != tt.want {
			t.Errorf("%s: %t, want %t", tt.name, got, tt.want)
		}
	}
}
