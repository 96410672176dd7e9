package review

import (
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Line is what a review needs of a journal line.
type Line struct {
	Time time.Time // UTC
	// Steady is the line's moment on the record's own scale, which never steps; zero: not known. Where start and end
	// have one, the length of an activation is their difference, whatever the wall clock did meanwhile.
	Steady collector.Moment
	Kind   string // the word of a rules.EventKind, or AlarmRemoved; others change nothing
	Alarm  string // "": a line about the box
	Point  string
	To     rules.State // after the event
	// Priority is the alarm's at that time; NoPriority: the line does not tell, and Builder.Priority is asked.
	Priority rules.Priority
}

// Event returns the line of an event over recorded data, whose moments are Unix time.
func Event(e *rules.Event, rule *rules.Rule, point string) Line {
	return Line{
		Time: time.Unix(0, int64(e.At)).UTC(), Steady: e.At, Kind: e.Kind.String(), Alarm: rule.Name, Point: point, To: e.To,
		Priority: rule.Priority,
	}
}

// AlarmRemoved is the kind of the line that ends the life of an alarm whose rule is gone.
const AlarmRemoved = "alarm removed"

// AlarmAnew is the kind of the line of an alarm of which nothing was known at a start.
const AlarmAnew = "judged anew"

// Builder makes activations of journal lines. Its zero value is ready. It is used by one goroutine at a time.
type Builder struct {
	// Priority tells the priority of an alarm whose lines do not. Nil: nobody knows, and it counts as one that rings.
	Priority func(alarm string) rules.Priority

	list      []Activation
	alarms    map[string]*watched
	unmatched int
}

// watched is what the builder knows of one alarm.
type watched struct {
	name, point string // kept once for all of its activations
	priority    rules.Priority
	latest      int // activation, -1 none
	steady      collector.Moment
}

// Add takes the next line, in the order of the journal.
func (b *Builder) Add(l Line) {
	if l.Alarm == "" {
		return
	}
	w := b.watch(&l)
	switch l.Kind {
	case rules.EventStarted.String():
		b.start(w, &l)
	case rules.EventReturned.String():
		b.end(w, &l, Returned)
	case rules.EventShelved.String():
		b.stop(w, &l, Shelved)
	case rules.EventSuppressed.String():
		b.stop(w, &l, Suppressed)
	case rules.EventTakenOut.String():
		b.stop(w, &l, TakenOut)
	case AlarmRemoved:
		b.stop(w, &l, Removed)
		delete(b.alarms, l.Alarm)
	case AlarmAnew:
		b.stop(w, &l, UnseenEnding)
	case rules.EventAcknowledged.String():
		b.acknowledge(w, &l)
	}
}

// Activations returns what the lines told so far, in the order of their starts on the journal.
func (b *Builder) Activations() []Activation { return b.list }

// Unmatched returns how many returns and acknowledgements had no start: it was before the first line, or is lost.
func (b *Builder) Unmatched() int { return b.unmatched }

func (b *Builder) watch(l *Line) *watched {
	if w := b.alarms[l.Alarm]; w != nil {
		return w
	}
	if b.alarms == nil {
		b.alarms = map[string]*watched{}
	}
	w := &watched{name: l.Alarm, latest: -1}
	if b.Priority != nil {
		w.priority = b.Priority(l.Alarm)
	}
	b.alarms[w.name] = w
	return w
}

func (b *Builder) start(w *watched, l *Line) {
	b.stop(w, l, UnseenEnding)
	if l.Point != w.point {
		w.point = l.Point
	}
	w.latest, w.steady = len(b.list), l.Steady
	priority := l.Priority
	if priority == rules.NoPriority {
		priority = w.priority
	}
	b.list = append(b.list, Activation{
		Rule: w.name, Point: w.point, Priority: priority, Start: l.Time, AcknowledgesItself: l.To == rules.Acknowledged,
	})
}

// end ends what must be active; stop ends what may be.
func (b *Builder) end(w *watched, l *Line, how Ending) {
	if !b.stop(w, l, how) {
		b.unmatched++
	}
}

func (b *Builder) stop(w *watched, l *Line, how Ending) bool {
	if w.latest < 0 || b.list[w.latest].Ending != StillActive {
		return false
	}
	a := &b.list[w.latest]
	a.End, a.Ending = w.time(a.Start, l), how
	return true
}

func (b *Builder) acknowledge(w *watched, l *Line) {
	if w.latest < 0 {
		b.unmatched++
		return
	}
	if a := &b.list[w.latest]; a.Acknowledged.IsZero() {
		a.Acknowledged = w.time(a.Start, l)
	}
}

// time returns when the line was, on the wall clock of the activation's start.
func (w *watched) time(start time.Time, l *Line) time.Time {
	if w.steady == 0 || l.Steady == 0 {
		return l.Time
	}
	return start.Add(l.Steady.Sub(w.steady))
}
