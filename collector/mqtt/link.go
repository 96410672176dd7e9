package mqtt

import (
	"context"
	"time"

	"golang.org/x/sync/errgroup"

	"roundsman/collector"
)

// gather is the least time between two reads that bring messages: at a thousand
// messages a second it makes batches of some twenty instead of waking everybody for
// each. The first message after a pause does not wait. A message counts as
// come when it is read, so this is also the most that its time can be late.
const gather = 20 * time.Millisecond

// Link reads the points of one broker. It implements collector.Link.
type Link struct {
	opts  Options
	host  address
	clock *collector.Clock
	meter collector.LinkMeter
	queue *queue
	table *table
}

// New checks the options and returns a link that is not yet connected. points
// is the site's list, indexed by PointID. All errors are returned together.
func New(opts Options, points []collector.Point, clock *collector.Clock) (*Link, error) {
	opts = withDefaults(opts)
	host, table, err := check(opts, points)
	if err != nil {
		return nil, err
	}
	l := &Link{opts: opts, host: host, clock: clock, queue: newQueue(), table: table}
	l.meter.Describe(opts.Name, "mqtt", opts.Broker)
	return l, nil
}

// Name returns the link's name in the site file.
func (l *Link) Name() string { return l.opts.Name }

// Status returns what the link is doing now.
func (l *Link) Status() collector.LinkStatus { return l.meter.Status() }

// Run keeps the connection and sends readings to out until ctx ends. A slow
// receiver does not hold up the connection: messages wait in a queue of
// 16,384 messages or 8 MiB, then the oldest are dropped and counted.
// It recovers from every fault by itself. Call it once at a time.
func (l *Link) Run(ctx context.Context, out chan<- collector.Batch) error {
	l.meter.SetUp(false, l.clock.Now(), "")
	g, ctx := errgroup.WithContext(ctx)
	events := make(chan event)
	g.Go(func() error { return l.keep(ctx, events) })
	g.Go(func() error {
		r := reader{link: l, out: out, status: unknown}
		return r.run(ctx, events)
	})
	return g.Wait()
}

// event is a change of the connection. The connection waits until it is dealt
// with, so that nothing of the next connection is read before it.
type event struct {
	up      bool
	why     string   // it is down
	refused []string // filters that the broker did not grant, when up
}

// linkState is what the status point was last told.
type linkState int8

const (
	unknown linkState = iota
	down
	up
)

// reader turns messages into readings. It owns the state of all points; one goroutine runs it.
type reader struct {
	link     *Link
	out      chan<- collector.Batch
	messages []message
	readings []collector.Reading
	status   linkState
	armed    collector.Moment // what the timer of stale points is set to; 0: to nothing
}

func (r *reader) run(ctx context.Context, events <-chan event) error {
	sweep := time.NewTimer(time.Hour)
	defer sweep.Stop()
	beat := time.NewTicker(collector.BeatEvery)
	defer beat.Stop()
	for {
		r.link.meter.Beat(collector.Owner)
		r.arm(sweep)
		select {
		case <-ctx.Done():
			return nil
		case <-r.link.queue.ready:
			r.drain()
		case e := <-events:
			r.drain()
			r.change(e)
		case <-beat.C:
		case <-sweep.C:
			r.armed = 0
			r.sweep()
		}
		if !r.send(ctx) {
			return nil
		}
	}
}

// wait waits for d on an idle timer and reports whether ctx is still going.
func wait(ctx context.Context, t *time.Timer, d time.Duration) bool {
	t.Reset(d)
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// arm sets the timer to the next moment at which a point becomes stale, if that is another than it is set to.
func (r *reader) arm(t *time.Timer) {
	next := r.link.table.next
	if next == r.armed {
		return
	}
	r.armed = next
	if next == collector.Never {
		t.Stop()
		return
	}
	t.Reset(max(0, next.Sub(r.link.clock.Now())))
}

// send sends the gathered readings, and reports whether to go on.
func (r *reader) send(ctx context.Context) bool {
	if len(r.readings) == 0 {
		return ctx.Err() == nil
	}
	batch := collector.Batch{Link: r.link.opts.Name, Readings: r.readings}
	r.readings = make([]collector.Reading, 0, min(cap(r.readings), 2*len(r.readings))) // the receiver keeps the batch
	select {
	case r.out <- batch:
		return true
	case <-ctx.Done():
		return false
	}
}

// drain judges all waiting messages.
func (r *reader) drain() {
	l := r.link
	var dropped uint64
	r.messages, dropped = l.queue.take(r.messages[:0])
	if dropped > 0 {
		l.meter.Add(0, dropped)
	}
	if len(r.messages) == 0 {
		return
	}
	now := l.clock.Now()
	wall := l.clock.Time(now)
	for i := range r.messages {
		m := &r.messages[i]
		waited := now.Sub(m.at)
		var outcome collector.Outcome
		r.readings, outcome = l.table.read(r.readings, m, instant{m.at, wall.Add(-waited)})
		l.meter.Count(outcome, waited)
	}
	clear(r.messages) // let go of the payloads
}

// change deals with a connection made or lost.
func (r *reader) change(e event) {
	now := r.link.clock.Now()
	if !e.up {
		r.tell(down, now)
		r.readings = r.link.table.lost(r.readings, now, e.why)
		return
	}
	r.tell(up, now)
	r.readings = r.link.table.connected(r.readings, now)
	r.readings = r.link.table.refuse(r.readings, e.refused, now)
}

// tell gives the status point its new value if that is a change.
func (r *reader) tell(s linkState, now collector.Moment) {
	if r.status == s {
		return
	}
	r.status = s
	if id := r.link.opts.Status; id != collector.NoPoint {
		value := float64(0)
		if s == up {
			value = 1
		}
		r.readings = append(r.readings, collector.Reading{Point: id, Value: value, Raw: value, Quality: collector.Good, At: now})
	}
}

// sweep marks the points whose time has run out.
func (r *reader) sweep() {
	now := r.link.clock.Now()
	r.readings = r.link.table.expire(r.readings, instant{now, r.link.clock.Time(now)})
}
