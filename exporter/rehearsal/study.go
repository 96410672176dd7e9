package rehearsal

import (
	"math"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

const (
	// mostMarks bounds the notes of one rule, allMarks those of all together: 16 bytes each.
	mostMarks = 1 << 15
	allMarks  = 1 << 20
	// longestOff is the longest off-delay that is tried.
	longestOff = 10 * time.Minute
)

// What a mark says of a condition: beyond the limit; how many of the deadbands it has come back by (0: the limit itself);
// or one of the rest.
const (
	beyond       = -1
	bad          = 100
	suppressed   = 101
	unsuppressed = 102
)

// mark is a change of a rule's condition.
type mark struct {
	at   collector.Moment
	code int16
}

// study notes how the conditions of all rules come and go, each as if it had no delays, in memory that does not grow
// with the data.
type study struct {
	tracers []tracer
	watches []watch // by point
	shadow  *rules.Engine
	of      []int // by rule of the shadow: the tracer
	events  []rules.Event
	left    int // marks that may still be made
}

// watch is a point with the tracers of limits on it.
type watch struct {
	lo, hi  float64 // between them, both excluded, no tracer changes
	usable  bool    // the latest reading
	tracers []int
}

// tracer notes one rule.
type tracer struct {
	rule      *rules.Rule
	deadbands []float64 // rising, from 0; only 0 where the kind has no limit on the point itself
	edges     []float64 // for values turned so that less is worse: where each deadband ends the alarm
	raise     float64   // turned likewise
	sign      float64
	gated     bool // While decides too

	level int16 // by the value alone
	bad   bool
	while bool
	code  int16 // in force
	since collector.Moment
	hold  time.Duration // so long at the last deadband, and no candidate is active any more
	idle  bool          // so it is

	marks []mark
	full  bool
	until collector.Moment // when it was full
}

// newStudy makes a tracer for each rule. Limits on a point's value are traced from the readings. Of all other kinds,
// and of While, a second engine tells: it has each rule without delays and suppression.
func newStudy(points []collector.Point, set rules.Set) (*study, error) {
	s := &study{tracers: make([]tracer, len(set.Rules)), watches: make([]watch, len(points)), left: allMarks}
	shadow := rules.Set{Conditions: set.Conditions}
	for i := range set.Rules {
		r := &set.Rules[i]
		t := &s.tracers[i]
		*t = tracer{rule: r, sign: 1, while: true, idle: true, hold: max(longestOff, r.OffDelay), deadbands: []float64{0}}
		if !isLimit(r.Kind) {
			shadow.Rules = append(shadow.Rules, bare(*r))
			s.of = append(s.of, i)
			continue
		}
		t.setLimits(&points[r.Point])
		if t.gated = len(r.While) > 0; t.gated {
			t.while = false
			shadow.Rules = append(shadow.Rules, gate(*r))
			s.of = append(s.of, i)
		}
		w := &s.watches[r.Point]
		w.tracers = append(w.tracers, i)
	}
	for p := range s.watches {
		s.watches[p].narrow(s.tracers)
	}
	if len(shadow.Rules) == 0 {
		return s, nil
	}
	var err error
	s.shadow, err = rules.New(points, shadow)
	return s, err
}

func isLimit(k rules.Kind) bool {
	return k == rules.Low || k == rules.LowLow || k == rules.High || k == rules.HighHigh
}

// bare returns the rule's condition without delays, suppression and states.
func bare(r rules.Rule) rules.Rule {
	r.OnDelay, r.OffDelay, r.OnTotal, r.OnWithin, r.Realarm = 0, 0, 0, 0, 0
	r.CausedBy, r.SuppressWhen = nil, nil
	r.Latch, r.NoReturnAck, r.AutoAcknowledge = false, true, true
	return r
}

// gate returns a rule that is in alarm while the terms of While hold.
func gate(r rules.Rule) rules.Rule {
	return rules.Rule{Name: r.Name, Point: r.Point, Kind: rules.FormulaIsTrue, Formula: always{}, Other: collector.NoPoint, While: r.While, NoReturnAck: true}
}

// always is a formula that is true.
type always struct{}

func (always) Points() []collector.PointID  { return nil }
func (always) Eval([]float64) (bool, error) { return true, nil }

// setLimits turns the rule's limit and the deadbands worth trying so that less is worse.
func (t *tracer) setLimits(p *collector.Point) {
	r := t.rule
	if r.Kind == rules.High || r.Kind == rules.HighHigh {
		t.sign = -1
	}
	t.raise = t.sign * r.Limit
	t.deadbands = deadbands(r, p)
	for _, d := range t.deadbands {
		t.edges = append(t.edges, t.sign*round9(r.Limit+t.sign*d))
	}
	t.level = t.far()
	t.code = t.far()
}

// round9 rounds a clear limit as the engine does.
func round9(v float64) float64 {
	if math.Abs(v) > 1e6 {
		return v
	}
	return math.Round(v*1e9) / 1e9
}

func (t *tracer) far() int16 { return int16(len(t.deadbands) - 1) }

// levelOf returns beyond, or how many deadbands the value has come back by.
func (t *tracer) levelOf(v float64) int16 {
	x := t.sign * v
	if x < t.raise {
		return beyond
	}
	level := int16(0)
	for int(level) < len(t.edges)-1 && x >= t.edges[level+1] {
		level++
	}
	return level
}

// quiet returns the values, both ends excluded, that change nothing.
func (t *tracer) quiet() (lo, hi float64) {
	lo, hi = math.Inf(-1), math.Inf(1)
	switch {
	case t.bad:
		return hi, lo
	case t.level == beyond:
		hi = t.raise
	case t.idle:
		lo = t.raise
	default:
		lo = t.edges[t.level]
		if t.level < t.far() {
			hi = t.edges[t.level+1]
		}
	}
	if t.sign < 0 {
		lo, hi = -hi, -lo
	}
	return lo, hi
}

func (w *watch) narrow(tracers []tracer) {
	w.lo, w.hi = math.Inf(-1), math.Inf(1)
	for _, i := range w.tracers {
		lo, hi := tracers[i].quiet()
		w.lo, w.hi = max(w.lo, lo), min(w.hi, hi)
	}
}

// step notes what the readings of one moment change, and when rules were suppressed before or at it.
func (s *study) step(now collector.Moment, readings []collector.Reading, suppressions []rules.Event) {
	for i := range readings {
		r := &readings[i]
		w := &s.watches[r.Point]
		if len(w.tracers) == 0 || w.usable && r.Quality.Usable() && r.Value > w.lo && r.Value < w.hi {
			continue
		}
		s.look(w, now, r)
	}
	if s.shadow != nil {
		s.stepShadow(now, readings)
	}
	for i := range suppressions {
		e := &suppressions[i]
		code := int16(suppressed)
		if e.Kind == rules.EventUnsuppressed {
			code = unsuppressed
		}
		s.put(&s.tracers[e.Rule], e.At, code)
	}
}

func (s *study) look(w *watch, now collector.Moment, r *collector.Reading) {
	w.usable = r.Quality.Usable() && !math.IsNaN(r.Value) && !math.IsInf(r.Value, 0)
	for _, i := range w.tracers {
		t := &s.tracers[i]
		t.bad = !w.usable
		if w.usable {
			t.level = t.levelOf(r.Value)
		}
		s.judge(t, now)
	}
	w.narrow(s.tracers)
}

func (s *study) stepShadow(now collector.Moment, readings []collector.Reading) {
	for next := s.shadow.Next(); next < now; next = s.shadow.Next() {
		s.events, _ = s.shadow.Step(next, nil, s.events[:0])
		s.takeShadow()
	}
	if s.events, _ = s.shadow.Step(now, readings, s.events[:0]); len(s.events) > 0 {
		s.takeShadow()
	}
}

func (s *study) takeShadow() {
	for i := range s.events {
		e := &s.events[i]
		t := &s.tracers[s.of[e.Rule]]
		switch {
		case e.Kind == rules.EventStarted && t.gated:
			t.while = true
		case e.Kind == rules.EventReturned && t.gated:
			t.while = false
		case e.Kind == rules.EventStarted:
			t.level = beyond
		case e.Kind == rules.EventReturned:
			t.level, t.bad = 0, false
		case e.Kind == rules.EventReadingLost:
			t.bad = true
		case e.Kind == rules.EventReadingFound:
			t.bad = false
		}
		s.judge(t, e.At)
		if isLimit(t.rule.Kind) {
			s.watches[t.rule.Point].narrow(s.tracers)
		}
	}
}

// judge notes the condition if it changed in a way that any candidate could tell.
func (s *study) judge(t *tracer, now collector.Moment) {
	code := t.level
	switch {
	case !t.while:
		code = t.far()
	case t.bad:
		code = bad
	}
	if code == t.code {
		return
	}
	if t.code == t.far() && now.Sub(t.since) >= t.hold {
		t.idle = true
	}
	t.code, t.since = code, now
	if code == beyond {
		t.idle = false
	}
	if !t.idle {
		s.put(t, now, code)
	}
}

// put adds a mark. A second one of a moment takes the place of the first, suppression apart.
func (s *study) put(t *tracer, now collector.Moment, code int16) {
	if n := len(t.marks); n > 0 && t.marks[n-1].at == now && code < suppressed && t.marks[n-1].code < suppressed {
		t.marks[n-1].code = code
		return
	}
	if t.full || len(t.marks) == mostMarks || s.left == 0 {
		if !t.full {
			t.full, t.until = true, now
		}
		return
	}
	t.marks = append(t.marks, mark{now, code})
	s.left--
}
