package record

import "context"

// BreakWrites makes every write fail (or succeed again), as a file system does that was made read-only.
func (r *Record) BreakWrites(broken bool) error {
	on := "PRAGMA query_only = 0"
	if broken {
		on = "PRAGMA query_only = 1"
	}
	_, err := r.w.conn.ExecContext(context.Background(), on)
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
