package rules

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"roundsman/collector"
)

// Errors of Act, for callers that answer differently to each.
var (
	ErrNoAlarm    = errors.New("no such alarm")
	ErrIncomplete = errors.New("incomplete")         // the act lacks who, why or how long
	ErrNotNow     = errors.New("not possible")       // the alarm's state does not allow it
	errTooLong    = errors.New("longer than a year") // of a shelve
)

// longestShelve: shelving is for a time; for longer there is out of service.
const longestShelve = 366 * 24 * time.Hour

// Act does what a person wants with an alarm and appends the events. The error wraps ErrNoAlarm, ErrIncomplete
// or ErrNotNow; then the act changed nothing. Ask Next for the deadline afterwards.
func (e *Engine) Act(now collector.Moment, act Act, events []Event) ([]Event, error) {
	events, _ = e.Step(now, nil, events) // so that the act meets the state of its own moment
	if act.Rule < 0 || act.Rule >= len(e.alarms) {
		return events, fmt.Errorf("alarm %d: %w", act.Rule, ErrNoAlarm)
	}
	a := &e.alarms[act.Rule]
	if err := act.complete(); err != nil {
		return events, fmt.Errorf("%s: %s: %w", a.rule.Name, act.Kind, err)
	}
	if act.Activation != 0 && act.Activation != a.activations {
		return events, fmt.Errorf("%s: %s: %w: it began anew since", a.rule.Name, act.Kind, ErrNotNow)
	}
	e.out = events
	err := e.act(a, &act)
	if err == nil {
		e.round++
		e.touch(a.rank)
		e.work()
	}
	events, e.out = e.out, nil
	return events, err
}

// complete reports what the act lacks.
func (act *Act) complete() error {
	if strings.TrimSpace(act.Who) == "" {
		return fmt.Errorf("%w: who does it?", ErrIncomplete)
	}
	if (act.Kind == ActShelve || act.Kind == ActTakeOut) && strings.TrimSpace(act.Why) == "" {
		return fmt.Errorf("%w: for what reason?", ErrIncomplete)
	}
	if act.Kind != ActShelve {
		return nil
	}
	if act.For <= 0 {
		return fmt.Errorf("%w: for how long?", ErrIncomplete)
	}
	if act.For > longestShelve {
		return fmt.Errorf("%w: %s is %w; take it out of service", ErrIncomplete, act.For, errTooLong)
	}
	return nil
}

var actTriggers = [...]trigger{
	ActAcknowledge: acknowledge, ActReset: reset, ActShelve: shelve, ActUnshelve: unshelve, ActTakeOut: takeOut, ActPutBack: putBack,
}

func (e *Engine) act(a *alarm, act *Act) error {
	if int(act.Kind) >= len(actTriggers) {
		return fmt.Errorf("%s: %w: unknown act", a.rule.Name, ErrIncomplete)
	}
	if act.Kind == ActShelve && a.state <= LatchAcknowledged {
		a.until = e.now.Add(act.For)
	}
	if !e.fire(a, actTriggers[act.Kind], act.Who, act.Why) {
		return fmt.Errorf("%s: %s: %w: %s", a.rule.Name, act.Kind, ErrNotNow, refusal(a.state, act.Kind))
	}
	return nil
}

// refusal says in words why the state does not allow the act.
func refusal(s State, k ActKind) string {
	switch {
	case k == ActReset && s == LatchUnacknowledged:
		return "acknowledge it first"
	case k == ActReset:
		return "it is not latched but " + s.String()
	case k == ActAcknowledge && s == Normal:
		return "it is normal"
	case k == ActUnshelve, k == ActPutBack:
		return "it is " + s.String()
	}
	return "it is already " + s.String()
}

// Status appends a snapshot of every alarm to dst[:0] and returns it; the slices in dst are used again.
func (e *Engine) Status(dst []Status) []Status {
	if cap(dst) < len(e.alarms) {
		dst = make([]Status, len(e.alarms))
	}
	dst = dst[:len(e.alarms)]
	for i := range e.alarms {
		e.alarms[i].status(e, &dst[i])
	}
	for i := range e.alarms {
		e.list(dst, i)
	}
	return dst
}

func (a *alarm) status(e *Engine, s *Status) {
	*s = Status{
		Rule: a.index, State: a.state, Active: a.active, Since: a.since, Started: a.started, Activations: a.activations,
		Value: e.value(a), Peak: math.NaN(), ReadingLost: a.lost, AcknowledgedBy: a.ackBy,
		By: a.by, Why: a.why, Until: a.until, Cause: a.cause, Consequences: s.Consequences[:0],
	}
	if a.active || a.state != Normal && a.activations > 0 {
		s.Peak = e.peak(a)
	}
}

// list puts an active consequence under its cause, the first that came first.
func (e *Engine) list(dst []Status, i int) {
	a := &e.alarms[i]
	if a.cause < 0 || !a.active {
		return
	}
	l := append(dst[a.cause].Consequences, i)
	for k := len(l) - 1; k > 0 && e.alarms[l[k-1]].truthSince > a.truthSince; k-- {
		l[k-1], l[k] = l[k], l[k-1]
	}
	dst[a.cause].Consequences = l
}
