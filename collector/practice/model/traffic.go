package model

import (
	"math"
	"math/rand/v2"
	"time"
)

const (
	washTicks  = 900 // 90 s in the tunnel: common practice, no source
	spacing    = 240 // ticks from car to car that loading takes at least: 150 cars an hour at most
	beltSpeed  = 0.4 // m/s: 36 m in 90 s
	beltRunOn  = 60. // s the conveyor runs on behind the last car
	frostLimit = 2.0 // degC
)

// Cars an hour by hour of the day; 0 while closed. The sums are 350, 700 and
// 420, the peak is 90 (invented site).
var (
	weekday  = [24]float64{7: 16, 8: 24, 9: 26, 10: 28, 11: 30, 12: 36, 13: 32, 14: 26, 15: 26, 16: 30, 17: 34, 18: 26, 19: 16}
	saturday = [24]float64{7: 20, 8: 40, 9: 65, 10: 80, 11: 90, 12: 80, 13: 70, 14: 70, 15: 65, 16: 50, 17: 35, 18: 22, 19: 13}
	sunday   = [24]float64{8: 20, 9: 38, 10: 52, 11: 62, 12: 60, 13: 54, 14: 48, 15: 40, 16: 28, 17: 18}
)

// carsPerHour returns the mean rate of arrivals at a time.
func carsPerHour(t time.Time) float64 {
	switch t.Weekday() {
	case time.Saturday:
		return saturday[t.Hour()]
	case time.Sunday:
		return sunday[t.Hour()]
	}
	return weekday[t.Hour()]
}

// open reports whether the wash takes cars: 07:00 to 20:00, Sunday 08:00 to 18:00.
func open(t time.Time) bool { return carsPerHour(t) > 0 }

// traffic is the stream of cars: they arrive as a Poisson process, queue, and
// enter with at least the loading's spacing.
type traffic struct {
	source  *rand.Rand
	until   float64 // expected arrivals until the next one: exponential, mean 1
	queue   int
	wait    int   // ticks until the next may enter
	tunnel  []int // ticks each car is in
	arrived uint64
	entered uint64
	left    uint64

	rate    float64 // arrivals an hour
	open    bool
	running bool
	idle    float64 // s since the last car left
	metres  float64 // conveyor travel
}

func newTraffic(source *rand.Rand) traffic {
	return traffic{source: source, until: source.ExpFloat64(), idle: math.Inf(1)}
}

func (t *traffic) tick(mains bool) {
	t.arrive(t.rate / 3600 * tick)
	if !mains {
		t.running = false
		return
	}
	t.enter()
	t.move()
}

// arrive adds the arrivals of a tick in which so many are expected.
func (t *traffic) arrive(expected float64) {
	for t.until -= expected; t.until < 0; t.until += t.source.ExpFloat64() {
		t.arrived++
		t.queue++
	}
}

func (t *traffic) enter() {
	t.wait--
	if t.queue == 0 || t.wait > 0 {
		return
	}
	t.queue--
	t.entered++
	t.wait = spacing
	t.tunnel = append(t.tunnel, 0)
}

func (t *traffic) move() {
	t.idle += tick
	for i := range t.tunnel {
		t.tunnel[i]++
		t.idle = 0
	}
	for len(t.tunnel) > 0 && t.tunnel[0] > washTicks {
		t.tunnel = t.tunnel[:copy(t.tunnel, t.tunnel[1:])]
		t.left++
	}
	t.running = len(t.tunnel) > 0 || t.idle < beltRunOn
	if t.running {
		t.metres += beltSpeed * tick
	}
}

// washing returns the number of cars being washed in this tick.
func (t *traffic) washing(mains bool) int {
	if !mains {
		return 0
	}
	return len(t.tunnel)
}

// between reports whether a car is between two points of the tunnel, given in seconds of travel.
func (t *traffic) between(from, to float64) bool {
	for _, in := range t.tunnel {
		if s := float64(in) * tick; s >= from && s < to {
			return true
		}
	}
	return false
}

// climate is the air temperature of a mild day at the site, degC.
func climate(t time.Time) float64 {
	hour := float64(t.Hour()) + float64(t.Minute())/60
	return 16 - 4*math.Cos((hour-3)*math.Pi/12)
}

// toward moves v to its target by one tick with a time constant in seconds
// (backward Euler: never overshoots).
func toward(v, target, tau float64) float64 {
	return v + (target-v)*tick/(tau+tick)
}
