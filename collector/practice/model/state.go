package model

import "time"

// State is the plant at one moment, as no instrument can see it: exact.
type State struct {
	Time    time.Time
	Traffic Traffic
	Air     Air
	Oil     Oil
	Water   Water
	Power   Power
	Room    float64 // degC
	Pit     float64 // degC
	Mains   bool
}

// Traffic is the cars and the conveyor.
type Traffic struct {
	Arrived, Entered, Left uint64
	Queue, InTunnel        int
	Open, Conveyor         bool
	Metres                 float64 // of conveyor travel
}

// Air is the compressed air.
type Air struct {
	Header, AfterDryer     float64 // bar
	Temperature, DewPoint  float64 // degC
	Current                float64 // A
	Hours                  float64
	Running, Loaded, Fault bool
	Drain                  bool
	Loads, Starts          uint64
	Delivered              float64 // L of free air since the start
}

// Oil is the hydraulic power pack.
type Oil struct {
	Pressure            [2]float64 // bar
	Pump                [2]bool
	Temperature         float64 // degC
	Level               float64 // %
	FilterIn, FilterOut float64 // bar
	Starts              [2]uint64
}

// Water is all tanks, pumps and qualities.
type Water struct {
	Pit                        [3]float64 // m
	HighFloat                  bool
	Sump                       float64 // m
	Reclaim                    float64 // % of height
	Fresh, Spot                float64 // m
	Stored                     float64 // L, all together
	Lift, Supply               [2]bool
	LiftStarts, SupplyStarts   [2]uint64
	Backwash, SumpPump, RO     bool
	SumpStarts                 uint64
	Arch                       bool
	ArchPressure, CityPressure float64 // bar
	Fill, TopUp, Weep          bool
	FilterIn, FilterOut        float64 // bar
	Turbidity                  float64 // FNU
	ORP                        float64 // mV
	Conductivity               float64 // uS/cm
	Sanitizer                  bool
	Detergent, Wax, Presoak    float64 // kg
	FreshBattery, SpotBattery  float64 // V
	Ledger                     Ledger
}

// Power is the site's electricity meter.
type Power struct {
	Voltage, Current [3]float64 // V to neutral, A
	Total            float64    // kW
	Energy           float64    // kWh
}

// State returns the plant as it is.
func (m *Model) State() State {
	t := &m.traffic
	return State{
		Time: m.now,
		Traffic: Traffic{
			Arrived: t.arrived, Entered: t.entered, Left: t.left, Queue: t.queue, InTunnel: len(t.tunnel),
			Open: t.open, Conveyor: t.running, Metres: t.metres,
		},
		Air: m.airState(), Oil: m.oilState(), Water: m.waterState(),
		Power: Power{Voltage: m.power.voltage, Current: m.power.current, Total: m.power.total, Energy: m.power.energy},
		Room:  m.room, Pit: m.pit, Mains: !m.upset[MainsLost],
	}
}

func (m *Model) airState() Air {
	a := &m.air
	flow := airPerCar * float64(m.traffic.washing(!m.upset[MainsLost]))
	return Air{
		Header: a.Pressure, AfterDryer: max(a.Pressure-0.08-0.008*flow, 0),
		Temperature: a.temperature, DewPoint: 4 + 0.05*(m.room-16),
		Current: m.power.compressor, Hours: a.hours,
		Running: a.running, Loaded: a.loaded, Fault: a.fault, Drain: a.drain > 0,
		Loads: a.loads, Starts: a.starts, Delivered: a.delivered,
	}
}

func (m *Model) oilState() Oil {
	o := &m.oil
	in, out := o.filter()
	return Oil{
		Pressure: o.pressure, Pump: o.pump, Temperature: o.temperature, Level: o.level(),
		FilterIn: in, FilterOut: out, Starts: o.starts,
	}
}

// tankHead is what the reclaim tank's inlet pipe holds against the lift pumps, bar.
const tankHead = 0.6

func (m *Model) waterState() Water {
	w, q := &m.water, &m.quality
	s := Water{
		HighFloat: w.high, Sump: w.sump / (1000 * sumpArea), Reclaim: 100 * w.reclaimLevel / tankDiameter,
		Fresh: w.fresh / (1000 * freshArea), Spot: w.spot / (1000 * spotArea), Stored: w.stored(),
		Lift: w.lift.on, Supply: w.supply.on, LiftStarts: w.lift.starts, SupplyStarts: w.supply.starts,
		Backwash: w.backwash > 0, SumpPump: w.sumpPump, SumpStarts: w.sumpStarts, RO: w.roPump,
		Arch: w.arch, ArchPressure: w.archPressure, CityPressure: w.cityPressure,
		Fill: w.fill, TopUp: w.topUp, Weep: m.pit < frostLimit,
		FilterIn: tankHead + w.filterDrop, FilterOut: tankHead,
		Turbidity: q.turbidity + q.bubbles, ORP: q.orp, Conductivity: q.conductivity, Sanitizer: q.sanitizer,
		Detergent: q.detergent, Wax: q.wax, Presoak: q.presoak,
		FreshBattery: q.freshBattery, SpotBattery: q.roBattery, Ledger: w.ledger,
	}
	for i, litres := range w.pit {
		s.Pit[i] = litres / (1000 * pitArea)
	}
	return s
}
