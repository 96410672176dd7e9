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
