package record_test

import (
	"os"
	"path/filepath"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/record"
)

// Telephone numbers stand in a record and in its copies: others cannot read them.
func TestOthersCannotRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "roundsman.db")
	r, err := record.Open(path, record.Options{Clock: collector.NewClock()})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Backup(t.Context(), filepath.Join(dir, "copy.db")); err != nil {
		t.Fatal(err)
	}
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		info, err := f.Info()
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm()&0o007 != 0 {
			t.Errorf("%s: mode %v", f.Name(), info.Mode())
		}
	}
	if len(files) < 4 {
		t.Errorf("only %d files were looked at", len(files))
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}
