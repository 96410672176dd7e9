package rules

import (
	"math"
	"time"

	"roundsman/collector"
)

// Sample is a value and when it was seen: an element of a rule's window. What it
// means depends on the kind: a reading, an amount that came, a start, the end of a held value.
type Sample struct {
	At    collector.Moment
	Value float64
}

// grain is how many samples a window keeps at most, about: closer ones are taken as one.
const grain = 512

// rate judges the mean slope since the newest reading that is at least a window old.
// It says nothing until a whole window was seen.
type rate struct {
	limit
	window  time.Duration
	samples ring[Sample]
	last    collector.Moment
	slope   float64
	known   bool
}

func (w *rate) look(s *sight) finding {
	if !usable(s.point) {
		return nothing()
	}
	if at := stamp(s); s.fresh && (at > w.last || w.samples.len() == 0) {
		w.add(Sample{at, s.point.Value})
	}
	if !w.known {
		return finding{unknown, math.NaN(), collector.Never}
	}
	return finding{say(w.beyond(w.slope, s.active)), w.slope, collector.Never}
}

// stamp returns when the point was measured: slopes want that rather than when it was judged.
func stamp(s *sight) collector.Moment {
	if at := s.point.At; at > 0 && at <= s.now {
		return at
	}
	return s.now
}

func (w *rate) add(s Sample) {
	q := &w.samples
	for q.len() > 1 && q.at(1).At <= s.At.Add(-w.window) {
		q.dropFirst()
	}
	if q.len() > 0 {
		if base := q.first(); s.At.Sub(base.At) >= w.window {
			w.slope, w.known = (s.Value-base.Value)/s.At.Sub(base.At).Seconds(), true
		}
	}
	if q.len() == 0 || s.At.Sub(q.last().At) >= w.window/grain {
		q.push(s)
	}
	w.last = s.At
}

func (w *rate) quiet(verdict, bool, float64) band { return shut() }

func (w *rate) save(m *AlarmMemory) {
	m.Samples = w.samples.list()
	if w.known {
		m.Measure = w.slope
	}
	m.Known = w.known
}

func (w *rate) restore(m *AlarmMemory) {
	w.samples.fill(m.Samples)
	if n := w.samples.len(); n > 0 {
		w.last = w.samples.last().At
	}
	w.slope, w.known = m.Measure, m.Known
}

// stale judges that nothing new came for a window, or that the link itself calls the reading stale.
type stale struct {
	stateless
	window time.Duration
	seen   collector.Moment // when something new came last
	begun  bool
}

// nothingCame tells the faults by which a link says that nothing new came.
func nothingCame(f collector.Fault) bool {
	switch f {
	case collector.NotRead, collector.Stale, collector.Retained, collector.NoAnswer, collector.LinkLost, collector.DeviceOffline:
		return true
	}
	return false
}

func (w *stale) look(s *sight) finding {
	unread := s.point.Quality == collector.Unread
	if s.fresh && !unread && !nothingCame(s.point.Fault) || !w.begun {
		w.seen, w.begun = s.now, true
	}
	age := s.now.Sub(w.seen)
	f := finding{no, age.Seconds(), collector.Never}
	switch {
	case s.point.Fault == collector.Stale || s.point.Fault == collector.Retained:
		f.verdict = yes
	case w.window <= 0:
	case age >= w.window:
		f.verdict = yes
	default:
		f.next = w.seen.Add(w.window)
	}
	if unread && f.verdict == no {
		f.verdict = unknown
	}
	return f
}

func (w *stale) current(now collector.Moment) float64 {
	if !w.begun {
		return math.NaN()
	}
	return now.Sub(w.seen).Seconds()
}

// Nothing is kept: after a restart each point has a whole window to show itself again.
func (w *stale) save(*AlarmMemory)    {}
func (w *stale) restore(*AlarmMemory) {}

// stuck judges that the value moved by less than least within a window of watched time.
// A value holds until the next reading: highs and lows keep the end of each value's hold.
type stuck struct {
	least       float64
	window      time.Duration
	cover       Wait // how much of the window was watched
	value       float64
	highs, lows ring[Sample] // values that ended, from the extreme to the latest
}

func (w *stuck) look(s *sight) finding {
	if !s.while {
		w.restart()
		return finding{no, math.NaN(), collector.Never}
	}
	if !usable(s.point) {
		w.cover.hold(s.now)
		return nothing()
	}
	if !w.cover.Running {
		w.value = s.point.Value
	}
	w.cover.run(s.now)
	if s.fresh && s.point.Value != w.value {
		w.end(s.now)
		w.value = s.point.Value
	}
	moved, next := w.moved(s.now)
	covered := w.cover.elapsed(s.now) >= w.window
	switch {
	case moved >= w.least:
		return finding{no, moved, next}
	case !covered:
		return finding{no, moved, w.cover.due(w.window)}
	}
	return finding{yes, moved, collector.Never}
}

func (w *stuck) restart() {
	w.cover.stop()
	w.highs.clear()
	w.lows.clear()
}

// end puts away the value that stood until now.
func (w *stuck) end(now collector.Moment) {
	s := Sample{now, w.value}
	for w.highs.len() > 0 && w.highs.last().Value <= s.Value {
		w.highs.dropLast()
	}
	for w.lows.len() > 0 && w.lows.last().Value >= s.Value {
		w.lows.dropLast()
	}
	w.put(&w.highs, s)
	w.put(&w.lows, s)
}

// put keeps the queue bounded: a value that ended within a grain of the one before it gives that one its own end.
func (w *stuck) put(q *ring[Sample], s Sample) {
	if q.len() > 1 && s.At.Sub(q.at(q.len()-2).At) < w.window/grain {
		q.last().At = s.At
		return
	}
	q.push(s)
}

// moved returns the range of the values that stood within the window, and when it may shrink.
func (w *stuck) moved(now collector.Moment) (float64, collector.Moment) {
	from := now.Add(-w.window)
	next := collector.Never
	lo, hi := w.value, w.value
	for w.highs.len() > 0 && w.highs.first().At <= from {
		w.highs.dropFirst()
	}
	for w.lows.len() > 0 && w.lows.first().At <= from {
		w.lows.dropFirst()
	}
	if w.highs.len() > 0 {
		hi = max(hi, w.highs.first().Value)
		next = w.highs.first().At.Add(w.window)
	}
	if w.lows.len() > 0 {
		lo = min(lo, w.lows.first().Value)
		next = min(next, w.lows.first().At.Add(w.window))
	}
	return hi - lo, next
}

func (w *stuck) current(now collector.Moment) float64 {
	if !w.cover.Running {
		return math.NaN()
	}
	moved, _ := w.moved(now)
	return moved
}

func (w *stuck) quiet(verdict, bool, float64) band { return shut() }

func (w *stuck) save(m *AlarmMemory) {
	m.Counted, m.Measure = w.cover, w.value
	m.Samples, m.Lows = w.highs.list(), w.lows.list()
}

func (w *stuck) restore(m *AlarmMemory) {
	w.cover, w.value = m.Counted, m.Measure
	w.highs.fill(m.Samples)
	w.lows.fill(m.Lows)
}

// notReached judges that a value was not reached in time after something began.
type notReached struct {
	stateless
	limit  float64
	fallen bool
	window time.Duration
	began  bool // sight.after at the last look
	armed  bool
	from   collector.Moment
}

func (w *notReached) look(s *sight) finding {
	if s.after && !w.began {
		w.armed, w.from = true, s.now
	}
	w.began = s.after
	w.armed = w.armed && s.after
	ok := usable(s.point)
	measure := math.NaN()
	if ok {
		measure = s.point.Value
		if w.fallen && measure <= w.limit || !w.fallen && measure >= w.limit {
			w.armed = false
		}
	}
	switch {
	case !w.armed:
		return finding{no, measure, collector.Never}
	case s.now < w.from.Add(w.window):
		return finding{no, measure, w.from.Add(w.window)}
	case !ok:
		return nothing()
	}
	return finding{yes, measure, collector.Never}
}

func (w *notReached) save(m *AlarmMemory) {
	m.Seen, m.Known = w.from, w.began
	m.Counted.Running = w.armed
}

func (w *notReached) restore(m *AlarmMemory) {
	w.from, w.began = m.Seen, m.Known
	w.armed = m.Counted.Running
}

// total judges how much a counter or quantity rose within a window.
type total struct {
	limit
	window time.Duration
	last   float64
	known  bool
	sum    float64
	rises  ring[Sample]
}

func (w *total) look(s *sight) finding {
	if !s.while {
		w.known = false
		w.rises.clear()
		w.sum = 0
		return finding{no, 0, collector.Never}
	}
	if !usable(s.point) {
		return nothing()
	}
	if s.fresh || !w.known {
		w.add(s.now, s.point.Value)
	}
	w.expire(s.now)
	f := finding{say(w.beyond(w.sum, s.active)), w.sum, collector.Never}
	if f.verdict == yes && w.rises.len() > 0 {
		f.next = w.rises.first().At.Add(w.window)
	}
	return f
}

// add counts a rise. A fall is a reset: what was counted before it is not known, so nothing is added.
func (w *total) add(now collector.Moment, v float64) {
	if rise := v - w.last; w.known && rise > 0 {
		if w.rises.len() == 2*grain {
			a := *w.rises.first()
			w.rises.dropFirst()
			w.rises.first().Value += a.Value
		}
		w.rises.push(Sample{now, rise})
		w.sum += rise
	}
	w.last, w.known = v, true
}

func (w *total) expire(now collector.Moment) {
	from, dropped := now.Add(-w.window), false
	for w.rises.len() > 0 && w.rises.first().At <= from {
		w.rises.dropFirst()
		dropped = true
	}
	if !dropped {
		return
	}
	w.sum = 0 // added up anew, so that rounding does not pile up over the years
	for i := range w.rises.len() {
		w.sum += w.rises.at(i).Value
	}
}

func (w *total) current(now collector.Moment) float64 {
	w.expire(now)
	return w.sum
}

func (w *total) quiet(v verdict, _ bool, _ float64) band {
	if v == no && w.known {
		return band{w.last, w.last}
	}
	return shut()
}

func (w *total) save(m *AlarmMemory) {
	m.Samples, m.Measure, m.Known = w.rises.list(), w.last, w.known
}

func (w *total) restore(m *AlarmMemory) {
	w.rises.fill(m.Samples)
	w.last, w.known = m.Measure, m.Known
	w.sum = 0
	for _, s := range m.Samples {
		w.sum += s.Value
	}
}

// runs judges for how long a state has been on (or off), counting only while the rule's While holds:
// 24 h idle of open time are three days of eight hours.
type runs struct {
	on     bool
	window time.Duration
	time   Wait
}

func (w *runs) look(s *sight) finding {
	if !usable(s.point) {
		w.time.hold(s.now)
		return nothing()
	}
	switch {
	case isOn(s.point.Value) != w.on:
		w.time.stop()
	case s.while:
		w.time.run(s.now)
	default:
		w.time.hold(s.now)
	}
	ran := w.time.elapsed(s.now)
	if w.time.Running && ran >= w.window {
		return finding{yes, ran.Seconds(), collector.Never}
	}
	return finding{no, ran.Seconds(), w.time.due(w.window)}
}

func (w *runs) current(now collector.Moment) float64 { return w.time.elapsed(now).Seconds() }

func (w *runs) quiet(v verdict, _ bool, _ float64) band {
	switch {
	case v == unknown:
		return shut()
	case w.time.Running == w.on: // the state is on
		return band{0.5, math.MaxFloat64}
	}
	return band{-math.MaxFloat64, math.Nextafter(0.5, 0)}
}

func (w *runs) save(m *AlarmMemory)    { m.Counted = w.time }
func (w *runs) restore(m *AlarmMemory) { w.time = m.Counted }

// starts judges how often a state went on within a window that ends now.
type starts struct {
	limit
	window time.Duration
	keep   int
	on     bool
	known  bool
	at     ring[collector.Moment]
}

func (w *starts) look(s *sight) finding {
	if !usable(s.point) {
		return nothing()
	}
	on := isOn(s.point.Value)
	if on && w.known && !w.on && s.while {
		if w.at.len() == w.keep {
			w.at.dropFirst()
		}
		w.at.push(s.now)
	}
	w.on, w.known = on, true
	n := w.current(s.now)
	f := finding{say(w.beyond(n, s.active)), n, collector.Never}
	if f.verdict == yes && w.at.len() > 0 {
		f.next = w.at.first().Add(w.window)
	}
	return f
}

func (w *starts) current(now collector.Moment) float64 {
	for w.at.len() > 0 && *w.at.first() <= now.Add(-w.window) {
		w.at.dropFirst()
	}
	return float64(w.at.len())
}

func (w *starts) quiet(v verdict, _ bool, _ float64) band {
	switch {
	case v == unknown || !w.known:
		return shut()
	case w.on:
		return band{0.5, math.MaxFloat64}
	}
	return band{-math.MaxFloat64, math.Nextafter(0.5, 0)}
}

func (w *starts) save(m *AlarmMemory) {
	for i := range w.at.len() {
		m.Samples = append(m.Samples, Sample{*w.at.at(i), 1})
	}
	m.Known = w.known
	if w.on {
		m.Measure = 1
	}
}

func (w *starts) restore(m *AlarmMemory) {
	w.at.clear()
	for _, s := range m.Samples {
		w.at.push(s.At)
	}
	w.known, w.on = m.Known, m.Measure == 1
}
