package model

import "math"

// Atmosphere is the pressure of free air, bar absolute.
const Atmosphere = 1.01325

const (
	receiverVolume = 500. // L
	delivery       = 30.  // L/s free air
	cutIn, cutOut  = 6.8, 8.2
	airPerCar      = 5.5 // L/s while in the tunnel
	baseLeak       = 0.6 // L/s at 7 bar
	leakHole       = 8.0
	hoseHole       = 70.0
	motorRunUp     = 3.0   // s from start to load
	unloadedRunOn  = 600.0 // s unloaded until the motor stops
	drainEvery     = 1200. // s loaded between two drainings
	drainFor       = 4.    // s
)

// Receiver is a vessel of compressed air at steady temperature. Its pressure
// follows dp/dt = pa (in - out - leak) / V, where the leak is a choked hole: its
// flow goes with the absolute pressure. (Isothermal balance as in the US DOE's
// Compressed Air Sourcebook, bleed-down test.)
type Receiver struct {
	Volume   float64 // L
	Pressure float64 // bar gauge
}

// Flow is what goes in and out of a receiver, L/s of free air.
type Flow struct {
	In, Out float64
	Hole    float64 // through a hole, at 7 bar gauge
}

const holeAt = 7 + Atmosphere // bar absolute

// Advance moves the pressure on by dt seconds, exactly.
func (r *Receiver) Advance(f Flow, dt float64) {
	p := r.Pressure + Atmosphere
	net := f.In - f.Out
	if f.Hole == 0 {
		p += net * Atmosphere / r.Volume * dt
	} else {
		end := net * holeAt / f.Hole // where leak and net flow meet
		tau := r.Volume * holeAt / (Atmosphere * f.Hole)
		p = end + (p-end)*math.Exp(-dt/tau)
	}
	r.Pressure = max(p-Atmosphere, 0)
}

// Until returns the seconds until the pressure reaches target, +Inf for never.
func (r *Receiver) Until(target float64, f Flow) float64 {
	p, q := r.Pressure+Atmosphere, target+Atmosphere
	net := f.In - f.Out
	var t float64
	if f.Hole == 0 {
		t = (q - p) * r.Volume / (net * Atmosphere)
	} else {
		end := net * holeAt / f.Hole
		tau := r.Volume * holeAt / (Atmosphere * f.Hole)
		t = tau * math.Log((p-end)/(q-end))
	}
	if !(t >= 0) {
		return math.Inf(1)
	}
	return t
}

// air is the compressor with its receiver: load and unload between cut-in and
// cut-out, motor off after a time unloaded, on again at cut-in.
type air struct {
	Receiver
	running, loaded, fault bool
	runUp, unloaded        float64 // s
	sinceDrain             float64 // s loaded
	drain                  float64 // s left
	temperature            float64 // degC, at the discharge
	hours                  float64
	loads, starts          uint64
	delivered              float64 // L of free air
}

func newAir() air {
	return air{
		Receiver: Receiver{Volume: receiverVolume, Pressure: 7.6},
		running:  true, temperature: 30, hours: 18342.6,
	}
}

type airDemand struct {
	use, hole   float64 // L/s
	trip, mains bool
	room        float64
}

func (a *air) tick(d airDemand) {
	a.fault = d.trip
	if d.trip || !d.mains {
		a.running, a.loaded = false, false
	}
	a.control(d, tick)
	if a.running {
		a.hours += tick / 3600
	}
	a.heat(d.room)
	a.condensate()
}

// control plays dt seconds, switching at the very moment a limit is reached.
func (a *air) control(d airDemand, dt float64) {
	for dt > 0 {
		a.decide(d)
		f := Flow{Out: d.use, Hole: d.hole}
		limit := cutIn
		if a.loaded {
			f.In, limit = delivery, cutOut
		}
		step := min(dt, max(a.Until(limit, f), 0))
		if a.running && !a.loaded && a.Pressure <= cutIn {
			step = min(dt, max(a.runUp, 0)) // waits for the motor
		}
		if step == 0 {
			step = min(dt, 1e-6)
		}
		a.Advance(f, step)
		a.pass(f, step)
		dt -= step
	}
}

func (a *air) pass(f Flow, s float64) {
	a.delivered += f.In * s
	a.runUp -= s
	if a.loaded {
		a.sinceDrain += s
		a.unloaded = 0
	} else {
		a.unloaded += s
	}
}

// near is how close to a limit counts as reached, bar.
const near = 1e-9

func (a *air) decide(d airDemand) {
	able := d.mains && !d.trip
	switch {
	case a.loaded && a.Pressure >= cutOut-near:
		a.loaded = false
	case able && !a.running && a.Pressure <= cutIn+near:
		a.running, a.runUp, a.unloaded = true, motorRunUp, 0
		a.starts++
	case a.running && !a.loaded && a.runUp <= near && a.Pressure <= cutIn+near:
		a.loaded = true
		a.loads++
	case a.running && !a.loaded && a.unloaded > unloadedRunOn:
		a.running = false
	}
}

func (a *air) heat(room float64) {
	switch {
	case a.loaded:
		a.temperature = toward(a.temperature, room+74, 180)
	case a.running:
		a.temperature = toward(a.temperature, room+58, 300)
	default:
		a.temperature = toward(a.temperature, room, 1800)
	}
}

func (a *air) condensate() {
	a.drain -= tick
	if a.sinceDrain > drainEvery {
		a.sinceDrain, a.drain = 0, drainFor
	}
}

// holes returns what the upsets let out, L/s at 7 bar.
func holes(u *[upsets]bool) float64 {
	var q float64
	if u[AirLeak] {
		q += leakHole
	}
	if u[HoseOff] {
		q += hoseHole
	}
	return q
}
