package model

import "math"

// lyingVolume returns the litres in the reclaim tank, a lying cylinder with
// flat ends, at level h: L (r2 acos((r-h)/r) - (r-h) sqrt(2 r h - h2)).
func lyingVolume(h float64) float64 {
	const r = tankDiameter / 2
	h = min(max(h, 0), tankDiameter)
	return 1000 * tankLength * (r*r*math.Acos((r-h)/r) - (r-h)*math.Sqrt(2*r*h-h*h))
}

// lyingLevel inverts lyingVolume, in metres: Newton's rule from a near guess,
// halving where it would leave what is known.
func lyingLevel(litres, guess float64) float64 {
	low, high := 0.0, float64(tankDiameter)
	h := guess
	for range 100 {
		if !(h > low && h < high) {
			h = (low + high) / 2
		}
		miss := litres - lyingVolume(h)
		if miss > 0 {
			low = h
		} else {
			high = h
		}
		step := miss / (1000 * tankLength * 2 * math.Sqrt(h*(tankDiameter-h)))
		h += step
		if math.Abs(step) < 1e-10 {
			break
		}
	}
	return min(max(h, 0), tankDiameter)
}

// meet solves q = full sqrt(1 - k q) for q.
func meet(full, k float64) float64 {
	return full * full / 2 * (math.Sqrt(k*k+4/(full*full)) - k)
}

// pair is two pumps, one leading, the other joining when one is not enough.
// The lead changes at each start.
type pair struct {
	on     [2]bool
	lead   int
	starts [2]uint64
}

func (p *pair) any() bool { return p.on[0] || p.on[1] }

func (p *pair) running() int {
	n := 0
	for _, on := range p.on {
		if on {
			n++
		}
	}
	return n
}

func (p *pair) set(i int, on bool) {
	if on && !p.on[i] {
		p.starts[i]++
	}
	p.on[i] = on
}

// control runs the lift pumps by floats; stuck means that the starting floats hang down.
func (p *pair) control(level float64, able, stuck bool) {
	switch {
	case !able || level < liftStop:
		p.stop()
	case stuck:
	case level > lagStart && p.any():
		p.set(1-p.lead, true)
	case level > liftStart && !p.any():
		p.set(p.lead, true)
	}
}

// demand runs the supply pumps: the second with many cars.
func (p *pair) demand(run bool, cars int) {
	if !run {
		p.stop()
		return
	}
	if !p.any() {
		p.set(p.lead, true)
	}
	lag := 1 - p.lead
	p.set(lag, cars >= lagOn || p.on[lag] && cars > lagOff)
}

func (p *pair) stop() {
	if p.any() {
		p.on = [2]bool{}
		p.lead = 1 - p.lead
	}
}
