package pointlist

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Limits of a list.
const (
	mostBytes = 16 << 20
	mostRows  = 20_000
	mostAhead = 40 // lines of titles before the head line
)

// List is a register list as it was written.
type List struct {
	name  string
	rows  []row
	taken string // the coding, where it was not plain UTF-8
	heads map[column]head
	extra []head // columns that mean nothing here
	line  int    // of the headings
}

// head is a heading.
type head struct {
	text, note string
	at         place
}

// place is where something stands: both counted from 1, the column in characters of the line's text.
type place struct{ line, column int }

// cell is one entry of the list.
type cell struct {
	text string
	at   place
}

// row is one line of the list.
type row struct {
	line  int
	cells map[column]cell
}

func (r *row) get(c column) string { return r.cells[c].text }

// at returns where an entry stands, or the line's beginning where it is missing.
func (r *row) at(c column) place {
	if e, ok := r.cells[c]; ok {
		return e.at
	}
	return place{r.line, 1}
}

// Read reads a list. name stands in all that is said about it. Separators may be
// comma, semicolon or tab; the coding UTF-8, UTF-16 or Windows-1252. The error
// says why it is no register list.
func Read(name string, data []byte) (*List, error) {
	if len(data) > mostBytes {
		return nil, fmt.Errorf("%s: more than %d MB", name, mostBytes>>20)
	}
	s, taken, err := text(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	l := &List{name: name, taken: taken}
	if err := l.read(s); err != nil {
		return nil, err
	}
	return l, nil
}

func (l *List) read(s string) error {
	separator, s, skipped := separatorOf(s)
	r := csv.NewReader(strings.NewReader(s))
	r.Comma, r.FieldsPerRecord, r.LazyQuotes = separator, -1, true
	var order []column
	for n := 0; ; n++ {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if pe, ok := errors.AsType[*csv.ParseError](err); ok {
			return fmt.Errorf("%s:%d:%d: %w", l.name, pe.Line+skipped, pe.Column, pe.Err)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", l.name, err)
		}
		if len(l.rows) > mostRows {
			return fmt.Errorf("%s: more than %d rows", l.name, mostRows)
		}
		where := func(i int) place { line, col := r.FieldPos(i); return place{line + skipped, col} }
		if order == nil {
			if order = l.headLine(fields, where); order == nil && n >= mostAhead {
				break
			}
			continue
		}
		l.add(order, fields, where)
	}
	if order == nil {
		return fmt.Errorf("%s: no head line found: a line that names the columns, at least an address and a name or type (Name, Address, Type, Unit, Scale ...)", l.name)
	}
	if len(l.rows) == 0 {
		return fmt.Errorf("%s: no rows below the head line %d", l.name, l.line)
	}
	return nil
}

// separatorOf finds the separator: the one that the spreadsheet names in a line 'sep=;', or that most of the first lines share.
func separatorOf(s string) (comma rune, rest string, skipped int) {
	first, after, _ := strings.Cut(s, "\n")
	if sep, ok := strings.CutPrefix(strings.TrimRight(first, "\r"), "sep="); ok && len(sep) == 1 {
		return rune(sep[0]), after, 1
	}
	best, most := ',', 0
	for _, c := range []rune{';', '\t', ','} {
		n := 0
		for i, line := range strings.SplitN(s, "\n", mostAhead) {
			if i < mostAhead-1 && strings.Count(line, string(c)) > 1 {
				n += min(strings.Count(line, string(c)), 12)
			}
		}
		if n > most {
			best, most = c, n
		}
	}
	return best, s, 0
}

// headLine takes a line for the head if it names an address and one thing more. It returns the columns' meanings, nil if it does not.
func (l *List) headLine(fields []string, where func(int) place) []column {
	order := make([]column, len(fields))
	heads, extra := map[column]head{}, []head(nil)
	for i, f := range fields {
		c, note := columnOf(f)
		h := head{strings.TrimSpace(f), note, where(i)}
		if _, twice := heads[c]; twice || c == unknown {
			if h.text != "" {
				extra = append(extra, h)
			}
			continue
		}
		heads[c], order[i] = h, c
	}
	_, address := heads[colAddress]
	if !address || len(heads) < 2 {
		return nil
	}
	l.heads, l.extra, l.line = heads, extra, where(0).line
	return order
}

func (l *List) add(order []column, fields []string, where func(int) place) {
	r := row{line: where(0).line, cells: map[column]cell{}}
	for i, f := range fields {
		if f = strings.TrimSpace(strings.ReplaceAll(f, "\u00a0", " ")); f != "" && i < len(order) && order[i] != unknown {
			r.cells[order[i]] = cell{f, where(i)}
		}
	}
	if len(r.cells) > 0 {
		l.rows = append(l.rows, r)
	}
}
