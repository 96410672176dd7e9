package review

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"roundsman/collector/sorting"
)

// Options are the boundaries of our own. The zero value is the usual one.
type Options struct {
	FloodBegins int           // alarms in ten minutes that begin a flood; 0: 10
	FloodEnds   int           // a flood ends below so many in ten minutes; 0: 5
	Fleeting    time.Duration // what ends by itself within it is fleeting; 0: a minute
	// Unseen is when nobody looked: before the record begins, while the box was off. In any order; what overlaps counts once.
	Unseen []Span
}

// tenMinutes is the period of floods in ISA-18.2 and EEMUA 191.
const tenMinutes = 10 * time.Minute

func (o Options) filled() Options {
	if o.FloodBegins == 0 {
		o.FloodBegins = 10
	}
	if o.FloodEnds == 0 {
		o.FloodEnds = min(5, o.FloodBegins)
	}
	if o.Fleeting == 0 {
		o.Fleeting = time.Minute
	}
	return o
}

func (o Options) check() error {
	if o.FloodEnds < 1 || o.FloodBegins < o.FloodEnds {
		return fmt.Errorf("floods that begin at %d alarms and end below %d: the end must be from 1 to the begin", o.FloodBegins, o.FloodEnds)
	}
	if o.Fleeting < 0 {
		return fmt.Errorf("fleeting within %s: must not be negative", o.Fleeting)
	}
	return nil
}

var errNoStart = errors.New("has no start between the years 1700 and 2200")

// Alarms returns the figures of the alarms of a span; the activations may come in any order. Of those that started
// before it, what they still did in it counts (a flood, a stale alarm, active time): give a day more, or all there is.
// Those that start at its end or later are passed over. An activation that lasts longer than the span is taken as
// active at its end; an acknowledgement after the end counts, it tells how long somebody waited. The error says what
// is wrong with the span, the options or an activation.
func Alarms(list []Activation, span Span, o Options) (Figures, error) {
	o = o.filled()
	if err := errors.Join(span.Check(), o.check()); err != nil {
		return Figures{}, err
	}
	w, err := newWork(list, span, o)
	if err != nil {
		return Figures{}, err
	}
	f := Figures{From: span.From.UTC(), To: span.To.UTC(), Alarms: len(w.inside), Notes: w.notes, Repaired: w.repaired}
	f.FloodBegins, f.FloodEnds, f.FleetingSeconds = o.FloodBegins, o.FloodEnds, o.Fleeting.Seconds()
	f.SeenSeconds = seconds(w.seen)
	if w.seen > 0 {
		f.PerDay = float64(f.Alarms) * 86400 / f.SeenSeconds
	}
	f.Hour, f.TenMinute = w.rate(time.Hour), w.rate(tenMinutes)
	f.BusyHours, f.BusyTens = w.busy(time.Hour, 30), w.busy(tenMinutes, 10)
	f.Sliding = w.floods(slidingFloods(w.starts, w.to, o))
	f.Fixed = w.floods(fixedFloods(w.starts, w.to, o))
	w.byRule(&f)
	f.Priorities, f.Acknowledge = w.priorities(), w.acknowledge()
	f.Findings = findings(&f)
	return f, nil
}

// work is what the figures are made from. Times are Unix nanoseconds.
type work struct {
	from, to int64
	seen     int64 // of that
	o        Options
	acts     []act   // all that start before the span's end, notes too, by start
	starts   []int64 // of those that ring
	inside   []int64 // the part of starts that is in the span
	notes    int     // in the span
	repaired int
}

// act is an activation with its times in numbers.
type act struct {
	*Activation
	start int64
	end   int64 // the span's end when it is later or not yet
}

func newWork(list []Activation, span Span, o Options) (*work, error) {
	w := &work{from: span.From.UnixNano(), to: span.To.UnixNano(), o: o, acts: make([]act, 0, len(list))}
	w.seen = w.to - w.from - w.unseen(o.Unseen)
	for i := range list {
		a := &list[i]
		if !dated(a.Start) {
			return nil, fmt.Errorf("activation %d of %s: %w", i+1, a.Rule, errNoStart)
		}
		if start := a.Start.UnixNano(); start < w.to {
			w.acts = append(w.acts, act{a, start, w.end(a, start)})
		}
	}
	if !slices.IsSortedFunc(w.acts, byStart) {
		sorting.StableFunc(w.acts, byStart)
	}
	w.starts = make([]int64, 0, len(w.acts))
	for i := range w.acts {
		a := &w.acts[i]
		switch {
		case a.rings():
			w.starts = append(w.starts, a.start)
		case a.start >= w.from:
			w.notes++
		}
	}
	first, _ := slices.BinarySearch(w.starts, w.from)
	w.inside = w.starts[first:]
	return w, nil
}

// unseen returns how much of the span nobody saw.
func (w *work) unseen(list []Span) (sum int64) {
	list = slices.Clone(list)
	sorting.StableFunc(list, func(a, b Span) int { return a.From.Compare(b.From) })
	until := w.from
	for _, s := range list {
		if !dated(s.From) || !dated(s.To) {
			continue
		}
		from, to := max(s.From.UnixNano(), until), min(s.To.UnixNano(), w.to)
		if from < to {
			sum, until = sum+to-from, to
		}
	}
	return sum
}

// ofSeen returns a length as a share of the time seen.
func (w *work) ofSeen(ns int64) float64 {
	if w.seen == 0 {
		return 0
	}
	return min(float64(ns)/float64(w.seen), 1) // an alarm that stood while nobody looked may seem to last longer
}

func byStart(a, b act) int { return cmp.Compare(a.start, b.start) }

func (w *work) end(a *Activation, start int64) int64 {
	early := !a.Acknowledged.IsZero() && a.Acknowledged.Before(a.Start)
	end := w.to
	if !a.End.IsZero() && a.End.Before(moment(w.to)) {
		end = a.End.UnixNano()
	}
	if end < start {
		end, early = start, true
	}
	if early {
		w.repaired++
	}
	return min(end, w.to)
}

// seconds returns a length of nanoseconds in seconds.
func seconds(ns int64) float64 { return float64(ns) / float64(time.Second) }

func moment(ns int64) time.Time { return time.Unix(0, ns).UTC() }
