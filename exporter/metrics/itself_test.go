package metrics

import (
	"math"
	"slices"
	"testing"
)

// A wall clock that is set late moves the start, the rounding of two clocks does not.
func TestSteady(t *testing.T) {
	for _, tt := range []struct {
		name          string
		was, is, want float64
	}{
		{"first", math.Inf(-1), 1.7e9, 1.7e9},
		{"rounding", 1.7e9, 1.7e9 + 0.01, 1.7e9},
		{"slewed", 1.7e9, 1.7e9 - 0.9, 1.7e9},
		{"clock set", 12, 1.7e9, 1.7e9},
		{"clock set back", 1.7e9, 1.7e9 - 60, 1.7e9 - 60},
	} {
		if got := steady(tt.was, tt.is); got != tt.want {
			t.Errorf("%s: got %v, want %v", tt.name, got, tt.want)
		}
	}
}

// A system that gives no figures of the process shows none, and no NaN; those of the runtime stay.
func TestNoUsage(t *testing.T) {
	s := newItself()
	s.fill()
	s.usage = unknownUsage
	s.fill()
	want := []string{"go_goroutines", "go_info", "go_memstats_heap_alloc_bytes", "go_memstats_next_gc_bytes", "go_memstats_sys_bytes"}
	got := []string{}
	for _, f := range shown(s.families) {
		got = append(got, f.GetName())
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
