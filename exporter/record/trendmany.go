package record

import (
	"context"
	"iter"
	"math"
	"time"
)

const (
	// mostTogether is how many points' windows are decoded in one go: with 4 kB each it works in a megabyte, and opening
	// windows once more for the next so many costs less than unpacking them.
	mostTogether = 256
	// mostLiveRows bounds what is held of hours that are still in windows, in hours of a point: some 400 bytes each.
	mostLiveRows = 8192
	leastShared  = 16
)

// shared is what trends that are read together need not look up each by itself.
type shared struct {
	live   *live
	lo, hi int64 // of which it tells
	oldest int64 // reading, as bounds.readings
}

// Trends returns what is kept of several points, in their order, for reading of [from, to), zero for no bound; a point of
// which nothing was ever kept is left out. Each trend can do all that one by itself can. But what of the span is still in
// windows, which hold all points, was decoded once for many of them, so that a thousand points cost little more than ten. What
// was taken meanwhile is not in them: read them at once. An error ends them.
func (r *Reader) Trends(ctx context.Context, points []string, from, to time.Time) iter.Seq2[*Trend, error] {
	return func(yield func(*Trend, error) bool) {
		lo, hi := millisOf(from, to)
		list, err := r.trendsOf(ctx, points)
		for err == nil && len(list) > 0 {
			var s *shared
			n := 0
			if s, n, err = r.share(ctx, list, lo, hi); err != nil {
				break
			}
			for _, t := range list[:n] {
				t.shared = s
				if !yield(t, nil) {
					return
				}
			}
			list = list[n:]
		}
		if err != nil {
			yield(nil, r.fail("read", reason(err)))
		}
	}
}

// trendsOf returns the trends of those points that have one.
func (r *Reader) trendsOf(ctx context.Context, points []string) ([]*Trend, error) {
	rows, err := readSeries(ctx, r.db, "")
	if err != nil {
		return nil, err
	}
	byPoint := map[string][]seriesRow{}
	for _, s := range rows {
		byPoint[s.key.point] = append(byPoint[s.key.point], s)
	}
	var list []*Trend
	for _, p := range points {
		if of := byPoint[p]; len(of) > 0 {
			latest := &of[len(of)-1].key
			list = append(list, r.trendOf(latest.point, latest.unit, latest.kind, of))
		}
	}
	return list, nil
}

// share reads the windows for the first n of a list, as many as may be held.
func (r *Reader) share(ctx context.Context, list []*Trend, lo, hi int64) (s *shared, n int, err error) {
	var hours int
	err = r.db.QueryRowContext(ctx, `SELECT count(DISTINCT hour) FROM windows WHERE "window" > `+sqlPacked+` AND time < ?2 AND until >= ?1`, lo, hi).Scan(&hours)
	if err != nil {
		return nil, 0, err
	}
	n = min(len(list), max(leastShared, min(mostTogether, mostLiveRows/max(hours, 1))))
	s = &shared{lo: lo, hi: hi}
	if s.oldest, err = r.oldestReading(ctx); err != nil {
		return nil, 0, err
	}
	var ids []int64
	for _, t := range list[:n] {
		ids = append(ids, t.ids()...)
	}
	s.live, err = r.readLive(ctx, ids, lo, hi)
	return s, n, err
}

// liveHours makes the figures of the hours of a trend that are still in windows.
func (t *Trend) liveHours(ctx context.Context, lo, hi int64) ([]liveHour, error) {
	if s := t.shared; s != nil && lo >= s.lo && hi <= s.hi {
		return s.live.of(t)
	}
	l, err := t.r.readLive(ctx, t.ids(), lo, hi)
	if err != nil {
		return nil, err
	}
	return l.of(t)
}

func (r *Reader) oldestReading(ctx context.Context) (ms int64, err error) {
	err = r.queryRow(ctx, `SELECT min(coalesce((SELECT min(time) FROM pieces), ?1), coalesce((SELECT min(time) FROM windows), ?1))`, int64(math.MaxInt64/2)).Scan(&ms)
	return ms, err
}
