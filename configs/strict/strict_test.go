package strict_test

import (
	"testing"

	"roundsman/configs/strict"
)

func TestNear(t *testing.T) {
	names := []string{"holding", "input", "coil", "discrete", "high", "high-high", "low", "low-low", "m"}
	for _, c := range []struct{ written, want string }{
		{"holdin", "holding"},   // a letter left out
		{"holdding", "holding"}, // doubled
		{"hodling", "holding"},  // swapped
		{"Holding", "holding"},  // capital
		{"inptu", "input"},      // swapped at the end
		{"hihg-high", "high-high"},
		{"lwo", "low"},
		{"coill", "coil"},
		{"register", ""},
		{"x", ""}, // one letter is no hint
		{"", ""},
		{"lo", "low"},
	} {
		if got := strict.Near(c.written, names); got != c.want {
			t.Errorf("Near(%q) = %q, want %q", c.written, got, c.want)
		}
	}
}

func TestProblemString(t *testing.T) {
	for _, c := range []struct {
		p    strict.Problem
		want string
	}{
		{strict.Problem{File: "site.yaml", Line: 31, Column: 12, Path: "points.a.type", Text: "unknown"}, "site.yaml:31:12: points.a.type: unknown"},
		{strict.Problem{File: "site.yaml", Text: "no such file"}, "site.yaml: no such file"},
		{strict.Problem{File: "s", Line: 1, Column: 2, Text: "x", Severity: strict.Remark}, "s:1:2: remark: x"},
		{strict.Problem{File: "s", Line: 1, Column: 2, Path: "a", Text: "x", Severity: strict.Warning}, "s:1:2: warning: a: x"},
	} {
		if got := c.p.String(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// Problems come sorted by file, line and column, each once.
func TestLogSorts(t *testing.T) {
	var l strict.Log
	for _, p := range []strict.Problem{
		{File: "b", Line: 1, Column: 1, Text: "1"},
		{File: "a", Line: 2, Column: 1, Text: "2"},
		{File: "a", Line: 1, Column: 9, Text: "3"},
		{File: "a", Line: 1, Column: 2, Text: "4", Severity: strict.Remark},
		{File: "a", Line: 2, Column: 1, Text: "2"},
	} {
		l.Add(p)
	}
	got := strict.Problems(l.Problems()).Error()
	want := "a:1:2: remark: 4\na:1:9: 3\na:2:1: 2\nb:1:1: 1"
	if got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	if !l.Failed() {
		t.Error("Failed is false with errors")
	}
}

func table() *strict.Shape {
	return strict.TableOf(
		strict.Key{Name: "name", Shape: strict.One(strict.Text), Needed: true},
		strict.Key{Name: "count", Shape: strict.Whole(1, 10)},
		strict.Key{Name: "share", Shape: strict.One(strict.Number)},
		strict.Key{Name: "on", Shape: strict.One(strict.Switch)},
		strict.Key{Name: "list", Shape: strict.AnyOf(strict.One(strict.Text), strict.ListOf(strict.One(strict.Text), 1))},
		strict.Key{Name: "of", Shape: strict.NamedOf(strict.One(strict.Text))},
	)
}

func TestValues(t *testing.T) {
	var l strict.Log
	v := strict.Parse("f.yaml", []byte("name: 007\ncount: 0x0a\nshare: -1.5e1\non: true\nlist: one\nof: {b: x, a: y}\n"), table(), &l)
	if l.Failed() {
		t.Fatal(l.Problems())
	}
	if got := v.Get("name").Text(); got != "007" {
		t.Errorf("name: got %q, want 007 as written", got)
	}
	if v.Get("count").Int(0) != 10 || v.Get("share").Float(0) != -15 || !v.Get("on").Bool() {
		t.Errorf("count %d, share %v, on %t", v.Get("count").Int(0), v.Get("share").Float(0), v.Get("on").Bool())
	}
	if e := v.Get("list").Entries(); len(e) != 1 || e[0].Text() != "one" {
		t.Errorf("a single text where a list may stand: %d entries", len(e))
	}
	if e := v.Get("of").Entries(); len(e) != 2 || e[0].Key() != "b" || e[1].Path() != "of.a" {
		t.Errorf("names are not in the order of the file")
	}
	if got := v.Get("of").Place(); got != "f.yaml:6" {
		t.Errorf("Place: got %s", got)
	}
}

// Everything may be asked of a value that is not there.
func TestAbsentValues(t *testing.T) {
	var l strict.Log
	v := strict.Parse("f.yaml", []byte("name: x\n"), table(), &l).Get("count")
	if v != nil || v.Get("x") != nil || v.Text() != "" || v.Int(7) != 7 || v.Float(2) != 2 || v.Bool() || v.Entries() != nil || v.Has("x") || v.IsTable() || v.Place() != "" || v.Path() != "" {
		t.Error("an absent value answers")
	}
}

// What is wrong reads as absent, so that nothing is built on it.
func TestWrongReadsAsAbsent(t *testing.T) {
	var l strict.Log
	v := strict.Parse("f.yaml", []byte("name: [x]\ncount: 11\nshare: .inf\non: yes\nlist: []\nof: 3\nnmae: y\n"), table(), &l)
	for _, k := range []string{"name", "count", "share", "on", "list", "of", "nmae"} {
		if v.Get(k) != nil {
			t.Errorf("%s is wrong and reads %q", k, v.Get(k).Text())
		}
		if !v.Has(k) {
			t.Errorf("%s is written and Has says no", k)
		}
	}
	if got := len(l.Problems()); got != 7 {
		t.Errorf("%d problems, want 7:\n%v", got, l.Problems())
	}
}
