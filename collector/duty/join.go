package duty

import (
	"slices"
	"time"

	"roundsman/collector"
)

// whyUnread is why time was not seen where what was kept could not be read at a start.
const whyUnread = "what was kept could not be read at the start"

// Seen is how a meter that began with nothing went on: what it knows at the end, and what it saw first.
type Seen struct {
	Kept
	From   collector.Moment   // of its first look
	Hours  *collector.Reading // the first usable reading of an hour meter; nil: none
	Starts *collector.Reading // the same of a counter of starts
	Jumps  func(Jump)         // told of a jump between then and now; nil: nobody
	Ended  func(Interval)     // given what ends where the two meet; nil: nobody
}

// Join returns what a meter would know that had gone on at the moment start from what was kept, where in truth another one
// began then with nothing. What was kept ends with the other's first look; whether one run goes on from the one to the other
// is not known, so it is two.
func Join(spec Spec, kept Kept, start collector.Moment, later Seen) Kept {
	switch {
	case !later.Looked:
		return kept
	case !kept.Looked:
		return later.Kept
	}
	m := New(spec)
	m.OnInterval(later.Ended)
	m.OnJump(later.Jumps)
	m.Restore(kept, start)
	m.close(max(later.From, m.k.At), later)
	out, old := later.Kept, m.k
	out.Run, out.Seen, out.Unseen = out.Run+old.Run, out.Seen+old.Seen, out.Unseen+old.Unseen
	out.Starts, out.Runs = out.Starts+old.Starts, out.Runs+old.Runs
	out.Longest, out.WorstHour = max(out.Longest, old.Longest), max(out.WorstHour, old.WorstHour)
	out.Before.Sum(old.Before)
	out.Asked = append(slices.Clone(old.Asked), out.Asked...)
	out.Asked = out.Asked[max(0, len(out.Asked)-mostAsked):]
	out.HourStarts = append(slices.DeleteFunc(slices.Clone(old.HourStarts), func(s collector.Moment) bool { return out.At.Sub(s) >= time.Hour }), out.HourStarts...)
	out.HourStarts = out.HourStarts[max(0, len(out.HourStarts)-maxHourStarts):]
	return out
}

// close ends all that is in progress at a moment, where another meter begins.
func (m *Meter) close(at collector.Moment, later Seen) {
	k := &m.k
	if later.Starts != nil {
		m.ObserveStarts(at, later.Starts)
	}
	switch {
	case m.register == nil:
		m.pass(at)
	case later.Hours != nil:
		m.meter(at, later.Hours, true)
	}
	if m.register != nil && k.At < at { // what it ran since then nobody can tell
		k.Unseen += at.Sub(k.At)
		m.lose(k.At, whyUnread)
	}
	k.At = at
	m.end(false, whyUnread)
	k.State = Still
	m.lose(at, whyUnread) // also without length: it carries the time it stood before
	m.emit(Interval{Kind: Unseen, From: k.Lost, To: at, Why: k.LostWhy})
	k.Blind, k.Lost, k.LostWhy = false, 0, ""
}

// Sum adds totals.
func (t *Totals) Sum(o Totals) {
	t.Run, t.Seen, t.Unseen = t.Run+o.Run, t.Seen+o.Seen, t.Unseen+o.Unseen
	t.Starts, t.Runs = t.Starts+o.Starts, t.Runs+o.Runs
}
