package record

import (
	"cmp"
	"context"
	"database/sql"
	"time"

	"roundsman/collector/sorting"
)

// Day is the figures of one day of a point, in the trend's unit, from midnight to midnight of the site's zone; NaN
// where no reading could be used.
type Day struct {
	Day string // '2026-11-28'
	Figures
}

// Days returns the figures of the days that begin in [from, to), zero for no bound. A day is there soon after its end.
func (t *Trend) Days(ctx context.Context, from, to time.Time) ([]Day, error) {
	lo, hi := millisOf(from, to)
	list, err := t.days(ctx, lo, hi)
	if err != nil {
		return nil, t.r.fail("read", reason(err))
	}
	return list, nil
}

func (t *Trend) days(ctx context.Context, lo, hi int64) (list []Day, err error) {
	for _, id := range t.ids() {
		rows, err := t.r.query(ctx, `SELECT day, time, min, mean, max, "last", readings, good FROM days
			WHERE series = ? AND time >= ? AND time < ? ORDER BY day`, id, lo, hi)
		if err != nil {
			return nil, err
		}
		of, err := scanDays(rows)
		if err != nil {
			return nil, err
		}
		scale := t.series[id]
		for i := range of {
			of[i].scale(&scale)
		}
		list = append(list, of...)
	}
	sorting.StableFunc(list, func(a, b Day) int { return cmp.Compare(a.Milli, b.Milli) })
	return list, nil
}

func scanDays(rows *sql.Rows) (list []Day, err error) {
	defer rows.Close()
	for rows.Next() {
		var d Day
		var low, mean, high, last sql.NullFloat64
		var readings, good int64
		if err := rows.Scan(&d.Day, &d.Milli, &low, &mean, &high, &last, &readings, &good); err != nil {
			return nil, err
		}
		d.Min, d.Mean, d.Max, d.Last = floatOf(low), floatOf(mean), floatOf(high), floatOf(last)
		d.Good = float64(good) / float64(max(readings, 1))
		list = append(list, d)
	}
	return list, rows.Err()
}
