package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/plan"
	"roundsman/collector/scaling"
	"roundsman/collector/sorting"
)

// Link polls the devices of one line on a fixed grid. New makes it; one
// goroutine calls Run or Once, any may call Name and Status.
type Link struct {
	opts   Options
	clock  *collector.Clock
	meter  collector.LinkMeter
	reader *reader
	line   plan.Line

	slots  []slot
	units  []*unit // in order of their ids
	groups []group
	plans  map[uint64][]request // by the set of due groups

	lessons  lessons
	redial   backoff
	load     load
	lastDown error  // why the line could not be opened; nil while it is open
	untried  bool   // nobody has answered yet since the line was opened
	gone     bool   // the link is down and no unit has answered since
	probe    int    // which silent unit is asked next
	count    uint64 // rounds begun
	atOnce   bool   // failed currents are told without a hold
}

// slot is one value read over the link: a point's or a unit's marker.
type slot struct {
	Address
	point   int // index into Options.Points; -1 for a marker
	unit    *unit
	channel *scaling.Channel
	kind    collector.Kind
	ranged  bool // an analog point with a range that it can leave
	outside bool // was out of its range in the last round
	id      collector.PointID
	got     outcome
	usable  collector.Moment // of the last reading that rules could judge; 0: none since the channel began
	outage  time.Duration    // so long without one and the channel begins anew
	retryAt time.Time        // when a refused address is asked again
	refusal error            // why the address is left out of the rounds; nil: it is not
}

// outcome is what a round brought for a slot.
type outcome struct {
	round uint64 // which one; an older one's outcome is none
	raw   float64
	text  string
	fault collector.Fault
	err   error
	at    collector.Moment
}

// group is the points with one interval.
type group struct {
	every  time.Duration
	next   time.Time
	slots  []int
	missed bool      // not read the last time, for want of the link
	again  time.Time // when it is read once more because of that; zero: not
}

// New returns a link for the options. points are the site's points, clock the
// box's. Nothing is opened. All that is wrong with the options comes at once in
// a joined error.
func New(opts Options, points []collector.Point, clock *collector.Clock) (*Link, error) {
	opts = opts.complete()
	l := &Link{opts: opts, clock: clock, plans: map[uint64][]request{}, line: opts.line()}
	if err := l.build(points); err != nil {
		return nil, fmt.Errorf("link %s: %w", opts.Name, err)
	}
	l.meter.Describe(opts.Name, opts.Transport.String(), opts.Address)
	l.reader = newReader(opts)
	return l, nil
}

// build makes slots, units and groups and joins all that is wrong.
func (l *Link) build(points []collector.Point) error {
	errs := []error{l.opts.check()}
	byID := map[uint8]*unit{}
	for i, p := range l.opts.Points {
		if why := p.Address.check(); why != "" {
			errs = append(errs, fmt.Errorf("%s: %s", pointName(points, p.ID), why))
			continue
		}
		s, err := l.pointSlot(i, points)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", pointName(points, p.ID), err))
			continue
		}
		s.unit = l.unitOf(byID, p.Unit)
		if s.ranged {
			s.unit.ranged++
		}
		l.slots = append(l.slots, s)
		l.join(p.Every, len(l.slots)-1)
	}
	if len(l.groups) > maxGroups {
		errs = append(errs, fmt.Errorf("%d different intervals: %d at most", len(l.groups), maxGroups))
	}
	sorting.Func(l.units, func(a, b *unit) int { return int(a.id) - int(b.id) })
	l.addMarkers()
	errs = append(errs, l.checkPlan(points))
	return errors.Join(errs...)
}

// maxGroups bounds the sets of due groups to the bits of a word.
const maxGroups = 64

func pointName(points []collector.Point, id collector.PointID) string {
	if id >= 0 && int(id) < len(points) {
		return points[id].Name
	}
	return fmt.Sprintf("point %d", id)
}

func (l *Link) pointSlot(i int, points []collector.Point) (slot, error) {
	p := l.opts.Points[i]
	if p.Every <= 0 {
		return slot{}, fmt.Errorf("interval %v: must be longer than 0", p.Every)
	}
	if l.opts.Transport == RTU && (p.Unit == 0 || p.Unit > 247) {
		return slot{}, fmt.Errorf("unit id %d: 1 to 247 on a serial line", p.Unit)
	}
	c, err := scaling.New(p.ID, p.Scale)
	if err != nil {
		return slot{}, err
	}
	s := slot{Address: p.Address, point: i, id: p.ID, channel: c, kind: p.Scale.Kind}
	s.outage = max(longOutage, 3*p.Every) // a slow point's next reading is no outage
	if p.ID >= 0 && int(p.ID) < len(points) {
		s.kind = points[p.ID].Kind
	}
	s.ranged = s.kind == collector.Number && p.Scale.High > p.Scale.Low && !math.IsNaN(p.Scale.High-p.Scale.Low)
	return s, nil
}

// unitOf returns the state of a unit, made at its first point.
func (l *Link) unitOf(byID map[uint8]*unit, id uint8) *unit {
	u := byID[id]
	if u == nil {
		u = &unit{id: id, marker: -1, status: collector.NoPoint}
		if spec, ok := l.opts.Units[id]; ok {
			u.spec, u.status = spec, spec.Status
		}
		byID[id] = u
		l.units = append(l.units, u)
	}
	return u
}

// join puts a slot into the group of its interval.
func (l *Link) join(every time.Duration, slot int) {
	for i := range l.groups {
		if l.groups[i].every == every {
			l.groups[i].slots = append(l.groups[i].slots, slot)
			return
		}
	}
	l.groups = append(l.groups, group{every: every, slots: []int{slot}})
}

func (l *Link) addMarkers() {
	for _, u := range l.units {
		if m := u.spec.Marker; m != nil {
			a := Address{Unit: u.id, Table: m.Table, Start: m.Start, Type: Uint16}
			u.marker = len(l.slots)
			l.slots = append(l.slots, slot{Address: a, point: -1, unit: u, id: collector.NoPoint})
		}
	}
}

// check returns what is wrong with the options apart from their points.
func (o Options) check() error {
	if o.Transport > RTUOverTCP {
		return fmt.Errorf("transport %d: no such transport", o.Transport)
	}
	var errs []error
	if o.Transport == RTU {
		errs = append(errs, o.mode().Check())
	}
	for id, u := range o.Units {
		m := u.Marker
		if m != nil && m.Table != HoldingRegisters && m.Table != InputRegisters {
			errs = append(errs, fmt.Errorf("unit %d: marker: a holding or input register is expected", id))
		}
	}
	return errors.Join(errs...)
}

// Name returns the link's name in the site file.
func (l *Link) Name() string { return l.opts.Name }

// Status returns what the link is doing now.
func (l *Link) Status() collector.LinkStatus { return l.meter.Status() }

// Run polls until ctx ends and returns ctx's error. Each point is due on a
// fixed grid of its interval; grid times that pass while a round takes too long
// are counted late and not made up. A batch that is not taken before the next
// round is due is thrown away and counted.
func (l *Link) Run(ctx context.Context, out chan<- collector.Batch) error {
	defer l.reader.Close()
	l.hold(false)
	now := time.Now()
	for i := range l.groups {
		l.groups[i].next = now
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	beat := time.NewTicker(collector.BeatEvery)
	defer beat.Stop()
	for begun := now; ; begun = time.Now() {
		for waits := true; waits; {
			if !l.overdue(time.Since(begun)) {
				l.meter.Beat(collector.Owner)
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-beat.C:
			case <-timer.C:
				waits = false
			}
		}
		readings := l.round(ctx, l.due(time.Now()))
		if ctx.Err() != nil {
			return ctx.Err()
		}
		timer.Reset(time.Until(l.nextDue()))
		if !l.hand(ctx, out, readings, timer) {
			return ctx.Err()
		}
	}
}

// hand gives a batch away before the next round is due. It reports whether the link goes on.
func (l *Link) hand(ctx context.Context, out chan<- collector.Batch, readings []collector.Reading, timer *time.Timer) bool {
	batch := collector.Batch{Link: l.opts.Name, Readings: readings}
	select {
	case out <- batch:
		return true
	default:
	}
	select {
	case out <- batch:
	case <-ctx.Done():
		return false
	case <-timer.C:
		l.meter.Add(0, uint64(len(readings)))
		timer.Reset(0)
	}
	return true
}

// due returns the set of groups whose time has come, and moves them on along their grid.
func (l *Link) due(now time.Time) uint64 {
	var set uint64
	for i := range l.groups {
		g := &l.groups[i]
		if !g.again.IsZero() && !g.again.After(now) {
			set |= 1 << i
			g.again = time.Time{}
		}
		if g.next.After(now) {
			continue
		}
		set |= 1 << i
		behind := now.Sub(g.next)
		missed := behind / g.every
		g.next = g.next.Add((missed + 1) * g.every)
		if missed > 0 {
			l.meter.Add(uint64(missed), 0)
		} else if behind > max(g.every/10, latest) {
			l.meter.Add(1, 0)
		}
	}
	return set
}

// overdueBy is how much longer than its points ask a link may wait for its next round and still be taken for alive.
const overdueBy = 30 * time.Second

// overdue reports whether a link that waits for so long since its last round gives no sign of life: it would show old
// values as good for ever.
func (l *Link) overdue(waits time.Duration) bool {
	if len(l.groups) == 0 {
		return false
	}
	least := l.groups[0].every
	for i := range l.groups {
		least = min(least, l.groups[i].every)
	}
	return waits > least+overdueBy
}

// latest is by how much a round may begin after its time without being called late.
const latest = 20 * time.Millisecond

// nextDue returns when the next group is due; a year on when there is none.
func (l *Link) nextDue() time.Time {
	next := time.Now().Add(365 * 24 * time.Hour) // not AddDate, which forgets the monotonic clock
	for i := range l.groups {
		g := &l.groups[i]
		if g.next.Before(next) {
			next = g.next
		}
		if !g.again.IsZero() && g.again.Before(next) {
			next = g.again
		}
	}
	return next
}

// Once reads all points now, whatever their intervals. A failed current is told
// at once: there is no next reading that could show it to be a moment's. The
// error says why the line could not be opened; the readings carry their own
// faults. It must not be called while Run runs. The line stays open until ctx
// ends or Close.
func (l *Link) Once(ctx context.Context) ([]collector.Reading, error) {
	l.hold(true)
	readings := l.round(ctx, 1<<len(l.groups)-1)
	if err := ctx.Err(); err != nil {
		return readings, err
	}
	return readings, l.lastDown
}

// hold renews the channels of currents if the link goes on in the other way.
func (l *Link) hold(atOnce bool) {
	if l.atOnce == atOnce {
		return
	}
	l.atOnce = atOnce
	for i := range l.slots {
		s := &l.slots[i]
		if s.point < 0 || !l.opts.Points[s.point].Scale.Loop {
			continue
		}
		spec := l.opts.Points[s.point].Scale
		if atOnce {
			spec.Hold = -1
		}
		if c, err := scaling.New(s.id, spec); err == nil { // the spec was taken before
			s.channel, s.usable = c, 0
		}
	}
}

// Close closes a line that Once opened.
func (l *Link) Close() error { return l.reader.Close() }
