package record

import (
	"cmp"
	"container/heap"
	"context"
	"io"
	"slices"
	"sync/atomic"
	"time"

	"roundsman/collector"
)

// Playback gives what was kept of all points of a site round by round, in the order of time, for a rehearsal. It holds
// one hour in memory. Not for simultaneous use.
type Playback struct {
	ctx    context.Context //nolint // of the one rehearsal it is made for: Next has no room for it
	r      *Reader
	lo, hi int64
	points map[int64]playedSeries // by series
	ids    []int64
	parts  []part
	walk   walk
	at     int
	heap   playedClocks
	last   int64
	round  []collector.Reading

	columns []collector.PointID
	counts  PlaybackCounts
	done    atomic.Int64 // parts
}

// PlaybackCounts is what was given so far.
type PlaybackCounts struct {
	Rounds, Readings, Bad uint64
	From, To              time.Time     // of the first and the last round
	Gaps                  int           // longer than PlaybackGap without a round
	Gap                   time.Duration // the longest
	GapAfter              time.Time     // the round before it
}

// PlaybackGap is how long nothing must have been kept for a gap: the box itself is looked at every second.
const PlaybackGap = 15 * time.Second

type playedSeries struct {
	scaled
	id collector.PointID
}

// playedClock is all strands that were read together, and how far they were given.
type playedClock struct {
	times   []int64
	next    int
	strands []strand
}

// playedClocks is a heap: the clock whose turn is next comes first.
type playedClocks []*playedClock

func (h playedClocks) Len() int           { return len(h) }
func (h playedClocks) Less(i, j int) bool { return h[i].times[h[i].next] < h[j].times[h[j].next] }
func (h playedClocks) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push adds a clock; for package heap.
func (h *playedClocks) Push(c any) { *h = append(*h, c.(*playedClock)) }

// Pop takes the last; for package heap.
func (h *playedClocks) Pop() any {
	old := *h
	c := old[len(old)-1]
	*h = old[:len(old)-1]
	return c
}

// Playback returns the readings of the points in [from, to), zero for no bound. Values are in the points' units; what
// was kept under another unit that cannot be converted is left out, and so are points the site does not have any more.
func (r *Reader) Playback(ctx context.Context, points []collector.Point, from, to time.Time) (*Playback, error) {
	p := &Playback{ctx: ctx, r: r, walk: r.walk(), points: map[int64]playedSeries{}}
	p.lo, p.hi = millisOf(from, to)
	p.last = p.lo - 1
	rows, err := readSeries(ctx, r.db, "")
	if err != nil {
		return nil, r.fail("read", reason(err))
	}
	for i := range points {
		p.add(&points[i], rows)
	}
	slices.Sort(p.ids)
	if p.parts, err = r.parts(ctx, p.lo, p.hi); err != nil {
		return nil, r.fail("read", reason(err))
	}
	return p, nil
}

func (p *Playback) add(pt *collector.Point, rows []seriesRow) {
	found := false
	for _, s := range rows {
		if s.key.point != pt.Name {
			continue
		}
		if factor, offset, err := conversion(s.key.unit, pt.Unit); err == nil {
			p.points[s.id] = playedSeries{scaled{s, factor, offset}, pt.ID}
			p.ids = append(p.ids, s.id)
			found = true
		}
	}
	if found {
		p.columns = append(p.columns, pt.ID)
	}
}

// Columns returns the points that there are readings of.
func (p *Playback) Columns() []collector.PointID { return p.columns }

// Progress returns how many stretches of the record were given, of how many. It may be called from any goroutine.
func (p *Playback) Progress() (done, of int64) { return p.done.Load(), int64(len(p.parts)) }

// Counts returns what was given so far.
func (p *Playback) Counts() PlaybackCounts { return p.counts }

// Next returns the next round: its moment, which is Unix time, and its readings. io.EOF ends it. The slice is used again.
func (p *Playback) Next() (collector.Moment, []collector.Reading, error) {
	for {
		for len(p.heap) == 0 {
			if p.at == len(p.parts) {
				return 0, nil, io.EOF
			}
			if err := p.load(); err != nil {
				return 0, nil, p.r.fail("read", reason(err))
			}
		}
		if ms := p.gather(); ms > p.last && ms < p.hi {
			p.last = ms
			p.count(ms)
			return collector.Moment(ms) * collector.Moment(time.Millisecond), p.round, nil
		}
	}
}

// load unpacks the next stretch.
func (p *Playback) load() error {
	strands, err := p.walk.strands(p.ctx, &p.parts[p.at], p.ids)
	if err != nil {
		return err
	}
	p.at++
	p.done.Store(int64(p.at))
	byClock := map[*int64]*playedClock{}
	for _, s := range strands {
		if len(s.times) == 0 {
			continue
		}
		c := byClock[&s.times[0]]
		if c == nil {
			c = &playedClock{times: s.times}
			byClock[&s.times[0]] = c
			p.heap = append(p.heap, c)
		}
		c.strands = append(c.strands, s)
	}
	heap.Init(&p.heap)
	return nil
}

// gather takes the readings of the next time from all clocks that have it.
func (p *Playback) gather() int64 {
	p.round = p.round[:0]
	ms := p.heap[0].times[p.heap[0].next]
	for len(p.heap) > 0 && p.heap[0].times[p.heap[0].next] == ms {
		c := p.heap[0]
		for i := range c.strands {
			p.take(&c.strands[i], c.next, ms)
		}
		if c.next++; c.next == len(c.times) {
			heap.Pop(&p.heap)
		} else {
			heap.Fix(&p.heap, 0)
		}
	}
	slices.SortFunc(p.round, func(a, b collector.Reading) int { return cmp.Compare(a.Point, b.Point) })
	return ms
}

func (p *Playback) take(s *strand, i int, ms int64) {
	of := p.points[s.series]
	m := s.Marks[i]
	r := collector.Reading{
		Point: of.id, Quality: m.Quality(), Fault: m.Fault(),
		At: collector.Moment(ms) * collector.Moment(time.Millisecond),
	}
	if r.Quality.Usable() {
		r.Value = of.value(s.Counts[i], m)
		r.Raw = r.Value
	}
	p.round = append(p.round, r)
}

func (p *Playback) count(ms int64) {
	t := time.UnixMilli(ms).UTC()
	if p.counts.Rounds == 0 {
		p.counts.From = t
	} else if d := t.Sub(p.counts.To); d > PlaybackGap {
		p.counts.Gaps++
		if d > p.counts.Gap {
			p.counts.Gap, p.counts.GapAfter = d, p.counts.To
		}
	}
	p.counts.To = t
	p.counts.Rounds++
	p.counts.Readings += uint64(len(p.round))
	for i := range p.round {
		if p.round[i].Quality == collector.Bad {
			p.counts.Bad++
		}
	}
}
