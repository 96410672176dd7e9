package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"time"

	"roundsman/collector"
)

// Reader reads a record beside whoever writes it, through a connection of its own. It may be used from any goroutine.
type Reader struct {
	path   string
	offset time.Duration // from moments of the clock to those of the record; 0 without a clock
	db     *sql.DB

	mu    sync.Mutex           // guards stmts
	stmts map[string]*sql.Stmt // those asked again and again, made as they are needed
}

// Read opens a record for reading only. Moments are those of the record's own scale. The error wraps ErrNotRecord,
// ErrNone, ErrOlder, ErrNewer or ErrDamaged where it is one of these.
func Read(path string) (*Reader, error) {
	ctx := context.Background()
	version, err := identify(ctx, path)
	if err == nil && version == 0 {
		err = ErrNone
	}
	if err == nil && version < len(migrations) {
		err = fmt.Errorf("%w: schema %d, this one knows %d; the daemon brings it up to date when it starts", ErrOlder, version, len(migrations))
	}
	var r *Reader
	if err == nil {
		r, err = newReader(path)
	}
	if err != nil {
		return nil, &Error{Path: path, Op: "read", Err: reason(err)}
	}
	return r, nil
}

// readers is how many may read at a time; more wait.
const readers = 2

// idleReader is how long a connection that nobody reads through is kept: its cache and statements take some 500 KiB, and it
// is made anew in a millisecond.
const idleReader = time.Minute

func newReader(path string) (*Reader, error) {
	db, err := connect(path, reading, readers)
	if err != nil {
		return nil, err
	}
	db.SetConnMaxIdleTime(idleReader)
	return &Reader{path: path, db: db}, nil
}

// Close closes the reading connection.
func (r *Reader) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var errs []error
	for _, s := range r.stmts {
		errs = append(errs, s.Close())
	}
	r.stmts = nil
	return errors.Join(append(errs, r.db.Close())...)
}

// prepared returns the statement of a text that is asked often: SQLite takes longer to understand one than to answer.
func (r *Reader) prepared(ctx context.Context, text string) (*sql.Stmt, error) {
	if s := r.statement(text, nil); s != nil {
		return s, nil
	}
	s, err := r.db.PrepareContext(ctx, text) // it may wait for a connection: not with the lock held
	if err != nil {
		return nil, err
	}
	kept := r.statement(text, s)
	if kept != s {
		err = s.Close() // somebody was quicker
	}
	return kept, err
}

// statement returns the one that is kept of a text, which fresh becomes if there is none.
func (r *Reader) statement(text string, fresh *sql.Stmt) *sql.Stmt {
	r.mu.Lock()
	defer r.mu.Unlock()
	if s := r.stmts[text]; s != nil || fresh == nil {
		return s
	}
	if r.stmts == nil {
		r.stmts = map[string]*sql.Stmt{}
	}
	r.stmts[text] = fresh
	return fresh
}

func (r *Reader) query(ctx context.Context, text string, args ...any) (*sql.Rows, error) {
	s, err := r.prepared(ctx, text)
	if err != nil {
		return nil, err
	}
	return s.QueryContext(ctx, args...)
}

func (r *Reader) queryRow(ctx context.Context, text string, args ...any) scanner {
	s, err := r.prepared(ctx, text)
	if err != nil {
		return failed{err}
	}
	return s.QueryRowContext(ctx, args...)
}

// scanner is a row, or why there is none.
type scanner interface{ Scan(into ...any) error }

type failed struct{ err error }

func (f failed) Scan(...any) error { return f.err }

func (r *Reader) fail(op string, err error) error { return &Error{Path: r.path, Op: op, Err: err} }

// shown turns a moment of the record into one of the clock.
func (r *Reader) shown(m collector.Moment) collector.Moment { return shift(m, -r.offset) }

// Path returns where the record lies.
func (r *Reader) Path() string { return r.path }
