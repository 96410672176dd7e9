package practice

import (
	"math"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/model"
)

// The unit ids.
const (
	controller   = 1
	waterIO      = 5
	powerMeter   = 6
	waterQuality = 7
)

// instrument is one value in a device's registers.
type instrument struct {
	point   string
	unit    uint8
	table   device.Table
	address uint16
	form    form
	noise   float64 // standard deviation in the point's unit
	value   func(*model.State) float64
}

// form makes registers of a value.
type form func(v float64) []uint16

// loop is a 4-20 mA transmitter read in microamperes, driven to NE 43's ends
// of measurement (3.8 and 20.5 mA) and no further.
func loop(low, high float64) form {
	return func(v float64) []uint16 {
		uA := 4000 + 16000*(v-low)/(high-low)
		return []uint16{uint16(math.Round(min(max(uA, 3800), 20500)))}
	}
}

// card is an analogue input that counts 0 to 27648.
func card(low, high float64) form {
	return func(v float64) []uint16 {
		n := 27648 * (v - low) / (high - low)
		return []uint16{uint16(int16(math.Round(min(max(n, -4864), 32511))))}
	}
}

// steps is a 16 bit number of steps.
func steps(size float64) form {
	return func(v float64) []uint16 {
		return []uint16{uint16(int16(math.Round(min(max(v/size, -32768), 32767))))}
	}
}

// long is a counter of 32 bits, low word first where swapped.
func long(size float64, swapped bool) form {
	return func(v float64) []uint16 {
		n := uint32(math.Floor(v/size + 1e-6))
		return words(n, swapped)
	}
}

func float(swapped bool) form {
	return func(v float64) []uint16 { return words(math.Float32bits(float32(v)), swapped) }
}

func words(n uint32, swapped bool) []uint16 {
	high, low := uint16(n>>16), uint16(n)
	if swapped {
		return []uint16{low, high}
	}
	return []uint16{high, low}
}

func quad(size float64) form {
	return func(v float64) []uint16 {
		n := uint64(math.Floor(v/size + 1e-6))
		return append(words(uint32(n>>32), false), words(uint32(n), false)...)
	}
}

func bit(v float64) []uint16 { return []uint16{uint16(v)} }

func truth(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// newBanks declares the registers of all units. Addresses between the points
// exist and hold 0, as in most controllers.
func newBanks() map[uint8]*device.Bank {
	return map[uint8]*device.Bank{
		controller: device.NewBank(
			device.Range{Table: device.Holding, First: 0, Last: 99},
			device.Range{Table: device.Discrete, First: 0, Last: 31}),
		waterIO: device.NewBank(
			device.Range{Table: device.Input, First: 0, Last: 16},
			device.Range{Table: device.Discrete, First: 0, Last: 7}),
		powerMeter:   device.NewBank(device.Range{Table: device.Input, First: 0, Last: 18}),
		waterQuality: device.NewBank(device.Range{Table: device.Holding, First: 0, Last: 7}),
	}
}

func only(all map[uint8]*device.Bank, units ...uint8) map[uint8]*device.Bank {
	some := make(map[uint8]*device.Bank, len(units))
	for _, u := range units {
		some[u] = all[u]
	}
	return some
}

// show writes what the instruments read now into the registers, each unit in one go.
func (p *Plant) show() {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := p.model.State()
	for unit, bank := range p.banks {
		bank.Update(func(r device.Registers) { p.showUnit(r, unit, &s) })
	}
}

// showUnit's errors are left out: a test proves that each address is declared.
func (p *Plant) showUnit(r device.Registers, unit uint8, s *model.State) {
	for _, in := range p.instruments[unit] {
		v := in.value(s)
		if in.noise > 0 {
			v += in.noise * p.noise.NormFloat64()
		}
		registers := in.form(v)
		if p.broken[in.point] {
			registers = []uint16{0} // no current flows
		}
		_ = r.Set(in.table, in.address, registers...)
	}
	table, address := MarkerOf(unit)
	_ = r.Set(table, address, Marker)
}

func byUnit(all []instrument) map[uint8][]instrument {
	out := make(map[uint8][]instrument, 4)
	for _, in := range all {
		out[in.unit] = append(out[in.unit], in)
	}
	return out
}
