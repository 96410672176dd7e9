package record

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"time"
)

// dropWindows deletes windows that are in a piece. The last one stays: the numbers of windows must go on rising.
func (u *Upkeep) dropWindows(ctx context.Context, _ time.Time) (bool, error) {
	var n int64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM windows WHERE "window" < `+sqlPacked+` LIMIT ?)`, windowsAtOne).Scan(&n)
	if err != nil || n == 0 {
		return false, err
	}
	return true, u.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM windows WHERE "window" IN (SELECT "window" FROM windows WHERE "window" < `+sqlPacked+` ORDER BY "window" LIMIT ?)`, windowsAtOne)
		return err
	})
}

// sweep goes through all series once.
type sweep struct {
	before int64 // hours; 0: not at work
	after  int64 // the last series that was done
}

// prune lets go of what is older than it is kept.
func (u *Upkeep) prune(ctx context.Context, now time.Time) (bool, error) {
	if u.minutes.before != 0 {
		return true, u.pruneMinutes(ctx)
	}
	if !u.chores.IsZero() && now.Before(u.chores) && u.chores.Sub(now) <= choresEvery {
		return false, nil
	}
	for _, chore := range []func(context.Context, time.Time) (bool, error){u.pruneReadings, u.pruneJournal} {
		if more, err := chore(ctx, now); more || err != nil {
			return more, err
		}
	}
	if u.keep.Minutes > 0 && !u.unsure && (u.chores.IsZero() || hourOf(u.chores.UnixMilli()) != hourOf(now.UnixMilli())) {
		u.minutes = sweep{before: hourOf(now.Add(-u.keep.Minutes).UnixMilli())}
	}
	u.chores = now.Add(choresEvery)
	return u.minutes.before != 0, nil
}

// pruneReadings deletes a part of the oldest piece if it is too old, or stands in the way of new ones.
func (u *Upkeep) pruneReadings(ctx context.Context, now time.Time) (bool, error) {
	oldest := int64(math.MinInt64)
	if u.keep.Readings > 0 && !u.unsure {
		oldest = now.Add(-u.keep.Readings).UnixMilli()
	}
	crowded, err := u.crowded(ctx)
	if err != nil {
		return false, err
	}
	var piece int64
	err = u.r.Reader.db.QueryRowContext(ctx, `SELECT piece FROM pieces WHERE (until < ? OR ?) AND piece < (SELECT max(piece) FROM pieces) ORDER BY piece LIMIT 1`, oldest, crowded).Scan(&piece)
	if errors.Is(err, sql.ErrNoRows) {
		if crowded {
			return u.pruneCrowded(ctx)
		}
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, u.dropPiece(ctx, piece)
}

// crowded reports whether the file is larger than it may be, or its disk nearly full. Room that is free in the file
// counts as room.
func (u *Upkeep) crowded(ctx context.Context) (bool, error) {
	var pages, free, size int64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count), (SELECT page_size FROM pragma_page_size)`).Scan(&pages, &free, &size)
	if err != nil {
		return false, err
	}
	if u.keep.Size > 0 && (pages-free)*size > u.keep.Size {
		return true, nil
	}
	left, _, known := space(u.r.path)
	return known && int64(left)+free*size < leastFree, nil
}

// pruneCrowded lets go of the oldest day of minutes when there are no readings left to let go.
func (u *Upkeep) pruneCrowded(ctx context.Context) (bool, error) {
	if u.keep.Size == 0 {
		return false, nil // a disk that others fill is not made roomier by forgetting everything
	}
	var oldest, newest sql.NullInt64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT min(hour), max(hour) FROM minutes`).Scan(&oldest, &newest)
	if err != nil || !oldest.Valid || newest.Int64-oldest.Int64 < 24 {
		return false, err
	}
	u.minutes = sweep{before: oldest.Int64 + 24}
	return true, nil
}

// pruneMinutes deletes the old minutes of some series.
func (u *Upkeep) pruneMinutes(ctx context.Context) error {
	s := &u.minutes
	var last sql.NullInt64
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT max(series) FROM (SELECT series FROM series WHERE series > ? ORDER BY series LIMIT ?)`, s.after, rowsAtOnce).Scan(&last)
	if err != nil {
		return err
	}
	if !last.Valid {
		*s = sweep{}
		return nil
	}
	err = u.write(ctx, func(tx *sql.Tx) error {
		for id := s.after + 1; id <= last.Int64; id++ {
			if _, err := tx.ExecContext(ctx, `DELETE FROM minutes WHERE series = ? AND hour < ?`, id, s.before); err != nil {
				return err
			}
		}
		return nil
	})
	s.after = last.Int64
	return err
}

func (u *Upkeep) pruneJournal(ctx context.Context, now time.Time) (bool, error) {
	if u.keep.Journal <= 0 || u.unsure {
		return false, nil
	}
	before := now.Add(-u.keep.Journal)
	var old bool
	err := u.r.Reader.db.QueryRowContext(ctx, `SELECT coalesce((SELECT time FROM journal ORDER BY seq LIMIT 1) < ?, 0)`, before.UnixMilli()).Scan(&old)
	if err != nil || !old {
		return false, err
	}
	n, err := u.r.Prune(before)
	return n > 0, err
}

// shrink gives free room back to the disk; a file that was not made for that is first written anew.
func (u *Upkeep) shrink(ctx context.Context, _ time.Time) (bool, error) {
	l, err := layoutOf(ctx, u.r.Reader.db)
	if err != nil || !l.roomy() {
		return false, err
	}
	if !l.shrinks() {
		return false, u.renew(ctx, &l)
	}
	err = u.locked(ctx, func(tx *sql.Tx) error {
		rows, err := tx.QueryContext(ctx, `PRAGMA incremental_vacuum(`+itoa(vacuumPages)+`)`)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			// each row is a page
		}
		return rows.Err()
	})
	return true, errors.Join(err, u.foldNow(ctx)) // only then is the file shorter
}
