package rules

import (
	"time"

	"roundsman/collector"
)

// Wait is a time being counted: a delay in progress, a run, the cover of a window.
// While held it neither counts nor starts again.
type Wait struct {
	Running bool
	Held    bool
	First   collector.Moment // when it began, moved on by the time it was held
	Ran     time.Duration    // counted so far, while held
}

func (w *Wait) stop() { *w = Wait{} }

// run starts it, or lets it go on after a hold.
func (w *Wait) run(now collector.Moment) {
	switch {
	case !w.Running:
		*w = Wait{Running: true, First: now}
	case w.Held:
		w.First, w.Held, w.Ran = now.Add(-w.Ran), false, 0
	}
}

func (w *Wait) hold(now collector.Moment) {
	if w.Running && !w.Held {
		w.Held, w.Ran = true, now.Sub(w.First)
	}
}

// elapsed returns the time counted.
func (w *Wait) elapsed(now collector.Moment) time.Duration {
	switch {
	case !w.Running:
		return 0
	case w.Held:
		return w.Ran
	}
	return now.Sub(w.First)
}

// due returns when it will have counted d; Never while it does not count.
func (w *Wait) due(d time.Duration) collector.Moment {
	if !w.Running || w.Held {
		return collector.Never
	}
	return w.First.Add(d)
}

// Span is a time during which a condition was true.
type Span struct{ From, To collector.Moment }

// maxSpans bounds a tally's memory. A condition that changes more often within
// its window has its two oldest spans joined at the later one: their sum stays
// exact and counts a little longer, which errs on the side of the alarm.
const maxSpans = 4096

// tally sums exactly for how long a condition was true within a sliding window.
type tally struct {
	spans ring[Span]
	open  bool
	since collector.Moment // of the open span
}

func (t *tally) clear() {
	t.spans.clear()
	t.open = false
}

// set tells whether the condition is true from now on.
func (t *tally) set(now collector.Moment, on bool) {
	switch {
	case on && !t.open:
		t.open, t.since = true, now
	case !on && t.open:
		t.open = false
		if now > t.since {
			t.keep(Span{t.since, now})
		}
	}
}

func (t *tally) keep(s Span) {
	if t.spans.len() == maxSpans {
		a := *t.spans.first()
		t.spans.dropFirst()
		b := t.spans.first()
		b.From = b.From.Add(-a.To.Sub(a.From))
	}
	t.spans.push(s)
}

// total returns the time true within the window that ends now.
func (t *tally) total(now collector.Moment, within time.Duration) time.Duration {
	from := now.Add(-within)
	for t.spans.len() > 0 && t.spans.first().To <= from {
		t.spans.dropFirst()
	}
	var sum time.Duration
	for i := range t.spans.len() {
		s := t.spans.at(i)
		sum += s.To.Sub(max(s.From, from))
	}
	if t.open {
		sum += now.Sub(max(t.since, from))
	}
	return sum
}

// reach returns the first moment at which total is need, if the condition stays as it is now.
// While it is true, each moment adds one at the front and the window loses one at the back only
// where that was true: the sum grows just by the gaps that leave the window.
func (t *tally) reach(now collector.Moment, need, within time.Duration) collector.Moment {
	need -= t.total(now, within)
	if need <= 0 {
		return now
	}
	if !t.open {
		return collector.Never
	}
	back := now.Add(-within)
	for i := 0; i <= t.spans.len(); i++ {
		s := Span{t.since, collector.Never}
		if i < t.spans.len() {
			s = *t.spans.at(i)
		}
		if gap := s.From.Sub(back); gap > 0 {
			if gap >= need {
				return back.Add(need).Add(within)
			}
			need -= gap
		}
		back = max(back, s.To)
	}
	return collector.Never
}

// delays stands between a verdict and the alarm: it makes the condition active or inactive.
type delays struct {
	rule   *Rule
	active bool
	wait   Wait // of the change that is not yet made
	tally  tally
}

// judge takes the verdict that holds from now on and reports when active may change without another.
// hold says that an unknown verdict stops a wait in progress (a bad reading) and does not merely
// wait for the first reading.
func (d *delays) judge(now collector.Moment, v verdict, hold bool) collector.Moment {
	if v == unknown {
		if hold {
			d.tally.set(now, false)
			d.wait.hold(now)
		}
		return collector.Never
	}
	due := collector.Never
	if (v == yes) == d.active {
		d.wait.stop()
	} else {
		d.wait.run(now)
		due = d.wait.due(d.rule.delay(d.active))
	}
	due = min(due, d.tallied(now, v))
	if due <= now {
		d.turn()
		return collector.Never
	}
	return due
}

// tallied returns when the time true within OnWithin reaches OnTotal.
func (d *delays) tallied(now collector.Moment, v verdict) collector.Moment {
	if d.rule.OnTotal <= 0 || d.active {
		return collector.Never
	}
	d.tally.set(now, v == yes)
	if v != yes {
		return collector.Never
	}
	return d.tally.reach(now, d.rule.OnTotal, d.rule.OnWithin)
}

// turn changes active. What was tallied belongs to the activation it led to: the next needs its own.
func (d *delays) turn() {
	d.active = !d.active
	d.wait.stop()
	d.tally.clear()
}

// restart forgets all that was waited for, as if the condition were seen for the first time.
func (d *delays) restart() {
	d.active = false
	d.wait.stop()
	d.tally.clear()
}

// delay returns the delay of leaving the state.
func (r *Rule) delay(active bool) time.Duration {
	if active {
		return r.OffDelay
	}
	return r.OnDelay
}
