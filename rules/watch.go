package rules

import (
	"math"

	"roundsman/collector"
)

// verdict is what can be said of a condition.
type verdict uint8

const (
	unknown verdict = iota // no usable reading: nothing starts and nothing ends
	no
	yes
)

func say(b bool) verdict {
	if b {
		return yes
	}
	return no
}

// sight is all that a watcher may look at.
type sight struct {
	now          collector.Moment
	point, other *collector.Reading // latest; other is nil unless the kind has one
	fresh        bool               // point was read just now
	while, after bool               // the rule's terms
	sure         bool               // after rests on usable readings
	active       bool               // the alarm's condition counts as true: the clear limit applies
}

// finding is what a watcher says.
type finding struct {
	verdict verdict
	measure float64          // what is compared with the limit; NaN if there is nothing
	next    collector.Moment // when to look again if no reading comes
}

// nothing is the finding of a watcher without a usable reading.
func nothing() finding { return finding{unknown, math.NaN(), collector.Never} }

// band is a closed range of the point's values. While usable readings stay in it the watcher need not look.
type band struct{ lo, hi float64 }

// shut returns the band that no value is in: look at each reading.
func shut() band { return band{math.Inf(1), math.Inf(-1)} }

// open returns the band of all finite values: look at none.
func open() band { return band{-math.MaxFloat64, math.MaxFloat64} }

// and returns the values that are in both bands.
func (b band) and(o band) band { return band{max(b.lo, o.lo), min(b.hi, o.hi)} }

// watcher judges one kind of condition for one rule and owns the window it needs.
type watcher interface {
	look(s *sight) finding
	// quiet returns the band in which neither the verdict nor the worst value changes.
	quiet(v verdict, active bool, worst float64) band
	save(m *AlarmMemory)
	restore(m *AlarmMemory)
}

// passing is a watcher whose measure changes by time alone.
type passing interface {
	current(now collector.Moment) float64
}

// usable reports whether the reading is a measurement.
func usable(r *collector.Reading) bool {
	return r.Quality.Usable() && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
}

// isOn reads a state.
func isOn(v float64) bool { return v >= 0.5 }

// stateless is for the kinds that keep no window and look at each reading.
type stateless struct{}

func (stateless) quiet(verdict, bool, float64) band { return shut() }
func (stateless) save(*AlarmMemory)                 {}
func (stateless) restore(*AlarmMemory)              {}

// newWatcher returns the watcher of a checked rule.
func newWatcher(r *Rule) watcher {
	switch r.Kind {
	case Low, LowLow, High, HighHigh:
		return newLimit(r.Kind == Low || r.Kind == LowLow, r.Limit, r.Deadband)
	case Rate:
		return &rate{limit: newLimit(r.Limit < 0, r.Limit, r.Deadband), window: r.Window}
	case Deviation:
		return &deviation{limit: newLimit(false, r.Limit, r.Deadband)}
	case Equals:
		return &equals{value: r.Limit}
	case BadSignal:
		return badSignal{}
	case StaleSignal:
		return &stale{window: r.Window}
	case Stuck:
		return &stuck{least: r.Limit, window: r.Window}
	case Discrepancy:
		return discrepancy{}
	case NotReached:
		return &notReached{limit: r.Limit, fallen: r.Fallen, window: r.Window}
	case TotalAbove:
		return &total{limit: newLimit(false, r.Limit, r.Deadband), window: r.Window}
	case RunsLonger, IdleLonger:
		return &runs{on: r.Kind == RunsLonger, window: r.Window}
	case StartsAbove:
		return &starts{limit: newLimit(false, r.Limit, r.Deadband), window: r.Window, keep: 2*int(r.Limit) + 64}
	case FormulaIsTrue:
		return &formula{rule: r}
	}
	return nil
}

// limit compares with a limit and, once active, with the clear limit: it starts strictly beyond the limit
// and ends on the clear limit or short of it. The clear limit is rounded to nine decimals, so that
// 8.2 + 0.1 is 8.3.
type limit struct {
	raise, clear float64
	low          bool
}

func newLimit(low bool, at, deadband float64) limit {
	if low {
		return limit{at, round9(at + deadband), true}
	}
	return limit{at, round9(at - deadband), false}
}

func round9(v float64) float64 {
	if math.Abs(v) > 1e6 { // nothing left to round in a float64's digits
		return v
	}
	return math.Round(v*1e9) / 1e9
}

// beyond reports whether v is in alarm.
func (l limit) beyond(v float64, active bool) bool {
	switch {
	case l.low && active:
		return v < l.clear
	case l.low:
		return v < l.raise
	case active:
		return v > l.clear
	}
	return v > l.raise
}

func (l limit) look(s *sight) finding {
	if !usable(s.point) {
		return nothing()
	}
	v := s.point.Value
	return finding{say(l.beyond(v, s.active)), v, collector.Never}
}

func (l limit) quiet(v verdict, active bool, worst float64) band {
	if v == unknown {
		return shut()
	}
	b, edge := open(), l.raise
	if active {
		edge = l.clear
	}
	switch {
	case l.low && v == no:
		b.lo = edge
	case l.low:
		b.hi = math.Nextafter(edge, math.Inf(-1))
	case v == no:
		b.hi = edge
	default:
		b.lo = math.Nextafter(edge, math.Inf(1))
	}
	if active {
		b = b.upTo(worst, l.low)
	}
	return b
}

// upTo ends the band at the worst value seen, so that a worse one is noticed.
func (b band) upTo(worst float64, low bool) band {
	if low {
		b.lo = max(b.lo, worst)
	} else {
		b.hi = min(b.hi, worst)
	}
	return b
}

func (limit) save(*AlarmMemory)    {}
func (limit) restore(*AlarmMemory) {}

type deviation struct {
	stateless
	limit limit
}

func (d *deviation) look(s *sight) finding {
	if !usable(s.point) || !usable(s.other) {
		return nothing()
	}
	v := math.Abs(s.point.Value - s.other.Value)
	return finding{say(d.limit.beyond(v, s.active)), v, collector.Never}
}

type equals struct {
	stateless
	value float64
}

func (q *equals) look(s *sight) finding {
	if !usable(s.point) {
		return nothing()
	}
	return finding{say(s.point.Value == q.value), s.point.Value, collector.Never}
}

// quiet narrows the band to the value held, for states.
func (q *equals) quiet(v verdict, _ bool, _ float64) band {
	if v == yes {
		return band{q.value, q.value}
	}
	return shut()
}

type badSignal struct{ stateless }

func (badSignal) look(s *sight) finding {
	switch {
	case s.point.Quality == collector.Unread:
		return nothing()
	case usable(s.point):
		return finding{no, math.NaN(), collector.Never}
	}
	return finding{yes, math.NaN(), collector.Never}
}

func (badSignal) quiet(v verdict, _ bool, _ float64) band {
	if v == no {
		return open()
	}
	return shut()
}

// discrepancy compares two states, or a state and the truth of a term (sight.after).
type discrepancy struct{ stateless }

func (discrepancy) look(s *sight) finding {
	must, sure := s.after, s.sure
	if s.other != nil {
		must, sure = isOn(s.other.Value), usable(s.other)
	}
	if !sure || !usable(s.point) {
		return nothing()
	}
	return finding{say(isOn(s.point.Value) != must), s.point.Value, collector.Never}
}

type formula struct {
	stateless
	rule   *Rule
	inputs []*collector.Reading // in the order of Formula.Points
	values []float64
}

func (f *formula) look(s *sight) finding {
	for i, r := range f.inputs {
		if !usable(r) {
			return nothing()
		}
		f.values[i] = r.Value
	}
	truth, err := f.rule.Formula.Eval(f.values)
	if err != nil {
		return nothing()
	}
	measure := math.NaN()
	if usable(s.point) {
		measure = s.point.Value
	}
	return finding{say(truth), measure, collector.Never}
}
