package record

import (
	"context"
	"maps"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

// Finished is an interval of one piece of equipment that has ended.
type Finished struct {
	Equipment string
	duty.Interval
}

// sqlNamed, sqlInterval and sqlDay write intervals. Days are sums over intervals that are kept beside them, so that a
// span of many runs need not read them all; they are written in the same transaction and can be made anew from them.
const (
	sqlNamed = `INSERT INTO equipment (name, looked, moment) VALUES (?1, ?2, ?3)
		ON CONFLICT (name) DO UPDATE SET looked = excluded.looked, moment = excluded.moment`
	sqlInterval = `INSERT INTO intervals (equipment, n, kind, begun, ended, "from", "to", still, starts, hour, new, stopped, why)
		SELECT id, n + ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13 FROM equipment WHERE name = ?1`
	sqlDay = `INSERT INTO duty_days (equipment, day, run, still, unseen, starts, runs, longest, shortest, worst, first, last)
		SELECT id, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, n + ?11, n + ?12 FROM equipment WHERE name = ?1
		ON CONFLICT (equipment, day) DO UPDATE SET run = run + excluded.run, still = still + excluded.still,
		unseen = unseen + excluded.unseen, starts = starts + excluded.starts, runs = runs + excluded.runs,
		longest = max(longest, excluded.longest), shortest = coalesce(min(shortest, excluded.shortest), shortest, excluded.shortest),
		worst = max(worst, excluded.worst), first = min(first, excluded.first), last = max(last, excluded.last)`
	sqlSums = `UPDATE equipment SET n = n + ?2, run = run + ?3, still = still + ?4, unseen = unseen + ?5, starts = starts + ?6, runs = runs + ?7,
		lost = lost + ?8, lost_run = lost_run + ?9, lost_still = lost_still + ?10, lost_unseen = lost_unseen + ?11,
		lost_starts = lost_starts + ?12, lost_runs = lost_runs + ?13 WHERE name = ?1`
)

// sqlRedateRuns gives the intervals of this boot that ended before the clock was set the time they were really at.
const sqlRedateRuns = `UPDATE intervals SET "from" = (ended + ?3) / 1000000 - ("to" - "from"), "to" = (ended + ?3) / 1000000
	WHERE "to" < ?4 AND ended >= (SELECT min(moment) FROM runs WHERE run = ?1 OR boot <> '' AND boot = ?2)`

func runsStatements() []string {
	return []string{sqlNamed, sqlInterval, sqlDay, sqlSums, sqlRedateRuns, sqlService}
}

// stretch is an interval with its place in time. The end is kept to the millisecond and everything else is reckoned from
// it, so that whoever reads the file cuts it at exactly the same instants. Times are Unix nanoseconds.
type stretch struct {
	duty.Interval
	to int64
}

// place puts an interval on the wall clock as it is set now.
func place(i duty.Interval, clock *collector.Clock) stretch {
	return stretch{i, clock.Time(i.To).UnixMilli() * int64(time.Millisecond)}
}

func (s *stretch) from() int64  { return s.to - int64(s.Length()) }
func (s *stretch) still() int64 { return s.from() - int64(s.Still) }

// runs is what waits to be written of one piece of equipment.
type runs struct {
	list []stretch
	lost duty.Totals // of intervals that found no room
	gone int
}

// wait adds an interval, and drops the oldest for it if there is no room.
func (r *runs) wait(s stretch, limit int) {
	if len(r.list) >= limit {
		r.lost.Add(r.list[0].Interval)
		r.gone++
		r.list = r.list[1:]
	}
	r.list = append(r.list, s)
}

// takeRuns adds a change's intervals, moved by offset.
func (q *queue) takeRuns(c *Change, clock *collector.Clock, offset time.Duration) {
	for _, f := range c.Intervals {
		s := place(f.Interval, clock)
		s.From, s.To = shift(s.From, offset), shift(s.To, offset)
		w := q.runs[f.Equipment]
		if w == nil {
			w = &runs{}
			q.runs[f.Equipment] = w
		}
		w.wait(s, q.limit)
	}
	for name, k := range c.Duty {
		q.looks[name] = lastLook{at: k.At.Add(offset), time: clock.Time(k.At)}
	}
	q.services = append(q.services, c.Services...)
}

// lastLook is when equipment was looked at last.
type lastLook struct {
	at   collector.Moment
	time time.Time
}

// writeRuns writes the intervals that wait, and the days and sums they add to.
func (r *Record) writeRuns() error {
	q := &r.queue
	if err := r.writeServices(); err != nil {
		return err
	}
	for name, l := range q.looks {
		if err := r.w.exec(sqlNamed, name, l.time.UnixMilli(), int64(l.at)); err != nil {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(q.runs)) {
		w := q.runs[name]
		if _, ok := q.looks[name]; !ok { // intervals alone: their last end is the last look
			last := w.list[len(w.list)-1]
			if err := r.w.exec(sqlNamed, name, time.Unix(0, last.to).UnixMilli(), int64(last.To)); err != nil {
				return err
			}
		}
		if err := r.writeRunsOf(name, w); err != nil {
			return err
		}
	}
	return nil
}

func (r *Record) writeRunsOf(name string, w *runs) error {
	days := newDayBook(r.days)
	var sum duty.Totals
	for i := range w.list {
		s := &w.list[i]
		err := r.w.exec(sqlInterval, name, i+1, int(s.Kind), int64(s.From), int64(s.To), time.Unix(0, s.from()).UnixMilli(), time.Unix(0, s.to).UnixMilli(),
			int64(s.Still), s.Starts, s.Hour, s.New, s.Stopped, s.Why)
		if err != nil {
			return err
		}
		days.add(s, int64(i+1))
		sum.Add(s.Interval)
	}
	for day, t := range days.days {
		if err := r.w.exec(sqlDay, t.args(name, day)...); err != nil {
			return err
		}
	}
	l := w.lost
	return r.w.exec(sqlSums, name, len(w.list), int64(sum.Run), int64(sum.Seen-sum.Run), int64(sum.Unseen), sum.Starts, sum.Runs,
		w.gone, int64(l.Run), int64(l.Seen-l.Run), int64(l.Unseen), l.Starts, l.Runs)
}

// dateRuns puts what waits on the wall clock as it is set now.
func (q *queue) dateRuns(timeOf func(collector.Moment) time.Time) {
	for _, w := range q.runs {
		for i := range w.list {
			w.list[i].to = timeOf(w.list[i].To).UnixMilli() * int64(time.Millisecond)
		}
	}
	for name, l := range q.looks {
		q.looks[name] = lastLook{at: l.at, time: timeOf(l.at)}
	}
}

// redateRuns dates the intervals in the file that ended before the clock was set. Their days are then made anew.
func (r *Record) redateRuns(boot string, begins int64) error {
	done, err := r.w.stmts[sqlRedateRuns].Exec(r.run, boot, begins, r.opts.NotBefore.UnixMilli())
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		return err
	}
	return recut(context.Background(), r.w.conn, r.days.zone)
}
