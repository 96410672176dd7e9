package record

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"time"

	"roundsman/collector"
)

// lastSeen is what the file says of the run before.
type lastSeen struct {
	known   bool // there was one
	run     int64
	boot    Boot
	time    time.Time
	moment  collector.Moment // of the latest beat
	alive   collector.Moment // of the latest beat or line
	seq     uint64
	planned bool
}

func readLastSeen(ctx context.Context, q queryer) (lastSeen, error) {
	var s lastSeen
	var ms int64
	row := q.QueryRowContext(ctx, `SELECT run, boot, up, time, moment, seq, ended FROM alive`)
	err := row.Scan(&s.run, &s.boot.ID, &s.boot.Up, &ms, &s.moment, &s.seq, &s.planned)
	if errors.Is(err, sql.ErrNoRows) {
		return s, nil
	}
	if err != nil {
		return s, err
	}
	s.known, s.time, s.alive = true, time.UnixMilli(ms).UTC(), s.moment
	var seq uint64
	var at collector.Moment
	if err := q.QueryRowContext(ctx, `SELECT coalesce(max(moment), 0) FROM equipment`).Scan(&at); err != nil {
		return s, err
	}
	s.alive = max(s.alive, at)
	err = q.QueryRowContext(ctx, `SELECT seq, moment FROM journal ORDER BY seq DESC LIMIT 1`).Scan(&seq, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return s, nil
	}
	s.seq, s.alive = max(s.seq, seq), max(s.alive, at)
	return s, err
}

// since returns the real time that passed since the latest beat, and whether that is known.
func (s *lastSeen) since(boot Boot, wall, notBefore time.Time) (time.Duration, bool) {
	if s.boot.ID != "" && s.boot.ID == boot.ID && boot.Up >= s.boot.Up {
		return boot.Up - s.boot.Up, true
	}
	passed := wall.Sub(s.time)
	if passed < 0 || s.time.Before(notBefore) || wall.Before(notBefore) {
		return 0, false
	}
	return passed, true
}

// resume works out where on the record's scale this run begins, and reads what was kept.
func (r *Record) resume(ctx context.Context) error {
	s, err := readLastSeen(ctx, r.db)
	if err != nil {
		return err
	}
	now := r.opts.Clock.Now()
	began := cmp.Or(r.opts.Began, now)
	r.run, r.seq = s.run+1, s.seq
	r.kept = State{First: !s.known}
	if s.known {
		passed, sure := s.since(r.opts.Boot(), r.opts.Clock.Time(now), r.opts.NotBefore)
		begins := max(s.moment.Add(passed-now.Sub(began)), s.alive)
		r.offset = begins.Sub(began)
		r.last.Steady = s.alive
		r.kept.Alive, r.kept.Planned = s.time.Add(s.alive.Sub(s.moment)), s.planned
		r.kept.Gap, r.kept.GapKnown = begins.Sub(s.alive), sure
		if sure && r.opts.unset(s.time) {
			r.kept.Alive = r.timeOf(s.alive) // of this boot, in which the clock was set meanwhile
		}
	}
	if err := r.findUndated(ctx); err != nil {
		return err
	}
	return r.restore(ctx, r.db, now)
}

// begin journals the start, with the outage before it. A disk that is full gets the reserve's room for it.
func (r *Record) begin() {
	now := cmp.Or(r.opts.Began, r.opts.Clock.Now())
	start := Line{Kind: BoxStarted, At: now, Why: r.opts.Version}
	switch {
	case r.kept.First:
	case r.kept.Planned:
		start.Length = r.kept.Gap
	default:
		r.push(Line{Kind: Outage, At: now, Length: r.kept.Gap, Why: r.kept.doubt()}, now)
	}
	r.push(start, now)
	r.arrive(now)
	if err := r.write(now, false); errors.Is(err, ErrFull) && r.makeRoom() {
		_ = r.write(now, false) // Status tells
	}
}

// doubt says that the length of the outage is not known.
func (s *State) doubt() string {
	if s.GapKnown {
		return ""
	}
	return "the clock was not set, or was set back: how long it was is not known"
}
