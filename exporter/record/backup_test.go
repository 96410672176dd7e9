package record_test

import (
	"errors"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// Copies that are made while lines are written hold the record's own laws, have every line that was told before they were
// begun, each once and in order, and are records: one goes on where it ends.
func TestBackupWhileItIsWritten(t *testing.T) {
	clock := collector.NewClock()
	r := recordtest.Open(t, path(t), record.Options{Clock: clock, Reserve: -1})
	var told atomic.Int64
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() {
		for n := int64(1); ; n++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := r.Commit(&record.Change{At: clock.Now(), Lines: []record.Line{{Kind: record.Remark, Why: fmt.Sprint(n)}}}); err != nil {
				done <- err
				return
			}
			told.Store(n)
		}
	}()
	dir := t.TempDir()
	for i := range 5 {
		for before := told.Load(); told.Load() < before+20 && len(done) == 0; { // it goes on meanwhile
		}
		copied, least := filepath.Join(dir, fmt.Sprint(i, ".db")), told.Load()
		if err := r.Backup(t.Context(), copied); err != nil {
			t.Fatal(err)
		}
		recordtest.Check(t, copied)
		if n := remarks(t, copied); n < least || n > told.Load()+1 {
			t.Errorf("copy %d ends with remark %d, told were %d before it", i, n, least)
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	last := filepath.Join(dir, "4.db")
	n := remarks(t, last)
	on := recordtest.Open(t, last, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if err := on.Commit(&record.Change{Lines: []record.Line{{Kind: record.Remark, Why: fmt.Sprint(n + 1)}}}); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(on.Close()); err != nil {
		t.Fatal(err)
	}
	if got := remarks(t, last); got != n+1 {
		t.Errorf("the copy goes on to %d, want %d", got, n+1)
	}
}

// remarks returns how many remarks a record has; they must be 1, 2, 3 and so on.
func remarks(t *testing.T, path string) (n int64) {
	t.Helper()
	r, err := record.Read(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, l := range recordtest.Lines(t, r, record.Query{Kind: record.Remark}) {
		if n++; l.Why != fmt.Sprint(n) {
			t.Fatalf("remark %d says %s", n, l.Why)
		}
	}
	return n
}
