package record

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// ErrGone: the file was deleted, moved away or replaced while it was written. What is written now nobody will find.
var ErrGone = errors.New("the file is gone: deleted or replaced while in use; start again to begin a new one")

// present looks whether the path still leads to the file that is written: SQLite itself would go on writing to one that
// has no name any more.
func (r *Record) present() error {
	now, err := os.Stat(r.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return ErrGone
	case err != nil:
		return fmt.Errorf("its file: %w", err)
	case r.file != nil && !os.SameFile(r.file, now):
		return ErrGone
	}
	return nil
}
