package compute

import (
	"fmt"
	"math"
	"time"

	"roundsman/collector"
)

// edges is how many steps of its counter a flow remembers.
const edges = 64

// steady is the share of error a flow allows itself from one pulse, or from
// one interval between looks, before it looks back further.
const steady = 0.05

func newFlow(f *Flow) (work, []Input, error) {
	c, err := newCounter(f.Modulus, f.Most)
	if err != nil {
		return nil, nil, err
	}
	if !(f.PerPulse > 0 && finite(f.PerPulse)) {
		return nil, nil, fmt.Errorf("per pulse %v is not above 0", f.PerPulse)
	}
	if err := positive("time unit", f.PerTime); err != nil {
		return nil, nil, err
	}
	if err := positive("over", f.Over); err != nil {
		return nil, nil, err
	}
	w := &flow{counting: counting{c: c}, over: f.Over, factor: f.PerPulse * f.PerTime.Seconds()}
	return w, []Input{{Point: f.Counter, Factor: 1}}, nil
}

func newTotal(t *Total) (work, []Input, error) {
	c, err := newCounter(t.Modulus, t.Most)
	if err != nil {
		return nil, nil, err
	}
	if !(t.PerPulse > 0 && finite(t.PerPulse)) {
		return nil, nil, fmt.Errorf("per pulse %v is not above 0", t.PerPulse)
	}
	return &total{counting: counting{c: c}, perPulse: t.PerPulse}, []Input{{Point: t.Counter, Factor: 1}}, nil
}

// counting is what flow and total share: a counter, the sum of its pulses and
// what the last look has to say of it.
type counting struct {
	c     counter
	count float64
	jump  jump
	from  float64 // for the words of a doubt
	to    float64
}

// see adds a look and reports whether it was one.
func (c *counting) see(v float64, usable bool, at collector.Moment) (look, bool) {
	if !usable {
		return look{}, false
	}
	last := c.c.last
	l := c.c.see(v, at)
	c.count += l.pulses
	c.jump = l.jump
	if l.jump != plain && l.jump != rolled {
		c.from, c.to = last, v
	}
	return l, true
}

// say returns the fault of the last look and its words.
func (c *counting) say() (collector.Fault, string) {
	switch c.jump {
	case doubted:
		return collector.TooFast, fmt.Sprintf("counter went from %.10g to %.10g, the next look tells", c.from, c.to)
	case reset:
		return collector.CounterReset, fmt.Sprintf("fell from %.10g, counts on from %.10g", c.from, c.to)
	case replaced:
		return collector.CounterReset, fmt.Sprintf("rose from %.10g beyond belief, counts on from %.10g", c.from, c.to)
	}
	return collector.NoFault, ""
}

type total struct {
	counting
	perPulse float64
}

func (t *total) observe(_ int, v float64, usable bool, at collector.Moment) {
	t.see(v, usable, at)
}

func (t *total) compute([]float64) (float64, collector.Fault, string) {
	fault, words := t.say()
	return t.count * t.perPulse, fault, words
}

// Count is what a total has counted, to be written down and given back after a
// restart: the pulses of the time between are then counted too.
type Count struct {
	Point  collector.PointID
	Pulses float64          // since the box began to look
	Last   float64          // value of the counter
	At     collector.Moment // of that value
}

// Counts returns the counts of all totals that have seen their counter.
func (s *Set) Counts() []Count {
	var counts []Count
	for _, c := range s.cells {
		if t, ok := c.work.(*total); ok && t.c.seen {
			counts = append(counts, Count{c.point, t.count, t.c.last, t.c.at})
		}
	}
	return counts
}

// Restore gives totals what they had counted. Counts of points that are no
// totals any more are passed over. Call it before the first Step.
func (s *Set) Restore(now collector.Moment, counts []Count) {
	for _, k := range counts {
		for _, c := range s.cells {
			if t, ok := c.work.(*total); ok && c.point == k.Point {
				t.count = k.Pulses
				t.c.seen, t.c.last, t.c.at = true, k.Last, min(k.At, now)
			}
		}
	}
}

// flow is the rate of a counter that is looked at from time to time. A step of
// the counter between two looks is an edge. The rate is that between the
// newest edge and the latest one before it that is far enough for the time
// between looks and for a single pulse not to matter; so a slow counter is
// measured by the time between its pulses and a fast one by its count.
type flow struct {
	counting
	over   time.Duration
	factor float64 // from pulses a second to the point's unit

	now, first collector.Moment // of the newest and the first look
	gap        time.Duration    // between the last two looks
	ring       [edges]edge
	n          int // edges since the last pause, counted on
	step       float64
	quantum    float64 // smallest step the counter makes
	rate       float64 // pulses a second, as of the newest edge
}

type edge struct {
	at    collector.Moment
	count float64
}

func (f *flow) observe(_ int, v float64, usable bool, at collector.Moment) {
	began := f.c.seen
	l, ok := f.see(v, usable, at)
	if !ok {
		return
	}
	if !began {
		f.now, f.first = at, at
		return
	}
	if at < f.now {
		return
	}
	gap := at.Sub(f.now)
	if gap > 0 {
		f.gap = gap
	}
	f.now = at
	if l.pulses > 0 {
		f.edge(l.pulses)
	}
}

// edge takes a step of the counter at f.now.
func (f *flow) edge(pulses float64) {
	f.learn(pulses)
	if f.n > 0 && f.now.Sub(f.newest().at) > f.over {
		f.n = 0
	}
	f.ring[f.n%edges] = edge{f.now, f.count}
	f.n++
	if f.n == 1 {
		f.rate = f.opening(pulses)
		return
	}
	f.rate = f.measured()
}

func (f *flow) newest() *edge { return &f.ring[(f.n-1)%edges] }

// learn keeps the smallest step of the counter: of the steps seen, and of the
// differences between one and the next, that are more than rounding.
func (f *flow) learn(step float64) {
	if f.quantum == 0 || step < f.quantum {
		f.quantum = step
	}
	if d := math.Abs(step - f.step); f.step > 0 && d > 0.01*step && d < f.quantum {
		f.quantum = d
	}
	f.step = step
}

// opening is the rate at the first edge after a pause: when the flow began is
// not known, so the pulses stand for the whole look back, or for the last
// interval less one pulse where that is more.
func (f *flow) opening(pulses float64) float64 {
	over := max(f.over, f.gap).Seconds()
	rate := pulses / over
	if f.gap > 0 {
		rate = max(rate, (pulses-f.quantum)/f.gap.Seconds())
	}
	return rate
}

func (f *flow) measured() float64 {
	end := f.newest()
	rate := f.rate
	for k := 2; k <= min(f.n, edges); k++ {
		e := &f.ring[(f.n-k)%edges]
		span := end.at.Sub(e.at)
		if span > f.over && k > 2 {
			break
		}
		if span <= 0 {
			continue
		}
		n := end.count - e.count
		rate = n / span.Seconds()
		if f.quantum <= steady*n || f.gap.Seconds() <= steady*span.Seconds() {
			break
		}
	}
	return rate
}

// compute gives the flow at the newest look. While the next pulse is overdue
// the flow is at most one pulse in the time since the last.
func (f *flow) compute([]float64) (float64, collector.Fault, string) {
	fault, words := f.say()
	if f.n == 0 {
		if f.now.Sub(f.first) < f.over && fault == collector.NoFault {
			return 0, collector.NotRead, "no pulse yet"
		}
		return 0, fault, words
	}
	since := f.now.Sub(f.newest().at)
	if since >= f.over {
		return 0, fault, words
	}
	rate := f.rate
	if since > 0 {
		rate = min(rate, f.quantum/since.Seconds())
	}
	return rate * f.factor, fault, words
}
