package record_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// spoiled makes a record and overwrites it: all pages but the first, or only the head.
func spoiled(t *testing.T, p string, o record.Options, head bool) {
	t.Helper()
	r, err := record.Open(p, o)
	if err != nil {
		t.Fatal(err)
	}
	lawful(t, r, o.Clock)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	text := []byte(content(t, p))
	if head {
		clear(text[:100])
	}
	for page := 1; !head && (page+1)*4096 <= len(text); page++ {
		for i := range 64 {
			text[page*4096+i] = 0xa5
		}
	}
	write(t, p, string(text))
}

// A damaged record is set aside whole, told in the new one, and the room is watched.
func TestDamagedFileIsSetAside(t *testing.T) {
	for name, head := range map[string]bool{"pages": false, "head": true} {
		t.Run(name, func(t *testing.T) {
			p := path(t)
			o := record.Options{Clock: collector.NewClock(), Reserve: 4096}
			spoiled(t, p, o, head)
			was := content(t, p)
			r := recordtest.Open(t, p, o)
			aside := r.SetAside()
			if !strings.HasPrefix(aside, p+".damaged-2") || content(t, aside) != was {
				t.Errorf("set aside as %q, or not as it was", aside)
			}
			lines := recordtest.Lines(t, r.Reader, record.Query{})
			last := lines[len(lines)-1]
			if len(lines) != 2 || last.Kind != record.RecordSetAside || !strings.HasSuffix(last.Why, "it is kept as "+filepath.Base(aside)) {
				t.Errorf("lines %+v", lines)
			}
			lawful(t, r, o.Clock)
		})
	}
}

// A file that was never a record is not touched, however broken.
func TestForeignFileIsNotSetAside(t *testing.T) {
	p := path(t)
	write(t, p, strings.Repeat("a letter to the manager\n", 1000))
	_, err := record.Open(p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	if !errors.Is(err, record.ErrNotRecord) || !strings.HasPrefix(content(t, p), "a letter") {
		t.Errorf("got %v", err)
	}
}

// A record that is deleted while it is written: the next write says so, and lines wait in memory.
func TestFileDeletedWhileInUse(t *testing.T) {
	p := path(t)
	clock := collector.NewClock()
	r, err := record.Open(p, record.Options{Clock: clock, Reserve: -1, RetryEvery: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Abandon() }()
	if err := os.Remove(p); err != nil {
		t.Fatal(err)
	}
	line := record.Change{Lines: []record.Line{{Kind: record.Remark, Why: "after it was gone"}}}
	err = r.Commit(&line)
	s := r.Status()
	if !errors.Is(err, record.ErrGone) || !errors.Is(s.Err, record.ErrGone) || s.Waiting != 1 {
		t.Errorf("%v; status %+v", err, s)
	}
	write(t, p, "another file in its place")
	if err := r.Commit(&record.Change{Lines: line.Lines}); !errors.Is(err, record.ErrGone) {
		t.Errorf("replaced: %v", err)
	}
}
