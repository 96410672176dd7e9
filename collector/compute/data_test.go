package compute_test

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
)

// table is a CSV file with a header.
type table struct {
	column map[string]int
	rows   [][]string
}

func readTable(t *testing.T, dir, name string) table {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := csv.NewReader(r).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	tb := table{column: map[string]int{}, rows: rows[1:]}
	for i, c := range rows[0] {
		tb.column[c] = i
	}
	return tb
}

func (tb table) text(t *testing.T, row int, column string) string {
	t.Helper()
	i, ok := tb.column[column]
	if !ok {
		t.Fatalf("no column %s", column)
	}
	return tb.rows[row][i]
}

func (tb table) number(t *testing.T, row int, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(tb.text(t, row, column), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// at returns the time of a row: its stamp where it has one, else its number times the period.
func (tb table) at(t *testing.T, row int, period float64) collector.Moment {
	t.Helper()
	if _, ok := tb.column["unix_ts"]; ok {
		return collector.Moment(tb.number(t, row, "unix_ts") * 1e9)
	}
	if _, ok := tb.column["timestamp"]; ok {
		at, err := time.Parse(time.DateTime, tb.text(t, row, "timestamp"))
		if err != nil {
			t.Fatal(err)
		}
		return collector.At(at)
	}
	return collector.Moment(float64(row+1) * period * 1e9)
}

func readFigures(t *testing.T, dir string) map[string]map[string]json.RawMessage {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "reference", "figures.json"))
	if err != nil {
		t.Fatal(err)
	}
	var files map[string]map[string]json.RawMessage
	if err := json.Unmarshal(b, &files); err != nil {
		t.Fatal(err)
	}
	return files
}
