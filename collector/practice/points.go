package practice

import (
	"math"

	"roundsman/collector/modbus/device"
	"roundsman/collector/practice/model"
)

// What the counters stood at before the plant was first looked at.
const (
	carsBefore    = 184_220
	pulsesBefore  = 70_400_000 // conveyor
	reclaimBefore = 131_870    // pulses of 50 L
	freshBefore   = 157_340    // pulses of 10 L
	spotBefore    = 655_120    // pulses of 1 L
)

// instruments is the register map of the plant. Noise is a fraction of each
// instrument's own resolution or of its usual repeatability.
func instruments() []instrument {
	var all []instrument
	for _, part := range [][]instrument{
		airPoints(), oilPoints(), roomPoints(), contacts(), waterLevels(), waterCounters(), waterContacts(), powerPoints(), qualityPoints(),
	} {
		all = append(all, part...)
	}
	return all
}

// register is a holding register of the controller.
func register(point string, address uint16, f form, noise float64, value func(*model.State) float64) instrument {
	return instrument{point, controller, device.Holding, address, f, noise, value}
}

// contact is a discrete input.
func contact(point string, unit uint8, address uint16, on func(*model.State) bool) instrument {
	return instrument{point, unit, device.Discrete, address, bit, 0, func(s *model.State) float64 { return truth(on(s)) }}
}

func airPoints() []instrument {
	return []instrument{
		register("air.header.pressure", 10, loop(0, 16), 0.004, func(s *model.State) float64 { return s.Air.Header }),
		register("air.dryer.outlet.pressure", 11, loop(0, 16), 0.004, func(s *model.State) float64 { return s.Air.AfterDryer }),
		register("air.compressor.temperature", 12, steps(0.1), 0.08, func(s *model.State) float64 { return s.Air.Temperature }),
		register("air.compressor.current", 13, steps(0.01), 0.03, func(s *model.State) float64 { return s.Air.Current }),
		register("air.compressor.hours", 14, long(0.1, true), 0, func(s *model.State) float64 { return s.Air.Hours }),
		register("air.dew.point", 16, steps(0.1), 0.05, func(s *model.State) float64 { return s.Air.DewPoint }),
		contact("air.compressor.running", controller, 0, func(s *model.State) bool { return s.Air.Running }),
		contact("air.compressor.loaded", controller, 1, func(s *model.State) bool { return s.Air.Loaded }),
		contact("air.compressor.fault", controller, 2, func(s *model.State) bool { return s.Air.Fault }),
		contact("air.drain.operated", controller, 3, func(s *model.State) bool { return s.Air.Drain }),
	}
}

func oilPoints() []instrument {
	return []instrument{
		register("hyd.pack.1.pressure", 30, card(0, 160), 0.15, func(s *model.State) float64 { return s.Oil.Pressure[0] }),
		register("hyd.pack.2.pressure", 31, card(0, 160), 0.15, func(s *model.State) float64 { return s.Oil.Pressure[1] }),
		register("hyd.oil.temperature", 32, steps(0.1), 0.05, func(s *model.State) float64 { return s.Oil.Temperature }),
		register("hyd.reservoir.level", 33, loop(0, 100), 0.05, func(s *model.State) float64 { return s.Oil.Level }),
		register("hyd.return.filter.in", 34, card(0, 10), 0.005, func(s *model.State) float64 { return s.Oil.FilterIn }),
		register("hyd.return.filter.out", 35, card(0, 10), 0.005, func(s *model.State) float64 { return s.Oil.FilterOut }),
		contact("hyd.pump.1.running", controller, 8, func(s *model.State) bool { return s.Oil.Pump[0] }),
		contact("hyd.pump.2.running", controller, 9, func(s *model.State) bool { return s.Oil.Pump[1] }),
	}
}

func roomPoints() []instrument {
	return []instrument{
		register("city.pressure", 50, card(0, 10), 0.01, func(s *model.State) float64 { return s.Water.CityPressure }),
		register("arch.pressure", 51, card(0, 120), 0.2, func(s *model.State) float64 { return s.Water.ArchPressure }),
		register("ro.conductivity", 52, steps(0.1), 0.08, func(s *model.State) float64 { return s.Water.Conductivity }),
		register("pit.temperature", 53, steps(0.1), 0.04, func(s *model.State) float64 { return s.Pit }),
		register("site.room.temperature", 54, steps(0.1), 0.04, func(s *model.State) float64 { return s.Room }),
		register("vehicles.count", 60, long(1, true), 0, func(s *model.State) float64 { return carsBefore + float64(s.Traffic.Entered) }),
		register("conveyor.pulses", 62, long(0.1, true), 0, func(s *model.State) float64 {
			return (pulsesBefore + math.Floor(s.Traffic.Metres*10)) / 10
		}),
	}
}

func contacts() []instrument {
	return []instrument{
		contact("conveyor.running", controller, 16, func(s *model.State) bool { return s.Traffic.Conveyor }),
		contact("wash.open", controller, 17, func(s *model.State) bool { return s.Traffic.Open }),
		contact("mains.good", controller, 18, func(s *model.State) bool { return s.Mains }),
		contact("emergency.stop.healthy", controller, 19, func(*model.State) bool { return true }),
		contact("arch.pump.running", controller, 20, func(s *model.State) bool { return s.Water.Arch }),
		contact("ro.pump.running", controller, 21, func(s *model.State) bool { return s.Water.RO }),
		contact("fresh.fill.open", controller, 22, func(s *model.State) bool { return s.Water.Fill }),
		contact("weep.on", controller, 23, func(s *model.State) bool { return s.Water.Weep }),
		contact("maintenance.key", controller, 24, func(*model.State) bool { return false }),
	}
}

func waterLevels() []instrument {
	level := func(point string, address uint16, high, noise float64, value func(*model.State) float64) instrument {
		return instrument{point, waterIO, device.Input, address, loop(0, high), noise, value}
	}
	return []instrument{
		level("pit.1.level", 0, 2.4, 0.001, func(s *model.State) float64 { return s.Water.Pit[0] }),
		level("pit.2.level", 1, 2.4, 0.001, func(s *model.State) float64 { return s.Water.Pit[1] }),
		level("pit.3.level", 2, 2.4, 0.001, func(s *model.State) float64 { return s.Water.Pit[2] }),
		level("reclaim.filter.in", 3, 6, 0.003, func(s *model.State) float64 { return s.Water.FilterIn }),
		level("reclaim.filter.out", 4, 6, 0.003, func(s *model.State) float64 { return s.Water.FilterOut }),
		level("reclaim.tank.level", 5, 100, 0.05, func(s *model.State) float64 { return s.Water.Reclaim }),
	}
}

func waterCounters() []instrument {
	meter := func(point string, address uint16, before, litres float64, value func(*model.State) float64) instrument {
		return instrument{point, waterIO, device.Input, address, long(1, false), 0, func(s *model.State) float64 {
			return before + math.Floor(value(s)/litres)
		}}
	}
	return []instrument{
		meter("reclaim.meter.pulses", 10, reclaimBefore, 50, func(s *model.State) float64 { return s.Water.Ledger.Supplied }),
		meter("fresh.meter.pulses", 12, freshBefore, 10, func(s *model.State) float64 { return s.Water.Ledger.City }),
		meter("ro.meter.pulses", 14, spotBefore, 1, func(s *model.State) float64 { return s.Water.Ledger.Permeate }),
	}
}

func waterContacts() []instrument {
	return []instrument{
		contact("reclaim.lift.1.running", waterIO, 0, func(s *model.State) bool { return s.Water.Lift[0] }),
		contact("reclaim.lift.2.running", waterIO, 1, func(s *model.State) bool { return s.Water.Lift[1] }),
		contact("reclaim.supply.1.running", waterIO, 2, func(s *model.State) bool { return s.Water.Supply[0] }),
		contact("reclaim.supply.2.running", waterIO, 3, func(s *model.State) bool { return s.Water.Supply[1] }),
		contact("backwash.running", waterIO, 4, func(s *model.State) bool { return s.Water.Backwash }),
		contact("sump.running", waterIO, 5, func(s *model.State) bool { return s.Water.SumpPump }),
		contact("pit.3.high.float", waterIO, 6, func(s *model.State) bool { return s.Water.HighFloat }),
		contact("reclaim.sanitizer.healthy", waterIO, 7, func(s *model.State) bool { return s.Water.Sanitizer }),
	}
}

func powerPoints() []instrument {
	meter := func(point string, address uint16, noise float64, value func(*model.State) float64) instrument {
		return instrument{point, powerMeter, device.Input, address, float(false), noise, value}
	}
	phase := func(i int, of func(*model.State) [3]float64) func(*model.State) float64 {
		return func(s *model.State) float64 { return of(s)[i] }
	}
	voltage := func(s *model.State) [3]float64 { return s.Power.Voltage }
	current := func(s *model.State) [3]float64 { return s.Power.Current }
	return []instrument{
		meter("power.voltage.l1", 0, 0.08, phase(0, voltage)),
		meter("power.voltage.l2", 2, 0.08, phase(1, voltage)),
		meter("power.voltage.l3", 4, 0.08, phase(2, voltage)),
		meter("power.current.l1", 6, 0.05, phase(0, current)),
		meter("power.current.l2", 8, 0.05, phase(1, current)),
		meter("power.current.l3", 10, 0.05, phase(2, current)),
		meter("power.total", 12, 0.02, func(s *model.State) float64 { return s.Power.Total }),
		{"energy.total", powerMeter, device.Input, 14, quad(0.001), 0, func(s *model.State) float64 { return s.Power.Energy }},
	}
}

func qualityPoints() []instrument {
	probe := func(point string, address uint16, noise float64, value func(*model.State) float64) instrument {
		return instrument{point, waterQuality, device.Holding, address, float(true), noise, value}
	}
	return []instrument{
		probe("reclaim.turbidity", 0, 0.3, func(s *model.State) float64 { return s.Water.Turbidity }),
		probe("reclaim.orp", 2, 1, func(s *model.State) float64 { return s.Water.ORP }),
		{"reclaim.turbidity.wiper.fault", waterQuality, device.Holding, 6, bit, 0, func(*model.State) float64 { return 0 }},
	}
}
