// Package model is the physics of the practice plant: a conveyor tunnel wash
// with its compressed air, hydraulics, water and electricity, small but
// consistent. It knows no clock, protocol or noise. The same seed and the same
// steps give the same plant.
//
//	m := model.New(model.Config{Seed: 1, Start: saturday})
//	m.Step(time.Hour)
//	fmt.Println(m.State().Air.Header) // bar
//
// Units are bar gauge, litres of free air a second (1.01325 bar absolute),
// litres, metres, degC, kW, seconds. Sizes of machines and tanks are chosen for
// an invented site; where a figure is published or a formula has a source, the
// comment beside it says so.
//
// # Water
//
// The plant is the newest kind of tunnel: 48 L of water in all a car, of which
// 80 % comes back from the floor, so that 9.6 L of fresh water a car make up
// for the 9.6 L that leave as vapour and on the car. These losses are smaller
// than published averages: six conveyors measured in 2017 took 113.6 L of fresh
// water a car, about a fifth of it (22.7 L) lost that way (International Carwash
// Association study, 2018), and the least published for a reclaiming conveyor is
// 29.5 L fresh (EPA, WaterSense at Work, 2012). No balance can have less fresh
// water than losses, so a plant at 9.6 L must be given these losses.
package model

import (
	"math/rand/v2"
	"time"
)

// Tick is the model's own step. Step runs whole ticks and keeps the rest.
const Tick = 100 * time.Millisecond

const tick = 0.1 // s

// Config of a plant.
type Config struct {
	Seed uint64
	// Start is the plant's wall time at the beginning; opening hours are in its location.
	Start time.Time
}

// Upset is something wrong in the plant itself, as opposed to its instruments.
type Upset uint8

// The upsets.
const (
	AirLeak        Upset = iota // a new hole in the air system, 8 L/s at 7 bar
	HoseOff                     // an air hose came off: 70 L/s at 7 bar
	CompressorTrip              // the compressor stops with its fault contact
	FloatStuck                  // the floats that start the lift pumps hang down
	CheckValve                  // the lift pumps' check valve leaks back
	FilterBlocked               // the reclaim filter's bed is blinded, backwash does not help
	MainsLost                   // no mains: all motors stop, controls live on their battery
	upsets
)

// Model is one plant. One goroutine at a time may use it.
type Model struct {
	now   time.Time
	carry time.Duration
	upset [upsets]bool

	traffic traffic
	air     air
	oil     oil
	water   water
	quality quality
	power   power
	second  int64   // Unix, when hour last looked
	outside float64 // degC
	room    float64
	pit     float64
}

// New returns a plant as it is at its start time: warm and half way through
// its day where the wash is open, at rest where it is closed.
func New(c Config) *Model {
	m := &Model{
		now:     c.Start.Add(-settling),
		traffic: newTraffic(rand.New(rand.NewPCG(c.Seed, 0x77617368))),
		air:     newAir(),
		water:   newWater(),
		quality: newQuality(),
		power:   newPower(),
		pit:     14,
	}
	m.room = climate(m.now)
	m.oil = newOil(m.room)
	if open(m.now) {
		m.oil.temperature = 46
		m.air.temperature = 80
	}
	m.Step(settling)
	return m
}

// settling is played before the start, so that nothing begins at rest.
const settling = 10 * time.Minute

// Now returns the plant's wall time.
func (m *Model) Now() time.Time { return m.now }

// Set begins or ends an upset.
func (m *Model) Set(u Upset, on bool) {
	if u < upsets {
		m.upset[u] = on
	}
}

// Step moves the plant on by d. Only whole ticks are played; the rest waits for the next step.
func (m *Model) Step(d time.Duration) {
	for m.carry += d; m.carry >= Tick; m.carry -= Tick {
		m.tick()
	}
}

// hour looks once a second what the time of day brings.
func (m *Model) hour() {
	if s := m.now.Unix(); s != m.second {
		m.second = s
		m.traffic.rate = carsPerHour(m.now)
		m.traffic.open = m.traffic.rate > 0
		m.outside = climate(m.now)
	}
}

func (m *Model) tick() {
	m.now = m.now.Add(Tick)
	mains := !m.upset[MainsLost]
	m.hour()
	m.traffic.tick(mains)
	cars := m.traffic.washing(mains)
	m.room = toward(m.room, m.outside, 3600)
	m.pit = toward(m.pit, 14+0.1*float64(cars), 4*3600)
	m.air.tick(airDemand{
		use:  airPerCar * float64(cars),
		hole: baseLeak + holes(&m.upset),
		trip: m.upset[CompressorTrip], mains: mains, room: m.room,
	})
	m.oil.tick(m.traffic.running, cars, m.room)
	m.water.tick(m.demand(cars, mains))
	m.quality.tick(&m.water, cars, mains)
	m.power.tick(m.loads(), mains)
}
