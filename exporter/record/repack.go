package record

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"roundsman/collector/sorting"
	"roundsman/exporter/record/pack"
)

// building is a piece that is being made of the windows from first to last, all of one hour.
type building struct {
	piece, hour, first, last int64
	time, until, readings    int64
	series                   []int64          // that are still to be packed
	clocks                   map[string]int64 // by the clocks of the windows they were made of
	earlier                  []int64          // pieces of the same hour
	follows                  bool             // there are windows of another hour after these

	cols   []gathered // used again for the next series
	packer pack.Packer
}

// packedAtOnce is how many series are packed in one step: each step reads all windows of the hour, and holds the readings
// of so many series, ten bytes each.
const packedAtOnce = 2 * pack.GroupSize

// pack makes the next part of a piece. A piece is taken for readings only when it is done; until then the windows are.
func (u *Upkeep) pack(ctx context.Context, now time.Time) (more bool, err error) {
	if u.build == nil {
		if more, err = u.undo(ctx); more || err != nil {
			return more, err
		}
		if u.build, err = u.plan(ctx, now); err != nil || u.build == nil {
			return false, err
		}
	}
	b := u.build
	n := min(packedAtOnce, len(b.series))
	cols, err := u.gather(ctx, b, b.series[:n])
	if err != nil {
		return false, err
	}
	if err := u.gatherEarlier(ctx, b, cols); err != nil {
		return false, err
	}
	b.make(cols)
	err = u.write(ctx, func(tx *sql.Tx) error { return b.store(ctx, tx, cols) })
	if err != nil {
		return false, err
	}
	if b.series = b.series[n:]; len(b.series) == 0 {
		err = u.write(ctx, func(tx *sql.Tx) error {
			_, err := tx.ExecContext(ctx, `UPDATE pieces SET done = 1 WHERE piece = ?`, b.piece)
			return err
		})
		u.build = nil
	}
	return true, err
}

// undo takes back a piece that was not finished: the box was stopped meanwhile.
func (u *Upkeep) undo(ctx context.Context) (bool, error) {
	var piece int64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT piece FROM pieces WHERE done = 0`).Scan(&piece)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, u.dropPiece(ctx, piece)
}

// dropPiece deletes some rows of a piece, and itself when none is left.
func (u *Upkeep) dropPiece(ctx context.Context, piece int64) error {
	return u.write(ctx, func(tx *sql.Tx) error {
		for _, table := range []string{"chunk", "clock"} {
			res, err := tx.ExecContext(ctx, `DELETE FROM `+table+`s WHERE `+table+` IN (SELECT `+table+` FROM `+table+`s WHERE `+table+` >= ? AND `+table+` < ? LIMIT ?)`,
				chunkOf(piece, 0), chunkOf(piece+1, 0), rowsAtOnce)
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); n > 0 || err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM pieces WHERE piece = ?`, piece)
		return err
	})
}

const sqlPacked = `(SELECT coalesce(max("last"), 0) FROM pieces WHERE done = 1)`

// plan begins a piece of the oldest windows if their hour is over. nil: there is none.
func (u *Upkeep) plan(ctx context.Context, now time.Time) (*building, error) {
	b, err := u.oldestHour(ctx)
	if err != nil || b == nil {
		return nil, err
	}
	if !b.follows && now.UnixMilli() < (b.hour+1)*hourMillis+lateness.Milliseconds() {
		return nil, nil
	}
	if b.earlier, err = u.piecesOf(ctx, b.hour); err != nil {
		return nil, err
	}
	if b.series, err = u.seriesOf(ctx, b); err != nil {
		return nil, err
	}
	err = u.write(ctx, func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `INSERT INTO pieces (hour, time, until, "last", readings, done) VALUES (?, ?, ?, ?, ?, 0) RETURNING piece`,
			b.hour, b.time, b.until, b.last, b.readings).Scan(&b.piece)
	})
	return b, err
}

// oldestHour returns the windows of one hour that come first, up to where the hour changes.
func (u *Upkeep) oldestHour(ctx context.Context) (*building, error) {
	rows, err := u.r.Reader.db.QueryContext(ctx, `SELECT "window", hour, time, until, readings FROM windows WHERE "window" > `+sqlPacked+` ORDER BY "window"`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var b *building
	for rows.Next() {
		var window, hour, from, until, readings int64
		if err := rows.Scan(&window, &hour, &from, &until, &readings); err != nil {
			return nil, err
		}
		if b == nil {
			b = &building{hour: hour, first: window, time: from, until: until, clocks: map[string]int64{}}
		}
		if hour != b.hour {
			b.follows = true
			break
		}
		b.last, b.readings = window, b.readings+readings
		b.time, b.until = min(b.time, from), max(b.until, until)
	}
	return b, rows.Err()
}

// piecesOf returns the pieces that are there of an hour.
func (u *Upkeep) piecesOf(ctx context.Context, hour int64) (list []int64, err error) {
	rows, err := u.r.Reader.db.QueryContext(ctx, `SELECT piece FROM pieces WHERE hour = ? AND done = 1 ORDER BY piece`, hour)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var piece int64
		if err := rows.Scan(&piece); err != nil {
			return nil, err
		}
		list = append(list, piece)
	}
	return list, rows.Err()
}

// eachWindow opens the windows of a piece one by one; each takes the place of the one before. A damaged one is left out; it
// stays a gap.
func (u *Upkeep) eachWindow(ctx context.Context, b *building, f func(window int64, p *pack.Packed)) error {
	rows, err := u.r.Reader.db.QueryContext(ctx, `SELECT "window", data FROM windows WHERE "window" BETWEEN ? AND ? ORDER BY "window"`, b.first, b.last)
	if err != nil {
		return err
	}
	defer rows.Close()
	var window int64
	var data sql.RawBytes
	var p pack.Packed
	for rows.Next() {
		if err := rows.Scan(&window, &data); err != nil {
			return err
		}
		if err := p.Open(data); err != nil {
			u.log.Error("upkeep of the record", "window", window, "error", err)
			continue
		}
		f(window, &p)
	}
	return rows.Err()
}

func (u *Upkeep) seriesOf(ctx context.Context, b *building) ([]int64, error) {
	seen := map[int64]bool{}
	err := u.eachWindow(ctx, b, func(_ int64, p *pack.Packed) {
		for _, id := range p.Series {
			seen[id] = true
		}
	})
	list := make([]int64, 0, len(seen))
	for id := range seen {
		list = append(list, id)
	}
	slices.Sort(list)
	return list, err
}

// gathered is the readings of one series in all windows of a piece, and what is made of them.
type gathered struct {
	strand
	grid pack.Grid
	key  []byte // tells which clocks of which windows its times are of

	earlier []strand // of the same hour, in other pieces
	data    []byte   // the chunk
	row     hourRow
}

func (b *building) columns(series []int64) []*gathered {
	for len(b.cols) < len(series) {
		b.cols = append(b.cols, gathered{})
	}
	cols := make([]*gathered, len(series))
	for i, id := range series {
		g := &b.cols[i]
		*g = gathered{strand: strand{series: id, Column: pack.Column{Counts: g.Counts[:0], Marks: g.Marks[:0]}}, key: g.key[:0], data: g.data[:0]}
		cols[i] = g
	}
	return cols
}

func (u *Upkeep) gather(ctx context.Context, b *building, series []int64) ([]*gathered, error) {
	cols := b.columns(series)
	for _, g := range cols {
		if err := u.r.Reader.queryRow(ctx, `SELECT step, origin FROM series WHERE series = ?`, g.series).Scan(&g.grid.Step, &g.grid.Origin); err != nil {
			return nil, err
		}
	}
	times := gatheredTimes{clocks: map[[2]uint64][]int64{}, joined: map[string][]int64{}}
	err := u.eachWindow(ctx, b, func(window int64, p *pack.Packed) {
		of := uint64(window - b.first)
		for i, id := range p.Series {
			k, ok := slices.BinarySearch(series, id)
			if !ok {
				continue
			}
			c, err := p.Column(i)
			if err != nil {
				u.log.Error("upkeep of the record", "window", window, "error", err)
				continue
			}
			g, clock := cols[k], uint64(p.Clock[i])
			g.Counts, g.Marks = append(g.Counts, c.Counts...), append(g.Marks, c.Marks...)
			g.key = binary.AppendUvarint(binary.AppendUvarint(g.key, of), clock)
			times.take(of, clock, p.Clocks[clock])
		}
	})
	for _, g := range cols {
		g.times = times.of(g.key)
	}
	return slices.DeleteFunc(cols, func(g *gathered) bool { return len(g.times) == 0 }), err
}

// gatheredTimes holds the times of windows' clocks once for all columns.
type gatheredTimes struct {
	clocks map[[2]uint64][]int64 // by window and clock
	joined map[string][]int64    // by key
}

func (t *gatheredTimes) take(window, clock uint64, times []int64) {
	if _, ok := t.clocks[[2]uint64{window, clock}]; !ok {
		t.clocks[[2]uint64{window, clock}] = slices.Clone(times)
	}
}

// of joins the times that a key tells.
func (t *gatheredTimes) of(key []byte) []int64 {
	if all, ok := t.joined[string(key)]; ok {
		return all
	}
	var all []int64
	for rest := key; len(rest) > 0; {
		window, n := binary.Uvarint(rest)
		clock, m := binary.Uvarint(rest[n:])
		all = append(all, t.clocks[[2]uint64{window, clock}]...)
		rest = rest[n+m:]
	}
	t.joined[string(key)] = all
	return all
}

// make makes the chunks and the figures of an hour, before anybody has to wait for their writing.
func (b *building) make(cols []*gathered) {
	for _, g := range cols {
		g.data = b.packer.AppendColumn(g.data, g.Column)
		g.row = rowOf(g.series, b.hour, b.figures(g), g.grid)
	}
}

// gatherEarlier adds what pieces of the same hour have of the series, as after a clock that was set back.
func (u *Upkeep) gatherEarlier(ctx context.Context, b *building, cols []*gathered) error {
	for _, piece := range b.earlier {
		for _, g := range cols {
			strands, err := u.r.Reader.chunks(ctx, piece, []int64{g.series})
			if err != nil {
				return err
			}
			g.earlier = append(g.earlier, strands...)
		}
	}
	return nil
}

// figures returns the figures of the hour of a series.
func (b *building) figures(g *gathered) *hourFigures {
	all := append(g.earlier, g.strand)
	sorting.StableFunc(all, func(a, b strand) int { return cmp.Compare(a.times[0], b.times[0]) })
	h := new(hourFigures)
	for _, s := range all {
		h.add(b.hour, s.times, s.Column)
	}
	return h
}

// store writes the chunks and minutes of some series.
func (b *building) store(ctx context.Context, tx *sql.Tx, cols []*gathered) error {
	chunk, err := tx.PrepareContext(ctx, `INSERT INTO chunks (chunk, clock, readings, data) VALUES (?, ?, ?, ?)`)
	if err != nil {
		return err
	}
	defer chunk.Close()
	hour, err := tx.PrepareContext(ctx, sqlHour)
	if err != nil {
		return err
	}
	defer hour.Close()
	for _, g := range cols {
		clock, err := b.clock(ctx, tx, g)
		if err != nil {
			return err
		}
		if _, err := chunk.ExecContext(ctx, chunkOf(b.piece, g.series), clock, len(g.times), g.data); err != nil {
			return err
		}
		if _, err := hour.ExecContext(ctx, g.row.args()...); err != nil {
			return err
		}
	}
	return nil
}

// clock returns the clock of a column; columns that were read together have one.
func (b *building) clock(ctx context.Context, tx *sql.Tx, g *gathered) (int64, error) {
	if id, ok := b.clocks[string(g.key)]; ok {
		return id, nil
	}
	id := chunkOf(b.piece, int64(len(b.clocks)))
	if _, err := tx.ExecContext(ctx, `INSERT INTO clocks (clock, data) VALUES (?, ?)`, id, pack.AppendTimes(nil, g.times)); err != nil {
		return 0, err
	}
	b.clocks[string(g.key)] = id
	return id, nil
}

// rowOf makes the row of an hour.
func rowOf(series, hour int64, h *hourFigures, g pack.Grid) hourRow {
	t, mean := h.total()
	row := hourRow{series: series, hour: hour, readings: int64(t.seen), usable: int64(t.usable), good: int64(t.good), packedFigures: h.pack()}
	if t.usable > 0 {
		row.min, row.max, row.last, row.mean = g.Value(t.low), g.Value(t.high), g.Value(t.last), g.Origin+mean*g.Step
	}
	return row
}

const sqlHour = `INSERT OR REPLACE INTO minutes (` + minuteColumns + `) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`

func (h *hourRow) args() []any {
	var low, mean, high, last any
	if h.usable > 0 {
		low, mean, high, last = h.min, h.mean, h.max, h.last
	}
	w := &h.widths
	return []any{h.series, h.hour, low, mean, high, last, h.readings, h.usable, h.good, h.base, h.share, w[0], w[1], w[2], w[3], w[4], bytesOf(h.data)}
}

// bytesOf is never null.
func bytesOf(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}
