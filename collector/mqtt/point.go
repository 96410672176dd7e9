package mqtt

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/mqtt/payload"
	"roundsman/collector/scaling"
)

// How far a device's clock may be off before its time stamps are not believed.
const (
	mostAhead  = time.Minute
	mostBehind = 365 * 24 * time.Hour // further back it is a clock that was never set, not an old value
)

// retainedFor is how old a retained message may be where the site file gives no time after which the point is stale.
const retainedFor = 10 * time.Minute

// instant is one moment on both scales.
type instant struct {
	at   collector.Moment
	wall time.Time
}

// condition is one entry of Where.
type condition struct {
	at   payload.Pointer
	want string
}

// point is one point with its state. The reader owns it.
type point struct {
	spec   Point
	info   collector.Point
	value  payload.Pointer
	time   payload.Pointer
	where  []condition
	device *device // nil: none
	scale  *scaling.Channel
	unit   unitMemory

	fresh    bool // the last reading was a measurement and is not too old
	ever     bool // a message was once taken
	shown    collector.Fault
	raw      float64
	stamp    time.Time // of the last measurement, as sent; zero: none
	trusted  bool      // stamp is believed
	taken    collector.Moment
	deadline collector.Moment

	before collector.Reading // the last measurement
	until  collector.Moment  // before stands until then if a lost link comes back; 0: it does not
}

// unitMemory is the last unit symbol that was looked up.
type unitMemory struct {
	symbol         string
	factor, offset float64
}

func newPoint(spec Point, points []collector.Point) (*point, error) {
	if !known(spec.ID, points) {
		return nil, fmt.Errorf("point %d is not in the list of %d", spec.ID, len(points))
	}
	p := &point{spec: spec, info: points[spec.ID], deadline: collector.Never}
	if err := p.compile(); err != nil {
		return nil, fmt.Errorf("%s: %w", p.info.Name, err)
	}
	return p, nil
}

func (p *point) compile() error {
	errs := []error{ValidFilter(p.spec.Topic), p.checkOnline()}
	var err error
	if p.scale, err = scaling.New(p.spec.ID, p.spec.Scale); err != nil {
		errs = append(errs, err)
	}
	if p.value, err = payload.ParsePointer(p.spec.Value); err != nil {
		errs = append(errs, fmt.Errorf("value: %w", err))
	}
	if p.time, err = payload.ParsePointer(p.spec.Time); err != nil {
		errs = append(errs, fmt.Errorf("time: %w", err))
	}
	for _, at := range slices.Sorted(maps.Keys(p.spec.Where)) {
		pointer, err := payload.ParsePointer(at)
		if err != nil {
			errs = append(errs, fmt.Errorf("where: %w", err))
		}
		p.where = append(p.where, condition{pointer, p.spec.Where[at]})
	}
	if p.spec.StaleAfter < 0 {
		errs = append(errs, fmt.Errorf("stale after %v: a time is not negative", p.spec.StaleAfter))
	}
	if len(p.pointers()) > payload.MaxPointers {
		errs = append(errs, fmt.Errorf("%d pointers, at most %d", len(p.pointers()), payload.MaxPointers))
	}
	return errors.Join(errs...)
}

func (p *point) checkOnline() error {
	o := p.spec.Online
	switch {
	case o == nil:
		return nil
	case isWildcard(o.Topic):
		return fmt.Errorf("online: topic %q names more than one topic", o.Topic)
	}
	if err := ValidFilter(o.Topic); err != nil {
		return fmt.Errorf("online: %w", err)
	}
	return nil
}

// pointers returns all pointers of the point.
func (p *point) pointers() []payload.Pointer {
	list := []payload.Pointer{p.value, p.time}
	for _, w := range p.where {
		list = append(list, w.at)
	}
	return list
}

// mark makes the point's reading a bad one that no message gave.
func (p *point) mark(f collector.Fault, at collector.Moment, why string) collector.Reading {
	p.fresh, p.shown, p.deadline, p.until = false, f, collector.Never, 0
	if f == collector.LinkLost || f == collector.DeviceOffline {
		p.scale.Reset() // what comes next may come from another instrument
	}
	return collector.Fail(p.spec.ID, f, p.raw, at, why)
}

// unreadable returns the reading of a message that cannot be taken apart. On
// a shared topic nobody can say whose message it was; there it counts only
// until the point was read once, so that commissioning shows it.
func (p *point) unreadable(m *message, err error) (collector.Reading, bool) {
	if p.gone() || len(p.where) > 0 && p.ever {
		return collector.Reading{}, false
	}
	return p.fail(collector.BadPayload, m, err), true
}

func (p *point) gone() bool { return p.device != nil && p.device.gone }

// fail returns a bad reading for a message and shows how the payload begins.
// The deadline stands: a value that cannot be read does not make the point younger.
func (p *point) fail(f collector.Fault, m *message, err error) collector.Reading {
	p.fresh, p.shown = false, f
	return collector.Fail(p.spec.ID, f, p.raw, m.at, fmt.Sprintf("%v: %s", err, payload.QuotePart(m.payload, m.size)))
}

// read judges the value and the time stamp of one message. It returns false
// where the message changes nothing.
func (p *point) read(v, stamp payload.Value, m *message, now instant) (collector.Reading, bool) {
	if p.gone() {
		return collector.Reading{}, false
	}
	p.ever = true
	age := p.age(stamp, now)
	if why := p.tooOld(age, m); why != "" {
		return p.kept(m, why)
	}
	n, err := p.number(v)
	if err != nil {
		return p.fail(faultOf(err), m, err), true
	}
	if p.repeats(age, n) {
		return collector.Reading{}, false
	}
	return p.measured(n, v, age, now), true
}

// faultOf tells a number that is none from a payload that is unreadable.
func faultOf(err error) collector.Fault {
	if errors.Is(err, payload.ErrNotFinite) {
		return collector.NotANumber
	}
	return collector.BadPayload
}

// measured takes a value whose age is known or taken from its arrival.
func (p *point) measured(n float64, v payload.Value, age age, now instant) collector.Reading {
	p.stamp, p.trusted, p.raw, p.taken, p.until = age.stamp, age.trusted, n, now.at, 0
	at := now.at
	if age.trusted {
		at = now.at.Add(-max(0, age.old))
	}
	if after := p.spec.StaleAfter; after > 0 && age.trusted && age.old > after {
		r := p.mark(collector.Stale, at, fmt.Sprintf("time stamp %s is %v old, at most %v",
			age.stamp.Format(time.RFC3339), age.old.Round(time.Second), after))
		r.Raw = n
		return r
	}
	r := p.scale.Judge(n, at)
	p.fresh, p.shown = r.Quality.Usable(), r.Fault
	p.deadline = collector.Never
	if p.spec.StaleAfter > 0 {
		p.deadline = at.Add(p.spec.StaleAfter)
	}
	if p.info.Kind == collector.Text {
		r.Text = safeText(v.Text())
	}
	if r.Fault == collector.NoFault && age.doubt != "" {
		r.Fault, r.Quality, r.Detail = collector.Hinted, collector.Hinted.Quality(), age.doubt
	}
	p.before = r
	return r
}

// lost makes the point bad because its link is down. A value that may be so old stands again if the link comes back in
// its time: see back.
func (p *point) lost(now collector.Moment, why string) collector.Reading {
	var until collector.Moment
	if p.fresh && p.deadline != collector.Never {
		until = p.deadline
	}
	r := p.mark(collector.LinkLost, now, why)
	p.until = until
	return r
}

// holds reports whether a value from before the link was lost may still stand.
func (p *point) holds(now collector.Moment) bool { return p.until > now }

// back returns the value from before the link was lost, as old as it is, if nothing newer came and its time is not over:
// a sensor that reports each ten minutes must not be without a value for ten minutes because the broker started anew.
func (p *point) back(now collector.Moment) (collector.Reading, bool) {
	if p.shown != collector.LinkLost || !p.holds(now) {
		return collector.Reading{}, false
	}
	p.fresh, p.shown, p.deadline, p.until = true, p.before.Fault, p.until, 0
	return p.before, true
}

// expired returns the reading of a point whose time has run out; false where a better reason is shown already.
func (p *point) expired(now instant) (collector.Reading, bool) {
	after := p.spec.StaleAfter
	switch {
	case p.shown == collector.Retained:
		p.deadline = collector.Never
		return collector.Reading{}, false
	case p.taken == 0:
		return p.mark(collector.Stale, now.at, fmt.Sprintf("nothing came in %v", after)), true
	case p.trusted:
		return p.mark(collector.Stale, now.at, fmt.Sprintf("no time stamp after %s, %v is the most",
			p.stamp.Format(time.RFC3339), after)), true
	}
	last := now.wall.Add(p.taken.Sub(now.at)).Format(time.RFC3339)
	return p.mark(collector.Stale, now.at, fmt.Sprintf("nothing new since %s, %v is the most", last, after)), true
}
