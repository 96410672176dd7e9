package record

import (
	"context"
	"errors"
	"fmt"
	"time"

	"roundsman/exporter/record/pack"
)

// BreakWrites makes every write fail (or succeed again), as a file system does that was made read-only.
func (r *Record) BreakWrites(broken bool) error {
	on := "PRAGMA query_only = 0"
	if broken {
		on = "PRAGMA query_only = 1"
	}
	_, err := r.w.conn.ExecContext(context.Background(), on)
	return err
}

// Schema is the version of the file's schema.
const Schema = len(migrations)

// MakeOlder makes a file of an older schema, as the program of that time did, and runs a statement in it.
func MakeOlder(path string, version int, text string) (err error) {
	db, err := connect(path, writing, 1)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	for _, m := range migrations[:version] {
		if _, err := db.Exec(m); err != nil {
			return err
		}
	}
	_, err = db.Exec(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; %s", applicationID, version, text))
	return err
}

// Exec changes the file behind the record's back.
func (r *Record) Exec(text string, args ...any) error {
	_, err := r.w.conn.ExecContext(context.Background(), text, args...)
	return err
}

// Abandon closes everything as it is, as a kill does.
func (r *Record) Abandon() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.closed = true
	return r.release()
}

// FillYear writes the figures of all minutes of a span for the point 'year', as the housework does.
func FillYear(r *Record, from, to time.Time) error {
	ctx := context.Background()
	grid := pack.Grid{Step: 0.01}
	if err := r.Exec(`INSERT INTO series VALUES (1, 'year', 'bar', 'number', 0.01, 0, 0)`); err != nil {
		return err
	}
	db, err := connect(r.path, tending, 1)
	if err != nil {
		return err
	}
	defer db.Close()
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for h := hourOf(from.UnixMilli()); h < hourOf(to.UnixMilli()); h++ {
		var figures hourFigures
		for m := range int64(60) {
			t := h*hourMillis + m*minuteMillis
			figures.add(h, []int64{t, t + 20_000, t + 40_000}, pack.Column{
				Counts: []int64{700 + m, 710 + m + h%24, 705 + m}, Marks: []pack.Mark{pack.Plain, pack.Plain, pack.Plain},
			})
		}
		row := rowOf(1, h, &figures, grid)
		if _, err := tx.Exec(sqlHour, row.args()...); err != nil {
			return errors.Join(err, tx.Rollback())
		}
		if h%24 == 0 { // a day is closed where readings were
			_, err := tx.Exec(`INSERT INTO pieces (hour, time, until, "last", readings, done) VALUES (?, ?, ?, 0, 0, 1)`, h, h*hourMillis, (h+24)*hourMillis-1)
			if err != nil {
				return errors.Join(err, tx.Rollback())
			}
		}
	}
	return tx.Commit()
}

// KeepRoom turns the file at path into one that keeps free room, as programs made it before.
func KeepRoom(path string) (err error) {
	db, err := connect(path, "_pragma=journal_mode(WAL)", 1)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	_, err = db.Exec("PRAGMA auto_vacuum = 0; VACUUM; PRAGMA wal_checkpoint(TRUNCATE)")
	return err
}

// Layout returns the mode of auto_vacuum of a file, and its pages.
func Layout(path string) (mode, pages, free int64, err error) {
	db, err := connect(path, reading, 1)
	if err != nil {
		return 0, 0, 0, err
	}
	l, err := layoutOf(context.Background(), db)
	return l.mode, l.pages, l.free, errors.Join(err, db.Close())
}

// Rest is what upkeep does while it writes the file anew.
func (r *Record) Rest(resting bool) { r.rest(resting) }

// Flushes reports whether the last transaction was flushed to the disk.
func (r *Record) Flushes() (bool, error) {
	var level int
	err := r.w.conn.QueryRowContext(context.Background(), "PRAGMA synchronous").Scan(&level)
	return level == 2, err
}

// Between reads the lines of a range of the sequence with one query, as Journal does once it knows where to look.
func (r *Reader) Between(ctx context.Context, lo, hi uint64) ([]Line, error) {
	s := span{lo, hi}
	return r.lines(ctx, &Query{}, &s, int(hi-lo))
}
