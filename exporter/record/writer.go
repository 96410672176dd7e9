package record

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"slices"
	"time"

	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/rules"
)

// The statements of a transaction.
const (
	sqlBegin    = `BEGIN IMMEDIATE`
	sqlCommit   = `COMMIT`
	sqlRollback = `ROLLBACK`
	sqlRun      = `INSERT INTO runs (run, boot, started, moment, version) VALUES (?, ?, ?, ?, ?)`
	sqlAlive    = `INSERT INTO alive (one, run, boot, up, time, moment, seq, ended) VALUES (1, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (one) DO UPDATE SET run = excluded.run, boot = excluded.boot, up = excluded.up, time = excluded.time,
		moment = excluded.moment, seq = excluded.seq, ended = excluded.ended`
	sqlLine = `INSERT INTO journal (seq, time, moment, run, jump, kind, alarm, point, "from", "to", value, "limit", unit, quality,
		who, why, until, length, count, priority, undated) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
	sqlNoAlarms     = `DELETE FROM alarms`
	sqlNoConditions = `DELETE FROM conditions`
	sqlNoAlarm      = `DELETE FROM alarms WHERE name = ?`
	sqlAlarm        = `INSERT INTO alarms (name, state, memory) VALUES (?, ?, ?)
		ON CONFLICT (name) DO UPDATE SET state = excluded.state, memory = excluded.memory`
	sqlCondition = `INSERT INTO conditions (name, memory) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET memory = excluded.memory`
	sqlDuty      = `INSERT INTO duty (equipment, kept, run, starts, top_run, top_starts) VALUES (?1, ?2, ?3, ?4, ?3, ?4)
		ON CONFLICT (equipment) DO UPDATE SET kept = excluded.kept, run = excluded.run, starts = excluded.starts,
		top_run = max(top_run, excluded.run), top_starts = max(top_starts, excluded.starts)`
	sqlCount = `INSERT INTO counts (point, kept, pulses, top_pulses) VALUES (?1, ?2, ?3, ?3)
		ON CONFLICT (point) DO UPDATE SET kept = excluded.kept, pulses = excluded.pulses, top_pulses = max(top_pulses, excluded.pulses)`
)

// writer holds the one connection that writes, and its statements.
type writer struct {
	conn  *sql.Conn
	stmts map[string]*sql.Stmt
	eased bool // the connection does not flush what it commits
	// unkeepable is what the transaction left out because its document cannot be made.
	unkeepable []error
}

func newWriter(ctx context.Context, db *sql.DB) (*writer, error) {
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{conn: conn, stmts: map[string]*sql.Stmt{}}
	for _, text := range append(slices.Concat(outboxStatements(), redateStatements(), trendStatements(), runsStatements()),
		sqlBegin, sqlCommit, sqlRollback, sqlRun, sqlAlive, sqlLine, sqlNoAlarms, sqlNoConditions, sqlNoAlarm,
		sqlAlarm, sqlCondition, sqlDuty, sqlCount,
	) {
		if w.stmts[text], err = conn.PrepareContext(ctx, text); err != nil {
			return nil, errors.Join(err, w.close())
		}
	}
	return w, nil
}

func (w *writer) close() error {
	var errs []error
	for _, s := range w.stmts {
		if s != nil {
			errs = append(errs, s.Close())
		}
	}
	return errors.Join(append(errs, w.conn.Close())...)
}

func (w *writer) exec(text string, args ...any) error {
	_, err := w.stmts[text].Exec(args...)
	return err
}

// transaction runs f within one; an error undoes it. With eased it is not flushed to the disk: a kill takes nothing of it, a
// power cut may, until the next that is flushed.
func (w *writer) transaction(eased bool, f func() error) error {
	w.unkeepable = nil
	if err := w.ease(eased); err != nil {
		return err
	}
	if err := w.exec(sqlBegin); err != nil {
		return err
	}
	err := f()
	if err == nil {
		err = w.exec(sqlCommit)
	}
	if err != nil {
		_ = w.exec(sqlRollback) // SQLite may have rolled back by itself, which it then says
	}
	return err
}

// ease says whether the transactions that follow are flushed.
func (w *writer) ease(eased bool) error {
	if w.eased == eased {
		return nil
	}
	level := "FULL"
	if eased {
		level = "NORMAL"
	}
	_, err := w.conn.ExecContext(context.Background(), "PRAGMA synchronous = "+level)
	if err == nil {
		w.eased = eased
	}
	return err
}

func (w *writer) line(l *Line) error {
	args := []any{
		l.Seq, l.Time.UnixMilli(), int64(l.Steady), l.Run, nil, string(l.Kind), nil, word(l.Point), nil, nil, nil, nil, word(l.Unit), nil,
		word(l.Who), word(l.Why), nil, nil, nil, nil, nil,
	}
	if l.Kind.jumps() {
		args[4] = 1
	}
	if l.Alarm != "" {
		args[6], args[8], args[9] = l.Alarm, string(l.From.Letter()), string(l.To.Letter())
		args[10], args[11], args[13] = real(l.Value), real(l.Limit), int64(l.Quality)
		if l.Priority != rules.NoPriority {
			args[19] = int64(l.Priority)
		}
	}
	if l.Kind.measures() {
		args[10], args[13] = real(l.Value), int64(l.Quality)
	}
	if !l.Until.IsZero() {
		args[16] = l.Until.UnixMilli()
	}
	if l.Length != 0 {
		args[17] = int64(l.Length)
	}
	if l.Count != 0 {
		args[18] = int64(l.Count)
	}
	if l.Undated {
		args[20] = 1
	}
	return w.exec(sqlLine, args...)
}

// word stores nothing for an empty text.
func word(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// real stores nothing for what is no number.
func real(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

func (w *writer) alarm(name string, m rules.AlarmMemory) error {
	return w.document("alarm", name, m, func(text string) error { return w.exec(sqlAlarm, name, string(m.State.Letter()), text) })
}

func (w *writer) condition(name string, m rules.ConditionMemory) error {
	return w.document("condition", name, m, func(text string) error { return w.exec(sqlCondition, name, text) })
}

func (w *writer) duty(name string, k duty.Kept) error {
	return w.document("equipment", name, k, func(text string) error { return w.exec(sqlDuty, name, text, int64(k.Run), k.Starts) })
}

func (w *writer) count(name string, k compute.Count) error {
	return w.document("count of", name, k, func(text string) error { return w.exec(sqlCount, name, text, k.Pulses) })
}

// document makes the text of a memory and has it stored. One that cannot be made must not hold up all others for ever.
func (w *writer) document(what, name string, m any, store func(text string) error) error {
	text, err := encode(what, name, m)
	if err != nil {
		w.unkeepable = append(w.unkeepable, err)
		return nil
	}
	return store(text)
}

// millis keeps times as they are kept in the file.
func millis(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }
