package rehearsal

import (
	"slices"
	"sort"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// candidate is a deadband, as an index into the tracer's, with delays.
type candidate struct {
	deadband int
	on, off  time.Duration
}

// trial is what a candidate would have done.
type trial struct {
	candidate
	starts, ends []collector.Moment // one end fewer while active
}

// The points of the small site on which candidates are tried.
const (
	conditionPoint = iota
	suppressionPoint
)

// try runs the engine over the marks with one rule for each candidate. The condition becomes a value: 1 is beyond the
// limit of 0, -k has come back by the k-th deadband, and deadbands are counted likewise; so the engine's own
// comparisons, delays and totals decide.
func (t *tracer) try(list []candidate, from, to collector.Moment) ([]trial, error) {
	engine, err := t.trialEngine(list)
	if err != nil {
		return nil, err
	}
	trials := make([]trial, len(list))
	for i, c := range list {
		trials[i].candidate = c
	}
	var events []rules.Event
	take := func() {
		for _, e := range events {
			d := &trials[e.Rule]
			switch {
			case e.Kind == rules.EventStarted:
				d.starts = append(d.starts, e.At)
			case (e.Kind == rules.EventReturned || e.Kind == rules.EventSuppressed) && len(d.ends) < len(d.starts):
				d.ends = append(d.ends, e.At)
			}
		}
	}
	readings := []collector.Reading{conditionReading(t.far(), from), {Point: suppressionPoint, Quality: collector.Good, At: from}}
	now := from
	marks := t.sorted()
	for len(readings) > 0 {
		events, _ = engine.Step(now, readings, events[:0])
		take()
		readings = readings[:0]
		if len(marks) == 0 || marks[0].at > to {
			break
		}
		for now = marks[0].at; len(marks) > 0 && marks[0].at == now; marks = marks[1:] {
			readings = append(readings, marks[0].reading())
		}
	}
	events, _ = engine.Step(to, nil, events[:0])
	take()
	return trials, nil
}

func (t *tracer) trialEngine(list []candidate) (*rules.Engine, error) {
	points := []collector.Point{{ID: conditionPoint, Name: "condition"}, {ID: suppressionPoint, Name: "suppression"}}
	set := rules.Set{Conditions: []rules.Condition{{Name: "suppressed",
		Terms: []rules.Term{{Point: suppressionPoint, Op: rules.Equal, Value: 1, Condition: -1}}}}}
	for i, c := range list {
		set.Rules = append(set.Rules, rules.Rule{
			Name: string(rune('a' + i)), Point: conditionPoint, Kind: rules.High, Other: collector.NoPoint,
			Deadband: float64(c.deadband), OnDelay: c.on, OffDelay: c.off,
			OnTotal: t.rule.OnTotal, OnWithin: t.rule.OnWithin, SuppressWhen: []int{0},
		})
	}
	return rules.New(points, set)
}

// sorted returns the marks in the order of time: suppressions come from another engine than While.
func (t *tracer) sorted() []mark {
	marks := slices.Clone(t.marks)
	sort.SliceStable(marks, func(i, j int) bool { return marks[i].at < marks[j].at })
	return marks
}

func (m mark) reading() collector.Reading {
	switch m.code {
	case suppressed:
		return collector.Reading{Point: suppressionPoint, Value: 1, Quality: collector.Good, At: m.at}
	case unsuppressed:
		return collector.Reading{Point: suppressionPoint, Quality: collector.Good, At: m.at}
	}
	return conditionReading(m.code, m.at)
}

func conditionReading(code int16, at collector.Moment) collector.Reading {
	switch code {
	case bad:
		return collector.Reading{Point: conditionPoint, Quality: collector.Bad, At: at}
	case beyond:
		return collector.Reading{Point: conditionPoint, Value: 1, Quality: collector.Good, At: at}
	}
	return collector.Reading{Point: conditionPoint, Value: -float64(code), Quality: collector.Good, At: at}
}

// chatter counts the windows of three starts within a minute.
func (d *trial) chatter() int {
	n := 0
	for i := chatterStarts - 1; i < len(d.starts); i++ {
		if d.starts[i].Sub(d.starts[i-chatterStarts+1]) < chatterWithin {
			n++
		}
	}
	return n
}

// end returns when the i-th activation ended; to if it did not.
func (d *trial) end(i int, to collector.Moment) collector.Moment {
	if i < len(d.ends) {
		return d.ends[i]
	}
	return to
}

// incident is a run of activations less than a minute apart.
type incident struct{ from, to collector.Moment }

func (d *trial) incidents(to collector.Moment) []incident {
	var list []incident
	for i, at := range d.starts {
		if n := len(list); n > 0 && at.Sub(list[n-1].to) < chatterWithin {
			list[n-1].to = d.end(i, to)
			continue
		}
		list = append(list, incident{at, d.end(i, to)})
	}
	return list
}

// kept counts the true alarms among the incidents of the rule as it is, those that last longer than most; how many of
// them the candidate starts with a start of its own, at most that much later; and the largest delay.
func (d *trial) kept(list []incident, most time.Duration, to collector.Moment) (kept, wanted int, latest time.Duration) {
	i, before := 0, collector.Moment(-1<<63)
	for _, in := range list {
		if in.to.Sub(in.from) > most {
			wanted++
			for i < len(d.starts) && (d.starts[i] <= before || d.end(i, to) <= in.from) {
				i++
			}
			if i < len(d.starts) && d.starts[i] <= in.from.Add(most) {
				kept++
				latest = max(latest, d.starts[i].Sub(in.from))
			}
		}
		before = in.to
	}
	return kept, wanted, latest
}
