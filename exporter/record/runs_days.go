package record

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

// calendar cuts time into the days of a zone, without hole or overlap: a day begins with the first instant of its date,
// also where daylight saving skips midnight. It belongs to one goroutine.
type calendar struct {
	zone       *time.Location
	start, end int64 // of the day looked at last; Unix nanoseconds
	day        string
}

// dayStart returns the first instant of a date.
func dayStart(zone *time.Location, y int, m time.Month, d int) time.Time {
	t := time.Date(y, m, d, 0, 0, 0, 0, zone)
	if want := time.Date(y, m, d, 0, 0, 0, 0, time.UTC); t.Format(time.DateOnly) < want.Format(time.DateOnly) { // midnight is skipped
		_, t = t.ZoneBounds()
		return t
	}
	// Midnight is passed twice where the clock goes back over it: the day begins the first time.
	if start, _ := t.ZoneBounds(); !start.IsZero() {
		_, before := start.Add(-time.Second).Zone()
		_, now := t.Zone()
		if first := t.Add(time.Duration(now-before) * time.Second); first.Before(start) && first.Format(time.TimeOnly) == "00:00:00" && first.Before(t) {
			return first
		}
	}
	return t
}

// find makes the calendar look at the day of an instant.
func (c *calendar) find(at int64) {
	if c.day != "" && c.start <= at && at < c.end {
		return
	}
	y, m, d := time.Unix(0, at).In(c.zone).Date()
	start, end := dayStart(c.zone, y, m, d), dayStart(c.zone, y, m, d+1)
	for at < start.UnixNano() { // the clock went back over midnight
		d--
		start, end = dayStart(c.zone, y, m, d), start
	}
	for at >= end.UnixNano() {
		d++
		start, end = end, dayStart(c.zone, y, m, d+1)
	}
	c.start, c.end = start.UnixNano(), end.UnixNano()
	c.day = time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}

// dayBook adds stretches to days.
type dayBook struct {
	cal  *calendar
	days map[string]*dayTotals
}

func newDayBook(c *calendar) *dayBook { return &dayBook{c, map[string]*dayTotals{}} }

// dayTotals are the sums of one day. Longest and Shortest are of whole runs that ended in it, wherever they began.
type dayTotals struct {
	duty.Totals
	longest, shortest time.Duration // shortest: none is math.MaxInt64
	worst             int
	first, last       int64 // numbers of the intervals that touch it
}

// of returns the day of an instant, marked as touched by interval n.
func (b *dayBook) of(at, n int64) *dayTotals {
	b.cal.find(at)
	t := b.days[b.cal.day]
	if t == nil {
		t = &dayTotals{shortest: math.MaxInt64, first: n, last: n}
		b.days[b.cal.day] = t
	}
	t.first, t.last = min(t.first, n), max(t.last, n)
	return t
}

// add cuts a stretch at the midnights and adds its pieces.
func (b *dayBook) add(s *stretch, n int64) {
	b.pieces(s.still(), s.from(), n, func(t *dayTotals, d time.Duration) { t.Seen += d })
	b.pieces(s.from(), s.to, n, func(t *dayTotals, d time.Duration) {
		switch s.Kind {
		case duty.Ran:
			t.Run += d
			t.Seen += d
		case duty.Unseen:
			t.Unseen += d
		}
	})
	begun := b.of(s.from(), n)
	begun.Starts += uint64(s.Starts)
	begun.worst = max(begun.worst, s.Hour)
	if s.New {
		begun.Runs++
	}
	if s.Kind == duty.Ran {
		ended := b.of(max(s.to-1, s.from()), n)
		if !s.Alone() {
			ended.longest = max(ended.longest, s.Length())
		}
		if s.whole() && s.Length() > 0 {
			ended.shortest = min(ended.shortest, s.Length())
		}
	}
}

// whole reports whether all of a run was seen, from start to stop.
func (s *stretch) whole() bool { return s.Kind == duty.Ran && s.New && s.Stopped }

func (b *dayBook) pieces(from, to, n int64, add func(*dayTotals, time.Duration)) {
	for from < to {
		t := b.of(from, n)
		end := min(to, b.cal.end)
		add(t, time.Duration(end-from))
		from = end
	}
}

func (t *dayTotals) args(name, day string) []any {
	var shortest any
	if t.shortest != math.MaxInt64 {
		shortest = int64(t.shortest)
	}
	return []any{name, day, int64(t.Run), int64(t.Seen - t.Run), int64(t.Unseen), t.Starts, t.Runs, int64(t.longest), shortest, t.worst, t.first, t.last}
}

// setZone makes the days those of a zone; when they were cut in another they are made anew. A nil zone is the one before,
// and it stays that while the file cannot be written.
func setZone(ctx context.Context, db *sql.DB, zone *time.Location) (*calendar, error) {
	kept, err := readZone(ctx, db)
	if err != nil {
		return nil, err
	}
	if kept == nil {
		kept = time.UTC
	}
	if zone == nil || kept.String() == zone.String() {
		return &calendar{zone: kept}, nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err == nil {
		if err = recut(ctx, tx, zone); err == nil {
			err = tx.Commit()
		} else {
			err = errors.Join(err, tx.Rollback())
		}
	}
	if err != nil {
		return &calendar{zone: kept}, nil
	}
	return &calendar{zone: zone}, nil
}

// readZone returns the zone in which the days are cut; nil: none yet.
func readZone(ctx context.Context, q queryer) (*time.Location, error) {
	var name string
	err := q.QueryRowContext(ctx, `SELECT zone FROM duty_zone`).Scan(&name)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return time.UTC, nil // a zone that is known no more: the days are made anew
	}
	return zone, nil
}

// changer is a transaction, or the connection that has one.
type changer interface {
	queryer
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
}

// recut makes all days anew from the intervals.
func recut(ctx context.Context, tx changer, zone *time.Location) error {
	if _, err := tx.ExecContext(ctx, `DELETE FROM duty_days`); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO duty_zone (one, zone) VALUES (1, ?) ON CONFLICT (one) DO UPDATE SET zone = excluded.zone`, zone.String()); err != nil {
		return err
	}
	all, err := readNames(ctx, tx)
	if err != nil {
		return err
	}
	for _, e := range all {
		days, err := cutDays(ctx, tx, e.id, &calendar{zone: zone})
		if err != nil {
			return err
		}
		for day, t := range days {
			t.first, t.last = t.first-e.n, t.last-e.n // sqlDay adds n
			if _, err := tx.ExecContext(ctx, sqlDay, t.args(e.name, day)...); err != nil {
				return err
			}
		}
	}
	return nil
}

// cutDays makes the days of one piece of equipment from its intervals.
func cutDays(ctx context.Context, q queryer, id int64, c *calendar) (map[string]*dayTotals, error) {
	b := newDayBook(c)
	err := eachStretch(ctx, q, `SELECT `+stretchColumns+` FROM intervals WHERE equipment = ? ORDER BY n`, []any{id}, func(n int64, s *stretch) bool {
		b.add(s, n)
		return true
	})
	return b.days, err
}

const stretchColumns = `n, kind, begun, ended, "to", still, starts, hour, new, stopped, why`

// eachStretch gives the stretches of a query to f until it has enough.
func eachStretch(ctx context.Context, q queryer, query string, args []any, f func(n int64, s *stretch) bool) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var n, ms int64
		var s stretch
		var from, to int64
		if err := rows.Scan(&n, &s.Kind, &from, &to, &ms, &s.Still, &s.Starts, &s.Hour, &s.New, &s.Stopped, &s.Why); err != nil {
			return err
		}
		s.From, s.To, s.to = collector.Moment(from), collector.Moment(to), ms*int64(time.Millisecond)
		if !f(n, &s) {
			return nil
		}
	}
	return rows.Err()
}

// named is one row of the table of equipment.
type named struct {
	id, n          int64
	name           string
	looked, moment int64
}

func readNames(ctx context.Context, q queryer) ([]named, error) {
	rows, err := q.QueryContext(ctx, `SELECT id, n, name, looked, moment FROM equipment ORDER BY id`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []named
	for rows.Next() {
		var e named
		if err := rows.Scan(&e.id, &e.n, &e.name, &e.looked, &e.moment); err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, rows.Err()
}
