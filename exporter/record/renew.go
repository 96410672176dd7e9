package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// A file gives room back to the disk only if it was made for that (auto_vacuum incremental). Older programs made files that
// keep it: what was deleted is used again, but the file never shrinks. Such a file is written anew once: a small one when it
// is opened, a larger one by upkeep, as soon as there is room to give back.
const (
	// renewedAtStart is up to which size, in bytes, a start may wait for it: some tenths of a second, on a slow card a few.
	renewedAtStart = 8 << 20
	// mostRenewed is up to which size it is done while the room is watched: meanwhile nothing is written, lines and readings
	// wait in memory, and SQLite makes its copy in the folder for passing files, which may lie in memory.
	mostRenewed = 64 << 20
	// renewWithin is how long that may take; then it is given up, and all is as it was.
	renewWithin = 30 * time.Second
)

// errResting is why nothing is written while the file is written anew.
var errResting = errors.New("the file is being written anew once, so that it can shrink")

// layout is how a file is made, and how full it is.
type layout struct{ mode, pages, free, pageSize int64 }

func layoutOf(ctx context.Context, q queryer) (l layout, err error) {
	err = q.QueryRowContext(ctx, `SELECT (SELECT auto_vacuum FROM pragma_auto_vacuum), (SELECT page_count FROM pragma_page_count),
		(SELECT freelist_count FROM pragma_freelist_count), (SELECT page_size FROM pragma_page_size)`).Scan(&l.mode, &l.pages, &l.free, &l.pageSize)
	return l, err
}

// shrinks reports whether the file gives room back.
func (l *layout) shrinks() bool { return l.mode == incremental }

// roomy reports whether so much of it is free that some should be given back.
func (l *layout) roomy() bool { return l.free >= vacuumAbove && l.free >= l.pages/4 }

// content returns how many bytes are in use.
func (l *layout) content() int64 { return (l.pages - l.free) * l.pageSize }

// renewable reports whether the disk has room for the file to be written anew: a copy, the log with another, and some.
func (l *layout) renewable(path string) bool {
	left, _, known := space(path)
	return !known || int64(left) > 3*l.content()+leastFree
}

// renewSmall writes a small file anew when it is opened, where it needs that. What goes wrong leaves it as it was, and is
// tried again another time.
func renewSmall(ctx context.Context, db *sql.DB, path string) {
	l, err := layoutOf(ctx, db)
	if err != nil || l.shrinks() || l.pages == 0 || l.pages*l.pageSize > renewedAtStart || !l.renewable(path) {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, renewWithin)
	defer cancel()
	_ = vacuum(ctx, db)
}

// vacuum writes a file anew as one that shrinks.
func vacuum(ctx context.Context, db *sql.DB) error {
	conn, err := db.Conn(ctx) // the first counts for its connection only
	if err != nil {
		return err
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, fmt.Sprintf("PRAGMA auto_vacuum = %d", incremental)); err != nil {
		return err
	}
	_, err = conn.ExecContext(ctx, "VACUUM")
	return err
}

// renew writes a file anew that keeps its free room, once there is some and if it can be done at all. Writing rests
// meanwhile: who judges goes on from memory.
func (u *Upkeep) renew(ctx context.Context, l *layout) error {
	if u.renewed {
		return nil
	}
	u.renewed = true // or tried: once a run
	if l.content() > mostRenewed || !l.renewable(u.r.path) {
		u.log.Warn("the record was made by an older version and keeps room that becomes free; 'roundsman backup' makes a copy without it, to be put in its place while the daemon is stopped",
			"bytes", l.pages*l.pageSize, "free", l.free*l.pageSize)
		return nil
	}
	u.r.rest(true)
	ctx, cancel := context.WithTimeout(ctx, renewWithin)
	defer cancel()
	err := vacuum(ctx, u.db)
	if err == nil {
		_, err = u.db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)") // the log is as long as the file
	}
	u.r.rest(false)
	if err != nil {
		return fmt.Errorf("write the file anew so that it can shrink: %w", err)
	}
	u.log.Info("the record was written anew once: it was made by an older version and kept room that became free", "bytes before", l.pages*l.pageSize, "bytes", l.content())
	return nil
}

// rest lets nobody write until it is taken back: what comes waits in memory.
func (r *Record) rest(resting bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.resting = resting
}
