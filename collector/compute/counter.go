package compute

import (
	"fmt"
	"math"
	"time"

	"roundsman/collector"
)

// believable is the most pulses a second that a counter is taken to count when
// the site says nothing. Common practice, no source: pulse outputs of water
// meters give a few a second at most, S0 outputs under 17 (IEC 62053-31: at
// least 30 ms on and 30 ms off, from memory), fast inputs some hundreds.
const believable = 1000

// tornWord is half of what a double register is off by when its low word was
// read before a carry and its high word after it, or the other way round.
const tornWord = 1 << 15

// tries is the number of looks in a row that contradict each other before the
// newest is simply believed.
const tries = 3

// counter follows a count that only rises, through all that makes it look as
// if it did not:
//
//   - roll-over: it fell, and past the modulus it would be a small step on;
//   - torn words: one look is off by about 65536 and the next fits the one before;
//   - reset: it fell and stays there; counting goes on from the new value;
//   - replacement: it rose by more than can be believed and stays there; counting
//     goes on from the new value.
//
// What cannot be told from one look waits for the next; nothing real is lost
// by that, it is only counted one look later. The pulses it gives are never negative.
type counter struct {
	modulus float64
	most    float64 // pulses a second

	seen    bool
	last    float64
	at      collector.Moment
	fastest float64 // pulses a second seen so far, in plain steps

	waiting   bool // pending was seen once and not confirmed
	pending   float64
	pendingAt collector.Moment
	doubts    int
}

// look is what one look at a counter says.
type look struct {
	pulses float64 // since the look before; never negative
	jump   jump
}

// jump is what a step of a counter that is not plain turned out to be.
type jump uint8

const (
	plain    jump = iota
	rolled        // past the modulus; counted
	doubted       // waits for the next look
	torn          // the look before was wrong; forgotten
	reset         // fell; counts on from the new value
	replaced      // rose beyond belief; counts on from the new value
)

func newCounter(modulus, most float64) (counter, error) {
	if most == 0 {
		most = believable
	}
	switch {
	case modulus < 0 || math.IsNaN(modulus) || math.IsInf(modulus, 0):
		return counter{}, fmt.Errorf("modulus %v is not a number from 0 on", modulus)
	case !(most > 0) || math.IsInf(most, 0):
		return counter{}, fmt.Errorf("most pulses a second %v is not above 0", most)
	}
	return counter{modulus: modulus, most: most}, nil
}

// see takes the value at a moment. A look older than the one before it is passed over.
func (c *counter) see(v float64, at collector.Moment) look {
	if !c.seen {
		c.seen, c.last, c.at = true, v, at
		return look{}
	}
	if at < c.at || c.waiting && at < c.pendingAt {
		return look{}
	}
	if c.waiting {
		return c.settle(v, at)
	}
	return c.step(v, at)
}

// step takes a look that follows an undoubted one.
func (c *counter) step(v float64, at collector.Moment) look {
	if d, j := c.rise(c.last, v, at.Sub(c.at)); j != doubted {
		return c.accept(v, at, d, j)
	}
	c.waiting, c.pending, c.pendingAt = true, v, at
	return look{jump: doubted}
}

// settle decides what the doubted look was, by the one after it.
func (c *counter) settle(v float64, at collector.Moment) look {
	before, fitsBefore := c.rise(c.last, v, at.Sub(c.at))
	after, fitsAfter := c.rise(c.pending, v, at.Sub(c.pendingAt))
	rose := c.pending > c.last
	switch {
	case rose && fitsAfter == plain && c.possible(v-c.last, at.Sub(c.at)):
		return c.accept(v, at, v-c.last, plain) // much at once, as after a long outage
	case fitsBefore != doubted:
		return c.accept(v, at, before, torn)
	case fitsAfter != doubted && rose:
		return c.accept(v, at, after, replaced)
	case fitsAfter != doubted:
		return c.accept(v, at, after, reset)
	}
	if c.doubts++; c.doubts >= tries {
		return c.accept(v, at, 0, reset)
	}
	c.pending, c.pendingAt = v, at
	return look{jump: doubted}
}

// rise returns the pulses from one value to another that can be believed at
// once, plain or rolled over, or doubted.
func (c *counter) rise(from, to float64, in time.Duration) (float64, jump) {
	d := to - from
	switch {
	case d >= 0 && c.credible(d, in):
		return d, plain
	case d < 0 && c.rolledOver(d+c.modulus, in):
		return d + c.modulus, rolled
	}
	return 0, doubted
}

func (c *counter) accept(v float64, at collector.Moment, pulses float64, j jump) look {
	if dt := max(at.Sub(c.at).Seconds(), 1); j == plain {
		c.fastest = max(c.fastest, pulses/dt)
	}
	c.last, c.at = v, at
	c.waiting, c.doubts = false, 0
	return look{pulses, j}
}

// possible reports whether so many pulses can come in that time; a second is
// allowed for two looks that arrive together.
func (c *counter) possible(pulses float64, in time.Duration) bool {
	return pulses <= c.most*max(in.Seconds(), 1)
}

// credible reports whether a rise can be believed at once. One as large as a
// torn word makes it needs a rate that was seen before.
func (c *counter) credible(pulses float64, in time.Duration) bool {
	if !c.possible(pulses, in) {
		return false
	}
	return pulses < tornWord || pulses <= 4*c.fastest*in.Seconds()
}

// rolledOver reports whether a fall is a roll-over that makes it so many
// pulses. A reset looks the same where the counter stood near its modulus;
// believing only small steps keeps that to one reset in 256.
func (c *counter) rolledOver(pulses float64, in time.Duration) bool {
	if c.modulus == 0 || pulses < 0 || pulses > c.modulus/2 || !c.possible(pulses, in) {
		return false
	}
	return pulses <= max(c.modulus/256, 4*c.fastest*in.Seconds())
}
