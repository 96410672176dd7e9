package rehearsal

import (
	"math"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Chatter and fleeting as ISA-18.2 / IEC 62682 use the words; the figures are starting values.
const (
	chatterStarts = 3           // so many starts
	chatterWithin = time.Minute // in less than so long
	fleetingUnder = time.Minute // a fleeting alarm lasts at most so long and does not repeat so soon
)

// stage is one set of rules under rehearsal.
type stage struct {
	rules   []rules.Rule
	engine  *rules.Engine
	keep    bool // keep each alarm, not only the figures
	tallies []tally
	alarms  []activation
	events  []rules.Event
	status  []rules.Status

	changed      []noted // of the present step
	suppressions []rules.Event
}

// noted is a start or end whose time has yet to get its form.
type noted struct {
	alarm int // index into alarms
	end   bool
}

// activation is an Alarm before its times have their form.
type activation struct {
	rule       int32
	active     bool
	silenced   bool
	start, end Time
	peak       float64
}

// newStage makes an engine over rules that ask for an acknowledgement of the return, so that the peak is still known
// after it. That changes nothing of when an alarm starts or ends.
func newStage(points []collector.Point, set rules.Set, keep bool) (*stage, error) {
	own := make([]rules.Rule, len(set.Rules))
	for i, r := range set.Rules {
		r.NoReturnAck = false
		own[i] = r
	}
	engine, err := rules.New(points, rules.Set{Rules: own, Conditions: set.Conditions})
	if err != nil {
		return nil, err
	}
	s := &stage{rules: own, engine: engine, keep: keep, tallies: make([]tally, len(own))}
	for i := range s.tallies {
		s.tallies[i].open = -1
	}
	return s, nil
}

// step deals with the deadlines before now one by one, so that each end finds its own peak, then with the readings.
func (s *stage) step(now collector.Moment, readings []collector.Reading) {
	s.changed, s.suppressions = s.changed[:0], s.suppressions[:0]
	for next := s.engine.Next(); next < now; next = s.engine.Next() {
		s.events, _ = s.engine.Step(next, nil, s.events[:0])
		s.take()
	}
	s.events, _ = s.engine.Step(now, readings, s.events[:0])
	if len(s.events) > 0 {
		s.take()
	}
}

func (s *stage) take() {
	fresh := false // whether status is of this step
	for i := range s.events {
		e := &s.events[i]
		t := &s.tallies[e.Rule]
		switch e.Kind {
		case rules.EventStarted:
			t.start(e.At)
			s.begin(e)
		case rules.EventSuppressed, rules.EventUnsuppressed:
			s.suppressions = append(s.suppressions, *e)
		case rules.EventConditionTrue:
			t.suppressed++
		}
		if (e.Kind == rules.EventReturned || e.Kind == rules.EventSuppressed) && t.active {
			t.end(e.At)
			if s.keep {
				if !fresh {
					s.status, fresh = s.engine.Status(s.status), true
				}
				s.close(e, t)
			}
		}
	}
}

func (s *stage) begin(e *rules.Event) {
	if !s.keep {
		return
	}
	s.tallies[e.Rule].open = len(s.alarms)
	s.changed = append(s.changed, noted{len(s.alarms), false})
	s.alarms = append(s.alarms, activation{rule: int32(e.Rule), active: true, start: Time{At: e.At}, peak: math.NaN()})
}

func (s *stage) close(e *rules.Event, t *tally) {
	a := &s.alarms[t.open]
	a.active, a.end, a.peak = false, Time{At: e.At}, s.status[e.Rule].Peak
	a.silenced = e.Kind == rules.EventSuppressed
	s.changed = append(s.changed, noted{t.open, true})
	t.open = -1
}

// note gives a start or end the form that the data's times have now.
func (s *stage) note(n noted, f *forms, form Form) {
	a := &s.alarms[n.alarm]
	if n.end {
		a.end = f.time(a.end.At, form)
		return
	}
	a.start = f.time(a.start.At, form)
}

// finish ends the figures with the data. Alarms that are active stay so.
func (s *stage) finish(last collector.Moment) {
	s.status = s.engine.Status(s.status)
	for i := range s.tallies {
		t := &s.tallies[i]
		if t.open >= 0 {
			s.alarms[t.open].peak = s.status[i].Peak
		}
		t.finish(last)
	}
}

// tally counts the activations of one rule.
type tally struct {
	activations, chatter, fleeting, suppressed int
	total, longest                             time.Duration

	active  bool
	open    int                 // index of the alarm that is active, -1 none
	starts  [2]collector.Moment // of the last but one and the last activation
	brief   bool                // the last activation is fleeting unless another follows soon
	repeats bool                // the present one followed soon
}

func (t *tally) start(at collector.Moment) {
	if t.activations >= chatterStarts-1 && at.Sub(t.starts[0]) < chatterWithin {
		t.chatter++
	}
	t.repeats = t.activations > 0 && at.Sub(t.starts[1]) < fleetingUnder
	if t.brief && !t.repeats {
		t.fleeting++
	}
	t.brief = false
	t.starts[0], t.starts[1] = t.starts[1], at
	t.activations++
	t.active = true
}

func (t *tally) end(at collector.Moment) {
	d := at.Sub(t.starts[1])
	t.add(d)
	t.active = false
	t.brief = d <= fleetingUnder && !t.repeats
}

func (t *tally) add(d time.Duration) {
	t.total += d
	t.longest = max(t.longest, d)
}

func (t *tally) finish(last collector.Moment) {
	switch {
	case t.active:
		t.add(last.Sub(t.starts[1]))
	case t.brief:
		t.fleeting++
		t.brief = false
	}
}
