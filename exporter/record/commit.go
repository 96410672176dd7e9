package record

import (
	"errors"
	"fmt"

	"roundsman/collector"
)

// Commit keeps a change as one transaction, with all that still waits from before. When it returns nil everything is on
// the disk. An error that wraps ErrUnkeepable is about one memory and the rest is kept; after any other nothing was
// lost: it waits in memory and goes with a later Commit or Beat, the lines in their order. Commit may take as long as
// the disk takes for a flush. The change is copied and may be used again.
func (r *Record) Commit(c *Change) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return r.fail("write", ErrClosed, "")
	}
	now := c.At
	if now == 0 {
		now = r.opts.Clock.Now()
	}
	for i := range c.Lines {
		r.push(c.Lines[i], now)
	}
	r.arrive(now)
	r.queue.take(c, r.offset)
	r.queue.takeRuns(c, r.opts.Clock, r.offset)
	if err := r.flush(now); err != nil {
		return err
	}
	if len(r.w.unkeepable) > 0 {
		return r.fail("write", fmt.Errorf("%w: %w", ErrUnkeepable, errors.Join(r.w.unkeepable...)), "the rest is kept")
	}
	return nil
}

// Beat writes that the box is alive, and what waits, if that is due. Call it each round; it costs nothing while it is not.
func (r *Record) Beat(now collector.Moment) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return r.fail("write", ErrClosed, "")
	}
	r.arrive(now)
	if r.queue.empty() && r.begun && now.Sub(r.beaten) < r.opts.BeatEvery && !r.trend.due(now) {
		return nil
	}
	return r.flush(now)
}

// push makes a line ready to be written.
func (r *Record) push(l Line, now collector.Moment) {
	if l.At == 0 {
		l.At = now
	}
	if l.Time.IsZero() {
		l.Time = r.opts.Clock.Time(l.At)
	}
	l.Time, l.Until = millis(l.Time), millis(l.Until)
	l.Steady = max(l.At.Add(r.offset), r.last.Steady)
	l.Run = r.run
	if l.Undated = r.opts.unset(l.Time); l.Undated {
		r.undated = true
	}
	r.last = l
	r.queue.push(l)
}

// flush writes what waits unless the last failure was just now.
func (r *Record) flush(now collector.Moment) error {
	if s := r.status.Load(); !s.OK() && now < r.retryAt {
		r.setFailing(s.Err, now)
		return r.broken(s.Err)
	}
	if err := r.write(now, false); err != nil {
		return r.broken(err)
	}
	return nil
}

// write writes all that waits as one transaction and keeps the status current.
func (r *Record) write(now collector.Moment, planned bool) error {
	seq := r.seq
	r.trend.ripen(now, planned)
	beat := planned || !r.begun || now.Sub(r.beaten) >= r.opts.BeatEvery || r.queue.jumps() || r.trend.due(now)
	left, err := r.keeping(r.onlyAlive(planned), func() error {
		seq = r.seq
		if !r.begun {
			if err := r.writeRun(now); err != nil {
				return err
			}
		}
		if r.redate {
			if err := r.writeDates(); err != nil {
				return err
			}
		}
		if err := r.writeLines(&seq); err != nil {
			return err
		}
		if err := r.writeMemories(); err != nil {
			return err
		}
		if err := r.writeRuns(); err != nil {
			return err
		}
		if beat {
			return r.writeAlive(now, seq, planned)
		}
		return nil
	})
	if err != nil {
		r.retryAt = now.Add(r.opts.RetryEvery)
		r.setFailing(err, now)
		return err
	}
	r.seq, r.begun, r.redate = seq, true, false
	if beat {
		r.beaten = now
	}
	r.queue.clear()
	if left != nil {
		r.setFailing(left, now)
		return nil // the lines are on the disk
	}
	r.trend.written()
	r.setWritten()
	return nil
}

// onlyAlive reports whether nothing is to be written but that the box is alive. That is worth no flush of its own: after a
// power cut the outage may seem to begin some seconds early, and flushes wear a card and hold up rounds.
func (r *Record) onlyAlive(planned bool) bool {
	return !planned && r.begun && !r.redate && r.queue.empty() && len(r.trend.waiting)+len(r.trend.fresh) == 0
}

func (r *Record) writeRun(now collector.Moment) error {
	return r.w.exec(sqlRun, r.run, r.opts.Boot().ID, r.opts.Clock.Time(now).UnixMilli(), int64(now.Add(r.offset)), r.opts.Version)
}

func (r *Record) writeAlive(now collector.Moment, seq uint64, planned bool) error {
	// The clocks are read together, whatever moment the round has.
	clock, boot := r.opts.Clock, r.opts.Boot()
	at := clock.Now()
	return r.w.exec(sqlAlive, r.run, boot.ID, int64(boot.Up), clock.Time(at).UnixMilli(), int64(at.Add(r.offset)), seq, planned)
}

func (r *Record) writeLines(seq *uint64) error {
	if q := &r.queue; q.lost > 0 {
		l := Line{Kind: LinesLost, Count: q.lost, Time: q.lostLast.Time, Until: q.lostFrom, Steady: q.lostLast.Steady, Run: r.run, Undated: q.lostLast.Undated}
		*seq++
		l.Seq = *seq
		if err := r.w.line(&l); err != nil {
			return err
		}
	}
	for i := range r.queue.lines {
		l := &r.queue.lines[i]
		*seq++
		l.Seq = *seq
		if err := r.w.line(l); err != nil {
			return err
		}
	}
	return nil
}

func (r *Record) writeMemories() error {
	q := &r.queue
	if q.whole {
		if err := errors.Join(r.w.exec(sqlNoAlarms), r.w.exec(sqlNoConditions)); err != nil {
			return err
		}
	}
	for name := range q.gone {
		if err := r.w.exec(sqlNoAlarm, name); err != nil {
			return err
		}
	}
	if err := each(q.alarms, r.w.alarm); err != nil {
		return err
	}
	if err := each(q.conditions, r.w.condition); err != nil {
		return err
	}
	if err := each(q.duty, r.w.duty); err != nil {
		return err
	}
	if err := each(q.counts, r.w.count); err != nil {
		return err
	}
	return r.writeOutbox()
}

func each[M any](all map[string]M, write func(string, M) error) error {
	for name, m := range all {
		if err := write(name, m); err != nil {
			return err
		}
	}
	return nil
}

// broken is what Commit says while it cannot write.
func (r *Record) broken(err error) error {
	then := fmt.Sprintf("alarms go on, %d lines wait in memory", len(r.queue.lines))
	if r.queue.lost > 0 {
		then += fmt.Sprintf(", %d older ones are lost", r.queue.lost)
	}
	return r.fail("write", err, then)
}
