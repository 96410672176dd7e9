package record

import (
	"context"
	"errors"
	"fmt"
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
