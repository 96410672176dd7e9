package rehearsal

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"roundsman/collector"
)

// CSVOptions say what a CSV file is read for.
type CSVOptions struct {
	Name   string            // of the file, for messages
	Points []collector.Point // of the site, by id
	// Computed tells the points that the site computes. In the long form their rows are passed over.
	Computed []collector.PointID
	// Near returns the name that was most likely meant, or ''. May be nil.
	Near func(written string, names []string) string
	// From and To limit what is given: From <= time < To. Nil: no limit.
	From, To *collector.Moment
}

// CSV is a source over a CSV file in the wide or the long form; see the package comment. It keeps one moment in memory.
type CSV struct {
	o     CSVOptions
	lines *lines
	stamp stamps

	long    bool
	columns []collector.PointID // wide: of the cells after the time
	fields  int                 // long: 3 or 4
	ids     map[string]collector.PointID
	passed  []bool // by point: computed, long form

	// The row that was read and belongs to the next moment: its line and where its cells begin.
	row     []byte
	rowAt   collector.Moment
	rowForm Form
	cells   int
	waiting bool
	done    bool

	at      collector.Moment
	form    Form
	batch   []collector.Reading
	extra   []collector.Reading // of a doubled row
	place   []int32             // by point: its place in the batch, +1; only while merging
	texts   map[string]string
	started bool
	ledger  Ledger
	steps   steps
	repairs [repairs]Repair
	gapForm Form // of the beginning of the longest step
}

// The repairs, in the order in which they are told.
const (
	disordered = iota
	doubled
	unreadable
	notANumber
	cutShort
	passedOver
	outside
	repairs
)

var repairWords = [repairs]string{
	disordered: "rows earlier than one before them, left out",
	doubled:    "readings of a point and time that came before, the last one taken",
	unreadable: "cells that cannot be read, taken as bad readings",
	notANumber: "cells that are no number (NaN or infinite), taken as bad readings",
	cutShort:   "last line cut short, left out",
	passedOver: "readings of points that the site computes, passed over",
	outside:    "rows outside the time asked for",
}

// NewCSV reads the header. The errors of the header are returned all at once, joined, each with file, line and column.
func NewCSV(r io.Reader, o CSVOptions) (*CSV, error) {
	c := &CSV{o: o, lines: newLines(r), ids: make(map[string]collector.PointID, len(o.Points)), texts: map[string]string{}}
	c.o.Name = cmp.Or(o.Name, "data")
	for i := range o.Points {
		c.ids[o.Points[i].Name] = o.Points[i].ID
	}
	for i := range c.repairs {
		c.repairs[i].What = repairWords[i]
	}
	head, err := c.lines.next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("%s: empty: expected a header such as time,%s", c.o.Name, c.example())
	case err != nil:
		return nil, c.readError(err)
	}
	if err := c.header(bytes.TrimPrefix(head, []byte("\ufeff"))); err != nil {
		return nil, err
	}
	return c, nil
}

// Columns returns the points of the columns of a wide file; nil for a long one.
func (c *CSV) Columns() []collector.PointID { return c.columns }

// Form returns how the file wrote the time that Next returned last.
func (c *CSV) Form() Form { return c.form }

// Ledger returns what was read so far.
func (c *CSV) Ledger() Ledger {
	l := c.ledger
	l.Period, l.Gaps, l.Missing = c.steps.gaps()
	if l.Gaps > 0 {
		l.Longest, l.GapAfter = c.steps.longest, Time{c.steps.after, &c.gapForm}
	}
	for _, r := range c.repairs {
		if r.Count > 0 {
			l.Repairs = append(l.Repairs, r)
		}
	}
	return l
}

func (c *CSV) example() string {
	if len(c.o.Points) > 0 {
		return c.o.Points[0].Name
	}
	return "air.header.pressure"
}

func (c *CSV) readError(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%s:%d: the compressed file is cut short", c.o.Name, c.lines.number)
	}
	return fmt.Errorf("%s:%d: %w", c.o.Name, c.lines.number, err)
}

// failAt returns an error at a byte of the present row; -1 for the row as a whole.
func (c *CSV) failAt(line []byte, at int, format string, args ...any) error {
	text := fmt.Sprintf(format, args...)
	if at < 0 {
		return fmt.Errorf("%s:%d: %s", c.o.Name, c.lines.number, text)
	}
	return fmt.Errorf("%s:%d:%d: %s", c.o.Name, c.lines.number, utf8.RuneCount(line[:at])+1, text)
}

// header decides between wide and long and finds the points of the columns.
func (c *CSV) header(line []byte) error {
	names, starts, err := c.names(line)
	if err != nil {
		return err
	}
	if names[0] != "time" {
		return c.noTimeColumn(line, names)
	}
	if len(names) >= 3 && len(names) <= 4 && names[1] == "point" && names[2] == "value" && (len(names) == 3 || names[3] == "quality") {
		c.long, c.fields = true, len(names)
		c.place = make([]int32, len(c.o.Points))
		c.passed = make([]bool, len(c.o.Points))
		for _, id := range c.o.Computed {
			c.passed[id] = true
		}
		return nil
	}
	return c.wideHeader(line, names, starts)
}

func (c *CSV) wideHeader(line []byte, names []string, starts []int) error {
	var errs []error
	seen := map[string]int{}
	for i, name := range names[1:] {
		at := starts[i+1]
		id, ok := c.ids[name]
		switch {
		case name == "":
			errs = append(errs, c.failAt(line, at, "column %d has no name", i+2))
		case !ok:
			errs = append(errs, c.failAt(line, at, "%s", c.unknown(name)))
		case seen[name] > 0:
			errs = append(errs, c.failAt(line, at, "column %d is %s, as column %d is", i+2, name, seen[name]))
		default:
			seen[name] = i + 2
		}
		c.columns = append(c.columns, id)
	}
	if len(names) == 1 {
		errs = append(errs, c.failAt(line, -1, "no column but time: expected one for each point, or time,point,value"))
	}
	return errors.Join(errs...)
}

// noTimeColumn says what stands in the place of the time.
func (c *CSV) noTimeColumn(line []byte, names []string) error {
	switch {
	case len(names) == 1 && bytes.ContainsAny(line, ";\t"):
		return c.failAt(line, bytes.IndexAny(line, ";\t"), "cells are separated by %q: expected commas, and numbers with a decimal point", string(line[bytes.IndexAny(line, ";\t")]))
	case len(strings.TrimSpace(names[0])) == 0:
		return c.failAt(line, 0, "the first column has no name: it must be time")
	}
	for i, n := range names {
		if n == "time" {
			return c.failAt(line, 0, "the first column is %q: it must be time, which is column %d", clip(names[0]), i+1)
		}
	}
	return c.failAt(line, 0, "the first column is %q: it must be time", clip(names[0]))
}

func (c *CSV) unknown(name string) string {
	text := fmt.Sprintf("the site has no point %q", clip(name))
	if c.o.Near == nil {
		return text
	}
	names := make([]string, len(c.o.Points))
	for i := range c.o.Points {
		names[i] = c.o.Points[i].Name
	}
	if near := c.o.Near(name, names); near != "" {
		text += " (did you mean " + near + "?)"
	}
	return text
}

// names splits the header.
func (c *CSV) names(line []byte) (names []string, starts []int, err error) {
	for i := 0; ; {
		text, next, err := c.cell(line, i)
		if err != nil {
			return nil, nil, err
		}
		names = append(names, string(bytes.TrimSpace(text)))
		starts = append(starts, i)
		if next >= len(line) {
			return names, starts, nil
		}
		i = next + 1
	}
}

// cell returns the text of the cell that begins at i and where it ends: at a comma or at the end of the row. Quotes are
// taken off; a doubled one inside them is one.
func (c *CSV) cell(line []byte, i int) (text []byte, end int, err error) {
	if i < len(line) && line[i] == '"' {
		return c.quoted(line, i)
	}
	if k := bytes.IndexByte(line[i:], ','); k >= 0 {
		return line[i : i+k], i + k, nil
	}
	return line[i:], len(line), nil
}

func (c *CSV) quoted(line []byte, from int) (text []byte, end int, err error) {
	for i := from + 1; i < len(line); i++ {
		if line[i] != '"' {
			continue
		}
		if i+1 < len(line) && line[i+1] == '"' {
			i++
			continue
		}
		if i+1 < len(line) && line[i+1] != ',' {
			return nil, 0, c.failAt(line, i+1, "%q behind a closing quote: expected a comma", clip(string(line[i+1:])))
		}
		return bytes.ReplaceAll(line[from+1:i], []byte(`""`), []byte(`"`)), i + 1, nil
	}
	return nil, 0, c.failAt(line, from, "a quote is not closed on its line")
}

func clip(s string) string {
	if utf8.RuneCountInString(s) <= 40 {
		return s
	}
	return string([]rune(s)[:37]) + "..."
}
