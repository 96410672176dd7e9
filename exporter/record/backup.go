package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
)

// Backup writes a whole copy of the record as of now to a new file, without holding up the writer. The copy has no free room,
// and gives back what becomes free.
func (r *Reader) Backup(ctx context.Context, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return r.fail("backup", fmt.Errorf("%s is there already", to))
	}
	if err := private(to); err != nil { // an empty file is overwritten
		return r.fail("backup", reason(err))
	}
	db, err := connect(r.path, "mode=ro&_pragma=busy_timeout(5000)", 1) // query_only forbids this too
	if err == nil {
		err = errors.Join(copyInto(ctx, db, to), db.Close())
	}
	if err != nil {
		return r.fail("backup", reason(err))
	}
	return nil
}

func copyInto(ctx context.Context, db *sql.DB, to string) error {
	l, err := layoutOf(ctx, db)
	if err != nil {
		return err
	}
	if !l.shrinks() {
		// It says that it cannot change this file, which it shall not: the copy heeds it.
		_, _ = db.ExecContext(ctx, fmt.Sprintf("PRAGMA auto_vacuum = %d", incremental))
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
	return err
}

// private makes an empty file at path if there is none, so that SQLite does not make one that everybody can read: telephone
// numbers and links of messages stand in a record. Its log gets the same mode.
func private(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o640)
	if err == nil {
		return f.Close()
	}
	if _, missing := os.Stat(path); missing == nil {
		return nil // it can be read, and what is wrong with writing is seen there
	}
	return err
}
