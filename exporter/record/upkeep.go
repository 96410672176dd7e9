package record

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"time"
)

// Keep says for how long what is kept stays; 0: for ever.
type Keep struct {
	Readings, Minutes, Journal time.Duration
	Size                       int64          // bytes of the file; beyond it the oldest readings go, then the oldest minutes
	Zone                       *time.Location // in which days are cut; nil: UTC
}

// How often the housework looks for work, and how long it rests between two pieces of it.
const (
	upkeepRest   = 20 * time.Millisecond
	upkeepEvery  = 5 * time.Second
	choresEvery  = time.Minute
	foldEvery    = time.Minute
	foldAbove    = 100              // pages of the log; at twice as many who judges would have to fold it
	lateness     = 15 * time.Second // of an hour's last window
	leastFree    = 32 << 20         // bytes on the disk below which the oldest readings make room for new ones
	vacuumPages  = 64               // given back to the disk at a time
	vacuumAbove  = 256              // free pages that stay in the file for what comes
	windowsAtOne = 50               // deleted at a time
	rowsAtOnce   = 64               // of pieces and series worked on at a time
)

// Upkeep is the record's housework, in small steps that never hold up who writes for more than some milliseconds: it
// packs each hour's windows into chunks and minute figures, closes days, lets go of what is older than it is kept, gives
// room back to the disk, and folds the log into the file. It has a connection of its own with synchronous NORMAL: of its
// work a power cut may undo the last steps, never half of one, and the windows they were made of are still there.
//
// One goroutine may use it beside the one that judges.
type Upkeep struct {
	r     *Record
	keep  Keep
	db    *sql.DB
	log   *slog.Logger
	build *building // the piece that is being made
	day   *closing  // the day that is being closed

	chores  time.Time // when they are due
	folded  time.Time
	minutes sweep  // of old minutes
	lastDay string // that was closed
	renewed bool   // the file was written anew, or that was tried
	errText string

	clock  steady
	unsure bool // the wall clock may be wrong: nothing is old by it
}

const tending = "mode=rw&_pragma=busy_timeout(5000)&_pragma=synchronous(NORMAL)&_pragma=wal_autocheckpoint(0)" +
	"&_pragma=cache_size(-200)&_txlock=immediate"

// NewUpkeep returns the housework of a record. Close it before the record.
func NewUpkeep(r *Record, keep Keep, log *slog.Logger) (*Upkeep, error) {
	if keep.Zone == nil {
		keep.Zone = time.UTC
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	db, err := connect(r.path, tending, 1)
	if err != nil {
		return nil, &Error{Path: r.path, Op: "upkeep", Err: reason(err)}
	}
	return &Upkeep{r: r, keep: keep, db: db, log: log}, nil
}

// Close closes its connection.
func (u *Upkeep) Close() error { return u.db.Close() }

// Run does the housework until ctx ends. What goes wrong is logged when it begins and when it ends, and tried again.
func (u *Upkeep) Run(ctx context.Context) error {
	wait := time.NewTimer(upkeepEvery)
	defer wait.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-wait.C:
		}
		now := u.r.opts.Clock.Now()
		wall := u.r.opts.Clock.Time(now)
		u.unsure = !u.clock.sure(now, wall)
		more, err := u.Step(ctx, wall)
		if err != nil || more { // a step that found nothing to do mended nothing
			u.note(ctx, err)
		}
		if more && err == nil {
			wait.Reset(upkeepRest)
		} else {
			wait.Reset(upkeepEvery)
		}
	}
}

func (u *Upkeep) note(ctx context.Context, err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	if text == u.errText || ctx.Err() != nil {
		return
	}
	u.errText = text
	if err != nil {
		u.log.Error("upkeep of the record", "error", err)
	} else {
		u.log.Info("upkeep of the record goes on")
	}
}

// Step does the next small piece of work that is due at a wall time. more says that another waits.
func (u *Upkeep) Step(ctx context.Context, now time.Time) (more bool, err error) {
	for _, work := range []func(context.Context, time.Time) (bool, error){u.pack, u.dropWindows, u.closeDays, u.prune, u.shrink, u.fold} {
		if more, err = work(ctx, now); more || err != nil {
			break
		}
	}
	if err != nil {
		u.build, u.day = nil, nil // begun again from what is in the file
		return false, u.r.Reader.fail("upkeep", reason(err))
	}
	return more, nil
}

// Finish does all that is due. For tests and for a command that has the record to itself.
func (u *Upkeep) Finish(ctx context.Context, now time.Time) error {
	for {
		if more, err := u.Step(ctx, now); err != nil || !more {
			return err
		}
	}
}

// write runs one transaction while nobody else writes, and folds the log afterwards, when nobody waits for it.
func (u *Upkeep) write(ctx context.Context, f func(tx *sql.Tx) error) error {
	if err := u.locked(ctx, f); err != nil {
		return err
	}
	return u.checkpoint(ctx)
}

func (u *Upkeep) locked(ctx context.Context, f func(tx *sql.Tx) error) error {
	u.r.mu.Lock()
	defer u.r.mu.Unlock()
	if u.r.closed {
		return ErrClosed
	}
	if err := u.r.present(); err != nil {
		return err
	}
	tx, err := u.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// checkpoint folds the log into the file as far as no reader needs it, once it is long enough to be worth the two flushes.
// Writers go on meanwhile.
func (u *Upkeep) checkpoint(ctx context.Context) error {
	var busy, pages, folded int64
	if err := u.db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(NOOP)").Scan(&busy, &pages, &folded); err != nil || pages-folded < foldAbove {
		return err
	}
	return u.foldNow(ctx)
}

func (u *Upkeep) foldNow(ctx context.Context) error {
	_, err := u.db.ExecContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)")
	return err
}

// fold folds the log from time to time, so that who judges need not.
func (u *Upkeep) fold(ctx context.Context, now time.Time) (bool, error) {
	if d := now.Sub(u.folded); d >= 0 && d < foldEvery {
		return false, nil
	}
	u.folded = now
	return false, u.checkpoint(ctx)
}
