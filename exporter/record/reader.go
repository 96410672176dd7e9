package record

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"roundsman/collector"
)

// Reader reads a record beside whoever writes it, through a connection of its own. It may be used from any goroutine.
type Reader struct {
	path   string
	offset time.Duration // from moments of the clock to those of the record; 0 without a clock
	db     *sql.DB
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

func newReader(path string) (*Reader, error) {
	db, err := connect(path, reading, readers)
	if err != nil {
		return nil, err
	}
	return &Reader{path: path, db: db}, nil
}

// Close closes the reading connection.
func (r *Reader) Close() error { return r.db.Close() }

func (r *Reader) fail(op string, err error) error { return &Error{Path: r.path, Op: op, Err: err} }

// shown turns a moment of the record into one of the clock.
func (r *Reader) shown(m collector.Moment) collector.Moment { return shift(m, -r.offset) }

// Path returns where the record lies.
func (r *Reader) Path() string { return r.path }
