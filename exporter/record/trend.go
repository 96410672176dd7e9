package record

import (
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record/pack"
)

const (
	// windowSpan is how long readings are gathered before they are written: with a round a second they are on the disk
	// ten seconds after they were taken.
	windowSpan = 9 * time.Second
	// mostInWindow ends a window early.
	mostInWindow = 1 << 18
	// mostWindows is how many packed windows wait in memory while the record cannot be written: about ten minutes. Then
	// the oldest are dropped, and the time shows as a gap.
	mostWindows = 60
)

// trend gathers the readings of the open window and holds packed ones until they are written. It belongs to the
// goroutine that judges.
type trend struct {
	live    []liveSeries // by PointID
	next    int64        // the next series' number
	fresh   []seriesRow  // that the file does not have yet
	rounds  []int64      // of the open window, in milliseconds
	from    collector.Moment
	taken   int // readings in the open window
	waiting []packedWindow
	lost    uint64 // readings that found no room in waiting, of this failure
	seed    maphash.Seed
	sheet   pack.Sheet // used again
}

// liveSeries is a point that is followed, and its readings in the open window.
type liveSeries struct {
	id     int64 // 0: no reading came yet
	point  collector.Point
	grid   pack.Grid
	placed bool // the grid goes through a value
	counts []int64
	marks  []pack.Mark
	at     []uint32 // of each reading: index into rounds
}

// seriesRow is how a point is known in the file. A point with another unit or resolution is another series.
type seriesRow struct {
	id    int64
	key   seriesKey
	grid  pack.Grid
	since int64
}

type seriesKey struct {
	point, unit, kind string
	step              float64
}

func keyOf(p *collector.Point) seriesKey {
	return seriesKey{p.Name, p.Unit, p.Kind.String(), pack.GridOf(p).Step}
}

// packedWindow is a window ready to be written.
type packedWindow struct {
	hour, time, until int64
	readings          int
	data              []byte
}

// Follow tells of which points Take will get readings. Call it before the first, and again when the points change, from the
// goroutine that judges. An error means that readings are not kept.
func (r *Record) Follow(points []collector.Point) error {
	r.trend.close()
	known, err := readSeries(context.Background(), r.Reader.db, "")
	if err != nil {
		r.trend.live = nil // not by the numbers of other points
		return &Error{Path: r.path, Op: "follow", Err: reason(err), Then: "readings are not kept"}
	}
	byKey := map[seriesKey]seriesRow{}
	for _, s := range slices.Concat(known, r.trend.fresh) {
		byKey[s.key] = s
		r.trend.next = max(r.trend.next, s.id+1)
	}
	r.trend.next = max(r.trend.next, 1)
	r.trend.seed = maphash.MakeSeed()
	r.trend.live = make([]liveSeries, len(points))
	for i := range points {
		l := &r.trend.live[i]
		l.point, l.grid = points[i], pack.GridOf(&points[i])
		if s, ok := byKey[keyOf(&points[i])]; ok {
			l.id, l.grid, l.placed = s.id, s.grid, true
		}
	}
	return nil
}

// Take keeps the readings of one round, all with the round's own time: what the rules saw, when they saw it. It only
// gathers them in memory; a Beat or Commit about ten seconds later writes them. It does not allocate in steady state. Of
// several readings of a point in one millisecond the last counts.
func (r *Record) Take(now collector.Moment, readings []collector.Reading) {
	t := &r.trend
	if len(t.live) == 0 || len(readings) == 0 {
		return
	}
	t.round(now, r.opts.Clock.Time(now).UnixMilli())
	round := uint32(len(t.rounds) - 1)
	for i := range readings {
		if p := int(readings[i].Point); p >= 0 && p < len(t.live) {
			t.take(&t.live[p], &readings[i], round)
		}
	}
}

// round begins a round, and a window where the last one must end: at the hour, where the clock went back, or when it is full.
func (t *trend) round(now collector.Moment, ms int64) {
	if n := len(t.rounds); n > 0 {
		last := t.rounds[n-1]
		if ms == last {
			return
		}
		if ms < last || hourOf(ms) != hourOf(last) || t.taken >= mostInWindow {
			t.close()
		}
	}
	if len(t.rounds) == 0 {
		t.from = now
	}
	t.rounds = append(t.rounds, ms)
}

func (t *trend) take(l *liveSeries, r *collector.Reading, round uint32) {
	if l.id == 0 || !l.placed && r.Quality.Usable() {
		t.begin(l, r, t.rounds[round])
	}
	n, mark := l.grid.Pack(r)
	if k := len(l.at); k > 0 && l.at[k-1] == round {
		l.counts[k-1], l.marks[k-1] = n, mark
		return
	}
	l.counts, l.marks, l.at = append(l.counts, n), append(l.marks, mark), append(l.at, round)
	t.taken++
}

// begin makes a new series. Its grid goes through the first value, for a range may begin between two steps; until there
// is one, no count stands on the grid.
func (t *trend) begin(l *liveSeries, r *collector.Reading, ms int64) {
	if r.Quality.Usable() {
		l.grid, l.placed = l.grid.Through(r.Value), true
	}
	if l.id == 0 {
		l.id = t.next
		t.next++
	}
	t.fresh = append(t.fresh, seriesRow{l.id, keyOf(&l.point), l.grid, ms})
}

// due reports whether something is to be written.
func (t *trend) due(now collector.Moment) bool {
	return len(t.waiting) > 0 || len(t.rounds) > 0 && now.Sub(t.from) >= windowSpan
}

// close packs the open window.
func (t *trend) close() {
	if len(t.rounds) == 0 {
		return
	}
	s := &t.sheet
	s.Clocks, s.Series, s.Clock, s.Columns = s.Clocks[:0], s.Series[:0], s.Clock[:0], s.Columns[:0]
	clocks := map[uint64]int{}
	firsts := [][]uint32{} // of each clock, its rounds
	for i := range t.live {
		l := &t.live[i]
		if len(l.counts) == 0 {
			continue
		}
		h := hashRounds(t.seed, l.at)
		c, ok := clocks[h]
		if !ok || !slices.Equal(firsts[c], l.at) {
			c = len(firsts)
			clocks[h] = c
			firsts = append(firsts, l.at)
			s.Clocks = append(s.Clocks, t.times(l.at))
		}
		s.Series, s.Clock = append(s.Series, l.id), append(s.Clock, c)
		s.Columns = append(s.Columns, pack.Column{Counts: l.counts, Marks: l.marks})
	}
	if len(s.Series) > 0 {
		first, last := t.rounds[0], t.rounds[len(t.rounds)-1]
		t.push(packedWindow{hourOf(first), first, last, t.taken, pack.AppendSheet(nil, s)})
	}
	t.empty()
}

func (t *trend) push(w packedWindow) {
	if len(t.waiting) >= mostWindows {
		t.lost += uint64(t.waiting[0].readings)
		t.waiting = slices.Delete(t.waiting, 0, 1)
	}
	t.waiting = append(t.waiting, w)
}

func (t *trend) empty() {
	for i := range t.live {
		l := &t.live[i]
		l.counts, l.marks, l.at = l.counts[:0], l.marks[:0], l.at[:0]
	}
	t.rounds, t.taken = t.rounds[:0], 0
}

func (t *trend) times(rounds []uint32) []int64 {
	times := make([]int64, len(rounds))
	for i, k := range rounds {
		times[i] = t.rounds[k]
	}
	return times
}

func hashRounds(seed maphash.Seed, rounds []uint32) uint64 {
	var h maphash.Hash
	h.SetSeed(seed)
	for _, k := range rounds {
		_, _ = h.Write([]byte{byte(k), byte(k >> 8), byte(k >> 16)}) // it cannot fail
	}
	return h.Sum64()
}

const (
	sqlSeries = `INSERT INTO series (series, point, unit, kind, step, origin, since) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (series) DO UPDATE SET origin = excluded.origin`
	sqlWindow = `INSERT INTO windows (hour, time, until, readings, data) VALUES (?, ?, ?, ?, ?)`
)

func trendStatements() []string { return []string{sqlSeries, sqlWindow} }

// writeTrend writes what waits of the readings.
func (r *Record) writeTrend() error {
	for _, s := range r.trend.fresh {
		if err := r.w.exec(sqlSeries, s.id, s.key.point, s.key.unit, s.key.kind, s.key.step, s.grid.Origin, s.since); err != nil {
			return err
		}
	}
	for _, w := range r.trend.waiting {
		if err := r.w.exec(sqlWindow, w.hour, w.time, w.until, w.readings, w.data); err != nil {
			return err
		}
	}
	return nil
}

// written lets go of what is on the disk.
func (t *trend) written() {
	clear(t.waiting)
	t.waiting, t.fresh, t.lost = t.waiting[:0], t.fresh[:0], 0
}

// readSeries returns the series of a point, or all with "", the latest last.
func readSeries(ctx context.Context, q queryer, point string) ([]seriesRow, error) {
	rows, err := q.QueryContext(ctx, `SELECT series, point, unit, kind, step, origin, since FROM series WHERE ?1 = '' OR point = ?1 ORDER BY since, series`, point)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []seriesRow
	for rows.Next() {
		var s seriesRow
		if err := rows.Scan(&s.id, &s.key.point, &s.key.unit, &s.key.kind, &s.key.step, &s.grid.Origin, &s.since); err != nil {
			return nil, err
		}
		s.grid.Step = s.key.step
		list = append(list, s)
	}
	return list, rows.Err()
}

// ripen packs the open window when its time has come, or at the end.
func (t *trend) ripen(now collector.Moment, planned bool) {
	if planned || t.due(now) && len(t.rounds) > 0 && now.Sub(t.from) >= windowSpan {
		t.close()
	}
}

// keeping runs the transaction of lines and memories, with what waits of the readings. Where the disk has no room for
// both, the lines go alone: they are a few bytes, and ring somebody. left then says why the readings still wait.
func (r *Record) keeping(eased bool, lines func() error) (left, err error) {
	if r.resting {
		return nil, errResting
	}
	if err := r.present(); err != nil {
		return nil, err
	}
	err = reason(r.w.transaction(eased, func() error {
		if err := lines(); err != nil {
			return err
		}
		return r.writeTrend()
	}))
	if len(r.trend.waiting) == 0 || !errors.Is(err, ErrFull) {
		return nil, err
	}
	return fmt.Errorf("readings: %w", err), reason(r.w.transaction(false, lines))
}
