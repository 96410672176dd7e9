package record_test

import (
	"database/sql"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// The notes on the record name every view and every column of it, and no other.
func TestViewsAreDescribed(t *testing.T) {
	text, err := os.ReadFile("../../deploy/RECORD.md")
	if err != nil {
		t.Fatal(err)
	}
	described := map[string][]string{}
	for _, section := range strings.Split(string(text), "\n### ")[1:] {
		name, rest, _ := strings.Cut(section, "\n")
		rest, _, _ = strings.Cut(rest, "\n## ")
		described[name] = columnsOf(rest)
	}
	p := path(t)
	recordtest.Open(t, p, record.Options{Clock: collector.NewClock(), Reserve: -1})
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: p}).EscapedPath()+"?mode=ro")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	views := list(t, db, `SELECT name FROM sqlite_schema WHERE type = 'view'`)
	for _, v := range views {
		columns := list(t, db, `SELECT name FROM pragma_table_info(?)`, v)
		if got := described[v]; !slices.Equal(got, columns) {
			t.Errorf("%s has the columns\n%q, described are\n%q", v, columns, got)
		}
		if n := list(t, db, `SELECT count(*) FROM "`+v+`"`); len(n) != 1 {
			t.Errorf("%s cannot be read", v)
		}
	}
	if len(views) < 9 || len(described) != len(views) {
		t.Errorf("%d views, %d are described", len(views), len(described))
	}
}

// columnsOf returns the columns that a section names: those of its table's first column, else those after its first colon.
func columnsOf(section string) (names []string) {
	named := regexp.MustCompile("`([a-z_]+)`")
	_, list, _ := strings.Cut(section, ": ")
	if strings.Contains(section, "\n| ---") {
		list = ""
		for line := range strings.Lines(section) {
			if cells := strings.Split(line, "|"); len(cells) > 2 {
				list += cells[1]
			}
		}
	}
	for _, m := range named.FindAllStringSubmatch(list, -1) {
		names = append(names, m[1])
	}
	return names
}

func list(t *testing.T, db *sql.DB, query string, args ...any) (out []string) {
	t.Helper()
	rows, err := db.Query(query, args...)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}
