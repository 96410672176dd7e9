// Package leak measures how much air leaks from a compressed air system while nothing draws air.
//
// Bleed-down test: with the compressor unloaded or off, the receiver's fall of pressure tells the leak. Load test: the
// share of time the compressor must load tells it. Both are those of the US DOE's Improving Compressed Air System
// Performance: A Sourcebook for Industry, and Compressed Air Tip Sheet #3 (read second-hand). Both are estimates.
//
//	v := leak.Vessel{Volume: 500}
//	v.Mean(8, 7, 10*time.Minute)       // 0.82 L/s of free air
//	v.AtStart(8, 7, 10*time.Minute)    // 0.87 L/s, what leaked at 8 bar
//	leak.Share(90*time.Second, 210*time.Second) // 0.3 of the compressor's delivery
//
// A Tester makes both tests by itself from readings, see there. Pressures are bar gauge unless their name says
// absolute, volumes and flows are litres and litres a second of free air.
//
// Stored air injures: a test by hand is for people who know the plant. The Tester only watches.
package leak

import (
	"fmt"
	"math"
	"time"
)

// Normal is the pressure of free air, bar absolute: 14.7 psi in the sourcebook, 1.01325 exactly (ISO 8778).
// ISO 1217 tells free air at 1 bar.
const Normal = 1.01325

// Choked is the gauge pressure above which a leak's flow goes with the absolute pressure alone: the critical ratio of
// air, 0.528, against 1.013 bar.
const Choked = 0.9

// absoluteZero in degC.
const absoluteZero = -273.15

// Vessel is what empties through the leaks: receiver and the pipes open to it, and how its air is told.
type Vessel struct {
	Volume     float64 // L
	Atmosphere float64 // bar absolute around the site; 0: Normal
	Reference  float64 // bar absolute at which free air is told; 0: Normal
	Degrees    float64 // degC at which free air is told where the air's temperature is known; NaN or 0: 20 (ISO 1217)
	Working    float64 // bar gauge at which leaks are compared; 0: 7
}

// Filled returns the vessel with what is not given put in.
func (v Vessel) Filled() Vessel {
	if v.Atmosphere == 0 {
		v.Atmosphere = Normal
	}
	if v.Reference == 0 {
		v.Reference = Normal
	}
	if v.Degrees == 0 || math.IsNaN(v.Degrees) {
		v.Degrees = 20
	}
	if v.Working == 0 {
		v.Working = 7
	}
	return v
}

// Check says what is wrong with a vessel.
func (v Vessel) Check() error {
	v = v.Filled()
	for _, c := range []struct {
		what, unit string
		v          float64
	}{{"volume", "L", v.Volume}, {"atmosphere", "bar", v.Atmosphere}, {"reference pressure", "bar", v.Reference}} {
		if !(c.v > 0) || math.IsInf(c.v, 0) {
			return fmt.Errorf("%s %g %s is not above 0", c.what, c.v, c.unit)
		}
	}
	if !(v.Working > Choked) || math.IsInf(v.Working, 0) {
		return fmt.Errorf("working pressure %g bar is not above %g bar, where leaks are choked", v.Working, Choked)
	}
	return nil
}

// Mean returns the mean leak while the pressure fell from p1 to p2, at steady temperature: V (p1 - p2) / (T pa), the
// sourcebook's formula without its factor.
func (v Vessel) Mean(p1, p2 float64, in time.Duration) float64 {
	v = v.Filled()
	return v.Volume * (p1 - p2) / (in.Seconds() * v.Reference)
}

// Factor corrects the mean leak to that at the working pressure in the sourcebook. It holds for a fall to about half;
// for a fall of 1.5 bar from 8 it is 14 % too much.
const Factor = 1.25

// Sourcebook returns the leak as the sourcebook has it: Mean times Factor.
func (v Vessel) Sourcebook(p1, p2 float64, in time.Duration) float64 {
	return Factor * v.Mean(p1, p2, in)
}

// AtStart returns the leak at p1, exactly for choked leaks at steady temperature: their flow goes with the absolute
// pressure, so that falls exponentially, and Q1 = V/T (P1abs/pa) ln(P1abs/P2abs). (Derived; not in the sourcebook.)
func (v Vessel) AtStart(p1, p2 float64, in time.Duration) float64 { return v.At(p1, p1, p2, in) }

// At returns the leak at the pressure p by the same law.
func (v Vessel) At(p, p1, p2 float64, in time.Duration) float64 {
	v = v.Filled()
	return v.flow(p, math.Log((p1+v.Atmosphere)/(p2+v.Atmosphere))/in.Seconds())
}

// flow returns the leak at p where so large a share of the air leaks a second.
func (v *Vessel) flow(p, share float64) float64 {
	return v.Volume * (p + v.Atmosphere) / v.Reference * share
}

// Share returns the leak as a share of the compressor's delivery, 0 to 1: T / (T + t) with the times it was loaded and
// not loaded, motor turning or not, while nothing drew air. NaN where there is no time. Several cycles: give sums.
func Share(loaded, unloaded time.Duration) float64 {
	return loaded.Seconds() / (loaded + unloaded).Seconds()
}
