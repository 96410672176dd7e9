package record

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/collector/units"
	"roundsman/exporter/record/pack"
)

// ErrNoTrend: no reading of that point was ever kept.
var ErrNoTrend = errors.New("no readings are kept of this point")

// Sample is one reading as it was kept.
type Sample struct {
	Milli   int64   // when the round was that brought it: UTC, in milliseconds since 1970
	Value   float64 // in the trend's unit, within half a step of its resolution; NaN where Quality is not usable
	Quality collector.Quality
	Fault   collector.Fault
}

// Time returns the sample's time, UTC.
func (s Sample) Time() time.Time { return time.UnixMilli(s.Milli).UTC() }

// Figures are those of one minute of a point, in the trend's unit; NaN where no reading could be used.
type Figures struct {
	Milli                int64   // when it begins: UTC, in milliseconds since 1970
	Min, Mean, Max, Last float64 // of the readings that could be used; each counts the same for the mean
	Good                 float64 // share of the readings that were good, 0 to 1
}

// Time returns when the minute begins, UTC.
func (f Figures) Time() time.Time { return time.UnixMilli(f.Milli).UTC() }

// Trend is what was kept of one point. Where its unit changed, older values are told in the latest unit, and left out
// where that cannot be. Where the clock was set back, times are never told twice: what was recorded later for a time
// that was already told is left out. It may be used from any goroutine.
type Trend struct {
	Point, Unit string
	Kind        string // 'number', 'state', 'counter', 'text'

	r      *Reader
	series map[int64]scaled
	shared *shared // with others that are read together; nil: none
}

// scaled is a series and how its values become those of the trend's unit.
type scaled struct {
	seriesRow
	factor, offset float64
}

func (s *scaled) value(n int64, m pack.Mark) float64 { return s.grid.Unpack(n, m)*s.factor + s.offset }

// Trend returns what is kept of a point; the error wraps ErrNoTrend if that is nothing.
func (r *Reader) Trend(ctx context.Context, point string) (*Trend, error) {
	rows, err := readSeries(ctx, r.db, point)
	if err == nil && len(rows) == 0 {
		err = fmt.Errorf("%s: %w", point, ErrNoTrend)
	}
	if err != nil {
		return nil, r.fail("read", reason(err))
	}
	latest := &rows[len(rows)-1].key
	return r.trendOf(latest.point, latest.unit, latest.kind, rows), nil
}

func (r *Reader) trendOf(point, unit, kind string, rows []seriesRow) *Trend {
	t := &Trend{Point: point, Unit: unit, Kind: kind, r: r, series: map[int64]scaled{}}
	for _, s := range rows {
		if factor, offset, err := conversion(s.key.unit, unit); err == nil {
			t.series[s.id] = scaled{s, factor, offset}
		}
	}
	return t
}

func conversion(from, to string) (factor, offset float64, err error) {
	if from == to {
		return 1, 0, nil
	}
	f, err := units.Parse(from)
	if err != nil {
		return 0, 0, err
	}
	t, err := units.Parse(to)
	if err != nil {
		return 0, 0, err
	}
	return units.Convert(f, t)
}

// millisOf bounds a span of time.
func millisOf(from, to time.Time) (lo, hi int64) {
	lo, hi = math.MinInt64/2, math.MaxInt64/2
	if !from.IsZero() {
		lo = from.UnixMilli()
	}
	if !to.IsZero() {
		hi = to.UnixMilli()
		if to.Nanosecond()%1e6 != 0 {
			hi++
		}
	}
	return lo, hi
}

// part is a part of the record in one place: a piece, or a window that is in none yet.
type part struct {
	piece, window     int64 // one of them is 0
	hour, time, until int64
}

// parts returns what overlaps a span, in order of time, as of one moment.
func (r *Reader) parts(ctx context.Context, lo, hi int64) (list []part, err error) {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	rows, err := tx.QueryContext(ctx, `SELECT piece, 0, hour, time, until FROM pieces WHERE done = 1 AND time < ?2 AND until >= ?1
		UNION ALL SELECT 0, "window", hour, time, until FROM windows
		WHERE "window" > (SELECT coalesce(max("last"), 0) FROM pieces WHERE done = 1) AND time < ?2 AND until >= ?1`, lo, hi)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var s part
		if err := rows.Scan(&s.piece, &s.window, &s.hour, &s.time, &s.until); err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	sorting.StableFunc(list, func(a, b part) int { return cmp.Compare(a.time, b.time) })
	return list, rows.Err()
}

// chunkBits is how many bits of a chunk's number tell the series; the rest is the piece. Clocks are numbered alike.
const chunkBits = 20

func chunkOf(piece, series int64) int64 { return piece<<chunkBits | series }

// strand is the readings of one series in one part.
type strand struct {
	series int64
	times  []int64
	pack.Column
}

// walk reads parts one after the other, each when its turn comes.
type walk struct {
	r     *Reader
	given map[int64]bool // pieces that took the place of windows

	// of the window that was read last
	data   []byte
	sheet  pack.Packed
	list   []strand
	counts []int64
	marks  []pack.Mark
}

func (r *Reader) walk() walk { return walk{r: r, given: map[int64]bool{}} }

// strands returns the readings of some series, by rising number, in a part, those of one clock one after the other. They may
// be used until the next part is asked for. A window that was packed since the parts were looked up is read from its piece, the
// whole hour at once: who asks leaves out what he has already.
func (w *walk) strands(ctx context.Context, s *part, wanted []int64) ([]strand, error) {
	if s.piece != 0 {
		return w.r.chunks(ctx, s.piece, wanted)
	}
	if there, err := w.open(ctx, s.window); there || err != nil {
		if err == nil {
			err = w.unpack(wanted)
		}
		return w.list, err
	}
	var piece int64
	err := w.r.queryRow(ctx, `SELECT piece FROM pieces WHERE hour = ? AND done = 1 AND "last" >= ? ORDER BY piece LIMIT 1`, s.hour, s.window).Scan(&piece)
	if errors.Is(err, sql.ErrNoRows) || w.given[piece] {
		return nil, nil // it is not kept any more, or was given
	}
	if err != nil {
		return nil, err
	}
	w.given[piece] = true
	return w.r.chunks(ctx, piece, wanted)
}

// open reads a window and opens its sheet, if it is there.
func (w *walk) open(ctx context.Context, window int64) (there bool, err error) {
	w.list = w.list[:0]
	rows, err := w.r.query(ctx, `SELECT data FROM windows WHERE "window" = ?`, window)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	if !rows.Next() {
		return false, rows.Err()
	}
	var data sql.RawBytes
	if err := rows.Scan(&data); err != nil {
		return true, err
	}
	w.data = append(w.data[:0], data...) // the sheet keeps it, the rows do not
	return true, w.sheet.Open(w.data)
}

// unpack makes the list of the open sheet's strands. Columns are copied: the next group takes their place.
func (w *walk) unpack(wanted []int64) error {
	p := &w.sheet
	w.counts, w.marks = w.counts[:0], w.marks[:0]
	for i, id := range p.Series {
		if _, ok := slices.BinarySearch(wanted, id); !ok {
			continue
		}
		c, err := p.Column(i)
		if err != nil {
			return err
		}
		n, m := len(w.counts), len(w.marks)
		w.counts, w.marks = append(w.counts, c.Counts...), append(w.marks, c.Marks...)
		c.Counts, c.Marks = w.counts[n:len(w.counts):len(w.counts)], w.marks[m:len(w.marks):len(w.marks)]
		w.list = append(w.list, strand{id, p.Clocks[p.Clock[i]], c})
	}
	return nil
}

// mostAtOnce is how many chunks one query asks for by name; more are read as a range.
const mostAtOnce = 16

func (r *Reader) chunks(ctx context.Context, piece int64, wanted []int64) ([]strand, error) {
	clocks := map[int64][]int64{}
	var list []strand
	read := func(query string, args ...any) error {
		rows, err := r.db.QueryContext(ctx, query, args...)
		if err != nil {
			return err
		}
		packed, err := readChunks(rows)
		if err != nil {
			return err
		}
		for _, c := range packed {
			s, err := r.unpackChunk(ctx, &c, piece, clocks)
			if err != nil {
				return err
			}
			list = append(list, s)
		}
		return nil
	}
	if len(wanted) > mostAtOnce {
		err := read(`SELECT chunk, clock, data FROM chunks WHERE chunk >= ? AND chunk < ?`, chunkOf(piece, 0), chunkOf(piece+1, 0))
		return slices.DeleteFunc(list, func(s strand) bool {
			_, ok := slices.BinarySearch(wanted, s.series)
			return !ok
		}), err
	}
	for _, id := range wanted {
		if err := read(`SELECT chunk, clock, data FROM chunks WHERE chunk = ?`, chunkOf(piece, id)); err != nil {
			return nil, err
		}
	}
	return list, nil
}

type packedChunk struct {
	chunk, clock int64
	data         []byte
}

func readChunks(rows *sql.Rows) (list []packedChunk, err error) {
	defer rows.Close()
	for rows.Next() {
		var c packedChunk
		if err := rows.Scan(&c.chunk, &c.clock, &c.data); err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, rows.Err()
}

func (r *Reader) unpackChunk(ctx context.Context, c *packedChunk, piece int64, clocks map[int64][]int64) (s strand, err error) {
	s.series = c.chunk - chunkOf(piece, 0)
	var ok bool
	if s.times, ok = clocks[c.clock]; !ok {
		var data []byte
		if err := r.db.QueryRowContext(ctx, `SELECT data FROM clocks WHERE clock = ?`, c.clock).Scan(&data); err != nil {
			return s, fmt.Errorf("clock %d: %w", c.clock, err)
		}
		if s.times, err = pack.DecodeTimes(data); err != nil {
			return s, err
		}
		clocks[c.clock] = s.times
	}
	if s.Column, err = pack.DecodeColumn(c.data); err != nil {
		return s, err
	}
	if len(s.Counts) != len(s.times) {
		return s, fmt.Errorf("%w: %d readings at %d times", pack.ErrDamaged, len(s.Counts), len(s.times))
	}
	return s, nil
}

func (t *Trend) ids() []int64 {
	ids := make([]int64, 0, len(t.series))
	for id := range t.series {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// Readings returns the readings with a time in [from, to), zero for no bound, in rising order of time. The latest of
// all come to the record about ten seconds after they were taken. An error ends them; readings that are damaged in the
// file are an error at their place, and the next part follows if the caller goes on.
func (t *Trend) Readings(ctx context.Context, from, to time.Time) iter.Seq2[Sample, error] {
	return func(yield func(Sample, error) bool) {
		lo, hi := millisOf(from, to)
		list, err := t.r.parts(ctx, lo, hi)
		if err != nil {
			yield(Sample{}, t.r.fail("read", reason(err)))
			return
		}
		last := lo - 1
		walk := t.r.walk()
		for i := range list {
			strands, err := walk.strands(ctx, &list[i], t.ids())
			if err != nil {
				if !yield(Sample{}, t.r.fail("read", reason(err))) || ctx.Err() != nil {
					return
				}
				continue
			}
			sorting.Func(strands, func(a, b strand) int { return cmp.Compare(a.times[0], b.times[0]) })
			for _, s := range strands {
				if !t.samples(&s, &last, hi, yield) {
					return
				}
			}
		}
	}
}

// samples yields the samples of a strand that are later than last.
func (t *Trend) samples(s *strand, last *int64, hi int64, yield func(Sample, error) bool) bool {
	scale := t.series[s.series]
	for i, at := range s.times {
		if at <= *last || at >= hi {
			continue
		}
		*last = at
		m := s.Marks[i]
		if !yield(Sample{at, scale.value(s.Counts[i], m), m.Quality(), m.Fault()}, nil) {
			return false
		}
	}
	return true
}
