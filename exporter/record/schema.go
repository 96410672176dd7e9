package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver 'sqlite'
)

// applicationID marks the file as ours: 'Rnds'.
const applicationID = 0x526e6473

// migrations bring a record from the version that is their index to the next. They are only ever added to.
var migrations = [...]string{
	// Times are UTC milliseconds, moments nanoseconds on the record's own scale, states the letters of the figure in
	// ISA-18.2, clause 5.5. The journal has no index by time or alarm: each would cost one more page a transaction, and
	// the sequence is in order of time but for the jumps.
	`CREATE TABLE runs (
		run     INTEGER PRIMARY KEY,
		boot    TEXT NOT NULL,
		started INTEGER NOT NULL,
		moment  INTEGER NOT NULL,
		version TEXT NOT NULL
	) STRICT;
	CREATE TABLE alive (
		one    INTEGER PRIMARY KEY CHECK (one = 1),
		run    INTEGER NOT NULL,
		boot   TEXT NOT NULL,
		up     INTEGER NOT NULL,
		time   INTEGER NOT NULL,
		moment INTEGER NOT NULL,
		seq    INTEGER NOT NULL,
		ended  INTEGER NOT NULL CHECK (ended IN (0, 1))
	) STRICT;
	CREATE TABLE journal (
		seq     INTEGER PRIMARY KEY,
		time    INTEGER NOT NULL,
		moment  INTEGER NOT NULL,
		run     INTEGER NOT NULL,
		jump    INTEGER,
		kind    TEXT NOT NULL,
		alarm   TEXT,
		point   TEXT,
		"from"  TEXT,
		"to"    TEXT,
		value   REAL,
		"limit" REAL,
		unit    TEXT,
		quality INTEGER,
		who     TEXT,
		why     TEXT,
		until   INTEGER,
		length  INTEGER,
		count   INTEGER
	) STRICT;
	CREATE INDEX jumps ON journal (jump) WHERE jump = 1;
	CREATE TABLE alarms (
		name   TEXT PRIMARY KEY,
		state  TEXT NOT NULL,
		memory TEXT NOT NULL
	) STRICT, WITHOUT ROWID;
	CREATE TABLE conditions (
		name   TEXT PRIMARY KEY,
		memory TEXT NOT NULL
	) STRICT, WITHOUT ROWID;
	CREATE TABLE duty (
		equipment  TEXT PRIMARY KEY,
		kept       TEXT NOT NULL,
		run        INTEGER NOT NULL,
		starts     INTEGER NOT NULL,
		top_run    INTEGER NOT NULL,
		top_starts INTEGER NOT NULL
	) STRICT, WITHOUT ROWID;
	CREATE TABLE counts (
		point      TEXT PRIMARY KEY,
		kept       TEXT NOT NULL,
		pulses     REAL NOT NULL,
		top_pulses REAL NOT NULL
	) STRICT, WITHOUT ROWID;`,
	// The outbox keeps its order by the rowid; the only index is of the few that wait.
	`CREATE TABLE outbox (
		key     TEXT PRIMARY KEY,
		moment  INTEGER NOT NULL,
		time    INTEGER NOT NULL,
		state   TEXT NOT NULL,
		done    INTEGER NOT NULL CHECK (done IN (0, 1)),
		channel TEXT,
		contact TEXT NOT NULL,
		alarm   TEXT,
		subject TEXT NOT NULL,
		tries   INTEGER NOT NULL,
		doc     TEXT NOT NULL
	) STRICT;
	CREATE INDEX unsent ON outbox (done) WHERE done = 0;
	CREATE TABLE papers (
		name   TEXT PRIMARY KEY,
		moment INTEGER NOT NULL,
		doc    TEXT NOT NULL
	) STRICT, WITHOUT ROWID;`,
	// The priority of an alarm as it was at the line; and whether the line's time is that of a clock that was not set. The
	// index is of the few that are so.
	`ALTER TABLE journal ADD COLUMN priority INTEGER;
	ALTER TABLE journal ADD COLUMN undated INTEGER;
	CREATE INDEX undated ON journal (undated) WHERE undated = 1;`,
	trendTables,
	// Intervals are for ever. Moments and lengths are nanoseconds; "from" and "to" are reckoned back from the end, so that
	// their distance is the length whatever the wall clock did meanwhile. What has not ended stands in duty.kept.
	`CREATE TABLE equipment (
		id          INTEGER PRIMARY KEY,
		name        TEXT NOT NULL UNIQUE,
		looked      INTEGER NOT NULL,
		moment      INTEGER NOT NULL,
		n           INTEGER NOT NULL DEFAULT 0,
		run         INTEGER NOT NULL DEFAULT 0,
		still       INTEGER NOT NULL DEFAULT 0,
		unseen      INTEGER NOT NULL DEFAULT 0,
		starts      INTEGER NOT NULL DEFAULT 0,
		runs        INTEGER NOT NULL DEFAULT 0,
		lost        INTEGER NOT NULL DEFAULT 0,
		lost_run    INTEGER NOT NULL DEFAULT 0,
		lost_still  INTEGER NOT NULL DEFAULT 0,
		lost_unseen INTEGER NOT NULL DEFAULT 0,
		lost_starts INTEGER NOT NULL DEFAULT 0,
		lost_runs   INTEGER NOT NULL DEFAULT 0
	) STRICT;
	CREATE TABLE intervals (
		equipment INTEGER NOT NULL,
		n         INTEGER NOT NULL,
		kind      INTEGER NOT NULL,
		begun     INTEGER NOT NULL,
		ended     INTEGER NOT NULL,
		"from"    INTEGER NOT NULL,
		"to"      INTEGER NOT NULL,
		still     INTEGER NOT NULL,
		starts    INTEGER NOT NULL,
		hour      INTEGER NOT NULL,
		new       INTEGER NOT NULL,
		stopped   INTEGER NOT NULL,
		why       TEXT NOT NULL,
		PRIMARY KEY (equipment, n)
	) STRICT, WITHOUT ROWID;
	CREATE TABLE duty_days (
		equipment INTEGER NOT NULL,
		day       TEXT NOT NULL,
		run       INTEGER NOT NULL,
		still     INTEGER NOT NULL,
		unseen    INTEGER NOT NULL,
		starts    INTEGER NOT NULL,
		runs      INTEGER NOT NULL,
		longest   INTEGER NOT NULL,
		shortest  INTEGER,
		worst     INTEGER NOT NULL,
		first     INTEGER NOT NULL,
		last      INTEGER NOT NULL,
		PRIMARY KEY (equipment, day)
	) STRICT, WITHOUT ROWID;
	CREATE TABLE duty_zone (
		one  INTEGER PRIMARY KEY CHECK (one = 1),
		zone TEXT NOT NULL
	) STRICT;
	CREATE VIEW equipment_intervals AS SELECT e.name AS equipment, i.n,
		CASE i.kind WHEN 0 THEN 'run' WHEN 1 THEN 'unseen' ELSE 'starts' END AS kind,
		strftime('%Y-%m-%dT%H:%M:%fZ', i."from" / 1000.0, 'unixepoch') AS begun, strftime('%Y-%m-%dT%H:%M:%fZ', i."to" / 1000.0, 'unixepoch') AS ended,
		(i.ended - i.begun) / 1e9 AS seconds, i.still / 1e9 AS still_seconds_before, i.starts, i.why
		FROM intervals i JOIN equipment e ON e.id = i.equipment;
	CREATE VIEW equipment_days AS SELECT e.name AS equipment, d.day, d.run / 3.6e12 AS run_hours, d.still / 3.6e12 AS still_hours,
		d.unseen / 3.6e12 AS unseen_hours, 1.0 * d.run / nullif(d.run + d.still, 0) AS duty, d.starts, d.runs,
		d.longest / 1e9 AS longest_seconds, d.shortest / 1e9 AS shortest_seconds, d.worst AS worst_hour_starts
		FROM duty_days d JOIN equipment e ON e.id = d.equipment;`,
	// Work done on equipment, and at which run time: the next is counted from there.
	`CREATE TABLE services (
		equipment TEXT NOT NULL,
		service   TEXT NOT NULL,
		time      INTEGER NOT NULL,
		run       INTEGER NOT NULL,
		who       TEXT NOT NULL,
		why       TEXT
	) STRICT;`,
	moreViews,
}

// uri names the file for the driver with its parameters; any path is good.
func uri(path, params string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	return "file:" + (&url.URL{Path: filepath.ToSlash(abs)}).EscapedPath() + "?" + params, nil
}

// Parameters of the two kinds of connection. Each pragma counts for one connection only, so they stand in the name. The log
// is emptied into the file every 200 pages, 0.8 MiB: what the file must grow by then fits into the reserve on a full disk.
// auto_vacuum counts for a file that is made, and must be said before the log is; 2 is incremental.
//
// SQLite's default cache is 2,000 KiB a connection, and a page of it takes 8 KiB here (its allocator rounds up to powers of
// two): four connections would keep 15 MiB. The box's own cache of files stands behind each of them, so they keep the upper
// pages of the trees and little else.
const (
	writing = "_pragma=busy_timeout(5000)&_pragma=auto_vacuum(2)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)" +
		"&_pragma=wal_autocheckpoint(200)&_pragma=journal_size_limit(1048576)&_pragma=cache_size(-200)&_txlock=immediate"
	recovering = "mode=rw&_pragma=busy_timeout(5000)"
	reading    = "mode=ro&_pragma=busy_timeout(5000)&_pragma=query_only(1)&_pragma=cache_size(-100)"
)

func connect(path, params string, most int) (*sql.DB, error) {
	name, err := uri(path, params)
	if err != nil {
		return nil, err
	}
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(most)
	db.SetMaxIdleConns(most)
	return db, nil
}

// identify looks at a file without changing it. It returns the schema's version, 0 for one that is to be made.
func identify(ctx context.Context, path string) (version int, err error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	if !info.Mode().IsRegular() {
		return 0, fmt.Errorf("%w: not a file", ErrNotRecord)
	}
	if info.Size() == 0 {
		return 0, nil
	}
	version, err = look(ctx, path, reading)
	if errors.Is(reason(err), ErrReadOnly) {
		// A kill in the middle of making the file left a journal that only a writer may roll back.
		version, err = look(ctx, path, recovering)
	}
	return version, err
}

func look(ctx context.Context, path, params string) (version int, err error) {
	db, err := connect(path, params, 1)
	if err != nil {
		return 0, err
	}
	version, err = versionOf(ctx, db)
	return version, errors.Join(err, db.Close())
}

// versionOf returns the version of a record's schema, 0 for an empty database.
func versionOf(ctx context.Context, db *sql.DB) (version int, err error) {
	var app, tables int
	row := db.QueryRowContext(ctx, `SELECT (SELECT application_id FROM pragma_application_id), (SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)`)
	if err := row.Scan(&app, &version, &tables); err != nil {
		return 0, err
	}
	switch {
	case app == 0 && version == 0 && tables == 0:
		return 0, nil
	case app != applicationID:
		return 0, fmt.Errorf("%w but another program's database", ErrNotRecord)
	case version > len(migrations):
		return 0, fmt.Errorf("%w: schema %d, this one knows %d", ErrNewer, version, len(migrations))
	}
	return version, nil
}

// migrate brings the schema up to date, in one transaction.
func migrate(ctx context.Context, db *sql.DB, from int) error {
	if from == len(migrations) {
		return nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for _, m := range migrations[from:] {
		if _, err := tx.ExecContext(ctx, m); err != nil {
			return errors.Join(err, tx.Rollback())
		}
	}
	_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, len(migrations)))
	if err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// queryer is a database, a connection or a transaction that is read.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}
