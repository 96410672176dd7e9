package model

import "math"

const (
	oilHeat      = 250. // kJ/K, oil and tank
	pumpLoss     = 3.2  // kW into the oil, a running pump
	tankCooling  = 0.06 // kW/K
	fanCooling   = 0.16 // kW/K
	fanOn        = 54.  // degC
	fanOff       = 49.
	lagOn        = 4 // cars in the tunnel that need the second pump
	lagOff       = 2
	packPressure = 88. // bar, no load
	loadPressure = 2.5 // bar a car
)

// oil is the hydraulic power pack: a lead pump for conveyor and brushes, a lag
// pump when many cars are in, one reservoir with cooler and return filter.
type oil struct {
	pump        [2]bool
	pressure    [2]float64 // bar
	temperature float64    // degC
	fan         bool
	fouling     float64 // of the return filter, 0 new
	starts      [2]uint64
}

func newOil(room float64) oil { return oil{temperature: room, fouling: 0.25} }

func (o *oil) tick(running bool, cars int, room float64) {
	lag := running && (cars >= lagOn || o.pump[1] && cars > lagOff)
	for i, on := range [2]bool{running, lag} {
		if on && !o.pump[i] {
			o.starts[i]++
		}
		o.pump[i] = on
		o.pressure[i] = toward(o.pressure[i], o.target(i, cars), 0.8)
	}
	o.heat(room)
}

func (o *oil) target(i, cars int) float64 {
	if !o.pump[i] {
		return 0
	}
	shared := float64(cars)
	if o.pump[1] {
		shared /= 2
	}
	return packPressure - loadPressure*shared - 0.12*max(o.temperature-50, 0)
}

func (o *oil) heat(room float64) {
	o.fan = o.temperature > fanOn || o.fan && o.temperature > fanOff
	cooling := tankCooling
	if o.fan {
		cooling += fanCooling
	}
	gain := 0.0
	for _, on := range o.pump {
		if on {
			gain += pumpLoss
			o.fouling += tick * 2e-8
		}
	}
	o.temperature += (gain - cooling*(o.temperature-room)) / oilHeat * tick
}

// level is the reservoir's, %: oil expands by 0.07 % a kelvin.
func (o *oil) level() float64 { return 82 + 82*0.0007*(o.temperature-40) }

// filter returns the pressures before and behind the return filter, bar. The
// difference goes with viscosity, which halves about every 18 K.
func (o *oil) filter() (in, out float64) {
	flow := 0.0
	for _, on := range o.pump {
		if on {
			flow++
		}
	}
	out = 0.6 * flow
	return out + flow*0.3*(1+o.fouling)*math.Exp2((45-o.temperature)/18), out
}
