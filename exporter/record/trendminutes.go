package record

import (
	"cmp"
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"time"

	"roundsman/collector/sorting"
)

// hourRow is an hour of one series: the whole, and its minutes.
type hourRow struct {
	series, hour           int64
	min, mean, max, last   float64
	readings, usable, good int64
	packedFigures
}

const (
	hourColumns   = `series, hour, min, mean, max, "last", readings, usable, good`
	minuteColumns = hourColumns + `, base, share, w_low, w_mean, w_high, w_last, w_share, figures`
)

// figuresPage is how many hours are read at a time.
const figuresPage = 500

func (t *Trend) hours(ctx context.Context, columns string, id, from, to int64) ([]hourRow, error) {
	rows, err := t.r.query(ctx, `SELECT `+columns+` FROM minutes WHERE series = ? AND hour >= ? AND hour < ? ORDER BY hour LIMIT ?`, id, from, to, limitOf(columns))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []hourRow
	for rows.Next() {
		h, err := scanHour(rows, columns == minuteColumns)
		if err != nil {
			return nil, err
		}
		list = append(list, h)
	}
	return list, rows.Err()
}

func limitOf(columns string) int {
	if columns == minuteColumns {
		return figuresPage
	}
	return math.MaxInt32
}

func scanHour(rows *sql.Rows, minutes bool) (h hourRow, err error) {
	var low, mean, high, last sql.NullFloat64
	into := []any{&h.series, &h.hour, &low, &mean, &high, &last, &h.readings, &h.usable, &h.good}
	if minutes {
		w := &h.widths
		into = append(into, &h.base, &h.share, &w[0], &w[1], &w[2], &w[3], &w[4], &h.data)
	}
	err = rows.Scan(into...)
	h.min, h.mean, h.max, h.last = floatOf(low), floatOf(mean), floatOf(high), floatOf(last)
	return h, err
}

// Minutes returns the figures of the minutes that begin in [from, to), zero for no bound, in rising order of time. Minutes
// without a reading are left out. An error ends them.
func (t *Trend) Minutes(ctx context.Context, from, to time.Time) iter.Seq2[Figures, error] {
	return func(yield func(Figures, error) bool) {
		lo, hi := millisOf(from, to)
		last := lo - 1
		give := func(list []Figures) bool {
			for _, f := range list {
				if f.Milli <= last || f.Milli >= hi {
					continue
				}
				last = f.Milli
				if !yield(f, nil) {
					return false
				}
			}
			return true
		}
		live, err := t.liveHours(ctx, lo, hi)
		if err == nil {
			err = t.eachHour(ctx, lo, hi, live, give)
		}
		if err != nil {
			yield(Figures{}, t.r.fail("read", reason(err)))
		}
	}
}

// eachHour gives the minutes of each hour, those on the disk and those of windows, in order of time.
func (t *Trend) eachHour(ctx context.Context, lo, hi int64, live []liveHour, give func([]Figures) bool) error {
	from, to := hourOf(lo), hourOf(hi-1)+1
	for from < to {
		var page []hourRow
		for _, id := range t.ids() {
			rows, err := t.hours(ctx, minuteColumns, id, from, to)
			if err != nil {
				return err
			}
			page = append(page, rows...)
		}
		next := pageEnd(page, to)
		page = slices.DeleteFunc(page, func(h hourRow) bool { return h.hour >= next })
		sorting.StableFunc(page, func(a, b hourRow) int { return cmp.Compare(a.hour, b.hour) })
		done, err := t.givePage(page, &live, next, give)
		if done || err != nil {
			return err
		}
		from = next
	}
	return nil
}

// pageEnd returns up to which hour a page is complete for every series.
func pageEnd(page []hourRow, to int64) int64 {
	count, last := map[int64]int{}, map[int64]int64{}
	for _, h := range page {
		count[h.series]++
		last[h.series] = h.hour
	}
	for id, n := range count {
		if n >= figuresPage {
			to = min(to, last[id]+1)
		}
	}
	return to
}

func (t *Trend) givePage(page []hourRow, live *[]liveHour, next int64, give func([]Figures) bool) (done bool, err error) {
	for _, h := range page {
		for len(*live) > 0 && (*live)[0].hour < h.hour {
			if !give((*live)[0].list) {
				return true, nil
			}
			*live = (*live)[1:]
		}
		if len(*live) > 0 && (*live)[0].hour == h.hour && (*live)[0].whole {
			continue // the windows tell the same, and the row may be half of it
		}
		list, err := t.minutesOf(&h)
		if err != nil {
			return true, err
		}
		if !give(list) {
			return true, nil
		}
	}
	for len(*live) > 0 && (*live)[0].hour < next {
		if !give((*live)[0].list) {
			return true, nil
		}
		*live = (*live)[1:]
	}
	return false, nil
}

func (t *Trend) minutesOf(h *hourRow) ([]Figures, error) {
	s := t.series[h.series]
	list, err := h.figures(h.hour, s.grid)
	for i := range list {
		list[i].scale(&s)
	}
	return list, err
}

func (f *Figures) scale(s *scaled) {
	for _, v := range []*float64{&f.Min, &f.Mean, &f.Max, &f.Last} {
		*v = *v*s.factor + s.offset
	}
	if s.factor < 0 {
		f.Min, f.Max = f.Max, f.Min
	}
}
