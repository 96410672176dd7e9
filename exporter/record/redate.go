package record

import (
	"context"
	"time"

	"roundsman/collector"
)

// A box without a battery starts in 1970. Its lines keep their order and distances by the steady scale, and are marked
// as undated. As soon as the wall clock is set, those of the same boot get the time they were really at, in the
// transaction of the line that says so: all of them or none. Those of earlier boots can never get one: nobody knows how
// long the box was off.

// The lines whose distance from now is known: of this run, and of others since the machine was booted.
const ofThisBoot = ` undated = 1 AND run IN (SELECT run FROM runs WHERE run = ?1 OR boot <> '' AND boot = ?2)`

const (
	sqlUndated = `SELECT count(*), coalesce(min(moment), 0) FROM journal WHERE` + ofThisBoot
	// A shelve ends so long after its line as it was to, whatever the clock said.
	sqlRedate = `UPDATE journal SET until = until + (moment + ?3) / 1000000 - time, time = (moment + ?3) / 1000000, undated = NULL WHERE` + ofThisBoot
	sqlRerun  = `UPDATE runs SET started = (moment + ?3) / 1000000 WHERE started < ?4 AND (run = ?1 OR boot <> '' AND boot = ?2)`
)

func redateStatements() []string { return []string{sqlUndated, sqlRedate, sqlRerun} }

// unset reports whether a wall time is that of a clock that was not set.
func (o *Options) unset(t time.Time) bool { return t.Before(o.NotBefore) }

// timeOf returns the wall time of a moment of the record, as the clock has it now.
func (r *Record) timeOf(steady collector.Moment) time.Time {
	return r.opts.Clock.Time(steady.Add(-r.offset))
}

// findUndated looks whether earlier runs of this boot left lines that have no date.
func (r *Record) findUndated(ctx context.Context) error {
	var n uint64
	var first collector.Moment
	err := r.db.QueryRowContext(ctx, sqlUndated, r.run, r.opts.Boot().ID).Scan(&n, &first)
	r.undated = n > 0
	return err
}

// arrive looks whether the clock has been set since lines were marked as undated. If so it dates those that wait, has
// the next transaction date those in the file, and journals that it was done.
func (r *Record) arrive(now collector.Moment) {
	if !r.undated || r.opts.unset(r.opts.Clock.Time(now)) {
		return
	}
	var n uint64
	var first collector.Moment
	if err := r.w.stmts[sqlUndated].QueryRow(r.run, r.opts.Boot().ID).Scan(&n, &first); err != nil {
		return // the next write tells what is wrong; this is tried again
	}
	waiting, since := r.queue.date(r.timeOf)
	r.queue.dateRuns(r.timeOf)
	if n == 0 {
		first = since
	}
	r.undated, r.redate = false, true
	if n += waiting; n > 0 {
		r.push(Line{Kind: LinesRedated, At: now, Count: n, Until: r.timeOf(first), Why: "the clock was set"}, now)
	}
}

// date gives the lines that wait and have no date theirs. It returns how many, and the first one's moment.
func (q *queue) date(timeOf func(collector.Moment) time.Time) (n uint64, first collector.Moment) {
	one := func(l *Line) (shift time.Duration) {
		t := millis(timeOf(l.Steady))
		shift = t.Sub(l.Time)
		if !l.Until.IsZero() {
			l.Until = l.Until.Add(shift)
		}
		l.Time, l.Undated = t, false
		return shift
	}
	if q.lost > 0 && q.lostLast.Undated {
		q.lostFrom = q.lostFrom.Add(one(&q.lostLast))
		n, first = 1, q.lostLast.Steady // they are one line
	}
	for i := range q.lines {
		l := &q.lines[i]
		if !l.Undated {
			continue
		}
		if one(l); n == 0 {
			first = l.Steady
		}
		n++
	}
	return n, first
}

// writeDates dates the lines in the file.
func (r *Record) writeDates() error {
	boot, begins := r.opts.Boot().ID, r.timeOf(0).UnixNano()
	if err := r.w.exec(sqlRedate, r.run, boot, begins); err != nil {
		return err
	}
	if err := r.redateRuns(boot, begins); err != nil {
		return err
	}
	return r.w.exec(sqlRerun, r.run, boot, begins, r.opts.NotBefore.UnixMilli())
}
