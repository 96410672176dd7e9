package model

const (
	soiled      = 310.  // FNU, water from the floor after the grit has fallen
	bedPasses   = 0.6   // share of the turbidity that passes a clean filter
	settlesIn   = 21600 // s, time constant in the reclaim tank
	pitSettles  = 5400  // s, in the pits
	clearest    = 6.    // FNU: what never settles
	sanitized   = 705.  // mV, with ozone on and no cars
	exhausted   = -120. // mV, long without
	freshRO     = 11.   // uS/cm
	standingRO  = 19.
	drumPerCar  = 0.09 // kg of detergent
	waxPerCar   = 0.05
	soakPerCar  = 0.07
	batteryFull = 3.62 // V
)

// quality is what the water is like, and what the drums hold.
type quality struct {
	pitTurbidity, turbidity float64 // FNU
	orp                     float64 // mV
	conductivity            float64 // uS/cm
	sanitizer               bool
	detergent, wax, presoak float64 // kg
	freshBattery, roBattery float64 // V
	bubbles                 float64 // FNU that air in the water feigns
	wasBackwash             bool
}

func newQuality() quality {
	return quality{
		pitTurbidity: 110, turbidity: 34, orp: 690, conductivity: 12, sanitizer: true,
		detergent: 171.4, wax: 92.8, presoak: 118.2, freshBattery: batteryFull, roBattery: batteryFull - 0.03,
	}
}

func (q *quality) tick(w *water, cars int, mains bool) {
	q.settle(w, cars)
	q.sanitizer = mains
	target, tau := sanitized-9*float64(cars), 1200.
	if !q.sanitizer {
		target, tau = exhausted, 14400
	}
	q.orp = toward(q.orp, target, tau)
	if w.roPump {
		q.conductivity = toward(q.conductivity, freshRO, 90)
	} else {
		q.conductivity = toward(q.conductivity, standingRO, 7200)
	}
	share := float64(cars) / washTicks
	q.detergent = max(q.detergent-share*drumPerCar, 0)
	q.wax = max(q.wax-share*waxPerCar, 0)
	q.presoak = max(q.presoak-share*soakPerCar, 0)
	q.freshBattery -= tick * 3e-9
	q.roBattery -= tick * 3e-9
}

// settle mixes what comes in with what is there and lets it fall: in the pits
// with each car, in the tank with each litre lifted through the filter.
func (q *quality) settle(w *water, cars int) {
	in := float64(cars) * returned * (reclaimPerCar + rinsePerCar + spotPerCar) / washTicks // L this tick
	pits := w.pit[0] + w.pit[1] + w.pit[2]
	q.pitTurbidity += (soiled - q.pitTurbidity) * in / max(pits, 500)
	q.pitTurbidity = toward(q.pitTurbidity, clearest, pitSettles)

	lifted := w.filterFlow * tick
	q.turbidity += (q.pitTurbidity*bedPasses - q.turbidity) * lifted / max(w.reclaim, 500)
	q.turbidity = toward(q.turbidity, clearest, settlesIn)

	washing := w.backwash > 0
	if q.wasBackwash && !washing {
		q.bubbles = 40 // air and loosened bed after a backwash
	}
	q.bubbles = toward(q.bubbles, 0, 45)
	q.wasBackwash = washing
}
