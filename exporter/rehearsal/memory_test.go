package rehearsal_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// Once a file runs, reading it allocates nothing.
func TestReadingAllocatesNothing(t *testing.T) {
	site := benchSite()
	src, err := rehearsal.NewCSV(newMonth(2), rehearsal.CSVOptions{Points: site.Points})
	if err != nil {
		t.Fatal(err)
	}
	next := func() {
		if _, _, err := src.Next(); err != nil {
			t.Fatal(err)
		}
	}
	next()
	if n := testing.AllocsPerRun(5000, next); n != 0 {
		t.Errorf("%g allocations a row", n)
	}
}

// toggle is a contact that changes each two seconds for a long time, then stays on.
type toggle struct {
	n, at int
	out   [1]collector.Reading
}

func (s *toggle) Next() (collector.Moment, []collector.Reading, error) {
	if s.at == s.n {
		return 0, nil, io.EOF
	}
	now := collector.Moment(s.at) * collector.Moment(time.Second)
	s.out[0] = collector.Reading{Value: float64(s.at / 2 % 2), At: now, Quality: collector.Good}
	s.at++
	return now, s.out[:], nil
}

// What is noted for suggestions is bounded: a rule that changes without end is studied over its beginning, and says so.
func TestNotesAreBounded(t *testing.T) {
	report, err := rehearsal.Run(t.Context(), one(rules.Rule{Kind: rules.Equals, Limit: 1}), &toggle{n: 80_000}, rehearsal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	f := report.Figures[0]
	if s := f.Suggestion; f.Activations != 20_000 || !s.Partial || !s.Found || s.OffDelay != 3*time.Second || s.Before.Activations != 16_384 || s.After.Activations != 1 {
		t.Errorf("got %d activations, %+v", f.Activations, *s)
	}
	if until := report.Figures[0].Suggestion.Until.String(); until != "1970-01-01T18:12:18Z" {
		t.Errorf("studied until %s", until)
	}
}

func TestOpenFileRefuses(t *testing.T) {
	for name, want := range map[string]string{
		"testdata/nowhere.csv": "testdata/nowhere.csv: no such file",
		".":                    ".: is a folder: name a CSV file in it",
	} {
		if f, err := rehearsal.OpenFile(name); f != nil || err == nil || err.Error() != want {
			t.Errorf("%s: got %v, %v, want %s", name, f, err, want)
		}
	}
}

// A file packed with gzip is unpacked by its name, its progress is that of the packed bytes, and one that is cut short is said to be.
func TestPackedFile(t *testing.T) {
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(z, newMonth(1)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	for _, cut := range []int{0, 100} {
		name := filepath.Join(t.TempDir(), "d.csv.gz")
		if err := os.WriteFile(name, packed.Bytes()[:packed.Len()-cut], 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := rehearsal.OpenFile(name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		src, err := rehearsal.NewCSV(f, rehearsal.CSVOptions{Name: "d.csv.gz", Points: benchSite().Points})
		rows := 0
		for err == nil {
			if _, _, err = src.Next(); err == nil {
				rows++
			}
		}
		read, of := f.Progress()
		if cut == 0 && (err != io.EOF || rows != hourRows || read != of || of != int64(packed.Len())) {
			t.Errorf("whole: %d rows, %v, %d of %d bytes", rows, err, read, of)
		}
		if cut > 0 && (err == io.EOF || !strings.HasSuffix(err.Error(), ": the compressed file is cut short")) {
			t.Errorf("cut: %v after %d rows", err, rows)
		}
	}
}
