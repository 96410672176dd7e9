package minutes

import (
	"context"
	"math"
	"time"
)

// Mean gathers the mean of a signal, its ends, and the time it was below a limit. The zero value, with Below set to the
// limit or NaN, is ready.
type Mean struct {
	Below float64

	Minutes      int // with figures
	sum          float64
	least, most  float64
	below        float64 // minutes
	Dips         int     // times it went below the limit; those within one minute and the next are one
	under        bool
	last         time.Time
	First, Final float64 // the first mean and the last value
}

// Add takes a minute.
func (a *Mean) Add(m Minute) {
	if a.Minutes == 0 {
		a.least, a.most, a.First = m.Min, m.Max, m.Mean
	}
	a.Minutes++
	a.sum += m.Mean
	a.least, a.most, a.Final = min(a.least, m.Min), max(a.most, m.Max), m.Last
	share := m.shareBelow(a.Below)
	if share > 0 && !(a.under && m.At.Sub(a.last) <= 2*time.Minute) {
		a.Dips++
	}
	a.below += share
	a.under, a.last = share > 0, m.At
}

// shareBelow estimates for which share of the minute the value was below a limit: none or all where the ends say so, else
// as if it had spent the minute evenly between them.
func (m Minute) shareBelow(limit float64) float64 {
	switch {
	case !(m.Min < limit):
		return 0
	case m.Max < limit:
		return 1
	case m.Max == m.Min:
		return 0
	}
	return (limit - m.Min) / (m.Max - m.Min)
}

// Value returns the mean, NaN without a minute.
func (a *Mean) Value() float64 {
	if a.Minutes == 0 {
		return math.NaN()
	}
	return a.sum / float64(a.Minutes)
}

// Least and Most return the ends, NaN without a minute.
func (a *Mean) Least() float64 { return a.or(a.least) }

// Most returns the highest value, NaN without a minute.
func (a *Mean) Most() float64 { return a.or(a.most) }

func (a *Mean) or(v float64) float64 {
	if a.Minutes == 0 {
		return math.NaN()
	}
	return v
}

// TimeBelow returns about how long it was below the limit.
func (a *Mean) TimeBelow() time.Duration { return time.Duration(a.below * float64(time.Minute)) }

// Rise follows a total or a counter and gives what it rose in each minute. The rise over a gap comes with the minute
// after it. A fall is a reset: what was counted meanwhile is lost, nothing is made up. The zero value is ready.
type Rise struct {
	Total  float64
	Resets int
	Until  time.Time // the newest minute; zero: none was seen
	N      int       // minutes with figures
	seen   bool
	last   float64
}

// Add takes a minute and returns the rise since the one before; the first has none.
func (r *Rise) Add(m Minute) float64 {
	r.Until = m.At
	r.N++
	if !r.seen {
		r.seen, r.last = true, m.Last
		return 0
	}
	d := m.Last - r.last
	r.last = m.Last
	if d < 0 {
		r.Resets++
		return 0
	}
	r.Total += d
	return d
}

// Ons counts how often a state went on, from its minutes. Two within one minute count as one: a minute does not tell
// more. The zero value is ready.
type Ons struct {
	N      int
	seen   bool
	on     bool
	before time.Time
}

// Add takes a minute and reports whether it went on in it.
func (o *Ons) Add(m Minute) bool {
	known := o.seen && m.At.Sub(o.before) <= 2*time.Minute // after a gap nobody knows what it did
	went := m.Min <= 0.5 && m.Last > 0.5 || known && !o.on && m.Max > 0.5
	o.seen, o.on, o.before = true, m.Last > 0.5, m.At
	if went {
		o.N++
	}
	return went
}

// Busiest finds the most events in any hour: a window that slides. The zero value is ready; add events in order.
type Busiest struct {
	times []time.Time
	Most  int
	Ends  time.Time // of the hour: its last event
}

// Add takes an event.
func (b *Busiest) Add(at time.Time) {
	b.times = append(b.times, at)
	for len(b.times) > 0 && at.Sub(b.times[0]) >= time.Hour {
		b.times = b.times[1:]
	}
	if len(b.times) > b.Most {
		b.Most, b.Ends = len(b.times), at
	}
}

// justBefore is how far before a span a counter is looked at, to know what it rose in the span's first minute.
const justBefore = 10 * time.Minute

// Rises follows a total over a span and calls f, if there is one, with what it rose in each minute.
func Rises(ctx context.Context, src Source, s Signal, from, to time.Time, f func(at time.Time, rise float64)) (Rise, error) {
	var r Rise
	err := Each(ctx, src, s, from.Add(-justBefore), to, func(m Minute) {
		if m.At.Before(from) {
			r.Add(m)
			r.Total, r.Resets, r.N = 0, 0, 0
			return
		}
		if d := r.Add(m); f != nil && d > 0 {
			f(m.At, d)
		}
	})
	return r, err
}
