package mqtt

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"roundsman/collector"
	"roundsman/collector/mqtt/payload"
)

// knownTopics bounds the memory of topics seen, which a broker could fill through a wildcard.
const knownTopics = 4096

// table holds the points and devices of a link and finds those that a topic
// concerns. The reader owns it; filters never change.
type table struct {
	filters []string // to subscribe to
	points  []*point
	devices []*device
	exact   map[string][]*point
	wild    []*point // whose filter holds a wildcard
	routes  map[string]*route
	limit   int              // bytes of a payload
	next    collector.Moment // no point becomes stale before
}

// device is one status topic with the points that depend on it.
type device struct {
	topic, yes string
	points     []*point
	gone       bool
}

// route is what one topic leads to.
type route struct {
	devices []*device
	groups  []group
}

// group is a set of points whose values one walk over the payload finds.
type group struct {
	finder   *payload.Finder // nil where no point looks inside
	pointers []payload.Pointer
	found    []payload.Value // scratch
	targets  []target
}

// target is a point with the places of its pointers in its group; -1 is none.
type target struct {
	point       *point
	value, time int
	where       []int // as the point's own conditions
}

// newTable compiles the points of the options.
func newTable(o Options, points []collector.Point) (*table, error) {
	t := &table{
		exact:  make(map[string][]*point),
		routes: make(map[string]*route),
		limit:  o.MaxPayload,
		next:   collector.Never,
	}
	devices := make(map[Online]*device)
	filters := make(map[string]bool)
	var errs []error
	for _, spec := range o.Points {
		p, err := newPoint(spec, points)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		t.add(p, devices)
		filters[spec.Topic] = true
	}
	for _, d := range t.devices {
		filters[d.topic] = true
	}
	t.filters = slices.Sorted(maps.Keys(filters))
	t.markStatusTopics()
	return t, errors.Join(errs...)
}

func (t *table) add(p *point, devices map[Online]*device) {
	t.points = append(t.points, p)
	if isWildcard(p.spec.Topic) {
		t.wild = append(t.wild, p)
	} else {
		t.exact[p.spec.Topic] = append(t.exact[p.spec.Topic], p)
	}
	if p.spec.Online == nil {
		return
	}
	d := devices[*p.spec.Online]
	if d == nil {
		d = &device{topic: p.spec.Online.Topic, yes: p.spec.Online.Yes}
		devices[*p.spec.Online] = d
		t.devices = append(t.devices, d)
	}
	d.points = append(d.points, p)
	p.device = d
}

// markStatusTopics lets points that show a status topic take its retained
// message for what it is: the present state.
func (t *table) markStatusTopics() {
	for _, d := range t.devices {
		for _, p := range t.exact[d.topic] {
			p.spec.OnChange = true
		}
	}
}

// route returns what a topic leads to, and remembers it.
func (t *table) route(topic string) *route {
	if r := t.routes[topic]; r != nil {
		return r
	}
	r := &route{}
	for _, d := range t.devices {
		if d.topic == topic {
			r.devices = append(r.devices, d)
		}
	}
	for _, p := range t.exact[topic] {
		r.add(p)
	}
	for _, p := range t.wild {
		if Match(p.spec.Topic, topic) {
			r.add(p)
		}
	}
	if len(t.routes) < knownTopics {
		t.routes[topic] = r
	}
	return r
}

// add adds a point to the last group, or to a new one if it is full.
func (r *route) add(p *point) {
	n := len(r.groups)
	if n == 0 || len(r.groups[n-1].pointers)+len(p.pointers()) > payload.MaxPointers {
		r.groups = append(r.groups, group{})
		n++
	}
	g := &r.groups[n-1]
	to := target{point: p, value: -1, time: -1}
	if p.value.String() != "" {
		to.value = g.place(p.value)
	}
	if p.time.String() != "" {
		to.time = g.place(p.time)
	}
	for _, w := range p.where {
		to.where = append(to.where, g.place(w.at))
	}
	g.targets = append(g.targets, to)
	if len(g.pointers) > 0 {
		g.finder, _ = payload.NewFinder(g.pointers...) // the number was looked at above and in newPoint
		g.found = make([]payload.Value, len(g.pointers))
	}
}

// place returns the place of a pointer among the group's, adding it if it is new.
func (g *group) place(p payload.Pointer) int {
	for i, q := range g.pointers {
		if q.String() == p.String() {
			return i
		}
	}
	g.pointers = append(g.pointers, p)
	return len(g.pointers) - 1
}

// read judges one message: it appends the readings that come of it.
func (t *table) read(dst []collector.Reading, m *message, now instant) ([]collector.Reading, collector.Outcome) {
	r := t.route(m.topic)
	for _, d := range r.devices {
		dst = d.tell(dst, m, now)
	}
	outcome := collector.Answered
	for i := range r.groups {
		g := &r.groups[i]
		whole, err := g.find(m, t.limit)
		for j := range g.targets {
			var reading collector.Reading
			to := &g.targets[j]
			emit := false
			switch {
			case err != nil:
				reading, emit = to.point.unreadable(m, err)
				outcome = collector.Malformed
			case to.matches(g.found):
				reading, emit = to.point.read(pick(g.found, to.value, whole), pick(g.found, to.time, payload.Value{}), m, now)
			}
			if !emit {
				continue
			}
			if reading.Fault == collector.BadPayload {
				outcome = collector.Malformed
			}
			t.next = min(t.next, to.point.deadline)
			dst = append(dst, reading)
		}
	}
	return dst, outcome
}

func pick(found []payload.Value, at int, other payload.Value) payload.Value {
	if at < 0 {
		return other
	}
	return found[at]
}

// find looks for the group's values in a message.
func (g *group) find(m *message, limit int) (whole payload.Value, err error) {
	if m.size > limit {
		return whole, fmt.Errorf("payload of %d bytes, at most %d are taken", m.size, limit)
	}
	if g.finder != nil {
		if err := g.finder.Find(m.payload, g.found); err != nil {
			return whole, err
		}
	}
	return payload.Whole(m.payload), nil
}

// matches reports whether the message is from the point's device.
func (to *target) matches(found []payload.Value) bool {
	for i, at := range to.where {
		if !found[at].Is(to.point.where[i].want) {
			return false
		}
	}
	return true
}

// tell takes a message on the device's status topic.
func (d *device) tell(dst []collector.Reading, m *message, now instant) []collector.Reading {
	here := m.size == len(m.payload) && payload.Whole(m.payload).Is(d.yes)
	if here == !d.gone {
		return dst
	}
	d.gone = !here
	why := fmt.Sprintf("%s says %s", d.topic, payload.QuotePart(m.payload, m.size))
	for _, p := range d.points {
		if d.gone {
			dst = append(dst, p.mark(collector.DeviceOffline, now.at, why))
		} else {
			dst = append(dst, p.mark(collector.Stale, now.at, "the device is back, no new value yet"))
		}
	}
	return dst
}

// connected lets values from before the link was lost stand again that are not too old, and starts the time in which
// every other point must get one.
func (t *table) connected(dst []collector.Reading, now collector.Moment) []collector.Reading {
	for _, p := range t.points {
		if r, ok := p.back(now); ok {
			dst = append(dst, r)
		} else if !p.fresh && p.spec.StaleAfter > 0 {
			p.deadline = now.Add(p.spec.StaleAfter)
		}
		t.next = min(t.next, p.deadline)
	}
	return dst
}

// lost marks all points: nobody knows what a lost connection does not bring.
func (t *table) lost(dst []collector.Reading, now collector.Moment, why string) []collector.Reading {
	for _, p := range t.points {
		if p.shown != collector.LinkLost {
			dst = append(dst, p.lost(now, why))
		}
	}
	for _, d := range t.devices {
		d.gone = false // the status topic is retained and will say so again
	}
	return dst
}

// refuse marks the points whose subscription the broker refused.
func (t *table) refuse(dst []collector.Reading, filters []string, now collector.Moment) []collector.Reading {
	for _, f := range filters {
		for _, p := range t.points {
			if p.spec.Topic == f {
				dst = append(dst, p.mark(collector.Refused, now, refusal([]string{f})))
			}
		}
	}
	return dst
}

// expire marks the points whose time has run out and finds the next moment.
func (t *table) expire(dst []collector.Reading, now instant) []collector.Reading {
	t.next = collector.Never
	for _, p := range t.points {
		if p.deadline <= now.at {
			if r, ok := p.expired(now); ok {
				dst = append(dst, r)
			}
		}
		t.next = min(t.next, p.deadline)
	}
	return dst
}
