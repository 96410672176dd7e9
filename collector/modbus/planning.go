package modbus

import (
	"errors"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/plan"
)

// request is one read and the slots it serves, in order of their start.
type request struct {
	unit         *unit
	table        Table
	start, count uint16
	slots        []int
}

// Cost of a TCP exchange in the plan: small controllers answer once a cycle
// (common practice, no source), and a byte more costs next to nothing.
const (
	tcpRoundTrip = 5 * time.Millisecond
	tcpPerByte   = time.Microsecond
)

// line returns the cost model of the link.
func (o Options) line() plan.Line {
	turnaround := func(unit uint8) time.Duration { return o.Units[unit].Turnaround }
	if o.Transport == RTU {
		return plan.Line{Baud: o.Baud, CharBits: o.mode().CharBits(), Gap: o.Gap, Turnaround: turnaround}
	}
	return plan.Line{RoundTrip: tcpRoundTrip, PerByte: tcpPerByte, Gap: o.Gap, Turnaround: turnaround}
}

// limit returns what the site file and the link's own lessons allow for one
// table of a unit. No request runs across an address that was refused.
func (l *Link) limit(unit, table uint8) plan.Limit {
	lim := l.opts.limit(unit, table)
	learned := l.lessons[lessonKey{unit, Table(table)}]
	if learned.max > 0 && (lim.Max == 0 || learned.max < lim.Max) {
		lim.Max = learned.max
	}
	lim.Forbidden = append(lim.Forbidden, learned.gaps...)
	for i := range l.slots {
		s := &l.slots[i]
		if s.refusal != nil && s.Unit == unit && s.Table == Table(table) {
			lim.Forbidden = append(lim.Forbidden, plan.Span{First: s.Start, Last: s.Start + s.Count() - 1})
		}
	}
	return lim
}

// limit returns what the site file allows for one table of a unit.
func (o Options) limit(unit, table uint8) plan.Limit {
	u := o.Units[unit]
	lim := plan.Limit{Max: u.MaxRegisters}
	if Table(table).Bits() {
		lim.Max = u.MaxBits
	}
	for _, s := range u.Forbidden {
		if s.Table == Table(table) {
			lim.Forbidden = append(lim.Forbidden, plan.Span{First: s.First, Last: s.Last})
		}
	}
	return lim
}

// checkPlan names the points that no request can read.
func (l *Link) checkPlan(points []collector.Point) error {
	items := make([]plan.Item, len(l.slots))
	for i := range l.slots {
		items[i] = l.slots[i].item()
	}
	_, err := plan.Build(items, l.opts.limit, l.line)
	var errs []error
	for _, e := range split(err) {
		var bad *plan.ItemError
		if !errors.As(e, &bad) {
			errs = append(errs, e)
			continue
		}
		name := "marker"
		if s := l.slots[bad.Index]; s.point >= 0 {
			name = pointName(points, s.id)
		}
		errs = append(errs, fmt.Errorf("%s: %w", name, bad))
	}
	return errors.Join(errs...)
}

// split takes joined errors apart.
func split(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var all []error
		for _, e := range j.Unwrap() {
			all = append(all, split(e)...)
		}
		return all
	}
	if err == nil {
		return nil
	}
	return []error{err}
}

func (s *slot) item() plan.Item {
	return plan.Item{Unit: s.Unit, Table: uint8(s.Table), Start: s.Start, Count: s.Count()}
}

// requests returns the plan for a set of due groups, kept until a lesson is learned.
func (l *Link) requests(due uint64) []request {
	if p, ok := l.plans[due]; ok {
		return p
	}
	if len(l.plans) >= mostPlans {
		clear(l.plans)
	}
	p := l.planFor(l.dueSlots(due))
	l.plans[due] = p
	return p
}

// mostPlans bounds the memory for plans of ever new sets of intervals.
const mostPlans = 256

// dueSlots returns the slots of the due groups that are not refused, and the markers of their units.
func (l *Link) dueSlots(due uint64) []int {
	var slots []int
	marked := map[*unit]bool{}
	for i := range l.groups {
		if due>>i&1 == 0 {
			continue
		}
		for _, n := range l.groups[i].slots {
			s := &l.slots[n]
			if s.refusal == nil {
				slots = append(slots, n)
			}
			if u := s.unit; u.marker >= 0 && !marked[u] {
				marked[u] = true
				if l.slots[u.marker].refusal == nil {
					slots = append(slots, u.marker)
				}
			}
		}
	}
	return slots
}

// planFor returns the cheapest requests for the slots. A slot that what was
// learned of the device leaves unreadable gets a request of its own.
func (l *Link) planFor(slots []int) []request {
	items := make([]plan.Item, len(slots))
	for i, n := range slots {
		items[i] = l.slots[n].item()
	}
	planned, err := plan.Build(items, l.limit, l.line)
	out := make([]request, 0, len(planned))
	for _, p := range planned {
		r := request{unit: l.slots[slots[p.Items[0]]].unit, table: Table(p.Table), start: p.Start, count: p.Count}
		for _, i := range p.Items {
			r.slots = append(r.slots, slots[i])
		}
		l.sort(r.slots)
		out = append(out, r)
	}
	for _, e := range split(err) {
		var bad *plan.ItemError
		if errors.As(e, &bad) {
			out = append(out, l.alone(slots[bad.Index]))
		}
	}
	return out
}

// alone returns the request that reads one slot only.
func (l *Link) alone(n int) request {
	s := &l.slots[n]
	return request{unit: s.unit, table: s.Table, start: s.Start, count: s.Count(), slots: []int{n}}
}
