// Package page writes reviews for a terminal of 80 columns: lines, and tables whose columns line up.
//
//	p := page.To(os.Stdout)
//	p.Line("%s", "the last 30 days")
//	p.Rows([][]string{{"figure", page.Right("found")}, {"load factor", page.Right("41 %")}})
//	return p.Err()
package page

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Width is how many columns a terminal is taken to have.
const Width = 80

// Page writes until something cannot be written; Err says what. It belongs to one goroutine.
type Page struct {
	w   io.Writer
	err error
}

// To returns a page that writes to w.
func To(w io.Writer) *Page { return &Page{w: w} }

// Err returns the first error.
func (p *Page) Err() error { return p.err }

// Line writes a line, broken between words where it is longer than the width; what follows is indented by two.
func (p *Page) Line(format string, values ...any) {
	text := fmt.Sprintf(format, values...)
	indent := ""
	for {
		line, rest := cut(text, Width-len(indent))
		if p.err == nil {
			_, p.err = fmt.Fprintln(p.w, strings.TrimRight(indent+line, " "))
		}
		if rest == "" || p.err != nil {
			return
		}
		text, indent = rest, "  "
	}
}

// cut returns as many words as fit.
func cut(text string, width int) (line, rest string) {
	if utf8.RuneCountInString(text) <= width {
		return text, ""
	}
	at := -1 // byte of the last space that fits
	n := 0
	for i, r := range text {
		if n > width {
			break
		}
		if r == ' ' && i > 0 && strings.TrimSpace(text[:i]) != "" {
			at = i
		}
		n++
	}
	if at < 0 {
		return text, "" // one long word
	}
	return text[:at], strings.TrimLeft(text[at:], " ")
}

// Right marks a cell as a number: it stands to the right of its column.
func Right(s string) string { return "\t" + s }

// Rows writes an empty line, a head and rows in columns, two blanks apart.
func (p *Page) Rows(rows [][]string) {
	p.Line("")
	for _, line := range Columns(rows) {
		if p.err == nil {
			_, p.err = fmt.Fprintln(p.w, line)
		}
	}
}

// Columns lines rows up in columns, two blanks apart; cells made by Right stand to the right of theirs.
func Columns(rows [][]string) []string {
	var width []int
	for _, row := range rows {
		for i, c := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			width[i] = max(width[i], utf8.RuneCountInString(strings.TrimPrefix(c, "\t")))
		}
	}
	lines := make([]string, 0, len(rows))
	for _, row := range rows {
		var b strings.Builder
		for i, c := range row {
			text, number := strings.CutPrefix(c, "\t")
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(text))
			if number {
				text = pad + text
			} else {
				text += pad
			}
			b.WriteString(text + "  ")
		}
		lines = append(lines, strings.TrimRight(b.String(), " "))
	}
	return lines
}

// Number writes a value with so many decimals, a dash for none.
func Number(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return text
}

// With is Number with its unit.
func With(v float64, decimals int, unit string) string {
	n := Number(v, decimals)
	if n == "-" || unit == "" {
		return n
	}
	return n + " " + unit
}

// Percent writes a share of 0 to 1.
func Percent(share float64, decimals int) string { return With(100*share, decimals, "%") }

// Length writes a time in the largest unit that leaves a number people can read.
func Length(d time.Duration) string {
	switch s := d.Seconds(); {
	case s >= 48*3600:
		return Number(s/86400, 1) + " d"
	case s >= 2*3600:
		return Number(s/3600, 1) + " h"
	case s >= 120:
		return Number(s/60, 1) + " min"
	default:
		return Number(s, 0) + " s"
	}
}

// Count writes a number of things: '1 night', '3 nights'.
func Count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return strconv.Itoa(n) + " " + what
}

// Times writes a count of events: 'never', 'once', '3 times'.
func Times(n int) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	}
	return strconv.Itoa(n) + " times"
}
