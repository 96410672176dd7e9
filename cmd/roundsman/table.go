package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// table lines up columns for a terminal. Cells that begin with the tab character stand to the right.
type table struct {
	head []string
	rows [][]string
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// right marks a cell as a number: it stands to the right of its column.
func right(s string) string { return "\t" + s }

func (t *table) write(w io.Writer) error {
	width := make([]int, len(t.head))
	for _, row := range append([][]string{t.head}, t.rows...) {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(strings.TrimPrefix(c, "\t")))
		}
	}
	for _, row := range append([][]string{t.head}, t.rows...) {
		if _, err := fmt.Fprintln(w, line(row, width)); err != nil {
			return err
		}
	}
	return nil
}

func line(row []string, width []int) string {
	var b strings.Builder
	for i, c := range row {
		text, number := strings.CutPrefix(c, "\t")
		pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(text))
		if number {
			b.WriteString(pad + text)
		} else {
			b.WriteString(text + pad)
		}
		b.WriteString("  ")
	}
	return strings.TrimRight(b.String(), " ")
}
