package record_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// remark commits a line that says so much.
func remark(t *testing.T, r *record.Record, why string) {
	t.Helper()
	if err := r.Commit(&record.Change{Lines: []record.Line{{Kind: record.Remark, Why: why}}}); err != nil {
		t.Fatal(err)
	}
}

// shrinking fails unless the file at path gives back room, and returns its pages.
func shrinking(t *testing.T, path string) (pages, free int64) {
	t.Helper()
	mode, pages, free, err := record.Layout(path)
	if err != nil || mode != 2 {
		t.Fatalf("auto_vacuum is %d (%v), want 2: incremental", mode, err)
	}
	return pages, free
}

// A small file that was made by an older program and keeps its free room is written anew when it is opened.
func TestSmallOldFileIsRenewed(t *testing.T) {
	p := path(t)
	clock := collector.NewClock()
	r := recordtest.Open(t, p, record.Options{Clock: clock, Reserve: -1})
	remark(t, r, "before")
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if err := record.KeepRoom(p); err != nil {
		t.Fatal(err)
	}
	if mode, _, _, err := record.Layout(p); mode != 0 || err != nil {
		t.Fatalf("the old file has mode %d, %v", mode, err)
	}
	r = recordtest.Open(t, p, record.Options{Clock: clock, Reserve: -1})
	shrinking(t, p)
	remark(t, r, "after")
	if lines := recordtest.Lines(t, r.Reader, record.Query{Kind: record.Remark}); len(lines) != 2 {
		t.Errorf("%d lines of two", len(lines))
	}
}

// A larger one is written anew by upkeep when there is room to give back, and once only; the room then goes back in steps.
// A copy of it needs none of that.
func TestLargeOldFileIsRenewed(t *testing.T) {
	p := path(t)
	clock := collector.NewClock()
	r := recordtest.Open(t, p, record.Options{Clock: clock, Reserve: -1})
	remark(t, r, "before")
	paper := func(n int, size int) {
		t.Helper()
		if err := r.Exec(`INSERT OR REPLACE INTO papers (name, moment, doc) SELECT 'p' || ?, 1, '"' || hex(zeroblob(?)) || '"'`, n, size/2); err != nil {
			t.Fatal(err)
		}
	}
	for n := range 12 {
		paper(n, 1<<20)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if err := record.KeepRoom(p); err != nil {
		t.Fatal(err)
	}
	r = recordtest.Open(t, p, record.Options{Clock: clock, Reserve: -1})
	if mode, pages, _, err := record.Layout(p); mode != 0 || pages < 12<<20/4096 || err != nil {
		t.Fatalf("mode %d, %d pages, %v: it was written anew while the start waited", mode, pages, err)
	}
	up, err := record.NewUpkeep(r, record.Keep{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	tidy := func() {
		t.Helper()
		if err := up.Finish(t.Context(), time.Now()); err != nil {
			t.Fatal(err)
		}
	}
	tidy()
	if mode, _, _, err := record.Layout(p); mode != 0 || err != nil {
		t.Fatalf("mode %d, %v: nothing was free, and it was written anew", mode, err)
	}
	if err := r.Exec(`DELETE FROM papers WHERE name <> 'p1'`); err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(t.TempDir(), "copy.db")
	if err := r.Backup(t.Context(), copied); err != nil {
		t.Fatal(err)
	}
	shrinking(t, copied)
	tidy()
	if pages, free := shrinking(t, p); pages > 2<<20/4096 || free > 0 {
		t.Errorf("%d pages, %d of them free, after 11 of 12 MiB were deleted", pages, free)
	}
	remark(t, r, "after")
	for n := range 12 {
		paper(n, 1<<20)
	}
	if err := r.Exec(`DELETE FROM papers`); err != nil {
		t.Fatal(err)
	}
	tidy()
	if pages, free := shrinking(t, p); pages > 8<<20/4096 {
		t.Errorf("%d pages, %d of them free, after all was deleted again", pages, free)
	}
	if lines := recordtest.Lines(t, r.Reader, record.Query{Kind: record.Remark}); len(lines) != 2 {
		t.Errorf("%d lines of two", len(lines))
	}
}

// While the file is written anew nobody waits for it: lines are held in memory, and written in their order afterwards.
func TestWritingRests(t *testing.T) {
	r := recordtest.Open(t, path(t), record.Options{Clock: collector.NewClock(), Reserve: -1, RetryEvery: time.Nanosecond})
	r.Rest(true)
	for _, why := range []string{"first", "second"} {
		err := r.Commit(&record.Change{Lines: []record.Line{{Kind: record.Remark, Why: why}}})
		if err == nil || !strings.Contains(err.Error(), "written anew") || !strings.Contains(err.Error(), "wait in memory") {
			t.Errorf("%s: %v", why, err)
		}
	}
	if s := r.Status(); s.OK() || s.Waiting != 2 {
		t.Errorf("status %+v", s)
	}
	r.Rest(false)
	remark(t, r, "third")
	lines := recordtest.Lines(t, r.Reader, record.Query{Kind: record.Remark})
	if len(lines) != 3 || lines[0].Why != "first" || lines[2].Why != "third" {
		t.Errorf("lines %+v", lines)
	}
}

// That the box is alive is not flushed; lines and readings are, also right after it.
func TestOnlyLifeIsNotFlushed(t *testing.T) {
	room := newRoom(3)
	r := recordtest.Open(t, path(t), record.Options{Clock: room.clock, Reserve: -1, BeatEvery: time.Nanosecond})
	if err := r.Follow(room.points); err != nil {
		t.Fatal(err)
	}
	flushed := func(what string, want bool) {
		t.Helper()
		if got, err := r.Flushes(); got != want || err != nil {
			t.Errorf("%s: flushed is %t, %v", what, got, err)
		}
	}
	beat := func(after time.Duration) {
		t.Helper()
		if err := r.Beat(room.clock.Now().Add(after)); err != nil {
			t.Fatal(err)
		}
	}
	remark(t, r, "a line")
	flushed("a line", true)
	beat(time.Second)
	flushed("that the box is alive", false)
	remark(t, r, "another")
	flushed("a line after it", true)
	beat(2 * time.Second)
	room.round(r, 0)
	beat(20 * time.Second)
	flushed("a window of readings", true)
	beat(21 * time.Second)
	flushed("alive again", false)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
}
