package practice

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"roundsman/collector/modbus/device"
)

// entry is one line of the site's register list, as a commissioning sheet has it.
type entry struct {
	point   string
	unit    uint8
	table   device.Table
	address uint16
	decode  func([]byte) float64 // from the registers, high byte first
	words   int
	within  float64 // noise and resolution
}

func i16(scale float64) func([]byte) float64 {
	return func(b []byte) float64 { return float64(int16(binary.BigEndian.Uint16(b))) * scale }
}
func u16(scale float64) func([]byte) float64 {
	return func(b []byte) float64 { return float64(binary.BigEndian.Uint16(b)) * scale }
}
func milliamps(high float64) func([]byte) float64 {
	return func(b []byte) float64 { return (float64(binary.BigEndian.Uint16(b))/1000 - 4) / 16 * high }
}
func counts(high float64) func([]byte) float64 { return i16(high / 27648) }
func cdab(b []byte) []byte                     { return []byte{b[2], b[3], b[0], b[1]} }
func u32(scale float64, order func([]byte) []byte) func([]byte) float64 {
	return func(b []byte) float64 {
		if order != nil {
			b = order(b)
		}
		return float64(binary.BigEndian.Uint32(b)) * scale
	}
}
func f32(order func([]byte) []byte) func([]byte) float64 {
	return func(b []byte) float64 {
		if order != nil {
			b = order(b)
		}
		return float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
	}
}
func u64(scale float64) func([]byte) float64 {
	return func(b []byte) float64 { return float64(binary.BigEndian.Uint64(b)) * scale }
}

// sheet is the register list of the demo site, written down by hand.
func sheet() []entry {
	h, i, d := device.Holding, device.Input, device.Discrete
	list := []entry{
		{"air.header.pressure", 1, h, 10, milliamps(16), 1, 0.025},
		{"air.dryer.outlet.pressure", 1, h, 11, milliamps(16), 1, 0.025},
		{"air.compressor.temperature", 1, h, 12, i16(0.1), 1, 0.5},
		{"air.compressor.current", 1, h, 13, u16(0.01), 1, 0.2},
		{"air.compressor.hours", 1, h, 14, u32(0.1, cdab), 2, 0.1},
		{"air.dew.point", 1, h, 16, i16(0.1), 1, 0.4},
		{"hyd.pack.1.pressure", 1, h, 30, counts(160), 1, 0.8},
		{"hyd.pack.2.pressure", 1, h, 31, counts(160), 1, 0.8},
		{"hyd.oil.temperature", 1, h, 32, i16(0.1), 1, 0.4},
		{"hyd.reservoir.level", 1, h, 33, milliamps(100), 1, 0.3},
		{"hyd.return.filter.in", 1, h, 34, counts(10), 1, 0.03},
		{"hyd.return.filter.out", 1, h, 35, counts(10), 1, 0.03},
		{"city.pressure", 1, h, 50, counts(10), 1, 0.06},
		{"arch.pressure", 1, h, 51, counts(120), 1, 1.2},
		{"ro.conductivity", 1, h, 52, i16(0.1), 1, 0.5},
		{"pit.temperature", 1, h, 53, i16(0.1), 1, 0.3},
		{"site.room.temperature", 1, h, 54, i16(0.1), 1, 0.3},
		{"vehicles.count", 1, h, 60, u32(1, cdab), 2, 0},
		{"conveyor.pulses", 1, h, 62, u32(0.1, cdab), 2, 1e-6},
		{"pit.1.level", 5, i, 0, milliamps(2.4), 1, 0.006},
		{"pit.2.level", 5, i, 1, milliamps(2.4), 1, 0.006},
		{"pit.3.level", 5, i, 2, milliamps(2.4), 1, 0.006},
		{"reclaim.filter.in", 5, i, 3, milliamps(6), 1, 0.02},
		{"reclaim.filter.out", 5, i, 4, milliamps(6), 1, 0.02},
		{"reclaim.tank.level", 5, i, 5, milliamps(100), 1, 0.3},
		{"reclaim.meter.pulses", 5, i, 10, u32(1, nil), 2, 0},
		{"fresh.meter.pulses", 5, i, 12, u32(1, nil), 2, 0},
		{"ro.meter.pulses", 5, i, 14, u32(1, nil), 2, 0},
		{"power.voltage.l1", 6, i, 0, f32(nil), 2, 0.5},
		{"power.voltage.l2", 6, i, 2, f32(nil), 2, 0.5},
		{"power.voltage.l3", 6, i, 4, f32(nil), 2, 0.5},
		{"power.current.l1", 6, i, 6, f32(nil), 2, 0.3},
		{"power.current.l2", 6, i, 8, f32(nil), 2, 0.3},
		{"power.current.l3", 6, i, 10, f32(nil), 2, 0.3},
		{"power.total", 6, i, 12, f32(nil), 2, 0.15},
		{"energy.total", 6, i, 14, u64(0.001), 4, 0.002},
		{"reclaim.turbidity", 7, h, 0, f32(cdab), 2, 1.8},
		{"reclaim.orp", 7, h, 2, f32(cdab), 2, 6},
		{"reclaim.turbidity.wiper.fault", 7, h, 6, u16(1), 1, 0},
	}
	bits := map[uint8]map[uint16]string{
		1: {0: "air.compressor.running", 1: "air.compressor.loaded", 2: "air.compressor.fault", 3: "air.drain.operated",
			8: "hyd.pump.1.running", 9: "hyd.pump.2.running", 16: "conveyor.running", 17: "wash.open", 18: "mains.good",
			19: "emergency.stop.healthy", 20: "arch.pump.running", 21: "ro.pump.running", 22: "fresh.fill.open", 23: "weep.on", 24: "maintenance.key"},
		5: {0: "reclaim.lift.1.running", 1: "reclaim.lift.2.running", 2: "reclaim.supply.1.running", 3: "reclaim.supply.2.running",
			4: "backwash.running", 5: "sump.running", 6: "pit.3.high.float", 7: "reclaim.sanitizer.healthy"},
	}
	for unit, names := range bits {
		for address, name := range names {
			list = append(list, entry{name, unit, d, address, u16(1), 1, 0})
		}
	}
	return list
}

func plant(t *testing.T, o Options) *Plant {
	t.Helper()
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return p
}

// Every register of the list decodes to the model's truth, all through a busy hour.
func TestRegistersTellTheTruth(t *testing.T) {
	p := plant(t, Options{Seed: 1, Speed: 60})
	list := sheet()
	if have := len(instruments()); have != len(list) {
		t.Errorf("the plant has %d points, the list %d", have, len(list))
	}
	for range 60 {
		p.advance(time.Second)
		want := p.Truth()
		for _, e := range list {
			words, err := p.banks[e.unit].Get(e.table, e.address, e.words)
			if err != nil {
				t.Fatalf("%s: %v", e.point, err)
			}
			var raw []byte
			for _, w := range words {
				raw = binary.BigEndian.AppendUint16(raw, w)
			}
			w, known := want[e.point]
			if got := e.decode(raw); !known || math.Abs(got-w) > e.within+1e-9 {
				t.Errorf("%s: unit %d %v %d reads % X = %g, truth %g (known %v), within %g",
					e.point, e.unit, e.table, e.address, raw, got, w, known, e.within)
			}
		}
		if t.Failed() {
			return
		}
	}
	s := p.State()
	if s.Traffic.Entered < 40 {
		t.Errorf("%d cars in the demo's first hour, want a busy one", s.Traffic.Entered)
	}
}

func TestNoiseIsThereAndSmall(t *testing.T) {
	p := plant(t, Options{Seed: 1})
	seen := map[uint16]bool{}
	for range 50 {
		p.show()
		w, err := p.banks[waterIO].Get(device.Input, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		seen[w[0]] = true
	}
	if len(seen) < 5 || len(seen) > 40 {
		t.Errorf("pit 1 reads %d different values while nothing moves, want the noise of an instrument", len(seen))
	}
}

func TestRegistersDoNotOverlap(t *testing.T) {
	type place struct {
		unit    uint8
		table   device.Table
		address uint16
	}
	taken := map[place]string{}
	claim := func(point string, at place, words int) {
		for i := range words {
			here := at
			here.address += uint16(i)
			if other := taken[here]; other != "" {
				t.Errorf("%s and %s share unit %d %v %d", point, other, here.unit, here.table, here.address)
			}
			taken[here] = point
		}
	}
	banks := newBanks()
	for _, in := range instruments() {
		n := len(in.form(0))
		claim(in.point, place{in.unit, in.table, in.address}, n)
		if _, err := banks[in.unit].Get(in.table, in.address, n); err != nil {
			t.Errorf("%s: %v", in.point, err)
		}
	}
	for unit := range banks {
		table, address := MarkerOf(unit)
		claim("marker", place{unit, table, address}, 1)
		if _, err := banks[unit].Get(table, address, 1); err != nil {
			t.Errorf("marker of unit %d: %v", unit, err)
		}
	}
}

// Ends of measurement of a 4-20 mA transmitter are 3.8 and 20.5 mA (NAMUR NE 43).
func TestLoopSaturates(t *testing.T) {
	f := loop(0, 16)
	for v, want := range map[float64]uint16{0: 4000, 8: 12000, 16: 20000, -5: 3800, 40: 20500} {
		if got := f(v)[0]; got != want {
			t.Errorf("%g bar: %d uA, want %d", v, got, want)
		}
	}
}
