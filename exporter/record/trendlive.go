package record

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"

	"roundsman/collector/sorting"
	"roundsman/exporter/record/pack"
)

// live is the figures of the hours that are still in windows, of some series. Each window is decoded once for all of them.
type live struct {
	pieces map[int64]bool      // by hour: whether a piece of it is done
	rows   map[int64][]liveRow // by series, in order of time
}

// liveRow is the figures of an hour of a series.
type liveRow struct {
	hour int64
	packedFigures
}

// liveHour is the minutes of an hour whose windows are in no piece yet.
type liveHour struct {
	hour  int64
	list  []Figures
	whole bool // no piece of that hour is done
}

// of returns the hours of a trend, in order of time.
func (l *live) of(t *Trend) (hours []liveHour, err error) {
	for _, id := range t.ids() {
		for _, row := range l.rows[id] {
			minutes, err := t.minutesOf(&hourRow{series: id, hour: row.hour, packedFigures: row.packedFigures})
			if err != nil {
				return nil, err
			}
			hours = append(hours, liveHour{row.hour, minutes, !l.pieces[row.hour]})
		}
	}
	sorting.StableFunc(hours, func(a, b liveHour) int { return cmp.Compare(a.hour, b.hour) })
	return hours, nil
}

// liveWindow is where a window lies.
type liveWindow struct{ window, hour, time int64 }

// liveWindows returns the windows that are in no piece yet and overlap a span, in order of time.
func liveWindows(ctx context.Context, tx *sql.Tx, lo, hi int64) (list []liveWindow, err error) {
	rows, err := tx.QueryContext(ctx, `SELECT "window", hour, time FROM windows
		WHERE "window" > `+sqlPacked+` AND time < ?2 AND until >= ?1 ORDER BY "window"`, lo, hi)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var w liveWindow
		if err := rows.Scan(&w.window, &w.hour, &w.time); err != nil {
			return nil, err
		}
		list = append(list, w)
	}
	sorting.StableFunc(list, func(a, b liveWindow) int { return cmp.Compare(a.time, b.time) })
	return list, rows.Err()
}

// readLive makes the figures of the hours that are still in windows, of some series. It holds one window and the
// figures, about 400 bytes an hour of a series, and 4 kB a series while it works. Windows that are damaged are left out:
// Readings tells of them.
func (r *Reader) readLive(ctx context.Context, ids []int64, lo, hi int64) (*live, error) {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	lo = hourOf(lo) * hourMillis
	windows, err := liveWindows(ctx, tx, lo, hi)
	l := &live{pieces: map[int64]bool{}, rows: map[int64][]liveRow{}}
	if err != nil || len(windows) == 0 || len(ids) == 0 {
		return l, err
	}
	if err := l.findPieces(ctx, tx, windows); err != nil {
		return nil, err
	}
	read, err := tx.PrepareContext(ctx, `SELECT data FROM windows WHERE "window" = ?`)
	if err != nil {
		return nil, err
	}
	defer read.Close()
	g := newGatherer(slices.Sorted(slices.Values(ids)))
	for i, w := range windows {
		if i > 0 && w.hour != windows[i-1].hour {
			l.close(g, windows[i-1].hour)
		}
		if err := g.window(ctx, read, w); err != nil {
			return nil, err
		}
	}
	l.close(g, windows[len(windows)-1].hour)
	return l, nil
}

// findPieces looks up of which of the windows' hours there is a piece too.
func (l *live) findPieces(ctx context.Context, tx *sql.Tx, windows []liveWindow) error {
	for i, w := range windows {
		if i > 0 && w.hour == windows[i-1].hour {
			continue
		}
		var is bool
		if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM pieces WHERE hour = ? AND done = 1)`, w.hour).Scan(&is); err != nil {
			return fmt.Errorf("the pieces of hour %d: %w", w.hour, err)
		}
		l.pieces[w.hour] = is
	}
	return nil
}

// close takes the figures of an hour.
func (l *live) close(g *gatherer, hour int64) {
	for i := range g.figures {
		if h := &g.figures[i]; h.last != 0 {
			l.rows[g.ids[i]] = append(l.rows[g.ids[i]], liveRow{hour, h.pack()})
			*h = hourFigures{}
		}
	}
}

// gatherer makes the figures of one hour from its windows.
type gatherer struct {
	ids     []int64 // rising
	figures []hourFigures
	sheet   pack.Packed
	data    sql.RawBytes
}

func newGatherer(ids []int64) *gatherer {
	return &gatherer{ids: ids, figures: make([]hourFigures, len(ids))}
}

func (g *gatherer) window(ctx context.Context, read *sql.Stmt, w liveWindow) error {
	rows, err := read.QueryContext(ctx, w.window)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := rows.Scan(&g.data); err != nil {
			return err
		}
		if g.sheet.Open(g.data) == nil {
			g.add(w.hour)
		}
	}
	return rows.Err()
}

// add takes the readings of the open sheet. Its groups are gone through in order, so that each is unpacked once.
func (g *gatherer) add(hour int64) {
	for i, id := range g.sheet.Series {
		k, ok := slices.BinarySearch(g.ids, id)
		if !ok {
			continue
		}
		if c, err := g.sheet.Column(i); err == nil {
			g.figures[k].add(hour, g.sheet.Clocks[g.sheet.Clock[i]], c)
		}
	}
}
