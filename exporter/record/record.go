package record

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"roundsman/collector"
)

// Defaults of Options.
const (
	DefaultQueue      = 4096
	DefaultReserve    = 1 << 20
	DefaultBeatEvery  = 5 * time.Second
	DefaultRetryEvery = time.Second
)

// Options are how a record is kept. Only Clock is required.
type Options struct {
	Clock      *collector.Clock // of all moments given and returned
	Version    string           // of the program, told in the line of the start
	NotBefore  time.Time        // the program's build date: a wall clock before it is not set, and tells no distances
	Zone       *time.Location   // in which days are cut; nil: as before, at first UTC
	Queue      int              // lines kept in memory while the record cannot be written; 0: DefaultQueue
	Reserve    int64            // bytes of the reserve file; 0: DefaultReserve; below 0: none
	BeatEvery  time.Duration    // how often it is written that the box is alive; 0: DefaultBeatEvery
	RetryEvery time.Duration    // how long after a failed write the next is tried; 0: DefaultRetryEvery
	Boot       func() Boot      // nil: ThisBoot
	Began      collector.Moment // when the program began, if the record could not be opened then; 0: now
}

// Boot is one run of the machine's operating system.
type Boot struct {
	ID string        // "": not known
	Up time.Duration // how long it runs
}

func (o Options) withDefaults() Options {
	o.Queue = cmp.Or(o.Queue, DefaultQueue)
	o.Reserve = cmp.Or(o.Reserve, DefaultReserve)
	o.BeatEvery = cmp.Or(o.BeatEvery, DefaultBeatEvery)
	o.RetryEvery = cmp.Or(o.RetryEvery, DefaultRetryEvery)
	if o.Boot == nil {
		o.Boot = ThisBoot
	}
	return o
}

// Record is an open record. Commit, Beat, Prune and Close belong to the goroutine that judges; everything else may be
// called from any.
type Record struct {
	*Reader
	opts   Options
	lock   io.Closer
	db     *sql.DB
	status atomic.Pointer[Status]
	kept   State       // as it was when opened
	file   os.FileInfo // that is written
	aside  string      // where a damaged record was put

	trend trend // of the goroutine that judges

	mu      sync.Mutex // guards what follows: it is held over a write
	w       *writer
	run     int64
	queue   queue
	last    Line             // the latest line, written or waiting
	seq     uint64           // of the latest line written
	undated bool             // lines of this boot have the time of a clock that was not set
	redate  bool             // the next transaction gives those in the file their true time
	days    *calendar        // of the site's zone
	begun   bool             // this run is in the table of runs
	beaten  collector.Moment // when it was last written that the box is alive
	retryAt collector.Moment // while failing
	closed  bool
	resting bool // the file is being written anew
}

// openOnce opens the record as it is.
func openOnce(path string, o Options) (*Record, error) {
	if o.Clock == nil {
		return nil, &Error{Path: path, Op: "open", Err: errors.New("no clock given")}
	}
	r := &Record{opts: o.withDefaults()}
	if err := r.open(context.Background(), path); err != nil {
		return nil, &Error{Path: path, Op: "open", Err: reason(errors.Join(err, r.release()))}
	}
	return r, nil
}

func (r *Record) open(ctx context.Context, path string) (err error) {
	if err := checkFolder(path); err != nil {
		return err
	}
	if r.lock, err = lock(path); err != nil {
		return err
	}
	version, err := identify(ctx, path)
	if err != nil {
		return err
	}
	if err := private(path); err != nil {
		return err
	}
	if r.db, err = connect(path, writing, 1); err != nil {
		return err
	}
	if err := prepareFile(ctx, r.db, path, version); err != nil {
		return err
	}
	renewSmall(ctx, r.db, path)
	if r.Reader, err = newReader(path); err != nil {
		return err
	}
	if r.file, err = os.Stat(path); err != nil {
		return err
	}
	if r.days, err = setZone(ctx, r.db, r.opts.Zone); err != nil {
		return err
	}
	r.queue = newQueue(r.opts.Queue)
	if err := r.resume(ctx); err != nil {
		return err
	}
	if r.w, err = newWriter(ctx, r.db); err != nil {
		return err
	}
	r.makeReserve()
	r.status.Store(&Status{Seq: r.seq})
	r.begin()
	return nil
}

// prepareFile brings the file up to date, giving up the reserve if the disk is full.
func prepareFile(ctx context.Context, db *sql.DB, path string, version int) error {
	try := func() error {
		if err := migrate(ctx, db, version); err != nil {
			return err
		}
		return startCheck(ctx, db)
	}
	err := try()
	if errors.Is(reason(err), ErrFull) && os.Remove(reservePath(path)) == nil {
		err = try()
	}
	return err
}

// checkFolder gives a plain word for what SQLite calls 'unable to open database file'.
func checkFolder(path string) error {
	folder := filepath.Dir(path)
	info, err := os.Stat(folder)
	if err != nil {
		return fmt.Errorf("its folder: %w", err)
	}
	if !info.IsDir() {
		return fmt.Errorf("its folder: %s is a file", folder)
	}
	return nil
}

// release closes all that is open.
func (r *Record) release() error {
	var errs []error
	if r.w != nil {
		errs = append(errs, r.w.close())
	}
	if r.Reader != nil {
		errs = append(errs, r.Reader.Close())
	}
	if r.db != nil {
		errs = append(errs, r.db.Close())
	}
	if r.lock != nil {
		errs = append(errs, r.lock.Close())
	}
	return errors.Join(errs...)
}

// Close journals the planned stop, writes what still waits and closes the record. If the disk is full it gives up the
// reserve for that. The error names lines that were lost for good. Close once; the rest of the methods then return ErrClosed.
func (r *Record) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return r.fail("close", ErrClosed, "")
	}
	r.closed = true
	now := r.opts.Clock.Now()
	r.arrive(now)
	r.push(Line{Kind: BoxStopped, At: now, Why: r.opts.Version}, now)
	err := r.write(now, true)
	if errors.Is(err, ErrFull) && r.makeRoom() {
		err = r.write(now, true)
	}
	if err != nil {
		err = r.fail("close", err, fmt.Sprintf("%d lines are lost", len(r.queue.lines)))
	}
	r.checkpoint()
	return errors.Join(err, r.release())
}

func (r *Record) fail(op string, err error, then string) error {
	return &Error{Path: r.path, Op: op, Err: err, Then: then}
}
