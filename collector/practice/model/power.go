package model

const (
	phaseVoltage = 231.4 // V to neutral, no load
	sag          = 0.018 // V an ampere
	powerFactor  = 0.86
)

// skew is each phase's share of the voltage and of single-phase load.
var (
	voltageSkew = [3]float64{1.002, 1.000, 0.997}
	lightShare  = [3]float64{0.42, 0.33, 0.25}
)

// loads are the electric loads, kW: three-phase motors, and single-phase lights and controls.
type loads struct{ motors, lights float64 }

// power is the site's meter.
type power struct {
	voltage, current [3]float64 // V, A
	total            float64    // kW
	energy           float64    // kWh
	blowers          bool
	compressor       float64 // A
}

func newPower() power { return power{energy: 412_338.7} }

// loads adds up what runs.
func (m *Model) loads() loads {
	l := loads{lights: 2.2}
	if m.traffic.open {
		l.lights = 4.0
	}
	add := func(on bool, kW float64) {
		if on {
			l.motors += kW
		}
	}
	add(m.air.running && m.air.loaded, 11.4)
	add(m.air.running && !m.air.loaded, 4.3)
	for i := range 2 {
		add(m.oil.pump[i], 6.5+0.06*m.oil.pressure[i])
		add(m.water.lift.on[i], 1.9)
		add(m.water.supply.on[i], 6.2)
	}
	add(m.water.arch, 3.5+0.16*m.water.archPressure)
	add(m.water.sumpPump, 0.9)
	add(m.water.roPump, 1.3)
	add(m.water.backwash > 0, 3.5)
	m.power.blowers = m.traffic.between(68, 91)
	add(m.power.blowers, 21)
	m.power.compressor = compressorCurrent(&m.air)
	return l
}

func compressorCurrent(a *air) float64 {
	switch {
	case a.running && a.loaded:
		return 18.6 + 0.18*a.Pressure
	case a.running:
		return 8.1
	}
	return 0
}

func (p *power) tick(l loads, mains bool) {
	p.total = 0
	for i := range 3 {
		if !mains {
			p.voltage[i], p.current[i] = 0, 0
			continue
		}
		u := phaseVoltage*voltageSkew[i] - sag*p.current[i]
		kW := l.motors/3 + l.lights*lightShare[i]
		p.voltage[i] = u
		p.current[i] = toward(p.current[i], kW*1000/(u*powerFactor), 0.4)
		p.total += u * p.current[i] * powerFactor / 1000
	}
	p.energy += p.total * tick / 3600
}
