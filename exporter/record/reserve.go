package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// The reserve is a file of real bytes beside the record: on a full disk even deleting rows needs room for the log, and
// giving up the reserve makes it.

func reservePath(path string) string { return path + ".reserve" }

func (r *Record) hasReserve() bool {
	info, err := os.Stat(reservePath(r.path))
	return err == nil && info.Size() >= r.opts.Reserve
}

// makeReserve writes the reserve if it is missing and there is room for it twice. Without room there is none: Status tells.
func (r *Record) makeReserve() {
	if r.opts.Reserve <= 0 || r.hasReserve() {
		return
	}
	if free, _, known := space(r.path); known && free < 2*uint64(r.opts.Reserve) {
		return
	}
	if err := writeReserve(reservePath(r.path), r.opts.Reserve); err != nil {
		_ = os.Remove(reservePath(r.path)) // half a reserve only takes room
	}
}

// writeReserve fills the file: one with holes would hold nothing in reserve.
func writeReserve(path string, size int64) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	block := make([]byte, 64<<10)
	for i := range block {
		block[i] = byte(i*7 + 1)
	}
	for size > 0 {
		n, err := f.Write(block[:min(size, int64(len(block)))])
		if err != nil {
			return err
		}
		size -= int64(n)
	}
	return f.Sync()
}

// makeRoom gives up the reserve and empties the log with it. It reports whether there was a reserve.
func (r *Record) makeRoom() bool {
	if os.Remove(reservePath(r.path)) != nil {
		return false
	}
	r.checkpoint()
	return true
}

// checkpoint empties the log into the file. Where a reader holds it that is done later by SQLite itself; nothing is
// lost by an error, for the log is read at the next start.
func (r *Record) checkpoint() {
	_, _ = r.w.conn.ExecContext(context.Background(), "PRAGMA wal_checkpoint(TRUNCATE)")
}

// pruneStep is how many lines are deleted in one transaction, so that the log stays small.
const pruneStep = 2000

// Prune deletes the lines of the journal before a time and returns how many. The room is used again by the record but
// not given back to the disk. Each call deletes at most a few thousand, so that a round is not held up; call it again
// while it deletes some. On a full disk it gives up the reserve for it, and makes it anew when there is room.
func (r *Record) Prune(before time.Time) (int64, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return 0, r.fail("prune", ErrClosed, "")
	}
	n, err := r.prune(before)
	if errors.Is(err, ErrFull) && r.makeRoom() {
		n, err = r.prune(before)
	}
	if err != nil {
		return 0, r.fail("prune", err, "")
	}
	r.makeReserve()
	return n, nil
}

func (r *Record) prune(before time.Time) (n int64, err error) {
	err = r.w.transaction(false, func() error {
		// The sequence goes on although its end may be deleted.
		if err := r.writeAlive(r.opts.Clock.Now(), r.seq, false); err != nil {
			return err
		}
		// From the front only, so that no hole appears where the clock went back.
		result, err := r.w.conn.ExecContext(context.Background(), fmt.Sprintf(`DELETE FROM journal WHERE seq < coalesce(
			(SELECT min(seq) FROM journal WHERE time >= ?1),
			(SELECT max(seq) + 1 FROM journal)) AND seq < (SELECT min(seq) FROM journal) + %d`, pruneStep), before.UnixMilli())
		if err != nil {
			return err
		}
		n, err = result.RowsAffected()
		return err
	})
	if err != nil {
		return 0, reason(err)
	}
	r.checkpoint()
	return n, nil
}
