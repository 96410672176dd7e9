package record

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"strconv"
	"time"
)

// incremental is the mode of auto_vacuum in which free room is given back when asked for.
const incremental = 2

func itoa(n int) string { return strconv.Itoa(n) }

const dayLayout = "2006-01-02"

// closing is a day of the site's zone that is being closed.
type closing struct {
	day      string
	from, to int64 // milliseconds
	after    int64 // the last series that was done
}

// closeDays makes the figures of days that are over, of the hours' figures, some series at a time.
func (u *Upkeep) closeDays(ctx context.Context, now time.Time) (bool, error) {
	if u.day == nil {
		var err error
		if u.day, err = u.nextDay(ctx, now); err != nil || u.day == nil {
			return false, err
		}
	}
	ids, err := u.someSeries(ctx, u.day.after)
	if err != nil {
		return false, err
	}
	if len(ids) == 0 {
		u.lastDay = u.day.day
		u.day = nil
		return true, nil
	}
	rows, err := u.dayRows(ctx, ids)
	if err != nil {
		return false, err
	}
	u.day.after = ids[len(ids)-1]
	if len(rows) == 0 {
		return true, nil
	}
	return true, u.write(ctx, func(tx *sql.Tx) error {
		for _, d := range rows {
			if err := d.insert(ctx, tx, u.day); err != nil {
				return err
			}
		}
		return nil
	})
}

func (u *Upkeep) someSeries(ctx context.Context, after int64) (ids []int64, err error) {
	rows, err := u.r.Reader.db.QueryContext(ctx, `SELECT series FROM series WHERE series > ? ORDER BY series LIMIT ?`, after, rowsAtOnce)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		if err := rows.Scan(&id); err != nil {
			return nil, err
		}
		ids = append(ids, id)
	}
	return ids, rows.Err()
}

// nextDay returns the next day that is over and all of whose readings are in pieces; nil: none.
func (u *Upkeep) nextDay(ctx context.Context, now time.Time) (*closing, error) {
	if u.lastDay == "" {
		if err := u.r.Reader.db.QueryRowContext(ctx, `SELECT coalesce(max(day), '') FROM days`).Scan(&u.lastDay); err != nil {
			return nil, err
		}
	}
	var first sql.NullInt64
	var open int64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT (SELECT min(time) FROM pieces WHERE done = 1),
		(SELECT coalesce(min(time), ?) FROM windows WHERE "window" > `+sqlPacked+`)`, int64(math.MaxInt64)).Scan(&first, &open)
	if err != nil || !first.Valid {
		return nil, err
	}
	day := time.UnixMilli(first.Int64).In(u.keep.Zone)
	if last, err := time.ParseInLocation(dayLayout, u.lastDay, u.keep.Zone); err == nil {
		day = later(last.AddDate(0, 0, 1), first.Int64).In(u.keep.Zone)
	}
	for {
		from := midnight(day)
		to := midnight(from.AddDate(0, 0, 1))
		if end := to.Add(lateness); end.After(now) || open < to.UnixMilli() {
			return nil, nil
		}
		var any bool
		err := u.r.Reader.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM pieces WHERE done = 1 AND time < ? AND until >= ?)`, to.UnixMilli(), from.UnixMilli()).Scan(&any)
		if err != nil {
			return nil, err
		}
		if any {
			return &closing{day: from.Format(dayLayout), from: from.UnixMilli(), to: to.UnixMilli()}, nil
		}
		day = to
	}
}

func midnight(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, t.Location())
}

// dayRow sums up a day of one series.
type dayRow struct {
	series                 int64
	min, sum, max, last    float64
	readings, usable, good float64
}

func (u *Upkeep) dayRows(ctx context.Context, ids []int64) (list []dayRow, err error) {
	for _, id := range ids {
		d, err := u.dayOf(ctx, id)
		if err != nil {
			return nil, err
		}
		if d.readings > 0 {
			list = append(list, d)
		}
	}
	return list, nil
}

func (u *Upkeep) dayOf(ctx context.Context, id int64) (d dayRow, err error) {
	d.series = id
	t := &Trend{r: u.r.Reader}
	rows, err := t.hours(ctx, minuteColumns, id, hourOf(u.day.from), hourOf(u.day.to-1)+1)
	for i := range rows {
		h := &rows[i]
		if h.hour*hourMillis >= u.day.from && (h.hour+1)*hourMillis <= u.day.to {
			d.add(h.min, h.mean, h.max, h.last, float64(h.readings), float64(h.usable), float64(h.good))
			continue
		}
		if err := u.addPart(ctx, &d, h); err != nil {
			return d, err
		}
	}
	return d, err
}

// addPart adds those minutes of an hour that midnight cuts which belong to the day, as in zones of half hours.
func (u *Upkeep) addPart(ctx context.Context, d *dayRow, h *hourRow) error {
	s := seriesRow{}
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT step, origin FROM series WHERE series = ?`, h.series).Scan(&s.grid.Step, &s.grid.Origin)
	if err != nil {
		return err
	}
	list, err := h.figures(h.hour, s.grid)
	each := float64(h.readings) / float64(max(len(list), 1))
	for _, f := range list {
		if f.Milli < u.day.from || f.Milli >= u.day.to {
			continue
		}
		usable := each
		if math.IsNaN(f.Mean) {
			usable = 0
		}
		d.add(f.Min, f.Mean, f.Max, f.Last, each, usable, each*f.Good)
	}
	return err
}

func (d *dayRow) add(low, mean, high, last, readings, usable, good float64) {
	d.readings, d.good = d.readings+readings, d.good+good
	if usable == 0 {
		return
	}
	if d.usable == 0 {
		d.min, d.max = low, high
	}
	d.min, d.max, d.last = min(d.min, low), max(d.max, high), last
	d.sum += mean * usable
	d.usable += usable
}

func (d *dayRow) insert(ctx context.Context, tx *sql.Tx, c *closing) error {
	var low, mean, high, last any
	if d.usable > 0 {
		low, mean, high, last = d.min, d.sum/d.usable, d.max, d.last
	}
	_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO days (series, day, time, min, mean, max, "last", readings, usable, good) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		d.series, c.day, c.from, low, mean, high, last, int64(math.Round(d.readings)), int64(math.Round(d.usable)), int64(math.Round(d.good)))
	if err != nil {
		return errors.Join(err, errors.New("day "+c.day))
	}
	return nil
}
