package scaling

import (
	"math"
	"time"

	"roundsman/collector"
)

// change judges how fast a value changes. It knows the last believed value and
// the last doubted one. A reading too far from the believed value for the time
// between them is doubted. The next readings decide: near the doubted one, the
// new level stands and is believed; near the old one, it was a spike.
type change struct {
	seen    bool
	value   float64 // last believed
	at      collector.Moment
	doubted bool
	doubt   float64 // last doubted
	doubtAt collector.Moment
}

// believe judges a value and reports whether it can be believed.
func (h *change) believe(v float64, at collector.Moment, rate, step float64) bool {
	ok := !h.seen || rate == 0 ||
		reachable(h.value, h.at, v, at, rate, step) ||
		h.doubted && reachable(h.doubt, h.doubtAt, v, at, rate, step)
	if ok {
		*h = change{seen: true, value: v, at: at}
		return true
	}
	h.doubted, h.doubt, h.doubtAt = true, v, at
	return false
}

// grace keeps rounding from making a difference of exactly one step into more.
const grace = 1 + 1e-6

// reachable reports whether a value can become another in the time between them,
// give or take one step of resolution.
func reachable(a float64, atA collector.Moment, b float64, atB collector.Moment, rate, step float64) bool {
	seconds := math.Abs(atB.Sub(atA).Seconds())
	return math.Abs(b-a) <= (rate*seconds+step)*grace
}

// rest judges whether a value moves: it holds the value from which it must.
type rest struct {
	seen  bool
	value float64
	since collector.Moment
}

// stuck reports whether the value has stayed within a step for so long.
func (s *rest) stuck(v float64, at collector.Moment, after time.Duration, step float64) bool {
	if !s.seen || math.Abs(v-s.value) > step*grace {
		*s = rest{true, v, at}
		return false
	}
	return at.Sub(s.since) >= after
}
