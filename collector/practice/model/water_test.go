package model

import (
	"math"
	"testing"
)

// h/D against V/Vt of the lying cylinder, by closed form and by numerical integration elsewhere.
func TestLyingTank(t *testing.T) {
	total := lyingVolume(tankDiameter)
	close2(t, "total, L", total, 10687.698, 0.001)
	for share, want := range map[float64]float64{
		0.01: 0.001693, 0.05: 0.018693, 0.15: 0.094060, 0.30: 0.252316, 0.50: 0.5, 0.66: 0.700186, 0.90: 0.947956, 0.99: 0.998307,
	} {
		v := lyingVolume(share * tankDiameter)
		close2(t, "share of volume", v/total, want, 5e-7)
		for _, guess := range []float64{0, 0.9, 1.8, share * tankDiameter} {
			close2(t, "level back from volume", lyingLevel(v, guess), share*tankDiameter, 1e-7)
		}
	}
}

func TestPumpMeetsFilter(t *testing.T) {
	for _, k := range []float64{0, 0.01, 0.2, 3} {
		q := meet(liftFlow, k)
		close2(t, "q against its curve", q, liftFlow*math.Sqrt(1-k*q), 1e-9)
	}
}

// Cycle time of a sump: V/q + V/(Q - q) (US Army Corps of Engineers EI 11C201,
// clause 7; MIL-HDBK-1005/9A, 2.5.3.6).
func TestSumpCycle(t *testing.T) {
	const active = 1000 * sumpArea * (sumpStart - sumpStop)
	for _, share := range []float64{0.1, 0.25, 0.5, 0.75, 0.9} {
		w, q := newWater(), share*sumpFlow
		var first, last, ticks uint64
		const cycles = 20
		for w.sumpStarts < cycles+1 {
			w.sump += q * tick
			w.control(demand{mains: true})
			w.drain()
			ticks++
			if w.sumpStarts == 1 && first == 0 {
				first = ticks
			}
			last = ticks
		}
		want := active/q + active/(sumpFlow-q)
		close2(t, "cycle, s", float64(last-first)*tick/cycles, want, 2*tick*max(1/share, 1/(1-share)))
	}
}

func TestPairAlternates(t *testing.T) {
	var p pair
	for range 10 {
		p.control(1.4, true, false)
		if p.running() != 1 {
			t.Fatalf("above the start float %d pumps run, want 1", p.running())
		}
		p.control(1.7, true, false)
		if p.running() != 2 {
			t.Fatalf("above the lag float %d pumps run, want 2", p.running())
		}
		p.control(1.25, true, false)
		if p.running() != 2 {
			t.Fatalf("between the floats %d pumps run, want 2 still", p.running())
		}
		p.control(1.2, true, false)
		if p.any() {
			t.Fatal("below the stop float a pump runs")
		}
	}
	if p.starts != [2]uint64{10, 10} {
		t.Errorf("starts %v, want 10 each", p.starts)
	}
	for range 9 {
		p.control(1.4, true, false)
		p.control(1.2, true, false)
	}
	if p.starts != [2]uint64{15, 14} {
		t.Errorf("starts %v, want the lead changed at each start", p.starts)
	}
}
