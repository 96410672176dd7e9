package record

import (
	"context"
	"errors"
	"fmt"
	"os"
)

// Backup writes a whole copy of the record as of now to a new file, without holding up the writer.
func (r *Reader) Backup(ctx context.Context, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return r.fail("backup", fmt.Errorf("%s is there already", to))
	}
	if err := private(to); err != nil { // an empty file is overwritten
		return r.fail("backup", reason(err))
	}
	db, err := connect(r.path, "mode=ro&_pragma=busy_timeout(5000)", 1) // query_only forbids this too
	if err == nil {
		_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		return r.fail("backup", reason(err))
	}
	return nil
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
