package page_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/exporter/review/page"
)

func TestLineBreaksBetweenWords(t *testing.T) {
	var b strings.Builder
	p := page.To(&b)
	word := strings.Repeat("9", 39)
	p.Line("%s %s %s", word, word, "later")
	p.Line("")
	p.Line("%s", strings.Repeat("x", 90))
	want := word + " " + word + "\n  later\n\n" + strings.Repeat("x", 90) + "\n"
	if b.String() != want || p.Err() != nil {
		t.Errorf("got\n%s\nwant\n%s\n%v", b.String(), want, p.Err())
	}
}

func TestRowsLineUp(t *testing.T) {
	var b strings.Builder
	page.To(&b).Rows([][]string{{"figure", page.Right("found"), "and"}, {"höhe", page.Right("7"), ""}})
	if want := "\nfigure  found  and\nhöhe        7\n"; b.String() != want {
		t.Errorf("got\n%q\nwant\n%q", b.String(), want)
	}
}

func TestWords(t *testing.T) {
	for _, c := range [][2]string{
		{page.Number(math.NaN(), 1), "-"}, {page.Number(math.Inf(-1), 1), "-"}, {page.Number(1.25, 1), "1.2"},
		{page.With(3, 0, "L"), "3 L"}, {page.With(math.NaN(), 0, "L"), "-"}, {page.With(2, 0, ""), "2"}, {page.Percent(0.125, 1), "12.5 %"},
		{page.Length(90 * time.Second), "90 s"}, {page.Length(5 * time.Minute), "5.0 min"}, {page.Length(3 * time.Hour), "3.0 h"},
		{page.Length(60 * time.Hour), "2.5 d"}, {page.Number(-0.04, 1), "0.0"}, {page.Number(-0.06, 1), "-0.1"},
		{page.Count(1, "night"), "1 night"}, {page.Count(0, "night"), "0 nights"}, {page.Times(0), "never"}, {page.Times(1), "once"}, {page.Times(7), "7 times"},
	} {
		if c[0] != c[1] {
			t.Errorf("got %q, want %q", c[0], c[1])
		}
	}
}

type full struct{}

var errFull = errors.New("no space left")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestErrorIsKept(t *testing.T) {
	p := page.To(full{})
	p.Line("a")
	p.Rows([][]string{{"b"}})
	if !errors.Is(p.Err(), errFull) {
		t.Errorf("got %v", p.Err())
	}
}
