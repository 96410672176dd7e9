package duty_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"roundsman/collector/duty"
)

// The examples of NEMA MG 10's table and of guides that quote it, and the
// ratings of a wash's motors with the row each takes.
func TestAllowedStarts(t *testing.T) {
	hp := func(n float64) float64 { return n * duty.HorsepowerKW }
	for _, tc := range []struct {
		kW      float64
		poles   int
		wk2     float64
		perHour float64
		rest    time.Duration
		row     float64
	}{
		{hp(25), 4, 50, 2.44, 58 * time.Second, 25},
		{hp(25), 4, 10, 8.8, 58 * time.Second, 25},
		{hp(60), 2, 0, 3.2, 170 * time.Second, 60},
		{hp(1), 2, 0, 15, 75 * time.Second, 1},
		{hp(250), 6, 0, 4.2, 440 * time.Second, 250},
		{1.1, 4, 0, 25.7, 38 * time.Second, 1.5},
		{2.2, 4, 0, 19.8, 40 * time.Second, 3},
		{4, 4, 0, 13.9, 44 * time.Second, 7.5},
		{7.5, 4, 0, 10.7, 50 * time.Second, 15},
		{11, 4, 0, 10.7, 50 * time.Second, 15},
		{15, 4, 0, 8.8, 58 * time.Second, 25},
		{18.5, 4, 0, 8.8, 58 * time.Second, 25},
	} {
		a, err := duty.AllowedStarts(tc.kW, tc.poles, tc.wk2)
		if err != nil || math.Abs(a.PerHour-tc.perHour) > 1e-9 || a.Rest != tc.rest || a.Row != tc.row {
			t.Errorf("AllowedStarts(%.4g kW, %d poles, %v) = %+v, %v, want %v/h, %v, row %v hp",
				tc.kW, tc.poles, tc.wk2, a, err, tc.perHour, tc.rest, tc.row)
		}
	}
	for _, bad := range []struct {
		kW    float64
		poles int
		wk2   float64
	}{{0, 4, 0}, {math.NaN(), 4, 0}, {hp(251), 4, 0}, {1, 8, 0}, {1, 3, 0}, {1, 0, 0}, {1, 4, -1}, {1, 4, math.Inf(1)}} {
		if a, err := duty.AllowedStarts(bad.kW, bad.poles, bad.wk2); err == nil {
			t.Errorf("AllowedStarts(%v) = %+v, want an error", bad, a)
		}
	}
}

// A larger motor may never be started more often, and never rests less.
func TestAllowedStartsFall(t *testing.T) {
	for _, poles := range []int{2, 4, 6} {
		last := duty.Allowed{PerHour: math.Inf(1)}
		for kW := 0.5; kW < 186; kW += 0.25 {
			a, err := duty.AllowedStarts(kW, poles, 0)
			if err != nil {
				t.Fatalf("%v kW: %v", kW, err)
			}
			if a.PerHour > last.PerHour || a.Rest < last.Rest {
				t.Errorf("%d poles, %v kW: %+v after %+v", poles, kW, a, last)
			}
			last = a
		}
	}
}

// V = 600 L between the levels, pump 4 L/s (equations of MIL-HDBK-1005/9A, 2.5.3.6).
func TestSumpCycle(t *testing.T) {
	for _, tc := range []struct {
		share   float64
		seconds float64
		starts  float64
	}{{0.1, 1666.667, 2.16}, {0.25, 800, 4.5}, {0.5, 600, 6}, {0.75, 800, 4.5}, {0.9, 1666.667, 2.16}} {
		d, ok := duty.Cycle(600, tc.share*4, 4)
		if !ok || math.Abs(d.Seconds()-tc.seconds) > 5e-4 || math.Abs(3600/d.Seconds()-tc.starts) > 1e-6 {
			t.Errorf("q/Q %v: cycle %v, %v, want %v s", tc.share, d, ok, tc.seconds)
		}
	}
	if d, ok := duty.Cycle(300, 150, 50); ok {
		t.Errorf("more inflow than the pump takes: %v", d)
	}
	// the handbook's own: V = 300 gal, D = 150 gpm, Q = 50 gpm gives 9.0 min
	const gal, gpm = 3.785411784, 3.785411784 / 60
	if d, ok := duty.Cycle(300*gal, 50*gpm, 150*gpm); !ok || fmt.Sprintf("%.3f", d.Minutes()) != "9.000" {
		t.Errorf("the handbook's cycle is %v, want 9 min", d)
	}
	for _, tc := range []struct {
		least time.Duration
		pump  float64
		pumps int
		want  float64
	}{
		{4 * time.Minute, 4, 1, 240},                 // 15 starts an hour
		{10 * time.Minute, 500 * gpm, 1, 1250 * gal}, // 6 starts an hour
		{10 * time.Minute, 100 * gpm, 1, 250 * gal},  //
		{10 * time.Minute, 100 * gpm, 2, 125 * gal},  // two that take turns
		{10 * time.Minute, 4, 0, 600},                // none given is one
		{15 * time.Minute, 8, 1, 1800},               // V = t q / 4
	} {
		if got := duty.LeastVolume(tc.least, tc.pump, tc.pumps); math.Abs(got-tc.want) > 1e-9*tc.want {
			t.Errorf("LeastVolume(%v, %v, %d) = %v, want %v", tc.least, tc.pump, tc.pumps, got, tc.want)
		}
	}
	if got := duty.MostStarts(600, 4); got != 6 {
		t.Errorf("MostStarts = %v, want 6", got)
	}
}
