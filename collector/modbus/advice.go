package modbus

import (
	"errors"
	"slices"

	"roundsman/collector/modbus/wire"
)

// Advice names what the latest round of Once tells of the line, with cause and next step: a unit that is silent, a
// setting that does not fit, an address that is refused. nil if every request was answered. Not while Run runs.
func (l *Link) Advice() []Finding {
	failed, answered := l.failures()
	if l.lastDown != nil || len(failed) == 0 {
		return nil // the error says it
	}
	var out []Finding
	units := make([]uint8, 0, len(failed))
	for u := range failed {
		units = append(units, u)
	}
	slices.Sort(units)
	for _, u := range units {
		others := len(answered) > 1 || len(answered) == 1 && !answered[u]
		for _, t := range l.tallies(u, failed[u], answered[u]) {
			out = append(out, t.Diagnose(others)...)
		}
	}
	return l.oneSilence(out, len(answered) == 0)
}

// oneSilence keeps one of many silent units where nobody answered: the line's trouble is one.
func (l *Link) oneSilence(found []Finding, nobody bool) []Finding {
	seen := map[Symptom]bool{}
	return slices.DeleteFunc(found, func(f Finding) bool {
		twice := seen[f.Symptom] && (f.Symptom != AllRefused && nobody)
		seen[f.Symptom] = true
		return twice
	})
}

// failures returns the different failed requests of the latest round by unit, and the units that answered one with values.
func (l *Link) failures() (failed map[uint8][]*RequestError, answered map[uint8]bool) {
	failed, answered = map[uint8][]*RequestError{}, map[uint8]bool{}
	for i := range l.slots {
		g := &l.slots[i].got
		var e *RequestError
		switch {
		case g.round != l.count:
		case g.err == nil:
			answered[l.slots[i].Unit] = true
		case errors.As(g.err, &e) && !slices.Contains(failed[e.Unit], e):
			failed[e.Unit] = append(failed[e.Unit], e)
		}
	}
	return failed, answered
}

// tallies turns a unit's failures into tallies: one of all that was not answered, one for each refusal.
func (l *Link) tallies(unit uint8, failed []*RequestError, alive bool) []*Tally {
	var out []*Tally
	silent := &Tally{Options: l.opts, Question: Question{Unit: unit, Table: failed[0].Table, Start: failed[0].Start, Count: failed[0].Count}}
	if alive {
		silent.Asked, silent.Answered = 1, 1
	}
	for _, e := range failed {
		var x Exception
		if errors.As(e.Err, &x) {
			out = append(out, &Tally{Options: l.opts, Question: Question{Unit: unit, Table: e.Table, Start: e.Start, Count: e.Count},
				Asked: 1, Answered: 1, Exceptions: 1, Last: x})
			continue
		}
		n := max(e.Tries, 1)
		silent.Asked += n
		silent.Last = e.Err
		if p := silent.of(wire.ReasonOf(e.Err)); p != nil {
			*p += n
		}
	}
	if silent.Last != nil {
		out = append(out, silent)
	}
	return out
}

// of returns the count that a failure belongs to, nil for one that says nothing of the line.
func (t *Tally) of(r wire.Reason) *int {
	switch r {
	case wire.TimedOut:
		return &t.Silent
	case wire.BadCRC:
		return &t.Spoiled
	case wire.WrongLength:
		return &t.Cut
	case wire.Garbage:
		return &t.Garbage
	case wire.Echo:
		return &t.Echo
	case wire.Closed:
		return &t.Closed
	}
	return nil
}
