package model

import (
	"math"
	"testing"
)

func close2(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: got %.6g, want %.6g within %g", what, got, want, within)
	}
}

// Closed forms of t = V (p2 - p1) / (pa Q), the relation behind the bleed-down
// test of the US DOE's Compressed Air Sourcebook.
func TestReceiverClosedForms(t *testing.T) {
	tests := []struct {
		name     string
		r        Receiver
		f        Flow
		to, want float64
		within   float64
	}{
		{"fill from empty to cut-out", Receiver{500, 0}, Flow{In: 30}, 8.2, 134.88, 0.01},
		{"1.5 bar at 1 L/s", Receiver{500, 8.2}, Flow{Out: 1}, 6.7, 740.19, 0.01},
		{"loading at 12 L/s use", Receiver{500, 6.8}, Flow{In: 30, Out: 12}, 8.2, 38.3804, 1e-4},
		{"unloading at 12 L/s use", Receiver{500, 8.2}, Flow{Out: 12}, 6.8, 57.5705, 1e-4},
		{"an event: 759.9 L, 50 L/s, 8 to 6 bar", Receiver{759.9, 8}, Flow{Out: 50}, 6, 30, 0.01},
		{"80 gal, 100 to 150 psi, 24 cfm", Receiver{302.8329, 6.894757}, Flow{In: 24 * 0.4719474}, 10.342136, 90.95, 0.1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := tt.r.Until(tt.to, tt.f)
			close2(t, "time", got, tt.want, tt.within)
			r := tt.r
			for range 1000 {
				r.Advance(tt.f, got/1000)
			}
			close2(t, "pressure then", r.Pressure, tt.to, 1e-9)
		})
	}
}

// The leak at P1 found from a bleed-down by the choked closed form
// Q1 = V/T (P1abs/pa) ln(P1abs/P2abs) is the leak that was put in.
func TestChokedLeak(t *testing.T) {
	for _, hole := range []float64{0.6, 8, 70} {
		r := Receiver{500, 8}
		seconds := r.Until(6.5, Flow{Hole: hole})
		p1, p2 := 8+Atmosphere, 6.5+Atmosphere
		found := 500 / seconds * p1 / Atmosphere * math.Log(p1/p2)
		r.Advance(Flow{Hole: hole}, seconds)
		close2(t, "pressure after that time, in one step", r.Pressure, 6.5, 1e-9)
		close2(t, "leak at 8 bar", found, hole*p1/(7+Atmosphere), 1e-9*hole)
		mean := 500 * 1.5 / (Atmosphere * seconds)
		close2(t, "ratio to the mean, 8.0 to 6.5 bar", found/mean, 1.0938, 5e-5)
	}
}

func TestUntilNever(t *testing.T) {
	r := Receiver{500, 7}
	for name, f := range map[string]Flow{
		"no flow": {}, "falling": {Out: 5}, "leak outweighs": {In: 8, Hole: 10},
	} {
		if got := r.Until(8.2, f); !math.IsInf(got, 1) {
			t.Errorf("%s: reaches 8.2 bar after %g s, want never", name, got)
		}
	}
}

// 500 L between 6.8 and 8.2 bar, 30 L/s, 12 L/s use: loaded 38.38 s, unloaded
// 57.57 s, 37.52 cycles an hour, and the motor never stops.
func TestLoadCycles(t *testing.T) {
	a := newAir()
	var loaded, ticks int
	d := airDemand{use: 12, mains: true, room: 16}
	for a.loads == 0 {
		a.tick(d)
	}
	first := a.loads
	for a.loads < first+50 {
		a.tick(d)
		ticks++
		if a.loaded {
			loaded++
		}
	}
	cycle := float64(ticks) * tick / 50
	close2(t, "cycle", cycle, 95.951, 0.01)
	close2(t, "cycles an hour", 3600/cycle, 37.52, 0.01)
	close2(t, "loaded", float64(loaded)*tick/50, 38.38, 0.1) // seen at whole ticks only
	close2(t, "air delivered is air used", a.delivered/(float64(ticks)*tick), 12, 0.3)
	if a.starts != 0 || !a.running {
		t.Errorf("motor: %d starts, running %v: load cycles are not motor starts", a.starts, a.running)
	}
}

func TestMotorStopsAtNight(t *testing.T) {
	a := newAir()
	for range 12 * 36000 {
		a.tick(airDemand{hole: baseLeak, mains: true, room: 12})
		if a.Pressure < cutIn-0.05 || a.Pressure > cutOut+1e-6 {
			t.Fatalf("header at %.3f bar, outside cut-in and cut-out", a.Pressure)
		}
	}
	if rate := float64(a.starts) / 12; rate < 2 || rate > 4 {
		t.Errorf("%g motor starts an hour with the base leak, want 2 to 4", rate)
	}
	if a.loads != a.starts {
		t.Errorf("%d loads, %d starts: want one load a start", a.loads, a.starts)
	}
}

func TestFlatOutCannotHoldAHose(t *testing.T) {
	a := newAir()
	for range 600 {
		a.tick(airDemand{use: 12, hole: baseLeak + hoseHole, mains: true, room: 16})
	}
	if !a.loaded || a.Pressure > 4.8 {
		t.Errorf("a minute after a hose came off: loaded %v, %.2f bar", a.loaded, a.Pressure)
	}
}
