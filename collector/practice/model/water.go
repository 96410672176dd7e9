package model

// A car's water, L. Reclaimed, fresh and spot-free add up to 48; what is lost
// is 20 % of that; fresh and the feed of the RO unit add up to the loss.
const (
	reclaimPerCar = 40.8
	rinsePerCar   = 3.2
	spotPerCar    = 4.0
	recovery      = 0.625 // share of the RO unit's feed that becomes permeate
	returned      = 0.8
	toSump        = 0.2 // share of the returning water that runs to the conveyor pit
)

const (
	pitArea, sumpArea    = 3.0, 0.5 // m2
	freshArea, spotArea  = 2.0106193, 1.1309734
	weir1, weir2         = 1.85, 1.75 // m, pit 1 to 2, pit 2 to 3
	weirFlow             = 60.        // L/s a metre of head
	pitTop               = 2.4        // m: water stands in the tunnel
	floatOn, floatOff    = 2.1, 2.05  // m, the high float of pit 3
	liftFlow, liftHead   = 3.77, 2.2  // L/s without filter; bar at no flow
	cleanBed, blindBed   = 0.0857, 1.7
	liftStop             = 1.22
	liftStart, lagStart  = 1.30, 1.60 // m
	leakBack             = 8.0        // L/s through the open check valve
	backwashFlow         = 5.0        // L/s
	backwashFor          = 180.       // s
	backwashAt           = 0.8        // bar across the filter
	sumpFlow             = 1.5        // L/s
	sumpStart, sumpStop  = 0.50, 0.38 // m: 60 L
	freshOpen, freshShut = 1.6, 2.0   // m
	spotStart, spotStop  = 1.2, 1.8   // m
	permeate             = 0.15       // L/s
	fillFlow, topUpFlow  = 1.2, 0.5   // L/s
	topUpOn, topUpOff    = 22., 28.   // % of height
	surplusAt            = 97.        // % of height
	tankDiameter         = 1.8        // m
	tankLength           = 4.2        // m
	runOn                = 60.        // s of supply and arch pumps behind the last car
)

// demand is what the tunnel and the upsets ask of the water plant in one tick.
type demand struct {
	cars                     int
	mains                    bool
	arch                     bool // a car is in the high-pressure arch
	stuck, checkValve, blind bool
}

// demand puts together what the water plant has to do.
func (m *Model) demand(cars int, mains bool) demand {
	return demand{
		cars: cars, mains: mains, arch: mains && m.traffic.between(8, 55),
		stuck: m.upset[FloatStuck], checkValve: m.upset[CheckValve], blind: m.upset[FilterBlocked],
	}
}

// water is all tanks and pumps; volumes in litres.
type water struct {
	pit              [3]float64
	sump             float64
	reclaim          float64
	fresh, spot      float64
	reclaimLevel     float64 // m
	high             bool    // the high float of pit 3
	lift, supply     pair
	sumpPump, roPump bool
	arch             bool
	archPressure     float64
	fill, topUp      bool
	backwash         float64 // s left
	supplyIdle       float64
	archIdle         float64
	fouling          float64 // of the reclaim filter, 0 clean to 1 due
	filterFlow       float64 // L/s
	filterDrop       float64 // bar
	cityPressure     float64 // bar
	sumpStarts       uint64
	ledger           Ledger
}

// Ledger adds up, in litres since the start, what crossed the plant's border
// and what the meters saw.
type Ledger struct {
	City                             float64 // in
	Lost, Sewer, Spilled             float64 // out: vapour and cars, surplus, over the pit's edge
	Used, Supplied, Permeate, Lifted float64 // inside
}

func newWater() water {
	w := water{
		pit:  [3]float64{1000 * pitArea * (weir1 + 0.005), 1000 * pitArea * (weir2 + 0.005), 1000 * pitArea * 1.26},
		sump: 1000 * sumpArea * 0.42, reclaim: 7600, fresh: 1000 * freshArea * 1.85, spot: 1000 * spotArea * 1.5,
		supplyIdle: runOn, archIdle: runOn, fouling: 0.2, cityPressure: 4.2,
	}
	w.reclaimLevel = lyingLevel(w.reclaim, tankDiameter/2)
	return w
}

// stored is all water in the plant, L.
func (w *water) stored() float64 {
	return w.pit[0] + w.pit[1] + w.pit[2] + w.sump + w.reclaim + w.fresh + w.spot
}

func (w *water) tick(d demand) {
	before := w.reclaim
	w.control(d)
	w.wash(d)
	w.drain()
	w.lifting(d)
	w.washBack(d)
	w.city()
	w.osmosis()
	w.overflow()
	if w.reclaim != before {
		w.reclaimLevel = lyingLevel(w.reclaim, w.reclaimLevel)
	}
	w.pressures(d)
}

// move takes up to q L/s for one tick from a tank and returns the litres.
func move(from *float64, q float64) float64 {
	l := min(q*tick, *from)
	*from -= l
	return l
}

func (w *water) control(d demand) {
	pit3 := w.pit[2] / (1000 * pitArea)
	w.high = pit3 > floatOn || w.high && pit3 > floatOff
	w.lift.control(pit3, d.mains && w.backwash <= 0, d.stuck)
	w.supplyIdle, w.archIdle = w.supplyIdle+tick, w.archIdle+tick
	if d.cars > 0 {
		w.supplyIdle = 0
	}
	if d.arch {
		w.archIdle = 0
	}
	w.supply.demand(d.mains && w.supplyIdle < runOn, d.cars)
	w.arch = d.mains && w.archIdle < runOn
	sump := w.sump / (1000 * sumpArea)
	was := w.sumpPump
	w.sumpPump = d.mains && (sump > sumpStart || was && sump > sumpStop)
	if w.sumpPump && !was {
		w.sumpStarts++
	}
	w.valves(d.mains)
}

func (w *water) valves(mains bool) {
	fresh, spot := w.fresh/(1000*freshArea), w.spot/(1000*spotArea)
	w.fill = mains && (fresh < freshOpen || w.fill && fresh < freshShut)
	w.roPump = mains && fresh > 0.1 && (spot < spotStart || w.roPump && spot < spotStop)
	percent := 100 * w.reclaimLevel / tankDiameter
	w.topUp = mains && (percent < topUpOn || w.topUp && percent < topUpOff)
}

// wash puts water on the cars; what is not lost runs to the floor.
func (w *water) wash(d demand) {
	const seconds = washTicks * tick
	n := float64(d.cars) / seconds
	var supplied float64
	if w.supply.any() {
		supplied = move(&w.reclaim, n*reclaimPerCar)
	}
	used := supplied + move(&w.fresh, n*rinsePerCar) + move(&w.spot, n*spotPerCar)
	back := used * returned
	w.ledger.Supplied += supplied
	w.ledger.Used += used
	w.ledger.Lost += used - back
	w.sump += back * toSump
	w.pit[0] += back - back*toSump
}

// drain lets the pits run over their weirs, and pumps the conveyor pit.
func (w *water) drain() {
	if w.sumpPump {
		w.pit[0] += move(&w.sump, sumpFlow)
	}
	for i, weir := range [2]float64{weir1, weir2} {
		h, next := w.pit[i]/(1000*pitArea), w.pit[i+1]/(1000*pitArea)
		l := weirFlow * (max(h, weir) - max(next, weir)) * tick
		w.pit[i] -= l
		w.pit[i+1] += l
	}
}

// lifting pumps from pit 3 through the filter into the reclaim tank, or lets
// it run back through a leaking check valve.
func (w *water) lifting(d demand) {
	if n := w.lift.running(); n > 0 {
		l := move(&w.pit[2], w.flow(n, d.blind))
		w.reclaim += l
		w.ledger.Lifted += l
		w.fouling += l * 1e-4
		w.filterFlow = l / tick
	} else {
		w.filterFlow = 0
		if d.checkValve {
			w.pit[2] += move(&w.reclaim, leakBack)
		}
	}
	w.filterDrop = bed(w.fouling, d.blind) * w.filterFlow
}

// bed is the filter's resistance, bar a L/s.
func bed(fouling float64, blind bool) float64 {
	if blind {
		return blindBed
	}
	return cleanBed * (1 + 1.8*fouling)
}

// flow returns where the pumps' curve q = Q sqrt(1 - dp/P) meets the filter's dp = k q.
func (w *water) flow(pumps int, blind bool) float64 {
	full := liftFlow * float64(pumps)
	return meet(full, bed(w.fouling, blind)/liftHead)
}

// washBack cleans the filter from the reclaim tank into pit 1.
func (w *water) washBack(d demand) {
	if w.backwash <= 0 {
		if w.filterDrop > backwashAt && d.mains && !d.blind {
			w.backwash = backwashFor
		}
		return
	}
	if !d.mains {
		return
	}
	w.pit[0] += move(&w.reclaim, backwashFlow)
	w.fouling = toward(w.fouling, 0.02, 40)
	w.backwash -= tick
}

func (w *water) city() {
	q := 0.0
	if w.fill {
		q += fillFlow
	}
	if w.topUp {
		q += topUpFlow
	}
	w.cityPressure = toward(w.cityPressure, 4.2-0.35*q, 1.5)
	if w.fill {
		w.fresh += fillFlow * tick
		w.ledger.City += fillFlow * tick
	}
	if w.topUp {
		w.reclaim += topUpFlow * tick
		w.ledger.City += topUpFlow * tick
	}
}

// osmosis makes spot-free water; the reject goes to the reclaim tank.
func (w *water) osmosis() {
	if !w.roPump {
		return
	}
	feed := move(&w.fresh, permeate/recovery)
	w.spot += feed * recovery
	w.reclaim += feed - feed*recovery
	w.ledger.Permeate += feed * recovery
}

// overflow sends the reclaim tank's surplus to the sewer and what the pits cannot hold into the tunnel.
func (w *water) overflow() {
	if most := lyingVolume(tankDiameter * surplusAt / 100); w.reclaim > most {
		w.ledger.Sewer += w.reclaim - most
		w.reclaim = most
	}
	for i := range w.pit {
		if most := 1000 * pitArea * pitTop; w.pit[i] > most {
			w.ledger.Spilled += w.pit[i] - most
			w.pit[i] = most
		}
	}
}

func (w *water) pressures(d demand) {
	target := 0.0
	if w.arch && w.supply.any() && w.reclaim > 200 {
		target = 79 - 0.6*float64(d.cars)
	}
	w.archPressure = toward(w.archPressure, target, 0.6)
}
