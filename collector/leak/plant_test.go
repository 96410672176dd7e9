package leak_test

import (
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/leak"
)

// receiver is a vessel of real air for tests: mass and energy in small steps, nothing of the package's own formulas.
// Air leaks through a nozzle (isentropic choked flow, ISO 9300 for an ideal gas, discharge coefficient 1) and the wall
// takes heat from it.
type receiver struct {
	litres, holeMM float64
	wall           float64 // K
	conductance    float64 // W/K from air to wall; large: the air is always as warm as the wall
	mass, kelvin   float64
}

const (
	gasConstant = 287.05 // J/(kg K), dry air
	kappa       = 1.4
	cv          = gasConstant / (kappa - 1)
)

func newReceiver(litres, bar, holeMM, wall, kelvin, conductance float64) *receiver {
	r := &receiver{litres: litres, holeMM: holeMM, wall: wall, kelvin: kelvin, conductance: conductance}
	r.mass = (bar + leak.Normal) * 1e5 * litres / 1000 / (gasConstant * kelvin)
	return r
}

func (r *receiver) bar() float64 {
	return r.mass*gasConstant*r.kelvin/(r.litres/1000)/1e5 - leak.Normal
}

// out is the mass flow through the hole, kg/s.
func (r *receiver) out(mass, kelvin float64) float64 {
	pascal := mass * gasConstant * kelvin / (r.litres / 1000)
	area := math.Pi / 4 * r.holeMM * r.holeMM * 1e-6
	return area * pascal * math.Sqrt(kappa/(gasConstant*kelvin)) * math.Pow(2/(kappa+1), (kappa+1)/(2*(kappa-1)))
}

// rates: dm/dt = -out; m cv dT/dt = -out R T - G (T - wall).
func (r *receiver) rates(m, k float64) (dm, dk float64) {
	o := r.out(m, k)
	return -o, (-o*gasConstant*k - r.conductance*(k-r.wall)) / (m * cv)
}

// step moves on by s seconds (Runge and Kutta, fourth order).
func (r *receiver) step(s float64) {
	m1, k1 := r.rates(r.mass, r.kelvin)
	m2, k2 := r.rates(r.mass+m1*s/2, r.kelvin+k1*s/2)
	m3, k3 := r.rates(r.mass+m2*s/2, r.kelvin+k2*s/2)
	m4, k4 := r.rates(r.mass+m3*s, r.kelvin+k3*s)
	r.mass += (m1 + 2*m2 + 2*m3 + m4) * s / 6
	r.kelvin += (k1 + 2*k2 + 2*k3 + k4) * s / 6
}

// series looks once a second until the time is over, with the air's temperature or without.
func (r *receiver) series(length time.Duration, celsius bool) []leak.Sample {
	var list []leak.Sample
	for s := range int(length / time.Second) {
		a := leak.Sample{At: begin.Add(time.Duration(s) * time.Second), Pressure: r.bar(), Celsius: math.NaN()}
		if celsius {
			a.Celsius = r.kelvin - 273.15
		}
		list = append(list, a)
		for range 20 {
			r.step(0.05)
		}
	}
	return list
}

var begin = collector.At(time.Date(2026, 11, 24, 20, 0, 0, 0, time.UTC))
