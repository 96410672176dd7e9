package main

import (
	"fmt"
	"io"

	"roundsman/exporter/review/page"
)

// table lines up columns for a terminal.
type table struct {
	head []string
	rows [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// right marks a cell as a number: it stands to the right of its column.
func right(s string) string { return page.Right(s) }

func (t *table) write(w io.Writer) error {
	for _, line := range page.Columns(append([][]string{t.head}, t.rows...)) {
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}
