package compute

import (
	"time"

	"roundsman/collector"
)

// samples is the most a window holds. Readings that come closer together than
// the window's length over samples are thinned (a rate) or joined (a mean), so
// that the window always covers its whole length.
const samples = 1024

// ring is a queue that drops its oldest when it is full. It grows as needed up to samples.
type ring[T any] struct {
	buf     []T
	head, n int
}

func (q *ring[T]) push(v T) {
	if q.n == len(q.buf) && q.n < samples {
		grown := make([]T, min(max(16, 2*q.n), samples))
		for i := range q.n {
			grown[i] = *q.at(i)
		}
		q.buf, q.head = grown, 0
	}
	if q.n == len(q.buf) {
		q.drop()
	}
	q.buf[(q.head+q.n)%len(q.buf)] = v
	q.n++
}

// at returns the i-th oldest.
func (q *ring[T]) at(i int) *T { return &q.buf[(q.head+i)%len(q.buf)] }

func (q *ring[T]) drop() { q.head, q.n = (q.head+1)%len(q.buf), q.n-1 }

func newRate(r *Rate) (work, []Input, error) {
	if err := positive("over", r.Over); err != nil {
		return nil, nil, err
	}
	if err := positive("time unit", r.PerTime); err != nil {
		return nil, nil, err
	}
	return &rate{over: r.Over, factor: r.PerTime.Seconds()}, []Input{r.Of}, nil
}

// rate is the slope of the least squares line through the readings of the
// window. It has a result once they span half of it.
type rate struct {
	over   time.Duration
	factor float64
	q      ring[sample]
	begun  bool // had a result before
	last   float64
	fresh  bool // last is the slope of what q holds
}

type sample struct {
	at    collector.Moment
	value float64
}

func (w *rate) observe(_ int, v float64, usable bool, at collector.Moment) {
	if !usable {
		return
	}
	for w.q.n > 0 && at.Sub(w.q.at(0).at) > w.over {
		w.q.drop()
		w.fresh = false
	}
	if w.q.n > 0 {
		since := at.Sub(w.q.at(w.q.n - 1).at)
		if since <= 0 || since < w.over/samples {
			return
		}
	}
	w.q.push(sample{at, v})
	w.fresh = false
}

func (w *rate) compute([]float64) (float64, collector.Fault, string) {
	if w.q.n < 2 || 2*w.q.at(w.q.n-1).at.Sub(w.q.at(0).at) < w.over {
		if !w.begun {
			return 0, collector.NotRead, "the window is not half full yet"
		}
		return 0, collector.NoResult, "readings for less than half of the window"
	}
	w.begun = true
	if !w.fresh {
		w.last, w.fresh = w.slope(), true
	}
	return w.last * w.factor, collector.NoFault, ""
}

// slope returns the least squares slope per second. Times and values are taken
// from the oldest and then from their means, so that large ones lose no digits.
func (w *rate) slope() float64 {
	oldest := *w.q.at(0)
	var st, sv float64
	for i := range w.q.n {
		s := w.q.at(i)
		st += float64(s.at - oldest.at)
		sv += s.value - oldest.value
	}
	mt, mv := st/float64(w.q.n), sv/float64(w.q.n)
	var stt, stv float64
	for i := range w.q.n {
		s := w.q.at(i)
		dt := float64(s.at-oldest.at) - mt
		stt += dt * dt
		stv += dt * (s.value - oldest.value - mv)
	}
	return stv / stt * float64(time.Second)
}

func newMean(m *Mean) (work, []Input, error) {
	if err := positive("over", m.Over); err != nil {
		return nil, nil, err
	}
	w := &mean{over: m.Over, while: true}
	inputs := []Input{m.Of}
	if m.While != collector.NoPoint {
		w.while = false
		inputs = append(inputs, Input{Point: m.While, Factor: 1})
	}
	return w, inputs, nil
}

// mean is time-weighted: a reading stands until the next one of its point. The
// time after a bad reading, until a usable one, does not count.
type mean struct {
	over  time.Duration
	q     ring[span]
	begun bool

	value float64 // stands since at
	known bool    // value is usable
	while bool
	at    collector.Moment
}

// span is a piece of time with its mean value.
type span struct {
	from, to collector.Moment
	value    float64
}

func (w *mean) observe(input int, v float64, usable bool, at collector.Moment) {
	if at > w.at {
		if w.known && w.while {
			w.add(span{w.at, at, w.value})
		}
		w.at = at
	}
	if input == 1 {
		w.while = usable && v >= 0.5
		return
	}
	w.known = usable
	if usable {
		w.value = v
	}
}

// add joins the span to the one before it where that loses nothing, or where
// they are short against the window.
func (w *mean) add(s span) {
	begin := s.to.Add(-w.over)
	if w.q.n > 0 {
		last := w.q.at(w.q.n - 1)
		if last.to == s.from && (last.value == s.value || last.to.Sub(last.from) < w.over/samples) {
			a, b := last.to.Sub(last.from).Seconds(), s.to.Sub(s.from).Seconds()
			last.value += (s.value - last.value) * b / (a + b)
			last.to = s.to
			s = span{}
		}
	}
	if s.to > s.from {
		w.q.push(s)
	}
	for w.q.n > 0 && w.q.at(0).to <= begin {
		w.q.drop()
	}
}

func (w *mean) compute([]float64) (float64, collector.Fault, string) {
	begin := w.at.Add(-w.over)
	var sum, seconds float64
	for i := range w.q.n {
		s := w.q.at(i)
		if d := s.to.Sub(max(s.from, begin)).Seconds(); d > 0 {
			sum += s.value * d
			seconds += d
		}
	}
	if seconds == 0 {
		if !w.begun {
			return 0, collector.NotRead, "no time counted yet"
		}
		return 0, collector.NoResult, "no time counted in the window"
	}
	w.begun = true
	return sum / seconds, collector.NoFault, ""
}
