package record

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// RecordSetAside is the kind of line that says that the record before was damaged. Why tells how, and its new name.
const RecordSetAside Kind = "record set aside"

// Open opens the record at path for writing, makes it if there is none, brings its schema up to date and has SQLite check
// it. It journals the start and, after an unplanned end, the outage. A damaged record is set aside under another name, a
// line in the new one says so, and SetAside names it: the room must be watched, and nothing is thrown away. The error says
// what to do; it wraps ErrInUse, ErrNotRecord, ErrNewer, ErrDamaged, ErrFull or ErrReadOnly where it is one of these. A
// record that can be read but not written at the moment is opened: see Status.
func Open(path string, o Options) (*Record, error) {
	ours := wasOurs(path)
	r, err := openOnce(path, o)
	if errors.Is(err, ErrFull) && os.Remove(reservePath(path)) == nil { // what it was kept for
		r, err = openOnce(path, o)
	}
	if !errors.Is(err, ErrDamaged) && !(ours && errors.Is(err, errNoDatabase)) {
		return r, err
	}
	aside, moved := setAside(path, o.Clock.Time(o.Clock.Now()))
	if moved != nil {
		return nil, errors.Join(err, &Error{Path: path, Op: "set aside", Err: reason(moved)})
	}
	r, again := openOnce(path, o)
	if again != nil {
		return nil, errors.Join(err, again)
	}
	r.aside = aside
	r.tellAside(err)
	return r, nil
}

// SetAside returns the name under which a damaged record was set aside when this one was opened, "" if none was.
func (r *Record) SetAside() string { return r.aside }

func (r *Record) tellAside(found error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if e, ok := errors.AsType[*Error](found); ok {
		found = e.Err
	}
	now := r.opts.Clock.Now()
	r.push(Line{Kind: RecordSetAside, At: now, Why: fmt.Sprintf("%v; it is kept as %s", found, filepath.Base(r.aside))}, now)
	_ = r.write(now, false) // Status tells
}

// wasOurs reports whether a record was kept at path before: beside it lies what only a record has. A file of another
// program, to which a wrong path leads, is not touched.
func wasOurs(path string) bool {
	_, err := os.Stat(reservePath(path))
	return err == nil
}

// setAside renames the record and what belongs to it. They stay together, so that the whole can be looked into.
func setAside(path string, now time.Time) (string, error) {
	aside := path + ".damaged-" + now.UTC().Format("20060102T150405Z")
	for n := 2; ; n++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = fmt.Sprintf("%s.damaged-%s-%d", path, now.UTC().Format("20060102T150405Z"), n)
	}
	for _, beside := range []string{"-wal", "-shm"} {
		if err := os.Rename(path+beside, aside+beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return aside, os.Rename(path, aside)
}
