package record

import (
	"errors"
	"fmt"
	"syscall"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// Errors for callers that act differently on each.
var (
	ErrClosed     = errors.New("closed")
	ErrInUse      = errors.New("in use by another process")
	ErrNotRecord  = errors.New("not a record of Roundsman")
	ErrNewer      = errors.New("written by a newer version of Roundsman")
	ErrNone       = errors.New("there is no record yet")
	ErrOlder      = errors.New("written by an older version of Roundsman")
	ErrDamaged    = errors.New("damaged")
	ErrFull       = errors.New("no space left on device")
	ErrUnkeepable = errors.New("cannot be kept") // of a memory with a value that is no number
	ErrReadOnly   = errors.New("may not be written")
)

// errNoDatabase: the file's head is not that of a database.
var errNoDatabase = errors.New("no database")

// Error says which record, what it was asked, and why it cannot.
type Error struct {
	Path string
	Op   string // "open", "write", "read", "check", ...
	Err  error
	Then string // what happens nevertheless; "" nothing
}

// Error reads like 'record roundsman.db: write: no space left on device; alarms go on, 12 lines wait in memory'.
func (e *Error) Error() string {
	text := fmt.Sprintf("record %s: %s: %v", e.Path, e.Op, e.Err)
	if e.Then != "" {
		text += "; " + e.Then
	}
	return text
}

func (e *Error) Unwrap() error { return e.Err }

// reason turns a code of the library into one of the package's errors where there is one.
func reason(err error) error {
	var coded *sqlite.Error
	switch {
	case err == nil:
		return nil
	case errors.Is(err, syscall.ENOSPC):
		return ErrFull
	case errors.Is(err, syscall.EROFS):
		return fmt.Errorf("%w: %w: the disk gave up writing, or the service's unit has no StateDirectory= for this folder", ErrReadOnly, err)
	case errors.Is(err, syscall.EACCES), errors.Is(err, syscall.EPERM):
		return fmt.Errorf("%w: %w: the folder must belong to the daemon's user (in the service's unit: User= and StateDirectory=)", ErrReadOnly, err)
	case !errors.As(err, &coded):
		return err
	}
	if coded.Code() == lib.SQLITE_IOERR_SHMSIZE { // no room for the shared memory, which is the first that is asked for
		return ErrFull
	}
	switch coded.Code() & 0xff { // the rest are extended codes
	case lib.SQLITE_FULL:
		return ErrFull
	case lib.SQLITE_READONLY:
		return fmt.Errorf("%w: %w", ErrReadOnly, err)
	case lib.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrNotRecord, errNoDatabase)
	case lib.SQLITE_CORRUPT:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
		return fmt.Errorf("%w: %w", ErrInUse, err)
	}
	return err
}
